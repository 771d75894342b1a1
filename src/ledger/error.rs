//! What can be wrong with a run folder, in words that name the file.

use std::io;
use std::path::{Path, PathBuf};

use super::RESULTS_FILE;

/// Why a run folder cannot be written or read.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// The operating system refused.
    #[error("{}: cannot {action}: {}", path.display(), io_text(source))]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried: "create", "write", …
        action: &'static str,
        /// What the operating system said.
        source: io::Error,
    },
    /// The folder already holds something.
    #[error("{}: {what}; {right}", path.display())]
    Occupied {
        /// The folder.
        path: PathBuf,
        /// What is there.
        what: String,
        /// What to do.
        right: String,
    },
    /// Another program writes to the folder.
    #[error(
        "{}: another spanhold is writing to this run (its run.lock is held); stop it first, or \
         name another folder",
        path.display()
    )]
    Busy {
        /// The folder.
        path: PathBuf,
    },
    /// The folder is no run.
    #[error("{}: not a run folder: {what}", path.display())]
    NotARun {
        /// The folder.
        path: PathBuf,
        /// What is missing.
        what: String,
    },
    /// A file is damaged in its middle.
    #[error("{}:{line}: {what}; restore the file from a copy, or remove the line", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// Line, from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A file is not what the run wrote.
    #[error("{}: {what}: restore the file from a copy; `spanhold verify` says what comes out of the recordings", path.display())]
    Altered {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        what: String,
    },
    /// A result that was made of the run is not there any more.
    #[error(
        "{}: {RESULTS_FILE} says that it was written on {written}, and it is gone: put it back, or \
         make it once more",
        path.display()
    )]
    Gone {
        /// The file.
        path: PathBuf,
        /// When it was last written.
        written: String,
    },
    /// There is no point of this number to say something of.
    #[error("{}: there is no point {wanted}; {there}", path.display())]
    NoSuchPoint {
        /// The run folder.
        path: PathBuf,
        /// The number that was asked for.
        wanted: u64,
        /// Which there are.
        there: String,
    },
    /// A note cannot be written as it was given.
    #[error("{what}")]
    Note {
        /// What is wrong, and what is right.
        what: String,
    },
    /// A key cannot be used to seal a run or to check its seal.
    #[error("{}: {what}", path.display())]
    Key {
        /// The file of the key.
        path: PathBuf,
        /// What is wrong, and what is right.
        what: String,
    },
    /// The run was begun with another setup.
    #[error(
        "{}: the run was begun with another setup (line {line} is the first to differ); go on \
         with the run's own setup.toml, or begin a new run folder",
        path.display()
    )]
    OtherSetup {
        /// The setup in the run folder.
        path: PathBuf,
        /// First line that differs, from 1.
        line: usize,
    },
}

impl LedgerError {
    /// What is wrong with a file, without what to do about it.
    pub(super) fn finding(&self) -> String {
        match self {
            Self::Altered { path, what } => format!("{}: {what}", path.display()),
            other => other.to_string(),
        }
    }

    /// For `map_err`: names the file and what was tried.
    pub(crate) fn io(path: &Path, action: &'static str) -> impl FnOnce(io::Error) -> Self {
        move |source| Self::Io {
            path: path.to_owned(),
            action,
            source,
        }
    }
}

/// The system's text and, where the cure is known, the cure.
fn io_text(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            format!("{error}; free some space or name a folder on another disk")
        }
        io::ErrorKind::PermissionDenied => {
            format!("{error}; name a folder that this user may write to")
        }
        io::ErrorKind::NotFound => {
            format!("{error}; the folder was removed, or the name is wrong")
        }
        _ => error.to_string(),
    }
}
