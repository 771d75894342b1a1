//! The fit of a whole sweep on fields that are written down without it, with sensors, tensions
//! and losses that err by what is stated of them.

use std::f64::consts::PI;

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::fit::{Estimate, SweepFit, SweepFitError};
use super::model::{SweepPoint, SweepReading};
use crate::resonance::standing_wave::finite_elements::{Case, cases};
use crate::resonance::standing_wave::{ConductorLoss, FixedSensor};
use crate::span::StrungConductor;

/// Standard uncertainties: 2 mm, 0.5 %, 0.2°, 1 % of tension, 0.5 % of mass and 30 % of
/// stiffness at k = 2; losses anything from none to three times what is stated.
const PLACE_M: f64 = 0.001;
const GAIN: f64 = 0.0025;
const PHASE_RAD: f64 = 0.001_745;
const TENSION: f64 = 0.005;
const MASS: f64 = 0.0025;
const STIFFNESS: f64 = 0.15;
const LOSS: f64 = 1.0;

/// What fades waves at all frequencies alike may be, 1/m.
const EVEN_PER_M: f64 = 1e-4;

const STATED: StrungConductor = StrungConductor {
    tension_n: 18_000.0,
    mass_kg_per_m: 0.98,
    bending_stiffness_n_m2: 180.0,
    length_m: 36.0,
};
const STATED_LOSS: ConductorLoss = ConductorLoss {
    tension: 0.0002,
    bending: 0.005,
};

struct Bench<'a> {
    places_m: &'a [f64],
    /// Share of each error that changes from point to point.
    share: f64,
    random: ChaCha8Rng,
    disturbance: Disturbance,
}

/// What is added to the errors of the second sensor and to the tension: in the second half of
/// each run, or growing with the square of the frequency to twice as much at 64 Hz.
#[derive(Debug, Clone, Copy, Default)]
struct Disturbance {
    place_m: f64,
    gain: f64,
    phase_rad: f64,
    /// Relative.
    tension: f64,
    with_frequency: bool,
}

impl Disturbance {
    fn part(&self, frequency_hz: f64, in_second_half: bool) -> f64 {
        if self.with_frequency {
            2.0 * (frequency_hz / 64.0).powi(2)
        } else {
            f64::from(u8::from(in_second_half))
        }
    }
}

/// A sweep as it is read, and the ratios that are true.
struct Sweep {
    points: Vec<SweepPoint>,
    truths: Vec<f64>,
}

impl Bench<'_> {
    fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.random)
    }

    /// A damped run and one of the bare span.
    fn sweep(&mut self) -> Sweep {
        let lasting = (1.0 - self.share * self.share).sqrt();
        let errors: Vec<[f64; 3]> = self
            .places_m
            .iter()
            .map(|_| [PLACE_M, lasting * GAIN, lasting * PHASE_RAD])
            .collect::<Vec<_>>()
            .into_iter()
            .map(|u| u.map(|u| u * self.normal()))
            .collect();
        let mass = 1.0 + MASS * self.normal();
        let stiffness = 1.0 + STIFFNESS * self.normal();
        let loss = ConductorLoss {
            tension: STATED_LOSS.tension * (1.0 + LOSS * self.normal()).abs(),
            bending: STATED_LOSS.bending * (1.0 + LOSS * self.normal()).abs(),
        };
        let even_per_m = EVEN_PER_M * self.normal().abs();
        let mut sweep = Sweep {
            points: Vec::new(),
            truths: Vec::new(),
        };
        for run in 0..2 {
            let real = StrungConductor {
                tension_n: STATED.tension_n * (1.0 + lasting * TENSION * self.normal()),
                mass_kg_per_m: STATED.mass_kg_per_m * mass,
                bending_stiffness_n_m2: STATED.bending_stiffness_n_m2 * stiffness,
                ..STATED
            };
            let iswr = [ISWR, 0.015][run];
            for n in 0..POINTS {
                let hz = 8.5
                    + 55.0 * (n as f64 + 0.3 * self.normal().clamp(-1.0, 1.0)).max(0.0)
                        / POINTS as f64;
                let drifted = StrungConductor {
                    tension_n: real.tension_n * (1.0 + self.share * TENSION * self.normal()),
                    ..real
                };
                let part = self.disturbance.part(hz, 2 * n >= POINTS);
                let mut errors = errors.clone();
                errors[1][0] += part * self.disturbance.place_m;
                errors[1][1] += part * self.disturbance.gain;
                errors[1][2] += part * self.disturbance.phase_rad;
                let drifted = StrungConductor {
                    tension_n: drifted.tension_n * (1.0 + part * self.disturbance.tension),
                    ..drifted
                };
                self.point(
                    &mut sweep,
                    run,
                    (hz, iswr),
                    (drifted, loss, even_per_m),
                    &errors,
                );
            }
        }
        sweep
    }

    fn point(
        &mut self,
        sweep: &mut Sweep,
        run: usize,
        (frequency_hz, iswr): (f64, f64),
        (real, loss, even_per_m): (StrungConductor, ConductorLoss, f64),
        errors: &[[f64; 3]],
    ) {
        let k = real.wave_number_per_m(frequency_hz);
        let fading_per_m = loss.fading_per_m(&real, frequency_hz) + even_per_m;
        let node_m = 33.9 - PI / k * (0.5 + 0.3 * self.normal()).clamp(0.0, 1.0);
        let turned = self.normal();
        let field = |place_m: f64| {
            let beyond_m = place_m - node_m;
            let turn = Complex64::cis(k * beyond_m);
            let fading = (fading_per_m * beyond_m).exp();
            let sum = turn.conj() * (1.0 + iswr) / fading - turn * (1.0 - iswr) * fading;
            Complex64::cis(turned) * 0.1 * sum
        };
        let noise_m_s = 1e-5;
        let mut readings = Vec::new();
        for (sensor, (place_m, [place, gain, phase])) in
            self.places_m.iter().zip(errors).enumerate()
        {
            let response = Complex64::from_polar(
                1.0 + gain + self.share * GAIN * self.normal(),
                phase + self.share * PHASE_RAD * self.normal(),
            );
            let noise = Complex64::new(self.normal(), self.normal()) * noise_m_s;
            readings.push(SweepReading {
                sensor,
                shown: FixedSensor {
                    place_m: *place_m,
                    velocity_m_s: field(place_m + place) * response + noise,
                    place_standard_u_m: PLACE_M,
                    gain_standard_u: GAIN,
                    phase_standard_u_rad: PHASE_RAD,
                    noise_standard_u_m_s: noise_m_s,
                },
            });
        }
        sweep.truths.push(iswr);
        sweep
            .points
            .push(stated(run, frequency_hz, node_m, readings));
    }
}

/// A point with what is stated.
fn stated(run: usize, hz: f64, node_m: f64, readings: Vec<SweepReading>) -> SweepPoint {
    let k = STATED.wave_number_per_m(hz);
    let moved = |conductor: StrungConductor| conductor.wave_number_per_m(hz) / k - 1.0;
    let by_tension = moved(StrungConductor {
        tension_n: STATED.tension_n * (1.0 + TENSION),
        ..STATED
    });
    let by_mass = moved(StrungConductor {
        mass_kg_per_m: STATED.mass_kg_per_m * (1.0 + MASS),
        ..STATED
    });
    let part =
        |tension: f64, bending: f64| ConductorLoss { tension, bending }.fading_per_m(&STATED, hz);
    SweepPoint {
        run,
        wave_number_per_m: k,
        tension_standard_u: by_tension.hypot(by_mass),
        stiffness_standard_u: moved(StrungConductor {
            bending_stiffness_n_m2: STATED.bending_stiffness_n_m2 * (1.0 + STIFFNESS),
            ..STATED
        }),
        fading_per_m: part(STATED_LOSS.tension, STATED_LOSS.bending),
        fading_standard_u_per_m: [
            LOSS * part(STATED_LOSS.tension, 0.0),
            LOSS * part(0.0, STATED_LOSS.bending),
            EVEN_PER_M,
        ],
        node_m,
        readings,
    }
}

const THREE: [f64; 3] = [31.23, 33.10, 34.01];
const FIVE: [f64; 5] = [29.31, 31.61, 32.50, 33.30, 34.10];
/// Points of each run.
const POINTS: usize = 24;
const ISWR: f64 = 0.1;

/// What came of many sweeps.
#[derive(Default)]
struct Tally {
    refused: usize,
    sweeps: usize,
    /// Error of each ratio over its expanded uncertainty: of the damped run, of the bare one.
    errors: [Vec<f64>; 2],
    /// Expanded uncertainty of the damped run's ratios, %.
    u_pct: Vec<f64>,
    shares: Vec<f64>,
}

impl Tally {
    fn of(places_m: &[f64], share: f64, disturbance: Disturbance, sweeps: usize) -> Self {
        let mut bench = Bench {
            places_m,
            share,
            random: ChaCha8Rng::seed_from_u64(7),
            disturbance,
        };
        let mut tally = Self::default();
        for _ in 0..sweeps {
            tally.sweeps += 1;
            let sweep = bench.sweep();
            let fit = match SweepFit::fit(&sweep.points) {
                Ok(fit) => fit,
                Err(SweepFitError::Changing { .. }) => {
                    tally.refused += 1;
                    continue;
                }
                Err(error) => panic!("{error}"),
            };
            tally.shares.push(fit.changing_share);
            let found = fit.nodes.iter().zip(&sweep.truths).enumerate();
            for (number, (read, truth)) in found {
                let Estimate { value, standard_u } = read.iswr;
                let bare = usize::from(number >= POINTS);
                tally.errors[bare].push((value - truth).abs() / (2.0 * standard_u));
                if bare == 0 {
                    tally.u_pct.push(200.0 * standard_u / truth);
                }
            }
        }
        tally
    }

    /// Share of the truths within the interval, of the damped run and of the bare one.
    fn inside(&self) -> [f64; 2] {
        [0, 1].map(|run| {
            let inside = self.errors[run].iter().filter(|error| **error <= 1.0);
            inside.count() as f64 / self.errors[run].len() as f64
        })
    }
}

/// The value that `part` of all do not pass.
fn quantile(mut values: Vec<f64>, part: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[(part * (values.len() - 1) as f64) as usize]
}

#[test]
fn the_interval_of_a_sweep_holds_the_truth_in_95_of_100() {
    for (places_m, most_u_pct) in [(&THREE[..], 2.5), (&FIVE, 1.2)] {
        for share in [0.0, 0.3, 0.5] {
            let tally = Tally::of(places_m, share, Disturbance::default(), 20);
            let inside = tally.inside();
            let found = quantile(tally.shares.clone(), 0.5);
            let u_pct = quantile(tally.u_pct.clone(), 0.95);
            println!(
                "{} sensors, {share}: inside {inside:.3?}, share {found:.2}, U {u_pct:.2} %",
                places_m.len()
            );
            assert!(tally.refused <= 3, "{share}: {} refused", tally.refused);
            // 480 points of 20 benches. Below the least share the interval is too wide.
            let right = if share < 0.3 {
                0.98..=1.0
            } else {
                0.93..=0.985
            };
            for inside in inside {
                assert!(right.contains(&inside), "{places_m:?}, {share}: {inside}");
            }
            assert!((found - share.max(0.3)).abs() < 0.08, "{share}: {found}");
            assert!(u_pct < most_u_pct, "{share}: {u_pct}");
        }
    }
}

/// Errors that all change from point to point leave nothing that a sweep could tell.
#[test]
fn where_everything_changes_there_is_no_fit() {
    let tally = Tally::of(&THREE, 1.0, Disturbance::default(), 10);
    assert!(tally.refused >= 9, "{}", tally.refused);
}

#[test]
fn a_sensor_that_changes_on_the_way_is_noticed_before_it_spoils_the_sweep() {
    let by = |place_m: f64, gain: f64, phase_rad: f64| Disturbance {
        place_m,
        gain,
        phase_rad,
        ..Disturbance::default()
    };
    // Far more than what is stated: no fit, be it at once or with the frequency.
    for places_m in [&THREE[..], &FIVE] {
        for disturbance in [by(0.03, 0.0, 0.0), by(0.0, 0.04, 0.0), by(0.0, 0.0, 0.03)] {
            for with_frequency in [false, true] {
                let disturbance = Disturbance {
                    with_frequency,
                    ..disturbance
                };
                let tally = Tally::of(places_m, 0.0, disturbance, 8);
                assert_eq!(tally.refused, tally.sweeps, "{disturbance:?}");
            }
        }
    }
    // As much as is stated: no fit, or an interval that holds.
    for places_m in [&THREE[..], &FIVE] {
        for disturbance in [
            by(0.002, 0.0, 0.0),
            by(0.0, GAIN, 0.0),
            by(0.0, 0.0, PHASE_RAD),
        ] {
            let tally = Tally::of(places_m, 0.0, disturbance, 8);
            let [inside, _] = tally.inside();
            assert!(
                tally.refused == tally.sweeps || inside > 0.93,
                "{disturbance:?}: {inside}"
            );
        }
        // A tension that drifts has each point's own wave number.
        let drift = Disturbance {
            tension: 0.01,
            ..Disturbance::default()
        };
        let tally = Tally::of(places_m, 0.0, drift, 8);
        assert!(tally.inside()[0] > 0.95, "{:?}", tally.inside());
    }
}

#[test]
fn two_sensors_have_nothing_in_common_that_a_sweep_could_tell() {
    let mut bench = Bench {
        places_m: &FIVE[3..],
        share: 0.0,
        random: ChaCha8Rng::seed_from_u64(7),
        disturbance: Disturbance::default(),
    };
    let sweep = bench.sweep();
    let error = SweepFit::fit(&sweep.points).unwrap_err();
    assert_eq!(
        error,
        SweepFitError::TooFew {
            degrees_of_freedom: 0
        }
    );
}

/// Fields that know of no waves: six frequencies of each of forty spans, seven sensors that nobody
/// chose well, half of the spans with errors that last, half with errors half of which change.
#[test]
fn the_sweep_reads_what_finite_elements_show() {
    let cases = cases();
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let mut normal = || -> f64 { StandardNormal.sample(&mut random) };
    let (mut inside, mut all, mut refused) = (0, 0, 0);
    let (mut errors_pct, mut u_pct) = (Vec::new(), Vec::new());
    for span in 0..40 {
        let share: f64 = [0.0, 0.5][span % 2];
        let lasting = (1.0 - share * share).sqrt();
        let of_span: Vec<&Case> = cases.iter().filter(|case| case.span == span).collect();
        let errors: Vec<[f64; 3]> = (0..7).map(|_| [normal(), normal(), normal()]).collect();
        let is_clear = |place: &usize| of_span[0].field[*place].0 < of_span[0].clear_end_m();
        let places: Vec<usize> = (0..12).filter(is_clear).collect();
        let (k_off, k_u) = (lasting * normal(), 0.003);
        let mut points = Vec::new();
        for case in &of_span {
            let mut readings = Vec::new();
            for (sensor, [place, gain, phase]) in errors.iter().enumerate() {
                let (place_m, velocity_m_s) = case.field[places[(span + sensor) % places.len()]];
                let gain = GAIN * (lasting * gain + share * normal());
                let phase = PHASE_RAD * (lasting * phase + share * normal());
                readings.push(SweepReading {
                    sensor,
                    shown: FixedSensor {
                        place_m: place_m - PLACE_M * place,
                        velocity_m_s: velocity_m_s * Complex64::from_polar(1.0 + gain, phase),
                        place_standard_u_m: PLACE_M,
                        gain_standard_u: GAIN,
                        phase_standard_u_rad: PHASE_RAD,
                        noise_standard_u_m_s: 1e-6,
                    },
                });
            }
            let part = |tension: f64, bending: f64| {
                ConductorLoss { tension, bending }.fading_per_m(&case.conductor, case.frequency_hz)
            };
            // Any loss of the table is possible.
            let (by_tension, by_bending) = (part(0.0005, 0.0), part(0.0, 0.02));
            let k = case.conductor.wave_number_per_m(case.frequency_hz);
            points.push(SweepPoint {
                run: 0,
                wave_number_per_m: k * (1.0 + k_u * (k_off + share * normal())),
                tension_standard_u: k_u,
                stiffness_standard_u: 0.0,
                fading_per_m: by_tension + by_bending,
                fading_standard_u_per_m: [0.6 * by_tension, 0.6 * by_bending, 0.2 * by_tension],
                node_m: case.node_m,
                readings,
            });
        }
        let fit = match SweepFit::fit(&points) {
            Ok(fit) => fit,
            Err(SweepFitError::Changing { .. }) => {
                refused += 1;
                continue;
            }
            Err(error) => panic!("{span}: {error}"),
        };
        for (case, read) in of_span.iter().zip(&fit.nodes) {
            let Estimate { value, standard_u } = read.iswr;
            let off = (value - case.iswr).abs();
            all += 1;
            inside += usize::from(off <= 2.0 * standard_u);
            errors_pct.push(100.0 * off / case.iswr);
            u_pct.push(200.0 * standard_u / case.iswr);
        }
    }
    let share = f64::from(inside as u32) / f64::from(all);
    println!(
        "{all} points, inside {share:.3}, {refused} refused; error {:.2} % in the median, {:.2} % at 95 %; U {:.2} % in the median",
        quantile(errors_pct.clone(), 0.5),
        quantile(errors_pct.clone(), 0.95),
        quantile(u_pct.clone(), 0.5),
    );
    assert!(refused <= 4, "{refused}");
    assert!(share >= 0.94, "{share}");
    assert!(quantile(errors_pct, 0.5) < 0.3);
    assert!(quantile(u_pct, 0.5) < 0.8);
}

/// One of five stands elsewhere or has another scale all along. Far off it is named, and the
/// others read the sweep without it; a little off, all points together find how far.
#[test]
fn one_faulty_sensor_of_five_is_found() {
    for (place_m, gain, least) in [(0.05, 0.0, 10), (0.0, -0.07, 10), (0.012, 0.0, 8)] {
        let (mut left_out, mut told, mut inside, mut all) = (0, 0, 0, 0);
        for sweep in 0..10 {
            let mut bench = Bench {
                places_m: &FIVE,
                share: 0.3,
                random: ChaCha8Rng::seed_from_u64(70 + sweep),
                disturbance: Disturbance::default(),
            };
            let mut swept = bench.sweep();
            let faulty = sweep as usize % 5;
            for point in &mut swept.points {
                let shown = &mut point.readings[faulty].shown;
                shown.place_m -= place_m;
                shown.velocity_m_s *= 1.0 + gain;
            }
            let fit = if let Ok(fit) = SweepFit::fit(&swept.points) {
                told += usize::from(fit.sensors[faulty].place.value > 4.0);
                fit
            } else {
                let (fit, sensor) = SweepFit::without_one(&swept.points).unwrap();
                assert_eq!(sensor, faulty);
                left_out += 1;
                fit
            };
            for (read, truth) in fit.nodes.iter().zip(&swept.truths) {
                all += 1;
                let off = (read.iswr.value - truth).abs();
                inside += usize::from(off <= 2.0 * read.iswr.standard_u);
            }
        }
        println!("{place_m} m, {gain}: {left_out} left out, {told} told, inside {inside} of {all}");
        assert!(left_out + told >= least, "{place_m} m, {gain}");
        assert!(100 * inside >= 93 * all, "{inside} of {all}");
    }
}
