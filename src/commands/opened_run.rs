//! A run folder opened for reading, with the setup it was taken under.

use std::path::Path;

use anyhow::{Context as _, anyhow};

use super::{Failure, terminal};
use crate::ledger::{Run, SETUP_FILE};
use crate::report::reduction::ReadReduction;
use crate::report::reduction::read_reduction;
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

    /// As [`Self::open`], with the damper's power in the points where the run
    /// has been reduced.
    pub fn open_reduced(folder: &Path) -> Result<Self, Failure> {
        let mut opened = Self::open(folder)?;
        match read_reduction(folder).map_err(anyhow::Error::from)? {
            ReadReduction::Whole(_, points) => {
                opened.run.points = points.into_iter().map(|p| p.point).collect();
            }
            ReadReduction::Stale => terminal::say(format_args!(
                "{}: the points have changed since the run was reduced; left out is what `reduce` \
                 found, run it again",
                folder.display()
            )),
            ReadReduction::None => {}
        }
        Ok(opened)
    }
}
