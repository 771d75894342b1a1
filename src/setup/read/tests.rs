//! The guide and the lists of keys against what the code reads.

use super::*;
use crate::setup::model::{Amplitude, Conductor, HoldRules, Source, Span};

const GUIDE: &str = include_str!("../../guide/setup.md");

/// The row of a key in the guide, cut into its cells.
fn guide_row(section: &str, key: &str) -> Vec<String> {
    let brackets = if LISTS.contains(&section) {
        format!("## `[[{section}]]`")
    } else {
        format!("## `[{section}]`")
    };
    let (_, part) = GUIDE.split_once(&brackets).expect("a heading in the guide");
    let part = part.split("\n## ").next().unwrap();
    let row = part
        .lines()
        .find(|line| line.starts_with(&format!("| `{key}` |")))
        .unwrap_or_else(|| panic!("{section}.{key} is missing in the guide"));
    row.split('|').map(|cell| cell.trim().to_owned()).collect()
}

#[test]
fn the_guide_has_every_key_and_no_other() {
    let mut keys = 0;
    for (section, names) in SECTIONS {
        for key in *names {
            guide_row(section, key);
            keys += 1;
        }
    }
    let roles = 7;
    let rows = GUIDE.lines().filter(|line| line.starts_with("| `"));
    assert_eq!(rows.count(), keys + roles);
}

#[test]
fn the_guide_states_the_defaults_of_the_program() {
    let hold = HoldRules::default();
    let defaults = [
        ("hold", "min_seconds", hold.min_seconds),
        ("hold", "min_cycles", hold.min_cycles),
        ("hold", "max_seconds", hold.max_seconds),
        (
            "hold",
            "ring_up_time_constants",
            hold.ring_up_time_constants,
        ),
        ("hold", "drive_phase_deg", hold.drive_phase_deg),
        ("hold", "drift_bandwidths", hold.drift_bandwidths),
        ("hold", "amplitude_drift_pct", hold.amplitude_drift_pct),
        (
            "hold",
            "amplitude_variation_pct",
            hold.amplitude_variation_pct,
        ),
        ("hold", "beat_pct", hold.beat_pct),
        ("hold", "distortion_pct", hold.distortion_pct),
        ("hold", "min_snr_db", hold.min_snr_db),
        ("hold", "drive_node_sine", hold.drive_node_sine),
        (
            "amplitude",
            "tolerance_pct",
            Amplitude::DEFAULT_TOLERANCE_PCT,
        ),
        (
            "source",
            "rate_uncertainty_ppm",
            Source::DEFAULT_RATE_UNCERTAINTY_PPM,
        ),
        (
            "span",
            "length_uncertainty_mm",
            Span::DEFAULT_LENGTH_UNCERTAINTY_MM,
        ),
        (
            "span",
            "tension_uncertainty_pct",
            Span::DEFAULT_TENSION_UNCERTAINTY_PCT,
        ),
        (
            "conductor",
            "mass_uncertainty_pct",
            Conductor::DEFAULT_MASS_UNCERTAINTY_PCT,
        ),
        (
            "conductor",
            "bending_stiffness_uncertainty_pct",
            Conductor::DEFAULT_STIFFNESS_UNCERTAINTY_PCT,
        ),
    ];
    for (section, key, default) in defaults {
        let row = guide_row(section, key);
        let stated = row[3].trim_matches(['(', ')']);
        assert_eq!(stated, default.to_string(), "{section}.{key}");
    }
}

/// A key that is listed and never read would be accepted and ignored.
#[test]
fn every_listed_key_is_read() {
    for (section, keys) in SECTIONS {
        for key in *keys {
            let header = if LISTS.contains(section) {
                format!("[[{section}]]")
            } else {
                format!("[{section}]")
            };
            // A date fits no key, so whoever reads it complains of it.
            let text = format!("{header}\n{key} = 1979-05-27\n");
            let mut log = Log::new(&text);
            RawSetup::read(&text, &mut log).unwrap();
            let said = log.into_faults("t").to_string();
            let complaint = format!("{key}: the date 1979-05-27 stands here");
            assert!(said.contains(&complaint), "{section}.{key}: {said}");
        }
    }
}
