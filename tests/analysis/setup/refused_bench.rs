//! Impossible numbers, and contradictions in what is strung and swept.

use super::{bench_with, message, refused};

#[test]
fn a_tension_that_cannot_be() {
    refused(
        &[(15, "tension_kn = -18")],
        "bench.toml:15: span.tension_kn: -18 is impossible; a tension above 0 kN and below the \
         rated strength of 86.7 kN is right",
    );
    refused(
        &[(15, "tension_kn = 86.7")],
        "bench.toml:15: span.tension_kn: 86.7 is impossible; a tension above 0 kN and below the \
         rated strength of 86.7 kN is right",
    );
    // Newtons for kilonewtons.
    refused(
        &[(15, "tension_kn = 18_000")],
        "bench.toml:15: span.tension_kn: 18000 is impossible; a tension above 0 kN and below the \
         rated strength of 86.7 kN is right",
    );
}

/// Every number of the file, with its line.
const NUMBERS: [(usize, &str); 12] = [
    (8, "diameter_mm"),
    (9, "mass_kg_per_m"),
    (10, "rated_strength_kn"),
    (11, "bending_stiffness_n_m2"),
    (14, "length_m"),
    (15, "tension_kn"),
    (16, "damper_position_m"),
    (20, "low_hz"),
    (25, "value"),
    (29, "min_seconds"),
    (38, "rate_hz"),
    (50, "full_scale"),
];

#[test]
fn no_number_may_be_zero_negative_infinite_or_no_number() {
    for (line, key) in NUMBERS {
        for written in [
            "0", "0.0", "-0.0", "-1.5", "inf", "-inf", "nan", "1e400", "1e-300",
        ] {
            let said = message(&bench_with(&[(line, &format!("{key} = {written}"))]));
            let place = format!("bench.toml:{line}: ");
            let wrong = if written == "nan" {
                ".".to_owned() + key + ": nan is no number; "
            } else {
                format!(".{key}: {written} is impossible; ")
            };
            assert!(said.starts_with(&place) && said.contains(&wrong), "{said}");
            assert_eq!(said.lines().count(), 1, "{said}");
        }
    }
}

#[test]
fn tolerances_that_would_pass_everything() {
    refused(
        &[(30, "drive_phase_deg = 90")],
        "bench.toml:30: hold.drive_phase_deg: 90 is impossible; a phase tolerance above 0 degrees \
         and below 90 degrees is right",
    );
    refused(
        &[(30, "drive_node_sine = 1.0")],
        "bench.toml:30: hold.drive_node_sine: 1.0 is impossible; a sine above 0 and below 1 is \
         right",
    );
    refused(
        &[(30, "beat_pct = 101")],
        "bench.toml:30: hold.beat_pct: 101 is impossible; a tolerance above 0 % and up to 100 % \
         is right",
    );
    for key in [
        "min_cycles",
        "ring_up_time_constants",
        "drift_bandwidths",
        "amplitude_drift_pct",
        "amplitude_variation_pct",
        "distortion_pct",
        "min_snr_db",
    ] {
        let said = message(&bench_with(&[(30, &format!("{key} = 0"))]));
        assert!(
            said.starts_with(&format!("bench.toml:30: hold.{key}: 0 is impossible; ")),
            "{said}"
        );
    }
}

#[test]
fn uncertainties_outside_0_to_100_pct() {
    refused(
        &[(51, "uncertainty_pct = 101")],
        "bench.toml:51: channel[antinode].uncertainty_pct: 101 is impossible; an uncertainty \
         (k = 2) from 0 to 100 % is right",
    );
    refused(
        &[(12, "mass_uncertainty_pct = -1")],
        "bench.toml:12: conductor.mass_uncertainty_pct: -1 is impossible; an uncertainty (k = 2) \
         from 0 to 100 % is right",
    );
    refused(
        &[(18, "length_uncertainty_mm = -1")],
        "bench.toml:18: span.length_uncertainty_mm: -1 is impossible; an uncertainty (k = 2) of \
         0 mm or more is right",
    );
    refused(
        &[(39, "rate_uncertainty_ppm = 2e5")],
        "bench.toml:39: source[bench].rate_uncertainty_ppm: 2e5 is impossible; an uncertainty \
         (k = 2) of 0 ppm or more and up to 100000 ppm is right",
    );
}

#[test]
fn places_beyond_the_span() {
    refused(
        &[(16, "damper_position_m = 36")],
        "bench.toml:16: span.damper_position_m: 36 is impossible; a distance from the clamp above \
         0 m and below the span length of 36 m is right",
    );
    refused(
        &[(17, "drive_position_m = 40.0")],
        "bench.toml:17: span.drive_position_m: 40.0 is impossible; a distance from the clamp above \
         0 m and below the span length of 36 m is right",
    );
    for (line, name) in [(54, "antinode"), (65, "node"), (83, "wave 1")] {
        refused(
            &[(line, "position_m = 36.5")],
            &format!(
                "bench.toml:{line}: channel[{name}].position_m: 36.5 is impossible; a distance from \
                 the drive-end clamp above 0 m and below the span length of 36 m is right"
            ),
        );
    }
}

#[test]
fn denser_than_copper() {
    // Kilograms per kilometre for kilograms per metre.
    refused(
        &[(9, "mass_kg_per_m = 980")],
        "bench.toml:9: conductor.mass_kg_per_m: 980 kg/m on 21.8 mm diameter is denser than \
         copper, which is impossible; a mass per length below 3.359 kg/m, or a larger diameter, \
         is right",
    );
}

#[test]
fn wires_that_do_not_fit_the_conductor() {
    refused(
        &[(12, "outer_wire_diameter_mm = 34.4")],
        "bench.toml:12: conductor.outer_wire_diameter_mm: 34.4 is impossible; a wire diameter above \
         0 mm and up to the conductor's 21.8 mm is right",
    );
    refused(
        &[(12, "least_bending_stiffness_n_m2 = 181")],
        "bench.toml:12: conductor.least_bending_stiffness_n_m2: 181 is impossible; a bending \
         stiffness above 0 N m2 and up to bending_stiffness_n_m2 = 180 is right",
    );
}

#[test]
fn half_a_damper() {
    refused(
        &[(16, "#")],
        "bench.toml:13: span.damper_position_m: is missing although test.damper names a damper; \
         its distance from the damper-end clamp, or no test.damper for a bare span, is right",
    );
    refused(
        &[(3, "#")],
        "bench.toml:16: span.damper_position_m: is given although test.damper is missing; a damper \
         named in test.damper, or no damper_position_m for a bare span, is right",
    );
}

#[test]
fn a_sweep_that_runs_backwards() {
    refused(
        &[(20, "low_hz = 64")],
        "bench.toml:21: sweep.high_hz: 64 is not above low_hz, which is 64; a frequency above 64 \
         Hz is right",
    );
    // Against the default, 1.4/0.0218 m = 64.22 Hz.
    refused(
        &[(20, "low_hz = 70"), (21, "#")],
        "bench.toml:20: sweep.low_hz: 70 is not below high_hz, which is 64.2 unless given; a \
         frequency below 64.2 Hz is right",
    );
}

#[test]
fn a_hold_longer_than_the_longest() {
    refused(
        &[(30, "max_seconds = 7")],
        "bench.toml:30: hold.max_seconds: 7 is below min_seconds, which is 8; a time of 8 s or \
         more is right",
    );
    refused(
        &[(29, "min_seconds = 61"), (30, "#")],
        "bench.toml:29: hold.min_seconds: 61 is above max_seconds, which is 60 unless given; a \
         time up to 60 s, or a larger max_seconds, is right",
    );
}

#[test]
fn a_strain_level_without_a_gauge() {
    refused(
        &[
            (24, "rule = \"clamp-strain\""),
            (97, "role = \"monitor\""),
            (103, "#"),
        ],
        "bench.toml:24: amplitude.rule: the level is set by clamp strain, but no channel measures \
         it; a channel of role clamp-strain, or another rule, is right",
    );
}

#[test]
fn a_place_says_when_it_holds_what_stood_there_and_no_two_hold_at_once() {
    let said = |places: &str| {
        let text = format!("{}\n{places}", bench_with(&[]));
        spanhold::setup::parse(&text, "bench.toml")
            .map_or_else(|faults| faults.to_string(), |_| String::new())
    };
    let whole = "[[place]]\nlow_hz = 10\nhigh_hz = 11\nnode_position_m = 30\n";
    assert_eq!(said(whole), "");
    for (places, right) in [
        (
            "[[place]]\nnode_position_m = 30\n".to_owned(),
            "either file, or low_hz and high_hz",
        ),
        (
            "[[place]]\nlow_hz = 10\nnode_position_m = 30\n".to_owned(),
            "either file, or low_hz and high_hz",
        ),
        (
            whole.replace("low_hz", "file = \"a.wav\"\nlow_hz"),
            "stands beside a range",
        ),
        (whole.replace("= 11", "= 9"), "9 is below low_hz = 10"),
        (
            whole.replace("node_position_m = 30\n", ""),
            "node_position_m, antinode_position_m or both",
        ),
        (
            format!(
                "{whole}{}",
                whole
                    .replace("= 10\n", "= 11\n")
                    .replace("= 11\nn", "= 12\nn")
            ),
            "holds at the same time",
        ),
        (
            "[[place]]\nfile = \"a.wav\"\nnode_position_m = 30\n".repeat(2),
            "holds at the same time",
        ),
        (whole.replace("= 30", "= 36"), "below the span length"),
    ] {
        let faults = said(&places);
        assert!(faults.contains(right), "{places}{faults}");
    }
}
