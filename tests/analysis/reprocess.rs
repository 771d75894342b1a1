//! `spanhold reprocess`, run as a user runs it: recordings in, run folder out.

use std::f64::consts::TAU;
use std::path::{Path, PathBuf};
use std::process::Command;

use assert_cmd::assert::OutputAssertExt as _;

use crate::bench::run_folder::{RunFolder, stderr};
use crate::bench::setups::ANTINODE_AND_NODE as SETUP;

const RATE_HZ: u32 = 1000;

/// A folder to reprocess recordings in.
struct Bench(RunFolder);

impl Bench {
    fn new(setup: &str) -> Self {
        Self(RunFolder::with_setup(setup))
    }

    /// Two dwells of 40 s, at 12.3 and 20.5 Hz: antinode 200 mm/s peak, node
    /// 20 mm/s peak a quarter of a cycle later, some noise.
    fn record(&self, name: &str, from_s: u32, to_s: u32) -> PathBuf {
        self.record_at(RATE_HZ, name, from_s, to_s)
    }

    fn record_at(&self, rate_hz: u32, name: &str, from_s: u32, to_s: u32) -> PathBuf {
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: rate_hz,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let path = self.path(name);
        let mut wav = hound::WavWriter::create(&path, spec).unwrap();
        for frame in from_s * rate_hz..to_s * rate_hz {
            let t_s = f64::from(frame) / f64::from(rate_hz);
            let frequency_hz = if t_s < 40.0 { 12.3 } else { 20.5 };
            for (channel, peak, phase) in [(0, 0.2, 0.0), (1, 0.02, 0.25 * TAU)] {
                let noise = 1e-4 * scatter(u64::from(frame) * 2 + channel);
                let value = peak * (TAU * frequency_hz * t_s + phase).cos() + noise;
                wav.write_sample((value * 8_388_607.0) as i32).unwrap();
            }
        }
        wav.finalize().unwrap();
        path
    }

    fn command(&self, arguments: &[&str]) -> Command {
        self.0
            .command(&[&["reprocess", "setup.toml"], arguments].concat())
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.path(name)
    }

    fn read(&self, run: &str, name: &str) -> String {
        self.0.read(run, name)
    }
}

/// −1..1, without a period that matters (SplitMix64).
fn scatter(index: u64) -> f64 {
    let mut z = (index + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

#[test]
fn two_dwells_become_two_points_whatever_the_blocks_and_threads() {
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 80);
    let output = bench
        .command(&["sweep.wav", "--out", "run"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let table = String::from_utf8(output.stdout).unwrap();
    assert!(
        table.contains("2 steady") && table.contains("efficiency"),
        "{table}"
    );

    let points = bench.read("run", "points.jsonl");
    let parsed: Vec<serde_json::Value> = points
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(parsed.len(), 2, "{points}");
    for (number, (point, frequency_hz)) in (1_u64..).zip(parsed.iter().zip([12.3, 20.5])) {
        assert_eq!(point["point"], number);
        let near = |key: &str, value: f64, share: f64| {
            let got = point[key].as_f64().unwrap();
            assert!((got - value).abs() < share * value, "{key}: {got}");
        };
        near("frequency_hz", frequency_hz, 1e-4);
        near("antinode_velocity_mm_s", 200.0, 1e-3);
        near("node_velocity_mm_s", 20.0, 5e-3);
        near("efficiency_pct", 10.0, 5e-3);
        // Half of sqrt(T m) V_a V_n = ½ · sqrt(18000 · 0.98) · 0.2 · 0.02, by hand.
        near("power_total_w", 0.265_63, 5e-3);
    }
    for (number, options) in [
        ["--block-frames", "1", "--threads", "1"],
        ["--block-frames", "777", "--threads", "2"],
        ["--block-frames", "50000", "--threads", "3"],
        ["--block-frames", "16777216", "--threads", "7"],
    ]
    .into_iter()
    .enumerate()
    {
        let run = format!("run{number}");
        let mut command = bench.command(&["sweep.wav", "--out", &run]);
        command.args(options).assert().success();
        bench.0.assert_same_results(&run, "run");
    }
    assert_eq!(bench.read("run", "setup.toml"), SETUP);
    let record: serde_json::Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["state"], "done");
    assert_eq!(record["points"]["steady"], 2);
    assert_eq!(record["sources"][0]["frames"], 80_000);
    let wav = std::fs::read(bench.path("sweep.wav")).unwrap();
    let hash = blake3::hash(&wav).to_hex();
    assert_eq!(record["sources"][0]["files"][0]["blake3"], hash.as_str());
}

/// Much is read for each hop: with more than one thread one of them reads ahead.
#[test]
fn a_fast_recording_gives_the_same_whoever_reads_it() {
    let bench = Bench::new(&SETUP.replace("rate_hz = 1000.0", "rate_hz = 48000.0"));
    bench.record_at(48_000, "fast.wav", 22, 56);
    for (run, threads, frames) in [
        ("run", "1", "16384"),
        ("run2", "2", "16384"),
        ("run3", "3", "700"),
        ("run6", "6", "16777216"),
    ] {
        let options = ["--threads", threads, "--block-frames", frames];
        let arguments = [&["fast.wav", "--out", run][..], &options].concat();
        bench.command(&arguments).assert().success();
        bench.0.assert_same_results(run, "run");
    }
    assert_eq!(bench.read("run", "points.jsonl").lines().count(), 2);
}

#[test]
fn files_that_are_said_to_continue_one_another_are_one_recording() {
    let continues = "rate_hz = 1000.0\ncontinues = true";
    let bench = Bench::new(&SETUP.replace("rate_hz = 1000.0", continues));
    bench.record("whole.wav", 0, 80);
    bench.record("a.wav", 0, 33);
    bench.record("b.wav", 33, 80);
    bench
        .command(&["whole.wav", "--out", "whole"])
        .assert()
        .success();
    bench
        .command(&["a.wav", "b.wav", "--out", "parts"])
        .assert()
        .success();
    let values = |run: &str| -> Vec<serde_json::Value> {
        let text = bench.read(run, "points.jsonl");
        let points = text.lines().map(|line| {
            let mut point: serde_json::Value = serde_json::from_str(line).unwrap();
            let keys = point.as_object_mut().unwrap();
            // What names the recording, and the chain of the log.
            for key in ["recording", "recording_start_s", "chain"] {
                assert!(keys.remove(key).is_some(), "{key}");
            }
            point
        });
        points.collect()
    };
    assert_eq!(values("parts").len(), 2);
    assert_eq!(values("parts"), values("whole"));
}

#[test]
fn a_recording_cut_short_gives_what_is_whole_in_it_and_says_so() {
    let bench = Bench::new(SETUP);
    let path = bench.record("sweep.wav", 0, 80);
    let bytes = std::fs::read(&path).unwrap();
    std::fs::write(&path, &bytes[..=bytes.len() / 2]).unwrap();
    let output = bench
        .command(&["sweep.wav", "--out", "run"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    assert!(stderr(&output).contains("sweep.wav"), "{}", stderr(&output));
    assert_eq!(bench.read("run", "points.jsonl").lines().count(), 1);
}

#[test]
fn json_is_the_points_and_nothing_else_on_standard_output() {
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 80);
    let output = bench
        .command(&["sweep.wav", "--out", "run", "--json"])
        .output()
        .unwrap();
    let summary: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(summary["run"], "run");
    assert_eq!(summary["points"].as_array().unwrap().len(), 2);
    let first = bench.read("run", "points.jsonl");
    let mut first: serde_json::Value = serde_json::from_str(first.lines().next().unwrap()).unwrap();
    // The chain is the log's, not the point's.
    assert!(first.as_object_mut().unwrap().remove("chain").is_some());
    assert_eq!(summary["points"][0], first);
}

#[test]
fn a_run_is_replaced_only_with_force() {
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 45);
    bench
        .command(&["sweep.wav", "--out", "run"])
        .assert()
        .success();
    let again = bench
        .command(&["sweep.wav", "--out", "run"])
        .output()
        .unwrap();
    assert_eq!(again.status.code(), Some(2));
    assert!(stderr(&again).contains("--force"), "{}", stderr(&again));
    bench
        .command(&["sweep.wav", "--out", "run", "--force"])
        .assert()
        .success();
}

/// What is wrong with the arguments or the input: exit code 2, and a message
/// that holds all of these.
fn refused(bench: &Bench, arguments: &[&str], says: &[&str]) {
    let output = bench.command(arguments).output().unwrap();
    let text = stderr(&output);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {text}");
    for part in says {
        assert!(
            text.contains(part),
            "{arguments:?}: {part:?} is not in {text}"
        );
    }
    assert!(
        !bench.path("run").exists(),
        "{arguments:?} left a run folder behind"
    );
}

#[test]
fn wrong_input_is_named_and_leaves_nothing_behind() {
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 20);
    refused(&bench, &["gone.wav", "--out", "run"], &["gone.wav"]);
    refused(&bench, &["setup.toml", "--out", "run"], &["setup.toml"]);
    refused(&bench, &["--out", "run"], &["FILE"]);
    refused(
        &bench,
        &["sweep.wav", "--out", "run", "--threads", "0"],
        &["threads"],
    );

    let slow = Bench::new(&SETUP.replace("rate_hz = 1000.0", "rate_hz = 2000.0"));
    slow.record("sweep.wav", 0, 20);
    refused(
        &slow,
        &["sweep.wav", "--out", "run"],
        &["\"bench\"", "1000 Hz", "2000"],
    );

    let narrow = Bench::new(&SETUP.replace("index = 1", "index = 2"));
    narrow.record("sweep.wav", 0, 20);
    refused(
        &narrow,
        &["sweep.wav", "--out", "run"],
        &["\"node\"", "index 2"],
    );

    let unknown = Bench::new(&SETUP.replace("title", "titel"));
    unknown.record("sweep.wav", 0, 20);
    refused(
        &unknown,
        &["sweep.wav", "--out", "run"],
        &["setup.toml:3", "titel"],
    );
}

fn two_sources() -> String {
    let gauges = r#"
[[source]]
name = "gauges"
kind = "wav"
[[channel]]
name = "gauge"
role = "clamp-strain"
source = "gauges"
index = 0
unit = "um/m"
full_scale = 1000.0
location = "damper"
"#;
    format!("{SETUP}{gauges}")
}

#[test]
fn several_sources_are_told_apart_by_name() {
    let bench = Bench::new(&two_sources());
    bench.record("bench.wav", 0, 45);
    bench.record("gauges.wav", 0, 45);
    refused(
        &bench,
        &["bench.wav", "gauges.wav", "--out", "run"],
        &["bench.wav", "NAME=FILE", "bench, gauges"],
    );
    refused(
        &bench,
        &["bench=bench.wav", "--out", "run"],
        &["\"gauges\"", "gauges=FILE"],
    );
    let files = ["gauges=gauges.wav", "bench=bench.wav", "--out", "run"];
    bench.command(&files).assert().success();
    let points = bench.read("run", "points.jsonl");
    let first: serde_json::Value = serde_json::from_str(points.lines().next().unwrap()).unwrap();
    // The recording's first channel, 0.2 of full scale peak, read as strain.
    let strain = first["strain_pp_um_m"]["damper"].as_f64().unwrap();
    assert!((strain - 400.0).abs() < 0.5, "{strain}");
}

#[test]
fn a_full_disk_is_said_plainly() {
    // /dev/full answers every write as a full disk does; no run folder can be
    // made of it, but a link to it can stand where a file of the run goes.
    if !Path::new("/dev/full").exists() {
        return;
    }
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 80);
    bench
        .command(&["sweep.wav", "--out", "whole"])
        .assert()
        .success();
    let run = bench.path("run");
    std::fs::create_dir(&run).unwrap();
    // A folder that holds a run, so that --force may fill it.
    std::fs::copy(bench.path("whole").join("run.json"), run.join("run.json")).unwrap();
    std::os::unix::fs::symlink("/dev/full", run.join("run.json.new")).unwrap();
    let output = bench
        .command(&["sweep.wav", "--out", "run", "--force"])
        .output()
        .unwrap();
    assert_ne!(output.status.code(), Some(0));
    assert!(
        stderr(&output).contains("free some space"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn a_point_has_the_places_of_the_recording_it_was_read_from() {
    let places = "\n[[place]]\nfile = \"second.wav\"\nnode_position_m = 20.0\n\
                  antinode_position_m = 18.5\n";
    let bench = Bench::new(&format!("{SETUP}{places}"));
    bench.record("first.wav", 0, 40);
    bench.record("second.wav", 40, 80);
    let output = bench
        .command(&["first.wav", "second.wav", "--out", "run"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
    let points: Vec<serde_json::Value> = bench
        .read("run", "points.jsonl")
        .lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    assert_eq!(points.len(), 2);
    let at = |nth: usize, key: &str| points[nth][key].as_f64();
    assert_eq!(at(0, "node_position_m"), None);
    assert_eq!(at(0, "antinode_offset_mm"), None);
    assert_eq!(at(1, "node_position_m"), Some(20.0));
    assert_eq!(at(1, "antinode_position_m"), Some(18.5));
    // The offset of the antinode sensor goes by the same places.
    assert!(at(1, "antinode_offset_mm").is_some());
}

/// The setup of these tests at a level, with what a guard band needs said of
/// the calibration of some channels only.
fn at_level(value_mm_s: f64, calibrated: &[&str]) -> String {
    let mut setup =
        format!("{SETUP}\n[amplitude]\nrule = \"constant-velocity\"\nvalue = {value_mm_s:.1}\n");
    for name in calibrated {
        let header = format!("name = \"{name}\"\n");
        assert!(setup.contains(&header));
        setup = setup.replace(&header, &format!("{header}uncertainty_pct = 1.0\n"));
    }
    setup
}

#[test]
fn what_rests_on_an_unstated_calibration_is_marked_wherever_it_is_told() {
    let bench = Bench::new(&at_level(200.0, &["antinode"]));
    bench.record("sweep.wav", 0, 40);
    let output = bench
        .command(&["sweep.wav", "--out", "run"])
        .output()
        .unwrap();
    let table = String::from_utf8(output.stdout).unwrap();
    let footnote = "* The uncertainty is incomplete, and too small: node: no uncertainty_pct.";
    assert!(table.contains(footnote), "{table}");
    let row = table.lines().find(|line| line.starts_with('1')).unwrap();
    assert!(row.contains('*'), "{table}");
    // The antinode's velocity rests on the antinode alone, the ratio on both.
    let point: serde_json::Value =
        serde_json::from_str(bench.read("run", "points.jsonl").trim()).unwrap();
    assert_eq!(
        point["uncertainty_incomplete"],
        serde_json::json!(["node: no uncertainty_pct"])
    );
    let keys: Vec<&str> = point["uncertainty_incomplete_keys"]
        .as_array()
        .unwrap()
        .iter()
        .map(|key| key.as_str().unwrap())
        .collect();
    for touched in [
        "node_velocity_mm_s",
        "node_amplitude_mm_pp",
        "iswr",
        "efficiency_pct",
        "power_total_w",
    ] {
        assert!(keys.contains(&touched), "{touched}: {keys:?}");
    }
    for complete in ["frequency_hz", "antinode_velocity_mm_s", "node_phase_deg"] {
        assert!(!keys.contains(&complete), "{complete}: {keys:?}");
    }
    let csv = bench.read("run", "points.csv");
    let mut lines = csv.lines();
    assert!(lines.next().unwrap().contains(",uncertainty_incomplete,"));
    assert!(lines.next().unwrap().contains("node: no uncertainty_pct"));
    assert!(bench.0.spanhold(&["report", "run"]).status.success());
    let report = bench.read("run", "report.html");
    assert!(report.contains(footnote), "the report says nothing of it");
    assert!(report.contains("Uncertainty budget of point 1"));
    let audit = bench.0.spanhold(&["audit", "run", "--point", "1"]);
    let audit = String::from_utf8(audit.stdout).unwrap();
    for cause in ["calibration of antinode", "place of antinode", "tension"] {
        assert!(report.contains(cause), "{cause} is not in the report");
        assert!(
            audit.contains(cause),
            "{cause} is not in the audit: {audit}"
        );
    }
}

#[test]
fn where_every_calibration_is_stated_nothing_is_marked() {
    let bench = Bench::new(&at_level(200.0, &["antinode", "node"]));
    bench.record("sweep.wav", 0, 40);
    let output = bench
        .command(&["sweep.wav", "--out", "run"])
        .output()
        .unwrap();
    let table = String::from_utf8(output.stdout).unwrap();
    assert!(!table.contains('*'), "{table}");
    let points = bench.read("run", "points.jsonl");
    assert!(
        points.contains(r#""uncertainty_incomplete":[]"#),
        "{points}"
    );
    assert!(!points.contains("another level"), "{points}");
}

#[test]
fn a_level_off_by_a_factor_is_said_at_the_point_and_asked_about() {
    let plain = |output: std::process::Output| {
        let text = String::from_utf8(output.stdout).unwrap();
        text.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let asked = |level_mm_s: f64| {
        let bench = Bench::new(&at_level(level_mm_s, &["antinode", "node"]));
        bench.record("sweep.wav", 0, 80);
        let run = bench
            .command(&["sweep.wav", "--out", "run"])
            .output()
            .unwrap();
        [
            plain(run),
            plain(bench.0.spanhold(&["check", "setup.toml", "sweep.wav"])),
            plain(bench.0.spanhold(&["reduce", "run"])),
        ]
    };
    // 200 mm/s are read where 400 were to be kept.
    let [table, checked, reduced] = asked(400.0);
    assert!(table.contains("taken at another level"), "{table}");
    assert!(table.contains("off target"), "{table}");
    let question = "\"antinode\": peak or peak-to-peak?";
    assert!(checked.contains(question), "{checked}");
    assert!(reduced.contains(question), "{reduced}");
    // A thousandth of the level is no dwell; the question is asked still.
    let [_, checked, reduced] = asked(200_000.0);
    let question = "\"antinode\": unit m/s instead of mm/s?";
    assert!(checked.contains(question), "{checked}");
    assert!(reduced.contains(question), "{reduced}");
    // On the level nothing is asked or said.
    let [table, checked, reduced] = asked(200.0);
    assert!(!table.contains("another level"), "{table}");
    for text in [checked, reduced] {
        assert!(!text.contains("times the level"), "{text}");
    }
}

#[test]
fn a_recording_given_twice_makes_its_points_once_and_is_flagged_once() {
    let bench = Bench::new(SETUP);
    bench.record("sweep.wav", 0, 80);
    std::fs::copy(bench.path("sweep.wav"), bench.path("twin.wav")).unwrap();
    let run = |name: &str, files: &[&str]| {
        let mut arguments = files.to_vec();
        arguments.extend(["--out", name]);
        let output = bench.command(&arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        stderr(&output)
    };
    let quiet = run("once", &["sweep.wav"]);
    assert!(!quiet.contains("given twice"), "{quiet}");
    for (name, files) in [
        ("same", ["sweep.wav", "sweep.wav"]),
        ("copied", ["sweep.wav", "twin.wav"]),
    ] {
        let said = run(name, &files);
        assert_eq!(said.matches("given twice").count(), 1, "{said}");
        for file in ["points.jsonl", "trace.csv"] {
            assert_eq!(bench.read(name, file), bench.read("once", file), "{name}");
        }
        let events = bench.read(name, "events.jsonl");
        assert_eq!(events.matches("repeated-recording").count(), 1, "{events}");
        assert!(events.contains(files[1]), "{events}");
        // What the log says of it can be verified.
        let verified = bench.0.spanhold(&["verify", name]);
        let text = String::from_utf8(verified.stdout).unwrap();
        assert_eq!(verified.status.code(), Some(0), "{text}");
    }
    // Without the word in the record the flag is somebody else's.
    let events = bench.path("once").join("events.jsonl");
    std::fs::copy(bench.path("same").join("events.jsonl"), &events).unwrap();
    assert_eq!(bench.0.spanhold(&["verify", "once"]).status.code(), Some(1));
}
