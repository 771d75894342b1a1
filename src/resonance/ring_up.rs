//! What is left of a transient in a hold, judged by the hold's own samples. Pure.
//!
//! In: the course of the antinode's phasor over the hold, one value a hop, and
//! the span's time constant. Out: how much of the motion may be old, at the
//! start of the hold and in its mean.
//!
//! One resonance that goes to a steady motion does so as
//! `v = v_0 (1 + b exp(lambda t))`, `lambda = (−1 + 2 j x)/tau`, x the detuning in
//! half-power bandwidths. With lambda known b follows by linear least squares; a
//! phase that turns evenly is fitted beside it, because the frequency of the
//! drive is known from the same samples alone. Where it is not known how far the
//! drive is from the peak, the worst of the detunings that may be counts.

use num_complex::Complex64;

use super::trend::trend;
use crate::maths;

/// Detunings that are asked where it is not known, bandwidths: farther off a
/// transient turns once more and is seen as a beat.
const DETUNINGS: [f64; 3] = [0.0, 0.5, -0.5];
/// Fewest hops that say anything.
const LEAST_HOPS: usize = 12;
/// Standard uncertainty of an error of known sign over its size. Beside normal noise of a
/// standard deviation between a fifth of the error and five times it, twice both together
/// then cover 94 to 99.9 %; the error's mean square alone would do, 0.58 of it, were it
/// spread evenly up to its size, but it is all there: 86 %.
const ONE_SIDED: f64 = 0.8;
/// Unknowns of the fit: the steady value's two parts, the turn, the transient's
/// two parts.
const UNKNOWNS: usize = 5;

/// What is left of a transient in a hold. Everything is relative to the motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TransientLeft {
    /// The most (k = 2) that is old at the start of the hold, as its samples show
    /// it; `None` where they cannot tell.
    pub at_start: Option<f64>,
    /// Standard uncertainty that it leaves in the mean over the hold.
    pub mean_u: f64,
    /// Standard uncertainty of the mean from what trend is left beside it.
    pub trend_u: f64,
}

/// A hold, as far as its ring-up goes.
#[derive(Debug, Clone, Copy)]
pub struct RungUp<'a> {
    /// The antinode's phasor hop by hop, relative to its mean.
    pub course: &'a [Complex64],
    /// Standard uncertainty of the parts of one value.
    pub course_u: f64,
    /// Length of a hop, s.
    pub hop_s: f64,
    /// Longest that the time constant of the motion may be, s.
    pub constant_s: f64,
    /// How long ago the drive was last changed when the hold began, s.
    pub waited_s: f64,
    /// Whether the drive is known to stand at the peak.
    pub on_peak: bool,
}

impl RungUp<'_> {
    /// What is left.
    pub fn left(&self) -> TransientLeft {
        let length = self.course.len() as f64 * self.hop_s / self.constant_s;
        // Of a motion that came from rest.
        let by_wait = maths::exp(-self.waited_s / self.constant_s);
        let in_mean = -maths::exp_m1(-length) / length;
        let detunings = if self.on_peak {
            &DETUNINGS[..1]
        } else {
            &DETUNINGS[..]
        };
        let fits: Option<Vec<TransientFit>> = detunings.iter().map(|x| self.fit(*x)).collect();
        let Some(fits) = fits else {
            return TransientLeft {
                at_start: None,
                mean_u: ONE_SIDED * by_wait * in_mean,
                trend_u: self.trend_u(None, by_wait),
            };
        };
        let worst = |of: &dyn Fn(&TransientFit) -> f64| fits.iter().map(of).fold(0.0, f64::max);
        let mean = worst(&|fit| maths::hypot(fit.mean, fit.mean_u));
        // What the samples show beyond doubt counts, whatever the wait says.
        let shown = worst(&|fit| fit.mean.abs() - 2.0 * fit.mean_u);
        let mean = if shown > by_wait * in_mean {
            mean
        } else {
            mean.min(by_wait * in_mean)
        };
        TransientLeft {
            at_start: Some(worst(&|fit| fit.start + 2.0 * fit.start_u)),
            mean_u: ONE_SIDED * mean,
            trend_u: self.trend_u(fits.first(), by_wait),
        }
    }

    /// Standard uncertainty from a trend of the size beside the transient, of
    /// which no more is taken off than the wait can have left.
    fn trend_u(&self, fit: Option<&TransientFit>, by_wait: f64) -> f64 {
        let taken = fit.map_or(0.0, |fit| fit.in_phase.clamp(-by_wait, by_wait));
        let sizes: Vec<f64> = self
            .course
            .iter()
            .enumerate()
            .map(|(i, value)| {
                let s = (i as f64 + 0.5) * self.hop_s / self.constant_s;
                maths::modulus(*value) - taken * maths::exp(-s)
            })
            .collect();
        let Some(line) = trend(&sizes, 1) else {
            return 0.0;
        };
        // The slope of n even values has the variance 12 sigma²/n³.
        let noise_u = self.course_u * (12.0 / sizes.len() as f64).sqrt();
        super::steadiness::standard_u_of_trend(line.change, noise_u)
    }

    /// The transient that fits best with the drive `detuning` bandwidths off.
    fn fit(&self, detuning: f64) -> Option<TransientFit> {
        let count = self.course.len();
        if count < LEAST_HOPS {
            return None;
        }
        let rate = Complex64::new(-1.0, 2.0 * detuning) * (self.hop_s / self.constant_s);
        let free = |i: usize| {
            let z = rate * (i as f64 + 0.5);
            maths::cis(z.im) * maths::exp(z.re)
        };
        let middle = 0.5 * count as f64;
        let mut normal = [[0.0; UNKNOWNS]; UNKNOWNS];
        let mut right = [0.0; UNKNOWNS];
        let mut mean_free = Complex64::ZERO;
        for (i, value) in self.course.iter().enumerate() {
            let free = free(i);
            mean_free += free / count as f64;
            let turn = (i as f64 + 0.5) / middle - 1.0;
            // A row each for the real and the imaginary part.
            for (row, given) in [
                ([1.0, 0.0, 0.0, free.re, -free.im], value.re),
                ([0.0, 1.0, turn, free.im, free.re], value.im),
            ] {
                for ((sums, along), own) in normal.iter_mut().zip(&mut right).zip(row) {
                    *along += own * given;
                    for (sum, other) in sums.iter_mut().zip(row) {
                        *sum += own * other;
                    }
                }
            }
        }
        let inverse = inverse(normal)?;
        let solution = inverse.map(|row| dot(row, right));
        // Only what goes into the size counts; on the peak that is one part.
        let [_, _, _, in_phase, across] = solution;
        let weights = [0.0, 0.0, 0.0, mean_free.re, -mean_free.im];
        let spread = dot(weights, inverse.map(|row| dot(row, weights)));
        let [_, _, _, [_, _, _, own, _], [_, _, _, _, other]] = inverse;
        let (start, start_spread) = if detuning == 0.0 {
            (in_phase.abs(), own)
        } else {
            (maths::hypot(in_phase, across), own.max(other))
        };
        let u = |spread: f64| self.course_u * spread.max(0.0).sqrt();
        Some(TransientFit {
            in_phase,
            start,
            start_u: u(start_spread),
            mean: dot(weights, solution),
            mean_u: u(spread),
        })
    }
}

/// A transient beside the steady motion.
struct TransientFit {
    /// Its part along the motion at the start.
    in_phase: f64,
    /// Its size there.
    start: f64,
    start_u: f64,
    /// What it adds to the size of the mean.
    mean: f64,
    mean_u: f64,
}

fn dot(a: [f64; UNKNOWNS], b: [f64; UNKNOWNS]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The inverse of a symmetric positive matrix by the elimination of Gauss and
/// Jordan; `None` where it is singular.
fn inverse(mut matrix: [[f64; UNKNOWNS]; UNKNOWNS]) -> Option<[[f64; UNKNOWNS]; UNKNOWNS]> {
    let mut found = [[0.0; UNKNOWNS]; UNKNOWNS];
    for (i, row) in found.iter_mut().enumerate() {
        *row.get_mut(i)? = 1.0;
    }
    for i in 0..UNKNOWNS {
        let (pivot_row, pivot_found) = (*matrix.get(i)?, *found.get(i)?);
        let pivot = *pivot_row.get(i)?;
        if pivot.abs() < 1e-12 * pivot_row.iter().fold(1.0, |a: f64, b| a.max(b.abs())) {
            return None;
        }
        let (pivot_row, pivot_found) =
            (pivot_row.map(|x| x / pivot), pivot_found.map(|x| x / pivot));
        for (at, (row, own)) in matrix.iter_mut().zip(&mut found).enumerate() {
            if at == i {
                (*row, *own) = (pivot_row, pivot_found);
                continue;
            }
            let factor = *row.get(i)?;
            for (value, above) in row.iter_mut().zip(pivot_row) {
                *value -= factor * above;
            }
            for (value, above) in own.iter_mut().zip(pivot_found) {
                *value -= factor * above;
            }
        }
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::super::steadiness::tests::noise as normal_noise;
    use super::*;

    const HOP_S: f64 = 0.25;

    /// A steady motion, a transient of size and phase `start` that turns with
    /// the detuning, and normal noise.
    fn course(
        seconds: f64,
        constant_s: f64,
        detuning: f64,
        start: Complex64,
        noise: f64,
        seed: u64,
    ) -> Vec<Complex64> {
        let count = (seconds / HOP_S) as usize;
        let normal = normal_noise(seed, 2 * count);
        normal
            .chunks(2)
            .enumerate()
            .map(|(i, pair)| {
                let s = (i as f64 + 0.5) * HOP_S / constant_s;
                let free = start * Complex64::new(0.0, 2.0 * detuning * s).exp() * (-s).exp();
                Complex64::new(1.0 + noise * pair[0], noise * pair[1]) + free
            })
            .collect()
    }

    fn left(course: &[Complex64], constant_s: f64, waited_s: f64, on_peak: bool) -> TransientLeft {
        RungUp {
            course,
            course_u: 0.001,
            hop_s: HOP_S,
            constant_s,
            waited_s,
            on_peak,
        }
        .left()
    }

    #[test]
    fn a_steady_beginning_is_steady() {
        // S = 0.05 and 12 s, S = 0.02 and 20 s on the demonstration span, with
        // ring-up constants of 5.3 s and 13 s.
        for (seconds, constant_s) in [(12.0, 5.3), (20.0, 13.0)] {
            for seed in 0..300 {
                let course = course(seconds, constant_s, 0.0, Complex64::ZERO, 0.001, seed);
                for on_peak in [true, false] {
                    let left = left(&course, constant_s, 0.0, on_peak);
                    assert!(left.at_start.unwrap() < 0.012, "{left:?}");
                    assert!(left.mean_u < 0.0015, "{left:?}");
                }
            }
        }
    }

    /// Twice the uncertainty, with that of noise, holds the error of the mean in
    /// 94 of 100 or more, whatever is left and whichever way it turns.
    #[test]
    fn what_is_left_is_in_the_uncertainty() {
        for (seconds, constant_s) in [(12.0, 5.3), (20.0, 13.0), (12.0, 13.0)] {
            for (start, detuning, on_peak) in [
                (Complex64::new(-0.01, 0.0), 0.0, true),
                (Complex64::new(-0.003, 0.0), 0.0, true),
                (Complex64::new(0.012, 0.01), 0.0, true),
                (Complex64::new(-0.01, 0.01), 0.5, false),
                (Complex64::new(0.0, 0.015), -0.5, false),
                (Complex64::new(0.0, 0.015), 0.3, false),
            ] {
                let mut inside = 0;
                for seed in 0..400 {
                    let course = course(seconds, constant_s, detuning, start, 0.001, seed);
                    let left = left(&course, constant_s, 0.0, on_peak);
                    let mean: Complex64 = course.iter().sum::<Complex64>() / course.len() as f64;
                    let noise_u = 0.001 / (course.len() as f64).sqrt();
                    let error = mean.norm() - 1.0;
                    let u = 2.0 * left.mean_u.hypot(noise_u).hypot(left.trend_u);
                    inside += usize::from(error.abs() <= u);
                    let most = left.at_start.unwrap();
                    assert!(start.re.abs() < most + 0.003, "{start}: {left:?}");
                }
                assert!(
                    inside >= 376,
                    "{start} {detuning} {seconds} {constant_s}: {inside}"
                );
            }
        }
    }

    #[test]
    fn after_a_long_wait_noise_cannot_make_a_transient() {
        let course = course(12.0, 90.0, 0.0, Complex64::ZERO, 0.001, 5);
        // exp(−7) of the motion, all of it in the mean of so short a hold.
        let waited = left(&course, 90.0, 630.0, true);
        assert!(
            (waited.mean_u / (0.8 * 0.000_912) - 1.0).abs() < 0.1,
            "{waited:?}"
        );
        assert!(left(&course, 90.0, 0.0, true).mean_u > 2.0 * waited.mean_u);
    }

    #[test]
    fn too_few_hops_say_nothing() {
        let course = course(2.0, 5.0, 0.0, Complex64::ZERO, 0.001, 5);
        assert_eq!(left(&course, 5.0, 10.0, true).at_start, None);
    }
}
