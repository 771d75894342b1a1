//! The curves that a setup's criteria name, carried along in the run folder:
//! a run that is moved or archived keeps what it is held against.

use std::path::Path;

use super::record::is_carried;
use super::{Ledger, LedgerError};
use crate::setup::{Setup, read_small_text};

/// Copies each curve that is named by a plain relative path to the same path
/// in the run folder; of all others the run keeps the hash. Back comes a sentence for each that cannot be read, to be
/// said while there is time: `reduce` will want it.
///
/// # Errors
/// Where the run folder cannot be written.
pub fn carry_curves(
    setup: &Setup,
    setup_file: &Path,
    ledger: &mut Ledger,
) -> Result<Vec<String>, LedgerError> {
    let mut notes = Vec::new();
    for (_, curve, from) in setup.curve_files(setup_file) {
        match read_small_text(&from) {
            Ok(text) if is_carried(curve) => ledger.carry(curve, text.as_bytes())?,
            Ok(text) => ledger.know(curve, text.as_bytes())?,
            Err(error) => notes.push(format!(
                "{}: the curve that a criterion names cannot be read: {error}; reduce will want it \
                 there",
                from.display()
            )),
        }
    }
    Ok(notes)
}
