//! SIGKILL at random moments: what was announced is there, every recording
//! opens, at most the last second is missing, the next start goes on.

use std::collections::BTreeSet;
use std::sync::atomic::Ordering;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;
use spanhold::ingest::wav::WavReader;

use crate::bench::captured::setup;
use crate::bench::line::{Device, Line, RATE_HZ, scatter};
use crate::bench::run_folder::RunFolder;
use crate::share;

/// Times faster than real: a dwell every two seconds.
const SPEED: f64 = 12.0;

fn campaign(kills: u64, seed: u64) {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, SPEED, u64::MAX);
    let mut announced = BTreeSet::new();
    for number in 0..kills {
        let capture = bench.capture("run", &["--split-seconds", "5"]);
        let share = 0.5 + 0.5 * scatter(seed.wrapping_mul(1000) + number);
        // Some are killed while they start.
        thread::sleep(Duration::from_secs_f64(0.05 + 4.0 * share));
        let sent = device.sent.load(Ordering::Relaxed);
        capture.signal(Signal::SIGKILL);
        announced.extend(capture.announced());
        let (code, _, log) = capture.end(Duration::from_secs(10));
        assert_eq!(
            code, None,
            "seed {seed}, kill {number}: it ended by itself\n{log}"
        );

        let folder = bench.path("run");
        if !folder.join("points.jsonl").exists() {
            continue;
        }
        let ledger = spanhold::ledger::Run::open(&folder).unwrap();
        let logged: BTreeSet<u64> = ledger.points.iter().map(|point| point.point).collect();
        let lost: Vec<_> = announced.difference(&logged).collect();
        assert!(
            lost.is_empty(),
            "seed {seed}, kill {number}: announced and lost: {lost:?}"
        );
        for path in bench.recordings("run") {
            let empty = path.metadata().unwrap().len() < 200;
            let opened = WavReader::open(std::slice::from_ref(&path));
            assert!(opened.is_ok() || empty, "{}: {opened:?}", path.display());
        }
        assert!(sent > 0);
    }
    finish(&bench, &device, &announced, seed);
}

/// One more session, ended in peace: the run is whole, and the recordings
/// give it again.
fn finish(bench: &RunFolder, device: &Device, announced: &BTreeSet<u64>, seed: u64) {
    let before = device.sent.load(Ordering::Relaxed);
    let capture = bench.capture("run", &["--split-seconds", "5"]);
    let until = Instant::now() + Duration::from_mins(2);
    while device.sent.load(Ordering::Relaxed) < before + 60_000 && Instant::now() < until {
        thread::sleep(Duration::from_millis(50));
    }
    thread::sleep(Duration::from_secs(3));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(Duration::from_mins(2));
    assert_eq!(code, Some(0), "seed {seed}\n{log}");
    let points = bench.points("run");
    for (number, point) in (1_u64..).zip(&points) {
        let point: serde_json::Value = serde_json::from_str(point).unwrap();
        assert_eq!(point["point"], number, "seed {seed}");
    }
    assert!(
        announced
            .last()
            .is_none_or(|last| *last <= points.len() as u64)
    );
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again"), points, "seed {seed}");
}

#[test]
fn a_handful_of_kills() {
    campaign(6, 1);
}

#[test]
#[ignore = "takes ten minutes: two hundred kills"]
fn two_hundred_kills() {
    for seed in share::of(2..12) {
        campaign(20, seed);
    }
}

#[test]
fn at_most_the_last_second_is_missing_after_a_kill() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Session 1 begins", Duration::from_secs(20));
    thread::sleep(Duration::from_secs(3));
    let sent = device.sent.load(Ordering::Relaxed);
    capture.signal(Signal::SIGKILL);
    assert_eq!(capture.end(Duration::from_secs(10)).0, None);
    let files = bench.recordings("run");
    let recorded = WavReader::open(&files).unwrap().total_frames().unwrap();
    // What had not reached the program when the line was first opened is no
    // loss of its; the stream then counts from the first frame it saw.
    let session_s = 3.0;
    let got_s = recorded as f64 / RATE_HZ;
    assert!(
        got_s > session_s - 1.0,
        "{got_s} s of {session_s} s; the device sent {sent}"
    );
}
