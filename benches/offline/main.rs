//! How fast a recording becomes points: `cargo bench --bench offline`.
//!
//! Makes a recording of a virtual span (48 kHz, 5 channels, 24 bit) and times,
//! in turns, only decoding it, `spanhold reprocess`, and the hop estimates with
//! NumPy and SciPy (`numpy_analysis.py`, which does less). Prints seconds and
//! ratios, the best of each. The NumPy turn needs the virtual environment that
//! `tests/reference/fetch.sh` makes; without it, it is left out.

#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a bench that cannot run should stop"
)]

use std::path::Path;
use std::process::Command;
use std::time::Instant;

use spanhold::ingest::wav::WavReader;
use spanhold::rehearsal::{
    DriveFrequency, Performance, Program, Recording, Sensors, SpanModel, Step, VirtualSpan,
};
use spanhold::setup::SampleFormat;
use spanhold::tone::TonePlan;

const RATE_HZ: f64 = 48_000.0;
const TURNS: usize = 5;
const PYTHON: &str = "target/reference/venv/bin/python";

fn main() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let text = std::fs::read_to_string("config/damped-trial.toml").expect("the demo's setup");
    // The demo's channels but the last, at the rate of a sound card, over a
    // wider sweep.
    let (text, _) = text
        .split_once("[[channel]]\nname = \"strain-end\"")
        .expect("its channels");
    let setup_file = folder.path().join("bench.toml");
    let recording = folder.path().join("bench.wav");
    let text: String = text
        .lines()
        .map(|line| match line.split_once(" = ") {
            Some(("rate_hz", _)) => "rate_hz = 48000.0\n".to_owned(),
            Some(("high_hz", _)) => "high_hz = 50.0\n".to_owned(),
            _ => format!("{line}\n"),
        })
        .collect();
    std::fs::write(&setup_file, text).unwrap();
    let setup = spanhold::setup::load(&setup_file).expect("a valid setup");

    let span = VirtualSpan::new(&setup, &SpanModel::default()).unwrap();
    let steps = [12.0, 23.0, 31.0, 42.0].map(|frequency_hz| {
        let at = DriveFrequency::Nearest {
            frequency_hz,
            bandwidths: 0.0,
        };
        Step::new(at, 25.0)
    });
    let program = Program {
        lead_in_s: 2.0,
        steps: steps.to_vec(),
        lead_out_s: 2.0,
    };
    let mut performance =
        Performance::new(&span, &program, &Sensors::with_snr_db(60.0), RATE_HZ, 1).unwrap();
    let seconds = performance.frames() as f64 / RATE_HZ;
    let mut file = Recording::create(&recording, &performance, SampleFormat::I24).unwrap();
    while let Some(block) = performance.next_block() {
        file.write(&block).unwrap();
    }
    file.finish().unwrap();

    let reader = WavReader::open(std::slice::from_ref(&recording)).unwrap();
    let plan = TonePlan::new(&setup, 0, reader.format()).unwrap();
    let (mut decoding, mut ours, mut numpy) = (f64::INFINITY, f64::INFINITY, None);
    for _ in 0..TURNS {
        decoding = decoding.min(decode(&recording));
        ours = ours.min(reprocess(
            &setup_file,
            &recording,
            &folder.path().join("run"),
        ));
        if let Some(took) = with_numpy(&recording, &plan) {
            numpy = Some(took.min(numpy.unwrap_or(f64::INFINITY)));
        }
    }
    println!("{seconds:.0} s of 5 channels at 48 kHz, 24 bit; best of {TURNS}:");
    println!("decoding only       {decoding:.3} s");
    println!(
        "spanhold reprocess  {ours:.3} s, {:.1} x decoding, {:.0} x faster than real time",
        ours / decoding,
        seconds / ours
    );
    match numpy {
        Some(numpy) => println!(
            "NumPy and SciPy     {numpy:.3} s, {:.1} x spanhold",
            numpy / ours
        ),
        None => println!(
            "NumPy and SciPy     left out: {PYTHON} is missing; tests/reference/fetch.sh makes it"
        ),
    }
}

fn decode(recording: &Path) -> f64 {
    let began = Instant::now();
    let mut reader = WavReader::open(&[recording.to_path_buf()]).expect("readable");
    let mut frames = 0;
    while let Some(block) = reader.next_block(4096).expect("readable") {
        frames += block.samples.ncols();
    }
    assert!(frames > 0, "nothing was decoded");
    began.elapsed().as_secs_f64()
}

fn reprocess(setup: &Path, recording: &Path, out: &Path) -> f64 {
    let began = Instant::now();
    let output = Command::new(env!("CARGO_BIN_EXE_spanhold"))
        .arg("reprocess")
        .args([setup, recording])
        .arg("--force")
        .arg("--out")
        .arg(out)
        .output()
        .expect("the program runs");
    let took = began.elapsed().as_secs_f64();
    assert!(
        String::from_utf8_lossy(&output.stdout).contains("4 held"),
        "the four dwells of the recording are holds: {output:?}"
    );
    took
}

fn with_numpy(recording: &Path, plan: &TonePlan) -> Option<f64> {
    if !Path::new(PYTHON).exists() {
        return None;
    }
    let output = Command::new(PYTHON)
        .arg("benches/offline/numpy_analysis.py")
        .arg(recording)
        .args([plan.decimation.to_string()])
        .args([
            plan.search_low_hz.to_string(),
            plan.search_high_hz.to_string(),
        ])
        .output()
        .expect("python runs");
    let text = String::from_utf8_lossy(&output.stdout);
    let took = text.split_whitespace().next().and_then(|s| s.parse().ok());
    Some(took.unwrap_or_else(|| panic!("numpy_analysis.py failed: {output:?}")))
}
