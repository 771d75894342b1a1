//! The span's free response beside the drive's tone: natural frequency and
//! half-power bandwidth from a transient, with uncertainty. Pure.
//!
//! When frequency or level of the drive has changed, or the drive is cut, the
//! span goes from its old motion to the new one as its own resonances have it.
//! Seen from the drive's frequency f, the complex amplitude v of one resonance
//! obeys
//!
//! `dv/dt = lambda v + g u`, `lambda = −pi df + j 2 pi (f_0 − f)`,
//!
//! u the complex amplitude of the drive force, f_0 the natural frequency and df
//! the half-power bandwidth. (The pole of a resonator with loss factor eta is at
//! −omega_0 eta/2, and df = eta f_0.) With a constant force the difference from
//! the final amplitude decays as exp(−pi df t) and turns with the detuning. Where
//! the force is measured it may do what it likes: a level that is turned up
//! slowly, or held by a controller, is not taken for a slow span, and what the
//! shaker takes is left out, since it sits before the force cell.
//!
//! The samples are mixed down with f and smoothed by a Hann window of whole
//! cycles, which keeps this equation as it is. Its solution, with free tones of
//! neighbouring resonances beside it while they ring, is fitted by least
//! squares. The model is analytic in all its unknowns, so Gauss and Newton's
//! steps and the covariance are those of complex least squares.
//! `tests/reference/free_response_scipy.py` does the same by a matrix pencil and
//! by SciPy's `least_squares`.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::pole_grid::{self, LEAST_PIVOT, exponential, held_force};
use super::spectrum::LANES;
use crate::maths;

/// Length of the smoothing window, s: neighbouring resonances stand 1.5 Hz
/// apart or more, and what passes of them is fitted.
const WINDOW_SECONDS: f64 = 0.5;
/// And at least so many cycles of the drive, so that offset and the image at
/// twice the frequency are gone.
const WINDOW_CYCLES: f64 = 4.0;
/// How far from the drive the resonance is looked for, Hz.
const FARTHEST_HZ: f64 = 0.6;
/// Free tones of neighbours, at most.
const MOST_NEIGHBOURS: usize = 2;
/// A neighbour is taken in where it takes off more than this part of the
/// residual's power.
const WORTH_A_TONE: f64 = 0.3;
/// Fewest values of a series that can be fitted.
const LEAST_VALUES: usize = 16;
/// Steps of Gauss and Newton, at most.
const ITERATIONS: usize = 40;
/// Neighbouring windows share half their samples, and two Hann windows that
/// overlap by half correlate by 1/6: the variance of a slow sum is a third more.
pub(super) const OVERLAP: f64 = 1.0 + 2.0 / 6.0;

/// What a transient shows of the resonance that is driven. Uncertainties are
/// standard ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FreeResponse {
    /// Natural frequency, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty, Hz.
    pub frequency_u_hz: f64,
    /// Half-power bandwidth, Hz; negative where the motion grows by itself.
    pub bandwidth_hz: f64,
    /// Its standard uncertainty, Hz.
    pub bandwidth_u_hz: f64,
    /// How far the first value is from the steady motion at the force of that
    /// moment, peak, in the unit of the samples.
    pub amplitude: f64,
    /// Rms of what the model leaves in the first third of the series, peak.
    pub early_rest: f64,
    /// The same in the last third.
    pub late_rest: f64,
    /// Free tones of neighbours that were fitted beside it.
    pub neighbours: usize,
}

/// What samples of a motion at a constant drive frequency show, the drive force
/// beside them where it is measured. `None` where there are too few samples, or
/// nothing can be fitted.
pub fn free_response(
    motion: &[f64],
    force: Option<&[f64]>,
    rate_hz: f64,
    drive_hz: f64,
) -> Option<FreeResponse> {
    let window_s = WINDOW_SECONDS;
    let (series, step_s, _) = baseband(motion, rate_hz, drive_hz, window_s)?;
    let force = match force {
        Some(force) => Some(baseband(force, rate_hz, drive_hz, window_s)?.0),
        None => None,
    };
    fit_series(&series, force.as_deref(), step_s, drive_hz)
}

/// A length of the smoothing window, s, for motions with a time constant: short
/// beside it, and no shorter than need be.
pub fn window_seconds(constant_s: f64) -> f64 {
    (0.25 * constant_s).min(WINDOW_SECONDS.max(constant_s / 8.0))
}

/// The complex amplitude against the drive, one value every half window of about
/// `window_s`; the time between two values, s, and the length of a window in
/// samples.
pub fn baseband(
    samples: &[f64],
    rate_hz: f64,
    drive_hz: f64,
    window_s: f64,
) -> Option<(Vec<Complex64>, f64, usize)> {
    let cycles = (window_s * drive_hz).round().max(WINDOW_CYCLES);
    let length = (cycles * rate_hz / drive_hz).round();
    if !(length.is_finite() && length >= 8.0 && length <= samples.len() as f64) {
        return None;
    }
    let length = length as usize;
    let stride = length / 2;
    // The weights add up to two: a peak phasor is twice the mean.
    let weights: Vec<f64> = (0..length)
        .map(|i| (1.0 - maths::cos(TAU * (i as f64 + 0.5) / length as f64)) * 2.0 / length as f64)
        .collect();
    let mean = samples.iter().sum::<f64>() / samples.len() as f64;
    let turn = maths::cis(-TAU * drive_hz / rate_hz);
    let firsts: Vec<usize> = (0..=(samples.len() - length) / stride)
        .map(|block| block * stride)
        .collect();
    let series = firsts
        .chunks(LANES)
        .flat_map(|firsts| {
            let blocks = firsts.iter().map(|first| {
                // The phase starts anew in each window: errors of the turns do not add up.
                let cycles = (drive_hz / rate_hz * *first as f64).fract();
                let samples = samples.get(*first..first + length).unwrap_or_default();
                (samples, maths::cis(-TAU * cycles))
            });
            let blocks: Vec<(&[f64], Complex64)> = blocks.collect();
            let sums = maths::wide!(turned_sums(&blocks, &weights, mean, turn));
            sums.into_iter().take(firsts.len())
        })
        .collect();
    Some((series, stride as f64 / rate_hz, length))
}

/// Σ of the samples of each block less `mean`, weighted and turned, the blocks side by side;
/// each block has its first phase.
#[expect(
    clippy::indexing_slicing,
    clippy::inline_always,
    reason = "lanes of arrays whose length is the number of lanes; what is not inlined is not \
              compiled for wide registers"
)]
#[inline(always)]
fn turned_sums(
    blocks: &[(&[f64], Complex64)],
    weights: &[f64],
    mean: f64,
    turn: Complex64,
) -> [Complex64; LANES] {
    let of = |lane: usize| blocks.get(lane).copied().unwrap_or_default();
    let samples: [&[f64]; LANES] = std::array::from_fn(|lane| of(lane).0);
    let mut re: [f64; LANES] = std::array::from_fn(|lane| of(lane).1.re);
    let mut im: [f64; LANES] = std::array::from_fn(|lane| of(lane).1.im);
    let (mut sum_re, mut sum_im) = ([0.0; LANES], [0.0; LANES]);
    for (i, weight) in weights.iter().enumerate() {
        let values: [f64; LANES] =
            std::array::from_fn(|lane| samples[lane].get(i).copied().unwrap_or(mean));
        for lane in 0..LANES {
            let value = (values[lane] - mean) * weight;
            sum_re[lane] += re[lane] * value;
            sum_im[lane] += im[lane] * value;
            let (cosine, sine) = (re[lane], im[lane]);
            re[lane] = cosine * turn.re - sine * turn.im;
            im[lane] = sine * turn.re + cosine * turn.im;
        }
    }
    std::array::from_fn(|lane| Complex64::new(sum_re[lane], sum_im[lane]))
}

/// Fits a series of complex amplitudes, one every `step_s`, against the drive;
/// without a measured force it is taken as constant.
pub fn fit_series(
    series: &[Complex64],
    force: Option<&[Complex64]>,
    step_s: f64,
    drive_hz: f64,
) -> Option<FreeResponse> {
    if series.len() < LEAST_VALUES || force.is_some_and(|force| force.len() < series.len()) {
        return None;
    }
    let constant = vec![Complex64::ONE; series.len()];
    let problem = Problem {
        series,
        force: force.unwrap_or(&constant),
        step_s,
    };
    let mut fit = problem.refined(&[problem.start()?])?;
    for _ in 0..MOST_NEIGHBOURS {
        let mut lambdas = fit.lambdas.clone();
        lambdas.push(problem.neighbour(&fit.rest));
        match problem.refined(&lambdas) {
            Some(with) if with.cost < (1.0 - WORTH_A_TONE) * fit.cost => fit = with,
            _ => break,
        }
    }
    let unknowns = 1 + 2 * fit.lambdas.len();
    let freedom = series.len().checked_sub(unknowns).filter(|n| *n > 0)? as f64;
    let variance = OVERLAP * fit.cost / freedom;
    // The exponents come last, the resonance's own first among them.
    let own = unknowns - fit.lambdas.len();
    let spread = inverse_diagonal(&problem.jacobian(&fit)?, own)?;
    let lambda_u = (0.5 * variance * spread).max(0.0).sqrt();
    let lambda = *fit.lambdas.first()?;
    let steady = *fit.linear.first()? / lambda * *problem.force.first()?;
    let third = series.len() / 3;
    let rms = |part: &[Complex64]| (sum_of_squares(part) / part.len().max(1) as f64).sqrt();
    Some(FreeResponse {
        frequency_hz: drive_hz + lambda.im / TAU,
        frequency_u_hz: lambda_u / TAU,
        bandwidth_hz: -lambda.re / PI,
        bandwidth_u_hz: lambda_u / PI,
        amplitude: maths::modulus(*fit.linear.get(1)? + steady),
        early_rest: rms(fit.rest.get(..third)?),
        late_rest: rms(fit.rest.get(series.len() - third..)?),
        neighbours: fit.lambdas.len() - 1,
    })
}

/// What is fitted.
struct Problem<'a> {
    series: &'a [Complex64],
    force: &'a [Complex64],
    step_s: f64,
}

/// A fit: its exponents, the linear unknowns, and what is left.
#[derive(Debug, Clone)]
struct Fit {
    /// The resonance's own exponent, then those of its neighbours, 1/s.
    lambdas: Vec<Complex64>,
    /// g, the free amplitude at the start, those of the neighbours.
    linear: Vec<Complex64>,
    rest: Vec<Complex64>,
    cost: f64,
}

impl Problem<'_> {
    fn fit(&self, lambdas: &[Complex64]) -> Option<Fit> {
        let columns = self.columns(lambdas);
        let linear = least_squares(&columns, self.series)?;
        let mut rest = self.series.to_vec();
        take_off(&mut rest, &columns, &linear);
        let cost = sum_of_squares(&rest);
        cost.is_finite().then(|| Fit {
            lambdas: lambdas.to_vec(),
            linear,
            rest,
            cost,
        })
    }

    /// What the force brings about, and a free tone for each exponent.
    fn columns(&self, lambdas: &[Complex64]) -> Vec<Vec<Complex64>> {
        let own = lambdas.first().map(|lambda| self.brought_about(*lambda));
        own.into_iter()
            .chain(lambdas.iter().map(|lambda| self.free(*lambda)))
            .collect()
    }

    fn free(&self, lambda: Complex64) -> Vec<Complex64> {
        free_tone(lambda, self.step_s, self.series.len())
    }

    /// The solution of dv/dt = lambda v + u from rest, u running straight from
    /// value to value (first-order hold).
    fn brought_about(&self, lambda: Complex64) -> Vec<Complex64> {
        let [ratio, old, new] = held_force(lambda, self.step_s);
        let mut value = Complex64::ZERO;
        std::iter::once(value)
            .chain(self.force.windows(2).map(|pair| {
                if let [before, now] = pair {
                    value = value * ratio + old * before + new * now;
                }
                value
            }))
            .take(self.series.len())
            .collect()
    }

    /// The columns of the linear unknowns, and the slopes along the exponents.
    fn jacobian(&self, fit: &Fit) -> Option<Vec<Vec<Complex64>>> {
        let mut all = self.columns(&fit.lambdas);
        let length_s = self.step_s * self.series.len() as f64;
        for (i, lambda) in fit.lambdas.iter().enumerate() {
            // Central differences: what they leave out is a part in 1e8.
            let step = 1e-4 * maths::modulus(*lambda).max(1.0 / length_s);
            let moved = |sign: f64| -> Option<Vec<Complex64>> {
                let mut lambdas = fit.lambdas.clone();
                *lambdas.get_mut(i)? += sign * step;
                let mut sum = vec![Complex64::ZERO; self.series.len()];
                for (column, factor) in self.columns(&lambdas).iter().zip(&fit.linear) {
                    for (value, part) in sum.iter_mut().zip(column) {
                        *value += part * factor;
                    }
                }
                Some(sum)
            };
            let (up, down) = (moved(1.0)?, moved(-1.0)?);
            all.push(
                up.iter()
                    .zip(&down)
                    .map(|(up, down)| (up - down) / (2.0 * step))
                    .collect(),
            );
        }
        Some(all)
    }

    /// Steps of Gauss and Newton from some exponents, each halved until the rest
    /// shrinks.
    fn refined(&self, start: &[Complex64]) -> Option<Fit> {
        let mut fit = self.fit(start)?;
        for _ in 0..ITERATIONS {
            let step = least_squares(&self.jacobian(&fit)?, &fit.rest)?;
            let change = step.get(step.len() - start.len()..)?;
            let better = shortened(fit.cost, |scale| {
                let moved: Vec<Complex64> = fit
                    .lambdas
                    .iter()
                    .zip(change)
                    .map(|(lambda, change)| lambda + change * scale)
                    .collect();
                self.fit(&moved).map(|moved| (moved.cost, moved))
            });
            let Some(next) = better else {
                break;
            };
            let done = next.cost > (1.0 - 1e-12) * fit.cost;
            fit = next;
            if done {
                break;
            }
        }
        Some(fit)
    }

    /// Decays from one that is hardly seen over the series to one that is over
    /// in two values, each with frequencies as far apart as it is broad, up to
    /// `farthest` rad/s.
    fn grid(&self, farthest: f64) -> impl Iterator<Item = Complex64> {
        let length_s = self.series.len() as f64 * self.step_s;
        let step_s = self.step_s;
        std::iter::successors(Some(1.0 / length_s), |decay| Some(1.6 * decay))
            .take_while(move |decay| decay * step_s < 1.0)
            .flat_map(move |decay| {
                let spacing = 0.7 * decay.max(PI / length_s);
                let count = (farthest / spacing).ceil() as i64;
                (-count..=count).map(move |i| Complex64::new(-decay, i as f64 * spacing))
            })
    }

    /// The exponent of the grid that leaves least.
    fn start(&self) -> Option<Complex64> {
        let grid: Vec<Complex64> = self.grid(TAU * FARTHEST_HZ).collect();
        let costs = pole_grid::costs(&grid, self.series, self.force, self.step_s);
        costs
            .into_iter()
            .zip(grid)
            .filter(|(cost, _)| cost.is_finite())
            .min_by(|a, b| a.0.total_cmp(&b.0))
            .map(|(_, lambda)| lambda)
    }

    /// The exponent whose free tone takes most off a rest; beyond half of the
    /// unambiguous band the window passes nothing.
    fn neighbour(&self, rest: &[Complex64]) -> Complex64 {
        let grid: Vec<Complex64> = self.grid(0.5 * PI / self.step_s).collect();
        pole_grid::gains(&grid, rest, self.step_s)
            .into_iter()
            .zip(grid)
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(Complex64::ZERO, |(_, lambda)| lambda)
    }
}

/// A tone of size 1 that goes as exp(lambda t), one value every `step_s`.
pub(super) fn free_tone(lambda: Complex64, step_s: f64, count: usize) -> Vec<Complex64> {
    let ratio = exponential(lambda * step_s);
    let mut next = Complex64::ONE;
    (0..count)
        .map(|_| {
            let value = next;
            next = value * ratio;
            value
        })
        .collect()
}

/// Takes columns, each times its factor, off values.
pub(super) fn take_off(
    values: &mut [Complex64],
    columns: &[Vec<Complex64>],
    factors: &[Complex64],
) {
    for (column, factor) in columns.iter().zip(factors) {
        for (value, part) in values.iter_mut().zip(column) {
            *value -= part * factor;
        }
    }
}

pub(super) fn sum_of_squares(values: &[Complex64]) -> f64 {
    values.iter().map(Complex64::norm_sqr).sum()
}

/// Entry `i` of the diagonal of the inverse of J^H J.
fn inverse_diagonal(jacobian: &[Vec<Complex64>], i: usize) -> Option<f64> {
    let mut unit = vec![Complex64::ZERO; jacobian.len()];
    *unit.get_mut(i)? = Complex64::ONE;
    Some(solve(normal(jacobian), unit)?.get(i)?.re)
}

pub(super) fn normal(columns: &[Vec<Complex64>]) -> Vec<Vec<Complex64>> {
    let dot = |a: &[Complex64], b: &[Complex64]| a.iter().zip(b).map(|(a, b)| a.conj() * b).sum();
    columns
        .iter()
        .map(|row| columns.iter().map(|column| dot(row, column)).collect())
        .collect()
}

/// Least squares over columns of complex values, by the normal equations: at
/// most seven unknowns, of which no two columns are near each other where the
/// result is used, and a singular system gives nothing.
pub(super) fn least_squares(
    columns: &[Vec<Complex64>],
    right: &[Complex64],
) -> Option<Vec<Complex64>> {
    let along = columns
        .iter()
        .map(|column| {
            let products = column.iter().zip(right).map(|(a, b)| a.conj() * b);
            products.sum()
        })
        .collect();
    solve(normal(columns), along)
}

/// Takes a step of Gauss and Newton, shortened until the cost is below what it was;
/// `None` where no length of it is better. `moved` gives the cost and the fit.
pub(super) fn shortened<F>(before: f64, moved: impl Fn(f64) -> Option<(f64, F)>) -> Option<F> {
    [1.0, 0.5, 0.25, 0.1, 0.03, 0.01]
        .into_iter()
        .filter_map(moved)
        .find(|(cost, _)| *cost < before)
        .map(|(_, fit)| fit)
}

/// Solves a Hermitian positive system by Gauss's elimination, scaled to a unit
/// diagonal.
pub(super) fn solve(
    mut matrix: Vec<Vec<Complex64>>,
    mut right: Vec<Complex64>,
) -> Option<Vec<Complex64>> {
    let size = right.len();
    let scales: Vec<f64> = matrix
        .iter()
        .enumerate()
        .map(|(i, row)| Some(row.get(i)?.re.sqrt().recip()))
        .collect::<Option<_>>()?;
    if !scales.iter().all(|scale| scale.is_finite()) {
        return None;
    }
    for (row, scale) in matrix.iter_mut().zip(&scales) {
        for (value, other) in row.iter_mut().zip(&scales) {
            *value *= scale * other;
        }
    }
    for (value, scale) in right.iter_mut().zip(&scales) {
        *value *= *scale;
    }
    for i in 0..size {
        let (done, below) = matrix.split_at_mut(i + 1);
        let (done_right, below_right) = right.split_at_mut(i + 1);
        let (pivot_row, pivot_right) = (done.get(i)?, *done_right.get(i)?);
        let pivot = *pivot_row.get(i)?;
        if pivot.re < LEAST_PIVOT {
            return None;
        }
        for (row, value) in below.iter_mut().zip(below_right) {
            let factor = *row.get(i)? / pivot;
            for (entry, above) in row.iter_mut().zip(pivot_row).skip(i) {
                *entry -= factor * above;
            }
            *value -= factor * pivot_right;
        }
    }
    for i in (0..size).rev() {
        let row = matrix.get(i)?;
        let known: Complex64 = row.iter().zip(&right).skip(i + 1).map(|(a, b)| a * b).sum();
        let value = (*right.get(i)? - known) / *row.get(i)?;
        *right.get_mut(i)? = value;
    }
    for (value, scale) in right.iter_mut().zip(&scales) {
        *value *= *scale;
    }
    Some(right)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series and the values of `tests/reference/free_response_scipy.py`.
    #[test]
    fn the_same_as_scipy_on_the_same_series() {
        let values = include_str!("../../tests/reference/free_response_values.csv");
        let series = include_str!("../../tests/reference/free_response_series.csv");
        let rows = |table: &'static str, case: &'static str| {
            let rows = table.lines().skip(1).filter_map(move |line| {
                let rest = line.strip_prefix(case)?.strip_prefix(',')?;
                Some(rest.split(',').map(|t| t.parse().unwrap()).collect())
            });
            rows.collect::<Vec<Vec<f64>>>()
        };
        for case in [
            "ring_up",
            "detuned",
            "drive_cut",
            "broad",
            "bare",
            "with_a_neighbour",
        ] {
            let given = rows(series, case);
            let step_s = given[0][0];
            let given: Vec<Complex64> = given.iter().map(|r| Complex64::new(r[1], r[2])).collect();
            let found = fit_series(&given, None, step_s, 20.0).unwrap();
            let right = rows(values, case);
            assert_eq!(found.neighbours + 1, right.len(), "{case}: {found:?}");
            assert!(
                found.early_rest < 1.5 * found.late_rest,
                "{case}: {found:?}"
            );
            let close = |found: f64, right: f64, tolerance: f64, what: &str| {
                assert!(
                    (found - right).abs() <= tolerance,
                    "{case}: {what} {found} for {right}"
                );
            };
            // Both minimise the same sum of squares. Column 0 counts the tones, the
            // resonance that is driven first.
            let right = &right[0];
            let (f_u, df_u) = (right[2], right[4]);
            close(found.frequency_hz - 20.0, right[1], 1e-3 * f_u, "detuning");
            close(found.bandwidth_hz, right[3], 1e-3 * df_u, "bandwidth");
            close(found.frequency_u_hz, f_u, 0.01 * f_u, "its u");
            close(found.bandwidth_u_hz, df_u, 0.01 * df_u, "its u");
            close(found.amplitude, right[5], 2e-3 * right[5], "amplitude");
        }
    }

    /// Samples of a damped oscillator's closed form beside a driven tone, its
    /// second harmonic and an offset.
    #[test]
    fn a_transient_among_samples() {
        let (rate_hz, drive_hz) = (700.0, 17.37);
        let (natural_hz, bandwidth_hz) = (17.41, 0.12);
        let samples: Vec<f64> = (0..10_000)
            .map(|i| {
                let t = f64::from(i) / rate_hz;
                let free = (-PI * bandwidth_hz * t).exp() * (TAU * natural_hz * t + 0.4).cos();
                let drive = TAU * drive_hz * t;
                30.0 + 4.0 * (drive - 1.1).cos() + 0.2 * (2.0 * drive).cos() - 3.0 * free
            })
            .collect();
        let found = free_response(&samples, None, rate_hz, drive_hz).unwrap();
        assert!((found.frequency_hz - natural_hz).abs() < 2e-4, "{found:?}");
        assert!(
            (found.bandwidth_hz - bandwidth_hz).abs() < 5e-4,
            "{found:?}"
        );
    }

    /// A mass on spring and dashpot, its equation of motion integrated by Runge
    /// and Kutta's fourth-order steps, under a force that a slow controller turns
    /// up: the approach is the controller's, the bandwidth the oscillator's.
    #[test]
    fn a_slow_force_is_not_taken_for_a_slow_span() {
        let (rate_hz, drive_hz) = (700.0, 17.37);
        let (natural_hz, bandwidth_hz) = (17.41, 0.12);
        let (omega, decay) = (TAU * natural_hz, TAU * bandwidth_hz);
        let force = |t: f64| (1.0 - 0.8 * (-t / 9.0).exp()) * (TAU * drive_hz * t).cos();
        let slope = |t: f64, [x, v]: [f64; 2]| [v, force(t) - decay * v - omega * omega * x];
        let h = 1.0 / rate_hz;
        let (mut state, mut motion, mut forces) = ([0.0, 0.0], Vec::new(), Vec::new());
        for i in 0..14_000 {
            let t = f64::from(i) * h;
            motion.push(state[1]);
            forces.push(force(t));
            let along = |k: [f64; 2], part: f64| [state[0] + part * k[0], state[1] + part * k[1]];
            let k1 = slope(t, state);
            let k2 = slope(t + 0.5 * h, along(k1, 0.5 * h));
            let k3 = slope(t + 0.5 * h, along(k2, 0.5 * h));
            let k4 = slope(t + h, along(k3, h));
            for n in 0..2 {
                state[n] += h / 6.0 * (k1[n] + 2.0 * k2[n] + 2.0 * k3[n] + k4[n]);
            }
        }
        let found = free_response(&motion, Some(&forces), rate_hz, drive_hz).unwrap();
        assert!(
            (found.bandwidth_hz / bandwidth_hz - 1.0).abs() < 0.02,
            "{found:?}"
        );
        assert!((found.frequency_hz - natural_hz).abs() < 0.002, "{found:?}");
        // Without the force the controller's 1/(9 pi) Hz would be in it.
        let blind = free_response(&motion, None, rate_hz, drive_hz).unwrap();
        assert!(blind.bandwidth_hz < 0.7 * bandwidth_hz, "{blind:?}");
    }

    #[test]
    fn a_steady_tone_has_no_free_response() {
        let rate_hz = 700.0;
        let samples: Vec<f64> = (0..10_000)
            .map(|i| (TAU * 17.37 * f64::from(i) / rate_hz).cos() + 0.01 * scatter(i))
            .collect();
        // Of noise a fit makes something, but nothing of any size or certainty.
        if let Some(found) = free_response(&samples, None, rate_hz, 17.37) {
            assert!(found.amplitude < 0.01, "{found:?}");
            assert!(
                found.bandwidth_u_hz > 0.1 * found.bandwidth_hz.abs(),
                "{found:?}"
            );
        }
        assert_eq!(free_response(&samples[..50], None, rate_hz, 17.37), None);
    }

    /// Even scatter between −1 and 1 (a linear congruential sequence).
    fn scatter(i: u32) -> f64 {
        let mixed = i.wrapping_mul(2_654_435_761).rotate_left(13);
        f64::from(mixed.wrapping_mul(1_664_525) >> 8) / f64::from(1 << 23) - 1.0
    }
}
