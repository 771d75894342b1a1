//! A note from a person into the run folder.
//!
//! In: a point, a name, a text. Out: a line of `notes.jsonl`, on the disk. Touches the
//! run folder.

use std::path::Path;

use super::locks::lock_to_write;
use super::notes::{append, mend};
use super::{LedgerError, REDUCTION_FILE, REPORT_FILE, Run, RunRecord, SEAL_FILE, SETUP_FILE};
use crate::analysis::{NoteKind, PointNote};
use crate::reduction::SettledPoint;
use crate::setup::is_hidden;

/// Longest name and longest text that are taken, letters.
const MOST_LETTERS: [usize; 2] = [200, 2000];

/// A note that is to be written.
#[derive(Debug, Clone, Copy)]
pub struct NewNote<'a> {
    /// The point that it is of.
    pub point: u64,
    /// Who says so.
    pub by: &'a str,
    /// What.
    pub text: &'a str,
    /// What it does.
    pub kind: NoteKind,
}

/// A note that was written.
#[derive(Debug, Clone, PartialEq)]
pub struct WrittenNote {
    /// As it stands in the file.
    pub note: PointNote,
    /// What was done to the file before: the end of a note that was broken off was cut.
    pub mended: Option<String>,
    /// What was made before it and does not know of it, a file each.
    pub outdated: Vec<&'static str>,
}

/// Writes a note of a point, which may be one of a capture that goes on. It is on the
/// disk when this returns.
///
/// # Errors
/// Where there is no such point, where name or text is empty, too long or not all to
/// be seen, where a point is excluded that is, or restored that is not, and where the
/// run is not what was written or cannot be written to.
pub fn write_note(
    folder: &Path,
    new: NewNote,
    written_utc: jiff::Timestamp,
) -> Result<WrittenNote, LedgerError> {
    let [by, text] = [
        said("the name of who says so", new.by, MOST_LETTERS[0])?,
        said("the text", new.text, MOST_LETTERS[1])?,
    ];
    // A folder that is none gets no lock.
    RunRecord::read(folder)?;
    let lock = lock_to_write(folder)?;
    let mended = mend(folder)?;
    let run = Run::open_locked(folder)?;
    if let Some(altered) = run.alterations.first() {
        return Err(LedgerError::Altered {
            path: folder.to_owned(),
            what: format!("nothing is added to what was altered: {altered}"),
        });
    }
    let point = point_of(&run, new.point)?;
    let excluded = run
        .exclusions()
        .into_iter()
        .find(|exclusion| exclusion.point == new.point);
    match (new.kind, excluded) {
        (NoteKind::Exclude, Some(exclusion)) => {
            return Err(LedgerError::Note {
                what: format!("{} already", exclusion.sentence()),
            });
        }
        (NoteKind::Restore, None) => {
            return Err(LedgerError::Note {
                what: format!("point {} is not excluded: it counts", new.point),
            });
        }
        _ => {}
    }
    let (source, start_sample, end_sample) = hold_of(&run, point)?;
    let note = PointNote {
        written_utc,
        by,
        text,
        kind: new.kind,
        point: new.point,
        source,
        start_sample,
        end_sample,
        recording: point.recording.clone(),
        recording_start_s: point.recording_start_s,
    };
    append(folder, &note)?;
    drop(lock);
    let outdated = [REDUCTION_FILE, REPORT_FILE, SEAL_FILE]
        .into_iter()
        .filter(|file| *file != REDUCTION_FILE || new.kind != NoteKind::Note)
        .filter(|file| folder.join(file).exists());
    Ok(WrittenNote {
        note,
        mended,
        outdated: outdated.collect(),
    })
}

/// A name or a text without the blanks around it.
fn said(what: &str, text: &str, most: usize) -> Result<String, LedgerError> {
    let text = text.trim();
    let wrong = if text.is_empty() {
        "is empty"
    } else if text.chars().any(is_hidden) {
        "holds control characters, line breaks or characters that turn the direction of writing"
    } else if text.chars().count() > most {
        "is too long"
    } else {
        return Ok(text.to_owned());
    };
    Err(LedgerError::Note {
        what: format!("{what} {wrong}; one line of 1 to {most} letters is right"),
    })
}

fn point_of(run: &Run, wanted: u64) -> Result<&SettledPoint, LedgerError> {
    let found = run.points.iter().find(|point| point.point == wanted);
    found.ok_or_else(|| LedgerError::NoSuchPoint {
        path: run.folder.clone(),
        wanted,
        there: match (run.points.first(), run.points.last()) {
            (Some(first), Some(last)) => {
                format!("the run has points {} to {}", first.point, last.point)
            }
            _ => "the run has no points".to_owned(),
        },
    })
}

/// The source of a point, and its hold in samples of it.
fn hold_of(run: &Run, point: &SettledPoint) -> Result<(String, u64, u64), LedgerError> {
    let path = run.folder.join(SETUP_FILE);
    let setup = crate::setup::parse(&run.setup_text, &path.display().to_string());
    let main = setup
        .ok()
        .and_then(|setup| Some(setup.main_source()?.0))
        .unwrap_or_default();
    let source = run.record.sources.get(main);
    let source = source.ok_or_else(|| LedgerError::NotARun {
        path: run.folder.clone(),
        what: "its record names no source".to_owned(),
    })?;
    let sample = |at_s: f64| (at_s * source.rate_hz).round().max(0.0) as u64;
    Ok((
        source.name.clone(),
        sample(point.start_s),
        sample(point.end_s),
    ))
}
