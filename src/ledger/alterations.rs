//! Is a run folder what the run wrote? What the chains of the logs and the
//! hashes in `run.json` say, without the recordings.

use std::path::Path;

use super::chain::{Chain, ChainEnd};
use super::record::is_carried;
use super::results::hash_if_there;
use super::{
    EVENTS_FILE, EVIDENCE_FILE, LedgerError, POINTS_FILE, RUN_FILE, RunRecord, SETUP_FILE,
    TRACE_FILE,
};

/// How the lines of each log hang together, and whether its end is torn.
#[derive(Clone, Copy)]
pub(super) struct Logs<'a> {
    pub points: (&'a Chain, bool),
    pub evidence: (&'a Chain, bool),
    pub events: (&'a Chain, bool),
}

/// A sentence for each file that is not what the run wrote; and one to say
/// where the run is of a version that could not tell.
pub(super) fn alterations(
    folder: &Path,
    (record, record_text): (&RunRecord, &[u8]),
    setup_text: &str,
    logs: Logs,
) -> Result<(Vec<String>, Option<String>), LedgerError> {
    let mut found = Vec::new();
    let mut altered = |file: &str, what: &str| {
        found.push(format!("{}: {what}", folder.join(file).display()));
    };
    if record.is_as_written(record_text) == Some(false) {
        altered(RUN_FILE, "it was altered since the run wrote it");
    }
    if blake3::hash(setup_text.as_bytes()).to_hex().as_str() != record.setup_blake3 {
        altered(SETUP_FILE, "it is not the setup that the run was made with");
    }
    let ends = record.logs.as_ref();
    let files = [
        (POINTS_FILE, logs.points, ends.map(|ends| &ends.points)),
        (
            EVIDENCE_FILE,
            logs.evidence,
            ends.map(|ends| &ends.evidence),
        ),
        (EVENTS_FILE, logs.events, ends.map(|ends| &ends.events)),
    ];
    for (file, log, end) in &files {
        if let Some(what) = said_of_log(*log, *end) {
            altered(file, &what);
        }
    }
    if let Some(ends) = ends
        && hash_if_there(&folder.join(TRACE_FILE))?.as_ref() != Some(&ends.trace_blake3)
    {
        altered(TRACE_FILE, "it is not what the run wrote");
    }
    for curve in record.curves.iter().filter(|curve| is_carried(&curve.path)) {
        if hash_if_there(&folder.join(&curve.path))? != curve.blake3 {
            altered(
                &curve.path,
                "it is not the curve that the run was begun with",
            );
        }
    }
    let pictures = record.pictures.iter();
    for picture in pictures.filter(|picture| is_carried(&picture.path)) {
        if hash_if_there(&folder.join(&picture.path))? != picture.blake3 {
            altered(
                &picture.path,
                "it is not the picture that the run was begun with",
            );
        }
    }
    if let Some(matching) = &record.matching
        && hash_if_there(&folder.join(&matching.path))? != matching.blake3
    {
        altered(
            &matching.path,
            "it is not the matching that the run was begun with",
        );
    }
    let without = files
        .iter()
        .any(|(_, (chain, _), _)| **chain == Chain::None);
    let is_chained = record.is_chained() && !without;
    let unchained = (!is_chained).then(|| {
        // No path: a report repeats it, wherever the folder is then.
        "not chained: the run is of a version whose logs cannot show that nothing was altered; \
         `spanhold verify` recomputes it"
            .to_owned()
    });
    Ok((found, unchained))
}

/// What is wrong with a log that ought to end with `end`, if it was closed.
fn said_of_log((chain, is_torn): (&Chain, bool), end: Option<&ChainEnd>) -> Option<String> {
    match (chain, end) {
        (Chain::Broken(line), _) => Some(format!(
            "line {line} does not follow from the line before it: one of the two was altered, or \
             lines were left out, added or moved there"
        )),
        (Chain::Whole(is), Some(was)) if is == was => is_torn.then(|| {
            format!(
                "something stands behind line {}, with which the run ended",
                was.lines
            )
        }),
        (Chain::Whole(is), Some(was)) if is.lines < was.lines => Some(format!(
            "it has {} lines, and the run wrote {}",
            is.lines, was.lines
        )),
        (Chain::Whole(is), Some(was)) => Some(format!(
            "its last line, line {}, is not the one that the run ended with, line {}",
            is.lines, was.lines
        )),
        (Chain::None, Some(_)) => {
            Some("its lines have lost the chain values that the run gave them".to_owned())
        }
        (Chain::Whole(_) | Chain::None, None) => None,
    }
}
