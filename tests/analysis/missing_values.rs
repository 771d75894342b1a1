//! A sensor that gives no value costs what rests on it, and nothing else.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "a failure here is the test's own message"
)]

use crate::bench::run_folder::{RunFolder, code, stderr};
use crate::bench::setups::demo;
use serde_json::Value;

/// Bytes of a sample of the recording, and channels of the demo's setup.
const SAMPLE_BYTES: usize = 4;
const CHANNELS: usize = 6;
const ANTINODE: usize = 0;
const STRAIN_END: usize = 5;
const RATE_HZ: usize = 220;

/// A recording of two dwells as 32-bit floats.
fn recorded() -> RunFolder {
    let folder = RunFolder::with_setup(&demo());
    let output = folder.spanhold(&[
        "rehearse",
        "setup.toml",
        "--harmonics=12,14",
        "--format=f32",
        "--out=.",
    ]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    folder
}

/// The points of the recording with some values taken out.
fn points(folder: &RunFolder, run: &str, is_missing: impl Fn(usize, usize) -> bool) -> Vec<Value> {
    let mut bytes = std::fs::read(folder.path("setup.wav")).unwrap();
    let data = bytes.windows(4).position(|name| name == b"data").unwrap() + 8;
    for (number, sample) in bytes[data..].chunks_exact_mut(SAMPLE_BYTES).enumerate() {
        if is_missing(number % CHANNELS, number / CHANNELS) {
            sample.copy_from_slice(&f32::NAN.to_le_bytes());
        }
    }
    let recording = format!("{run}.wav");
    std::fs::write(folder.path(&recording), bytes).unwrap();
    let output = folder.spanhold(&["reprocess", "setup.toml", &recording, "--out", run]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let points = folder.points(run);
    points
        .iter()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn a_gauge_without_a_value_costs_its_own_strain_alone() {
    let folder = recorded();
    let whole = points(&folder, "whole", |_, _| false);
    assert_eq!(whole.len(), 2);
    // All the time, and once in a while.
    for (run, every) in [("never", 1), ("seldom", 3 * RATE_HZ)] {
        let found = points(&folder, run, |channel, frame| {
            channel == STRAIN_END && frame % every == 0
        });
        assert_eq!(found.len(), 2);
        for (mut found, mut whole) in found.into_iter().zip(whole.clone()) {
            // The chain is the log's, not the point's.
            for point in [&mut found, &mut whole] {
                // Nor is what the recording is called.
                for key in ["chain", "recording"] {
                    assert!(point.as_object_mut().unwrap().remove(key).is_some());
                }
            }
            for key in ["strain_pp_um_m", "strain_pp_u_um_m"] {
                assert!(found[key].get("end").is_none(), "{found}");
                assert!(whole[key].as_object_mut().unwrap().remove("end").is_some());
            }
            let reasons = found["reasons"].as_array_mut().unwrap();
            let before = reasons.len();
            reasons.retain(|reason| {
                !reason
                    .as_str()
                    .unwrap()
                    .contains("no strain from strain-end: the gauge gave no value")
            });
            assert_eq!(reasons.len(), before - 1);
            assert_eq!(found, whole, "every other value is what it was");
        }
    }
}

/// What a resonance is read from cannot be filled in: the instant is missing,
/// and no hold reaches across it.
#[test]
fn an_antinode_without_a_value_is_a_gap() {
    let folder = recorded();
    let whole = points(&folder, "whole", |_, _| false);
    let middle_s =
        0.5 * (whole[0]["start_s"].as_f64().unwrap() + whole[0]["end_s"].as_f64().unwrap());
    let at = (middle_s * RATE_HZ as f64) as usize;
    let found = points(&folder, "gap", |channel, frame| {
        channel == ANTINODE && (at..at + 3).contains(&frame)
    });
    for point in &found {
        let reaches_across = point["start_s"].as_f64().unwrap() < middle_s
            && point["end_s"].as_f64().unwrap() > middle_s + 0.1;
        assert!(!reaches_across, "{point}");
    }
    let last = |points: &[Value]| points.last().unwrap()["frequency_hz"].clone();
    assert_eq!(last(&found), last(&whole), "the other dwell is what it was");
    let record: Value = serde_json::from_str(&folder.read("gap", "run.json")).unwrap();
    let events = folder.read("gap", "events.jsonl");
    let gaps = events
        .lines()
        .filter(|line| line.contains("\"gap\""))
        .count();
    assert_eq!(gaps, 1, "{events}");
    assert!(
        record.to_string().contains("\"missing_frames\":3"),
        "{record}"
    );
}
