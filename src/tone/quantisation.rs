//! What rounding to the converter's steps does to the amplitude of a sine that
//! spans few of them. Pure.
//!
//! # Error
//! Rounding to steps q adds the sawtooth `Σ (−1)^m q/(π m) sin(2π m x/q)`. Of
//! `x = d + A cos θ` that is, in the fundamental and in phase with it, `Σ (−1)^m (2q/(π m)) J1(2π m A/q) cos(2π m d/q)` (Jacobi and Anger; Widrow and
//! Kollár, 'Quantization Noise', 2008, from memory). Noise of rms σ before the
//! converter (dither) multiplies each part by `exp(−2 π² m² σ²/q²)`. A and d are not
//! known to a fraction of a step, so the error is taken as random: J1 has the
//! envelope sqrt(2/(π z)), 0.582 at most, and both factors an rms of 1/√2 of their
//! peaks.
//!
//! That is for phases that fill the turn. Where the drive and the sampling rate
//! stand in a ratio of small whole numbers, the same M phases come again and again,
//! and M roundings of variance q²/12 each, or a little more of a sine of few steps, do
//! not average out: they leave sqrt(2/M) of its root in either part, however long
//! the hold.

use std::f64::consts::{FRAC_1_PI, PI};

use super::spectrum::LANES;
use crate::maths;

/// Largest value of the Bessel function J1 (Abramowitz and Stegun 9.5, table of
/// zeros: J1(1.8412) = 0.5819).
const LARGEST_J1: f64 = 0.5819;
/// The parts m = 2, 3, … add so much to the first: sqrt(Σ m^-3), Apéry's constant.
const ALL_PARTS: f64 = 1.0964;
/// More phases than this average so well that noise of the same size is all.
const MOST_PHASES: usize = 4096;

/// Steps that are looked at together.
const LOOKED_AT: usize = 64;

/// Standard uncertainties of a phasor's parts from rounding.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct RoundingError {
    /// Along the phasor.
    pub along_u: f64,
    /// In either part besides.
    pub part_u: f64,
}

/// What rounding is like in one hold.
#[derive(Debug, Clone, Copy)]
pub struct Rounding {
    /// The converter's step, 0 where there is none.
    pub step: f64,
    /// Rms of all that is not the tone and its harmonics; what of it rounding does
    /// not explain is dither.
    pub noise_rms: f64,
    /// Drive frequency over the rate at which samples are rounded.
    pub cycles_per_sample: f64,
    /// Samples in the hold at that rate.
    pub samples: usize,
}

impl Rounding {
    /// The error of a sine of this amplitude.
    pub fn error(&self, amplitude: f64) -> RoundingError {
        if self.step <= 0.0 {
            return RoundingError::default();
        }
        let turns = 2.0 * PI * amplitude / self.step;
        let asymptote = (2.0 * FRAC_1_PI / turns).sqrt();
        let envelope = asymptote.min(LARGEST_J1);
        // Rounding's own error has about 1/12 of a step squared; of a sine of few
        // steps up to J0/π² more, which is not to be taken for dither.
        let own = 1.0 / 12.0 + maths::square(FRAC_1_PI) * asymptote.min(1.0);
        let relative = maths::square(self.noise_rms / self.step) - own;
        let dither = maths::exp(-2.0 * PI * PI * relative.max(0.0));
        let phases = self.phases() as f64;
        RoundingError {
            along_u: FRAC_1_PI * self.step * envelope * ALL_PARTS * dither,
            part_u: self.step * (2.0 * own / phases).sqrt() * dither,
        }
    }

    /// Phases of the drive at which samples are taken, as far as the hold tells
    /// them apart.
    fn phases(&self) -> usize {
        let most = MOST_PHASES.min(self.samples).max(1);
        let repeats = |count: &usize| {
            let turns = *count as f64 * self.cycles_per_sample;
            (turns - turns.round()).abs() * (self.samples as f64) < 1.0
        };
        (1..most).find(repeats).unwrap_or(most)
    }
}

/// The smallest step between samples; 0 where there is none. Of a signal that spans few
/// steps of the converter it is the converter's own, however wide the container is that the
/// samples came in.
///
/// Neighbours mostly tell it. Where they stay `limit` or more apart all samples are asked:
/// at a drive in a ratio of small whole numbers to the sampling rate the same few places
/// come again and again, far from one another whatever the converter.
pub fn smallest_step(samples: &[f64], limit: f64) -> f64 {
    let step = between_neighbours(samples);
    if step < limit || step <= 0.0 {
        return step;
    }
    let mut in_order = samples.to_vec();
    in_order.sort_unstable_by(f64::total_cmp);
    between_neighbours(&in_order)
}

/// Whether the smallest step is `limit` or more, without a look at all samples where it is
/// surely less.
pub fn smallest_step_reaches(samples: &[f64], limit: f64) -> bool {
    for first in (0..samples.len()).step_by(LOOKED_AT) {
        let some = samples.get(first..).unwrap_or_default();
        let some = some.get(..=LOOKED_AT).unwrap_or(some);
        let step = between_neighbours(some);
        if step > 0.0 && step < limit {
            return false;
        }
    }
    smallest_step(samples, limit) >= limit
}

fn between_neighbours(samples: &[f64]) -> f64 {
    let least = maths::wide!(least_step(samples));
    if least.is_finite() { least } else { 0.0 }
}

#[expect(
    clippy::indexing_slicing,
    clippy::inline_always,
    reason = "lanes of arrays whose length is the number of lanes; what is not inlined is not \
              compiled for wide registers"
)]
#[inline(always)]
fn least_step(samples: &[f64]) -> f64 {
    let smaller = |least: f64, step: f64| {
        if step > 0.0 && step < least {
            step
        } else {
            least
        }
    };
    let mut least = [f64::INFINITY; LANES];
    let later = samples.get(1..).unwrap_or_default();
    let (after, after_last) = later.as_chunks::<LANES>();
    let (before, before_last) = samples
        .split_at_checked(later.len())
        .unwrap_or_default()
        .0
        .as_chunks::<LANES>();
    for (after, before) in after.iter().zip(before) {
        for lane in 0..LANES {
            least[lane] = smaller(least[lane], (after[lane] - before[lane]).abs());
        }
    }
    let last = after_last.iter().zip(before_last);
    let steps = last.map(|(after, before)| (after - before).abs());
    // Of numbers the least is the same in any order.
    least.into_iter().chain(steps).fold(f64::INFINITY, smaller)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal, Uniform};
    use std::f64::consts::TAU;

    /// Errors over their standard uncertainty, of sines of random size, offset and
    /// phase that are rounded, along the phasor and across it: the root mean square
    /// of 400 trials and the share within twice (JCGM 101).
    fn trials(cycles_per_sample: f64, sizes: [f64; 2], noise_rms: f64) -> ([f64; 2], [f64; 2]) {
        let mut random = ChaCha8Rng::seed_from_u64(11);
        let uniform = |low: f64, high: f64| Uniform::new(low, high).unwrap();
        let samples = 6000;
        let (mut square, mut inside) = ([0.0; 2], [0.0; 2]);
        for _ in 0..400 {
            let amplitude = uniform(sizes[0], sizes[1]).sample(&mut random);
            let offset = uniform(-0.5, 0.5).sample(&mut random);
            let phase = uniform(0.0, TAU).sample(&mut random);
            let (mut along, mut across, mut rest) = (0.0, 0.0, 0.0);
            for i in 0..samples {
                let angle = TAU * cycles_per_sample * f64::from(i) + phase;
                let noise: f64 = StandardNormal.sample(&mut random);
                let clean = offset + amplitude * angle.cos();
                let rounding = (clean + noise_rms * noise).round() - clean;
                along += rounding * angle.cos();
                across += rounding * angle.sin();
                rest += rounding * rounding;
            }
            let count = f64::from(samples);
            let rounding = Rounding {
                step: 1.0,
                noise_rms: (rest / count).sqrt(),
                cycles_per_sample,
                samples: samples as usize,
            };
            let error = rounding.error(amplitude);
            // Noise of the fit, as the hold's fit states it.
            let fit = rounding.noise_rms * (2.0 / count).sqrt();
            let part_u = maths::hypot(error.part_u, fit);
            let relative = [
                2.0 * along / count / maths::hypot(error.along_u, part_u),
                2.0 * across / count / part_u,
            ];
            for (i, relative) in relative.iter().enumerate() {
                square[i] += relative * relative / 400.0;
                inside[i] += f64::from(u8::from(relative.abs() <= 2.0)) / 400.0;
            }
        }
        (square.map(f64::sqrt), inside)
    }

    #[test]
    fn rounding_errors_are_as_large_as_said() {
        for (cycles, sizes, noise) in [
            (0.023_456_7, [0.6, 4.0], 0.0),
            (0.023_456_7, [3.0, 30.0], 0.0),
            (0.025, [3.0, 30.0], 0.0),
            (0.05, [0.6, 6.0], 0.0),
            (0.023_456_7, [0.6, 4.0], 0.3),
            (0.05, [0.6, 4.0], 0.6),
        ] {
            let (rms, inside) = trials(cycles, sizes, noise);
            println!("{cycles} {sizes:?} {noise}: rms {rms:.2?}, inside {inside:.3?}");
            // Never too small; along the phasor not more than twice too large.
            assert!(
                rms[0] < 1.15 && inside[0] > 0.93,
                "{cycles} {sizes:?} {noise} {rms:?} {inside:?}"
            );
            assert!(
                rms[1] < 1.15 && inside[1] > 0.93,
                "{cycles} {sizes:?} {noise} {rms:?} {inside:?}"
            );
            // Little noise is hardly told from rounding's own: then it is too large.
            assert!(
                rms[0] > 0.5 || noise > 0.0,
                "{cycles} {sizes:?} {noise} {rms:?}"
            );
        }
    }

    #[test]
    fn a_step_that_is_too_small_is_found_early_or_late() {
        let samples = |small_at: usize| -> Vec<f64> {
            let steps = (0..400).map(|i| match i {
                _ if i == small_at => 0.25,
                _ if i % 3 == 0 => 0.0,
                _ => 1.0,
            });
            let sums = steps.scan(0.0, |sum, step| {
                *sum += step;
                Some(*sum)
            });
            sums.collect()
        };
        for small_at in [1, 63, 64, 65, 128, 398, 399, 1000] {
            let samples = samples(small_at);
            for limit in [0.0, 0.1, 0.25, 0.5, 1.0, 2.0, f64::NAN] {
                assert_eq!(
                    smallest_step_reaches(&samples, limit),
                    smallest_step(&samples, limit) >= limit,
                    "{small_at} {limit}"
                );
            }
        }
        for few in [&[][..], &[1.0], &[1.0, 1.0], &[1.0, f64::INFINITY]] {
            assert!(!smallest_step_reaches(few, 0.5), "{few:?}");
        }
    }

    /// Eight samples a turn, of noise a thousandth: neighbours are a seventh of the amplitude apart and more.
    #[test]
    fn a_drive_in_step_with_the_sampling_is_no_coarse_converter() {
        let mut random = ChaCha8Rng::seed_from_u64(3);
        for step in [1e-6, 0.01] {
            let samples: Vec<f64> = (0..1000)
                .map(|i| {
                    let normal: f64 = StandardNormal.sample(&mut random);
                    let clean = (0.125 * TAU * f64::from(i) + 0.2).cos();
                    ((clean + 1e-3 * normal) / step).round() * step
                })
                .collect();
            assert!(between_neighbours(&samples) > 0.1);
            let found = smallest_step(&samples, 2e-4);
            assert!(found < step.max(2e-4) * (1.0 + 1e-9), "{step}: {found}");
            assert!(found > step * (1.0 - 1e-9), "{step}: {found}");
            assert_eq!(smallest_step_reaches(&samples, 2e-4), step > 2e-4);
        }
    }

    #[test]
    fn the_step_of_coarse_samples_is_found() {
        let samples: Vec<f64> = (0..400)
            .map(|i| 0.015 * (3.3 * (0.1 * f64::from(i)).cos()).round())
            .collect();
        let step = smallest_step(&samples, 0.0);
        assert!((step - 0.015).abs() < 1e-15, "{step}");
        let none = smallest_step(&[1.0, 1.0], 0.0);
        assert!(none.abs() < f64::MIN_POSITIVE, "{none}");
    }
}
