//! `results.jsonl`: when which reduction and which report was made of a run and which
//! note was written, with the hash of the file; chained like the run's own logs.
//!
//! Notes are written while a capture holds the run's lock: this log and that of the
//! notes have one of their own.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::chain::{ChainEnd, chain_lines};
use super::lines::{self, LineFile, Lines};
use super::locks::lock_to_write;
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
    let _lock = lock_to_write(folder)?;
    log_locked(folder, file, written_utc)
}

/// Puts a written file down; the lock is held by the caller.
pub(super) fn log_locked(
    folder: &Path,
    file: &str,
    written_utc: jiff::Timestamp,
) -> Result<(), LedgerError> {
    let storage = SystemStorage::shared();
    let path = folder.join(RESULTS_FILE);
    let lines = read(&path)?;
    let end = end(&lines, &path)?;
    if lines.note.is_some() {
        lines::cut(&storage, &path, lines.ends.last().copied().unwrap_or(0))?;
    }
    let written = folder.join(file);
    let mut log = LineFile::open(&storage, &path, Some(end))?;
    log.append(&ResultRecord::of(&written, file, written_utc)?)?;
    log.sync()
}

impl ResultRecord {
    fn of(path: &Path, file: &str, written_utc: jiff::Timestamp) -> Result<Self, LedgerError> {
        Ok(Self {
            written_utc,
            file: file.to_owned(),
            blake3: hash_of_file(path).map_err(LedgerError::io(path, "read"))?,
            version: env!("CARGO_PKG_VERSION").to_owned(),
        })
    }
}

/// A log of results that begins anew with this file: what else it told of is removed
/// with the run it was made of.
pub(super) fn begun_with(
    folder: &Path,
    file: &str,
    written_utc: jiff::Timestamp,
) -> Result<Vec<u8>, LedgerError> {
    let path = folder.join(file);
    let record = ResultRecord::of(&path, file, written_utc)?;
    let line = lines::json_lines(&[record])
        .map_err(|error| LedgerError::io(&folder.join(RESULTS_FILE), "write")(error.into()))?;
    Ok(chain_lines(&line))
}

/// BLAKE3 of a file as it was last put down, hexadecimal; `None` where it never was.
pub(super) fn last_hash(folder: &Path, file: &str) -> Result<Option<String>, LedgerError> {
    let log = folder.join(RESULTS_FILE);
    let lines = read(&log)?;
    end(&lines, &log)?;
    let last = lines.values.into_iter().rfind(|record| record.file == file);
    Ok(last.map(|record| record.blake3))
}

fn read(path: &Path) -> Result<Lines<ResultRecord>, LedgerError> {
    lines::read(path)?.refuse_damaged_end()
}

/// What the lines end with. There never was a log of results without chain values.
fn end(lines: &Lines<ResultRecord>, path: &Path) -> Result<ChainEnd, LedgerError> {
    lines.end(path)?.ok_or_else(|| LedgerError::Altered {
        path: path.to_owned(),
        what: "its lines have lost their chain values".to_owned(),
    })
}

/// Makes sure that a file of the run folder is what was last put down of it,
/// and there only if something was. A torn last line, which a run of the program
/// that was broken off may leave, is told.
///
/// # Errors
/// Where it is not, and where the log itself was altered or cannot be read.
pub fn check_result(folder: &Path, file: &str) -> Result<Option<String>, LedgerError> {
    let log = folder.join(RESULTS_FILE);
    let lines = read(&log)?;
    end(&lines, &log)?;
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
            Ok(lines.note)
        };
    };
    let written = last.written_utc.strftime("%Y-%m-%d %H:%M:%S UTC");
    match hash_if_there(&path)? {
        Some(hash) if hash == last.blake3 => Ok(lines.note),
        Some(_) => Err(LedgerError::Altered {
            path,
            what: format!(
                "it is not what was written on {written} (altered, or a later writing was broken \
                 off: then make it once more)"
            ),
        }),
        None => Err(LedgerError::Gone {
            path,
            written: written.to_string(),
        }),
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
