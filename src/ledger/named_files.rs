//! The curves, pictures and the matching that a setup names, carried along in the run
//! folder: a run that is moved or archived keeps what it is held against, what its
//! report shows and what its points rest on.

use std::path::Path;

use super::record::is_carried;
use super::{Ledger, LedgerError};
use crate::setup::{Loaded, read_picture, read_small_text};

/// Copies the matching, and each curve and picture that is named by a plain relative path to the same
/// path in the run folder; of all others the run keeps the hash. Back comes a sentence
/// for each that cannot be read, to be said while there is time: `reduce` and `report`
/// will want it.
///
/// # Errors
/// Where the run folder cannot be written.
pub fn carry_named_files(
    loaded: &Loaded,
    setup_file: &Path,
    ledger: &mut Ledger,
) -> Result<Vec<String>, LedgerError> {
    let setup = &loaded.setup;
    if let (Some(name), Some(text)) = (&setup.matching_file, &loaded.matching_text) {
        ledger.carry_matching(name, text.as_bytes())?;
    }
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
    for (picture, from) in setup.picture_files(setup_file) {
        match read_picture(&from) {
            Ok((_, bytes)) if is_carried(&picture.file) => {
                ledger.carry_picture(&picture.file, &bytes)?;
            }
            Ok((_, bytes)) => ledger.know_picture(&picture.file, &bytes)?,
            Err(error) => notes.push(format!(
                "{}: the picture cannot be taken: {error}; the report will want it there",
                from.display()
            )),
        }
    }
    Ok(notes)
}
