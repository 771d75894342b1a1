//! Sixteen channels at 10 kHz, on two devices of eight: as much as two lines of
//! 3 Mbaud carry. Nothing is lost, and it costs little.

use std::fmt::Write as _;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;

use crate::bench::captured::{Capture, assert_same_samples, demo, ended};
use crate::bench::line::Cable;
use crate::bench::run_folder::RunFolder;
use crate::memory::peak_kb;

const SOON: Duration = Duration::from_mins(2);
/// Budgets of the design, section 8.
const MEMORY_KB: u64 = 100_000;
const CORE_PCT: f64 = 10.0;
const LATE_S: f64 = 1.0;
/// Linux counts processor time in hundredths of a second for all programs.
const TICKS_PER_SECOND: f64 = 100.0;

/// The demo's span with ten channels more, at 10 kHz.
fn wide(motion: &Cable, strain: &Cable) -> String {
    let port = |cable: &Cable| cable.far.port.display().to_string();
    let mut setup = demo(10_000)
        .replace("\"bench\"", "\"motion\"")
        .replace("PORT", &port(motion))
        .replace("921600", "3000000");
    // The gauges move to the second device.
    for (name, index) in [("damper", 4), ("end", 5)] {
        let head = |source: &str, index: usize| {
            format!(
                "name = \"strain-{name}\"\nrole = \"clamp-strain\"\nsource = \"{source}\"\n\
                 index = {index}"
            )
        };
        let (from, to) = (head("motion", index), head("strain", index - 4));
        assert!(setup.contains(&from), "{setup}");
        setup = setup.replace(&from, &to);
    }
    write!(
        setup,
        "[[source]]\nname = \"strain\"\nkind = \"serial\"\nport = \"{}\"\nbaud = 3000000\n\
         rate_hz = 10000.0\n",
        port(strain)
    )
    .unwrap();
    let more = (4..8).map(|index| ("wave", "motion", index));
    let more = more.chain((2..8).map(|index| ("monitor", "strain", index)));
    for (number, (role, source, index)) in more.enumerate() {
        let position_m = 12.0 + 0.31 * number as f64;
        write!(
            setup,
            "[[channel]]\nname = \"more-{number}\"\nrole = \"{role}\"\nsource = \"{source}\"\n\
             index = {index}\nunit = \"m/s2\"\nfull_scale = 490.3325\nposition_m = {position_m}\n"
        )
        .unwrap();
    }
    setup
}

/// What the capture has cost so far: processor time, s; peak memory, kB.
fn cost(capture: &Capture) -> (f64, u64) {
    let stat = std::fs::read_to_string(format!("/proc/{}/stat", capture.id())).unwrap();
    // Behind the name in brackets, user time is field 12 and system time 13.
    let (_, fields) = stat.rsplit_once(')').unwrap();
    let ticks = fields.split_whitespace().skip(11).take(2);
    let ticks: f64 = ticks.map(|field| field.parse::<f64>().unwrap()).sum();
    (ticks / TICKS_PER_SECOND, peak_kb(capture.id()).unwrap())
}

/// How long after the end of its hold each point was on disk, s. The label of
/// the first sample is late by up to a read, 0.1 s: so much is added.
fn late_s(bench: &RunFolder, log: &str) -> Vec<f64> {
    let entries = log
        .lines()
        .filter_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .filter(|entry| entry["point"].is_u64());
    let points = bench.points("run");
    let time =
        |value: &serde_json::Value| -> jiff::Timestamp { value.as_str().unwrap().parse().unwrap() };
    entries
        .zip(points)
        .map(|(entry, point)| {
            let point: serde_json::Value = serde_json::from_str(&point).unwrap();
            assert_eq!(entry["point"], point["point"]);
            let hold_s = point["end_s"].as_f64().unwrap() - point["start_s"].as_f64().unwrap();
            let since_start = time(&entry["timestamp"]).duration_since(time(&point["start_utc"]));
            since_start.as_secs_f64() - hold_s + 0.1
        })
        .collect()
}

/// Plays both devices; `timed`: hold the processor time and the delays to
/// their budgets as well.
fn soak(harmonics: &str, seconds: &str, timed: bool) {
    let (motion, strain) = (Cable::new(), Cable::new());
    let bench = RunFolder::with_setup(&wide(&motion, &strain));
    let mut capture = bench.capture("run", &["--connect-seconds", "60"]);
    let began = Instant::now();
    let play = |cable: &Cable, source: &str| {
        let arguments = ["--source", source, "--out", source];
        let what = ["--harmonics", harmonics, "--seconds", seconds];
        bench.rehearse(&cable.near, &[arguments, what].concat())
    };
    let players = [play(&motion, "motion"), play(&strain, "strain")];
    for player in players {
        let (code, text, errors) = ended(player);
        assert_eq!(code, Some(0), "{errors}");
        eprintln!("{}", text.lines().next().unwrap());
    }
    let dwells = harmonics.split(',').count();
    if timed {
        capture.wait_for(&format!("Point {dwells} is on disk"), SOON);
    }
    thread::sleep(Duration::from_secs(2));
    let (processor_s, peak_kb) = cost(&capture);
    let core_pct = 100.0 * processor_s / began.elapsed().as_secs_f64();
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    for source in ["motion", "strain"] {
        let played = bench.path(source).join("setup.wav");
        assert_same_samples(&bench.recordings_of("run", source), &played);
    }
    let late_s = late_s(&bench, &log);
    eprintln!("{core_pct:.2} % of a core, {peak_kb} kB at most, points late by {late_s:.3?} s");
    assert!(peak_kb < MEMORY_KB, "{peak_kb} kB");
    if timed {
        assert!(core_pct < CORE_PCT, "{core_pct} %");
        assert_eq!(late_s.len(), dwells);
        assert!(late_s.iter().all(|late_s| *late_s < LATE_S), "{late_s:?}");
    }
}

#[test]
fn sixteen_channels_for_half_a_minute() {
    soak("22", "18", false);
}

/// Dwells longer than the longest hold: each point is due at a
/// moment known beforehand, and costs the most it can.
#[test]
#[ignore = "takes ten minutes: sixteen channels at 10 kHz"]
fn sixteen_channels_for_ten_minutes() {
    soak("8,11,14,17,20,22,24", "82", true);
}
