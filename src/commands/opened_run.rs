//! A run folder opened for reading, with the setup it was taken under.

use std::path::Path;

use anyhow::{Context as _, anyhow};

use super::{Failure, terminal};
use crate::ledger::{Run, SETUP_FILE};
use crate::setup::{self, Setup};

/// A run and its setup.
#[derive(Debug)]
pub struct OpenedRun {
    /// The run folder.
    pub run: Run,
    /// Its `setup.toml`, checked.
    pub setup: Setup,
}

impl OpenedRun {
    /// Opens a run folder. What was torn off is said on standard error.
    pub fn open(folder: &Path) -> Result<Self, Failure> {
        let run = Run::open(folder)
            .with_context(|| format!("the run folder \"{}\"", folder.display()))?;
        for note in &run.notes {
            terminal::say(note);
        }
        let file = folder.join(SETUP_FILE).display().to_string();
        let setup = setup::parse(&run.setup_text, &file).map_err(|faults| anyhow!("{faults}"))?;
        Ok(Self { run, setup })
    }
}
