//! A device on a line, in virtual time: what it samples is a function of its
//! count, so that every recorded sample can be told and checked.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::io::{self, ErrorKind, Read};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ndarray::Array2;
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use spanhold::ingest::Clock as _;
use spanhold::ingest::frames::{FrameWriter, SampleHeader, encode_samples};
use spanhold::ingest::serial::Link;
use spanhold::setup::SampleFormat;

use super::clock::VirtualClock;
use crate::bench::line::scatter;

pub const RATE_HZ: f64 = 220.0;
pub const CHANNELS: u16 = 3;
/// A frequency is held for so long.
const DWELL_S: f64 = 25.0;
const FREQUENCIES_HZ: [f64; 3] = [12.3, 16.1, 20.5];
/// Codes of a 24-bit full scale.
pub const CODES: f64 = 8_388_608.0;
/// The third channel carries which count a sample is of, and its place in it.
const COUNT_BITS: u32 = 20;
/// The count that stands on what a lying frame carries.
pub const LIE: u64 = 7;
/// What the kernel keeps while nobody reads, bytes.
const KERNEL_BYTES: usize = 8192;

/// The codes of one frame of samples.
pub fn codes(stream: u64, counter: u64) -> [i64; 3] {
    let t_s = counter as f64 / RATE_HZ;
    let frequency_hz = frequency_hz(stream, counter);
    let noise = |channel: u64| 1e-4 * scatter((stream << 40) + counter * 2 + channel);
    let antinode = 0.2 * (TAU * frequency_hz * t_s).cos() + noise(0);
    let node = 0.02 * (TAU * frequency_hz * t_s + 0.25 * TAU).cos() + noise(1);
    let place = counter & ((1 << COUNT_BITS) - 1);
    let identity = (stream << COUNT_BITS | place) as i64 - (4 << COUNT_BITS);
    [
        (antinode * CODES).round() as i64,
        (node * CODES).round() as i64,
        identity,
    ]
}

/// Which count a sample is of and its place in it, from its third channel.
pub fn identity(code: i64) -> (u64, u64) {
    let identity = (code + (4 << COUNT_BITS)) as u64;
    (identity >> COUNT_BITS, identity & ((1 << COUNT_BITS) - 1))
}

/// Number of the dwell within a count.
pub fn dwell(counter: u64) -> u64 {
    (counter as f64 / RATE_HZ / DWELL_S) as u64
}

pub fn frequency_hz(stream: u64, counter: u64) -> f64 {
    FREQUENCIES_HZ[((dwell(counter) + stream) % 3) as usize]
}

/// How often something is done to a frame of samples, one in so many; 0: never.
#[derive(Debug, Clone, Copy, Default)]
pub struct Noise {
    pub lost: u32,
    pub flipped: u32,
    pub cut: u32,
    pub doubled: u32,
    pub late: u32,
    pub junk: u32,
}

/// A frame with a right check sum that says what is not so.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Lie {
    AheadByAMinute,
    AheadForAges,
    NearTheEndOfTheCount,
    OtherStream,
    AbsurdRate,
    OtherFormat,
}

pub const LIES: [Lie; 6] = [
    Lie::AheadByAMinute,
    Lie::AheadForAges,
    Lie::NearTheEndOfTheCount,
    Lie::OtherStream,
    Lie::AbsurdRate,
    Lie::OtherFormat,
];

/// A frame that was sent.
#[derive(Debug, Clone, Copy)]
pub struct Sent {
    pub stream: u64,
    pub first: u64,
    pub frames: u64,
    /// Whole, and not behind something that may have swallowed its beginning.
    pub is_intact: bool,
}

pub struct Device {
    chance: ChaCha8Rng,
    pub noise: Noise,
    /// How much faster than nominal it samples.
    pub ppm: f64,
    writer: FrameWriter,
    stream: u64,
    next_due: Duration,
    silent_until: Duration,
    unplugged_until: Duration,
    hangs_up: bool,
    line: VecDeque<u8>,
    /// Frames on their way that others overtake, with how many still will.
    held_back: Vec<(u32, Vec<u8>)>,
    /// Whether what stands last in the line is no end of a frame: whatever comes
    /// next is read together with it.
    spoils_next: bool,
    pub lies: Vec<Lie>,
    pub sent: Vec<Sent>,
    /// Whether that list is kept: a day of it is long.
    pub keeps_list: bool,
}

impl Device {
    pub fn new(chance: ChaCha8Rng, format: SampleFormat) -> Self {
        Self {
            chance,
            noise: Noise::default(),
            ppm: 0.0,
            writer: FrameWriter::new(format, CHANNELS, RATE_HZ, 0x51A8),
            stream: 0,
            next_due: Duration::ZERO,
            silent_until: Duration::ZERO,
            unplugged_until: Duration::ZERO,
            hangs_up: false,
            line: VecDeque::new(),
            held_back: Vec::new(),
            spoils_next: false,
            lies: Vec::new(),
            sent: Vec::new(),
            keeps_list: true,
        }
    }

    /// It counts from 0 again; one in two firmwares forgets to draw a new id.
    pub fn restart(&mut self, now: Duration, keeps_id: bool, dead: Duration) {
        if self.stream + 1 >= LIE {
            return;
        }
        self.stream += 1;
        let header = *self.writer.header();
        let id = header.stream_id + u32::from(!keeps_id);
        self.writer = FrameWriter::new(header.sample_format, CHANNELS, RATE_HZ, id);
        self.held_back.clear();
        self.next_due = now + dead;
    }

    /// It counts on and sends nothing.
    pub fn be_silent(&mut self, until: Duration) {
        self.silent_until = until;
    }

    pub fn unplug(&mut self, until: Duration) {
        self.unplugged_until = until;
        self.hangs_up = true;
        self.line.clear();
        self.spoils_next = true;
    }

    /// What stood in the line when the reader went is gone.
    pub fn nobody_reads(&mut self) {
        self.line.clear();
        self.spoils_next = true;
    }

    pub fn is_unplugged_until(&self) -> Duration {
        self.unplugged_until
    }

    pub fn has_bytes(&self) -> bool {
        !self.line.is_empty() || self.hangs_up
    }

    fn happens(&mut self, one_in: u32) -> bool {
        one_in > 0 && self.chance.random_range(0..one_in) == 0
    }

    /// Sends all that is due.
    pub fn run_to(&mut self, now: Duration) {
        while self.next_due <= now {
            let frames = self.chance.random_range(8..32_u64);
            let seconds = frames as f64 / RATE_HZ / (1.0 + self.ppm * 1e-6);
            self.next_due += Duration::from_secs_f64(seconds);
            self.send_frame(frames, now);
        }
    }

    fn send_frame(&mut self, frames: u64, now: Duration) {
        let first = self.writer.header().first_sample;
        if self.silent_until > now || self.unplugged_until > now {
            self.writer.skip(frames);
            self.note(first, frames, false);
            return;
        }
        if let Some(lie) = self.lies.pop() {
            self.lie(lie);
        }
        let samples = Array2::from_shape_fn((3, frames as usize), |(channel, at)| {
            codes(self.stream, first + at as u64)[channel] as f64 / CODES
        });
        let mut bytes = Vec::new();
        self.writer.write(samples.view(), &mut bytes).unwrap();
        let noise = self.noise;
        if self.happens(noise.lost) {
            return self.note(first, frames, false);
        }
        let mut is_intact = true;
        if self.happens(noise.flipped) {
            let at = self.chance.random_range(0..bytes.len());
            bytes[at] ^= 1 << self.chance.random_range(0..8_u32);
            is_intact = false;
        }
        if self.happens(noise.cut) {
            bytes.truncate(self.chance.random_range(0..bytes.len()));
            is_intact = false;
        }
        if self.happens(noise.junk) {
            let length = self.chance.random_range(1..300);
            let junk: Vec<u8> = (0..length).map(|_| self.chance.random()).collect();
            self.put(&junk);
        }
        if self.happens(noise.doubled) {
            self.put(&bytes.clone());
        }
        if self.happens(noise.late) {
            let overtaken_by = self.chance.random_range(1..9);
            self.held_back.push((overtaken_by, bytes));
            // Whether it comes in time is not for the device to say.
            self.note(first, frames, false);
        } else {
            is_intact &= !self.spoils_next;
            let whole = self.put(&bytes);
            self.note(first, frames, is_intact && whole);
        }
        for (left, _) in &mut self.held_back {
            *left -= 1;
        }
        while let Some(at) = self.held_back.iter().position(|(left, _)| *left == 0) {
            let (_, bytes) = self.held_back.remove(at);
            self.put(&bytes);
        }
    }

    fn note(&mut self, first: u64, frames: u64, is_intact: bool) {
        if self.keeps_list {
            self.sent.push(Sent {
                stream: self.stream,
                first,
                frames,
                is_intact,
            });
        }
    }

    /// Onto the line, as far as the kernel has room.
    fn put(&mut self, bytes: &[u8]) -> bool {
        let room = KERNEL_BYTES.saturating_sub(self.line.len());
        let fits = bytes.len().min(room);
        self.line.extend(&bytes[..fits]);
        if let Some(last) = bytes[..fits].last() {
            self.spoils_next = *last != 0;
        }
        fits == bytes.len()
    }

    fn lie(&mut self, lie: Lie) {
        let mut header: SampleHeader = *self.writer.header();
        match lie {
            Lie::AheadByAMinute => header.first_sample += 60 * RATE_HZ as u64,
            Lie::AheadForAges => header.first_sample += 1 << 40,
            Lie::NearTheEndOfTheCount => header.first_sample = u64::MAX - 10,
            Lie::OtherStream => header.stream_id ^= 0x00AB_0000,
            Lie::AbsurdRate => header.rate_hz = 1e12,
            Lie::OtherFormat => {
                header.stream_id ^= 0x00CD_0000;
                header.channels += 1;
            }
        }
        let sample_bytes = header.sample_format.sample_bytes();
        let width = usize::from(header.channels);
        let mut samples = Vec::new();
        for at in 0..20 {
            for channel in 0..width {
                let code = if channel < 3 {
                    codes(LIE, at)[channel]
                } else {
                    0
                };
                let value = code as f64 / CODES;
                let bytes = match header.sample_format {
                    SampleFormat::F32 => (value as f32).to_le_bytes().to_vec(),
                    SampleFormat::I32 => ((code << 8) as i32).to_le_bytes().to_vec(),
                    _ => (code as i32).to_le_bytes()[..sample_bytes].to_vec(),
                };
                samples.extend(bytes);
            }
        }
        let mut bytes = Vec::new();
        encode_samples(&header, &samples, &mut bytes);
        self.put(&bytes);
    }
}

/// The line as the program opens it.
pub struct SimulatedLink {
    pub device: Arc<Mutex<Device>>,
    pub clock: Arc<VirtualClock>,
    /// While the program waits for the first samples, it is its reads that let
    /// time go on.
    pub reads_take_time: Arc<AtomicBool>,
}

struct SimulatedPort {
    device: Arc<Mutex<Device>>,
    clock: Arc<VirtualClock>,
    reads_take_time: Arc<AtomicBool>,
}

impl Link for SimulatedLink {
    fn open(&mut self) -> io::Result<Box<dyn Read + Send>> {
        let mut device = self.device.lock().unwrap();
        if device.unplugged_until > self.clock.elapsed() {
            return Err(ErrorKind::NotFound.into());
        }
        device.hangs_up = false;
        Ok(Box::new(SimulatedPort {
            device: Arc::clone(&self.device),
            clock: Arc::clone(&self.clock),
            reads_take_time: Arc::clone(&self.reads_take_time),
        }))
    }

    fn name(&self) -> &'static str {
        "simulated"
    }
}

impl Read for SimulatedPort {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let mut device = self.device.lock().unwrap();
        if device.line.is_empty() && self.reads_take_time.load(Ordering::Relaxed) {
            self.clock.advance(Duration::from_millis(20));
        }
        device.run_to(self.clock.elapsed());
        if std::mem::take(&mut device.hangs_up) {
            return Err(io::Error::other("the device was unplugged"));
        }
        if device.line.is_empty() {
            return Err(ErrorKind::TimedOut.into());
        }
        let most = device.line.len().min(bytes.len());
        let length = device.chance.random_range(1..=most);
        for (byte, out) in device.line.drain(..length).zip(bytes) {
            *out = byte;
        }
        Ok(length)
    }
}
