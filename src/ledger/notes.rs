//! `notes.jsonl`: what people said of points, and which of them are not to count.
//!
//! A note is written while a capture goes on as well as years later. Nothing is ever
//! taken out: who errs writes another one. The file is chained like the run's own
//! logs, and `results.jsonl` has its hash, so that one that was altered, cut or
//! removed is noticed by whoever reads the run.

use std::collections::BTreeMap;
use std::path::Path;

use super::chain::Chain;
use super::lines::{self, LineFile, Lines};
use super::results::{begun_with, last_hash, lock_to_read, lock_to_write, log_locked};
use super::{LedgerError, NOTES_FILE, REDUCTION_FILE, REPORT_FILE, Run, SEAL_FILE, check_result};
use crate::analysis::{Exclusion, NoteKind, PointNote};
use crate::recorder::SystemStorage;
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
    super::RunRecord::read(folder)?;
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
    let (source, start_sample, end_sample) = run.hold_of(point)?;
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

/// Appends a line and puts the file down in the log of results, both synced.
fn append(folder: &Path, note: &PointNote) -> Result<(), LedgerError> {
    let storage = SystemStorage::shared();
    let path = folder.join(NOTES_FILE);
    let end = strict(&path)?.end(&path)?.unwrap_or_default();
    let mut file = LineFile::open(&storage, &path, Some(end))?;
    file.append(note)?;
    file.sync()?;
    lines::sync_folder(&storage, folder)?;
    log_locked(folder, NOTES_FILE, note.written_utc)?;
    lines::sync_folder(&storage, folder)
}

/// Every line, none of which may be torn.
fn strict(path: &Path) -> Result<Lines<PointNote>, LedgerError> {
    let lines = lines::read::<PointNote>(path)?.refuse_damaged_end()?;
    if lines.chain == Chain::None {
        return Err(LedgerError::Altered {
            path: path.to_owned(),
            what: "its lines have lost their chain values".to_owned(),
        });
    }
    lines.end(path)?;
    Ok(lines)
}

/// The notes of a run, in the order in which they were written; the lock is held by the
/// caller.
///
/// # Errors
/// Where they are not what was last put down.
pub(super) fn read_locked(folder: &Path) -> Result<Vec<PointNote>, LedgerError> {
    check_result(folder, NOTES_FILE)?;
    Ok(strict(&folder.join(NOTES_FILE))?.values)
}

/// Cuts off a note whose writing was broken off before it was put down in the log of
/// results, that is before it was acknowledged. More than one line, or another one
/// than the last, is left for the reader to refuse.
fn mend(folder: &Path) -> Result<Option<String>, LedgerError> {
    let path = folder.join(NOTES_FILE);
    let bytes = match std::fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(LedgerError::io(&path, "read")(error)),
    };
    let put_down = last_hash(folder, NOTES_FILE)?;
    let hash = |text: &[u8]| blake3::hash(text).to_hex().to_string();
    if put_down.as_ref() == Some(&hash(&bytes)) {
        return Ok(None);
    }
    // Without its last line, whole or not.
    let last = bytes
        .split_inclusive(|byte| *byte == b'\n')
        .next_back()
        .map_or(0, <[u8]>::len);
    let before = bytes.get(..bytes.len() - last).unwrap_or_default();
    let storage = SystemStorage::shared();
    match put_down {
        Some(put_down) if put_down == hash(before) => {
            lines::cut(&storage, &path, before.len() as u64)?;
        }
        None if before.is_empty() => {
            storage
                .remove(&path)
                .map_err(LedgerError::io(&path, "remove"))?;
        }
        _ => return Ok(None),
    }
    let line = before.split(|byte| *byte == b'\n').count();
    Ok(Some(format!(
        "{}:{line}: the writing of a note was broken off here; what was written of it is cut off",
        path.display()
    )))
}

/// For a folder whose results are about to be made anew: the log of results as it is
/// with nothing but the notes, which stay; `None` where there are none.
///
/// # Errors
/// Where the notes are not what was written.
pub(super) fn kept(
    folder: &Path,
    now_utc: jiff::Timestamp,
) -> Result<Option<Vec<u8>>, LedgerError> {
    let _lock = lock_to_read(folder)?;
    if read_locked(folder)?.is_empty() {
        return Ok(None);
    }
    begun_with(folder, NOTES_FILE, now_utc).map(Some)
}

impl Run {
    /// What was said of a point, in the order in which it was written.
    pub fn notes_of(&self, point: &SettledPoint) -> Vec<&PointNote> {
        let notes = self.point_notes.iter();
        notes.filter(|note| self.is_of(note, point)).collect()
    }

    /// The points that are not to count, by number.
    pub fn exclusions(&self) -> Vec<Exclusion> {
        let mut excluded = BTreeMap::new();
        for note in &self.point_notes {
            for point in self.points.iter().filter(|point| self.is_of(note, point)) {
                match note.kind {
                    NoteKind::Note => {}
                    NoteKind::Exclude => {
                        let exclusion = Exclusion {
                            point: point.point,
                            by: note.by.clone(),
                            text: note.text.clone(),
                            written_utc: note.written_utc,
                        };
                        excluded.insert(point.point, exclusion);
                    }
                    NoteKind::Restore => drop(excluded.remove(&point.point)),
                }
            }
        }
        excluded.into_values().collect()
    }

    /// A sentence for each note of a dwell that is none of the run any more: the run
    /// was made anew, of other recordings or by other rules.
    pub fn notes_without_point(&self) -> Vec<String> {
        self.point_notes
            .iter()
            .filter(|note| !self.points.iter().any(|point| self.is_of(note, point)))
            .map(|note| {
                format!(
                    "{NOTES_FILE}: what was point {} when it was {} is no dwell of the run any more",
                    note.point,
                    note.sentence()
                )
            })
            .collect()
    }

    /// Whether a note is of the dwell that a point was read from: one that shares
    /// samples with it. In a run that was made anew a hold may begin a little
    /// elsewhere, and its recording at another place in the time of the run.
    fn is_of(&self, note: &PointNote, point: &SettledPoint) -> bool {
        let Some(source) = self.record.sources.iter().find(|s| s.name == note.source) else {
            return false;
        };
        let length_s = point.end_s - point.start_s;
        let noted_s = (note.end_sample - note.start_sample.min(note.end_sample)) as f64;
        let noted_s = noted_s / source.rate_hz;
        let share = |noted: f64, begin: f64| noted < begin + length_s && begin < noted + noted_s;
        if note.recording.is_some() && note.recording != point.recording {
            return false;
        }
        let alike = source.files.iter().filter(|file| {
            let name = Path::new(&file.path).file_name();
            name.is_some_and(|name| Some(&*name.to_string_lossy()) == note.recording.as_deref())
        });
        match (note.recording_start_s, point.recording_start_s) {
            // Of two recordings with one name their place in the run tells which it is.
            (Some(noted), Some(begin)) if alike.count() < 2 => share(noted, begin),
            _ => share(note.start_sample as f64 / source.rate_hz, point.start_s),
        }
    }

    /// The source of a point, and its hold in samples of it.
    fn hold_of(&self, point: &SettledPoint) -> Result<(String, u64, u64), LedgerError> {
        let path = self.folder.join(super::SETUP_FILE);
        let setup = crate::setup::parse(&self.setup_text, &path.display().to_string());
        let main = setup
            .ok()
            .and_then(|setup| Some(setup.main_source()?.0))
            .unwrap_or_default();
        let source = self
            .record
            .sources
            .get(main)
            .ok_or_else(|| LedgerError::NotARun {
                path: self.folder.clone(),
                what: "its record names no source".to_owned(),
            })?;
        let sample = |at_s: f64| (at_s * source.rate_hz).round().max(0.0) as u64;
        Ok((
            source.name.clone(),
            sample(point.start_s),
            sample(point.end_s),
        ))
    }
}
