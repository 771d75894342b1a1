//! The file of a matching written, read, altered, and held against a setup.

use super::*;

const SETUP: &str = r#"
matching = "sensors.match"
[test]
title = "invented"
[conductor]
designation = "invented"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
[[source]]
name = "bench"
kind = "wav"
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "m/s2"
full_scale = 100.0
[[channel]]
name = "w1"
role = "wave"
source = "bench"
index = 1
unit = "m/s2"
full_scale = 100.0
serial = "A1"
position_m = 30.0
[[channel]]
name = "w2"
role = "wave"
source = "bench"
index = 2
unit = "g"
full_scale = 10.0
position_m = 31.0
"#;

fn row(frequency_hz: f64, gain: f64, phase_deg: f64) -> MatchedRow {
    MatchedRow {
        frequency_hz,
        gain,
        gain_u: 0.002,
        phase_deg,
        phase_u_deg: 0.1,
        windows: 12,
        snr_db: 45.5,
    }
}

fn channel(name: &str, sign: f64) -> MatchedChannel {
    let is_first = name == "w1";
    MatchedChannel {
        name: name.to_owned(),
        serial: is_first.then(|| "A1".to_owned()),
        index: if is_first { 1 } else { 2 },
        unit: if is_first {
            Unit::MetrePerSecondSquared
        } else {
            Unit::StandardGravity
        },
        full_scale: if is_first { 100.0 } else { 10.0 },
        position_m: Some(30.0),
        rows: vec![
            row(10.0, 1.0 + sign * 0.010, sign * 0.2),
            row(12.0, 1.0 + sign * 0.012, sign * 0.4),
            row(20.0, 1.0 + sign * 0.012, sign * 0.4),
            row(22.0, 1.0 + sign * 0.014, sign * 0.8),
        ],
    }
}

fn matching() -> Matching {
    Matching {
        program: "spanhold 0.0.0".to_owned(),
        arithmetic: 1,
        made_utc: "2026-05-06T07:08:09Z".parse().unwrap(),
        setup_file: "a \"quoted\" name.toml".to_owned(),
        setup_blake3: "ab".to_owned(),
        recordings: vec![MatchedRecording {
            file: "all.wav".to_owned(),
            blake3: "cd".to_owned(),
            begun: None,
        }],
        channels: vec![channel("w1", 1.0), channel("w2", -1.0)],
    }
}

/// What loading the setup says with this text for a matching.
fn loaded(setup: &str, text: &str) -> Result<crate::setup::Loaded, String> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("setup.toml"), setup).unwrap();
    std::fs::write(folder.path().join("sensors.match"), text).unwrap();
    let prefix = format!("{}/", folder.path().display());
    crate::setup::read(&folder.path().join("setup.toml"))
        .map_err(|faults| faults.to_string().replace(&prefix, ""))
}

#[test]
fn what_is_written_is_read_again() {
    let (read, lines) = Matching::parse(&matching().text()).unwrap();
    assert_eq!(read, matching());
    assert_eq!(read.text(), matching().text());
    let text = matching().text();
    for (line, channel) in lines.iter().zip(["w1", "w2"]) {
        let name = text.lines().nth(line - 1).unwrap();
        assert_eq!(name, format!("name = \"{channel}\""));
    }
    let loaded = loaded(SETUP, &text).unwrap();
    assert_eq!(loaded.setup.matching.as_deref(), Some(&read));
    assert_eq!(loaded.matching_text, Some(text));
}

#[test]
fn between_rows_it_is_linear_and_at_a_row_the_row() {
    let matching = matching();
    let at = |hz| matching.relative("w1", hz).unwrap();
    for (hz, gain, deg) in [
        (10.0, 1.010, 0.2_f64),
        (11.0, 1.011, 0.3),
        (21.5, 1.0135, 0.7),
    ] {
        let found = at(hz);
        let expected = Complex64::from_polar(gain, deg.to_radians());
        assert!((found.factor - expected).norm() < 1e-12, "{hz}: {found:?}");
        assert!((found.gain_standard_u - 0.001 / gain).abs() < 1e-12);
        assert!((found.phase_standard_u_rad - 0.05_f64.to_radians()).abs() < 1e-12);
    }
}

/// By hand: half a hertz beyond 22 Hz the slope from 20 Hz would make 0.0005 of gain and 0.1°
/// of phase; with U = 0.002 and 0.1° that is sqrt(0.002² + 0.0005²) and 0.1414°.
#[test]
fn beyond_the_ends_it_holds_a_little_and_with_more_doubt_and_in_a_gap_not_at_all() {
    let matching = matching();
    let beyond = matching.relative("w1", 22.5).unwrap();
    let gain = beyond.factor.norm();
    assert!((gain - 1.014).abs() < 1e-12);
    let expected = 0.5 * 0.002_f64.hypot(0.0005) / 1.014;
    assert!((beyond.gain_standard_u - expected).abs() < 1e-12);
    let expected = (0.5 * 0.1_f64.hypot(0.1)).to_radians();
    assert!((beyond.phase_standard_u_rad - expected).abs() < 1e-12);
    for hz in [9.2, 12.9, 18.4, 24.1] {
        assert!(matching.relative("w2", hz).is_some(), "{hz}");
        assert_eq!(matching.uncovered("w2", hz), None);
    }
    for hz in [
        9.0,
        13.3,
        16.0,
        18.1,
        24.3,
        0.0,
        -5.0,
        f64::NAN,
        f64::INFINITY,
    ] {
        assert_eq!(matching.relative("w2", hz), None, "{hz}");
        assert!(matching.uncovered("w2", hz).is_some(), "{hz}");
    }
    assert!(
        matching
            .uncovered("w2", 16.0)
            .unwrap()
            .contains("has a gap")
    );
    assert!(
        matching
            .uncovered("w9", 12.0)
            .unwrap()
            .contains("not matched")
    );
}

/// Every digit counts: a number, a name, the hash itself.
#[test]
fn a_byte_altered_by_hand_is_noticed_wherever_it_stands() {
    let text = matching().text();
    for place in 0..text.len() {
        let mut altered = text.clone().into_bytes();
        altered[place] ^= 1;
        let read = String::from_utf8(altered).map(|altered| Matching::parse(&altered));
        assert!(!matches!(read, Ok(Ok(_))), "byte {place}");
    }
    let altered = text.replace("1.012000", "1.112000");
    let said = loaded(SETUP, &altered).unwrap_err();
    let expected = "setup.toml:2: matching: sensors.match:7: it was altered since it was written";
    assert!(said.starts_with(expected), "{said}");
}

#[test]
fn a_matching_of_other_sensors_is_refused_by_file_and_line() {
    let text = matching().text();
    let cases = [
        (
            "serial = \"A1\"",
            "serial = \"A2\"",
            "channel \"w1\" was matched with serial number \"A1\", the setup has \"A2\"",
        ),
        (
            "serial = \"A1\"\n",
            "",
            "serial number \"A1\", the setup has none stated",
        ),
        (
            "full_scale = 10.0",
            "full_scale = 11.0",
            "channel \"w2\" was matched with full_scale = 10 g, the setup has 11 g",
        ),
        (
            "name = \"w2\"",
            "name = \"w3\"",
            "wave channel \"w3\" is not in it; it has w1, w2",
        ),
        (
            "matching = \"sensors.match\"",
            "matching = \"other.match\"",
            "the matching cannot be read",
        ),
        (
            "matching = \"sensors.match\"",
            "matching = \"../sensors.match\"",
            "does not lie beside the setup file",
        ),
    ];
    for (from, to, expected) in cases {
        let said = loaded(&SETUP.replace(from, to), &text).unwrap_err();
        assert!(said.contains(expected), "{said}");
        assert!(said.contains("setup.toml:2: matching: "), "{said}");
    }
    let line = text
        .lines()
        .position(|line| line == "name = \"w2\"")
        .unwrap()
        + 1;
    let said = loaded(
        &SETUP.replace("full_scale = 10.0", "full_scale = 11.0"),
        &text,
    )
    .unwrap_err();
    assert!(said.contains(&format!("sensors.match:{line}: ")), "{said}");
}

/// 10 g are 98.0665 m/s² (exact); a sensitivity written in another unit is the same one.
#[test]
fn the_same_sensitivity_in_another_unit_and_another_column_are_taken() {
    let text = matching().text();
    let other = SETUP.replace(
        "unit = \"g\"\nfull_scale = 10.0",
        "unit = \"m/s2\"\nfull_scale = 98.0665",
    );
    assert!(
        loaded(&other, &text)
            .unwrap()
            .warnings
            .iter()
            .all(|w| w.key != "matching")
    );
    let moved = SETUP.replace("index = 2", "index = 3");
    let warnings = loaded(&moved, &text).unwrap().warnings;
    let said = warnings.iter().find(|w| w.key == "matching").unwrap();
    assert!(
        said.text.contains("column 2") && said.line == Some(2),
        "{said:?}"
    );
}

#[test]
fn what_is_no_matching_is_told_by_line_and_never_taken() {
    let text = matching().text();
    let hashed = |text: &str| {
        let (before, rest) = text.split_once("matching_blake3 = \"").unwrap();
        let (_, behind) = rest.split_once('"').unwrap();
        let empty = format!("{before}matching_blake3 = \"\"{behind}");
        let hash = blake3::hash(empty.as_bytes()).to_hex();
        format!("{before}matching_blake3 = \"{hash}\"{behind}")
    };
    assert_eq!(hashed(&text), text);
    let cases = [
        ("format = 1", "format = 2", "it has format 2"),
        ("12.0000, 1.012000", "10.0000, 1.012000", "do not rise"),
        ("1.012000", "-1.012000", "impossible"),
        ("1.012000", "nan", "impossible"),
        ("full_scale = 10.0", "full_scale = -10.0", "no full scale"),
        ("2026-05-06T07:08:09Z", "yesterday", "is no time"),
        ("index = 1", "index = \"one\"", "it is no matching"),
        ("arithmetic = 1", "arithmetics = 1", "it is no matching"),
        ("rows = [", "rows = [[1.0, 2.0],", "it is no matching"),
    ];
    for (from, to, expected) in cases {
        assert!(text.contains(from), "{from}");
        let fault = Matching::parse(&hashed(&text.replacen(from, to, 1))).unwrap_err();
        assert!(fault.wrong.contains(expected), "{from}: {fault:?}");
        assert!(fault.line.is_some(), "{from}: {fault:?}");
    }
    for nothing in ["", "\u{0}", "format = 1"] {
        assert!(Matching::parse(nothing).is_err());
    }
}
