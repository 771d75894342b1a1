//! What is possible but implausible is taken, and said.

use super::{DESIGN, bench_with};
use spanhold::setup;

/// The edited bench is taken, with exactly these warnings.
#[track_caller]
fn warned(edits: &[(usize, &str)], expected: &str) {
    let loaded = setup::examine(&bench_with(edits), "bench.toml").unwrap();
    let said: Vec<String> = loaded
        .warnings
        .iter()
        .map(|warning| warning.in_file(&loaded.file).to_string())
        .collect();
    assert_eq!(said.join("\n"), expected);
}

/// Common practice, no source: spans of at least 30 m are used.
#[test]
fn a_short_span() {
    warned(
        &[
            (14, "length_m = 29.9"),
            (83, "position_m = 20"),
            (93, "position_m = 21"),
        ],
        "bench.toml:14: span.length_m: warning: 29.9 m is short: spans of at least 30 m are used \
         (common practice, no source)",
    );
    warned(
        &[
            (14, "length_m = 30"),
            (83, "position_m = 20"),
            (93, "position_m = 21"),
        ],
        "",
    );
}

#[test]
fn an_odd_conductor() {
    // Solid rods of 21.8 mm, I = pi d⁴/64 = 11 087 mm⁴: steel of 207 GPa has
    // 2295 N m²; 91 loose aluminium wires of d/11 have 4.75 N m².
    warned(
        &[(11, "bending_stiffness_n_m2 = 2400")],
        "bench.toml:11: conductor.bending_stiffness_n_m2: warning: 2400 N m2 is outside 4.7 (loose \
         aluminium wires) to 2295 (a solid steel rod) for 21.8 mm; check it",
    );
    warned(
        &[(11, "bending_stiffness_n_m2 = 4.6")],
        "bench.toml:11: conductor.bending_stiffness_n_m2: warning: 4.6 N m2 is outside 4.7 (loose \
         aluminium wires) to 2295 (a solid steel rod) for 21.8 mm; check it",
    );
    // 0.5 kg/m over pi/4 (21.8 mm)² = 373.25 mm² is 1340 kg/m³.
    warned(
        &[(9, "mass_kg_per_m = 0.5")],
        "bench.toml:9: conductor.mass_kg_per_m: warning: over its outline the conductor would \
         weigh 1340 kg/m3, less than stranded aluminium (about 2000); check mass and diameter",
    );
}

#[test]
fn an_odd_tension() {
    // sqrt(1800 N/0.98 kg/m) = 42.86 m/s.
    warned(
        &[(15, "tension_kn = 1.8")],
        "bench.toml:15: span.tension_kn: warning: with this mass waves would run at 42.9 m/s; \
         conductors have about 80 to 200 m/s (common practice, no source); check tension and mass",
    );
}

#[test]
fn a_place_counted_from_the_wrong_clamp() {
    warned(
        &[(16, "damper_position_m = 35.05")],
        "bench.toml:16: span.damper_position_m: warning: 35.05 m is past mid-span; it counts from \
         the damper-end clamp\n\
         bench.toml:17: span.drive_position_m: warning: the drive is beyond the damper; it counts \
         from the drive-end clamp",
    );
}

#[test]
fn a_level_in_the_wrong_unit() {
    warned(
        &[(25, "value = 0.2")],
        "bench.toml:25: amplitude.value: warning: 0.2 mm/s peak is outside the usual 10 to 1000 \
         (common practice, no source); check the unit",
    );
}

#[test]
fn a_rate_that_loses_the_harmonics() {
    warned(
        &[(38, "rate_hz = 511")],
        "bench.toml:38: source[bench].rate_hz: warning: at 511 Hz harmonics get lost at the top of \
         the sweep; 512 Hz, eight times sweep.high_hz, would show the third",
    );
    warned(&[(38, "rate_hz = 512")], "");
    // A slow logger beside the bench is welcome.
    warned(
        &[(43, "rate_hz = 10"), (97, "role = \"monitor\""), (103, "#")],
        "",
    );
}

#[test]
fn a_line_too_slow_for_the_samples() {
    warned(
        &[(36, "baud = 9600")],
        "bench.toml:36: source[bench].baud: warning: 9600 baud cannot carry 5 columns at 1000 Hz; \
         at least 100000 would be needed",
    );
}

#[test]
fn a_source_that_nothing_uses() {
    warned(
        &[(98, "source = \"bench\""), (99, "index = 5")],
        "bench.toml:41: source[gauges].name: warning: no channel uses this source: it is recorded \
         and not analysed",
    );
}

#[test]
fn channels_whose_results_will_be_missed() {
    warned(
        &[
            (57, "role = \"monitor\""),
            (68, "role = \"monitor\""),
            (77, "role = \"monitor\""),
            (102, "#"),
        ],
        "bench.toml:44: channel: warning: there is no node channel: no ratio, no efficiency and no \
         power will come out\n\
         bench.toml:44: channel: warning: there is no drive-force channel: resonance can be shown \
         by a passage over the peak or by the span's free motion at a change only, other holds are \
         `steady` at best\n\
         bench.toml:87: channel[wave 2].role: warning: one wave channel alone cannot be \
         decomposed; two places at least are needed\n\
         bench.toml:95: channel[strain].uncertainty_pct: warning: the calibration uncertainty is \
         not stated and counts as zero: the uncertainty of every result from this channel is too \
         small; results are marked for it, and a guard band decides nothing on them",
    );
    // No ratio is made from wave channels yet.
    warned(
        &[(57, "role = \"monitor\"")],
        "bench.toml:44: channel: warning: there is no node channel: no ratio, no efficiency and no \
         power will come out",
    );
}

#[test]
fn the_example_of_the_design_is_a_bare_minimum() {
    let setup = setup::parse(DESIGN, "design.toml").unwrap();
    let keys: Vec<String> = setup::warnings(&setup)
        .into_iter()
        .map(|warning| warning.key)
        .collect();
    assert_eq!(keys, ["channel", "channel"]);
}

#[test]
fn an_instrument_whose_calibration_was_due_before_the_test() {
    let with = |due: &str| {
        format!(
            "{DESIGN}\n[report]\ndate = \"2026-03-17\"\n[[instrument]]\nname = \"analyser\"\n\
             serial = \"1\"\ncalibration_due = \"{due}\"\n"
        )
    };
    let overdue = |due: &str| {
        let loaded = setup::examine(&with(due), "bench.toml").unwrap();
        loaded
            .warnings
            .iter()
            .find(|warning| warning.key == "instrument[analyser].calibration_due")
            .map(|warning| warning.text.clone())
    };
    assert_eq!(overdue("2026-03-17"), None);
    assert_eq!(
        overdue("2026-03-16").unwrap(),
        "its calibration was due on 2026-03-16, before the test on 2026-03-17"
    );
}
