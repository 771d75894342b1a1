//! Two waves against fields that know of none: `tests/reference/fixed_sensors.py`, beam
//! finite elements with SciPy, lossy conductors with dampers on (invented).

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::{ConductorLoss, FixedSensor, TwoWaves, WaveFitError, WaveNumber, condition};
use crate::maths;
use crate::span::StrungConductor;

/// One frequency of one span.
struct Case {
    conductor: StrungConductor,
    loss: ConductorLoss,
    frequency_hz: f64,
    iswr: f64,
    node_m: f64,
    antinode_m: f64,
    /// Places, and velocities with the antinode's real, 0.2 m/s.
    field: Vec<(f64, Complex64)>,
}

fn cases() -> Vec<Case> {
    let table = include_str!("../../../tests/reference/fixed_sensors.csv");
    let rows = table.lines().skip(1);
    rows.map(|line| {
        let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
        Case {
            conductor: StrungConductor {
                tension_n: v[1],
                mass_kg_per_m: v[2],
                bending_stiffness_n_m2: v[3],
                length_m: v[4],
            },
            loss: ConductorLoss {
                tension: v[5],
                bending: v[6],
            },
            frequency_hz: v[9],
            iswr: v[10],
            node_m: v[11],
            antinode_m: v[12],
            field: v[13..]
                .chunks(3)
                .map(|p| (p[0], Complex64::new(p[1], p[2])))
                .collect(),
        }
    })
    .collect()
}

impl Case {
    fn number(&self, relative_standard_u: f64) -> WaveNumber {
        WaveNumber {
            per_m: self.conductor.wave_number_per_m(self.frequency_hz),
            relative_standard_u,
            fading_per_m: self.loss.fading_per_m(&self.conductor, self.frequency_hz),
        }
    }

    fn sensors(&self, places: &[usize]) -> Vec<FixedSensor> {
        let sensor = |&i: &usize| FixedSensor {
            place_m: self.field[i].0,
            velocity_m_s: self.field[i].1,
            place_standard_u_m: 0.001,
            gain_standard_u: 0.0025,
            phase_standard_u_rad: 0.1_f64.to_radians(),
            noise_standard_u_m_s: 1e-6,
        };
        places.iter().map(sensor).collect()
    }

    fn condition(&self, places: &[usize]) -> f64 {
        let k = self.conductor.wave_number_per_m(self.frequency_hz);
        condition(places.iter().map(|i| self.field[*i].0), k)
    }
}

#[test]
fn sensors_without_errors_read_what_finite_elements_show() {
    let (mut tried, mut worst) = (0, [0.0_f64; 4]);
    let mut all = Vec::new();
    for case in cases() {
        for places in [[11, 9].as_slice(), &[11, 8, 6], &[11, 10, 7, 3, 1]] {
            if case.condition(places) > 4.0 {
                continue;
            }
            let waves = TwoWaves::fit(&case.sensors(places), case.number(1e-6)).unwrap();
            let read = waves.node_nearest(case.node_m);
            // The near field of the damper is e^-6 at the node, and no part of the waves.
            let errors = [
                (read.iswr - case.iswr) / case.iswr.max(0.02),
                read.node_m - case.node_m,
                maths::modulus(read.antinode_m_s) / 0.2 - 1.0,
                read.antinode_m - case.antinode_m,
            ];
            for (worst, error) in worst.iter_mut().zip(errors) {
                *worst = worst.max(error.abs());
            }
            tried += 1;
            all.push((
                errors[0].abs(),
                case.iswr,
                case.frequency_hz,
                places.len(),
                case.loss,
            ));
        }
    }
    all.sort_by(|a, b| a.0.total_cmp(&b.0));
    println!("{:?}", [50, 90, 95, 99].map(|q| all[all.len() * q / 100]));
    println!("{tried}: {worst:?}");
    assert!(tried > 400);
}

#[test]
fn a_wave_number_off_by_half_a_per_cent_is_found() {
    let (mut tried, mut worst) = (0, 0.0_f64);
    for case in cases() {
        let places = [11, 10, 8, 6, 4];
        if case.condition(&places) > 3.0 {
            continue;
        }
        let mut number = case.number(0.005);
        number.per_m *= 1.005;
        match TwoWaves::fit(&case.sensors(&places), number) {
            Ok(waves) => {
                let error = waves.wave_number_per_m() * 1.005 / number.per_m - 1.0;
                worst = worst.max(error.abs());
            }
            Err(error) => println!("{error}"),
        }
        tried += 1;
    }
    println!("{tried}: {worst:?}");
}

#[test]
fn errors_of_the_usual_size() {
    let mut normal = {
        let mut random = ChaCha8Rng::seed_from_u64(15);
        move || -> f64 { StandardNormal.sample(&mut random) }
    };
    for (places, name) in [
        ([11, 9].as_slice(), "two"),
        (&[11, 9, 7], "three"),
        (&[11, 10, 9, 7, 5], "five near"),
        (&[11, 8, 6, 3, 1], "five far"),
    ] {
        let mut errors = Vec::new();
        let (mut blind, mut ambiguous) = (0, 0);
        let mut chi = Vec::new();
        for case in cases() {
            if case.iswr < 0.1 {
                continue;
            }
            let Ok(exact) = TwoWaves::fit(&case.sensors(&[11, 10, 9, 8, 7, 6]), case.number(1e-6))
            else {
                continue;
            };
            for known in [false, true] {
                let mut sensors = case.sensors(places);
                let slope = |i: usize, by: f64| {
                    case.field[i].1 + exact.velocity_m_s(case.field[i].0 + by)
                        - exact.velocity_m_s(case.field[i].0)
                };
                for (sensor, &i) in sensors.iter_mut().zip(places) {
                    let y = slope(i, 0.001 * normal());
                    let gain = 1.0 + 0.0025 * normal();
                    sensor.velocity_m_s = y * gain * maths::cis(0.1_f64.to_radians() * normal());
                }
                let mut number = case.number(0.003);
                number.per_m *= 1.0 + 0.003 * normal();
                if !known {
                    number.fading_per_m = 0.0;
                }
                match TwoWaves::fit(&sensors, number) {
                    Ok(waves) => {
                        let read = waves.node_nearest(case.node_m);
                        errors.push((read.iswr / case.iswr - 1.0).abs());
                        chi.push(waves.chi_square / waves.degrees_of_freedom().max(1) as f64);
                    }
                    Err(WaveFitError::Blind { .. }) => blind += 1,
                    Err(_) => ambiguous += 1,
                }
            }
        }
        errors.sort_by(f64::total_cmp);
        chi.sort_by(f64::total_cmp);
        let n = errors.len();
        println!(
            "{name}: {n} blind {blind} ambiguous {ambiguous}, median {:.4}, 95 % {:.4}, max {:.4}; chi {:.2} {:.2}",
            errors[n / 2],
            errors[n * 95 / 100],
            errors[n - 1],
            chi[n / 2],
            chi[n * 95 / 100],
        );
    }
}
