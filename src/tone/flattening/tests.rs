use super::*;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal, Uniform};
use std::f64::consts::TAU;

use crate::setup::Role;
use crate::tone::interval::HoldFit;
use crate::tone::plan::{PlannedChannel, TonePlan};

fn plan(rate_hz: f64) -> TonePlan {
    let decimation = ((rate_hz / (32.0 * 64.0)).floor() as usize).max(1);
    TonePlan {
        rate_hz,
        decimation,
        hop_samples: (rate_hz / 4.0) as usize,
        window_hops: 4,
        search_low_hz: 7.0,
        search_high_hz: 74.0,
        clip_level: 1.0,
        channels: vec![PlannedChannel {
            setup_index: 0,
            column: 0,
            to_si: 1.0,
            sets_frequency: Role::Antinode.bears_phase(),
            is_required: true,
        }],
    }
}

/// The extremes of 12 s of `wave` (of the phase in radians) at `hz`, with
/// white noise so far below a sine of amplitude 1 in 0 to 250 Hz.
fn extremes(wave: impl Fn(f64) -> f64, hz: f64, rate_hz: f64, snr_db: f64, seed: u64) -> Extremes {
    let mut noise = ChaCha8Rng::seed_from_u64(seed);
    let rms = 0.5_f64.sqrt() * 10f64.powf(-snr_db / 20.0) * (rate_hz / 500.0).sqrt();
    let samples = ndarray::Array2::from_shape_fn((1, (12.0 * rate_hz) as usize), |(_, i)| {
        let normal: f64 = StandardNormal.sample(&mut noise);
        wave(TAU * hz * i as f64 / rate_hz + 0.7) + rms * normal
    });
    let mut plan = plan(rate_hz);
    // The decimation itself is tried elsewhere: here its rate is the raw one.
    plan.decimation = 1;
    let fitted = HoldFit::new(&plan).fit(samples.view(), hz).unwrap();
    fitted.channels[0].harmonics.extremes()
}

const BENCHES: [(f64, f64); 5] = [
    (23.4567, 2000.0),
    (11.317, 500.0),
    (31.917, 500.0),
    (61.2345, 500.0),
    (61.2345, 2000.0),
];

#[test]
fn a_pulse_has_the_parts_of_a_clipped_sine() {
    // A sine cut at half its peak on both sides: fundamental
    // (2/π)(asin ½ + ½ √¾) = 0.608 998, third order −(4/(3π)) ½ (¾)^(3/2)
    // = −0.137 832 (the describing function of saturation, Gelb and Vander
    // Velde 1968, from memory; the third by hand).
    let cut = Cut::new(&pulse(0.5), &pulse(0.5));
    assert!((cut.loss - (1.0 - 0.608_998)).abs() < 1e-6, "{}", cut.loss);
    let third = cut.relative[3] * (1.0 - cut.loss);
    assert!((third + 0.137_832).abs() < 1e-6, "{third}");
    assert!(cut.relative[2].abs() < 1e-15);
}

#[test]
fn flat_tops_are_seen_on_both_sides_and_on_one() {
    for (hz, rate_hz) in BENCHES {
        for snr_db in [40.0, 30.0] {
            for level in [0.7, 0.8, 0.85, 0.9, 0.95] {
                let both = |angle: f64| angle.cos().clamp(-level, level);
                let one = |angle: f64| angle.cos().min(level);
                let other = |angle: f64| angle.cos().max(-level);
                // The truth: the fundamental by a sum over one turn.
                let loss = |wave: &dyn Fn(f64) -> f64| {
                    let turn = (0..3600).map(|i| TAU * f64::from(i) / 3600.0);
                    1.0 - turn.map(|a| wave(a) * a.cos()).sum::<f64>() / 1800.0
                };
                let waves: [&dyn Fn(f64) -> f64; 3] = [&both, &one, &other];
                for wave in waves {
                    let truth = loss(wave);
                    let found = extremes(wave, hz, rate_hz, snr_db, 5);
                    let Extremes::Flat { loss } = found else {
                        panic!("{hz} {rate_hz} {snr_db} {level} {truth}: {found:?}");
                    };
                    assert!((loss - truth).abs() < 0.003 + 0.1 * truth, "{loss} {truth}");
                }
            }
        }
    }
}

#[test]
fn flat_tops_are_seen_beside_harmonics_of_the_span() {
    let mut chance = ChaCha8Rng::seed_from_u64(8);
    let turn = Uniform::new(0.0, TAU).unwrap();
    let mut missed = Vec::new();
    for seed in 0..60 {
        let (second, third) = (turn.sample(&mut chance), turn.sample(&mut chance));
        let clean = |angle: f64| {
            angle.cos() + 0.05 * (2.0 * angle + second).cos() + 0.08 * (3.0 * angle + third).cos()
        };
        let largest = (0..3600).map(|i| clean(TAU * f64::from(i) / 3600.0).abs());
        let peak = largest.fold(0.0, f64::max);
        let level = [0.8, 0.85, 0.9][seed as usize % 3] * peak;
        let found = extremes(
            |a| clean(a).clamp(-level, level),
            23.4567,
            2000.0,
            40.0,
            seed,
        );
        if !matches!(found, Extremes::Flat { .. }) {
            missed.push((seed, level / peak, second, third, found));
        }
    }
    assert!(missed.is_empty(), "{} {missed:?}", missed.len());
}

#[test]
fn harmonics_of_the_span_are_no_flat_tops() {
    let mut chance = ChaCha8Rng::seed_from_u64(9);
    let turn = Uniform::new(0.0, TAU).unwrap();
    let size = Uniform::new(0.01, 0.1).unwrap();
    let (mut flat, mut rounded) = (Vec::new(), 0);
    for seed in 0..300 {
        let (hz, rate_hz) = BENCHES[seed as usize % BENCHES.len()];
        // A smooth nonlinearity: the fifth order is the third's square, the
        // others smaller still.
        let parts: Vec<(f64, f64, f64)> = {
            let (second, third) = (size.sample(&mut chance), size.sample(&mut chance));
            [
                second,
                third,
                second * second,
                third * third,
                0.1 * second * third,
            ]
            .iter()
            .zip([2.0, 3.0, 4.0, 5.0, 7.0])
            .map(|(size, order)| (*size, order, turn.sample(&mut chance)))
            .collect()
        };
        let wave = |a: f64| {
            let harmonics = parts
                .iter()
                .map(|(size, order, phase)| size * (order * a + phase).cos());
            a.cos() + harmonics.sum::<f64>()
        };
        match extremes(wave, hz, rate_hz, 40.0, seed) {
            Extremes::Flat { loss } | Extremes::Slewed { loss } => flat.push((seed, loss, parts)),
            Extremes::Rounded { .. } => rounded += 1,
            Extremes::Sound | Extremes::OutOfBand => {}
        }
    }
    assert!(flat.is_empty(), "{} {flat:?}", flat.len());
    // Phases within 20° of one direction: 40 of 360, 33 of 300, give or take 16.
    assert!((17..50).contains(&rounded), "{rounded}");
}

#[test]
fn noise_alone_has_sound_extremes() {
    for seed in 0..60 {
        let (hz, rate_hz) = BENCHES[seed as usize % BENCHES.len()];
        let snr_db = [10.0, 20.0, 40.0][seed as usize % 3];
        let found = extremes(f64::cos, hz, rate_hz, snr_db, seed);
        // By chance a third order stands up to three times its own uncertainty off,
        // and is then in the uncertainty.
        let noise = 10f64.powf(-snr_db / 20.0) * 1.225 / (500.0_f64 * 12.0).sqrt();
        match found {
            Extremes::Sound => {}
            Extremes::Rounded { loss } if loss < 3.0 * 4.0 * noise => {}
            found => panic!("{hz} {rate_hz} {snr_db} {seed}: {found:?}"),
        }
    }
}

#[test]
fn a_rounded_top_loses_no_more_than_is_said() {
    for gain in [0.2, 0.4, 0.6, 0.8] {
        let wave = |angle: f64| (gain * angle.cos()).tanh() / gain;
        let turn = (0..3600).map(|i| TAU * f64::from(i) / 3600.0);
        let truth = 1.0 - turn.map(|a| wave(a) * a.cos()).sum::<f64>() / 1800.0;
        for (hz, rate_hz) in BENCHES {
            let found = extremes(wave, hz, rate_hz, 60.0, 3);
            let Extremes::Rounded { loss } = found else {
                panic!("{gain} {hz} {rate_hz}: {found:?}");
            };
            assert!(loss > 0.95 * truth && loss < 1.4 * truth, "{loss} {truth}");
        }
    }
}

#[test]
fn a_band_without_the_third_order_says_nothing() {
    let flat = extremes(f64::cos, 61.2345, 256.0, 40.0, 1);
    assert_eq!(flat, Extremes::OutOfBand);
}
