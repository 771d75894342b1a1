//! The report of a run folder, and the summary of several, written to a file.

use std::path::{Path, PathBuf};

use super::document::Document;
use super::document::summary::{Summary, TestedSample};
use super::loaded_run::{LoadError, LoadedRun};
use super::pictures::shown_pictures;
use super::recordings::Recordings;
use super::reduction::{ReadReduction, read_reduction};
use crate::evaluation::reduced::is_excluded;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ledger::{LedgerError, REPORT_FILE, log_result};

/// Why a report cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    /// The run folder cannot be read.
    #[error(transparent)]
    Load(#[from] LoadError),
    /// Its reduction cannot be read, or the log of results not written.
    #[error(transparent)]
    Folder(#[from] LedgerError),
    /// One run is named twice.
    #[error("{}: named twice; each sample's run once is right", .0.display())]
    Twice(PathBuf),
    /// The file cannot be written.
    #[error("{}: cannot be written; name another place with --out", path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the operating system said.
        source: std::io::Error,
    },
}

/// Writes the report of a run folder to `out`.
///
/// # Errors
/// Where the folder cannot be read or the file cannot be written.
pub fn write_report(
    folder: &Path,
    out: &Path,
    written_utc: jiff::Timestamp,
) -> Result<(), ReportError> {
    let LoadedRun { run, setup } = LoadedRun::open(folder)?;
    let reduction = read_reduction(&run)?;
    let html = Document {
        recordings: &Recordings::check(&run),
        reduction: &reduction,
        run: &run,
        setup: &setup,
        pictures: &shown_pictures(folder, &run.record, &setup),
    }
    .html();
    std::fs::write(out, html).map_err(|source| ReportError::Write {
        path: out.to_owned(),
        source,
    })?;
    // One written elsewhere is no part of the run folder.
    if out == folder.join(REPORT_FILE) {
        log_result(folder, REPORT_FILE, written_utc)?;
    }
    Ok(())
}

/// Writes the summary of several samples, a run folder each, to `out`.
///
/// # Errors
/// Where a folder cannot be read or is named twice, or the file cannot be written.
pub fn write_summary(folders: &[PathBuf], out: &Path) -> Result<(), ReportError> {
    let mut samples = Vec::new();
    let mut seen: Vec<PathBuf> = Vec::new();
    for folder in folders {
        let real = folder.canonicalize().unwrap_or_else(|_| folder.clone());
        if seen.contains(&real) {
            return Err(ReportError::Twice(folder.clone()));
        }
        samples.push(sample(folder, &real)?);
        seen.push(real);
    }
    let html = Summary { samples: &samples }.html();
    std::fs::write(out, html).map_err(|source| ReportError::Write {
        path: out.to_owned(),
        source,
    })
}

fn sample(folder: &Path, real: &Path) -> Result<TestedSample, ReportError> {
    let LoadedRun { run, setup } = LoadedRun::open(folder)?;
    let exclusions = run.exclusions();
    let (reduction, mut points) = match read_reduction(&run)? {
        ReadReduction::Whole(reduction, points) => (Some(*reduction), points),
        ReadReduction::None | ReadReduction::Stale(_) => (
            None,
            run.points.into_iter().map(ReducedPoint::from).collect(),
        ),
    };
    points.retain(|point| !is_excluded(&exclusions, &point.point));
    let name = real.file_name().unwrap_or_default().to_string_lossy();
    Ok(TestedSample {
        name: name.into_owned(),
        setup,
        reduction,
        points,
        exclusions,
    })
}
