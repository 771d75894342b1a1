//! A run folder read back whole.

use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::alterations::{Logs, alterations};
use super::locks::lock_to_read;
use super::{
    EVENTS_FILE, EVIDENCE_FILE, LedgerError, POINTS_FILE, RunRecord, SETUP_FILE, TRACE_FILE, lines,
    notes,
};
use crate::analysis::{Event, Evidence, PointNote, TraceRow};
use crate::reduction::SettledPoint;

/// One line of `evidence.jsonl`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointEvidence {
    /// The point it belongs to.
    pub point: u64,
    /// What its verdict rests on.
    #[serde(flatten)]
    pub evidence: Evidence,
}

/// What a run folder holds.
#[derive(Debug, Clone)]
pub struct Run {
    /// The folder.
    pub folder: PathBuf,
    /// `run.json`.
    pub record: RunRecord,
    /// `setup.toml`, as text.
    pub setup_text: String,
    /// `points.jsonl`, in order.
    pub points: Vec<SettledPoint>,
    /// `evidence.jsonl`, of the points above, in order.
    pub evidence: Vec<PointEvidence>,
    /// `events.jsonl`, in order.
    pub events: Vec<Event>,
    /// `notes.jsonl`, in order.
    pub point_notes: Vec<PointNote>,
    /// What was left out: torn last lines of a run that was broken off.
    pub notes: Vec<String>,
    /// A sentence for each file that is not what the run wrote.
    pub alterations: Vec<String>,
}

impl Run {
    /// Reads a run folder; the run may still be going on.
    pub fn open(folder: &Path) -> Result<Self, LedgerError> {
        let _lock = lock_to_read(folder)?;
        Self::open_locked(folder)
    }

    /// The same; the lock of the notes is held by the caller.
    pub(super) fn open_locked(folder: &Path) -> Result<Self, LedgerError> {
        let (record, record_text) = RunRecord::read_with_text(folder)?;
        let setup = folder.join(SETUP_FILE);
        let setup_text =
            std::fs::read_to_string(&setup).map_err(LedgerError::io(&setup, "read"))?;
        // Evidence is written before its point: read the points first, and
        // every one of them finds its evidence.
        let points = lines::read::<SettledPoint>(&folder.join(POINTS_FILE))?;
        let evidence = lines::read::<PointEvidence>(&folder.join(EVIDENCE_FILE))?;
        let events = lines::read::<Event>(&folder.join(EVENTS_FILE))?;
        let last = points.values.last().map_or(0, |point| point.point);
        let logs = Logs {
            points: (&points.chain, points.note.is_some()),
            evidence: (&evidence.chain, evidence.note.is_some()),
            events: (&events.chain, events.note.is_some()),
        };
        let (mut alterations, unchained) =
            alterations(folder, (&record, &record_text), &setup_text, logs)?;
        let point_notes = match notes::read_locked(folder) {
            Ok(notes) => notes,
            Err(error @ LedgerError::Io { .. }) => return Err(error),
            Err(error) => {
                alterations.push(error.finding());
                Vec::new()
            }
        };
        Ok(Self {
            folder: folder.to_owned(),
            record,
            setup_text,
            points: points.values,
            evidence: evidence
                .values
                .into_iter()
                .filter(|evidence| evidence.point <= last)
                .collect(),
            events: events.values,
            point_notes,
            notes: [points.note, evidence.note, events.note, unchained]
                .into_iter()
                .flatten()
                .collect(),
            alterations,
        })
    }

    /// The evidence of one point.
    pub fn evidence_of(&self, point: u64) -> Option<&Evidence> {
        self.evidence
            .iter()
            .find(|line| line.point == point)
            .map(|line| &line.evidence)
    }

    /// The rows of `trace.csv` whose time lies within `from_s..=to_s`. A torn
    /// last row is left out.
    pub fn trace(&self, from_s: f64, to_s: f64) -> Result<Vec<TraceRow>, LedgerError> {
        let path = self.folder.join(TRACE_FILE);
        let bytes = std::fs::read(&path).map_err(LedgerError::io(&path, "read"))?;
        let whole = bytes
            .iter()
            .rposition(|&byte| byte == b'\n')
            .map_or(0, |last| last + 1);
        let whole = bytes.get(..whole).unwrap_or_default();
        let mut rows = Vec::new();
        for (line, row) in (2..).zip(csv::Reader::from_reader(whole).deserialize()) {
            let row: TraceRow = row.map_err(|error| LedgerError::Damaged {
                path: path.clone(),
                line,
                what: error.to_string(),
            })?;
            if (from_s..=to_s).contains(&row.time_s) {
                rows.push(row);
            }
        }
        Ok(rows)
    }
}
