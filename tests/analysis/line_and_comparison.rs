//! From run folders to a line span (`field`) and to each other (`compare`).
//!
//! The run folders are made here from points of an invented damper; what is
//! checked is arithmetic done by hand beside each check.

use assert_cmd::assert::OutputAssertExt as _;
use spanhold::reduction::{Measured, SettledPoint};
use spanhold::setup::Verdict;

use crate::bench::run_folder::{RunFolder, code, spanhold, stderr, stdout};

/// ACSR Drake at 25 % of its strength; sweep of five harmonics of a string.
const SETUP: &str = r#"
[test]
title = "invented"
damper = "invented"

[conductor]
designation = "ACSR Drake"
diameter_mm = 28.12
mass_kg_per_m = 1.628
rated_strength_kn = 140.1
outer_wire_diameter_mm = 4.442
least_bending_stiffness_n_m2 = 44.4

[span]
length_m = 40.0
tension_kn = 35.03
damper_position_m = 1.0

[sweep]
low_hz = 18.0
high_hz = 26.0

[[source]]
name = "bench"
kind = "wav"
rate_hz = 1000.0

[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "mm/s"
full_scale = 1000.0
"#;

/// Harmonics 10 to 14 of the string, c/(2L) = 1.8336 Hz.
fn points(power_damper_w: f64, efficiency_pct: f64) -> Vec<SettledPoint> {
    (10..=14)
        .zip(1..)
        .map(|(n, point)| SettledPoint {
            point,
            verdict: Verdict::Held,
            harmonic: Some(n),
            frequency_hz: Some(Measured::without_u(1.8336 * f64::from(n))),
            antinode_velocity_mm_s: Some(Measured::without_u(200.0)),
            efficiency_pct: Some(Measured::new(efficiency_pct, 0.6)),
            power_damper_w: Some(Measured::new(power_damper_w, 0.03 * power_damper_w)),
            ..SettledPoint::default()
        })
        .collect()
}

fn json(arguments: &[&str], code: i32) -> serde_json::Value {
    let output = spanhold(&[arguments, &["--json"]].concat());
    let output = output.assert().code(code);
    serde_json::from_slice(&output.get_output().stdout).unwrap()
}

/// Annex C of IEC 61897:1998 on 28.12 mm, at a peak antinode velocity in mm/s,
/// written out from its coefficients: Y peak-to-peak over d.
fn iec_1998_w_per_m(frequency_hz: f64, velocity_mm_s: f64) -> f64 {
    let y_pp_mm = 2.0 * velocity_mm_s / (2.0 * std::f64::consts::PI * frequency_hz);
    let x = (y_pp_mm / 28.12).log10();
    let z = -0.491_949
        - 11.8029 * x
        - 43.5532 * x.powi(2)
        - 78.5876 * x.powi(3)
        - 86.1199 * x.powi(4)
        - 58.1808 * x.powi(5)
        - 23.6082 * x.powi(6)
        - 5.26705 * x.powi(7)
        - 0.495_885 * x.powi(8);
    0.02812f64.powi(4) * frequency_hz.powi(3) * 10f64.powf(z)
}

#[test]
fn a_line_span_settles_where_the_wind_is_matched() {
    let folder = RunFolder::empty();
    folder.finished_run("run", SETUP, &points(0.5, 20.0));
    let run = folder.path("run");
    let run = run.to_str().unwrap();
    let common = [
        "field",
        run,
        "--span",
        "300",
        "--dampers",
        "2",
        "--wind",
        "iec-61897-1998",
    ];
    let field = json(&common, 0);
    let rows = field["rows"].as_array().unwrap();
    assert_eq!(rows.len(), 5);
    for row in rows {
        // There the wind's power on 300 m is that of two dampers, which goes
        // with the square of the level.
        let f = row["frequency_hz"].as_f64().unwrap();
        let v = row["antinode_velocity_mm_s"].as_f64().unwrap();
        let wind_w = 300.0 * iec_1998_w_per_m(f, v);
        let dampers_w = 2.0 * 0.5 * (v / 200.0).powi(2);
        assert!(
            (wind_w / dampers_w - 1.0).abs() < 1e-6,
            "{f}: {wind_w} {dampers_w}"
        );
        // 353 mm/s peak are 300 um/m peak-to-peak on Drake (handbook formula).
        let strain = row["clamp_strain_pp_um_m"].as_f64().unwrap();
        assert!((strain - 300.0 * v / 353.0).abs() < 1.0);
        let weakest = row["amplitude_weakest_mm_pp"].as_f64().unwrap();
        assert!(weakest > row["amplitude_mm_pp"].as_f64().unwrap());
    }
    assert!(field["wind"].as_str().unwrap().contains("1998"));
    assert!(
        field["cautions"]
            .to_string()
            .contains("responsible engineer")
    );
    // With a strain limit the longest span is where each row just meets it.
    let mut limited = common.to_vec();
    limited.extend(["--strain-limit-pp-um-m", "300"]);
    let field = json(&limited, 0);
    let longest = field["longest_protected_m"].as_f64().unwrap();
    assert!(longest > 300.0, "{longest}");
    let at = format!("{:.3}", longest * 1.01);
    limited[3] = &at;
    let beyond = json(&limited, 1);
    let broken = beyond["rows"].as_array().unwrap().iter();
    assert_eq!(broken.filter(|r| r["within_limit"] == false).count(), 1);
}

#[test]
fn a_hole_in_the_points_gives_no_longest_span() {
    let folder = RunFolder::empty();
    let run = folder.path("run");
    let mut some = points(0.35, 20.0);
    some.remove(2);
    folder.finished_run("run", SETUP, &some);
    let arguments = [
        "field",
        run.to_str().unwrap(),
        "--span",
        "300",
        "--strain-limit-pp-um-m",
        "400",
        "--dampers",
        "8",
    ];
    let field = json(&arguments, 0);
    assert!(field["longest_protected_m"].is_null());
    assert_eq!(field["holes"].as_array().unwrap().len(), 1);
}

#[test]
fn a_run_that_was_not_reduced_is_refused() {
    let folder = RunFolder::empty();
    let run = folder.path("run");
    let mut raw = points(0.35, 20.0);
    for point in &mut raw {
        point.power_damper_w = None;
    }
    folder.finished_run("run", SETUP, &raw);
    let output = spanhold(&["field", run.to_str().unwrap(), "--span", "300"]);
    let errors = stderr(&output);
    assert_eq!(code(&output), 2, "{errors}");
    assert!(errors.contains("reduce"), "{errors}");
}

#[test]
fn samples_and_repeats_are_compared() {
    let folder = RunFolder::empty();
    let mut labelled = Vec::new();
    for (name, label, efficiency) in [
        ("a1", "A", 20.0),
        ("a2", "A", 22.0),
        ("b1", "B", 30.0),
        ("b2", "B", 32.0),
    ] {
        folder.finished_run(name, SETUP, &points(0.35, efficiency));
        labelled.push(format!("{label}={}", folder.path(name).display()));
    }
    let mut arguments = vec!["compare"];
    arguments.extend(labelled.iter().map(String::as_str));
    let comparison = json(&arguments, 0);
    let second = &comparison["runs"][0];
    // 22 − 20 with 0.6 each: E_n = 2/0.8485 = 2.36.
    for row in second["differences"].as_array().unwrap() {
        assert!((row["difference"].as_f64().unwrap() - 2.0).abs() < 1e-9);
        assert!((row["e_n"].as_f64().unwrap() - 2.357).abs() < 0.001);
    }
    assert_eq!(second["disagreeing"], 5);
    // By hand: s_r² = 2, s_L² = (100 − 2)/2 = 49.
    for row in comparison["precision"].as_array().unwrap() {
        let precision = &row["precision"];
        assert!((precision["repeatability"].as_f64().unwrap() - 2f64.sqrt()).abs() < 1e-9);
        assert!((precision["between"].as_f64().unwrap() - 7.0).abs() < 1e-9);
    }
    let table = spanhold(&arguments);
    let text = stdout(&table);
    assert_eq!(code(&table), 0, "{text}");
    assert!(text.contains("E_n") && text.contains("+2.36"), "{text}");
}
