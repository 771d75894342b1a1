//! Frames as they come → samples in order, each with its index.
//!
//! In: frames with a right check sum, and the host time they came at. Out:
//! runs of samples with their index; a hole in the indices is a loss. Pure.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::LinkStatistics;
use crate::ingest::frames::{SampleFrame, SampleHeader};

/// How many frames may overtake a missing one before it is given up.
const HOLD_FRAMES: usize = 4;

/// How many frames back a repeated one is told from a late one.
const RECENT_FRAMES: usize = 64;

/// After so many frames in a row that lie behind, the device does count anew
/// and has kept its old stream id, which it should not.
const BEHIND_FRAMES: usize = 16;

/// The device restarted and now sends something else.
#[derive(Debug, Clone, PartialEq)]
pub struct OtherFormat {
    /// What it sent before.
    pub before: SampleHeader,
    /// What it sends now.
    pub now: SampleHeader,
}

/// One unbroken count of the device.
#[derive(Debug, Clone)]
struct Stream {
    /// The header of its first frame.
    first: SampleHeader,
    /// Index that the first frame's first sample was given.
    origin_index: u64,
    /// Sample counter and sequence number that come next.
    expected: u64,
    expected_sequence: u32,
    /// The header last taken.
    last: SampleHeader,
}

#[derive(Debug, Clone)]
struct Held {
    header: SampleHeader,
    samples: Vec<u8>,
}

/// Puts frames in order and finds what is missing.
#[derive(Debug, Clone)]
pub struct Assembly {
    next_index: u64,
    stream: Option<Stream>,
    previous_id: Option<u32>,
    held: BTreeMap<u64, Held>,
    recent: VecDeque<u64>,
    last_taken_at: Duration,
    /// Frames in a row that lay before what was handed out.
    behind: usize,
}

impl Assembly {
    /// The first sample gets the index `first_index`.
    pub fn new(first_index: u64) -> Self {
        Self {
            next_index: first_index,
            stream: None,
            previous_id: None,
            held: BTreeMap::new(),
            recent: VecDeque::new(),
            last_taken_at: Duration::ZERO,
            behind: 0,
        }
    }

    /// The header of the first frame of the current stream.
    pub fn header(&self) -> Option<&SampleHeader> {
        self.stream.as_ref().map(|stream| &stream.first)
    }

    /// The device's sample counter after the last sample taken.
    pub fn counter(&self) -> Option<u64> {
        self.stream.as_ref().map(|stream| stream.expected)
    }

    /// The sampling rate by the device's own clock, Hz.
    pub fn device_clock_rate_hz(&self) -> Option<f64> {
        let stream = self.stream.as_ref()?;
        let samples = stream
            .last
            .first_sample
            .checked_sub(stream.first.first_sample)?;
        let microseconds = stream
            .last
            .device_time_us
            .checked_sub(stream.first.device_time_us)?;
        // Below a second the resolution of the device time shows.
        (microseconds > 1_000_000).then(|| samples as f64 * 1e6 / microseconds as f64)
    }

    /// Takes a frame that came at `now`; hands samples that are in order,
    /// with the index of the first, to `take`.
    pub fn push(
        &mut self,
        frame: &SampleFrame<'_>,
        now: Duration,
        statistics: &mut LinkStatistics,
        take: &mut impl FnMut(u64, &[u8]),
    ) -> Result<(), OtherFormat> {
        let header = frame.header;
        let Some(stream) = &self.stream else {
            self.begin(header, self.next_index);
            self.sort_in(frame, now, statistics, take);
            return Ok(());
        };
        let before = stream.first;
        let is_same_stream = before.stream_id == header.stream_id;
        if is_same_stream && !is_same_format(&before, &header) {
            statistics.inconsistent += 1;
            return Ok(());
        }
        let is_behind = if is_same_stream {
            header.first_sample < stream.expected
        } else {
            self.previous_id == Some(header.stream_id)
        };
        if is_behind {
            self.count_behind(frame, is_same_stream, statistics);
        }
        let is_new_count = !is_same_stream && !is_behind;
        if is_new_count || self.behind >= BEHIND_FRAMES {
            self.flush(now, statistics, take);
            self.restart(before, frame, now, statistics)?;
        } else if is_behind {
            return Ok(());
        }
        self.sort_in(frame, now, statistics, take);
        Ok(())
    }

    /// Gives up waiting for missing frames: hands out all that is held.
    pub fn flush(
        &mut self,
        now: Duration,
        statistics: &mut LinkStatistics,
        take: &mut impl FnMut(u64, &[u8]),
    ) {
        while let Some((_, held)) = self.held.pop_first() {
            self.deliver(&held.header, &held.samples, now, statistics, take);
        }
    }

    /// Counts a frame that lies before what was already handed out.
    fn count_behind(
        &mut self,
        frame: &SampleFrame<'_>,
        is_same_stream: bool,
        statistics: &mut LinkStatistics,
    ) {
        self.behind += 1;
        let first_sample = frame.header.first_sample;
        if is_same_stream && self.recent.contains(&first_sample) {
            statistics.duplicates += 1;
        } else if is_same_stream && Some(first_sample + frame.frames()) > self.counter() {
            statistics.inconsistent += 1;
        } else {
            statistics.late += 1;
        }
    }

    fn begin(&mut self, header: SampleHeader, origin_index: u64) {
        self.stream = Some(Stream {
            first: header,
            origin_index,
            expected: header.first_sample,
            expected_sequence: header.sequence,
            last: header,
        });
        self.recent.clear();
    }

    /// The device counts anew. How many samples are missing nobody has
    /// counted: the host's clock gives an estimate, never less than one.
    fn restart(
        &mut self,
        before: SampleHeader,
        frame: &SampleFrame<'_>,
        now: Duration,
        statistics: &mut LinkStatistics,
    ) -> Result<(), OtherFormat> {
        if !is_same_format(&before, &frame.header) {
            return Err(OtherFormat {
                before,
                now: frame.header,
            });
        }
        let silent_s = now.saturating_sub(self.last_taken_at).as_secs_f64();
        let due = (silent_s * before.rate_hz).round() as u64;
        let missing = due.saturating_sub(frame.frames()).max(1);
        statistics.restarts += 1;
        statistics.estimated_lost_samples += missing;
        self.previous_id = (before.stream_id != frame.header.stream_id).then_some(before.stream_id);
        self.behind = 0;
        self.begin(frame.header, self.next_index.saturating_add(missing));
        Ok(())
    }

    fn sort_in(
        &mut self,
        frame: &SampleFrame<'_>,
        now: Duration,
        statistics: &mut LinkStatistics,
        take: &mut impl FnMut(u64, &[u8]),
    ) {
        let Some(expected) = self.counter() else {
            return;
        };
        let first_sample = frame.header.first_sample;
        if first_sample == expected {
            self.deliver(&frame.header, frame.samples, now, statistics, take);
            if !self.held.is_empty() {
                // It came after frames that it precedes.
                statistics.reordered += 1;
            }
        } else {
            let held = Held {
                header: frame.header,
                samples: frame.samples.to_vec(),
            };
            if self.held.insert(first_sample, held).is_some() {
                statistics.duplicates += 1;
            }
            if self.held.len() > HOLD_FRAMES
                && let Some((_, held)) = self.held.pop_first()
            {
                self.deliver(&held.header, &held.samples, now, statistics, take);
            }
        }
        while let Some((first_sample, _)) = self.held.first_key_value()
            && Some(*first_sample) <= self.counter()
            && let Some((_, held)) = self.held.pop_first()
        {
            self.deliver(&held.header, &held.samples, now, statistics, take);
        }
    }

    fn deliver(
        &mut self,
        header: &SampleHeader,
        samples: &[u8],
        now: Duration,
        statistics: &mut LinkStatistics,
        take: &mut impl FnMut(u64, &[u8]),
    ) {
        let Some(stream) = &mut self.stream else {
            return;
        };
        let frame = SampleFrame {
            header: *header,
            samples,
        };
        let index = header
            .first_sample
            .checked_sub(stream.first.first_sample)
            .and_then(|offset| stream.origin_index.checked_add(offset));
        let end = index.and_then(|index| index.checked_add(frame.frames()));
        let (Some(index), Some(end), true) = (index, end, header.first_sample >= stream.expected)
        else {
            statistics.inconsistent += 1;
            return;
        };
        let missing = header.first_sample - stream.expected;
        let missing_frames = header.sequence.wrapping_sub(stream.expected_sequence);
        statistics.lost_samples += missing;
        if missing > 0 && missing_frames == 0 {
            statistics.lost_in_device += missing;
        }
        // A sequence number that went back is no loss.
        if missing > 0 && missing_frames <= u32::MAX / 2 {
            statistics.lost_frames += u64::from(missing_frames);
        }
        statistics.frames += 1;
        statistics.samples += frame.frames();
        stream.expected = header.first_sample + frame.frames();
        stream.expected_sequence = header.sequence.wrapping_add(1);
        stream.last = *header;
        self.next_index = end;
        self.last_taken_at = now;
        self.behind = 0;
        self.recent.push_back(header.first_sample);
        if self.recent.len() > RECENT_FRAMES {
            self.recent.pop_front();
        }
        take(index, samples);
    }
}

fn is_same_format(a: &SampleHeader, b: &SampleHeader) -> bool {
    a.sample_format == b.sample_format
        && a.channels == b.channels
        && a.rate_hz.to_bits() == b.rate_hz.to_bits()
}
