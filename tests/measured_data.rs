//! Measured data that nobody of this project made. Fetched by
//! `tests/reference/fetch.sh` (sources and licences in
//! `tests/reference/SOURCES.md`); `.ci/run` fetches them and runs these tests,
//! which fail where the data are absent.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use ndarray::{Array2, Axis, s};
use num_complex::Complex64;
use spanhold::ingest::{Block, StreamFormat};
use spanhold::resonance::Tracker;
use spanhold::resonance::hop_estimate::HopEstimate;
use spanhold::resonance::phasor::velocity_m_s;
use spanhold::setup::Verdict;
use spanhold::setup::{Quantity, Setup};
use spanhold::span::StrungConductor;
use spanhold::tone::fit::{ToneGuess, fit};
use spanhold::tone::{Estimator, ToneMessage, TonePlan, Windows};
use std::f64::consts::{PI, TAU};
use std::path::Path;

#[path = "analysis/first_guess.rs"]
mod first_guess;
use first_guess::FirstGuess;

struct Record {
    rate_hz: f64,
    heads: Vec<String>,
    /// Columns × rows.
    columns: Array2<f64>,
}

impl Record {
    fn read(name: &str) -> Self {
        let path = Path::new(env!("CARGO_MANIFEST_DIR"))
            .join("target/reference/data")
            .join(name);
        let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|error| {
            panic!(
                "{}: {error}; run tests/reference/fetch.sh first",
                path.display()
            )
        });
        let heads = reader.headers().unwrap().clone();
        let rate_hz = heads[0].strip_prefix("rate_hz=").unwrap().parse().unwrap();
        let width = heads.len() - 1;
        let mut values = Vec::new();
        for row in reader.records() {
            values.extend(
                row.unwrap()
                    .iter()
                    .skip(1)
                    .map(|x| x.parse::<f64>().unwrap()),
            );
        }
        let rows = Array2::from_shape_vec((values.len() / width, width), values).unwrap();
        Self {
            rate_hz,
            heads: heads.iter().skip(1).map(str::to_owned).collect(),
            columns: rows.reversed_axes().as_standard_layout().into_owned(),
        }
    }

    fn column(&self, head: &str) -> usize {
        self.heads.iter().position(|h| h == head).unwrap()
    }
}

fn fixed(frequency_hz: f64) -> [ToneGuess; 1] {
    [ToneGuess {
        frequency_hz,
        free: false,
        orders: 1,
    }]
}

/// Response of the known sensor, from the calibration file beside the record:
/// poles −0.03677 ± 0.03703 j rad/s, a double zero at 0, sensitivity 1500.
fn known_response(frequency_hz: f64) -> Complex64 {
    let s = Complex64::new(0.0, TAU * frequency_hz);
    let pole = Complex64::new(-0.03677, 0.03703);
    1500.0 * s * s / ((s - pole) * (s - pole.conj()))
}

/// Konno and Ohmachi's window (Bull. Seism. Soc. Am. 88 (1998) 228), b = 10.
fn smoothing(frequency_hz: f64, centre_hz: f64) -> f64 {
    let x = 10.0 * (frequency_hz / centre_hz).log10();
    if x == 0.0 { 1.0 } else { (x.sin() / x).powi(4) }
}

/// Two seismometers on one spot: the unknown one's response, published with
/// the data, from our complex amplitudes of both.
///
/// What the published procedure does, found out by making its numbers again:
/// Hann windows of 4,096 samples with half overlap; the mean over windows of
/// X Y*/|X|², whose phase is minus that of Y/X; times the known response;
/// smoothed, with each line's weights divided by the sum that the *source*
/// line hands out, which takes 2 % off the amplitude.
#[test]
#[ignore = "needs tests/reference/fetch.sh"]
fn two_sensors_side_by_side_give_the_published_response() {
    const FRAMES: usize = 4096;
    // Lines to 20 Hz; what the smoothing would bring to 3 Hz and below from
    // beyond is under 2e-4 of the amplitude.
    const LINES: usize = 410;
    const ALL_LINES: usize = FRAMES / 2;
    let record = Record::read("sensors.csv");
    let known = record.column("known_counts");
    let unknown = record.column("unknown_counts");
    let line_hz = |line: usize| line as f64 * record.rate_hz / FRAMES as f64;
    let taper: Vec<f64> = (0..FRAMES)
        .map(|i| 0.5 - 0.5 * (TAU * i as f64 / (FRAMES - 1) as f64).cos())
        .collect();
    let mut response = vec![Complex64::ZERO; LINES + 1];
    let mut windows = 0;
    for start in (0..=record.columns.ncols() - FRAMES).step_by(FRAMES / 2) {
        let mut window = record
            .columns
            .slice(s![.., start..start + FRAMES])
            .to_owned();
        for mut row in window.axis_iter_mut(Axis(0)) {
            row.iter_mut().zip(&taper).for_each(|(x, w)| *x *= w);
        }
        for (line, sum) in response.iter_mut().enumerate().skip(1) {
            let tone = fixed(line_hz(line));
            let found = fit(window.view(), record.rate_hz, &tone, &[true, true]).unwrap();
            let phasor = |channel: usize| found.channels[channel].phasors[0][0].value;
            *sum += (phasor(unknown) / phasor(known)).conj();
        }
        windows += 1;
    }
    assert_eq!(windows, 350);
    for (line, value) in response.iter_mut().enumerate().skip(1) {
        *value *= known_response(line_hz(line)) / f64::from(windows);
    }

    let published = Record::read("sensors_published.csv");
    let mut compared = 0;
    for row in published.columns.columns() {
        let (frequency_hz, amplitude, phase) = (row[0], row[1], row[2]);
        if !(0.5..=3.0).contains(&frequency_hz) {
            continue;
        }
        let smoothed: Complex64 = (1..=LINES)
            .map(|line| {
                let source_hz = line_hz(line);
                let handed_out: f64 = (1..=ALL_LINES)
                    .map(|other| smoothing(line_hz(other), source_hz))
                    .sum();
                response[line] * (smoothing(frequency_hz, source_hz) / handed_out)
            })
            .sum();
        assert!(
            (smoothed.norm() / amplitude - 1.0).abs() < 3e-4,
            "{frequency_hz} Hz: {} against {amplitude}",
            smoothed.norm()
        );
        assert!(
            (smoothed.arg() - phase).abs() < 3e-4,
            "{frequency_hz} Hz: {} rad against {phase} rad",
            smoothed.arg()
        );
        compared += 1;
    }
    assert!(compared > 45, "{compared} lines compared");
}

const BRIDGES: [&str; 4] = [
    "bridge_hayward_2021_04_26.csv",
    "bridge_hayward_nc73654060.csv",
    "bridge_rio_dell_petrolia.csv",
    "bridge_toms_place_2006.csv",
];

/// Acceleration → velocity at the dominant frequency of each octave in which
/// one line stands out, against the agency's own velocity record, in amplitude and phase.
///
/// A record that begins and ends in motion is no whole number of cycles:
/// integrating by parts, V = A/(j omega) − (v(T) − v(0))·2/(j omega T), v at
/// the outer edges of the first and last sample. Without that term the misfit
/// reaches 9 % in the weakest octave.
#[test]
#[ignore = "needs tests/reference/fetch.sh"]
fn the_agencys_velocity_follows_from_our_acceleration() {
    let (mut compared, mut worst) = (0, 0.0_f64);
    for name in BRIDGES {
        let record = Record::read(name);
        let frames = record.columns.ncols();
        let seconds = frames as f64 / record.rate_hz;
        for channel in (0..record.heads.len()).step_by(2) {
            assert!(record.heads[channel].starts_with("accel"));
            assert!(record.heads[channel + 1].starts_with("veloc"));
            let pair = record.columns.slice(s![channel..channel + 2, ..]);
            let (acceleration, velocity) = (pair.row(0), pair.row(1));
            let half_sample_s = 0.5 / record.rate_hz;
            let gained = velocity[frames - 1] + acceleration[frames - 1] * half_sample_s
                - (velocity[0] - acceleration[0] * half_sample_s);
            for low_hz in [1.0, 2.0, 4.0, 8.0] {
                let band_hz = [low_hz, 2.0 * low_hz];
                let mut search = FirstGuess::new(frames, record.rate_hz, band_hz);
                let Some(near_hz) = search.hz(pair, &[true, false]) else {
                    continue;
                };
                // A whole number of cycles, so that both edges have one phase.
                let cycles = (near_hz * seconds).round();
                let frequency_hz = cycles / seconds;
                let found = fit(pair, record.rate_hz, &fixed(frequency_hz), &[true, true]).unwrap();
                let phasor = |row: usize| found.channels[row].phasors[0][0].value;
                let sign = if cycles % 2.0 == 0.0 { 1.0 } else { -1.0 };
                let of_edges = Complex64::new(sign * gained * 2.0 / seconds, 0.0);
                // Both records in cm: the conversion does not mind.
                let ours = velocity_m_s(Quantity::Acceleration, phasor(0) - of_edges, frequency_hz);
                let misfit = (ours / phasor(1) - 1.0).norm();
                assert!(
                    misfit < 1e-3,
                    "{name} {} at {frequency_hz:.2} Hz: {misfit:.1e}",
                    record.heads[channel]
                );
                worst = worst.max(misfit);
                compared += 1;
            }
        }
    }
    println!("{compared} tones, the worst {worst:.1e} off");
    assert!(compared > 90, "{compared} tones compared");
}

/// A span that would be swept in the range where the bridges shake; the node
/// and the drive are whichever channels come next.
fn bridge_setup(rate_hz: f64, antinode: usize, node: usize) -> Setup {
    let text = format!(
        r#"
[test]
title = "a bridge under an earthquake"
[conductor]
designation = "none"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
drive_position_m = 1.3
[sweep]
low_hz = 2.5
high_hz = 20.0
[[source]]
name = "bridge"
kind = "wav"
rate_hz = {rate_hz}
[[channel]]
name = "antinode"
role = "antinode"
source = "bridge"
index = {antinode}
unit = "m/s2"
full_scale = 0.01
[[channel]]
name = "node"
role = "node"
source = "bridge"
index = {node}
unit = "m/s2"
full_scale = 0.01
"#
    );
    spanhold::setup::parse(&text, "bridge.toml").unwrap_or_else(|faults| panic!("{faults}"))
}

/// No bridge was held at resonance during an earthquake.
#[test]
#[ignore = "needs tests/reference/fetch.sh"]
fn the_tracker_finds_no_hold_in_an_earthquake() {
    let (mut frames_seen, mut tones, mut dwells) = (0, 0, 0);
    for name in BRIDGES {
        let record = Record::read(name);
        let accelerations: Vec<usize> = (0..record.heads.len()).step_by(2).collect();
        let format = StreamFormat {
            rate_hz: record.rate_hz,
            channels: record.heads.len(),
            clip_level: f64::INFINITY,
            start_utc: None,
        };
        for pair in accelerations.windows(2) {
            let setup = bridge_setup(record.rate_hz, pair[0], pair[1]);
            let plan = TonePlan::new(&setup, 0, &format).unwrap();
            let mut windows = Windows::new(plan.clone());
            let mut estimator = Estimator::new(plan.clone());
            let mut tracker = Tracker::new(&setup, &plan);
            let mut found = Vec::new();
            let block = Block {
                first_sample: 0,
                samples: record.columns.clone(),
            };
            windows.block(&block, |window| {
                let message = estimator.estimate(window);
                if let ToneMessage::Frame(frame) = &message {
                    frames_seen += 1;
                    tones += usize::from(frame.frequency_hz.is_some());
                }
                found.extend(match message {
                    ToneMessage::Frame(frame) => {
                        let estimate = HopEstimate::new(tracker.channels(), &frame);
                        tracker.hop(estimate, &frame)
                    }
                    ToneMessage::Gap(gap) => tracker.gap(&gap),
                });
            });
            found.extend(tracker.finish());
            for dwell in found {
                dwells += 1;
                assert_eq!(
                    dwell.verdict,
                    Verdict::Rejected,
                    "{name}, {}, {:.1} s to {:.1} s: {:?}",
                    record.heads[pair[0]],
                    dwell.hold_start_s,
                    dwell.hold_end_s,
                    dwell.criteria
                );
                assert!(!dwell.reasons.is_empty());
            }
        }
    }
    println!("{frames_seen} frames, {tones} with a tone, {dwells} dwells, all rejected");
    // The test says something only if the tone stage saw the shaking.
    assert!(
        frames_seen > 10_000 && tones > frames_seen / 4,
        "{frames_seen}, {tones}"
    );
}

/// Struck piano strings: partials by our search and fit follow the law that
/// `span` has for a stiff string, f_n = n f_1 sqrt(1 + B n²).
///
/// The first two partials are left out: the lowest is 40 dB below the rest, and
/// the soundboard's own resonances pull both. f_1 and B come from the odd
/// partials from 3 to 15, the even ones from 4 to 14 are foretold. The two
/// or three strings of a note are tuned apart by a cent or two (G. Weinreich,
/// J. Acoust. Soc. Am. 62 (1977) 1474; from memory), and a partial may sound
/// at either: two cents, 1.2e-3, is the limit for one partial.
#[test]
#[ignore = "needs tests/reference/fetch.sh"]
fn partials_of_piano_strings_follow_the_stiff_string() {
    // Note, and its equal-tempered frequency (A4 = 440 Hz, ISO 16).
    for (note, nominal_hz) in [("A3", 220.0), ("C4", 261.63), ("A4", 440.0)] {
        let record = Record::read(&format!("piano_{note}.csv"));
        let frames = record.columns.ncols();
        let partial_hz = |near_hz: f64| {
            let band_hz = [0.988 * near_hz, 1.012 * near_hz];
            let mut search = FirstGuess::new(frames, record.rate_hz, band_hz);
            let both = record.columns.view();
            let guess_hz = search.hz(both, &[true, true]).unwrap();
            // Where two strings sound a line or two apart the fit of one tone need not converge from
            // between them: then from half a line beside.
            let line_hz = record.rate_hz / frames as f64;
            let fitted = [0.0, 0.5, -0.5].map(|beside| {
                let tone = [ToneGuess {
                    frequency_hz: guess_hz + beside * line_hz,
                    free: true,
                    orders: 1,
                }];
                fit(both, record.rate_hz, &tone, &[true, true])
            });
            let found = fitted.into_iter().find_map(Result::ok);
            let found = found.unwrap_or_else(|| panic!("{note}, {guess_hz} Hz"));
            found.frequencies[0].frequency_hz
        };
        let mut string = stiff_string(nominal_hz, 3e-4);
        let mut odd = Vec::new();
        for n in [3, 5, 7, 9, 11, 13, 15] {
            let measured_hz = partial_hz(string.pinned_harmonic_hz(n));
            odd.push((f64::from(n), measured_hz));
            if odd.len() >= 3 {
                string = fit_stiff_string(&odd);
            }
        }
        for n in [4, 6, 8, 10, 12, 14] {
            let foretold_hz = string.pinned_harmonic_hz(n);
            let measured_hz = partial_hz(foretold_hz);
            assert!(
                (measured_hz / foretold_hz - 1.0).abs() < 1.2e-3,
                "{note}, partial {n}: {measured_hz} Hz measured, {foretold_hz} Hz foretold"
            );
            // A string without stiffness would be off by far more higher up.
            let flexible_hz = f64::from(n) * string.pinned_harmonic_hz(1);
            assert!(n < 10 || measured_hz / flexible_hz - 1.0 > 5e-3);
        }
    }
}

/// A conductor of 1 m and 1 kg/m with the first harmonic f_1·sqrt(1 + B).
fn stiff_string(first_hz: f64, b: f64) -> StrungConductor {
    let tension_n = (2.0 * first_hz).powi(2);
    StrungConductor {
        tension_n,
        mass_kg_per_m: 1.0,
        bending_stiffness_n_m2: b * tension_n / (PI * PI),
        length_m: 1.0,
    }
}

/// Least squares of (f_n/n)² = f_1² + f_1² B n².
fn fit_stiff_string(partials: &[(f64, f64)]) -> StrungConductor {
    let count = partials.len() as f64;
    let points = || partials.iter().map(|(n, hz)| (n * n, (hz / n).powi(2)));
    let mean_x = points().map(|(x, _)| x).sum::<f64>() / count;
    let mean_y = points().map(|(_, y)| y).sum::<f64>() / count;
    let slope = points()
        .map(|(x, y)| (x - mean_x) * (y - mean_y))
        .sum::<f64>()
        / points().map(|(x, _)| (x - mean_x).powi(2)).sum::<f64>();
    let square = mean_y - slope * mean_x;
    stiff_string(square.sqrt(), slope / square)
}
