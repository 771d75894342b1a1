//! All faults at once, in line order, and the account of a setup.

use super::{BENCH, bench_with, message};
use spanhold::setup::{self, Origin};

#[test]
fn ten_faults_in_ten_places_come_out_together() {
    let text = bench_with(&[
        (4, "operater = \"bench 2\""),
        (8, "diameter_mm = \"21.8\""),
        (15, "tension_kn = -18"),
        (16, "damper_position_m = 99"),
        (21, "high_hz = 8"),
        (29, "min_second = 8.0"),
        (35, "#"),
        (58, "source = \"gauges\""),
        (71, "unit = \"mm\""),
        (97, "role = \"strain\""),
    ]);
    insta::assert_snapshot!(message(&text), @r#"
    bench.toml:4: test.operater: there is no such key; "operator" is right
    bench.toml:8: conductor.diameter_mm: the text "21.8" stands here; a diameter above 0 mm is right
    bench.toml:15: span.tension_kn: -18 is impossible; a tension above 0 kN and below the rated strength of 86.7 kN is right
    bench.toml:16: span.damper_position_m: 99 is impossible; a distance from the clamp above 0 m and below the span length of 36 m is right
    bench.toml:21: sweep.high_hz: 8 is not above low_hz, which is 8.3; a frequency above 8.3 Hz is right
    bench.toml:29: hold.min_second: there is no such key; "min_seconds" is right
    bench.toml:32: source[bench].port: is missing; a device such as "/dev/ttyUSB0" is right
    bench.toml:58: channel[node].source: "gauges" is not the source of the antinode channel: two devices are two clocks, so the phase of the node would mean nothing; "bench" is right
    bench.toml:71: channel[force].unit: mm does not fit the role drive-force; one of N, kN is right
    bench.toml:97: channel[strain].role: "strain" is not in the list; "clamp-strain" is right
    "#);
}

#[test]
fn faults_are_data_as_well_as_text() {
    let faults = setup::parse(&bench_with(&[(15, "tension_kn = 0")]), "b.toml").unwrap_err();
    let fault = &faults.faults[0];
    assert_eq!(faults.file, "b.toml");
    assert_eq!(fault.line, Some(15));
    assert_eq!(fault.key, "span.tension_kn");
    assert_eq!(fault.wrong, "0 is impossible");
    assert_eq!(
        fault.right,
        "a tension above 0 kN and below the rated strength of 86.7 kN"
    );
}

#[test]
fn an_account_of_what_the_setup_means() {
    let setup = setup::parse(BENCH, "bench.toml").unwrap();
    insta::assert_snapshot!(setup::explain(&setup), @r#"
    (velocities peak, strain and force full scale peak; ± is k = 2)
    test       Trial
    damper     D1, 0.95 m from the damper-end clamp
    conductor  ACSR 26/7: 21.8 mm, 0.98 kg/m ± 2 %
               EI 180 N m2 ± 50 %: power is also given with bending stiffness
    span       36 m ± 20 mm at 18 kN ± 2 %, 20.8 % of rated strength
    drive      1.3 m from the drive-end clamp
    waves      Z = sqrt(T m) = 132.8 N s/m, c = sqrt(T/m) = 135.5 m/s, f1 = c/(2 L) = 1.882 Hz
    sweep      8.30 to 64.00 Hz: harmonics 5 to 34 of a string without stiffness
    level      constant-velocity: 200 mm/s peak, points within 10 %: antinode 200 mm/s peak, 7.670 mm peak-to-peak at 8.30 Hz, 0.995 at 64.00 Hz
    hold       at least 8 s and 100 cycles, at most 60 s, after 4 ring-up time constants
               drive phase within 20 degrees, drift within 0.1 bandwidths, no phase evidence where |sin(k x)| of the drive is below 0.15
               amplitude: trend 1 %, variation 1.5 %, beat 0.7 %; distortion 10 %; at least 10 dB
    source     bench: /dev/ttyUSB0 at 921600 baud, binary frames, 1000 Hz expected ± 100 ppm
    source     gauges: WAV recordings, rate as it arrives ± 100 ppm
    channel    antinode: antinode, bench column 0, ±490.3325 m/s2 (9402 mm/s peak at 8.30 Hz, 1219 at 64.00 Hz), calibration ± 1 % and ± 0.6 % shared by "standard"
    channel    node: node, bench column 1, ±20 g (3761 mm/s peak at 8.30 Hz, 488 at 64.00 Hz), calibration ± 1 % and ± 0.6 % shared by "standard"
    channel    force: drive-force, bench column 2, ±200 N, calibration ± 1.5 %
    channel    wave 1: wave, bench column 3, ±1000 mm/s, 30.5 m from the drive-end clamp, calibration ± 1 %
    channel    wave 2: wave, bench column 4, ±1000 mm/s, 31.25 m from the drive-end clamp, calibration ± 1 %
    channel    strain: clamp-strain, gauges column 0, ±1000 um/m, at the damper clamp, calibration ± 2 %
    "#);
}

#[test]
fn an_account_of_a_bare_span() {
    let text = bench_with(&[
        (3, "#"),
        (11, "#"),
        (16, "#"),
        (24, "rule = \"inverse-frequency\""),
        (25, "value = 67"),
    ]);
    insta::assert_snapshot!(setup::explain(&setup::parse(&text, "bench.toml").unwrap()), @r#"
    (velocities peak, strain and force full scale peak; ± is k = 2)
    test       Trial
    damper     none: bare span
    conductor  ACSR 26/7: 21.8 mm, 0.98 kg/m ± 2 %
               EI not given: power in the standard's form only
    span       36 m ± 20 mm at 18 kN ± 2 %, 20.8 % of rated strength
    drive      1.3 m from the drive-end clamp
    waves      Z = sqrt(T m) = 132.8 N s/m, c = sqrt(T/m) = 135.5 m/s, f1 = c/(2 L) = 1.882 Hz
    sweep      8.30 to 64.00 Hz: harmonics 5 to 34 of a string without stiffness
    level      inverse-frequency: 67 mm Hz peak-to-peak, points within 10 %: antinode 210 mm/s peak, 8.072 mm peak-to-peak at 8.30 Hz, 1.047 at 64.00 Hz
    hold       at least 8 s and 100 cycles, at most 60 s, after 4 ring-up time constants
               drive phase within 20 degrees, drift within 0.1 bandwidths, no phase evidence where |sin(k x)| of the drive is below 0.15
               amplitude: trend 1 %, variation 1.5 %, beat 0.7 %; distortion 10 %; at least 10 dB
    source     bench: /dev/ttyUSB0 at 921600 baud, binary frames, 1000 Hz expected ± 100 ppm
    source     gauges: WAV recordings, rate as it arrives ± 100 ppm
    channel    antinode: antinode, bench column 0, ±490.3325 m/s2 (9402 mm/s peak at 8.30 Hz, 1219 at 64.00 Hz), calibration ± 1 % and ± 0.6 % shared by "standard"
    channel    node: node, bench column 1, ±20 g (3761 mm/s peak at 8.30 Hz, 488 at 64.00 Hz), calibration ± 1 % and ± 0.6 % shared by "standard"
    channel    force: drive-force, bench column 2, ±200 N, calibration ± 1.5 %
    channel    wave 1: wave, bench column 3, ±1000 mm/s, 30.5 m from the drive-end clamp, calibration ± 1 %
    channel    wave 2: wave, bench column 4, ±1000 mm/s, 31.25 m from the drive-end clamp, calibration ± 1 %
    channel    strain: clamp-strain, gauges column 0, ±1000 um/m, at the damper clamp, calibration ± 2 %
    "#);
}

/// Every key with its value, and where that comes from.
#[test]
fn a_listing_of_what_was_taken_and_which_defaults_apply() {
    let loaded = setup::examine(&bench_with(&[(20, "#"), (21, "#")]), "bench.toml").unwrap();
    let listed = |title: &str, key: &str| {
        let row = loaded
            .keys
            .iter()
            .find(|row| row.title == title && row.key == key)
            .unwrap_or_else(|| panic!("{title}.{key}"));
        (row.value.as_deref(), row.unit, row.origin)
    };
    assert_eq!(
        listed("span", "tension_kn"),
        (Some("18"), "kN", Origin::File(15))
    );
    assert_eq!(
        listed("span", "tension_uncertainty_pct"),
        (Some("2"), "%", Origin::Default)
    );
    // IEC 61897: 0.18/d for d = 21.8 mm by hand.
    assert_eq!(
        listed("sweep", "low_hz"),
        (Some("8.26"), "Hz", Origin::Default)
    );
    assert_eq!(
        listed("amplitude", "value"),
        (Some("200"), "mm/s peak", Origin::File(25))
    );
    assert_eq!(
        listed("limits", "strain_pp_um_m"),
        (None, "µm/m", Origin::NotGiven("none"))
    );
    assert_eq!(
        listed("source[bench]", "protocol"),
        (Some("frames"), "–", Origin::File(37))
    );
    assert_eq!(
        listed("channel[node]", "full_scale"),
        (Some("20"), "g", Origin::File(61))
    );
    let has = |title: &str, key: &str| {
        let mut rows = loaded.keys.iter();
        rows.any(|row| row.title == title && row.key == key)
    };
    // Keys that do not belong to the kind or the role are not listed.
    assert!(!has("source[gauges]", "protocol"));
    assert!(!has("channel[node]", "location"));
    assert!(has("channel[strain]", "location"));
}

/// A section that is left out and has to be whole is not listed.
#[test]
fn a_level_that_is_not_set_is_not_listed() {
    let text = bench_with(&[(23, "#"), (24, "#"), (25, "#"), (26, "#")]);
    let loaded = setup::examine(&text, "bench.toml").unwrap();
    assert!(loaded.keys.iter().all(|row| row.section != "amplitude"));
    assert!(loaded.keys.iter().any(|row| row.section == "hold"));
}
