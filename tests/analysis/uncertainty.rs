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
use spanhold::reduction::{BudgetLine, COVERAGE, Measured, budget};
use spanhold::setup::Quantity;
use spanhold::span::StrungConductor;
use spanhold::tone::fit::PhasorEstimate;
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
        moving_mass_kg: 0.0,
        drive_position_m: None,
        strains: vec![phasor("strain")],
        conductor: StrungConductor {
            tension_n: real("tension_n"),
            mass_kg_per_m: real("mass_kg_per_m"),
            bending_stiffness_n_m2: real("bending_stiffness_n_m2"),
            length_m: 36.0,
        },
        sensor_distance_m: None,
        quadrature_sign: (node / antinode).im.signum(),
        fixed: None,
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

/// The worked example of JCGM 100:2008, H.2: voltage (V), current (mA) and phase
/// (rad) of five observations (table H.2), from which resistance and reactance
/// follow, strongly correlated (table H.4). As a phasor of motion the impedance
/// is what a sensor reads: its modulus is the velocity, its phase that against
/// the force, and the power by a unit force in phase and in quadrature gives
/// resistance and reactance. Numbers from memory; the correlations of table H.2
/// agree with those in public code that works the example.
#[test]
fn a_correlated_phasor_as_the_guide_works_it() {
    let observed = [
        (5.007, 19.663, 1.0456),
        (4.994, 19.639, 1.0438),
        (5.005, 19.640, 1.0468),
        (4.990, 19.685, 1.0428),
        (4.999, 19.678, 1.0433),
    ];
    let impedances = observed.map(|(volt, milliampere, phase): (f64, f64, f64)| {
        Complex64::from_polar(1e3 * volt / milliampere, phase)
    });
    let mean = impedances.iter().sum::<Complex64>() / 5.0;
    let of_mean = |product: fn(Complex64) -> f64| {
        impedances.iter().map(|z| product(z - mean)).sum::<f64>() / (5.0 * 4.0)
    };
    let estimate = PhasorEstimate {
        value: mean,
        var_re: of_mean(|d| d.re * d.re),
        var_im: of_mean(|d| d.im * d.im),
        cov: of_mean(|d| d.re * d.im),
    };
    let found = |force: Complex64| {
        let inputs = Inputs {
            frequency_hz: 1.0,
            antinode: (mean, Quantity::Velocity),
            node: None,
            force_n: Some(force),
            moving_mass_kg: 0.0,
            drive_position_m: None,
            drive_motion: Some((mean, Quantity::Velocity)),
            strains: Vec::new(),
            conductor: StrungConductor {
                tension_n: 18_000.0,
                mass_kg_per_m: 0.98,
                bending_stiffness_n_m2: 0.0,
                length_m: 36.0,
            },
            sensor_distance_m: None,
            quadrature_sign: 1.0,
            fixed: None,
        };
        let causes: Vec<Cause> = [InputPhasor::Antinode, InputPhasor::DriveMotion]
            .into_iter()
            .flat_map(|sensor| Cause::noise(sensor, &estimate))
            .collect();
        propagate(&inputs, &causes)
    };
    let in_phase = found(Complex64::new(2.0, 0.0));
    let in_quadrature = found(Complex64::new(0.0, 2.0));
    for (what, measured, value, standard) in [
        ("R", in_phase.power_force_w.unwrap(), 127.732, 0.071),
        ("X", in_quadrature.power_force_w.unwrap(), 219.847, 0.295),
        ("Z", in_phase.antinode_velocity_m_s, 254.260, 0.236),
        (
            "phase",
            in_phase
                .drive_phase_deg
                .unwrap()
                .times(1.0_f64.to_radians()),
            1.044_46,
            0.000_75,
        ),
    ] {
        // Half of the last digit printed.
        let (value_digit, u_digit) = if what == "phase" {
            (0.5e-5, 0.5e-5)
        } else {
            (0.5e-3, 0.5e-3)
        };
        assert!(
            (measured.value - value).abs() <= value_digit,
            "{what}: {}",
            measured.value
        );
        assert!(
            (measured.u / COVERAGE - standard).abs() <= u_digit,
            "{what}: u {}",
            measured.u / COVERAGE
        );
    }
}

/// The field of two travelling waves, written out: `a e^{jkx} − b e^{−jkx}` has
/// a node of ratio (a − b)/(a + b) at x = 0. A sensor put on the antinode stands
/// off it at random; what the equations make of its reading errs by what
/// [`Cause::Place`] says.
#[test]
fn the_place_of_the_antinode_sensor_agrees_with_the_exact_field() {
    const DRAWS: usize = 20_000;
    let conductor = StrungConductor {
        tension_n: 18_000.0,
        mass_kg_per_m: 0.98,
        bending_stiffness_n_m2: 180.0,
        length_m: 36.0,
    };
    let frequency_hz = 60.0;
    let wave_number = conductor.wave_number_per_m(frequency_hz);
    let quarter_m = 0.25 * std::f64::consts::TAU / wave_number;
    for (ratio, node_place_m) in [(0.05, 0.0), (0.3, 0.02), (0.8, 0.0), (0.8, -0.05)] {
        let velocity = |x_m: f64| {
            let wave = Complex64::from_polar(1.0, wave_number * x_m);
            0.1 * (1.0 + ratio) * wave - 0.1 * (1.0 - ratio) * wave.conj()
        };
        let read = |antinode_place_m: f64| {
            let (antinode, node) = (
                velocity(quarter_m + antinode_place_m),
                velocity(node_place_m),
            );
            Inputs {
                frequency_hz,
                antinode: (antinode, Quantity::Velocity),
                node: Some((node, Quantity::Velocity)),
                force_n: None,
                moving_mass_kg: 0.0,
                drive_position_m: None,
                drive_motion: None,
                strains: Vec::new(),
                conductor,
                sensor_distance_m: Some(node_place_m - quarter_m),
                quadrature_sign: (node / antinode).im.signum(),
                fixed: None,
            }
        };
        for place_u_m in [0.01, 0.04] {
            let standing = |sensor| Cause::Place {
                sensor,
                standard_u: place_u_m,
            };
            let stated = propagate(&read(0.0), &[standing(InputPhasor::Antinode)]);
            let mut random = ChaCha8Rng::seed_from_u64(11);
            let mut squares = [0.0; 4];
            let all = |q: &Quantities<f64>| {
                [
                    q.antinode_velocity_m_s,
                    q.iswr.unwrap(),
                    q.power_total_w.unwrap(),
                    q.node_offset_m.unwrap(),
                ]
            };
            let truth = all(&evaluate(&read(0.0)));
            assert!((truth[0] - 0.2).abs() < 1e-12);
            assert!((truth[1] - ratio).abs() < 0.01 * ratio, "{}", truth[1]);
            for _ in 0..DRAWS {
                let draw: f64 = StandardNormal.sample(&mut random);
                let found = all(&evaluate(&read(place_u_m * draw)));
                for (square, (found, truth)) in squares.iter_mut().zip(found.iter().zip(truth)) {
                    *square += (found - truth).powi(2) / DRAWS as f64;
                }
            }
            let stated_u = [
                stated.antinode_velocity_m_s.u,
                stated.iswr.unwrap().u,
                stated.power_total_w.unwrap().u,
                stated.node_offset_m.unwrap().u,
            ];
            for (at, (square, u)) in squares.iter().zip(stated_u).enumerate() {
                let (drawn, stated) = (square.sqrt(), u / COVERAGE);
                // Below a ten-thousandth of the value nothing is at stake; the
                // offset is in m.
                let least = 1e-4 * truth[at].abs().max(if at == 3 { 1.0 } else { 0.0 });
                // 20 000 draws of a square are good to 1.2 %; two of it, and
                // what goes with the fourth power, (k u)² or less.
                let allowed = 0.03 + (wave_number * place_u_m).powi(2);
                assert!(
                    (drawn - stated).abs() <= allowed * drawn + 0.02 * least,
                    "{ratio} {node_place_m} ± {place_u_m}, quantity {at}: drawn {drawn}, stated {stated}"
                );
            }
            // Of the antinode's offset the tape is the whole error, of either
            // sensor.
            for sensor in [InputPhasor::Antinode, InputPhasor::Node] {
                let offset = propagate(&read(0.0), &[standing(sensor)])
                    .antinode_offset_m
                    .unwrap();
                let by_node = stated.node_offset_m.unwrap().u / COVERAGE;
                assert!(
                    (offset.u / COVERAGE - place_u_m).abs() <= by_node + 1e-9,
                    "{sensor:?}: {}",
                    offset.u
                );
            }
        }
    }
}

/// The budget of a case against GTC's combined uncertainties, and its words.
#[test]
fn a_budget_adds_up_to_what_gtc_combines() {
    for (case, numbers) in &cases() {
        let lines = budget(&inputs(numbers), &causes(numbers), |sensor| {
            format!("{sensor:?}")
        });
        let sums = BudgetLine::sums(&lines);
        for (name, sum) in [
            ("antinode_velocity_m_s", sums[0]),
            ("iswr", sums[1]),
            ("power_total_w", sums[2]),
            ("power_force_w", sums[3]),
            ("strain_pp", sums[4]),
        ] {
            let (value, standard) = (
                number(numbers, "value", name),
                number(numbers, "standard", name),
            );
            let right = 100.0 * COVERAGE * standard / value.abs();
            let found = sum.unwrap_or(0.0);
            assert!(
                (found - right).abs() <= 2e-3 * right + 1e-6,
                "{case} {name}: {found} %, GTC {right} %"
            );
        }
        let mut words: Vec<&str> = lines.iter().map(|line| line.cause.as_str()).collect();
        words.sort_unstable();
        let all = words.len();
        words.dedup();
        assert_eq!(words.len(), all, "{case}: a cause stands twice");
    }
}
