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
use pulp::Simd;
use std::f64::consts::{PI, TAU};

use super::pole_grid::{self, exponential, held_force, held_force_slopes};
use super::series_fit::{ComplexSeries, Factored, Fitted, MOST, Normal, shortened};
use super::spectrum::{ComplexLanes, LANES, Lanes};
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
/// Longest window, samples.
const MOST_SAMPLES: f64 = 1e7;
/// Half windows that are taken from the parts of a recording at once, beside a whole one.
const WINDOWS_AT_ONCE: usize = 4;
/// Fewest values of a series that can be fitted.
const LEAST_VALUES: usize = 16;
/// Steps of Gauss and Newton, at most.
const ITERATIONS: usize = 40;
/// A fit has converged when a step takes less than this part off the squares of what is left: of a
/// hundred values it was a ten-thousandth of the uncertainty.
const CONVERGED: f64 = 1e-10;
/// The same where it is only asked whether another tone is worth it.
const ROUGHLY: f64 = 1e-3;
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
/// nothing can be fitted. The samples come in parts that follow one another.
pub fn free_response<P: AsRef<[f64]>>(
    motion: &[P],
    force: Option<&[P]>,
    rate_hz: f64,
    drive_hz: f64,
) -> Option<FreeResponse> {
    let mixer = Mixer::new(rate_hz, drive_hz, WINDOW_SECONDS)?;
    let series = mixer.series(motion)?;
    let force = match force {
        Some(force) => Some(mixer.series(force)?),
        None => None,
    };
    fit_series(&series, force.as_deref(), mixer.step_s(), drive_hz)
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
    let mixer = Mixer::new(rate_hz, drive_hz, window_s)?;
    let series = mixer.series(&[samples])?;
    Some((series, mixer.step_s(), mixer.length))
}

/// What turns samples into complex amplitudes against a drive.
struct Mixer {
    rate_hz: f64,
    drive_hz: f64,
    /// Length of a window, samples.
    length: usize,
    /// The window times exp(−i omega t), t from its first sample; behind its end zeros.
    turned: Vec<ComplexLanes>,
}

impl Mixer {
    fn new(rate_hz: f64, drive_hz: f64, window_s: f64) -> Option<Self> {
        let cycles = (window_s * drive_hz).round().max(WINDOW_CYCLES);
        let length = (cycles * rate_hz / drive_hz).round();
        if !(length.is_finite() && (8.0..MOST_SAMPLES).contains(&length)) {
            return None;
        }
        let step = TAU / length;
        let length = length as usize;
        Some(Self {
            rate_hz,
            drive_hz,
            length,
            turned: turned_window(length, step, TAU * drive_hz / rate_hz),
        })
    }

    fn stride(&self) -> usize {
        self.length / 2
    }

    fn step_s(&self) -> f64 {
        self.stride() as f64 / self.rate_hz
    }

    /// One value every half window; `None` where there is none.
    fn series<P: AsRef<[f64]>>(&self, parts: &[P]) -> Option<Vec<Complex64>> {
        let count = parts.iter().map(|part| part.as_ref().len()).sum::<usize>();
        let last = count.checked_sub(self.length)?;
        let mean = maths::wide!(sum_of_parts(parts)) / count as f64;
        let firsts = (0..=last / self.stride()).map(|block| block * self.stride());
        let value = |first: usize, window: &[f64]| {
            // The phase starts anew in each window: errors of the turns do not add up.
            let cycles = (self.drive_hz / self.rate_hz * first as f64).fract();
            let turned = TurnedSum {
                samples: window,
                turned: &self.turned,
                mean,
            };
            pulp::Arch::new().dispatch(turned) * maths::cis(-TAU * cycles)
        };
        if let [whole] = parts {
            let window = |first| whole.as_ref().get(first..first + self.length);
            return Some(
                firsts
                    .map(|first| value(first, window(first).unwrap_or_default()))
                    .collect(),
            );
        }
        // Some windows at a time one behind the other: so they stay in a cache, where all of
        // the parts would not.
        let some = self.length + WINDOWS_AT_ONCE * self.stride();
        let (mut held, mut from) = (Vec::with_capacity(2 * some), 0);
        let mut parts = parts.iter();
        let series = firsts.map(|first| {
            if first + self.length > from + held.len() {
                held.drain(..first - from);
                from = first;
                while held.len() < some
                    && let Some(part) = parts.next()
                {
                    held.extend_from_slice(part.as_ref());
                }
            }
            let window = held.get(first - from..first - from + self.length);
            value(first, window.unwrap_or_default())
        });
        Some(series.collect())
    }
}

/// Σ of all samples, in the order of [`maths::sum_of`] of one part.
#[expect(clippy::inline_always, reason = "compiled for wide registers")]
#[expect(clippy::indexing_slicing, reason = "lanes of arrays of one length")]
#[inline(always)]
fn sum_of_parts<P: AsRef<[f64]>>(parts: &[P]) -> f64 {
    let mut lanes = [0.0; LANES];
    // Eight that lie in more than one part, and how many of them have come.
    let (mut begun, mut come): (Lanes, usize) = ([0.0; LANES], 0);
    for part in parts {
        let mut part = part.as_ref();
        if come > 0 {
            let (more, behind) = part.split_at(part.len().min(LANES - come));
            begun[come..come + more.len()].copy_from_slice(more);
            (come, part) = (come + more.len(), behind);
            if come < LANES {
                continue;
            }
            for lane in 0..LANES {
                lanes[lane] += begun[lane];
            }
        }
        let (eights, last) = part.as_chunks::<LANES>();
        for eight in eights {
            for lane in 0..LANES {
                lanes[lane] += eight[lane];
            }
        }
        begun[..last.len()].copy_from_slice(last);
        come = last.len();
    }
    lanes.iter().sum::<f64>() + begun[..come].iter().sum::<f64>()
}

/// A Hann window whose weights add up to two (a peak phasor is twice the mean), of `step` rad
/// a sample, times exp(−i theta i).
fn turned_window(length: usize, step: f64, theta: f64) -> Vec<ComplexLanes> {
    let scale = 2.0 / length as f64;
    let hann = ComplexSeries::tone(maths::cis(step), length);
    let middle = maths::cis(0.5 * step);
    let turns = ComplexSeries::tone(maths::cis(-theta), length);
    let weighted = hann.values().zip(turns.values()).map(|(hann, turn)| {
        // Behind the end the turns are zero.
        turn * ((1.0 - (hann * middle).re) * scale)
    });
    weighted.collect::<ComplexSeries>().blocks()
}

/// Σ of a window's samples less `mean`, weighted and turned, by the registers that the processor
/// has: the compiler takes real and imaginary part of one lane side by side.
struct TurnedSum<'a> {
    samples: &'a [f64],
    turned: &'a [ComplexLanes],
    mean: f64,
}

impl pulp::WithSimd for TurnedSum<'_> {
    type Output = Complex64;

    #[expect(clippy::inline_always, reason = "compiled for wide registers")]
    #[expect(clippy::indexing_slicing, reason = "lanes of arrays of one length")]
    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Complex64 {
        let (mut re, mut im): (Lanes, Lanes) = ([0.0; LANES], [0.0; LANES]);
        let (eights, last) = self.samples.as_chunks::<LANES>();
        let mean = simd.splat_f64s(self.mean);
        let (sums_re, _) = S::as_mut_simd_f64s(&mut re);
        let (sums_im, _) = S::as_mut_simd_f64s(&mut im);
        for (part, (sum_re, sum_im)) in sums_re.iter_mut().zip(sums_im).enumerate() {
            let (mut a, mut b) = (*sum_re, *sum_im);
            for (eight, turned) in eights.iter().zip(self.turned) {
                let value = simd.sub_f64s(S::as_simd_f64s(eight).0[part], mean);
                a = simd.add_f64s(a, simd.mul_f64s(value, S::as_simd_f64s(&turned.re).0[part]));
                b = simd.add_f64s(b, simd.mul_f64s(value, S::as_simd_f64s(&turned.im).0[part]));
            }
            (*sum_re, *sum_im) = (a, b);
        }
        if let Some(turned) = self.turned.get(eights.len()) {
            for (lane, sample) in last.iter().enumerate() {
                re[lane] += (sample - self.mean) * turned.re[lane];
                im[lane] += (sample - self.mean) * turned.im[lane];
            }
        }
        Complex64::new(re.iter().sum(), im.iter().sum())
    }
}

/// Fits a series of complex amplitudes, one every `step_s`, against the drive;
/// without a measured force it is taken as constant.
pub fn fit_series(
    series: &[Complex64],
    force: Option<&[Complex64]>,
    step_s: f64,
    drive_hz: f64,
) -> Option<FreeResponse> {
    let count = series.len();
    let constant;
    let force = if let Some(force) = force {
        force.get(..count)?
    } else {
        constant = vec![Complex64::ONE; count];
        &constant
    };
    if count < LEAST_VALUES {
        return None;
    }
    let problem = Problem {
        series: series.iter().copied().collect(),
        force,
        step_s,
    };
    let start = pole_grid::least_left(&problem.grid(TAU * FARTHEST_HZ), series, force, step_s)?;
    let mut fit = problem.refined(problem.fit(&[start])?, ROUGHLY)?;
    for _ in 0..MOST_NEIGHBOURS {
        let mut lambdas = fit.lambdas.clone();
        lambdas.push(problem.neighbour(&fit.rest()));
        let with = problem.fit(&lambdas);
        match with.and_then(|with| problem.refined(with, ROUGHLY)) {
            Some(with) if with.cost() < (1.0 - WORTH_A_TONE) * fit.cost() => fit = with,
            _ => break,
        }
    }
    let fit = problem.refined(fit, CONVERGED)?;
    let unknowns = 1 + 2 * fit.lambdas.len();
    let freedom = count.checked_sub(unknowns).filter(|n| *n > 0)? as f64;
    let variance = OVERLAP * fit.cost() / freedom;
    // The exponents come last, the resonance's own first among them.
    let (equations, _) = problem.equations(&fit)?;
    let spread = equations.spread(fit.columns.len());
    let lambda_u = (0.5 * variance * spread).max(0.0).sqrt();
    let lambda = *fit.lambdas.first()?;
    let [gain, free, ..] = fit.fitted.factors;
    let steady = gain / lambda * *force.first()?;
    let third = count / 3;
    let rest = fit.rest();
    let rms = |part: &[Complex64]| {
        let squares: f64 = part.iter().map(Complex64::norm_sqr).sum();
        (squares / part.len().max(1) as f64).sqrt()
    };
    Some(FreeResponse {
        frequency_hz: drive_hz + lambda.im / TAU,
        frequency_u_hz: lambda_u / TAU,
        bandwidth_hz: -lambda.re / PI,
        bandwidth_u_hz: lambda_u / PI,
        amplitude: maths::modulus(free + steady),
        early_rest: rms(rest.get(..third)?),
        late_rest: rms(rest.get(count - third..)?),
        neighbours: fit.lambdas.len() - 1,
    })
}

/// What is fitted.
struct Problem<'a> {
    series: ComplexSeries,
    /// One value for each of the series.
    force: &'a [Complex64],
    step_s: f64,
}

/// A fit.
#[derive(Debug, Clone)]
struct Fit {
    /// The resonance's own exponent, then those of its neighbours, 1/s.
    lambdas: Vec<Complex64>,
    /// What the force brings about, and a free tone for each exponent.
    columns: Vec<ComplexSeries>,
    products: Normal,
    /// g, the free amplitude at the start, those of the neighbours.
    fitted: Fitted,
    count: usize,
}

impl Fit {
    fn cost(&self) -> f64 {
        self.fitted.cost
    }

    fn rest(&self) -> Vec<Complex64> {
        self.fitted.rest.values().take(self.count).collect()
    }
}

impl Problem<'_> {
    fn count(&self) -> usize {
        self.force.len()
    }

    fn fit(&self, lambdas: &[Complex64]) -> Option<Fit> {
        let ratio = |lambda: &Complex64| exponential(lambda * self.step_s);
        let ratios: Vec<Complex64> = lambdas.iter().map(ratio).collect();
        let mut columns = vec![self.brought_about(*lambdas.first()?)];
        let (products, fitted) = maths::wide!({
            columns.truncate(1);
            for ratio in &ratios {
                columns.push(ComplexSeries::tone(*ratio, self.force.len()));
            }
            let products = Normal::of(&columns);
            let fitted = products
                .factored()
                .map(|factored| factored.fitted(&columns, &self.series));
            (products, fitted)
        });
        let fitted = fitted.filter(|fitted| fitted.cost.is_finite())?;
        Some(Fit {
            lambdas: lambdas.to_vec(),
            columns,
            products,
            fitted,
            count: self.count(),
        })
    }

    /// The solution of dv/dt = lambda v + u from rest, u running straight from
    /// value to value (first-order hold).
    fn brought_about(&self, lambda: Complex64) -> ComplexSeries {
        let [ratio, old, new] = held_force(lambda, self.step_s);
        let mut value = Complex64::ZERO;
        std::iter::once(value)
            .chain(self.force.array_windows().map(|[before, now]| {
                value = value * ratio + old * before + new * now;
                value
            }))
            .collect()
    }

    /// Its slope along lambda.
    fn brought_about_slope(&self, lambda: Complex64) -> ComplexSeries {
        let [ratio, old, new] = held_force(lambda, self.step_s);
        let [ratio_slope, old_slope, new_slope] = held_force_slopes(lambda, self.step_s);
        let (mut value, mut slope) = (Complex64::ZERO, Complex64::ZERO);
        std::iter::once(slope)
            .chain(self.force.array_windows().map(|[before, now]| {
                slope = slope * ratio + ratio_slope * value + old_slope * before + new_slope * now;
                value = value * ratio + old * before + new * now;
                slope
            }))
            .collect()
    }

    /// The normal equations of the linear unknowns and the exponents, and what the exponents
    /// see of the rest.
    fn equations(&self, fit: &Fit) -> Option<(Factored, [Complex64; MOST])> {
        let linear = fit.columns.len();
        let own_slope = self.brought_about_slope(*fit.lambdas.first()?);
        maths::wide!({
            let mut slopes = Vec::with_capacity(fit.lambdas.len());
            let free = fit.columns.iter().zip(&fit.fitted.factors).skip(1);
            for (column, factor) in free {
                slopes.push(column.by_number(factor * self.step_s));
            }
            if let (Some(slope), Some(gain)) = (slopes.first_mut(), fit.fitted.factors.first()) {
                slope.add(&own_slope, *gain);
            }
            let mut products = fit.products.extended(slopes.len());
            let mut right = [Complex64::ZERO; MOST];
            for (i, slope) in slopes.iter().enumerate() {
                let others = fit.columns.iter().chain(&slopes).take(linear + i + 1);
                for (j, other) in others.enumerate() {
                    *products.at(linear + i, j) = slope.dot(other);
                }
                // The rest is at right angles to the columns themselves.
                if let Some(right) = right.get_mut(linear + i) {
                    *right = slope.dot(&fit.fitted.rest);
                }
            }
            products.factored().map(|factored| (factored, right))
        })
    }

    /// Steps of Gauss and Newton, each halved until the rest shrinks, until one takes no more
    /// than the part `least` off its squares.
    fn refined(&self, mut fit: Fit, least: f64) -> Option<Fit> {
        for _ in 0..ITERATIONS {
            let (equations, right) = self.equations(&fit)?;
            let step = equations.solve(&right);
            let change = step.get(fit.columns.len()..)?;
            let better = shortened(fit.cost(), |scale| {
                let moved: Vec<Complex64> = fit
                    .lambdas
                    .iter()
                    .zip(change)
                    .map(|(lambda, change)| lambda + change * scale)
                    .collect();
                self.fit(&moved).map(|moved| (moved.cost(), moved))
            });
            let Some(next) = better else {
                break;
            };
            let done = next.cost() > (1.0 - least) * fit.cost();
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
    fn grid(&self, farthest: f64) -> Vec<Complex64> {
        let length_s = self.count() as f64 * self.step_s;
        let decays = std::iter::successors(Some(1.0 / length_s), |decay| Some(1.6 * decay))
            .take_while(|decay| decay * self.step_s < 1.0);
        pole_grid::grid(decays, length_s, farthest)
    }

    /// The exponent whose free tone takes most off a rest; beyond half of the
    /// unambiguous band the window passes nothing.
    fn neighbour(&self, rest: &[Complex64]) -> Complex64 {
        let grid = self.grid(0.5 * PI / self.step_s);
        pole_grid::most_taken_off(&grid, &[(rest, 1.0)], self.step_s, false)
            .unwrap_or(Complex64::ZERO)
    }
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
        let found = free_response(&[&samples], None, rate_hz, drive_hz).unwrap();
        // In parts of whatever lengths the same bits.
        let mut parts = Vec::new();
        let mut left = &samples[..];
        for length in [0, 3, 4, 1, 17, 640, 5, 2000].iter().cycle() {
            let (part, rest) = left.split_at(left.len().min(*length));
            parts.push(part);
            left = rest;
            if left.is_empty() {
                break;
            }
        }
        let in_parts = free_response(&parts, None, rate_hz, drive_hz);
        assert_eq!(in_parts, Some(found));
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
        let found =
            free_response(&[motion.as_slice()], Some(&[&forces]), rate_hz, drive_hz).unwrap();
        assert!(
            (found.bandwidth_hz / bandwidth_hz - 1.0).abs() < 0.02,
            "{found:?}"
        );
        assert!((found.frequency_hz - natural_hz).abs() < 0.002, "{found:?}");
        // Without the force the controller's 1/(9 pi) Hz would be in it.
        let blind = free_response(&[&motion], None, rate_hz, drive_hz).unwrap();
        assert!(blind.bandwidth_hz < 0.7 * bandwidth_hz, "{blind:?}");
    }

    #[test]
    fn a_steady_tone_has_no_free_response() {
        let rate_hz = 700.0;
        let samples: Vec<f64> = (0..10_000)
            .map(|i| (TAU * 17.37 * f64::from(i) / rate_hz).cos() + 0.01 * scatter(i))
            .collect();
        // Of noise a fit makes something, but nothing of any size or certainty.
        if let Some(found) = free_response(&[&samples], None, rate_hz, 17.37) {
            assert!(found.amplitude < 0.01, "{found:?}");
            assert!(
                found.bandwidth_u_hz > 0.1 * found.bandwidth_hz.abs(),
                "{found:?}"
            );
        }
        assert_eq!(free_response(&[&samples[..50]], None, rate_hz, 17.37), None);
    }

    /// Even scatter between −1 and 1 (a linear congruential sequence).
    fn scatter(i: u32) -> f64 {
        let mixed = i.wrapping_mul(2_654_435_761).rotate_left(13);
        f64::from(mixed.wrapping_mul(1_664_525) >> 8) / f64::from(1 << 23) - 1.0
    }
}
