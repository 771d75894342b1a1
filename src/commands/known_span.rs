//! What is known of the span that a command plans for: as the setup states it, or by a bare
//! run.

use std::path::Path;

use anyhow::anyhow;

use super::{Failure, terminal};
use crate::ledger::{Run, SETUP_FILE};
use crate::plan::KnownSpan;
use crate::report::run_evaluation::check_baseline;
use crate::setup::{self, Setup, Verdict};

/// By the run of the bare span where one is named, else by the setup.
pub fn known_span(setup: &Setup, bare: Option<&Path>) -> Result<KnownSpan, Failure> {
    bare.map_or_else(
        || Ok(KnownSpan::stated(setup)),
        |folder| by_bare_run(setup, folder),
    )
}

/// The span as the resonances of its bare run tell it.
fn by_bare_run(setup: &Setup, folder: &Path) -> Result<KnownSpan, Failure> {
    check_baseline(setup, folder).map_err(anyhow::Error::from)?;
    let run = Run::open(folder).map_err(anyhow::Error::from)?;
    for what in run.alterations.iter().chain(&run.notes) {
        terminal::say(format_args!("warning: {}: {what}", folder.display()));
    }
    let name = folder.join(SETUP_FILE);
    let bare = setup::parse(&run.setup_text, &name.display().to_string())
        .map_err(|faults| anyhow!("{faults}"))?;
    let resonances_hz: Vec<f64> = run
        .points
        .iter()
        .filter(|point| point.verdict != Verdict::Rejected)
        .filter_map(|point| Some(point.frequency_hz?.value))
        .collect();
    let known = KnownSpan::fitted(setup, &bare, &resonances_hz);
    Ok(known.map_err(|error| anyhow!("{}: {error}", folder.display()))?)
}
