//! The locks of a run folder: files that stay, empty, and are held as long as somebody writes
//! or reads. A lock goes when its file is closed, also when the process is killed.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

use super::{LOCK_FILE, LedgerError, RESULTS_LOCK_FILE};

/// The lock of whoever writes the run: of a capture as long as it goes on, so it is not
/// waited for.
pub(crate) fn lock(folder: &Path) -> Result<File, LedgerError> {
    let path = folder.join(LOCK_FILE);
    let file = opened(&path)?;
    match file.try_lock() {
        Ok(()) => Ok(file),
        Err(TryLockError::WouldBlock) => Err(LedgerError::Busy {
            path: folder.to_owned(),
        }),
        Err(TryLockError::Error(error)) => Err(LedgerError::io(&path, "lock")(error)),
    }
}

/// The lock of whoever writes the log of results or the notes. It is held for the time of a
/// line, so it is waited for; it goes when the file is closed, also when the process
/// is killed.
pub(super) fn lock_to_write(folder: &Path) -> Result<File, LedgerError> {
    let path = folder.join(RESULTS_LOCK_FILE);
    let file = opened(&path)?;
    file.lock().map_err(LedgerError::io(&path, "lock"))?;
    Ok(file)
}

/// The lock of whoever reads both logs, so that they are not read between the line of
/// the one and that of the other; `None` where nothing was ever written.
pub(super) fn lock_to_read(folder: &Path) -> Result<Option<File>, LedgerError> {
    let path = folder.join(RESULTS_LOCK_FILE);
    let file = match File::open(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(LedgerError::io(&path, "open")(error)),
    };
    match file.lock_shared() {
        Ok(()) => Ok(Some(file)),
        // A file system that has no locks, such as that of a disc, has no writers either.
        Err(error) if error.kind() == std::io::ErrorKind::Unsupported => Ok(None),
        Err(error) => Err(LedgerError::io(&path, "lock")(error)),
    }
}

/// The file of a lock, made where it is not there.
fn opened(path: &Path) -> Result<File, LedgerError> {
    OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(LedgerError::io(path, "create"))
}
