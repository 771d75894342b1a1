//! Which recordings of a source continue one another, and in which order they
//! were made.
//!
//! In: recordings, in whatever order, and whether the user says that they
//! continue one another. Out: [`Stretches`]: a stretch is one recording, or
//! several that continue one another to the sample. Touches headers and sidecars,
//! to read them.
//!
//! Nobody knows what happened between two recordings: the sensors may have been
//! moved, the drive retuned. So recordings are one stretch only where the user,
//! their sidecars or their header times say so.

use std::cmp::Ordering;
use std::path::{Path, PathBuf};

use jiff::civil::DateTime;

use super::IngestError;
use super::sidecar::{Sidecar, read_sidecar};
use super::wav::{SampleEncoding, WavStart, read_start};

/// Two starts of one and the same stream, by two sidecars, may differ by this, s.
const SAME_STREAM_S: f64 = 1.0;
/// Header times are rounded to whole seconds: a recording that begins this much
/// before the end of the one before it does not overlap it, s.
const ROUNDED_S: f64 = 1.5;

/// What puts recordings in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OrderedBy {
    /// Their start times.
    StartTime,
    /// Their names.
    Name,
}

impl OrderedBy {
    /// As `run.json` has it.
    pub fn word(self) -> &'static str {
        match self {
            Self::StartTime => "start-time",
            Self::Name => "name",
        }
    }
}

/// The recordings of one source in the order in which they were made.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretches {
    /// The recordings of each stretch.
    pub files: Vec<Vec<PathBuf>>,
    /// What the order rests on.
    pub ordered_by: OrderedBy,
    /// What is odd about their times; each names its files.
    pub notes: Vec<String>,
}

/// A recording as it is named and where it is now: the name puts it in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamedFile {
    /// As it was named.
    pub named: PathBuf,
    /// Where it is.
    pub found: PathBuf,
}

impl From<PathBuf> for NamedFile {
    fn from(path: PathBuf) -> Self {
        Self {
            named: path.clone(),
            found: path,
        }
    }
}

/// What is known of a recording before its samples.
struct Known {
    file: NamedFile,
    start: WavStart,
    sidecar: Option<Sidecar>,
}

impl Stretches {
    /// Puts recordings in order and finds out which continue one another.
    /// `all_continue`: the user says that each continues the one before it.
    ///
    /// # Errors
    /// Where a header or a sidecar cannot be read; every such file is named.
    pub fn of(files: &[NamedFile], all_continue: bool) -> Result<Self, IngestError> {
        let mut known = Vec::with_capacity(files.len());
        let mut faults = Vec::new();
        for file in files {
            match Known::read(file) {
                Ok(read) => known.push(read),
                Err(fault) => faults.push(fault),
            }
        }
        match faults.len() {
            0 => {}
            1 => return Err(faults.remove(0)),
            _ => return Err(IngestError::Several(faults)),
        }
        known.sort_by(|a, b| natural(&a.file.named, &b.file.named));
        let (ordered_by, mut notes) = put_in_order(&mut known);
        if ordered_by == OrderedBy::StartTime {
            notes.extend(overlaps(&known));
        }
        let mut stretches: Vec<Vec<PathBuf>> = Vec::new();
        let mut before: Option<&Known> = None;
        for recording in &known {
            let path = recording.file.found.clone();
            match (before, stretches.last_mut()) {
                (Some(before), Some(stretch)) if all_continue || recording.continues(before) => {
                    stretch.push(path);
                }
                _ => stretches.push(vec![path]),
            }
            before = Some(recording);
        }
        Ok(Self {
            files: stretches,
            ordered_by,
            notes,
        })
    }
}

impl Known {
    fn read(file: &NamedFile) -> Result<Self, IngestError> {
        Ok(Self {
            file: file.clone(),
            start: read_start(&file.found)?,
            sidecar: read_sidecar(&file.found)?,
        })
    }

    fn name(&self) -> String {
        self.file.named.display().to_string()
    }

    /// Begin by whatever clock: that of the sidecar counts in UTC, that of a
    /// header in its recorder's time.
    fn clock(&self) -> Option<Clock> {
        if let Some(sidecar) = &self.sidecar {
            return sidecar.start_utc.map(Clock::Utc);
        }
        self.start.begun?.at().map(Clock::Recorder)
    }

    /// Where it stands among recordings by the same kind of clock, s.
    fn place_s(&self) -> f64 {
        self.clock().map_or(0.0, Clock::place_s)
    }

    fn length_s(&self) -> f64 {
        self.start.frames as f64 / self.start.rate_hz
    }

    /// Whether sidecars or header times say that it continues the recording
    /// `before` to the sample.
    fn continues(&self, before: &Self) -> bool {
        match (&before.sidecar, &self.sidecar) {
            (Some(a), Some(b)) => {
                let stated_end = a.start_index.checked_add(before.start.frames);
                a.source == b.source
                    && a.rate_hz.total_cmp(&b.rate_hz).is_eq()
                    && before.is_like(self)
                    && stated_end.is_some_and(|end| b.start_index >= end)
                    && same_stream(a, b, stated_end == Some(b.start_index))
            }
            (None, None) => {
                let joins = |a: &WavStart, b: &WavStart| {
                    let (from, to) = (a.begun?, b.begun?);
                    let end = from.sample_of_day?.checked_add(a.frames)?;
                    let day = (86_400.0 * a.rate_hz).round() as u64;
                    let (days, of_day) = (end.checked_div(day)?, end.checked_rem(day)?);
                    let date = from
                        .date
                        .checked_add(jiff::Span::new().try_days(i64::try_from(days).ok()?).ok()?)
                        .ok()?;
                    // The count of a day ends one early where it is rounded.
                    Some(date == to.date && of_day.abs_diff(to.sample_of_day?) <= 1)
                };
                before.is_like(self)
                    && before.start.frames > 0
                    && joins(&before.start, &self.start) == Some(true)
            }
            _ => false,
        }
    }

    fn is_like(&self, other: &Self) -> bool {
        let form = |known: &Self| -> (SampleEncoding, usize) {
            (known.start.encoding, known.start.channels)
        };
        form(self) == form(other) && self.start.rate_hz.total_cmp(&other.start.rate_hz).is_eq()
    }
}

/// Whether two sidecars count the samples of one and the same stream.
fn same_stream(a: &Sidecar, b: &Sidecar, joins: bool) -> bool {
    let begin_s = |sidecar: &Sidecar| {
        let start_s = sidecar.start_utc?.as_nanosecond() as f64 * 1e-9;
        Some(start_s - sidecar.start_index as f64 / sidecar.rate_hz)
    };
    match (begin_s(a), begin_s(b)) {
        (Some(a), Some(b)) => (a - b).abs() <= SAME_STREAM_S,
        _ => joins,
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Clock {
    Utc(jiff::Timestamp),
    Recorder(DateTime),
}

impl Clock {
    /// Its place among times of the same kind, s.
    fn place_s(self) -> f64 {
        match self {
            Self::Utc(time) => time.as_nanosecond() as f64 * 1e-9,
            Self::Recorder(time) => jiff::tz::Offset::UTC
                .to_timestamp(time)
                .map_or(0.0, |time| time.as_nanosecond() as f64 * 1e-9),
        }
    }
}

/// By start time where every recording has one by the same kind of clock and
/// no two have the same, else as they are: by name.
fn put_in_order(known: &mut [Known]) -> (OrderedBy, Vec<String>) {
    let clocks: Vec<Option<Clock>> = known.iter().map(Known::clock).collect();
    let by_name = |why: Option<String>| (OrderedBy::Name, why.into_iter().collect());
    if clocks.iter().all(Option::is_none) || known.len() < 2 {
        return by_name(None);
    }
    let without = known.iter().zip(&clocks).find(|(_, clock)| clock.is_none());
    if let Some((without, _)) = without {
        return by_name(Some(format!(
            "{}: it does not say when it was begun, others do; the recordings are taken in the \
             order of their names",
            without.name()
        )));
    }
    let is_utc = |clock: &Option<Clock>| matches!(clock, Some(Clock::Utc(_)));
    if clocks.iter().any(is_utc) && !clocks.iter().all(is_utc) {
        return by_name(Some(
            "some recordings say in UTC when they were begun, others by a clock of unknown zone; \
             they are taken in the order of their names"
                .to_owned(),
        ));
    }
    let mut in_time: Vec<&Known> = known.iter().collect();
    in_time.sort_by(|a, b| a.place_s().total_cmp(&b.place_s()));
    let same = in_time.windows(2).find_map(|pair| match pair {
        [a, b] if a.place_s().total_cmp(&b.place_s()).is_eq() && a.start.frames > 0 => Some((a, b)),
        _ => None,
    });
    if let Some((a, b)) = same {
        return by_name(Some(format!(
            "{} and {} say that they were begun at the same time, which cannot be; the recordings \
             are taken in the order of their names",
            a.name(),
            b.name()
        )));
    }
    known.sort_by(|a, b| a.place_s().total_cmp(&b.place_s()));
    (OrderedBy::StartTime, Vec::new())
}

/// A sentence for the first recording that begins before the one before it has
/// ended, and how many do.
fn overlaps(known: &[Known]) -> Option<String> {
    let early = |pair: &&[Known]| match pair {
        [a, b] => b.place_s() < a.place_s() + a.length_s() - ROUNDED_S,
        _ => false,
    };
    let mut found = known.windows(2).filter(early);
    let first = found.next()?;
    let others = found.count();
    let names: Vec<String> = first.iter().map(Known::name).collect();
    let more = match others {
        0 => String::new(),
        n => format!(" ({n} more do)"),
    };
    Some(format!(
        "{}: by its start time it begins before {} has ended{more}; a clock is wrong or the \
         recordings are of one time, and each is read for itself",
        names.last()?,
        names.first()?,
    ))
}

/// Names in the order in which people count: numbers in them by their value.
pub fn natural(a: &Path, b: &Path) -> Ordering {
    let (a, b) = (a.to_string_lossy(), b.to_string_lossy());
    natural_text(&a, &b).then_with(|| a.cmp(&b))
}

fn natural_text(mut a: &str, mut b: &str) -> Ordering {
    while let (Some(x), Some(y)) = (a.chars().next(), b.chars().next()) {
        let order = if x.is_ascii_digit() && y.is_ascii_digit() {
            let (first, second) = (digits(a), digits(b));
            (a, b) = (rest(a, first), rest(b, second));
            let (first, second) = (
                first.trim_start_matches('0'),
                second.trim_start_matches('0'),
            );
            first
                .len()
                .cmp(&second.len())
                .then_with(|| first.cmp(second))
        } else {
            (a, b) = (
                rest(a, x.encode_utf8(&mut [0; 4])),
                rest(b, y.encode_utf8(&mut [0; 4])),
            );
            x.cmp(&y)
        };
        if order.is_ne() {
            return order;
        }
    }
    a.len().cmp(&b.len())
}

fn digits(text: &str) -> &str {
    let end = text
        .find(|c: char| !c.is_ascii_digit())
        .unwrap_or(text.len());
    text.get(..end).unwrap_or(text)
}

fn rest<'t>(text: &'t str, taken: &str) -> &'t str {
    text.get(taken.len()..).unwrap_or_default()
}
