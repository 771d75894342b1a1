//! Runs to alter: one reprocessed, reduced against a bare one and reported, one that is read by
//! matched fixed sensors, and one captured from a line.

use std::path::{Path, PathBuf};
use std::thread;
use std::time::Duration;

use nix::sys::signal::Signal;
use spanhold::verification::{Recomputed, Stored, recompute};
use tempfile::TempDir;

use crate::bench::captured::setup;
use crate::bench::finished_run;
use crate::bench::line::{Device, Line, RATE_HZ};
use crate::bench::run_folder::{RunFolder, copy_folder};

const SOON: Duration = Duration::from_mins(1);
/// Dwells of 25 s.
const CAPTURED_S: f64 = 60.0;

pub struct Bench {
    folder: TempDir,
    /// What comes out of the recordings of `run`.
    pub recomputed: Recomputed,
}

impl Bench {
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        finished_run::make(folder.path());
        finished_run::make_matched(folder.path());
        copy_folder(&capture().path("run"), &folder.path().join("captured"));
        let stored = Stored::read(&folder.path().join("run")).unwrap();
        Self {
            recomputed: recompute(&stored).unwrap(),
            folder,
        }
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
}

/// A capture of several recordings, stopped in peace.
fn capture() -> RunFolder {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let mut capture = bench.capture("run", &["--split-seconds", "25"]);
    let device = Device::start(&line, 30.0, (CAPTURED_S * RATE_HZ) as u64);
    capture.wait_for("Point 1 is on disk", SOON);
    while !device.has_sent_all() {
        thread::sleep(Duration::from_millis(20));
    }
    thread::sleep(Duration::from_millis(500));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    bench
}

/// Every file below a folder, by its name seen from there.
pub fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(here) = folders.pop() {
        for entry in std::fs::read_dir(&here).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(folder).unwrap();
                found.push(name.to_str().unwrap().to_owned());
            }
        }
    }
    found.sort();
    found
}
