//! The curves that a setup's criteria name, and its pictures, looked at before anything
//! is measured.
//!
//! In: a setup and its file. Out: a sentence for whatever would spoil the verdict of a
//! day's work, or its report. Reads these files.

use std::path::Path;

use crate::evaluation::criteria::RequiredCurve;
use crate::setup::{Setup, read_picture, read_small_text};

/// What is wrong or odd about each curve and picture; the paths are seen from the setup file.
pub fn curve_remarks(setup: &Setup, setup_file: &Path) -> Vec<String> {
    let mut remarks = Vec::new();
    for (number, _, path) in setup.curve_files(setup_file) {
        let file = path.display().to_string();
        let read = read_small_text(&path)
            .map_err(|error| format!("{file}: {error}; `reduce` will want the file there"));
        let parsed = read.and_then(|text| {
            RequiredCurve::parse(&text, &file).map_err(|faults| faults.to_string())
        });
        match parsed {
            Ok(curve) => {
                let odd = curve.oddities(setup.sweep, setup.conductor.diameter_mm);
                remarks.extend(odd.into_iter().map(|what| format!("{file}: {what}")));
            }
            Err(what) => remarks.push(format!("criteria[{number}].curve: {what}")),
        }
    }
    for (number, (_, path)) in (1..).zip(setup.picture_files(setup_file)) {
        if let Err(error) = read_picture(&path) {
            let file = path.display();
            remarks.push(format!(
                "picture[{number}].file: {file}: {error}; `report` will want it there"
            ));
        }
    }
    remarks
}
