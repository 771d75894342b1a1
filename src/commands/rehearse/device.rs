//! The virtual bench as a device on a serial line, in real time.
//!
//! In: blocks of a performance. Out: frames of the device protocol on a port,
//! each when its last sample is due. Touches the port and the host's monotonic
//! clock.

use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::anyhow;
use indicatif::ProgressBar;
use ndarray::{Array2, s};

use super::pace::{LAG_WORTH_SAYING, Pace};
use super::port::{Port, is_pseudo_terminal};
use crate::commands::{Failure, terminal};
use crate::ingest::frames::{
    AnnouncedChannel, Announcement, CRC_BYTES, FrameWriter, MAX_FRAME_BYTES, SAMPLES_HEADER_BYTES,
    encode_announcement,
};
use crate::rehearsal::SampleRows;
use crate::setup::SampleFormat;
use crate::setup::{Protocol, Setup, SourceKind};

/// Sample frames a second: within what the protocol calls right.
const FRAMES_PER_SECOND: f64 = 50.0;
/// Bits on the line for a byte: a start bit, eight, a stop bit.
const BITS_PER_BYTE: f64 = 10.0;
/// No line holds more than this unread: as long as less was sent, no reader is
/// known to be there.
const LINE_HOLDS_BYTES: u64 = 64 << 10;
/// How often a write that finds no room looks whether to give up.
const ROOM: Duration = Duration::from_millis(100);
/// Asked to stop, how long the line may take to accept the rest of a frame.
const LAST_FRAME: Duration = Duration::from_secs(1);

/// What the stream of one source is.
#[derive(Debug, Clone, Copy)]
pub struct PlayedStream<'a> {
    /// The setup.
    pub setup: &'a Setup,
    /// The source to play: an index into its sources.
    pub source: usize,
    /// Nominal rate, Hz.
    pub rate_hz: f64,
    /// Columns.
    pub channels: usize,
    /// How a sample is sent.
    pub format: SampleFormat,
    /// How much faster than nominal the device samples.
    pub clock_ppm: f64,
}

impl PlayedStream<'_> {
    /// Instants in one frame of samples.
    fn instants(&self) -> usize {
        let room = (MAX_FRAME_BYTES - SAMPLES_HEADER_BYTES - CRC_BYTES) / self.frame_bytes().max(1);
        ((self.rate_hz / FRAMES_PER_SECOND) as usize).clamp(1, room.max(1))
    }

    fn frame_bytes(&self) -> usize {
        self.channels * self.format.sample_bytes()
    }

    /// Samples a second by a true clock.
    fn true_rate_hz(&self) -> f64 {
        self.rate_hz * (1.0 + 1e-6 * self.clock_ppm)
    }

    /// Baud that the line needs at least.
    pub fn least_baud(&self) -> u32 {
        let body = SAMPLES_HEADER_BYTES + self.instants() * self.frame_bytes() + CRC_BYTES;
        let frame = cobs::max_encoding_length(body) + 1;
        let mut announcement = Vec::new();
        encode_announcement(&self.announcement(0), &mut announcement);
        let frames_per_second = self.true_rate_hz() / self.instants() as f64;
        let bytes = frame as f64 * frames_per_second + announcement.len() as f64;
        (BITS_PER_BYTE * bytes).ceil() as u32
    }

    fn announcement(&self, stream_id: u32) -> Announcement {
        let channels = (0..self.channels)
            .map(|index| {
                let mut own = self.setup.channels.iter();
                let channel = own.find(|c| c.source == self.source && c.index == index);
                channel.map_or_else(
                    || AnnouncedChannel {
                        name: format!("unused {index}"),
                        unit: String::new(),
                        full_scale: 1.0,
                    },
                    |channel| AnnouncedChannel {
                        name: channel.name.clone(),
                        unit: channel.unit.to_string(),
                        full_scale: channel.full_scale,
                    },
                )
            })
            .collect();
        Announcement {
            sample_format: self.format,
            stream_id,
            rate_hz: self.rate_hz,
            device: "virtual span".into(),
            channels,
        }
    }
}

/// A device that plays what it is given.
#[derive(Debug)]
pub struct PlayedDevice {
    name: String,
    port: Port,
    writer: FrameWriter,
    announcement: Announcement,
    /// Sample counter at which to announce again.
    announce_at: u64,
    /// Channels × instants of the frame in the making.
    samples: Array2<f64>,
    filled: usize,
    line: Vec<u8>,
    pace: Pace,
    sent_bytes: u64,
}

impl PlayedDevice {
    /// Opens the port; a line too slow for the stream is refused.
    pub fn open(name: &str, stream: &PlayedStream) -> Result<Self, Failure> {
        let source = stream.setup.sources.get(stream.source);
        let source = source.ok_or_else(|| anyhow!("the setup has no such source"))?;
        let SourceKind::Serial { baud, protocol, .. } = &source.kind else {
            return Err(anyhow!(
                "source \"{}\" is of kind \"wav\": --to plays a device, kind = \"serial\" with its \
                 port and baud is right",
                source.name
            )
            .into());
        };
        if *protocol != Protocol::Frames {
            return Err(anyhow!(
                "source \"{}\" sends text lines: --to sends frames, protocol = \"frames\" is right",
                source.name
            )
            .into());
        }
        let least = stream.least_baud();
        if *baud < least && !is_pseudo_terminal(name) {
            return Err(anyhow!(
                "{name}: {baud} baud are too slow for {} channels of {} at {} Hz: at least {least} \
                 baud are right (`baud` of source \"{}\"), or a lower --rate, or a shorter --format",
                stream.channels,
                stream.format,
                stream.rate_hz,
                source.name
            )
            .into());
        }
        let port = Port::open(name, *baud).map_err(Failure::Device)?;
        let stream_id = rand::random();
        Ok(Self {
            name: name.to_owned(),
            port,
            writer: FrameWriter::new(
                stream.format,
                stream.channels as u16,
                stream.rate_hz,
                stream_id,
            ),
            announcement: stream.announcement(stream_id),
            announce_at: 0,
            samples: Array2::zeros((stream.channels, stream.instants())),
            filled: 0,
            // Ends what an earlier frame may have left on the line.
            line: vec![0],
            pace: Pace::new(stream.true_rate_hz()),
            sent_bytes: 0,
        })
    }

    /// Plays a block: returns when its last whole frame is on the line.
    pub fn play(
        &mut self,
        block: &SampleRows<'_>,
        stop: &AtomicBool,
        bar: &ProgressBar,
    ) -> anyhow::Result<()> {
        let mut from = 0;
        while from < block.frames {
            let count = (self.samples.ncols() - self.filled).min(block.frames - from);
            let places = s![.., self.filled..self.filled + count];
            let mut rows = self.samples.slice_mut(places);
            for (mut place, row) in rows.outer_iter_mut().zip(block.rows()) {
                for (slot, value) in place.iter_mut().zip(row.iter().skip(from)) {
                    *slot = *value;
                }
            }
            self.filled += count;
            from += count;
            if self.filled == self.samples.ncols() {
                self.send(stop, bar)?;
            }
        }
        Ok(())
    }

    /// Sends what is left of the last frame.
    pub fn finish(mut self, stop: &AtomicBool, bar: &ProgressBar) -> anyhow::Result<Played> {
        if self.filled > 0 {
            self.send(stop, bar)?;
        }
        if !self.pace.is_stuck() {
            self.port.drain().map_err(|error| self.lost(&error))?;
        }
        Ok(Played {
            frames: self.writer.header().first_sample,
            longest_lag: self.pace.longest_lag(),
        })
    }

    fn send(&mut self, stop: &AtomicBool, bar: &ProgressBar) -> anyhow::Result<()> {
        let counter = self.writer.header().first_sample;
        if counter >= self.announce_at {
            encode_announcement(&self.announcement, &mut self.line);
            self.announce_at = counter + self.announcement.rate_hz.ceil() as u64;
        }
        let samples = self.samples.slice(s![.., ..self.filled]);
        self.writer
            .write(samples, &mut self.line)
            .map_err(|at| anyhow!("column {} is not what its converter gives", at.channel))?;
        self.filled = 0;
        let due = self
            .pace
            .due(self.writer.header().first_sample, Instant::now());
        thread::sleep(due.saturating_duration_since(Instant::now()));
        let blocked = self.put_on_line(stop, bar)?;
        self.line.clear();
        let early = self.sent_bytes <= LINE_HOLDS_BYTES;
        if let Some(text) = self.pace.sent(Instant::now(), blocked, early) {
            bar.suspend(|| terminal::say(format!("{}: {text}", self.name)));
        }
        Ok(())
    }

    /// How long the line had no room.
    fn put_on_line(&mut self, stop: &AtomicBool, bar: &ProgressBar) -> anyhow::Result<Duration> {
        let began = Instant::now();
        let mut blocked = Duration::ZERO;
        let mut at = 0;
        while let Some(rest) = self.line.get(at..).filter(|rest| !rest.is_empty()) {
            let asked = Instant::now();
            let taken = self
                .port
                .write(rest, ROOM)
                .map_err(|error| self.lost(&error))?;
            blocked += asked.elapsed();
            at += taken;
            self.sent_bytes += taken as u64;
            if taken > 0 {
                continue;
            }
            if began.elapsed() > LAG_WORTH_SAYING
                && let Some(text) = self.pace.stuck(self.sent_bytes <= LINE_HOLDS_BYTES)
            {
                bar.suspend(|| terminal::say(format!("{}: {text}", self.name)));
            }
            if stop.load(Ordering::Relaxed) && began.elapsed() > LAST_FRAME {
                return Ok(blocked);
            }
        }
        Ok(blocked)
    }

    fn lost(&self, error: &std::io::Error) -> anyhow::Error {
        let counter = self.writer.header().first_sample;
        let seconds = counter as f64 / self.announcement.rate_hz;
        anyhow!("{}: lost after {seconds:.1} s: {error}", self.name)
    }
}

/// What was sent.
#[derive(Debug, Clone, Copy)]
pub struct Played {
    /// Instants.
    pub frames: u64,
    /// How far behind its clock the stream ever was.
    pub longest_lag: Duration,
}
