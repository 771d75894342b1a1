//! How the files of a run stand, put down one after the other.

use serde::Serialize;

use super::difference::Agreement;

/// How one file stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FileStanding {
    /// The file, as it is named in the run folder.
    pub file: String,
    /// How it stands.
    pub agreement: Agreement,
}

/// The files as they are compared one after the other.
#[derive(Debug, Default)]
pub(super) struct Files {
    pub standings: Vec<FileStanding>,
    pub missing: Vec<String>,
    pub notes: Vec<String>,
}

impl Files {
    /// Puts down how a file stands.
    pub fn add(&mut self, file: &str, agreement: Agreement) {
        self.standings.push(FileStanding {
            file: file.to_owned(),
            agreement,
        });
    }
}
