//! A user plans a sweep: `spanhold plan SETUP`, as table, CSV and JSON.

use std::path::{Path, PathBuf};

use assert_cmd::assert::OutputAssertExt as _;

use crate::bench::run_folder::spanhold;

const SETUP: &str = r#"
[test]
title = "Invented plan"
damper = "invented"

[conductor]
designation = "invented, 21.8 mm"
diameter_mm = 21.8
mass_kg_per_m = 0.98
bending_stiffness_n_m2 = 180.0

[span]
length_m = 36.0
tension_kn = 18.0
damper_position_m = 0.95
drive_position_m = 1.3

[amplitude]
rule = "inverse-frequency"
value = 67.0

[[source]]
name = "bench"
kind = "wav"
rate_hz = 1000.0

[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "m/s2"
full_scale = 490.3325

[[channel]]
name = "node"
role = "node"
source = "bench"
index = 1
unit = "m/s2"
full_scale = 490.3325

[[channel]]
name = "force"
role = "drive-force"
source = "bench"
index = 2
unit = "N"
full_scale = 500.0
"#;

fn setup_file(folder: &Path, text: &str) -> PathBuf {
    let file = folder.join("setup.toml");
    std::fs::write(&file, text).unwrap();
    file
}

fn plan(file: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
    spanhold(&[&["plan", file.to_str().unwrap()], more].concat()).assert()
}

fn standard_output(assert: &assert_cmd::assert::Assert) -> String {
    String::from_utf8(assert.get_output().stdout.clone()).unwrap()
}

#[test]
fn table_csv_and_json_tell_the_same() {
    let folder = tempfile::tempdir().unwrap();
    let file = setup_file(folder.path(), SETUP);
    let table = standard_output(&plan(&file, &[]).code(0));
    let csv = standard_output(&plan(&file, &["--csv"]).code(0));
    let json = standard_output(&plan(&file, &["--json"]).code(0));
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    let harmonics = json["harmonics"].as_array().unwrap();
    assert_eq!(csv.lines().count(), harmonics.len() + 1);
    let head: Vec<&str> = csv.lines().next().unwrap().split(',').collect();
    let column = head.iter().position(|h| *h == "frequency_hz").unwrap();
    for (row, harmonic) in csv.lines().skip(1).zip(harmonics) {
        let csv_hz: f64 = row.split(',').nth(column).unwrap().parse().unwrap();
        let json_hz = harmonic["frequency_hz"].as_f64().unwrap();
        assert!((csv_hz - json_hz).abs() < 1e-12);
        assert!(table.contains(&format!("{json_hz:.2}")));
        // Common practice, no source: 67/f mm peak-to-peak is about 210 mm/s.
        let v = harmonic["antinode_velocity_mm_s"].as_f64().unwrap();
        assert!((v - 210.0).abs() < 1.0);
    }
    // IEC 61897: 0.18/d to 1.4/d, here 8.26 Hz to 64.2 Hz.
    let first = harmonics[0]["frequency_hz"].as_f64().unwrap();
    let last = harmonics[harmonics.len() - 1]["frequency_hz"]
        .as_f64()
        .unwrap();
    assert!(first >= 8.25 && last <= 64.23 && harmonics.len() > 25);
}

#[test]
fn a_short_span_and_a_narrow_range_are_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let text = SETUP
        .replace("length_m = 36.0", "length_m = 22.0")
        .replacen("full_scale = 490.3325", "full_scale = 30.0", 1);
    let file = setup_file(folder.path(), &text);
    let assert = plan(&file, &[]).code(0);
    let errors = String::from_utf8(assert.get_output().stderr.clone()).unwrap();
    assert!(errors.contains("common practice, no source"), "{errors}");
    assert!(errors.contains("channel \"antinode\""), "{errors}");
    assert!(standard_output(&assert).contains("DOES NOT SUFFICE"));
}

#[test]
fn a_wrong_argument_or_file_is_exit_code_2() {
    let folder = tempfile::tempdir().unwrap();
    let file = setup_file(folder.path(), SETUP);
    plan(&file, &["--efficiency-pct", "0"]).code(2);
    plan(&file, &["--json", "--csv"]).code(2);
    let wrong = setup_file(folder.path(), &SETUP.replace("18.0", "-18.0"));
    let assert = plan(&wrong, &[]).code(2);
    let errors = String::from_utf8(assert.get_output().stderr.clone()).unwrap();
    assert!(errors.contains("tension_kn"), "{errors}");
}
