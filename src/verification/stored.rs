//! A run folder as it stands, read for verification: nothing that may have
//! been altered has to make sense yet.

use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::analysis::PointNote;
use crate::ledger::{
    LedgerError, REDUCTION_FILE, REPORT_FILE, RUN_FILE, Run, RunRecord, RunState, SETUP_FILE,
    check_result, check_seal,
};
use crate::report::recordings::Recordings;
use crate::setup::{self, Setup, SetupFaults};

use super::difference::Exactness;

/// What a run folder says of itself.
#[derive(Debug)]
pub struct Stored {
    /// The folder.
    pub folder: PathBuf,
    /// `run.json`.
    pub record: RunRecord,
    /// The same, with keys that this program does not know.
    pub(super) record_json: Value,
    /// `setup.toml`, as text.
    pub setup_text: String,
    /// The setup in it, if it is one.
    pub setup: Result<Setup, SetupFaults>,
    /// How setup and recordings stand against the hashes in `run.json`.
    pub recordings: Recordings,
    /// A sentence for each file that is not what was written.
    pub(super) alterations: Vec<String>,
    /// What people said of its points: no recording can tell that.
    pub(super) point_notes: Vec<PointNote>,
    /// What a reader of the folder is told of it, and a report repeats.
    pub(super) notes: Vec<String>,
    /// What who verifies it is told besides.
    pub(super) remarks: Vec<String>,
}

impl Stored {
    /// Reads `run.json` and `setup.toml`, and hashes the recordings.
    ///
    /// # Errors
    /// Where the folder is no run, or one of the two cannot be read.
    pub fn read(folder: &Path) -> Result<Self, LedgerError> {
        let record = RunRecord::read(folder)?;
        let path = folder.join(RUN_FILE);
        let text = std::fs::read(&path).map_err(LedgerError::io(&path, "read"))?;
        let record_json = serde_json::from_slice(&text).map_err(|error| LedgerError::Damaged {
            line: error.line().max(1),
            path,
            what: error.to_string(),
        })?;
        let path = folder.join(SETUP_FILE);
        let setup_text = std::fs::read_to_string(&path).map_err(LedgerError::io(&path, "read"))?;
        let setup = setup::parse_with_matching(&setup_text, &path);
        let recordings = Recordings::of(folder, &record, &setup_text);
        let (mut alterations, point_notes, notes) = said_of_itself(folder);
        let (of_results, remarks) = said_of_results(folder);
        // The log of results is read with the notes, too, and told of once.
        let told = |said: &String| alterations.iter().any(|known| said.starts_with(known));
        let more: Vec<String> = of_results.into_iter().filter(|said| !told(said)).collect();
        alterations.extend(more);
        Ok(Self {
            folder: folder.to_owned(),
            record,
            record_json,
            setup_text,
            setup,
            recordings,
            alterations,
            point_notes,
            notes,
            remarks,
        })
    }

    /// Whether its logs were chained.
    pub(super) fn is_chained(&self) -> bool {
        self.record.is_chained()
    }

    /// How closely its files have to come out again.
    pub(super) fn exactness(&self) -> Exactness {
        Exactness::of(self.record.target.as_deref(), self.record.arithmetic)
    }

    /// Whether the run used all its input and closed its folder.
    pub(super) fn is_done(&self) -> bool {
        self.record.state == RunState::Done
    }

    /// Whether the run closed its folder, however it ended.
    pub(super) fn is_closed(&self) -> bool {
        self.record.state != RunState::Running
    }

    /// Whether the run was captured from devices.
    pub(super) fn is_capture(&self) -> bool {
        self.record.is_capture()
    }

    /// The text that a file ought to have.
    pub(super) fn made(
        &self,
        name: &str,
        text: Result<Vec<u8>, impl Into<std::io::Error>>,
    ) -> Result<Vec<u8>, LedgerError> {
        text.map_err(|error| LedgerError::io(&self.folder.join(name), "make")(error.into()))
    }

    /// A file of the folder; `None` where there is none.
    pub(super) fn file(&self, name: &str) -> Result<Option<Vec<u8>>, LedgerError> {
        let path = self.folder.join(name);
        match std::fs::read(&path) {
            Ok(bytes) => Ok(Some(bytes)),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(LedgerError::io(&path, "read")(error)),
        }
    }
}

/// What the run folder says of itself: what was altered, what people said of its
/// points, and what was left out. A file that cannot even be read is told where it is
/// compared.
fn said_of_itself(folder: &Path) -> (Vec<String>, Vec<PointNote>, Vec<String>) {
    Run::open(folder).map_or_else(
        |_| Default::default(),
        |run| (run.alterations, run.point_notes, run.notes),
    )
}

/// The same of what was made of the run, and of its seal.
fn said_of_results(folder: &Path) -> (Vec<String>, Vec<String>) {
    let (mut found, mut remarks) = (Vec::new(), Vec::new());
    for file in [REDUCTION_FILE, REPORT_FILE] {
        match check_result(folder, file) {
            // A report may have been taken to where it is wanted.
            Err(error @ LedgerError::Gone { .. }) if file == REPORT_FILE => {
                remarks.push(error.to_string());
            }
            Err(error) => found.push(error.to_string()),
            Ok(torn) => remarks.extend(torn),
        }
    }
    match check_seal(folder, None) {
        Ok(Some(seal)) if seal.broken.is_empty() => remarks.extend(seal.text()),
        Ok(Some(seal)) => found.push(seal.text().join(" ")),
        Ok(None) => {}
        Err(error) => found.push(error.to_string()),
    }
    found.dedup();
    remarks.dedup();
    (found, remarks)
}
