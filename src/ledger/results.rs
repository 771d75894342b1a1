//! `results.jsonl`: when which reduction and which report was made of a run,
//! with the hash of the file; chained like the run's own logs.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::lines::{self, LineFile};
use super::{LedgerError, RESULTS_FILE, RunRecord};
use crate::ingest::sidecar::hash_of_file;
use crate::recorder::SystemStorage;

/// One line of `results.jsonl`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ResultRecord {
    /// When it was written.
    pub written_utc: jiff::Timestamp,
    /// The file, in the run folder.
    pub file: String,
    /// Its BLAKE3, hexadecimal.
    pub blake3: String,
    /// Version of the program that wrote it.
    pub version: String,
}

/// Puts down that a file of the run folder has just been written.
pub fn log_result(
    folder: &Path,
    file: &str,
    written_utc: jiff::Timestamp,
) -> Result<(), LedgerError> {
    let storage = SystemStorage::shared();
    let path = folder.join(RESULTS_FILE);
    let lines = lines::read::<ResultRecord>(&path)?;
    let chain = lines.end(&path)?;
    if lines.note.is_some() {
        lines::cut(&storage, &path, lines.ends.last().copied().unwrap_or(0))?;
    }
    let written = folder.join(file);
    let mut log = LineFile::open(&storage, &path, chain)?;
    log.append(&ResultRecord {
        written_utc,
        file: file.to_owned(),
        blake3: hash_of_file(&written).map_err(LedgerError::io(&written, "read"))?,
        version: env!("CARGO_PKG_VERSION").to_owned(),
    })?;
    log.sync()
}

/// Makes sure that a file of the run folder, if it is there, is what was last
/// put down of it.
///
/// # Errors
/// Where it is not, and where the log itself was altered or cannot be read.
pub fn check_result(folder: &Path, file: &str) -> Result<(), LedgerError> {
    let log = folder.join(RESULTS_FILE);
    let lines = lines::read::<ResultRecord>(&log)?;
    lines.end(&log)?;
    let path = folder.join(file);
    let Some(last) = lines.values.iter().rfind(|record| record.file == file) else {
        // A version that chains its logs puts down whatever it writes.
        let unlogged = path.exists() && RunRecord::read(folder)?.is_chained();
        return if unlogged {
            Err(LedgerError::Altered {
                path,
                what: format!("{RESULTS_FILE} has no line of it"),
            })
        } else {
            Ok(())
        };
    };
    match hash_if_there(&path)? {
        Some(hash) if hash != last.blake3 => Err(LedgerError::Altered {
            path,
            what: format!(
                "it is not what was written on {}",
                last.written_utc.strftime("%Y-%m-%d %H:%M:%S UTC")
            ),
        }),
        _ => Ok(()),
    }
}

/// BLAKE3 of a file, hexadecimal; `None` where there is none.
pub(super) fn hash_if_there(path: &Path) -> Result<Option<String>, LedgerError> {
    match hash_of_file(path) {
        Ok(hash) => Ok(Some(hash)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(LedgerError::io(path, "read")(error)),
    }
}
