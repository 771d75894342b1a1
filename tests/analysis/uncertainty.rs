//! Uncertainty of the measurement equations: the propagation against GTC (a
//! metrologists' package with exact derivatives, `tests/reference/gum.py`,
//! cross-checked there with the package `uncertainties`), and against Monte
//! Carlo as in JCGM 101.

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use spanhold::reduction::equations::{Inputs, Quantities, evaluate};
use spanhold::reduction::uncertainty::{Cause, InputPhasor, propagate};
use spanhold::reduction::{COVERAGE, Measured};
use spanhold::setup::Quantity;
use spanhold::span::StrungConductor;
use std::collections::BTreeMap;

const SENSORS: [(&str, InputPhasor); 5] = [
    ("antinode", InputPhasor::Antinode),
    ("node", InputPhasor::Node),
    ("force", InputPhasor::Force),
    ("drive_motion", InputPhasor::DriveMotion),
    ("strain", InputPhasor::Strain(0)),
];

type Numbers = BTreeMap<(String, String), f64>;

/// The worked cases: case → (kind, name) → number; SI, standard uncertainties.
fn cases() -> BTreeMap<String, Numbers> {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/gum_cases.csv");
    let mut cases: BTreeMap<String, Numbers> = BTreeMap::new();
    for record in csv::Reader::from_path(path).unwrap().records() {
        let record = record.unwrap();
        let number = record[3].parse().unwrap();
        let key = (record[1].to_owned(), record[2].to_owned());
        cases
            .entry(record[0].to_owned())
            .or_default()
            .insert(key, number);
    }
    cases
}

fn number(numbers: &Numbers, kind: &str, name: &str) -> f64 {
    numbers[&(kind.to_owned(), name.to_owned())]
}

fn inputs(numbers: &Numbers) -> Inputs {
    let real = |name: &str| number(numbers, "input", name);
    let phasor =
        |name: &str| Complex64::new(real(&format!("{name}_re")), real(&format!("{name}_im")));
    let (antinode, node) = (phasor("antinode"), phasor("node"));
    Inputs {
        frequency_hz: real("frequency_hz"),
        antinode: (antinode, Quantity::Acceleration),
        node: Some((node, Quantity::Acceleration)),
        force_n: Some(phasor("force")),
        drive_motion: Some((phasor("drive_motion"), Quantity::Velocity)),
        strains: vec![phasor("strain")],
        conductor: StrungConductor {
            tension_n: real("tension_n"),
            mass_kg_per_m: real("mass_kg_per_m"),
            bending_stiffness_n_m2: real("bending_stiffness_n_m2"),
            length_m: 36.0,
        },
        sensor_distance_m: None,
        quadrature_sign: (node / antinode).im.signum(),
    }
}

fn causes(numbers: &Numbers) -> Vec<Cause> {
    let standard = |name: &str| number(numbers, "cause", name);
    let mut causes = vec![
        Cause::Frequency {
            standard_u: standard("frequency_hz"),
        },
        Cause::Clock {
            standard_u: standard("clock"),
        },
        Cause::Tension {
            standard_u: standard("tension"),
        },
        Cause::Mass {
            standard_u: standard("mass"),
        },
        Cause::Stiffness {
            standard_u: standard("stiffness"),
        },
        Cause::Gain {
            sensors: vec![
                InputPhasor::Antinode,
                InputPhasor::Node,
                InputPhasor::DriveMotion,
            ],
            standard_u: standard("gain_reference"),
        },
    ];
    for (name, sensor) in SENSORS {
        let noise = standard(&format!("noise_{name}"));
        for along in [Complex64::new(1.0, 0.0), Complex64::new(0.0, 1.0)] {
            causes.push(Cause::Noise {
                sensor,
                along,
                standard_u: noise,
            });
        }
        let gain = standard(&format!("gain_{name}"));
        causes.push(Cause::Gain {
            sensors: vec![sensor],
            standard_u: gain,
        });
    }
    causes
}

fn outputs<V: Copy>(quantities: &Quantities<V>) -> Vec<(&'static str, V)> {
    let mut outputs = vec![
        ("frequency_hz", quantities.frequency_hz),
        ("antinode_velocity_m_s", quantities.antinode_velocity_m_s),
        ("strain_pp", quantities.strains_pp[0]),
    ];
    let optional = [
        ("node_velocity_m_s", quantities.node_velocity_m_s),
        ("iswr", quantities.iswr),
        ("node_offset_m", quantities.node_offset_m),
        ("power_total_w", quantities.power_total_w),
        (
            "power_total_stiffness_w",
            quantities.power_total_stiffness_w,
        ),
        ("power_force_w", quantities.power_force_w),
    ];
    outputs.extend(optional.map(|(name, value)| (name, value.unwrap())));
    outputs
}

#[test]
fn propagation_agrees_with_gtc() {
    let cases = cases();
    assert_eq!(cases.len(), 4);
    for (case, numbers) in &cases {
        let found = propagate(&inputs(numbers), &causes(numbers));
        for (name, Measured { value, u: expanded }) in outputs(&found) {
            let right = number(numbers, "value", name);
            assert!(
                (value / right - 1.0).abs() < 1e-9,
                "{case} {name}: {value}, GTC {right}"
            );
            // Central differences against exact derivatives: the rest is of
            // third order in the relative uncertainties.
            let right = number(numbers, "standard", name);
            let error = (expanded / COVERAGE - right).abs();
            assert!(
                error <= 1e-3 * right,
                "{case} {name}: u {}, GTC {right}",
                expanded / COVERAGE
            );
        }
    }
}

#[test]
fn propagation_agrees_with_monte_carlo() {
    const DRAWS: usize = 40_000;
    for (case, numbers) in &cases() {
        let (inputs, causes) = (inputs(numbers), causes(numbers));
        let found = propagate(&inputs, &causes);
        let mut random = ChaCha8Rng::seed_from_u64(7);
        let mut sums: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
        let nominal: BTreeMap<&str, f64> = outputs(&evaluate(&inputs)).into_iter().collect();
        for _ in 0..DRAWS {
            let drawn = causes.iter().fold(inputs.clone(), |inputs, cause| {
                cause.moved(&inputs, StandardNormal.sample(&mut random))
            });
            for (name, value) in outputs(&evaluate(&drawn)) {
                let off = value - nominal[name];
                let sum = sums.entry(name).or_default();
                *sum = (sum.0 + off, sum.1 + off * off);
            }
        }
        for (name, Measured { u: expanded, .. }) in outputs(&found) {
            let (sum, squares) = sums[name];
            let mean = sum / DRAWS as f64;
            let drawn = (squares / DRAWS as f64 - mean * mean).sqrt();
            // The standard deviation of 40 000 draws is good to 0.35 %; three
            // of it, and the second order that propagation leaves out.
            let error = (expanded / COVERAGE - drawn).abs();
            assert!(
                error <= 0.015 * drawn,
                "{case} {name}: u {}, drawn {drawn}",
                expanded / COVERAGE
            );
        }
    }
}
