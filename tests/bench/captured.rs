//! The program as it captures from a line.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Output, Stdio};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::line::Line;
use super::run_folder::RunFolder;
use super::setups::{ANTINODE_AND_NODE, demo_to_50_hz, on_line};

/// Antinode and node on a serial line.
pub fn setup() -> String {
    on_line(ANTINODE_AND_NODE)
}

/// The demo's damped span to 50 Hz, on a serial line.
pub fn demo(rate_hz: u32) -> String {
    on_line(&demo_to_50_hz(8.3, rate_hz))
}

impl RunFolder {
    /// A folder whose setup names this line.
    pub fn on_line(setup: &str, line: &Line) -> Self {
        Self::with_setup(&setup.replace("PORT", line.port.to_str().unwrap()))
    }

    /// The program's own virtual device, which plays.
    pub fn rehearse(&self, port: &Line, arguments: &[&str]) -> Child {
        self.command(&["rehearse", "setup.toml", "--to"])
            .arg(&port.port)
            .args(arguments)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap()
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
        self.recordings_of(run, "bench")
    }

    pub fn recordings_of(&self, run: &str, source: &str) -> Vec<PathBuf> {
        let folder = self.path(run).join("recordings");
        let files = spanhold::pipeline::recordings_of(&folder, source).unwrap();
        files.into_iter().map(|(_, path)| path).collect()
    }

    pub fn reprocess(&self, run: &str, out: &str) -> Output {
        let mut command = self.command(&["reprocess", "setup.toml", "--out", out]);
        command.args(self.recordings(run)).output().unwrap()
    }
}

/// The end of a child: exit code, standard output and error.
pub fn ended(child: Child) -> (Option<i32>, String, String) {
    let output = child.wait_with_output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (
        output.status.code(),
        text(&output.stdout),
        text(&output.stderr),
    )
}

/// That recordings, read by hound, hold exactly the samples of a WAV file.
pub fn assert_same_samples(recordings: &[PathBuf], played: &Path) {
    let open = |path: &Path| hound::WavReader::open(path).unwrap();
    let mut played = open(played);
    let total = played.len();
    let mut expected = played.samples::<i32>().map(Result::unwrap);
    let mut count = 0;
    for path in recordings {
        for got in open(path).samples::<i32>() {
            assert_eq!(Some(got.unwrap()), expected.next(), "sample {count}");
            count += 1;
        }
    }
    assert_eq!(count, total, "samples of all channels");
}

/// Numbers of the points that a log announces.
pub fn announced(log: &str) -> Vec<u64> {
    log.lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter_map(|entry| entry["point"].as_u64())
        .collect()
}

pub struct Capture {
    child: Child,
    lines: Arc<Mutex<Vec<String>>>,
    reader: Option<JoinHandle<()>>,
}

impl Capture {
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn log(&self) -> String {
        self.lines.lock().unwrap().join("\n")
    }

    /// Numbers of the points announced so far.
    pub fn announced(&self) -> Vec<u64> {
        announced(&self.log())
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
