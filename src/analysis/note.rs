//! What a person says of a dwell: a note, or that it is not to count.
//!
//! In: nothing. Out: the types that the log of notes, the verdict and the report
//! share. Pure.

use serde::{Deserialize, Serialize};

/// What a note does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum NoteKind {
    /// It is read beside the point, and changes nothing.
    Note,
    /// The point is not counted; the text is the reason.
    Exclude,
    /// An exclusion is taken back.
    Restore,
}

impl NoteKind {
    /// As it is printed.
    pub fn word(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Exclude => "excluded",
            Self::Restore => "exclusion taken back",
        }
    }
}

/// One line of `notes.jsonl`. It is of a dwell and holds for it whatever number its
/// point has.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointNote {
    /// When it was written.
    pub written_utc: jiff::Timestamp,
    /// Who says so.
    pub by: String,
    /// What; of an exclusion the reason.
    pub text: String,
    /// What it does.
    pub kind: NoteKind,
    /// Number of the point when it was written.
    pub point: u64,
    /// The source that the dwell was read from, by its name in the setup.
    pub source: String,
    /// First sample of the hold in that source.
    pub start_sample: u64,
    /// The sample behind the last of the hold.
    pub end_sample: u64,
    /// The recording that the hold begins in, as the point has it.
    pub recording: Option<String>,
    /// Begin of the hold from the first sample of that recording, s.
    pub recording_start_s: Option<f64>,
}

impl PointNote {
    /// `excluded by A. Name on 2026-03-04 05:06:07 UTC: the reason`.
    pub fn sentence(&self) -> String {
        format!(
            "{} by {} on {}: {}",
            self.kind.word(),
            self.by,
            self.written(),
            self.text
        )
    }

    /// When, as it is printed.
    pub fn written(&self) -> String {
        written(self.written_utc)
    }
}

/// A point that is not counted.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Exclusion {
    /// Its number in the run.
    pub point: u64,
    /// Who excluded it.
    pub by: String,
    /// Why.
    pub text: String,
    /// When.
    pub written_utc: jiff::Timestamp,
}

impl Exclusion {
    /// `point 7 excluded by A. Name: the reason`.
    pub fn reason(&self) -> String {
        format!(
            "point {} excluded by {}: {}",
            self.point, self.by, self.text
        )
    }

    /// The same with the time: `point 7 excluded by A. Name on 2026-03-04 05:06:07 UTC: …`.
    pub fn sentence(&self) -> String {
        format!(
            "point {} excluded by {} on {}: {}",
            self.point,
            self.by,
            written(self.written_utc),
            self.text
        )
    }
}

fn written(time: jiff::Timestamp) -> String {
    time.strftime("%Y-%m-%d %H:%M:%S UTC").to_string()
}
