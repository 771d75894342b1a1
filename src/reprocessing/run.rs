//! One run from its recordings.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::Context as _;

use super::assigned::{SourceFiles, assign};
use crate::analysis::{Analysis, Event, Finding};
use crate::ingest::sidecar::{hash_of_file, hash_of_sidecar};
use crate::ingest::stretches::{NamedFile, OrderedBy};
use crate::ingest::wav::FileHashes;
use crate::ledger::{Ledger, RunRecord, RunState, SourceRecord, carry_named_files};
use crate::pipeline::{
    Outcome, Progress, RecordedRun, RecordedSource, ReplayOptions, Sink, StopReason, in_one_line,
    replay,
};
use crate::reduction::SettledPoint;
use crate::report::run_evaluation::check_baseline;
use crate::setup::{self, Setup};

/// What is to be reprocessed.
#[derive(Debug, Clone, Copy)]
pub struct ReprocessRequest<'a> {
    /// The setup file.
    pub setup: &'a Path,
    /// Recordings and folders of them, as [`assign`] takes them.
    pub recordings: &'a [String],
    /// What their paths are seen from.
    pub base: &'a Path,
    /// The run of the bare span, to see beforehand that it fits.
    pub baseline: Option<&'a Path>,
    /// The run folder to make.
    pub out: &'a Path,
    /// Whether the results of an earlier reprocess there may be replaced.
    pub replace: bool,
    /// How it is done.
    pub options: ReplayOptions,
}

/// Who watches.
pub trait ReprocessWatch {
    /// What whoever started it has to know.
    fn note(&mut self, note: &str);
    /// So many frames are to be read.
    fn begins(&mut self, frames: u64);
    /// So many were read, and so many points found.
    fn progress(&mut self, frames: u64, points: usize);
}

/// A run that was made; it may have ended before its recordings did.
#[derive(Debug)]
pub struct Reprocessed {
    /// Its record, as it was closed.
    pub record: RunRecord,
    /// Its points.
    pub points: Vec<SettledPoint>,
    /// Why it ended.
    pub reason: StopReason,
}

/// Why a run was not made or not closed.
#[derive(Debug, thiserror::Error)]
pub enum ReprocessError {
    /// The setup, the recordings or the folder are not what they should be.
    #[error("{}", in_one_line(.0))]
    Input(anyhow::Error),
    /// The results could not be written, or the recordings not be read again.
    #[error("{}", in_one_line(.0))]
    Device(anyhow::Error),
}

impl From<anyhow::Error> for ReprocessError {
    fn from(error: anyhow::Error) -> Self {
        Self::Input(error)
    }
}

/// Makes a run folder from recordings, exactly as a live capture of the same
/// samples would have.
///
/// # Errors
/// Where nothing could be begun, or the run not be closed. A recording that breaks
/// off is no such error: the run is closed, and [`Reprocessed::reason`] says so.
pub fn reprocess(
    request: ReprocessRequest,
    stop: &Arc<AtomicBool>,
    watch: &mut dyn ReprocessWatch,
) -> Result<Reprocessed, ReprocessError> {
    let loaded = setup::read(request.setup).map_err(anyhow::Error::from)?;
    for warning in &loaded.warnings {
        watch.note(&warning.in_file(&loaded.file).to_string());
    }
    if let Some(folder) = request.baseline {
        check_baseline(&loaded.setup, folder).map_err(anyhow::Error::from)?;
    }
    let mut notes = Vec::new();
    let assigned = assign(&loaded.setup, request.base, request.recordings, &mut notes);
    notes.iter().for_each(|note| watch.note(note));
    let assigned = assigned?;
    let mut recorded = open(&loaded.setup, &assigned, watch)?;
    let hashes = recorded.hash_files();
    let mut record = RunRecord::begin(
        "reprocess",
        request.setup,
        loaded.text.as_bytes(),
        jiff::Timestamp::now(),
    );
    record.sources = source_records(&recorded, &assigned);
    let repeated: Vec<Event> = record
        .sources
        .iter()
        .filter_map(SourceRecord::repeated_event)
        .collect();
    let mut ledger = Ledger::create(request.out, loaded.text.as_bytes(), record, request.replace)
        .map_err(anyhow::Error::from)?;
    for event in &repeated {
        watch.note(&format!("warning: {}", event.message));
        ledger.event(event).map_err(anyhow::Error::from)?;
    }
    let notes =
        carry_named_files(&loaded, request.setup, &mut ledger).map_err(anyhow::Error::from)?;
    notes.iter().for_each(|note| watch.note(note));
    watch.begins(recorded.frames());
    let mut sink = Keep {
        ledger,
        points: Vec::new(),
        frames: 0,
        firsts: first_samples(&recorded),
        watch,
    };
    let outcome = replay(&loaded.setup, recorded, request.options, stop, &mut sink);
    let Keep { ledger, points, .. } = sink;
    let record = close(ledger, &outcome, &hashes).map_err(ReprocessError::Device)?;
    Ok(Reprocessed {
        record,
        points,
        reason: outcome.reason,
    })
}

fn open(
    setup: &Setup,
    assigned: &[SourceFiles],
    watch: &mut dyn ReprocessWatch,
) -> anyhow::Result<RecordedRun> {
    let files: Vec<Vec<NamedFile>> = assigned
        .iter()
        .map(|source| source.files.iter().cloned().map(NamedFile::from).collect())
        .collect();
    let recorded = RecordedRun::open(setup, &files)?;
    recorded.notes.iter().for_each(|note| watch.note(note));
    if recorded.stretches.len() > 1 {
        let by = match recorded.ordered_by.first() {
            Some(OrderedBy::StartTime) => "start times",
            Some(OrderedBy::Name) | None => "names",
        };
        watch.note(&format!(
            "{} recordings, each for itself, in the order of their {by}",
            recorded.stretches.len()
        ));
    }
    Ok(recorded)
}

/// What is known of the sources before they are read.
fn source_records(recorded: &RecordedRun, assigned: &[SourceFiles]) -> Vec<SourceRecord> {
    let mut records = recorded.sources();
    for (record, source) in records.iter_mut().zip(assigned) {
        record.repeated.clone_from(&source.repeated);
        for file in &mut record.files {
            let bytes = Path::new(&file.path).metadata();
            file.bytes = bytes.map_or(0, |metadata| metadata.len());
        }
    }
    records
}

fn first_samples(recorded: &RecordedRun) -> Vec<u64> {
    let first = recorded.stretches.first().into_iter().flatten();
    first.map(RecordedSource::first_sample).collect()
}

/// Findings → ledger, progress → whoever watches. The points come back for a table.
struct Keep<'a> {
    ledger: Ledger,
    points: Vec<SettledPoint>,
    frames: u64,
    firsts: Vec<u64>,
    watch: &'a mut dyn ReprocessWatch,
}

impl Sink for Keep<'_> {
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        match finding {
            Finding::Point(point, evidence) => {
                if let Some(point) = self.ledger.point(*point, evidence)? {
                    self.points.push(point);
                    self.watch.progress(self.frames, self.points.len());
                }
            }
            Finding::Event(event) => {
                self.ledger.event(&event)?;
            }
            Finding::Trace(row) => self.ledger.trace(&row)?,
        }
        Ok(())
    }

    fn tick(&mut self, progress: &Progress, _analysis: &Analysis) -> anyhow::Result<()> {
        let frames = progress.frames.iter().zip(&self.firsts);
        let frames = frames.map(|(at, first)| at.saturating_sub(*first)).sum();
        // Once a block, not once a hop.
        if frames != self.frames {
            self.frames = frames;
            self.watch.progress(self.frames, self.points.len());
        }
        Ok(())
    }
}

/// Counts and hashes into the record, and the run closed. What was not read to its end is
/// read again for its hash.
fn close(mut ledger: Ledger, outcome: &Outcome, hashes: &FileHashes) -> anyhow::Result<RunRecord> {
    let mut sources = ledger.record().sources.clone();
    for (record, ended) in sources.iter_mut().zip(&outcome.sources) {
        record.frames = ended.frames;
        record.missing_frames = ended.missing_frames;
        for file in &mut record.files {
            let path = Path::new(&file.path);
            let again = || format!("{}: cannot be read again for its hash", file.path);
            let hash = hashes.of(path).map_or_else(|| hash_of_file(path), Ok);
            file.blake3 = Some(hash.with_context(again)?);
            file.sidecar_blake3 = hash_of_sidecar(path).with_context(again)?;
        }
    }
    let (state, reason) = match &outcome.reason {
        StopReason::Complete => (RunState::Done, None),
        StopReason::Asked => (RunState::Stopped, Some(outcome.reason.to_string())),
        other => (RunState::Failed, Some(other.to_string())),
    };
    ledger.sources(sources)?;
    Ok(ledger.close(state, reason, jiff::Timestamp::now())?)
}
