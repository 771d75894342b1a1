//! A user plans a sweep: `spanhold plan SETUP`, as table, CSV and JSON.

use std::path::{Path, PathBuf};

use assert_cmd::assert::OutputAssertExt as _;
use spanhold::plan::{Assumptions, Plan};
use spanhold::rehearsal::{
    Program, Quantisation, SpanModel, Step, Transition, VirtualSpan, bench_sensors, perform,
};
use spanhold::setup::Verdict;

use crate::bench::run_folder::{RunFolder, code, repository, spanhold, stderr, stdout};
use crate::bench::virtual_span::{Chance, analyse, at, in_dwell, in_sweep, setup};

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

/// Dwells of bare spans as long as the plan says, begun while the resonance
/// before still rings. The truth is the virtual span's, which shares no code
/// with plan and analysis; its end clamp returns all but 0.0045, so the spans
/// lose somewhat more than the plan assumes.
#[test]
fn a_dwell_on_a_bare_span_holds_at_the_length_planned() {
    const RATE_HZ: f64 = 130.0;
    for seed in [3, 4, 5] {
        let mut setup = setup(&mut Chance::new(seed), false);
        (setup.sweep.low_hz, setup.sweep.high_hz) = (8.0, 30.0);
        let span = VirtualSpan::new(&setup, &SpanModel::default()).unwrap();
        let resonances = in_sweep(&setup, &span);
        let (before, resonance) = (&resonances[2], &resonances[3]);
        let plan = Plan::of(&setup, Assumptions::of(&setup));
        let planned = plan
            .harmonics
            .iter()
            .min_by(|a, b| {
                let off = |hz: f64| (hz - resonance.frequency_hz).abs();
                off(a.frequency_hz).total_cmp(&off(b.frequency_hz))
            })
            .unwrap();
        let sensors = bench_sensors(&setup, 60.0, Quantisation::Bits(24), seed);
        let dwell = |seconds: f64| {
            let program = Program {
                lead_in_s: 0.0,
                steps: vec![
                    Step::new(at(before, 0.0), 15.0).reached_by(Transition::Settled),
                    Step::new(at(resonance, 0.0), seconds),
                ],
                lead_out_s: 0.0,
            };
            let rehearsal = perform(&span, &program, &sensors, RATE_HZ, seed).unwrap();
            let truth = &rehearsal.truth[1];
            assert!(truth.iswr > 0.003, "seed {seed}: {}", truth.iswr);
            let judged = analyse(&setup, &rehearsal, 4096);
            let best = in_dwell(&judged, truth).first().map(|j| j.point.verdict);
            best.unwrap_or(Verdict::Rejected)
        };
        assert_ne!(
            dwell(planned.dwell_s),
            Verdict::Rejected,
            "seed {seed}: {:.0} s at {:.2} Hz",
            planned.dwell_s,
            planned.frequency_hz
        );
        // As it was planned for 10 % it would have come to nothing.
        let too_short = Assumptions {
            efficiency_pct: 10.0,
            ..Assumptions::of(&setup)
        };
        let too_short = Plan::of(&setup, too_short).harmonics[0].dwell_s;
        assert_eq!(
            dwell(too_short),
            Verdict::Rejected,
            "seed {seed}: {too_short} s"
        );
    }
}

#[test]
fn a_level_kept_by_strain_is_said_to_be_the_least() {
    let folder = tempfile::tempdir().unwrap();
    let text = SETUP
        .replace("rule = \"inverse-frequency\"", "rule = \"clamp-strain\"")
        .replace("value = 67.0", "value = 300.0")
        .replace(
            "bending_stiffness_n_m2 = 180.0",
            "bending_stiffness_n_m2 = 180.0\nouter_wire_diameter_mm = 3.4\n\
             least_bending_stiffness_n_m2 = 17.0",
        )
        + "[[channel]]\nname = \"gauge\"\nrole = \"clamp-strain\"\nsource = \"bench\"\nindex = 3\n\
           unit = \"um/m\"\nfull_scale = 1000.0\nlocation = \"end\"\n\
           [limits]\nstrain_pp_um_m = 250.0\n";
    let file = setup_file(folder.path(), &text);
    let assert = plan(&file, &[]).code(0);
    let said = standard_output(&assert);
    let said = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        said.contains("are the least that the level needs"),
        "{said}"
    );
    let errors = String::from_utf8(assert.get_output().stderr.clone()).unwrap();
    assert!(errors.contains("limits.strain_pp_um_m"), "{errors}");
    let file = setup_file(folder.path(), SETUP);
    let assert = plan(&file, &[]).code(0);
    assert!(!standard_output(&assert).contains("the least that"));
}

#[test]
fn places_at_a_frequency_that_was_found() {
    let folder = RunFolder::empty();
    let config = |name: &str| repository(name).display().to_string();
    let damped = config("config/damped-trial.toml");
    let run = |arguments: &[&str]| folder.spanhold(arguments);
    let at = |more: &[&str]| {
        let output = run(&[&["plan", &damped, "--at", "21.873", "--json"], more].concat());
        assert_eq!(code(&output), 0, "{}", stderr(&output));
        serde_json::from_str::<serde_json::Value>(&stdout(&output)).unwrap()
    };
    let stated = at(&[]);
    let first = &stated["places"][0];
    let number = |value: &serde_json::Value, key: &str| value[key].as_f64().unwrap();
    // By hand: with EI = 180 N m2 k = 1.00894/m, loops of 3.1138 m, end correction
    // 0.0992 m. The damper stands at 35.05 m: the eleventh node, at 34.350 m, is
    // nearer to it than a quarter loop, so the tenth is the first, at 31.237 m.
    assert_eq!(first["node_from_drive"], 10);
    assert!(
        (number(first, "node_from_drive_end_mm") - 31_237.0).abs() < 1.0,
        "{first}"
    );
    let both = number(first, "node_from_drive_end_mm") + number(first, "node_from_damper_end_mm");
    assert!((both - 36_000.0).abs() < 1e-6);
    // 1 % of tension, 2 % of mass: half of the root of their squares, of 31.2 m,
    // is 349 mm; the rest adds some.
    let u_mm = number(first, "from_drive_end_u_mm");
    assert!((349.0..420.0).contains(&u_mm), "{u_mm}");
    // The bare run knows better.
    let bare = config("config/bare-trial.toml");
    let recording = config("recordings/bare-trial.wav");
    let made = run(&["reprocess", &bare, &recording, "--out", "bare"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let fitted = at(&["--bare", "bare"]);
    let closer = &fitted["places"][0];
    assert!(
        number(closer, "from_drive_end_u_mm") < 0.5 * u_mm,
        "{closer}"
    );
    let apart = number(closer, "node_from_drive_end_mm") - number(first, "node_from_drive_end_mm");
    assert!(apart.abs() < u_mm, "{apart}");
    assert!(
        fitted["basis"]
            .as_str()
            .unwrap()
            .contains("resonances of the bare run")
    );
    // Few digits leave the place open, and it says so.
    let coarse = run(&["plan", &damped, "--at", "22"]);
    let text = stdout(&coarse);
    assert!(
        text.contains("read to ± 0.5 Hz") && text.contains("digits of the frequency"),
        "{text}"
    );
    // The plan by the bare run has the harmonics where that run found them.
    let harmonics_hz = |more: &[&str]| -> Vec<f64> {
        let output = run(&[&["plan", &damped, "--json"], more].concat());
        assert_eq!(code(&output), 0, "{}", stderr(&output));
        let plan: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
        let harmonics = plan["harmonics"].as_array().unwrap().iter();
        harmonics.map(|h| number(h, "frequency_hz")).collect()
    };
    let (stated_hz, fitted_hz) = (harmonics_hz(&[]), harmonics_hz(&["--bare", "bare"]));
    let points = folder.points("bare");
    assert!(!points.is_empty());
    for point in &points {
        let point: serde_json::Value = serde_json::from_str(point).unwrap();
        let hz = number(&point, "frequency_hz");
        let off_hz = fitted_hz
            .iter()
            .map(|h| (h - hz).abs())
            .fold(f64::MAX, f64::min);
        assert!(off_hz < 0.01, "{hz} Hz: {off_hz}");
    }
    assert_ne!(stated_hz, fitted_hz);
    let table = stdout(&run(&["plan", &damped, "--bare", "bare"]));
    assert!(table.contains("resonances of the bare run"), "{table}");
    for (arguments, says) in [
        (&["--at=-3"][..], "no frequency"),
        (&["--at", "23,4"], "no frequency"),
        (&["--at", "900"], "above the sweep"),
        (&["--bare", "none"], "none"),
        (&["--at", "21.8", "--bare", "none"], "none"),
    ] {
        let refused = run(&[&["plan", &damped], arguments].concat());
        assert_eq!(code(&refused), 2, "{arguments:?}");
        assert!(stderr(&refused).contains(says), "{}", stderr(&refused));
    }
}

/// The sheet says what the plan says, as a page and as text; the figures are rounded here
/// by the test.
#[test]
fn the_sheet_has_the_plan_with_its_times() {
    let folder = RunFolder::empty();
    let json = |setup: &str| -> serde_json::Value {
        let output = folder.spanhold(&["plan", setup, "--json"]);
        serde_json::from_str(&stdout(&output)).unwrap()
    };
    for (setup, is_damped) in [
        ("config/damped-trial.toml", true),
        ("config/bare-trial.toml", false),
    ] {
        let setup = repository(setup).display().to_string();
        let plan = json(&setup);
        let [page, text] = ["sheet.html", "sheet.txt"].map(|name| {
            let output = folder.spanhold(&["plan", &setup, "--sheet", name]);
            assert_eq!(code(&output), 0, "{}", stderr(&output));
            std::fs::read_to_string(folder.path(name)).unwrap()
        });
        assert!(page.contains("<svg") && text.contains("node, drive end"));
        let mut all_s = 0.0;
        for harmonic in plan["harmonics"].as_array().unwrap() {
            let number = |key: &str| harmonic[key].as_f64().unwrap();
            let whole = |key: &str| harmonic[key].as_f64().map(|value| format!("{value:.0}"));
            let near = harmonic["drive_near_node"].as_bool().unwrap();
            assert!((number("wait_s") + number("hold_s") - number("dwell_s")).abs() < 1e-9);
            all_s += number("dwell_s");
            let mut cells = vec![
                format!("{}{}", harmonic["harmonic"], if near { "*" } else { "" }),
                format!("{:.2}", number("frequency_hz")),
            ];
            cells.extend(whole("node_from_drive_end_mm"));
            cells.extend(whole("antinode_from_drive_end_mm"));
            cells.extend(whole("from_drive_end_u_mm"));
            if !is_damped {
                cells.extend(whole("node_from_damper_end_mm"));
            }
            // Four digits.
            cells.push(format!("{:.1}", number("antinode_velocity_mm_s")));
            cells.push(format!("{:.3}", number("antinode_amplitude_mm_pp")));
            cells.extend(whole("clamp_strain_pp_um_m"));
            cells.extend(["wait_s", "hold_s", "dwell_s"].map(|key| whole(key).unwrap()));
            let row = cells
                .iter()
                .skip(1)
                .fold(String::new(), |row, cell| row + "<td>" + cell + "</td>");
            let row = format!("<tr><th scope=\"row\">{}</th>{row}<td></td></tr>", cells[0]);
            assert!(page.contains(&row), "{row}");
            let is_row = |line: &str| line.split_whitespace().eq(cells.iter().map(String::as_str));
            assert!(text.lines().any(is_row), "{cells:?}: {text}");
        }
        let minutes = format!(
            "{} h {:02} min",
            all_s.round() as u64 / 3600,
            all_s.round() as u64 / 60 % 60
        );
        let seconds = format!(
            "{} min {:02} s",
            all_s.round() as u64 / 60,
            all_s.round() as u64 % 60
        );
        let said = if all_s < 3600.0 { seconds } else { minutes };
        assert!(
            page.contains(&said) && text.contains(&said),
            "{said}: {text}"
        );
    }
}
