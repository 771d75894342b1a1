//! Bytes of either protocol → blocks. Pure: the time is handed in.

use std::time::Duration;

use ndarray::Array2;

use super::LinkStatistics;
use super::assembly::{Assembly, OtherFormat};
use super::jump::Jump;
use crate::ingest::Block;
use crate::ingest::clock::RateMonitor;
use crate::ingest::frames::{Frame, FrameDecoder};
use crate::ingest::gaps::{any_value, runs_with_values, values_missing};
use crate::ingest::lines::{LineDecoder, TextLine};
use crate::ingest::wav::SampleEncoding;
use crate::ingest::wav::decode::{Decoder, Justification};
use crate::setup::SampleFormat;

/// Samples are collected to blocks of about this length: a device may send
/// frames of a single sample.
const BLOCK_SECONDS: f64 = 0.05;

/// So many lines with the same number of columns settle that number.
const SETTLING_LINES: u32 = 3;

/// What the samples of a link are.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinkFormat {
    /// Nominal sampling rate, Hz.
    pub rate_hz: f64,
    /// Number of channels.
    pub channels: usize,
    /// How a sample is stored without rounding.
    pub sample_format: SampleFormat,
}

/// Decodes one link.
#[derive(Debug)]
pub struct LinkDecoder {
    protocol: ProtocolState,
    collector: Option<Collector>,
    rate: Option<RateMonitor>,
    statistics: LinkStatistics,
}

#[derive(Debug)]
enum ProtocolState {
    Frames {
        decoder: FrameDecoder,
        assembly: Assembly,
    },
    Lines {
        decoder: LineDecoder,
        rate_hz: f64,
        lines: LineOrder,
    },
}

impl LinkDecoder {
    /// Binary frames; the first sample gets `first_index`.
    pub fn frames(first_index: u64) -> Self {
        Self::new(ProtocolState::Frames {
            decoder: FrameDecoder::default(),
            assembly: Assembly::new(first_index),
        })
    }

    /// Text lines at this nominal rate.
    pub fn lines(first_index: u64, rate_hz: f64) -> Self {
        Self::new(ProtocolState::Lines {
            decoder: LineDecoder::default(),
            rate_hz,
            lines: LineOrder {
                next_index: first_index,
                ..LineOrder::default()
            },
        })
    }

    fn new(protocol: ProtocolState) -> Self {
        Self {
            protocol,
            collector: None,
            rate: None,
            statistics: LinkStatistics::default(),
        }
    }

    /// The format, once the first samples have told it.
    pub fn format(&self) -> Option<LinkFormat> {
        self.collector.as_ref().map(|collector| collector.format)
    }

    /// The counts so far.
    pub fn statistics(&mut self) -> &mut LinkStatistics {
        &mut self.statistics
    }

    /// Takes the bytes that came at `now`; appends whole blocks to `blocks`.
    pub fn push(
        &mut self,
        bytes: &[u8],
        now: Duration,
        blocks: &mut Vec<Block>,
    ) -> Result<(), OtherFormat> {
        let Self {
            protocol,
            collector,
            rate,
            statistics,
        } = self;
        statistics.bytes += bytes.len() as u64;
        if collector.is_none() {
            statistics.bytes_before_start += bytes.len() as u64;
        }
        let restarts = statistics.restarts;
        let counter = match protocol {
            ProtocolState::Frames { decoder, assembly } => {
                push_frames(decoder, assembly, bytes, now, collector, statistics, blocks)?;
                statistics.corrupt = decoder.counts().corrupt;
                statistics.malformed = decoder.counts().malformed;
                statistics.refused_rate_hz = decoder.refused_rate_hz();
                statistics.device_clock_rate_hz = assembly.device_clock_rate_hz();
                assembly.counter()
            }
            ProtocolState::Lines {
                decoder,
                rate_hz,
                lines,
            } => {
                let rate_hz = *rate_hz;
                decoder.push(bytes, |line| {
                    lines.take(line, rate_hz, now, collector, statistics, blocks);
                });
                statistics.corrupt = decoder.damaged();
                Some(lines.next_index)
            }
        };
        if let (Some(counter), Some(collector)) = (counter, collector) {
            let monitor = rate.get_or_insert_with(|| RateMonitor::new(collector.format.rate_hz));
            if statistics.restarts > restarts {
                monitor.reset();
            }
            monitor.observe(counter, now);
        }
        Ok(())
    }

    /// Hands out everything that is held back or not a full block yet.
    pub fn flush(&mut self, now: Duration, blocks: &mut Vec<Block>) {
        let Some(collector) = &mut self.collector else {
            return;
        };
        if let ProtocolState::Frames { assembly, .. } = &mut self.protocol {
            assembly.flush(now, &mut self.statistics, &mut |index, samples| {
                collector.add(index, samples, blocks);
            });
        }
        collector.flush(blocks);
        self.statistics.values_missing = collector.values_missing;
    }

    /// The line was cut: what is half will not be completed.
    pub fn cut(&mut self, now: Duration, blocks: &mut Vec<Block>) {
        match &mut self.protocol {
            ProtocolState::Frames { decoder, .. } => decoder.reset(),
            ProtocolState::Lines { decoder, .. } => decoder.reset(),
        }
        self.flush(now, blocks);
    }

    /// Brings the rate in the statistics up to date.
    pub fn estimate_rate(&mut self) {
        self.statistics.rate = self.rate.as_ref().and_then(RateMonitor::estimate);
    }
}

fn push_frames(
    decoder: &mut FrameDecoder,
    assembly: &mut Assembly,
    bytes: &[u8],
    now: Duration,
    collector: &mut Option<Collector>,
    statistics: &mut LinkStatistics,
    blocks: &mut Vec<Block>,
) -> Result<(), OtherFormat> {
    let mut result = Ok(());
    decoder.push(bytes, |frame| match frame {
        Frame::Announcement(announcement) => statistics.announcement = Some(announcement),
        Frame::Samples(frame) if result.is_ok() => {
            let collector = collector.get_or_insert_with(|| {
                Collector::new(LinkFormat {
                    rate_hz: frame.header.rate_hz,
                    channels: usize::from(frame.header.channels),
                    sample_format: frame.header.sample_format,
                })
            });
            result = assembly.push(&frame, now, statistics, &mut |index, samples| {
                collector.add(index, samples, blocks);
            });
            statistics.values_missing = collector.values_missing;
        }
        Frame::Samples(_) => {}
    });
    result
}

/// Counts lines.
#[derive(Debug, Default)]
struct LineOrder {
    next_index: u64,
    last_counter: Option<u32>,
    /// A counter further ahead than time allows, in the line before.
    suspect: Option<u32>,
    /// Lines since the start, the missing ones included.
    counted: u64,
    began_at: Option<Duration>,
    last_taken_at: Duration,
    /// Columns of the last line and how many lines in a row had as many.
    settling: (usize, u32),
    row: Vec<u8>,
}

impl LineOrder {
    fn take(
        &mut self,
        line: Option<TextLine<'_>>,
        rate_hz: f64,
        now: Duration,
        collector: &mut Option<Collector>,
        statistics: &mut LinkStatistics,
        blocks: &mut Vec<Block>,
    ) {
        let columns = line.map_or(0, |line| line.values.len());
        let Some(settled) = collector else {
            let (last, count) = self.settling;
            self.settling = (columns, if columns == last { count + 1 } else { 1 });
            if columns > 0 && self.settling.1 >= SETTLING_LINES {
                *collector = Some(Collector::new(LinkFormat {
                    rate_hz,
                    channels: columns,
                    sample_format: SampleFormat::F64,
                }));
            }
            return;
        };
        let line = match line {
            Some(line) if columns == settled.format.channels => line,
            other => {
                if other.is_some() {
                    statistics.inconsistent += 1;
                }
                // With a counter the next good line shows how many are missing.
                if self.last_counter.is_none() {
                    self.next_index += 1;
                    statistics.lost_samples += 1;
                }
                return;
            }
        };
        if !self.count(line.counter, rate_hz, now, statistics) {
            return;
        }
        self.last_taken_at = now;
        self.row.clear();
        for value in line.values {
            self.row.extend(value.to_le_bytes());
        }
        statistics.frames += 1;
        statistics.samples += 1;
        settled.add(self.next_index, &self.row, blocks);
        self.next_index += 1;
        self.counted += 1;
    }

    /// Moves on over what the counter shows to be missing; whether the line
    /// is to be taken.
    fn count(
        &mut self,
        counter: Option<u32>,
        rate_hz: f64,
        now: Duration,
        statistics: &mut LinkStatistics,
    ) -> bool {
        let Some(counter) = counter else {
            return true;
        };
        let step = self
            .last_counter
            .map_or(1, |last| counter.wrapping_sub(last));
        if step == 0 {
            statistics.duplicates += 1;
            return false;
        }
        let is_back = step > u32::MAX / 2;
        let missing = u64::from(step.saturating_sub(1));
        let jump = Jump {
            missing,
            counted: self.counted + missing,
            rate_hz,
            since_last: now.saturating_sub(self.last_taken_at),
            since_start: now.saturating_sub(*self.began_at.get_or_insert(now)),
        };
        // A digit that was altered; lines in a row that agree are none.
        let suspect = self.suspect.replace(counter);
        let is_confirmed = suspect.is_some_and(|suspect| counter.wrapping_sub(suspect) == 1);
        if !is_back && !jump.is_plausible() && !is_confirmed {
            statistics.inconsistent += 1;
            return false;
        }
        self.last_counter = Some(counter);
        self.suspect = None;
        if is_back || !jump.is_plausible() {
            // The device counts again. At least one line is missing; how many,
            // nobody has counted.
            statistics.restarts += 1;
            statistics.estimated_lost_samples += 1;
            self.next_index += 1;
        } else {
            self.next_index += missing;
            self.counted += missing;
            statistics.lost_samples += missing;
        }
        true
    }
}

/// Interleaved bytes in order → blocks.
#[derive(Debug)]
struct Collector {
    format: LinkFormat,
    decoder: Decoder,
    block_frames: usize,
    first_index: u64,
    bytes: Vec<u8>,
    values_missing: u64,
}

impl Collector {
    fn new(format: LinkFormat) -> Self {
        let integer = |bits: u8| SampleEncoding::Integer {
            container_bytes: bits / 8,
            valid_bits: bits,
        };
        let encoding = match format.sample_format {
            SampleFormat::I16 => integer(16),
            SampleFormat::I24 => integer(24),
            SampleFormat::I32 => integer(32),
            SampleFormat::F32 => SampleEncoding::Float32,
            SampleFormat::F64 => SampleEncoding::Float64,
        };
        Self {
            format,
            decoder: Decoder {
                encoding,
                frame_bytes: format.channels * format.sample_format.sample_bytes(),
                justification: Justification::Left,
            },
            block_frames: ((format.rate_hz * BLOCK_SECONDS) as usize).max(1),
            first_index: 0,
            bytes: Vec::new(),
            values_missing: 0,
        }
    }

    fn frames(&self) -> usize {
        self.bytes.len() / self.decoder.frame_bytes
    }

    fn add(&mut self, index: u64, samples: &[u8], blocks: &mut Vec<Block>) {
        if self.first_index + self.frames() as u64 != index {
            self.flush(blocks);
            self.first_index = index;
        }
        self.bytes.extend_from_slice(samples);
        if self.frames() >= self.block_frames {
            self.flush(blocks);
        }
    }

    fn flush(&mut self, blocks: &mut Vec<Block>) {
        let frames = self.frames();
        if frames == 0 {
            return;
        }
        let mut samples = Array2::zeros((self.format.channels, frames));
        self.decoder.decode(&self.bytes, &mut samples);
        let block = Block {
            first_sample: self.first_index,
            samples,
        };
        self.first_index += frames as u64;
        self.bytes.clear();
        if self.format.sample_format.is_float() {
            self.values_missing += values_missing(&block);
            blocks.extend(runs_with_values(block, any_value));
        } else {
            blocks.push(block);
        }
    }
}
