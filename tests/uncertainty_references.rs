//! The measurement equations and their uncertainties against worked cases by
//! two metrology packages, GTC 1.5.1 and `uncertainties` 3.2.3 (GUM, JCGM
//! 100), which propagate exact derivatives; made by `tests/reference/gum.py`,
//! made anew and compared by `.ci/run`.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use num_complex::Complex64;
use spanhold::reduction::equations::{Inputs, Quantities};
use spanhold::reduction::uncertainty::{COVERAGE, Cause, Sensor, propagate};
use spanhold::setup::Quantity;
use spanhold::span::StrungConductor;
use std::collections::BTreeMap;

const CASES: &str = include_str!("reference/gum_cases.csv");

/// kind → name → number, of one case.
type Case = BTreeMap<String, BTreeMap<String, f64>>;

fn cases() -> BTreeMap<String, Case> {
    let mut cases: BTreeMap<String, Case> = BTreeMap::new();
    for row in csv::Reader::from_reader(CASES.as_bytes()).records() {
        let row = row.unwrap();
        let kinds = cases.entry(row[0].to_owned()).or_default();
        let numbers = kinds.entry(row[1].to_owned()).or_default();
        numbers.insert(row[2].to_owned(), row[3].parse().unwrap());
    }
    cases
}

fn inputs(case: &Case) -> Inputs {
    let input = &case["input"];
    let phasor =
        |name: &str| Complex64::new(input[&format!("{name}_re")], input[&format!("{name}_im")]);
    let ratio = phasor("node") / phasor("antinode");
    Inputs {
        frequency_hz: input["frequency_hz"],
        antinode: (phasor("antinode"), Quantity::Acceleration),
        node: Some((phasor("node"), Quantity::Acceleration)),
        force_n: Some(phasor("force")),
        drive_motion: Some((phasor("drive_motion"), Quantity::Velocity)),
        strains: vec![phasor("strain")],
        conductor: StrungConductor {
            tension_n: input["tension_n"],
            mass_kg_per_m: input["mass_kg_per_m"],
            bending_stiffness_n_m2: input["bending_stiffness_n_m2"],
            // No quantity that is compared depends on it.
            length_m: 36.0,
        },
        sensor_distance_m: None,
        quadrature_sign: ratio.im.signum(),
    }
}

fn causes(case: &Case) -> Vec<Cause> {
    let standard = |name: &str| case["cause"][name];
    let sensors = [
        (Sensor::Antinode, "antinode"),
        (Sensor::Node, "node"),
        (Sensor::Force, "force"),
        (Sensor::DriveMotion, "drive_motion"),
        (Sensor::Strain(0), "strain"),
    ];
    let mut causes = vec![
        Cause::Frequency {
            standard: standard("frequency_hz"),
        },
        Cause::Clock {
            standard: standard("clock"),
        },
        Cause::Tension {
            standard: standard("tension"),
        },
        Cause::Mass {
            standard: standard("mass"),
        },
        Cause::Stiffness {
            standard: standard("stiffness"),
        },
        Cause::Gain {
            sensors: vec![Sensor::Antinode, Sensor::Node, Sensor::DriveMotion],
            standard: standard("gain_reference"),
        },
    ];
    for (sensor, name) in sensors {
        causes.push(Cause::Gain {
            sensors: vec![sensor],
            standard: standard(&format!("gain_{name}")),
        });
        for along in [Complex64::ONE, Complex64::I] {
            causes.push(Cause::Noise {
                sensor,
                along,
                standard: standard(&format!("noise_{name}")),
            });
        }
    }
    causes
}

fn by_name(quantities: &Quantities, name: &str) -> f64 {
    match name {
        "frequency_hz" => quantities.frequency_hz,
        "antinode_velocity_m_s" => quantities.antinode_velocity_m_s,
        "node_velocity_m_s" => quantities.node_velocity_m_s.unwrap(),
        "iswr" => quantities.iswr.unwrap(),
        "node_offset_m" => quantities.node_offset_m.unwrap(),
        "power_total_w" => quantities.power_total_w.unwrap(),
        "power_total_stiffness_w" => quantities.power_total_stiffness_w.unwrap(),
        "power_force_w" => quantities.power_force_w.unwrap(),
        "strain_pp" => quantities.strains_pp[0],
        other => panic!("the reference has a quantity {other} that is not compared"),
    }
}

#[test]
fn values_and_uncertainties_agree_with_two_metrology_packages() {
    let cases = cases();
    assert_eq!(cases.len(), 4);
    for (name, case) in &cases {
        let (value, expanded) = propagate(&inputs(case), &causes(case));
        assert_eq!(case["value"].len(), 9);
        for (quantity, reference) in &case["value"] {
            let ours = by_name(&value, quantity);
            assert!(
                (ours / reference - 1.0).abs() < 1e-9,
                "{name}, {quantity}: {ours} against {reference}"
            );
            // The program moves each input by its whole uncertainty and takes
            // the difference; what the curvature leaves is of second order in
            // relative uncertainties of at most 0.1 (stiffness), 0.02 (all
            // else), and the stiffness is a small part of the power.
            let standard = case["standard"][quantity];
            let ours = by_name(&expanded, quantity) / COVERAGE;
            assert!(
                (ours - standard).abs() <= 1e-3 * standard,
                "{name}, uncertainty of {quantity}: {ours} against {standard}"
            );
        }
    }
}

#[test]
fn a_common_reference_cancels_in_the_ratio_and_adds_in_the_power() {
    let cases = cases();
    let relative = |case: &str, quantity: &str| {
        let (value, expanded) = propagate(&inputs(&cases[case]), &causes(&cases[case]));
        by_name(&expanded, quantity) / by_name(&value, quantity)
    };
    // Each motion channel has 0.5 % in both cases.
    assert!(
        relative("common_reference", "iswr") < 0.75 * relative("separate_calibrations", "iswr")
    );
    assert!(
        relative("common_reference", "power_total_w")
            > 1.15 * relative("separate_calibrations", "power_total_w")
    );
}
