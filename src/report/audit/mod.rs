//! Was it truly held? The evidence of a run, dwell by dwell.

pub mod case;
pub mod deep;
pub mod figures;
pub mod page;
pub mod sentence;
pub mod text;

use serde::Serialize;

use super::recordings::Recordings;
use crate::analysis::{PointNote, TraceRow};
use crate::ledger::{CheckedSeal, Run};
use crate::setup::Verdict;
use case::{Case, Judgement};

/// A run under audit.
#[derive(Debug)]
pub struct Audit<'a> {
    /// The run folder read back.
    pub run: &'a Run,
    /// Title of the test.
    pub title: &'a str,
    /// The files it was made from.
    pub recordings: Recordings,
    /// How its seal stands, where it has one.
    pub seal: Option<CheckedSeal>,
    /// The whole trace.
    pub trace: &'a [TraceRow],
    /// The dwells that are looked at.
    pub cases: Vec<Case<'a>>,
    /// Length of the analysis window, s: what smooths the envelope.
    pub window_s: Option<f64>,
}

/// The audit as `--json` gives it.
#[derive(Debug, Serialize)]
struct AuditJson<'a> {
    run: String,
    title: &'a str,
    version: &'a str,
    recordings: &'a Recordings,
    alterations: &'a [String],
    notes: &'a [String],
    seal: &'a Option<CheckedSeal>,
    points: Vec<CaseJson<'a>>,
}

#[derive(Debug, Serialize)]
struct CaseJson<'a> {
    point: u64,
    verdict: &'a str,
    sentence: String,
    reasons: &'a [String],
    start_s: f64,
    end_s: f64,
    dwell_start_s: f64,
    dwell_end_s: f64,
    excluded: bool,
    notes: &'a [&'a PointNote],
    criteria: Vec<Judgement>,
}

impl Audit<'_> {
    /// The audit as one JSON object.
    pub fn json(&self) -> serde_json::Result<String> {
        let json = AuditJson {
            run: self.run.folder.display().to_string(),
            title: self.title,
            version: &self.run.record.version,
            recordings: &self.recordings,
            alterations: &self.run.alterations,
            notes: &self.run.notes,
            seal: &self.seal,
            points: self
                .cases
                .iter()
                .map(|case| CaseJson {
                    point: case.point.point,
                    verdict: case.verdict().0,
                    sentence: sentence::sentence(case),
                    reasons: &case.point.reasons,
                    start_s: case.point.start_s,
                    end_s: case.point.end_s,
                    dwell_start_s: case.dwell_s.0,
                    dwell_end_s: case.dwell_s.1,
                    excluded: case.is_excluded(),
                    notes: &case.notes,
                    criteria: case.judgements(),
                })
                .collect(),
        };
        serde_json::to_string_pretty(&json)
    }

    /// Whether a file of the run is not what it was.
    pub fn any_changed(&self) -> bool {
        self.recordings.any_changed()
            || !self.run.alterations.is_empty()
            || self
                .seal
                .as_ref()
                .is_some_and(|seal| !seal.broken.is_empty())
    }

    /// `31 held, 2 steady, 4 rejected`.
    pub fn counts(&self) -> String {
        Verdict::counts(self.cases.iter().map(|case| case.point.verdict))
    }
}
