//! Frames as they come → samples in order, each with its index.
//!
//! In: frames with a right check sum, and the host time they came at. Out:
//! runs of samples with their index; a jump of the index is a loss. Pure.
//!
//! A counter that does not fit what was taken before is one of four things,
//! told apart by [`Continuity`]: a frame that came twice, one that came late, a
//! device that began to count again, or a frame that says what cannot be.

use std::collections::{BTreeMap, VecDeque};
use std::time::Duration;

use super::LinkStatistics;
use super::jump::Jump;
use crate::ingest::MAX_SAMPLE_INDEX;
use crate::ingest::frames::{SampleFrame, SampleHeader};

/// How many frames may overtake a missing one before it is given up.
const HOLD_FRAMES: usize = 4;

/// How many frames back a repeated one is told from a late one.
const RECENT_FRAMES: usize = 64;

/// After so many frames in a row that do not fit the count, the device has
/// begun to count again and has kept its old stream id, which it should not.
const MISFIT_FRAMES: usize = 16;

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
struct DeviceStream {
    /// The header of its first frame.
    first: SampleHeader,
    /// When it came, by the host's clock.
    began_at: Duration,
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
    check_sum: u32,
    samples: Vec<u8>,
}

impl Held {
    fn frame(&self) -> SampleFrame<'_> {
        SampleFrame {
            header: self.header,
            check_sum: self.check_sum,
            samples: &self.samples,
        }
    }
}

/// A frame that was taken.
#[derive(Debug, Clone, Copy)]
struct RecentFrame {
    first_sample: u64,
    end: u64,
    check_sum: u32,
}

/// How a frame stands to those taken before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Continuity {
    /// It is the next one, or follows after a loss.
    Fits,
    /// Its counter lies further ahead than time allows.
    TooFarAhead,
    /// It was taken before, byte for byte.
    Duplicate,
    /// It lies before what was taken last, and was not taken.
    Late,
    /// It is of the stream before the last restart.
    PreviousStream,
    /// It says otherwise about samples that were taken: the device counts again.
    Contradicts,
    /// It has a new stream id.
    NewStream,
}

/// Puts frames in order and finds what is missing.
#[derive(Debug, Clone)]
pub struct Assembly {
    next_index: u64,
    stream: Option<DeviceStream>,
    previous_id: Option<u32>,
    held: BTreeMap<u64, Held>,
    recent: VecDeque<RecentFrame>,
    last_taken_at: Duration,
    /// Frames in a row that did not fit.
    misfits: usize,
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
            misfits: 0,
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
            self.begin(header, self.next_index, now);
            self.sort_in(frame, now, statistics, take);
            return Ok(());
        };
        let before = stream.first;
        if before.stream_id == header.stream_id && !is_same_format(&before, &header) {
            statistics.inconsistent += 1;
            return Ok(());
        }
        let counts_again = match self.continuity(stream, frame, now) {
            Continuity::Fits => false,
            Continuity::NewStream => true,
            Continuity::Contradicts => {
                statistics.inconsistent += 1;
                true
            }
            misfit => {
                match misfit {
                    Continuity::Duplicate => statistics.duplicates += 1,
                    Continuity::TooFarAhead => statistics.inconsistent += 1,
                    _ => statistics.late += 1,
                }
                self.misfits += 1;
                if self.misfits < MISFIT_FRAMES {
                    return Ok(());
                }
                true
            }
        };
        if counts_again {
            self.flush(now, statistics, take);
            self.restart(before, frame, now, statistics)?;
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
            self.deliver(&held.frame(), now, statistics, take);
        }
    }

    fn continuity(
        &self,
        stream: &DeviceStream,
        frame: &SampleFrame<'_>,
        now: Duration,
    ) -> Continuity {
        let header = &frame.header;
        if header.stream_id != stream.first.stream_id {
            return if self.previous_id == Some(header.stream_id) {
                Continuity::PreviousStream
            } else {
                Continuity::NewStream
            };
        }
        if let Some(missing) = header.first_sample.checked_sub(stream.expected) {
            let jump = Jump {
                missing,
                counted: header
                    .first_sample
                    .saturating_sub(stream.first.first_sample),
                rate_hz: header.rate_hz,
                since_last: now.saturating_sub(self.last_taken_at),
                since_start: now.saturating_sub(stream.began_at),
            };
            return if jump.is_plausible() {
                Continuity::Fits
            } else {
                Continuity::TooFarAhead
            };
        }
        let end = header.first_sample + frame.frames();
        let touched =
            |taken: &&RecentFrame| header.first_sample < taken.end && taken.first_sample < end;
        match self.recent.iter().find(touched) {
            None => Continuity::Late,
            Some(taken) if taken.check_sum != frame.check_sum => Continuity::Contradicts,
            // The count begins with sample 0, and only there: a device whose
            // signal does not change sends its first frame again.
            Some(taken) if taken.first_sample == 0 && taken.end < stream.expected => {
                Continuity::Contradicts
            }
            Some(_) => Continuity::Duplicate,
        }
    }

    fn begin(&mut self, header: SampleHeader, origin_index: u64, now: Duration) {
        self.stream = Some(DeviceStream {
            first: header,
            began_at: now,
            origin_index,
            expected: header.first_sample,
            expected_sequence: header.sequence,
            last: header,
        });
        self.recent.clear();
    }

    /// The device counts again. How many samples are missing nobody has
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
        self.misfits = 0;
        self.begin(frame.header, self.next_index.saturating_add(missing), now);
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
            self.deliver(frame, now, statistics, take);
            if !self.held.is_empty() {
                // It came after frames that it precedes.
                statistics.reordered += 1;
            }
        } else {
            let held = Held {
                header: frame.header,
                check_sum: frame.check_sum,
                samples: frame.samples.to_vec(),
            };
            if self.held.insert(first_sample, held).is_some() {
                statistics.duplicates += 1;
            }
            if self.held.len() > HOLD_FRAMES
                && let Some((_, held)) = self.held.pop_first()
            {
                self.deliver(&held.frame(), now, statistics, take);
            }
        }
        while let Some((first_sample, _)) = self.held.first_key_value()
            && Some(*first_sample) <= self.counter()
            && let Some((_, held)) = self.held.pop_first()
        {
            self.deliver(&held.frame(), now, statistics, take);
        }
    }

    fn deliver(
        &mut self,
        frame: &SampleFrame<'_>,
        now: Duration,
        statistics: &mut LinkStatistics,
        take: &mut impl FnMut(u64, &[u8]),
    ) {
        let Some(stream) = &mut self.stream else {
            return;
        };
        let header = &frame.header;
        let index = header
            .first_sample
            .checked_sub(stream.first.first_sample)
            .and_then(|offset| stream.origin_index.checked_add(offset));
        let end = index
            .and_then(|index| index.checked_add(frame.frames()))
            .filter(|end| *end <= MAX_SAMPLE_INDEX);
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
        self.misfits = 0;
        self.recent.push_back(RecentFrame {
            first_sample: header.first_sample,
            end: stream.expected,
            check_sum: frame.check_sum,
        });
        if self.recent.len() > RECENT_FRAMES {
            self.recent.pop_front();
        }
        take(index, frame.samples);
    }
}

fn is_same_format(a: &SampleHeader, b: &SampleHeader) -> bool {
    a.sample_format == b.sample_format
        && a.channels == b.channels
        && a.rate_hz.to_bits() == b.rate_hz.to_bits()
}
