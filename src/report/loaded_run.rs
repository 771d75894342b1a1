//! A run folder read back, with the setup it was taken under.

use std::path::Path;

use super::reduction::{ReadReduction, read_reduction};
use crate::ledger::{LedgerError, Run, SETUP_FILE};
use crate::setup::{self, Setup, SetupFaults};

/// A run and its setup.
#[derive(Debug, Clone)]
pub struct LoadedRun {
    /// The run folder.
    pub run: Run,
    /// Its `setup.toml`, checked.
    pub setup: Setup,
}

/// Why a run folder cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// One of its files.
    #[error(transparent)]
    Folder(#[from] LedgerError),
    /// Its setup.
    #[error(transparent)]
    Setup(#[from] SetupFaults),
    /// It is not what the run wrote.
    #[error(
        "the run is not what was logged, and nothing may rest on it: {}. Restore the files from a \
         copy; `spanhold verify` says what comes out of the recordings",
        .0.join("; ")
    )]
    Altered(Vec<String>),
}

impl LoadedRun {
    /// Reads a run folder. What was torn off is in the run's `notes`.
    ///
    /// # Errors
    /// Where a file cannot be read, is damaged in its middle or is not what the
    /// run wrote, and where the setup has faults.
    pub fn open(folder: &Path) -> Result<Self, LoadError> {
        let run = Run::open(folder)?;
        if !run.alterations.is_empty() {
            return Err(LoadError::Altered(run.alterations));
        }
        let setup = setup::parse_with_matching(&run.setup_text, &folder.join(SETUP_FILE))?;
        Ok(Self { run, setup })
    }

    /// As [`Self::open`], with the damper's power in the points where the run
    /// has been reduced; where its reduction belongs to other points, the
    /// points are as they were settled and a note says so.
    ///
    /// # Errors
    /// As [`Self::open`], and where the reduction cannot be read.
    pub fn open_reduced(folder: &Path) -> Result<Self, LoadError> {
        let mut loaded = Self::open(folder)?;
        match read_reduction(&loaded.run)? {
            ReadReduction::Whole(_, points) => {
                loaded.run.points = points.into_iter().map(|p| p.point).collect();
            }
            ReadReduction::Stale(stale) => loaded.run.notes.push(format!(
                "{}: {} Left out is what `reduce` found, run it again.",
                folder.display(),
                stale.sentence()
            )),
            ReadReduction::None => {}
        }
        Ok(loaded)
    }
}
