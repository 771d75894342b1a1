//! A run folder opened for reading; what was torn off is said on standard
//! error.

use std::path::Path;

use anyhow::Context as _;

use super::{Failure, terminal};
use crate::report::loaded_run::{LoadError, LoadedRun};

/// Opens a run folder that may have been reduced, with the damper's power in
/// its points where it was.
pub fn open_reduced(folder: &Path) -> Result<LoadedRun, Failure> {
    said(folder, LoadedRun::open_reduced(folder))
}

fn said(folder: &Path, loaded: Result<LoadedRun, LoadError>) -> Result<LoadedRun, Failure> {
    let loaded = loaded.with_context(|| format!("the run folder \"{}\"", folder.display()))?;
    for note in &loaded.run.notes {
        terminal::say(note);
    }
    Ok(loaded)
}
