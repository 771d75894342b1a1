//! The recordings of a run, analysed once more with its stored setup.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::stored::Stored;
use crate::analysis::alarm::Alarms;
use crate::analysis::{Event, Finding, TraceRow};
use crate::ingest::stretches::NamedFile;
use crate::ledger::{LedgerError, PointEvidence, SourceRecord};
use crate::pipeline::{
    Collected, Outcome, RecordedRun, ReplayError, ReplayOptions, Sink, StopReason, replay,
};
use crate::reduction::SettledPoint;
use crate::report::recordings::{Checked, Standing};
use crate::setup::{Setup, SetupFaults};
use crate::tone::{ToneMessage, TonePlan};

/// What comes out of the recordings of a run.
#[derive(Debug, Clone)]
pub struct Recomputed {
    /// What each source is and how much of it was used; of its files what their
    /// headers say.
    pub sources: Vec<SourceRecord>,
    /// The points.
    pub points: Vec<SettledPoint>,
    /// What each point's verdict rests on.
    pub evidence: Vec<PointEvidence>,
    /// The trace.
    pub trace: Vec<TraceRow>,
    /// What the analysis has to say besides.
    pub events: Vec<Event>,
    /// Limits passed and kept again, as a capture would have logged them.
    pub alarms: Vec<Event>,
}

/// Why a run cannot be verified.
#[derive(Debug, thiserror::Error)]
pub enum VerifyError {
    /// The folder is no run, or cannot be read.
    #[error(transparent)]
    Folder(#[from] LedgerError),
    /// The stored setup is none.
    #[error(transparent)]
    Setup(#[from] SetupFaults),
    /// A recording is not where it was, or cannot be read.
    #[error("{}: nothing can be verified. {}", folder.display(), what.join(" "))]
    Missing {
        /// The run folder.
        folder: PathBuf,
        /// A sentence for what was altered in the run itself, and for each recording.
        what: Vec<String>,
    },
    /// `run.json` names no recording of a source.
    #[error(
        "{}: run.json names no recording of source {source_name}; nothing can be verified",
        folder.display()
    )]
    NoRecording {
        /// The run folder.
        folder: PathBuf,
        /// The source.
        source_name: String,
    },
    /// The recordings cannot be replayed with the stored setup.
    #[error("{0}; nothing can be verified")]
    Replay(#[from] ReplayError),
    /// A recording broke off.
    #[error("{0}; nothing can be verified")]
    BrokenOff(StopReason),
    /// A fault of this program.
    #[error("{0}")]
    Program(StopReason),
}

/// Analyses the recordings of a run once more with the setup in its folder.
///
/// # Errors
/// Where the setup or a recording cannot be used.
pub fn recompute(stored: &Stored) -> Result<Recomputed, VerifyError> {
    let setup = stored.setup.as_ref().map_err(Clone::clone)?;
    let recorded = recorded(stored, setup)?;
    // A capture, which alone is watched for alarms, is one stretch.
    let first = recorded.stretches.first();
    let plans: Vec<TonePlan> = first
        .into_iter()
        .flatten()
        .map(|source| source.plan().clone())
        .collect();
    let mut records = recorded.sources();
    let mut found = Found {
        collected: Collected::default(),
        watched: Alarms::new(setup, &plans),
        alarms: Vec::new(),
    };
    let stop = Arc::new(AtomicBool::new(false));
    let outcome = replay(setup, recorded, ReplayOptions::default(), &stop, &mut found);
    for (record, used) in records.iter_mut().zip(&outcome.sources) {
        record.frames = used.frames;
        record.missing_frames = used.missing_frames;
    }
    ended(outcome)?;
    let (mut points, mut evidence) = (Vec::new(), Vec::new());
    for (point, rests_on) in found.collected.points {
        evidence.push(PointEvidence {
            point: point.point,
            evidence: rests_on,
        });
        points.push(point);
    }
    Ok(Recomputed {
        sources: records,
        points,
        evidence,
        trace: found.collected.trace,
        events: found.collected.events,
        alarms: found.alarms,
    })
}

fn ended(outcome: Outcome) -> Result<(), VerifyError> {
    match outcome.reason {
        StopReason::Complete => Ok(()),
        reason @ StopReason::SourceFailed { .. } => Err(VerifyError::BrokenOff(reason)),
        reason => Err(VerifyError::Program(reason)),
    }
}

/// The recordings of each source, opened.
fn recorded(stored: &Stored, setup: &Setup) -> Result<RecordedRun, VerifyError> {
    let absent: Vec<String> = stored
        .recordings
        .all()
        .filter(|file| {
            matches!(
                file.standing,
                Standing::Missing | Standing::Unreadable { .. }
            )
        })
        .map(Checked::sentence)
        .collect();
    if !absent.is_empty() {
        let altered = stored.alterations.iter().map(|what| format!("{what}."));
        return Err(VerifyError::Missing {
            folder: stored.folder.clone(),
            // A path that was altered in run.json looks like a recording that is gone.
            what: altered.chain(absent).collect(),
        });
    }
    let mut sources = Vec::new();
    for (number, source) in setup.sources.iter().enumerate() {
        let files: Vec<NamedFile> = stored
            .recordings
            .sources
            .get(number)
            .map_or(&[][..], Vec::as_slice)
            .iter()
            .filter_map(|file| {
                Some(NamedFile {
                    named: PathBuf::from(&file.named),
                    found: file.found.clone()?,
                })
            })
            .collect();
        if files.is_empty() {
            return Err(VerifyError::NoRecording {
                folder: stored.folder.clone(),
                source_name: source.name.clone(),
            });
        }
        sources.push(files);
    }
    Ok(RecordedRun::open(setup, &sources)?)
}

/// Everything that is found, alarms included.
struct Found {
    collected: Collected,
    watched: Alarms,
    alarms: Vec<Event>,
}

impl Sink for Found {
    fn heard(&mut self, source: usize, message: &ToneMessage) -> anyhow::Result<()> {
        let alarms = self.watched.hear(source, message);
        self.alarms.extend(alarms.into_iter().map(Event::from));
        Ok(())
    }

    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        if let Finding::Trace(row) = &finding {
            let alarms = self.watched.row(row);
            self.alarms.extend(alarms.into_iter().map(Event::from));
        }
        self.collected.add(finding);
        Ok(())
    }
}
