//! What is found live is what is found in the recordings, and when.

use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;

use crate::bench::captured::setup;
use std::sync::atomic::Ordering;

use crate::bench::line::{Device, Line, RATE_HZ, frame_with_force};
use crate::bench::run_folder::{RunFolder, code, stderr};
use spanhold::ledger::Run;

const SOON: Duration = Duration::from_mins(1);

/// Waits until everything the device sent is recorded and analysed.
fn wait_for_all(device: &Device) {
    let until = Instant::now() + Duration::from_hours(1);
    while !device.has_sent_all() {
        assert!(
            Instant::now() < until,
            "the device did not get its samples out"
        );
        thread::sleep(Duration::from_millis(20));
    }
    thread::sleep(Duration::from_secs(2));
}

#[test]
fn live_points_are_those_of_the_recordings_byte_for_byte() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 20.0, 100_000);
    let capture = bench.capture("run", &["--split-seconds", "30"]);
    wait_for_all(&device);
    capture.signal(Signal::SIGTERM);
    let (code, table, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert!(table.contains("Against the plan"), "{table}");
    let points = bench.points("run");
    assert!(points.len() >= 4, "{log}");

    assert!(bench.recordings("run").len() >= 3);
    let again = bench.reprocess("run", "again");
    assert_eq!(
        again.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&again.stderr)
    );
    assert_eq!(
        bench.read("again", "points.jsonl"),
        bench.read("run", "points.jsonl")
    );
    let record: serde_json::Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["state"], "stopped");
    assert_eq!(record["sources"][0]["frames"], 100_000, "{log}");
}

/// A note needs no end of the capture: it is written beside it, and stands when the
/// capture goes on after a break.
#[test]
fn a_note_is_written_while_a_capture_goes_on() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 20.0, 60_000);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    let words = [
        "note",
        "run",
        "--point",
        "1",
        "--by",
        "A. Name",
        "--exclude",
    ];
    let output = bench.spanhold(&[&words[..], &["somebody leant on the span"]].concat());
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let run = Run::open(&bench.path("run")).unwrap();
    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
    assert_eq!(run.exclusions()[0].point, 1);
    wait_for_all(&device);
    capture.signal(Signal::SIGTERM);
    let (ended, table, log) = capture.end(SOON);
    assert_eq!(ended, Some(0), "{log}");
    assert!(table.contains("#1: excluded by A. Name on "), "{table}");
    // The log's last line on the plan leaves the point out, as the table does.
    let counted = |text: &str| {
        let last = text.rsplit("Against the plan: ").next().unwrap();
        let counts = last.split(" remain").next().unwrap();
        counts.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    assert_eq!(counted(&log), counted(&table), "{log}");

    let device = Device::start(&line, 20.0, 10_000);
    let capture = bench.capture("run", &[]);
    wait_for_all(&device);
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
    let run = Run::open(&bench.path("run")).unwrap();
    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
    assert_eq!(run.exclusions()[0].point, 1);
}

#[test]
fn a_point_without_a_force_cell_waits_for_the_free_motion_and_no_longer() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    // In real time; the first dwell ends at 25 s.
    let began = Instant::now();
    let _device = Device::start(&line, 1.0, 60_000);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    // The change is certain once the window has seen it: a hop of 0.25 s. What
    // the span does then by itself may show the peak: it is looked at for 30 s at
    // most.
    let late_s = began.elapsed().as_secs_f64() - 25.0;
    assert!(
        late_s < 32.0,
        "{late_s} s after the dwell's end\n{}",
        capture.log()
    );
    assert_eq!(bench.points("run").len(), 1);
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
}

/// With a force cell nothing is waited for: half a second after the last sample of a
/// hold has left the device its point is on disk. Of two points the better counts, since
/// the machine may have had other things to do.
#[test]
fn a_point_with_a_force_cell_is_on_disk_within_half_a_second() {
    let line = Line::new();
    let force = "\n[[channel]]\nname = \"force\"\nrole = \"drive-force\"\nsource = \"bench\"\n\
                 index = 2\nunit = \"N\"\nfull_scale = 100.0\n[hold]\nmax_seconds = 8.5\n";
    let bench = RunFolder::on_line(&(setup() + force), &line);
    let device = Device::playing(&line, 1.0, 60_000, frame_with_force);
    let began = Instant::now();
    let capture = bench.capture("run", &[]);
    let file = bench.path("run").join("points.jsonl");
    // When each sample had left the device, every few milliseconds.
    let mut sent: Vec<(u64, Instant)> = Vec::new();
    let mut late_s = Vec::new();
    while late_s.len() < 2 {
        assert!(began.elapsed() < SOON, "{late_s:?}\n{}", capture.log());
        let now = Instant::now();
        sent.push((device.sent.load(Ordering::Relaxed), now));
        let text = std::fs::read_to_string(&file).unwrap_or_default();
        let whole: Vec<&str> = text.split_inclusive('\n').collect();
        let last = whole.last().filter(|line| line.ends_with('\n'));
        if let Some(last) = last.filter(|_| whole.len() > late_s.len()) {
            let point: serde_json::Value = serde_json::from_str(last).unwrap();
            assert_eq!(point["verdict"], "held", "{point}");
            let end = (point["end_s"].as_f64().unwrap() * RATE_HZ) as u64;
            let (_, left) = sent.iter().find(|(count, _)| *count >= end).unwrap();
            late_s.push(now.duration_since(*left).as_secs_f64());
        }
        thread::sleep(Duration::from_millis(5));
    }
    let best = late_s.iter().copied().fold(f64::INFINITY, f64::min);
    assert!(best < 0.5, "{late_s:?} s late\n{}", capture.log());
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
}

#[test]
fn a_run_is_gone_on_with_after_a_stop() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let device = Device::start(&line, 10.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 2 is on disk", SOON);
    capture.signal(Signal::SIGINT);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    let before = bench.points("run");

    let mut capture = bench.capture("run", &[]);
    let next = format!("Point {} is on disk", before.len() + 2);
    capture.wait_for(&next, SOON);
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    drop(device);
    let after = bench.points("run");
    assert_eq!(after[..before.len()], before[..], "what was logged stays");
    let parsed: Vec<serde_json::Value> = after
        .iter()
        .map(|point| serde_json::from_str(point).unwrap())
        .collect();
    for (number, pair) in (1_u64..).zip(parsed.windows(2)) {
        assert_eq!(pair[0]["point"], number);
        let (end_s, start_s) = (&pair[0]["end_s"], &pair[1]["start_s"]);
        assert!(end_s.as_f64() <= start_s.as_f64(), "{end_s} {start_s}");
    }
    let record: serde_json::Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["sessions"], 2);
}

#[test]
fn a_limit_raises_an_alarm_in_log_hook_and_exit_code() {
    let line = Line::new();
    let setup = format!("{}\n[limits]\nantinode_velocity_mm_s = 150.0\n", setup());
    let bench = RunFolder::on_line(&setup, &line);
    let _device = Device::start(&line, 5.0, u64::MAX);
    let hook = "echo \"$SPANHOLD_ALARM\" > alarm.txt";
    let capture = bench.capture("run", &["--on-alarm", hook, "--stop-on-alarm"]);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(1), "{log}");
    assert!(log.contains("no interlock"), "{log}");
    // The command is not waited for.
    let until = Instant::now() + SOON;
    let told = || std::fs::read_to_string(bench.path("alarm.txt")).unwrap_or_default();
    while told().is_empty() && Instant::now() < until {
        thread::sleep(Duration::from_millis(20));
    }
    let told = told();
    assert!(told.contains("above the limit of 150 mm/s"), "{told}");
    assert!(
        bench
            .read("run", "events.jsonl")
            .contains("\"kind\":\"alarm\"")
    );
}

#[test]
fn check_finds_nothing_wrong_with_a_good_line() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 1.0, u64::MAX);
    let output = bench
        .command(&["check", "setup.toml", "--seconds", "5"])
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let stderr = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{text}{stderr}");
    assert!(
        text.contains("antinode") && text.contains("Nothing wrong"),
        "{text}"
    );
}

/// Before the day's work, not when it is reduced.
#[test]
fn a_required_curve_of_fractions_is_said_when_a_capture_begins() {
    let criterion = "[[criteria]]\nkind = \"efficiency-curve\"\ncurve = \"curve.csv\"\n";
    let line = Line::new();
    let bench = RunFolder::on_line(&format!("{}\n{criterion}", setup()), &line);
    let fractions = "frequency_hz,efficiency_pct\n5,0.1\n50,0.25\n";
    std::fs::write(bench.path("curve.csv"), fractions).unwrap();
    let _device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("if these are fractions, per cent are right", SOON);
    capture.wait_for("Session 1 begins", SOON);
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
}
