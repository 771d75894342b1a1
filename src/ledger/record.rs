//! `run.json`: what a run is, and how it ended.

use std::path::Path;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use super::chain::ChainEnd;
use super::self_hash::{hash_without, with_hash};
use super::{LedgerError, RUN_FILE, lines};
use crate::analysis::Event;
use crate::maths::ARITHMETIC_VERSION;
use crate::recorder::Storage;
use crate::setup::{Verdict, is_plain_relative};

/// The run as a whole; replaced as one, never edited in place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    /// This program's name.
    pub program: String,
    /// Its version.
    pub version: String,
    /// What it was built for, like `x86_64-unknown-linux-gnu`; absent in runs
    /// of versions that did not write it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// The arithmetic of its numbers, [`ARITHMETIC_VERSION`]; of a run that was
    /// gone on with by another program the lower one.
    #[serde(default = "first_arithmetic")]
    pub arithmetic: u32,
    /// The command that made the run: `reprocess` or `capture`.
    pub command: String,
    /// How it stands.
    pub state: RunState,
    /// Why it ended so; a sentence.
    pub reason: Option<String>,
    /// Wall clock at the start.
    pub started_utc: jiff::Timestamp,
    /// Wall clock at the end.
    pub ended_utc: Option<jiff::Timestamp>,
    /// How often the run was begun or gone on with.
    pub sessions: u32,
    /// The setup file as it was named.
    pub setup_file: String,
    /// BLAKE3 of the setup file, hexadecimal.
    pub setup_blake3: String,
    /// One entry a source, in the order of the setup.
    pub sources: Vec<SourceRecord>,
    /// Points by verdict.
    pub points: PointCounts,
    /// Lines in `events.jsonl`.
    pub events: u64,
    /// The required curves as they were when the run was begun, by their names in
    /// the setup; those named by a plain relative path were carried along.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub curves: Vec<FileRecord>,
    /// The pictures of the setup as they were when the run was begun, by their
    /// names in the setup; those named by a plain relative path were carried along.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub pictures: Vec<FileRecord>,
    /// The matching of fixed sensors that the points rest on, by its name in the setup;
    /// carried along. Absent where the setup names none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub matching: Option<FileRecord>,
    /// What the logs ended with when the run was closed; absent while it goes
    /// on, and in runs of versions that did not chain their logs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub logs: Option<LogEnds>,
    /// BLAKE3, hexadecimal, of this file as it is with this value left empty.
    #[serde(default)]
    pub record_blake3: String,
}

/// What the logs of a run ended with.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogEnds {
    /// Of `points.jsonl`.
    pub points: ChainEnd,
    /// Of `evidence.jsonl`.
    pub evidence: ChainEnd,
    /// Of `events.jsonl`.
    pub events: ChainEnd,
    /// BLAKE3 of `trace.csv`, hexadecimal.
    pub trace_blake3: String,
}

/// How a run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum RunState {
    /// Being written, or broken off without a word.
    Running,
    /// All input was used.
    Done,
    /// Ended on request; what came before is whole.
    Stopped,
    /// Ended by a fault; what came before is whole.
    Failed,
}

/// One source of a run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct SourceRecord {
    /// Its name in the setup.
    pub name: String,
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Columns.
    pub channels: usize,
    /// UTC label of sample 0.
    pub start_utc: Option<jiff::Timestamp>,
    /// Frames used.
    pub frames: u64,
    /// Frames known to be missing between them.
    pub missing_frames: u64,
    /// What put them in order: `start-time` or `name`; absent in a capture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ordered_by: Option<String>,
    /// The files it was read from, in order.
    pub files: Vec<FileRecord>,
    /// Files that were named and not read, because they hold the same bytes as
    /// one that was.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub repeated: Vec<RepeatedFile>,
}

/// A file that holds the same recording as another one.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct RepeatedFile {
    /// As it was named.
    pub path: String,
    /// The one that was read.
    pub same_as: String,
}

impl SourceRecord {
    /// What `events.jsonl` has of recordings that were given twice.
    pub fn repeated_event(&self) -> Option<Event> {
        let again: Vec<String> = self
            .repeated
            .iter()
            .map(|file| format!("\"{}\" is \"{}\" once more", file.path, file.same_as))
            .collect();
        (!again.is_empty()).then(|| Event {
            at_s: 0.0,
            kind: "repeated-recording".to_owned(),
            message: format!(
                "source \"{}\": the same recording was given twice and read once: {}",
                self.name,
                again.join("; ")
            ),
        })
    }
}

/// One file that was read.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FileRecord {
    /// As it was named.
    pub path: String,
    /// Length, bytes.
    pub bytes: u64,
    /// BLAKE3, hexadecimal; absent until it was worked out.
    pub blake3: Option<String>,
    /// BLAKE3, hexadecimal, of the JSON file beside a recording, which says its
    /// rate and start; absent where there is none, and in runs of versions that
    /// did not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sidecar_blake3: Option<String>,
    /// Begin of a recording in the time of the run, s; absent in a capture, whose
    /// sidecars say it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub start_s: Option<f64>,
    /// Begin of a recording by its header: `2024-05-06 10:11:12` by the clock of
    /// the recorder, or the day alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub begun: Option<String>,
}

/// Points by verdict.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[allow(missing_docs, reason = "each field is its verdict")]
pub struct PointCounts {
    pub held: u64,
    pub steady: u64,
    #[serde(default, rename = "off-peak")]
    pub off_peak: u64,
    pub rejected: u64,
}

/// Whether a curve or picture of this name is carried along: one that is named by
/// a plain relative path.
pub(crate) fn is_carried(name: &str) -> bool {
    is_plain_relative(name)
}

/// The arithmetic of runs that name none.
fn first_arithmetic() -> u32 {
    1
}

/// What this program was built for: architecture, vendor, system and C library.
pub fn target() -> String {
    let vendor = if cfg!(target_vendor = "apple") {
        "apple"
    } else if cfg!(target_vendor = "pc") {
        "pc"
    } else {
        "unknown"
    };
    let library = if cfg!(target_env = "gnu") {
        "-gnu"
    } else if cfg!(target_env = "musl") {
        "-musl"
    } else if cfg!(target_env = "msvc") {
        "-msvc"
    } else {
        ""
    };
    let (architecture, system) = (std::env::consts::ARCH, std::env::consts::OS);
    format!("{architecture}-{vendor}-{system}{library}")
}

impl PointCounts {
    /// Counts one more.
    pub fn add(&mut self, verdict: Verdict) {
        match verdict {
            Verdict::Held => self.held += 1,
            Verdict::Steady => self.steady += 1,
            Verdict::OffPeak => self.off_peak += 1,
            Verdict::Rejected => self.rejected += 1,
        }
    }
}

impl RunRecord {
    /// Whether devices were captured, which cannot be had again.
    pub fn is_capture(&self) -> bool {
        self.command == "capture"
    }

    /// The record of a run that begins at `now_utc`.
    pub fn begin(
        command: &str,
        setup_file: &Path,
        setup_text: &[u8],
        now_utc: jiff::Timestamp,
    ) -> Self {
        Self {
            program: env!("CARGO_PKG_NAME").to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            target: Some(target()),
            arithmetic: ARITHMETIC_VERSION,
            command: command.to_owned(),
            state: RunState::Running,
            reason: None,
            started_utc: now_utc,
            ended_utc: None,
            sessions: 1,
            setup_file: setup_file.display().to_string(),
            setup_blake3: blake3::hash(setup_text).to_hex().to_string(),
            sources: Vec::new(),
            points: PointCounts::default(),
            events: 0,
            curves: Vec::new(),
            pictures: Vec::new(),
            matching: None,
            logs: None,
            record_blake3: String::new(),
        }
    }

    /// Reads the record of a run folder.
    pub fn read(folder: &Path) -> Result<Self, LedgerError> {
        Self::read_with_text(folder).map(|(record, _)| record)
    }

    /// The same with the file as it stands.
    pub(super) fn read_with_text(folder: &Path) -> Result<(Self, Vec<u8>), LedgerError> {
        let path = folder.join(RUN_FILE);
        let text = std::fs::read(&path).map_err(|error| {
            if error.kind() == std::io::ErrorKind::NotFound {
                LedgerError::NotARun {
                    path: folder.to_owned(),
                    what: format!("it has no {RUN_FILE}"),
                }
            } else {
                LedgerError::io(&path, "read")(error)
            }
        })?;
        let record = serde_json::from_slice(&text).map_err(|error| LedgerError::Damaged {
            line: error.line().max(1),
            path,
            what: error.to_string(),
        })?;
        Ok((record, text))
    }

    /// Whether the run is of a version that chains its logs.
    pub fn is_chained(&self) -> bool {
        !self.record_blake3.is_empty()
    }

    /// Whether the file that it was read from is as it was written; `None` in
    /// runs of versions that did not say.
    pub fn is_as_written(&self, text: &[u8]) -> Option<bool> {
        if self.record_blake3.is_empty() && self.logs.is_none() {
            return None;
        }
        Some(hash_without(text, RECORD_HASH, &self.record_blake3) == self.record_blake3)
    }

    /// Puts the record into a run folder, whole or not at all.
    pub(super) fn write(
        &self,
        storage: &Arc<dyn Storage>,
        folder: &Path,
    ) -> Result<(), LedgerError> {
        let path = folder.join(RUN_FILE);
        let unhashed = Self {
            record_blake3: String::new(),
            ..self.clone()
        };
        let text = with_hash(&unhashed, RECORD_HASH)
            .map_err(|error| LedgerError::io(&path, "write")(error.into()))?;
        lines::replace_on(storage, &path, &text)
    }
}

/// The key of the record that holds the hash of the rest.
const RECORD_HASH: &str = "record_blake3";
