//! The report of a run folder, written to a file.

use std::path::{Path, PathBuf};

use super::document::Document;
use super::loaded_run::{LoadError, LoadedRun};
use super::recordings::Recordings;
use super::reduction::read_reduction;
use crate::ledger::{LedgerError, REPORT_FILE, log_result};

/// Why a report cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The run folder cannot be read.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// Its reduction cannot be read, or the log of results not written.
    #[error(transparent)]
    Folder(#[from] LedgerError),
    /// The file cannot be written.
    #[error("{}: cannot be written; name another place with --out", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the operating system said.
        source: std::io::Error,
    },
}

/// Writes the report of a run folder to `out`.
///
/// # Errors
/// Where the folder cannot be read or the file cannot be written.
pub fn write_report(
    folder: &Path,
    out: &Path,
    written_utc: jiff::Timestamp,
) -> Result<(), ReportError> {
    let LoadedRun { run, setup } = LoadedRun::open(folder)?;
    let reduction = read_reduction(&run)?;
    let html = Document {
        recordings: &Recordings::check(&run),
        reduction: &reduction,
        run: &run,
        setup: &setup,
    }
    .html();
    std::fs::write(out, html).map_err(|source| ReportError::Write {
        path: out.to_owned(),
        source,
    })?;
    // One written elsewhere is no part of the run folder.
    if out == folder.join(REPORT_FILE) {
        log_result(folder, REPORT_FILE, written_utc)?;
    }
    Ok(())
}
