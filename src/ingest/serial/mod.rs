//! Serial devices → blocks and gaps, for hours, over any fault of the line.
//!
//! In: bytes from a port, as frames or text lines (guide, page "device
//! protocol"). Out: [`Message`]s in sample order over a bounded channel.
//! Touches the port and the host's monotonic clock. Time is sample index /
//! rate; arrival time serves only to compare the device's clock with the
//! host's ([`crate::ingest::clock`]).

mod assembly;
mod jump;
mod link;
mod link_decoder;
mod outbox;
mod statistics;

use std::io::{self, ErrorKind, Read};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::Sender;
use jiff::{SignedDuration, Timestamp};

pub use assembly::{Assembly, OtherFormat};
pub use link::{Link, PortLink, remedy};
pub use link_decoder::{LinkDecoder, LinkFormat};
pub use statistics::{LinkMonitor, LinkStatistics};

use super::{Block, Clock, End, IngestError, Message, StreamFormat, SystemClock};
use crate::setup::{MAX_RATE_HZ, Protocol, SampleFormat, is_rate};
use outbox::Outbox;

/// Bytes taken from the port at once.
const READ_BYTES: usize = 64 << 10;

/// First and longest pause between attempts to open a lost port.
const RECONNECT_PAUSE: [Duration; 2] = [Duration::from_millis(100), Duration::from_secs(5)];

/// How long a block waits for room; the kernel holds about that much.
const OUTBOX_PATIENCE: Duration = Duration::from_millis(20);

/// How often the estimate of the rate is brought up to date.
const RATE_INTERVAL: Duration = Duration::from_secs(5);

/// What is right where a rate is not.
fn right_rates() -> String {
    format!("more than 0 Hz and at most {MAX_RATE_HZ} Hz are right")
}

/// What a serial source is expected to be.
#[derive(Debug, Clone, PartialEq)]
pub struct SerialOptions {
    /// How samples are framed.
    pub protocol: Protocol,
    /// Sampling rate of the setup, Hz: required for text lines, checked
    /// against what frames say.
    pub rate_hz: Option<f64>,
    /// Least number of channels that the setup uses.
    pub channels: usize,
    /// Index of the first sample: 0, or where a run goes on.
    pub first_index: u64,
    /// Longest wait for the first samples.
    pub start_deadline: Duration,
}

impl SerialOptions {
    /// A new run of a device with at least `channels` channels.
    pub fn new(protocol: Protocol, rate_hz: Option<f64>, channels: usize) -> Self {
        Self {
            protocol,
            rate_hz,
            channels,
            first_index: 0,
            start_deadline: Duration::from_secs(5),
        }
    }
}

/// A serial source whose format is known.
pub struct SerialReader {
    link: Box<dyn Link>,
    port: Option<Box<dyn Read + Send>>,
    decoder: LinkDecoder,
    format: StreamFormat,
    sample_format: SampleFormat,
    monitor: LinkMonitor,
    clock: Arc<dyn Clock>,
    /// By the clock, when it was opened and when the rate was last estimated.
    started: Duration,
    rate_estimated: Duration,
    /// While the port is lost: when to try it again, and the pause after that.
    next_try: Duration,
    pause: Duration,
    bytes: Vec<u8>,
    blocks: Vec<Block>,
}

/// What one read brought.
enum ReadOutcome {
    Bytes,
    Idle,
    Lost(String),
}

impl SerialReader {
    /// Opens the link and waits for the first samples, which tell the format.
    pub fn open(link: Box<dyn Link>, options: &SerialOptions) -> Result<Self, IngestError> {
        Self::open_by(link, options, Arc::new(SystemClock::default()))
    }

    /// The same by a clock that is handed in.
    pub fn open_by(
        mut link: Box<dyn Link>,
        options: &SerialOptions,
        clock: Arc<dyn Clock>,
    ) -> Result<Self, IngestError> {
        let fault = |link: &dyn Link, what| IngestError::Port {
            port: link.name().to_owned(),
            what,
        };
        let decoder = match (options.protocol, options.rate_hz) {
            (Protocol::Frames, _) => LinkDecoder::frames(options.first_index),
            (Protocol::Lines, Some(rate_hz)) if is_rate(rate_hz) => {
                LinkDecoder::lines(options.first_index, rate_hz)
            }
            (Protocol::Lines, Some(rate_hz)) => {
                let right = right_rates();
                let what = format!("`rate_hz` of the source is {rate_hz} Hz; {right}");
                return Err(fault(&*link, what));
            }
            (Protocol::Lines, None) => {
                let what = "text lines do not tell their rate; set `rate_hz` of the source";
                return Err(fault(&*link, what.into()));
            }
        };
        let port = link.open().map_err(|error| {
            let what = format!("cannot open: {error}{}", link::remedy(&error));
            fault(&*link, what)
        })?;
        let mut reader = Self {
            link,
            port: Some(port),
            decoder,
            format: StreamFormat {
                rate_hz: options.rate_hz.unwrap_or(0.0),
                channels: options.channels,
                clip_level: f64::INFINITY,
                start_utc: None,
            },
            sample_format: SampleFormat::F64,
            monitor: LinkMonitor::default(),
            started: clock.elapsed(),
            rate_estimated: clock.elapsed(),
            next_try: Duration::ZERO,
            pause: RECONNECT_PAUSE[0],
            clock,
            bytes: vec![0; READ_BYTES],
            blocks: Vec::new(),
        };
        reader
            .wait_for_format(options)
            .map_err(|what| fault(&*reader.link, what))?;
        Ok(reader)
    }

    /// Rate, channels, clipping level and start of the stream.
    pub fn format(&self) -> &StreamFormat {
        &self.format
    }

    /// How the recorder stores the samples without rounding.
    pub fn sample_format(&self) -> SampleFormat {
        self.sample_format
    }

    /// A view of the counts, for other threads.
    pub fn monitor(&self) -> LinkMonitor {
        self.monitor.clone()
    }

    fn wait_for_format(&mut self, options: &SerialOptions) -> Result<(), String> {
        let format = loop {
            match self.step().map_err(|other| describe(&other))? {
                ReadOutcome::Lost(error) => {
                    return Err(format!("lost before the first sample: {error}"));
                }
                ReadOutcome::Bytes | ReadOutcome::Idle => {}
            }
            if let Some(format) = self.decoder.format() {
                break format;
            }
            if self.since_start() >= options.start_deadline {
                return Err(self.no_samples(options));
            }
        };
        if let Some(expected_hz) = options.rate_hz
            && (format.rate_hz / expected_hz - 1.0).abs() > 1e-3
        {
            return Err(format!(
                "the device samples at {} Hz, the setup says {expected_hz} Hz; correct one of them",
                format.rate_hz
            ));
        }
        if format.channels < options.channels {
            return Err(format!(
                "the device sends {} channels, the setup uses {}; correct the `index` of the \
                 channels or the device",
                format.channels, options.channels
            ));
        }
        self.sample_format = format.sample_format;
        self.format = StreamFormat {
            rate_hz: format.rate_hz,
            channels: format.channels,
            clip_level: clip_level(format.sample_format, options.protocol),
            start_utc: label_of_sample_0(self.clock.now_utc(), options.first_index, format.rate_hz),
        };
        Ok(())
    }

    fn no_samples(&mut self, options: &SerialOptions) -> String {
        let seconds = options.start_deadline.as_secs_f64();
        let statistics = self.decoder.statistics();
        if statistics.bytes == 0 {
            return format!(
                "nothing came within {seconds} s; switch the device on and check the cable"
            );
        }
        if let Some(rate_hz) = statistics.refused_rate_hz {
            let right = right_rates();
            return format!("the frames state a sampling rate of {rate_hz} Hz; {right}");
        }
        let what = match options.protocol {
            Protocol::Frames => "whole frame",
            Protocol::Lines => "line of numbers",
        };
        format!(
            "{} bytes came within {seconds} s, but no {what}; check `baud` and `protocol` of the \
             source",
            statistics.bytes
        )
    }

    /// Reads once. A fragment is all that can be expected of a read.
    fn step(&mut self) -> Result<ReadOutcome, OtherFormat> {
        let Some(port) = &mut self.port else {
            return Ok(ReadOutcome::Lost("not open".into()));
        };
        let read = port.read(&mut self.bytes);
        let now = self.since_start();
        match read {
            Ok(0) => Ok(ReadOutcome::Lost("the device hung up".into())),
            Ok(length) => {
                let bytes = self.bytes.get(..length).unwrap_or_default();
                self.decoder.push(bytes, now, &mut self.blocks)?;
                Ok(ReadOutcome::Bytes)
            }
            Err(error) if is_idle(&error) => {
                self.decoder.statistics().idle_reads += 1;
                self.decoder.flush(now, &mut self.blocks);
                Ok(ReadOutcome::Idle)
            }
            Err(error) if error.kind() == ErrorKind::Interrupted => Ok(ReadOutcome::Bytes),
            Err(error) => Ok(ReadOutcome::Lost(error.to_string())),
        }
    }

    fn since_start(&self) -> Duration {
        self.clock.elapsed().saturating_sub(self.started)
    }

    /// One read, or where the port is lost one look whether to open it again. What
    /// it came to is shown, also where it was the last.
    fn turn(&mut self, outbox: &mut Outbox) -> Turn {
        let turn = self.read_once(outbox);
        self.show();
        turn
    }

    fn read_once(&mut self, outbox: &mut Outbox) -> Turn {
        if self.port.is_none() && !self.is_open_again() {
            return Turn::Pause;
        }
        let step = match self.step() {
            Ok(step) => step,
            Err(other) => {
                let what = format!("{}: {}", self.link.name(), describe(&other));
                return Turn::Ended(End::Failed(what));
            }
        };
        if let ReadOutcome::Lost(error) = &step {
            tracing::warn!(port = self.link.name(), error, "port lost");
            // The old handle has to go, or the device comes back under
            // another name.
            self.port = None;
            [self.pause, _] = RECONNECT_PAUSE;
            self.next_try = self.clock.elapsed();
            self.decoder.statistics().disconnects += 1;
            self.decoder.cut(self.since_start(), &mut self.blocks);
        }
        match self.hand_out(outbox) {
            Ok(()) => Turn::Again,
            Err(_) => Turn::Ended(End::Stopped),
        }
    }

    /// What is left when the reader is asked to stop.
    fn stopped(&mut self, outbox: &mut Outbox) -> End {
        self.decoder.flush(self.since_start(), &mut self.blocks);
        let _ = self.hand_out(outbox);
        self.decoder.estimate_rate();
        self.show();
        End::Stopped
    }

    fn hand_out(&mut self, outbox: &mut Outbox) -> Result<(), outbox::NobodyListens> {
        for block in self.blocks.drain(..) {
            outbox.send_block(block)?;
        }
        self.decoder.statistics().dropped_samples = outbox.dropped_samples();
        Ok(())
    }

    /// Tries to open the lost port when it is time.
    fn is_open_again(&mut self) -> bool {
        let now = self.clock.elapsed();
        if now < self.next_try {
            return false;
        }
        match self.link.open() {
            Ok(port) => {
                tracing::info!(port = self.link.name(), "port open again");
                self.decoder.statistics().reconnects += 1;
                self.port = Some(port);
                true
            }
            Err(error) => {
                tracing::debug!(port = self.link.name(), %error, "still lost");
                self.next_try = now + self.pause;
                self.pause = (self.pause * 2).min(RECONNECT_PAUSE[1]);
                false
            }
        }
    }

    fn show(&mut self) {
        let now = self.clock.elapsed();
        if now.saturating_sub(self.rate_estimated) >= RATE_INTERVAL {
            self.decoder.estimate_rate();
            self.rate_estimated = now;
        }
        let is_connected = self.port.is_some();
        let statistics = self.decoder.statistics();
        statistics.is_connected = is_connected;
        self.monitor.show(statistics);
    }
}

/// What a turn of a reader came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Turn {
    /// There may be more at once.
    Again,
    /// The port is lost: nothing for a moment.
    Pause,
    /// Nothing more will come.
    Ended(End),
}

/// A reader that sends what it reads, turn by turn. A block that finds no room
/// in the channel within a moment is dropped and shows as a gap: waiting would
/// lose samples in the kernel, where nobody counts them.
pub struct SendingReader {
    reader: SerialReader,
    outbox: Outbox,
}

impl SendingReader {
    /// `patience`: how long a block waits for room.
    pub fn new(reader: SerialReader, sender: Sender<Message>, patience: Duration) -> Self {
        let outbox = Outbox::new(sender, reader.link.name().to_owned(), patience);
        Self { reader, outbox }
    }

    /// Reads once, and sends what that gave.
    pub fn turn(&mut self) -> Turn {
        self.reader.turn(&mut self.outbox)
    }

    /// Sends what is left, and the last message; `None`: it was asked to stop.
    pub fn end(mut self, end: Option<End>) {
        let end = end.unwrap_or_else(|| self.reader.stopped(&mut self.outbox));
        self.outbox.send_end(end);
    }
}

/// Reads the device until `stop` is set or nobody listens any more. The last
/// message is an [`End`].
pub fn spawn_serial(
    reader: SerialReader,
    sender: Sender<Message>,
    stop: Arc<AtomicBool>,
) -> JoinHandle<()> {
    thread::spawn(move || {
        let mut reader = SendingReader::new(reader, sender, OUTBOX_PATIENCE);
        while !stop.load(Ordering::Relaxed) {
            match reader.turn() {
                Turn::Again => {}
                Turn::Pause => thread::sleep(link::READ_TIMEOUT.min(RECONNECT_PAUSE[0])),
                Turn::Ended(end) => return reader.end(Some(end)),
            }
        }
        reader.end(None);
    })
}

fn is_idle(error: &io::Error) -> bool {
    matches!(error.kind(), ErrorKind::TimedOut | ErrorKind::WouldBlock)
}

fn describe(other: &OtherFormat) -> String {
    let OtherFormat { before, now } = other;
    format!(
        "the device restarted and now sends {} channels of {} at {} Hz, {} of {} at {} Hz before; \
         start a new run",
        now.channels,
        now.sample_format,
        now.rate_hz,
        before.channels,
        before.sample_format,
        before.rate_hz
    )
}

/// Integers end one code below full scale; text has no full scale.
fn clip_level(format: SampleFormat, protocol: Protocol) -> f64 {
    if protocol == Protocol::Lines {
        return f64::INFINITY;
    }
    if format.is_float() {
        return 1.0;
    }
    let full_scale = (1_u64 << (8 * format.sample_bytes() - 1)) as f64;
    (full_scale - 1.0) / full_scale
}

fn label_of_sample_0(now: Timestamp, first_index: u64, rate_hz: f64) -> Option<Timestamp> {
    let before = SignedDuration::try_from_secs_f64(first_index as f64 / rate_hz).ok()?;
    now.checked_sub(before).ok()
}
