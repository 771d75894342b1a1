//! What was said of the points of a run, as it stands in its notes.

use std::collections::BTreeMap;
use std::path::Path;

use super::notes::read_notes;
use super::{LedgerError, NOTES_FILE, Run, RunRecord, SourceRecord};
use crate::analysis::{Exclusion, NoteKind, PointNote};
use crate::reduction::SettledPoint;

impl Run {
    /// What was said of a point, in the order in which it was written.
    pub fn notes_of(&self, point: &SettledPoint) -> Vec<&PointNote> {
        let notes = self.point_notes.iter();
        notes
            .filter(|note| is_of(&self.record.sources, note, point))
            .collect()
    }

    /// The points that are not to count, by number.
    pub fn exclusions(&self) -> Vec<Exclusion> {
        excluded(&self.record.sources, &self.point_notes, &self.points)
    }

    /// A sentence for each note of a dwell that is none of the run any more: the run
    /// was made anew, of other recordings or by other rules.
    pub fn notes_without_point(&self) -> Vec<String> {
        self.point_notes
            .iter()
            .filter(|note| {
                let mut points = self.points.iter();
                !points.any(|point| is_of(&self.record.sources, note, point))
            })
            .map(|note| {
                format!(
                    "{NOTES_FILE}: what was point {} when it was {} is no dwell of the run any more",
                    note.point,
                    note.sentence()
                )
            })
            .collect()
    }
}

/// The points that are not to count, of a run that is still written: `points` are those
/// that it has.
///
/// # Errors
/// Where the notes are not what was written.
pub fn read_exclusions(
    folder: &Path,
    points: &[SettledPoint],
) -> Result<Vec<Exclusion>, LedgerError> {
    let notes = read_notes(folder)?;
    let sources = RunRecord::read(folder)?.sources;
    Ok(excluded(&sources, &notes, points))
}

fn excluded(
    sources: &[SourceRecord],
    notes: &[PointNote],
    points: &[SettledPoint],
) -> Vec<Exclusion> {
    let mut excluded = BTreeMap::new();
    for note in notes {
        for point in points.iter().filter(|point| is_of(sources, note, point)) {
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

/// Whether a note is of the dwell that a point was read from: one that shares
/// samples with it. In a run that was made anew a hold may begin a little
/// elsewhere, and its recording at another place in the time of the run.
fn is_of(sources: &[SourceRecord], note: &PointNote, point: &SettledPoint) -> bool {
    let Some(source) = sources.iter().find(|s| s.name == note.source) else {
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
