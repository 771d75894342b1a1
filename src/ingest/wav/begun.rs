//! When a recording was begun, by what its chunks say of it.
//!
//! In: a seekable byte source. Out: date, time and the recorder's own count of
//! samples, as far as they are there and possible. Read from the `bext` chunk
//! (EBU Tech 3285, broadcast wave format: OriginationDate, OriginationTime,
//! TimeReference) or else from `ICRD` of a `LIST INFO` chunk (RIFF, date of
//! creation), before or behind the samples. A clock of a recorder knows no zone.

use std::fmt;
use std::io::{Read, Seek, SeekFrom};

use jiff::civil::{Date, DateTime, Time};

/// No more chunks than this are looked at.
const CHUNK_LIMIT: usize = 4096;
/// Where OriginationDate stands in `bext`, behind texts of 256, 32 and 32 bytes.
const DATE_AT: usize = 320;
/// As much of `bext` as says when: date 10, time 8, count of samples 8 bytes.
const BEXT_BYTES: usize = DATE_AT + 26;
/// A longer list of texts is none.
const LIST_LIMIT: u32 = 1 << 20;
/// The time of day may differ by this from the count of samples since
/// midnight, s: it is rounded to whole seconds, and written when the file is
/// opened.
const SAME_S: f64 = 2.0;
/// A day, s.
const DAY_S: f64 = 86_400.0;

/// When a recording was begun, by the recorder's clock.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Begun {
    /// The day.
    pub date: Date,
    /// The time of day of its first sample, where it is stated.
    pub time: Option<Time>,
    /// Samples since midnight at its first one, where the recorder counts them.
    pub sample_of_day: Option<u64>,
}

impl Begun {
    /// Day and time.
    pub fn at(&self) -> Option<DateTime> {
        self.time.map(|time| self.date.to_datetime(time))
    }
}

impl fmt::Display for Begun {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.at() {
            Some(at) => write!(f, "{}", at.strftime("%Y-%m-%d %H:%M:%S")),
            None => write!(f, "{}", self.date),
        }
    }
}

/// Looks for it in a file of `file_bytes` bytes sampled at `rate_hz`. What
/// cannot be read says nothing: that is for whoever reads the samples to tell.
pub(super) fn find_begun(
    source: &mut (impl Read + Seek),
    file_bytes: u64,
    rate_hz: f64,
) -> Option<Begun> {
    let mut position = 12;
    let mut long_data = None;
    let mut found = None;
    for _ in 0..CHUNK_LIMIT {
        let Some(head) = read::<8>(source, position, file_bytes) else {
            break;
        };
        let [a, b, c, d, size @ ..] = head;
        let (name, size) = ([a, b, c, d], u32::from_le_bytes(size));
        let body = position + 8;
        match &name {
            b"ds64" => {
                long_data = read::<16>(source, body, file_bytes).map(|bytes| {
                    let [_, _, _, _, _, _, _, _, data @ ..] = bytes;
                    u64::from_le_bytes(data)
                });
            }
            b"bext" if size as usize >= BEXT_BYTES => {
                let bext = read::<BEXT_BYTES>(source, body, file_bytes);
                if let Some(begun) = bext.and_then(|bytes| of_bext(&bytes, rate_hz)) {
                    return Some(begun);
                }
            }
            b"LIST" if found.is_none() && size <= LIST_LIMIT => {
                found = list(source, body, size, file_bytes).and_then(|list| of_list(&list));
            }
            _ => {}
        }
        let length = match (&name, size, long_data) {
            (b"data", u32::MAX, Some(length)) => length,
            _ => u64::from(size),
        };
        let Some(end) = body.checked_add(length) else {
            break;
        };
        position = end + length % 2;
        // Some writers forget the pad byte.
        if length % 2 == 1 && read::<4>(source, end, file_bytes).is_some_and(is_time) {
            position = end;
        }
    }
    found
}

fn is_time(name: [u8; 4]) -> bool {
    [*b"bext", *b"LIST", *b"data"].contains(&name)
}

fn read<const N: usize>(
    source: &mut (impl Read + Seek),
    position: u64,
    file_bytes: u64,
) -> Option<[u8; N]> {
    if position.checked_add(N as u64)? > file_bytes {
        return None;
    }
    let mut bytes = [0; N];
    source.seek(SeekFrom::Start(position)).ok()?;
    source.read_exact(&mut bytes).ok()?;
    Some(bytes)
}

fn list(source: &mut (impl Read + Seek), body: u64, size: u32, file_bytes: u64) -> Option<Vec<u8>> {
    if body.checked_add(u64::from(size))? > file_bytes {
        return None;
    }
    let mut bytes = vec![0; size as usize];
    source.seek(SeekFrom::Start(body)).ok()?;
    source.read_exact(&mut bytes).ok()?;
    Some(bytes)
}

fn of_bext(bytes: &[u8], rate_hz: f64) -> Option<Begun> {
    let date = date(bytes.get(DATE_AT..DATE_AT + 10)?)?;
    let stated = time(bytes.get(DATE_AT + 10..DATE_AT + 18)?);
    let count: [u8; 8] = bytes.get(DATE_AT + 18..DATE_AT + 26)?.try_into().ok()?;
    let count = u64::from_le_bytes(count);
    let of_count_s = count as f64 / rate_hz;
    // 0 is what recorders write that do not count; a count from elsewhere, such
    // as a time code, is no time of day.
    let is_of_day = count > 0
        && of_count_s < DAY_S
        && stated.is_none_or(|time| {
            let apart_s = (seconds(time) - of_count_s).abs();
            apart_s.min(DAY_S - apart_s) <= SAME_S
        });
    let counted = is_of_day.then(|| time_at(of_count_s)).flatten();
    Some(Begun {
        date,
        time: counted.or(stated),
        sample_of_day: counted.map(|_| count),
    })
}

fn seconds(time: Time) -> f64 {
    f64::from(time.hour()) * 3600.0 + f64::from(time.minute()) * 60.0 + f64::from(time.second())
}

fn time_at(of_day_s: f64) -> Option<Time> {
    let since = jiff::SignedDuration::try_from_secs_f64(of_day_s).ok()?;
    Time::midnight().checked_add(since).ok()
}

/// `ICRD` of a list of texts.
fn of_list(bytes: &[u8]) -> Option<Begun> {
    let mut rest = bytes.strip_prefix(b"INFO")?;
    while let Some((head, body)) = rest.split_at_checked(8) {
        let (name, size) = head.split_at_checked(4)?;
        let size = u32::from_le_bytes(size.try_into().ok()?) as usize;
        if name == b"ICRD" {
            let text = body.get(..size.min(body.len()))?;
            return Some(Begun {
                date: date(text.get(..10)?)?,
                time: text.get(11..19).and_then(time),
                sample_of_day: None,
            });
        }
        rest = body.get(size + size % 2..)?;
    }
    None
}

/// `yyyy-mm-dd` with any sign between the numbers.
fn date(text: &[u8]) -> Option<Date> {
    let [y, m, d] = numbers(text, [(0, 4), (5, 2), (8, 2)])?;
    let (month, day) = (i8::try_from(m).ok()?, i8::try_from(d).ok()?);
    // A clock that was never set is no date.
    Date::new(y, month, day).ok().filter(|_| y > 0)
}

/// `hh-mm-ss` with any sign between the numbers.
fn time(text: &[u8]) -> Option<Time> {
    let [h, m, s] = numbers(text, [(0, 2), (3, 2), (6, 2)])?;
    let part = |number: i16| i8::try_from(number).ok();
    Time::new(part(h)?, part(m)?, part(s)?, 0).ok()
}

fn numbers(text: &[u8], places: [(usize, usize); 3]) -> Option<[i16; 3]> {
    let mut found = [0; 3];
    for (number, (at, digits)) in found.iter_mut().zip(places) {
        let written = text.get(at..at + digits)?;
        if !written.iter().all(u8::is_ascii_digit) {
            return None;
        }
        *number = std::str::from_utf8(written).ok()?.parse().ok()?;
    }
    Some(found)
}
