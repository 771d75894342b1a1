//! From run folders to a line span (`field`) and to each other (`compare`).
//!
//! The run folders are made here from points of an invented damper; what is
//! checked is arithmetic done by hand beside each check.

use assert_cmd::assert::OutputAssertExt as _;
use spanhold::reduction::{Measured, SettledPoint};
use spanhold::setup::Verdict;

use crate::bench::run_folder::{RunFolder, code, spanhold, stderr, stdout, unchain};

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

/// [`SETUP`] with a node, both calibrated, and a level.
fn calibrated(level_mm_s: f64) -> String {
    let channel = |name: &str, index: u32| {
        format!(
            "[[channel]]\nname = \"{name}\"\nrole = \"{name}\"\nsource = \"bench\"\nindex = {index}\n\
             unit = \"mm/s\"\nfull_scale = 1000.0\nuncertainty_pct = 1.0\n\
             reference = \"standard 7\"\nreference_uncertainty_pct = 0.8\n"
        )
    };
    let (before, _) = SETUP.split_once("[[channel]]").unwrap();
    format!(
        "{before}[amplitude]\nrule = \"constant-velocity\"\nvalue = {level_mm_s:.1}\n{}{}",
        channel("antinode", 0),
        channel("node", 1)
    )
}

#[test]
fn a_change_of_one_percent_by_fatigue_is_seen() {
    // Calibration of the ratio: two sensors of 1 % each, the reference drops
    // out: sqrt(2) %. Beside it 0.3 % of the run's own. By hand: U of each
    // value sqrt(2 + 0.09) % = 1.446 %, of the difference sqrt(2) · 0.3 % =
    // 0.424 %, so 1 % off is E_n = −2.36; with calibration counted twice it
    // would be −0.49.
    let folder = RunFolder::empty();
    let at = |efficiency: f64| {
        let mut points = points(0.35, efficiency);
        for point in &mut points {
            let u = efficiency * f64::sqrt(2.0 + 0.09) / 100.0;
            point.efficiency_pct = Some(Measured::new(efficiency, u));
        }
        points
    };
    folder.finished_run("before", &calibrated(200.0), &at(20.0));
    folder.finished_run("after", &calibrated(200.0), &at(19.8));
    let other = calibrated(200.0).replace("name = \"node\"", "name = \"another node\"");
    folder.finished_run("other", &other, &at(19.8));
    let compared = |run: &str| {
        let (before, after) = (folder.path("before"), folder.path(run));
        let arguments = ["compare", before.to_str().unwrap(), after.to_str().unwrap()];
        json(&arguments, 0)["runs"][0].clone()
    };
    let same = compared("after");
    assert!((same["shared_u_pct"].as_f64().unwrap() - f64::sqrt(2.0)).abs() < 1e-9);
    for row in same["differences"].as_array().unwrap() {
        let e_n = row["e_n"].as_f64().unwrap();
        assert!((e_n + 2.36).abs() < 0.02, "{e_n}");
    }
    assert_eq!(same["disagreeing"], 5);
    assert!(
        same["statements"][0]
            .as_str()
            .unwrap()
            .contains("both runs share")
    );
    // Of another node sensor only the antinode is common: 1 %, and the
    // reference of both drops out still.
    let other = compared("other");
    assert!((other["shared_u_pct"].as_f64().unwrap() - 1.0).abs() < 1e-9);
    for row in other["differences"].as_array().unwrap() {
        // sqrt(2 · 1.09) % = 1.477 %.
        let e_n = row["e_n"].as_f64().unwrap();
        assert!((e_n + 0.677 * 1.005).abs() < 0.01, "{e_n}");
    }
    assert_eq!(other["disagreeing"], 0);
}

#[test]
fn runs_at_different_levels_are_compared_with_a_word_and_no_verdict() {
    let folder = RunFolder::empty();
    let at = |velocity: f64| {
        let mut points = points(0.35, 20.0);
        for point in &mut points {
            point.antinode_velocity_mm_s = Some(Measured::new(velocity, 1.0));
        }
        points
    };
    folder.finished_run("low", &calibrated(150.0), &at(150.0));
    folder.finished_run("high", &calibrated(1650.0), &at(1650.0));
    let (low, high) = (folder.path("low"), folder.path("high"));
    let arguments = ["compare", low.to_str().unwrap(), high.to_str().unwrap()];
    let compared = json(&arguments, 0);
    let run = &compared["runs"][0];
    assert_eq!(run["at_other_level"], 5);
    assert_eq!(run["disagreeing"], 0);
    for row in run["differences"].as_array().unwrap() {
        assert!(row["e_n"].is_null());
        assert!((row["level_ratio"].as_f64().unwrap() - 11.0).abs() < 1e-9);
    }
    for row in compared["precision"].as_array().unwrap() {
        assert_eq!(row["precision"]["results"], 1);
    }
    let text = stdout(&spanhold(&arguments));
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("taken at different levels (11.00 to 11.00 times"),
        "{text}"
    );
}

#[test]
fn a_run_is_no_repeat_of_itself() {
    let folder = RunFolder::empty();
    folder.finished_run("run", SETUP, &points(0.35, 20.0));
    let run = folder.path("run");
    let run = run.to_str().unwrap();
    let again = format!("A={run}/../run");
    for second in [run, again.as_str()] {
        let output = spanhold(&["compare", run, second]);
        let errors = stderr(&output);
        assert_eq!(code(&output), 2, "{errors}");
        assert!(errors.contains("no repeat of itself"), "{errors}");
    }
    // Two folders made from one recording.
    for (name, efficiency) in [("a", 20.0), ("b", 20.1), ("c", 20.3)] {
        folder.finished_run(name, SETUP, &points(0.35, efficiency));
        let hash = if name == "c" { "22" } else { "11" };
        unchain(&folder.path(name));
        let file = folder.path(name).join("run.json");
        let mut record: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
        record["sources"] = serde_json::json!([{
            "name": "bench", "rate_hz": 1000.0, "channels": 1, "start_utc": null, "frames": 1,
            "missing_frames": 0,
            "files": [{ "path": "x.wav", "bytes": 1, "blake3": hash.repeat(32) }]
        }]);
        std::fs::write(&file, record.to_string()).unwrap();
    }
    let paths: Vec<String> = ["a", "b", "c"]
        .map(|name| format!("A={}", folder.path(name).display()))
        .to_vec();
    let mut arguments = vec!["compare"];
    arguments.extend(paths.iter().map(String::as_str));
    let compared = json(&arguments, 0);
    let said = |run: usize| compared["runs"][run]["statements"].to_string();
    assert!(said(0).contains("no repeat"), "{}", said(0));
    assert!(!said(1).contains("no repeat"), "{}", said(1));
    for row in compared["precision"].as_array().unwrap() {
        // a and c: 20.0 and 20.3, of which s_r is 0.3/sqrt(2).
        assert_eq!(row["precision"]["results"], 2);
        let s_r = row["precision"]["repeatability"].as_f64().unwrap();
        assert!((s_r - 0.3 / f64::sqrt(2.0)).abs() < 1e-9);
    }
}

/// The page has every value of the table, what was left out, and stands by itself.
#[test]
fn a_comparison_is_a_page_too() {
    let bench = RunFolder::empty();
    bench.finished_run("first", SETUP, &points(1.0, 30.0));
    bench.finished_run("other", SETUP, &points(1.0, 31.5));
    let output = bench.spanhold(&["compare", "first", "b <b>=other", "--page", "made.html"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let page = std::fs::read_to_string(bench.path("made.html")).unwrap();
    assert!(page.contains("<h1>Comparison: efficiency 100 S</h1>"));
    assert!(page.contains("other (b &lt;b&gt;) against the reference"));
    // 1.5 % of 0.85 %: sqrt(0.6² + 0.6²). Nothing parts an uncertainty from its sign.
    for value in [
        "30.00 ±\u{a0}0.60",
        "31.50 ±\u{a0}0.60",
        "1.50 ±\u{a0}0.85",
        "1.77",
    ] {
        assert_eq!(page.matches(&format!(">{value}<")).count(), 5, "{value}");
    }
    assert_eq!(page.matches("<svg class=\"figure\"").count(), 2);
    assert!(page.contains("5 harmonics compared, 0 of the reference without partner, 5 with"));
    for outside in ["http://", "https://", "<script", "@import", "url("] {
        assert!(!page.contains(outside), "{outside}");
    }
}
