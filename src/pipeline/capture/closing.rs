//! The end of a session: what is left is written, and the run folder says how
//! it ended.

use std::path::Path;

use anyhow::anyhow;

use super::coverage::Coverage;
use super::watch::Watch;
use crate::analysis::Event;
use crate::ingest::sidecar::{hash_of_sidecar, read_sidecar};
use crate::ledger::{FileRecord, RECORDINGS_FOLDER, RunRecord, RunState};
use crate::pipeline::feed::recordings_of;
use crate::pipeline::run::Outcome;
use crate::pipeline::stop::{StopReason, in_one_line};
use crate::recorder::missing_recordings;
use crate::reduction::SettledPoint;

/// Why a session did not begin, or how it failed.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The setup or the run folder does not allow it.
    #[error("{}", in_one_line(.0))]
    Refused(anyhow::Error),
    /// A device or the disk failed.
    #[error("{}", in_one_line(.0))]
    Failed(anyhow::Error),
}

impl From<anyhow::Error> for CaptureError {
    fn from(error: anyhow::Error) -> Self {
        Self::Refused(error)
    }
}

/// How a session ended.
#[derive(Debug)]
pub struct Captured {
    /// Why.
    pub reason: StopReason,
    /// The record as it was left.
    pub record: RunRecord,
    /// All points of the run, earlier sessions included.
    pub points: Vec<SettledPoint>,
    /// The plan against them.
    pub coverage: Coverage,
    /// Whether a limit was passed.
    pub alarmed: bool,
}

/// Says how it ended, and closes the run folder.
pub(super) fn close(mut watch: Watch, outcome: Outcome) -> Result<Captured, CaptureError> {
    watch.listener.stopping();
    let reason = match (outcome.reason, watch.asked_because.take()) {
        (StopReason::Complete | StopReason::Asked, Some(why)) if !watch.stop_on_alarm => {
            StopReason::SinkFailed(anyhow!(why))
        }
        (reason, _) => reason,
    };
    let (state, text) = match &reason {
        StopReason::Complete => (RunState::Done, None),
        StopReason::Asked => (RunState::Stopped, Some(reason.to_string())),
        other => (RunState::Failed, Some(other.to_string())),
    };
    watch.links.sum_up();
    tracing::info!("{}", watch.counted().text());
    let told = log_what_is_left(&mut watch, &reason).and_then(|()| tell_missing(&mut watch));
    let mut sources = watch.ledger.record().sources.clone();
    let folder = watch.ledger.folder().join(RECORDINGS_FOLDER);
    for (record, ended) in sources.iter_mut().zip(&outcome.sources) {
        record.frames = ended.frames;
        record.missing_frames = ended.missing_frames;
        record.files = files(&folder, &record.name);
    }
    let now_utc = watch.clock.now_utc();
    let closed = told
        .and_then(|()| Ok(watch.ledger.sources(sources)?))
        .and_then(|()| Ok(watch.ledger.close(state, text, now_utc)?));
    let record = match (closed, &reason) {
        (Ok(record), _) => record,
        // The first fault is the one to tell; this one follows from it.
        (Err(error), StopReason::SinkFailed(_)) => {
            tracing::error!(error = %in_one_line(&error), "The run folder could not be closed.");
            return Err(CaptureError::Failed(anyhow!("{reason}")));
        }
        (Err(error), _) => return Err(CaptureError::Failed(error)),
    };
    Ok(Captured {
        reason,
        record,
        points: watch.points,
        coverage: watch.coverage,
        alarmed: watch.alarms.ever_raised(),
    })
}

/// Points whose samples were not on the disk yet: now they are, or nobody knows.
fn log_what_is_left(watch: &mut Watch, reason: &StopReason) -> anyhow::Result<()> {
    if !matches!(reason, StopReason::SinkFailed(_)) {
        watch.log_points()?;
    }
    let left = watch.held_back.len();
    if left > 0 {
        tracing::warn!(
            points = left,
            "The disk may not have the samples of the last points; the next start judges them."
        );
    }
    Ok(())
}

/// Says in the run which of its recordings were taken away.
fn tell_missing(watch: &mut Watch) -> anyhow::Result<()> {
    let folder = watch.ledger.folder().join(RECORDINGS_FOLDER);
    for path in missing_recordings(&folder) {
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        let event = Event {
            at_s: watch.reached_s,
            kind: "missing-recording".into(),
            message: format!(
                "{RECORDINGS_FOLDER}/{name} was taken away; what rests on it cannot be recomputed."
            ),
        };
        tracing::warn!("{}", event.message);
        watch.ledger.event(&event)?;
    }
    Ok(())
}

/// The recordings of a source with their hashes, as far as they are known.
fn files(folder: &Path, source: &str) -> Vec<FileRecord> {
    let recordings = recordings_of(folder, source).unwrap_or_default();
    recordings
        .into_iter()
        .map(|(_, path)| FileRecord {
            bytes: path.metadata().map_or(0, |metadata| metadata.len()),
            blake3: read_sidecar(&path)
                .ok()
                .flatten()
                .and_then(|sidecar| sidecar.blake3),
            sidecar_blake3: hash_of_sidecar(&path).ok().flatten(),
            path: path.file_name().map_or_else(String::new, |name| {
                format!("{RECORDINGS_FOLDER}/{}", name.to_string_lossy())
            }),
            ..FileRecord::default()
        })
        .collect()
}
