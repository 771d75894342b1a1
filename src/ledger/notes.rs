//! `notes.jsonl`: what people said of points, and which of them are not to count.
//!
//! A note is written while a capture goes on as well as years later. Nothing is ever
//! taken out: who errs writes another one. The file is chained like the run's own
//! logs, and `results.jsonl` has its hash, so that one that was altered, cut or
//! removed is noticed by whoever reads the run.

use std::path::Path;

use super::chain::Chain;
use super::lines::{self, LineFile, Lines};
use super::locks::lock_to_read;
use super::results::{begun_with, check_result, last_hash, log_locked};
use super::{LedgerError, NOTES_FILE};
use crate::analysis::PointNote;
use crate::recorder::SystemStorage;

/// Appends a line and puts the file down in the log of results, both synced.
pub(super) fn append(folder: &Path, note: &PointNote) -> Result<(), LedgerError> {
    let storage = SystemStorage::shared();
    let path = folder.join(NOTES_FILE);
    let end = strict(&path)?.end(&path)?.unwrap_or_default();
    let mut file = LineFile::open(&storage, &path, Some(end))?;
    file.append(note)?;
    file.sync()?;
    lines::sync_folder(&storage, folder)?;
    log_locked(folder, NOTES_FILE, note.written_utc)?;
    lines::sync_folder(&storage, folder)
}

/// Every line, none of which may be torn.
fn strict(path: &Path) -> Result<Lines<PointNote>, LedgerError> {
    let lines = lines::read::<PointNote>(path)?.refuse_damaged_end()?;
    if lines.chain == Chain::None {
        return Err(LedgerError::Altered {
            path: path.to_owned(),
            what: "its lines have lost their chain values".to_owned(),
        });
    }
    lines.end(path)?;
    Ok(lines)
}

/// The notes of a run, in the order in which they were written, without the rest of the
/// run: for who asks again and again.
///
/// # Errors
/// Where they are not what was last put down.
pub fn read_notes(folder: &Path) -> Result<Vec<PointNote>, LedgerError> {
    let _lock = lock_to_read(folder)?;
    read_locked(folder)
}

/// The same; the lock is held by the caller.
///
/// # Errors
/// Where they are not what was last put down.
pub(super) fn read_locked(folder: &Path) -> Result<Vec<PointNote>, LedgerError> {
    check_result(folder, NOTES_FILE)?;
    Ok(strict(&folder.join(NOTES_FILE))?.values)
}

/// Cuts off a note whose writing was broken off before it was put down in the log of
/// results, that is before it was acknowledged. More than one line, or another one
/// than the last, is left for the reader to refuse.
pub(super) fn mend(folder: &Path) -> Result<Option<String>, LedgerError> {
    let path = folder.join(NOTES_FILE);
    let bytes = match std::fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(LedgerError::io(&path, "read")(error)),
    };
    let put_down = last_hash(folder, NOTES_FILE)?;
    let hash = |text: &[u8]| blake3::hash(text).to_hex().to_string();
    if put_down.as_ref() == Some(&hash(&bytes)) {
        return Ok(None);
    }
    // Without its last line, whole or not.
    let last = bytes
        .split_inclusive(|byte| *byte == b'\n')
        .next_back()
        .map_or(0, <[u8]>::len);
    let before = bytes.get(..bytes.len() - last).unwrap_or_default();
    let storage = SystemStorage::shared();
    match put_down {
        Some(put_down) if put_down == hash(before) => {
            lines::cut(&storage, &path, before.len() as u64)?;
        }
        None if before.is_empty() => {
            storage
                .remove(&path)
                .map_err(LedgerError::io(&path, "remove"))?;
        }
        _ => return Ok(None),
    }
    let line = before.split(|byte| *byte == b'\n').count();
    Ok(Some(format!(
        "{}:{line}: the writing of a note was broken off here; what was written of it is cut off",
        path.display()
    )))
}

/// For a folder whose results are about to be made anew: the log of results as it is
/// with nothing but the notes, which stay; `None` where there are none.
///
/// # Errors
/// Where the notes are not what was written.
pub(super) fn kept(
    folder: &Path,
    now_utc: jiff::Timestamp,
) -> Result<Option<Vec<u8>>, LedgerError> {
    let _lock = lock_to_read(folder)?;
    if read_locked(folder)?.is_empty() {
        return Ok(None);
    }
    begun_with(folder, NOTES_FILE, now_utc).map(Some)
}
