//! A run recomputed from its recordings: does everything that its verdict
//! rests on stand?
//!
//! In: a run folder, with its recordings and the run of its bare span. Out: a
//! [`Verification`], with the first difference of each file. Touches these
//! files only to read them.
//!
//! Points, evidence, events, trace and counts are recomputed from the
//! recordings with the stored setup; the reduction from the recomputed points,
//! the bare run and the stored curves; the report from all of these. A file
//! that does not come out again is told by itself: what follows from it is
//! still compared with what ought to follow.
//!
//! What the recordings cannot tell is not compared: who made the run and with
//! which version, clock times, names of files and folders.

pub mod difference;
mod files;
mod recompute;
mod reduction_files;
mod report_file;
mod run_files;
mod stored;

use std::path::Path;

use serde::Serialize;

pub use files::FileStanding;
pub use recompute::{Recomputed, VerifyError, recompute};
pub use stored::Stored;

use crate::ledger::{LedgerError, RunState, SETUP_FILE, target};
use crate::maths::ARITHMETIC_VERSION;
use crate::report::recordings::{Checked, Recordings, Standing};
use difference::{Agreement, Exactness};
use files::Files;

/// How a run stands as a whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Conclusion {
    /// Everything comes out again, byte for byte.
    Identical,
    /// Everything comes out again to the last digits; the run was made with
    /// another arithmetic.
    LastDigits,
    /// Something does not come out again.
    DoesNotStand,
    /// What could be recomputed stands, but something that it rests on is
    /// missing.
    Incomplete,
}

/// A run that was verified.
#[derive(Debug, Clone, Serialize)]
pub struct Verification {
    /// The run folder.
    pub run: String,
    /// How it stands as a whole.
    pub conclusion: Conclusion,
    /// Whether everything was compared and comes out again.
    pub stands: bool,
    /// Program and version that made the run.
    pub made_by: String,
    /// Program and version that verified it.
    pub verified_by: String,
    /// Points that come out of the recordings.
    pub points: usize,
    /// Setup and recordings against their hashes.
    pub recordings: Recordings,
    /// Every file that was compared.
    pub files: Vec<FileStanding>,
    /// A sentence for whatever does not stand.
    pub findings: Vec<String>,
    /// A sentence for whatever is missing to compare.
    pub missing: Vec<String>,
    /// What the reader has to know besides.
    pub notes: Vec<String>,
}

/// Recomputes a run from its recordings and compares everything in its folder
/// that follows from them.
///
/// # Errors
/// Where there is nothing to recompute from: the folder is no run, a recording
/// is missing, or the stored setup, although unchanged, cannot be used.
pub fn verify(folder: &Path) -> Result<Verification, VerifyError> {
    let stored = Stored::read(folder)?;
    match recompute(&stored) {
        Ok(recomputed) => Ok(compare(&stored, &recomputed)?),
        Err(
            error @ (VerifyError::Setup(_) | VerifyError::Replay(_) | VerifyError::BrokenOff(_)),
        ) if stored.recordings.any_changed() => {
            let mut findings = changed(&stored);
            findings.push(format!("Nothing comes out any more: {error}."));
            Ok(conclude(&stored, 0, Files::default(), findings))
        }
        Err(error) => Err(error),
    }
}

/// Compares a run folder with what comes out of its recordings.
///
/// # Errors
/// Where a file of the folder that is there cannot be read.
pub fn compare(stored: &Stored, recomputed: &Recomputed) -> Result<Verification, LedgerError> {
    let mut files = Files::default();
    let mut findings = changed(stored);
    let accepted = run_files::compare_run(stored, recomputed, &mut files)?;
    match &stored.setup {
        Ok(setup) => {
            let reduction =
                reduction_files::compare_reduction(stored, setup, &accepted, &mut files)?;
            if let Some(reduction) = reduction {
                report_file::compare_report(stored, setup, &accepted, &reduction, &mut files)?;
            }
        }
        Err(faults) => findings.push(format!("{SETUP_FILE} is no setup any more: {faults}.")),
    }
    Ok(conclude(stored, recomputed.points.len(), files, findings))
}

/// A sentence for the setup, each recording and each file of the run that is
/// not what it was.
fn changed(stored: &Stored) -> Vec<String> {
    stored
        .recordings
        .all()
        .filter(|file| matches!(file.standing, Standing::Changed { .. }))
        .map(Checked::sentence)
        .chain(stored.alterations.iter().map(|what| format!("{what}.")))
        .collect()
}

fn conclude(
    stored: &Stored,
    points: usize,
    files: Files,
    mut findings: Vec<String>,
) -> Verification {
    let differences = files
        .standings
        .iter()
        .filter_map(|file| match &file.agreement {
            Agreement::Differs(difference) => Some(difference.sentence(&file.file)),
            Agreement::Identical | Agreement::LastDigits => None,
        });
    findings.extend(differences);
    let last_digits = |file: &FileStanding| file.agreement == Agreement::LastDigits;
    let conclusion = if !findings.is_empty() {
        Conclusion::DoesNotStand
    } else if !files.missing.is_empty() {
        Conclusion::Incomplete
    } else if files.standings.iter().any(last_digits) {
        Conclusion::LastDigits
    } else {
        Conclusion::Identical
    };
    let mut notes = notes(stored);
    notes.extend(files.notes);
    Verification {
        run: stored.folder.display().to_string(),
        conclusion,
        stands: matches!(conclusion, Conclusion::Identical | Conclusion::LastDigits),
        made_by: format!("{} {}", stored.record.program, stored.record.version),
        verified_by: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        points,
        recordings: stored.recordings.clone(),
        files: files.standings,
        findings,
        missing: files.missing,
        notes,
    }
}

/// What the reader has to know of the run before how it stands.
fn notes(stored: &Stored) -> Vec<String> {
    let mut notes = stored.notes.clone();
    notes.extend(stored.remarks.iter().cloned());
    let record = &stored.record;
    let (made_by, version) = (&record.version, env!("CARGO_PKG_VERSION"));
    if made_by != version {
        notes.push(format!(
            "The run was made by {} {made_by}; this is {} {version}, whose numbers may differ.",
            record.program,
            env!("CARGO_PKG_NAME"),
        ));
    }
    if stored.exactness() == Exactness::LastDigits {
        notes.push(format!(
            "The run was made with arithmetic {} for {}; this is arithmetic {ARITHMETIC_VERSION} for \
             {}: numbers have to agree to their last digits.",
            record.arithmetic,
            record.target.as_deref().unwrap_or("an unknown target"),
            target(),
        ));
    }
    let unhashed = stored
        .recordings
        .all()
        .filter(|file| file.standing == Standing::Unhashed);
    notes.extend(unhashed.map(Checked::sentence));
    if record.state != RunState::Done {
        notes.push(
            "The run was broken off: what it logged is compared with the beginning of what comes out."
                .to_owned(),
        );
    }
    notes
}
