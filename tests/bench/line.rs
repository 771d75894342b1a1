//! Pseudo terminals, and a device that plays faster than real time on one.

use std::f64::consts::TAU;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use ndarray::Array2;
use spanhold::ingest::frames::FrameWriter;
use spanhold::setup::SampleFormat;

pub const RATE_HZ: f64 = 1000.0;

/// A pseudo terminal pair: the device holds one end, the program opens the
/// other by name.
pub struct Line {
    pub port: PathBuf,
    device: File,
    /// Kept open, so that the device may write before the program listens.
    _program: OwnedFd,
}

impl Line {
    pub fn new() -> Self {
        let pair = nix::pty::openpty(None, None).unwrap();
        let mut terminal = nix::sys::termios::tcgetattr(&pair.slave).unwrap();
        nix::sys::termios::cfmakeraw(&mut terminal);
        let now = nix::sys::termios::SetArg::TCSANOW;
        nix::sys::termios::tcsetattr(&pair.slave, now, &terminal).unwrap();
        Self {
            port: nix::unistd::ttyname(&pair.slave).unwrap(),
            device: File::from(pair.master),
            _program: pair.slave,
        }
    }

    pub fn device(&self) -> File {
        self.device.try_clone().unwrap()
    }
}

/// Two lines joined: what one program writes to the one port, another reads
/// from the other.
pub struct Cable {
    pub near: Line,
    pub far: Line,
}

impl Cable {
    pub fn new() -> Self {
        let (near, far) = (Line::new(), Line::new());
        let (mut from, mut to) = (near.device(), far.device());
        thread::spawn(move || {
            let mut bytes = vec![0; 1 << 16];
            // Ends with the lines.
            while let Ok(length) = from.read(&mut bytes) {
                if to.write_all(&bytes[..length]).is_err() {
                    return;
                }
            }
        });
        Self { near, far }
    }
}

/// Dwells of 25 s at 12.3, 16.1, 20.5 Hz and again: antinode 200 mm/s peak,
/// node 20 mm/s peak a quarter of a cycle later, noise, in 24 bits.
pub fn frame(index: u64) -> [f64; 2] {
    let t_s = index as f64 / RATE_HZ;
    let frequency_hz = [12.3, 16.1, 20.5][(t_s / 25.0) as usize % 3];
    [(0, 0.2, 0.0), (1, 0.02, 0.25 * TAU)].map(|(channel, peak, phase): (u64, f64, f64)| {
        let noise = 1e-4 * scatter(index * 2 + channel);
        let value = peak * (TAU * frequency_hz * t_s + phase).cos() + noise;
        (value * 8_388_608.0).round() / 8_388_608.0
    })
}

/// Dwells of 14 s at 12.3 and 12.9 Hz of a span that loses much: antinode 200 mm/s peak,
/// node 100 mm/s peak a quarter of a cycle later, drive force 20.5 N peak in phase with the
/// antinode's velocity, as at resonance, and what passes the node; in 24 bits.
pub fn frame_with_force(index: u64) -> [f64; 3] {
    let t_s = index as f64 / RATE_HZ;
    let frequency_hz = [12.3, 12.9][(t_s / 14.0) as usize % 2];
    [(0, 0.2, 0.0), (1, 0.1, 0.25 * TAU), (2, 0.205, 0.0)].map(
        |(channel, peak, phase): (u64, f64, f64)| {
            let noise = 1e-4 * scatter(index * 3 + channel);
            let value = peak * (TAU * frequency_hz * t_s + phase).cos() + noise;
            (value * 8_388_608.0).round() / 8_388_608.0
        },
    )
}

fn samples<const N: usize>(frame: fn(u64) -> [f64; N], first: u64, count: usize) -> Array2<f64> {
    let mut block = Array2::zeros((N, count));
    for (at, mut column) in block.columns_mut().into_iter().enumerate() {
        for (value, sample) in column.iter_mut().zip(frame(first + at as u64)) {
            *value = sample;
        }
    }
    block
}

/// −1..1, without a period that matters (SplitMix64).
pub fn scatter(index: u64) -> f64 {
    let mut z = (index + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// A device that sends without end (or up to `frames`), `speed` times faster
/// than it samples.
pub struct Device {
    stop: Arc<AtomicBool>,
    /// Frames sent.
    pub sent: Arc<AtomicU64>,
    thread: Option<JoinHandle<()>>,
}

impl Device {
    pub fn start(line: &Line, speed: f64, frames: u64) -> Self {
        Self::playing(line, speed, frames, frame)
    }

    /// The same with samples of one's own.
    pub fn playing<const N: usize>(
        line: &Line,
        speed: f64,
        frames: u64,
        frame: fn(u64) -> [f64; N],
    ) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let sent = Arc::new(AtomicU64::new(0));
        let mut port = line.device();
        let (asked, counter) = (Arc::clone(&stop), Arc::clone(&sent));
        let thread = thread::spawn(move || {
            let mut writer = FrameWriter::new(SampleFormat::I24, N as u16, RATE_HZ, 0x0051_AB1E);
            let began = Instant::now();
            let mut bytes = Vec::new();
            let mut at = 0;
            while at < frames && !asked.load(Ordering::Relaxed) {
                let due = (began.elapsed().as_secs_f64() * speed * RATE_HZ) as u64;
                if at >= due {
                    thread::sleep(Duration::from_millis(1));
                    continue;
                }
                let count = 20.min(frames - at);
                bytes.clear();
                writer
                    .write(samples(frame, at, count as usize).view(), &mut bytes)
                    .unwrap();
                if port.write_all(&bytes).is_err() {
                    return;
                }
                at += count;
                counter.store(at, Ordering::Relaxed);
            }
        });
        Self {
            stop,
            sent,
            thread: Some(thread),
        }
    }

    pub fn has_sent_all(&self) -> bool {
        self.thread.as_ref().is_none_or(JoinHandle::is_finished)
    }
}

impl Drop for Device {
    fn drop(&mut self) {
        // The thread ends with its line; a write into a full one would wait.
        self.stop.store(true, Ordering::Relaxed);
        drop(self.thread.take());
    }
}
