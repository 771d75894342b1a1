//! The curves that a setup's criteria name, carried along in the run folder:
//! a run that is moved or archived keeps what it is held against.

use std::path::{Component, Path};

use crate::commands::terminal;
use crate::ledger::Ledger;
use crate::setup::Requirement;
use crate::setup::Setup;

/// Copies each curve that is named by a plain relative path to the same path
/// in the run folder. One that cannot be read is said now, while there is
/// time: `reduce` will want it.
pub fn carry(setup: &Setup, setup_file: &Path, ledger: &Ledger) -> anyhow::Result<()> {
    for criterion in &setup.criteria {
        let Requirement::EfficiencyCurve { curve } = &criterion.requirement else {
            continue;
        };
        let plain = Path::new(curve)
            .components()
            .all(|part| matches!(part, Component::Normal(_) | Component::CurDir));
        let from = setup_file
            .parent()
            .unwrap_or_else(|| Path::new(""))
            .join(curve);
        match std::fs::read(&from) {
            Ok(text) if plain => ledger.carry(curve, &text)?,
            Ok(_) => {}
            Err(error) => terminal::say(format_args!(
                "{}: the curve that a criterion names cannot be read: {error}; reduce will want it there",
                from.display()
            )),
        }
    }
    Ok(())
}
