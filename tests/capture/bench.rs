//! A device on a pseudo terminal, and the program that listens to it.

use std::f64::consts::TAU;
use std::fs::File;
use std::io::{BufRead as _, BufReader, Write as _};
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use ndarray::{Array2, s};
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use spanhold::ingest::frames::FrameWriter;
use spanhold::ingest::sidecar::SampleFormat;
use spanhold::ingest::wav::WavReader;

pub const RATE_HZ: f64 = 1000.0;

pub const SETUP: &str = r#"
[test]
title = "invented"
damper = "invented"
[conductor]
designation = "invented"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
damper_position_m = 0.95
drive_position_m = 1.3
[[source]]
name = "bench"
kind = "serial"
port = "PORT"
baud = 921600
rate_hz = 1000.0
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "mm/s"
full_scale = 1000.0
[[channel]]
name = "node"
role = "node"
source = "bench"
index = 1
unit = "mm/s"
full_scale = 1000.0
"#;

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
        let samples = move |first: u64, count: usize| {
            let mut block = Array2::zeros((2, count));
            for (at, mut column) in block.columns_mut().into_iter().enumerate() {
                let [antinode, node] = frame(first + at as u64);
                column[0] = antinode;
                column[1] = node;
            }
            block
        };
        Self::play(line, speed, RATE_HZ, 2, frames, samples)
    }

    /// A device that sends a recording.
    pub fn replay(line: &Line, speed: f64, recording: &Path) -> Self {
        let mut reader = WavReader::open(&[recording.to_owned()]).unwrap();
        let (rate_hz, channels) = (reader.format().rate_hz, reader.format().channels);
        let total = reader.total_frames().unwrap();
        let whole = reader.next_block(total as usize).unwrap().unwrap().samples;
        let mut whole = whole;
        while let Some(block) = reader.next_block(total as usize).unwrap() {
            whole
                .append(ndarray::Axis(1), block.samples.view())
                .unwrap();
        }
        let samples = move |first: u64, count: usize| {
            let first = first as usize;
            whole.slice(s![.., first..first + count]).to_owned()
        };
        Self::play(line, speed, rate_hz, channels, total, samples)
    }

    fn play(
        line: &Line,
        speed: f64,
        rate_hz: f64,
        channels: usize,
        frames: u64,
        samples: impl Fn(u64, usize) -> Array2<f64> + Send + 'static,
    ) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let sent = Arc::new(AtomicU64::new(0));
        let mut port = line.device();
        let (asked, counter) = (Arc::clone(&stop), Arc::clone(&sent));
        let thread = thread::spawn(move || {
            let mut writer =
                FrameWriter::new(SampleFormat::I24, channels as u16, rate_hz, 0x0051_AB1E);
            let began = Instant::now();
            let mut bytes = Vec::new();
            let mut at = 0;
            while at < frames && !asked.load(Ordering::Relaxed) {
                let due = (began.elapsed().as_secs_f64() * speed * rate_hz) as u64;
                if at >= due {
                    thread::sleep(Duration::from_millis(1));
                    continue;
                }
                let count = 20.min(frames - at);
                bytes.clear();
                let block = samples(at, count as usize);
                writer.write(block.view(), &mut bytes).unwrap();
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

/// A folder with a setup, and the commands run in it.
pub struct Bench {
    pub folder: tempfile::TempDir,
}

impl Bench {
    pub fn new(setup: &str, line: &Line) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let setup = setup.replace("PORT", line.port.to_str().unwrap());
        std::fs::write(folder.path().join("setup.toml"), setup).unwrap();
        Self { folder }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut command = Command::new(assert_cmd::cargo::cargo_bin!("spanhold"));
        command
            .current_dir(self.folder.path())
            .args(arguments)
            .stdin(Stdio::null());
        command
    }

    /// A capture that runs.
    pub fn capture(&self, run: &str, arguments: &[&str]) -> Capture {
        let mut all = vec!["capture", "setup.toml", "--out", run, "--log", "json"];
        all.extend(arguments);
        let mut child = self
            .command(&all)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let lines = Arc::new(Mutex::new(Vec::new()));
        let shared = Arc::clone(&lines);
        let stderr = BufReader::new(child.stderr.take().unwrap());
        let reader = thread::spawn(move || {
            for line in stderr.lines().map_while(Result::ok) {
                shared.lock().unwrap().push(line);
            }
        });
        Capture {
            child,
            lines,
            reader: Some(reader),
        }
    }

    pub fn recordings(&self, run: &str) -> Vec<PathBuf> {
        let folder = self.path(run).join("recordings");
        let files = spanhold::pipeline::recordings_of(&folder, "bench").unwrap();
        files.into_iter().map(|(_, path)| path).collect()
    }

    pub fn read(&self, run: &str, name: &str) -> String {
        std::fs::read_to_string(self.path(run).join(name)).unwrap()
    }

    /// The points of a run, each as its line.
    pub fn points(&self, run: &str) -> Vec<String> {
        let text = self.read(run, "points.jsonl");
        text.lines().map(str::to_owned).collect()
    }

    pub fn reprocess(&self, run: &str, out: &str) -> Output {
        let mut command = self.command(&["reprocess", "setup.toml", "--out", out]);
        command.args(self.recordings(run)).output().unwrap()
    }
}

pub struct Capture {
    child: Child,
    lines: Arc<Mutex<Vec<String>>>,
    reader: Option<JoinHandle<()>>,
}

impl Capture {
    pub fn log(&self) -> String {
        self.lines.lock().unwrap().join("\n")
    }

    /// Numbers of the points announced so far.
    pub fn announced(&self) -> Vec<u64> {
        let lines = self.lines.lock().unwrap();
        let entries = lines
            .iter()
            .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok());
        entries
            .filter_map(|entry| entry["point"].as_u64())
            .collect()
    }

    /// Waits for something in the log.
    pub fn wait_for(&mut self, text: &str, patience: Duration) {
        let until = Instant::now() + patience;
        while !self.log().contains(text) {
            let ended = self.child.try_wait().unwrap();
            assert!(
                ended.is_none() && Instant::now() < until,
                "no {text:?} ({ended:?}):\n{}",
                self.log()
            );
            thread::sleep(Duration::from_millis(10));
        }
    }

    pub fn signal(&self, signal: Signal) {
        kill(Pid::from_raw(self.child.id().cast_signed()), signal).unwrap();
    }

    /// Waits for the end; exit code (`None` when killed) and standard output.
    pub fn end(mut self, patience: Duration) -> (Option<i32>, String, String) {
        let until = Instant::now() + patience;
        while self.child.try_wait().unwrap().is_none() {
            if Instant::now() > until {
                let _ = self.child.kill();
                panic!("it did not end:\n{}", self.log());
            }
            thread::sleep(Duration::from_millis(10));
        }
        self.reader.take().unwrap().join().unwrap();
        let log = self.log();
        let output = self.child.wait_with_output().unwrap();
        let stdout = String::from_utf8_lossy(&output.stdout).into_owned();
        (output.status.code(), stdout, log)
    }
}
