//! The table of keys against the guide, the reader and the model.

use super::key::{Absent, Kind};
use super::model::HoldRules;
use super::read::RawSetup;
use super::role::RoleKind;
use super::table::SECTIONS;
use super::{AcceptedVerdicts, Log, Setup, parse};

const GUIDE: &str = include_str!("../guide/setup.md");

/// The row of a key in the guide, cut into its cells.
fn guide_row(heading: &str, key: &str) -> Vec<String> {
    let heading = format!("## {heading}\n");
    let (_, part) = GUIDE.split_once(&heading).expect("a heading in the guide");
    let part = part.split("\n## ").next().unwrap();
    let row = part
        .lines()
        .find(|line| line.starts_with(&format!("| `{key}` |")))
        .unwrap_or_else(|| panic!("{heading} {key} is missing in the guide"));
    row.split('|').map(|cell| cell.trim().to_owned()).collect()
}

#[test]
fn the_guide_has_every_key_and_no_other() {
    let mut keys = 0;
    for section in SECTIONS {
        for key in section.keys {
            guide_row(&section.heading(), key.name);
            keys += 1;
        }
    }
    let roles = RoleKind::ALL.len();
    let rows = GUIDE.lines().filter(|line| line.starts_with("| `"));
    assert_eq!(rows.count(), keys + roles);
}

#[test]
fn the_guide_states_the_defaults_of_the_program() {
    let hold = HoldRules::default();
    let defaults = [
        ("[hold]", "min_seconds", hold.min_seconds),
        ("[hold]", "min_cycles", hold.min_cycles),
        ("[hold]", "max_seconds", hold.max_seconds),
        (
            "[hold]",
            "ring_up_time_constants",
            hold.ring_up_time_constants,
        ),
        ("[hold]", "drive_phase_deg", hold.drive_phase_deg),
        ("[hold]", "drift_bandwidths", hold.drift_bandwidths),
        ("[hold]", "amplitude_drift_pct", hold.amplitude_drift_pct),
        (
            "[hold]",
            "amplitude_variation_pct",
            hold.amplitude_variation_pct,
        ),
        ("[hold]", "beat_pct", hold.beat_pct),
        ("[hold]", "distortion_pct", hold.distortion_pct),
        ("[hold]", "min_snr_db", hold.min_snr_db),
        ("[hold]", "drive_node_sine", hold.drive_node_sine),
        ("[amplitude]", "tolerance_pct", 10.0),
        ("[[source]]", "rate_uncertainty_ppm", 100.0),
        ("[span]", "length_uncertainty_mm", 20.0),
        ("[span]", "tension_uncertainty_pct", 2.0),
        ("[conductor]", "mass_uncertainty_pct", 2.0),
        ("[conductor]", "bending_stiffness_uncertainty_pct", 50.0),
        ("[[criteria]]", "dampers", 1.0),
        ("[[criteria]]", "tolerance_pct", 10.0),
    ];
    for (header, key, default) in defaults {
        let row = guide_row(&format!("`{header}`"), key);
        let stated = row[3].trim_matches(['(', ')']);
        assert_eq!(stated, default.to_string(), "{header} {key}");
    }
}

/// The page "tolerances" derives these numbers; a change of one is a change of
/// what counts as held.
#[test]
fn the_defaults_of_a_hold_are_those_that_the_guide_derives() {
    assert_eq!(
        HoldRules::default(),
        HoldRules {
            min_seconds: 8.0,
            min_cycles: 100.0,
            max_seconds: 60.0,
            ring_up_time_constants: 4.0,
            drive_phase_deg: 20.0,
            drift_bandwidths: 0.1,
            amplitude_drift_pct: 1.0,
            amplitude_variation_pct: 1.5,
            node_drift_pct: 2.0,
            node_variation_pct: 3.0,
            beat_pct: 0.7,
            distortion_pct: 10.0,
            min_snr_db: 10.0,
            drive_node_sine: 0.15,
            accept: AcceptedVerdicts::default(),
        }
    );
}

/// A key that is listed and never read would be accepted and ignored.
#[test]
fn every_listed_key_is_read() {
    for section in SECTIONS {
        for key in section.keys {
            // A date fits no key, so whoever reads it complains of it.
            let text = format!("{}\n{} = 1979-05-27\n", section.header(), key.name);
            let mut log = Log::new(&text);
            RawSetup::read(&text, &mut log).unwrap();
            let said = log.into_faults("t").to_string();
            let complaint = format!("{}: the date 1979-05-27 stands here", key.name);
            assert!(
                said.contains(&complaint),
                "{}.{}: {said}",
                section.name,
                key.name
            );
        }
    }
}

/// A setup with every key that there is, one a line.
const EVERY_KEY: &str = r#"
matching = "sensors.match"
[test]
title = "Trial"
damper = "D1"
operator = "bench 2"
[report]
laboratory = "L"
laboratory_address = "1 A Street"
client = "C"
client_address = "2 B Street"
number = "R 1"
date = "2026-03-17"
standard = "a standard, clause 7"
deviations = "none"
damper_serial = "S 1"
damper_torque_n_m = 45
temperature_c = -3.5
[[instrument]]
name = "analyser"
serial = "A 1"
calibration_due = "2027-01-31"
[[picture]]
file = "a.png"
caption = "A"
[conductor]
designation = "ACSR 26/7"
diameter_mm = 21.8
mass_kg_per_m = 0.98
mass_uncertainty_pct = 1.1
rated_strength_kn = 86.7
bending_stiffness_n_m2 = 180
bending_stiffness_uncertainty_pct = 30
loss_factor_pct = 0.1
bending_loss_factor_pct = 2.0
loss_uncertainty_pct = 60.0
outer_wire_diameter_mm = 3.4
least_bending_stiffness_n_m2 = 44
[span]
length_m = 36
length_uncertainty_mm = 5
tension_kn = 18.0
tension_uncertainty_pct = 1.2
damper_position_m = 0.95
drive_position_m = 1.3
drive_mass_kg = 0.3
drive_mass_uncertainty_pct = 12.0
node_from_damper = 3
[sweep]
low_hz = 8.3
high_hz = 64.0
[amplitude]
rule = "constant-velocity"
value = 200
tolerance_pct = 11.0
[hold]
min_seconds = 9
min_cycles = 120
max_seconds = 50
ring_up_time_constants = 5
drive_phase_deg = 15
drift_bandwidths = 0.2
amplitude_drift_pct = 2
amplitude_variation_pct = 3
node_drift_pct = 2.5
node_variation_pct = 4.0
beat_pct = 0.9
distortion_pct = 11
min_snr_db = 25
drive_node_sine = 0.2
accept = ["held", "off-peak"]
[limits]
strain_pp_um_m = 300
antinode_amplitude_mm_pp = 12
antinode_velocity_mm_s = 400
[[source]]
name = "bench"
kind = "serial"
port = "/dev/ttyUSB0"
baud = 921600
protocol = "lines"
rate_hz = 1000
rate_uncertainty_ppm = 20
[[source]]
name = "recorder"
kind = "wav"
continues = true
utc_offset = "+05:30"
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "m/s2"
full_scale = 490.3325
uncertainty_pct = 1.0
phase_uncertainty_deg = 0.5
serial = "A1"
reference = "standard"
reference_uncertainty_pct = 0.6
position_m = 30.5
position_uncertainty_mm = 7
[[channel]]
name = "gauge"
role = "clamp-strain"
source = "bench"
index = 1
unit = "um/m"
full_scale = 1000
location = "damper"
[[channel]]
name = "force"
role = "drive-force"
source = "bench"
index = 2
unit = "N"
full_scale = 500
moving_mass_kg = 0.3
moving_mass_uncertainty_pct = 4.0
[[place]]
file = "a.wav"
node_position_m = 30.5
antinode_position_m = 29.5
[[place]]
low_hz = 20.0
high_hz = 21.0
node_position_m = 31.5
[[criteria]]
kind = "efficiency-curve"
curve = "a.csv"
decision_rule = "guard-band"
[[criteria]]
kind = "wind-power"
wind = "diana-falco-1971"
span_length_m = 300
dampers = 2
antinode_velocity_mm_s = 200
tolerance_pct = 12
power = "corrected"
[[criteria]]
kind = "strain-limit"
limit_pp_um_m = 300
location = "damper"
level = "any"
"#;

#[test]
fn a_setup_can_have_every_key() {
    let mut written: Vec<(&str, &str)> = Vec::new();
    let mut section = "";
    for line in EVERY_KEY.lines() {
        match line.split_once(" = ") {
            Some((key, _)) => written.push((section, key)),
            None => section = line.trim_matches(['[', ']']),
        }
    }
    for section in SECTIONS {
        for key in section.keys {
            assert!(
                written.contains(&(section.name, key.name)),
                "{}.{} is missing in this test's setup",
                section.name,
                key.name
            );
        }
    }
}

/// A key of the table without a field of that name in the model would be read
/// and dropped: whatever is written differently must come out differently.
#[test]
fn every_key_reaches_the_setup() {
    let whole: Setup = parse(EVERY_KEY, "whole").unwrap_or_else(|faults| panic!("{faults}"));
    let lines: Vec<&str> = EVERY_KEY.lines().collect();
    for (nth, line) in lines.iter().enumerate() {
        let Some((key, value)) = line.split_once(" = ") else {
            continue;
        };
        let other = match value.parse::<f64>() {
            Ok(number) if value.contains('.') => (number * 1.001).to_string(),
            Ok(number) => (number + 1.0).to_string(),
            Err(_) if value == "\"damper\"" => "\"end\"".to_owned(),
            Err(_) if value == "\"guard-band\"" => "\"simple-acceptance\"".to_owned(),
            Err(_) => format!("\"{}\"", value.trim_matches('"').to_owned() + "2"),
        };
        let mut changed = lines.clone();
        let line = format!("{key} = {other}");
        changed[nth] = &line;
        // A refusal shows as well that the key was not passed over.
        if let Ok(setup) = parse(&changed.join("\n"), "changed") {
            assert_ne!(setup, whole, "{line}");
        }
    }
}

/// Words and keys that rows name exist.
#[test]
fn the_table_agrees_with_itself() {
    for section in SECTIONS {
        for key in section.keys {
            let here = format!("{}.{}", section.name, key.name);
            assert!(
                !key.doc.is_empty() && !key.doc.contains(['|', '\n']),
                "{here}"
            );
            if let Some((other, word)) = key.only_for {
                let Kind::Word(list) = section.key(other).expect(&here).kind else {
                    panic!("{here}: {other} has no list of words");
                };
                assert!(list().contains(&word), "{here}: {word}");
            }
            if let Kind::Words(list, always) = key.kind {
                assert!(list().contains(&always), "{here}: {always}");
            }
            if let Kind::Word(list) | Kind::WordOrKeysOf(list, _) = key.kind {
                assert!(list().len() > 1, "{here}: an empty list");
                if let Absent::Word(word) = key.absent {
                    assert!(list().contains(&word), "{here}: {word}");
                }
            }
        }
    }
    let channel = SECTIONS.iter().find(|s| s.name == "channel").unwrap();
    for role in RoleKind::ALL {
        if let Some(key) = role.row().needs {
            let row = channel.key(key).expect(key);
            assert!(matches!(row.absent, Absent::RequiredByRole), "{role}");
        }
    }
}
