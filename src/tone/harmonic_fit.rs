//! One tone with its orders, fitted to consecutive hops by their spectra: what
//! [`super::fit`] does with samples, for the model that every window has. Pure.
//!
//! # Method
//! As in [`super::fit`]: linear parameters by the normal equations, the frequency by
//! Gauss–Newton on the projected residual. Time is counted from the middle, where
//! cosines and sines do not mix, so that the equations fall apart into two blocks
//! that are the same for all channels; their elements hang on eleven multiples of
//! one angle. What hangs on the samples comes from the hops' spectra, all channels
//! side by side. Where a step follows the one before in a steady ratio, as it does in a window
//! in which the drive changes, the line through both says how long it has to be (the secant
//! method).

// The indices run over sizes that this file itself sets.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::fit::{FitError, Parameters, PhasorEstimate, Sums};
use super::plan::ORDERS;
use super::spectrum::{ComplexLanes, HopSpectrum, HopTransform, LANES, Lanes};
use crate::maths;

/// Four are usual. In a window in which the drive changes a step of Gauss–Newton may be three
/// quarters of the one before, from some thousand uncertainties on, or as long and back.
const ITERATIONS: usize = 100;
/// A fit has converged when the next step would be this part of the frequency's standard
/// uncertainty.
const CONVERGED: f64 = 1e-4;
/// How many times as long as by Gauss–Newton a step may be made.
const STRETCH: std::ops::RangeInclusive<f64> = 0.5..=4.0;
/// Size of a block: the offset and the cosines.
const BLOCK: usize = ORDERS + 1;

type Matrix = [[f64; BLOCK]; BLOCK];
/// A parameter a row, of all channels of a group.
type Columns = [Lanes; BLOCK];

/// What the fit found in one channel.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct HarmonicChannel {
    /// Peak phasors of the orders at the middle; beyond the model's, zero.
    pub phasors: [Complex64; ORDERS],
    /// The first of them with its covariance.
    pub fundamental: PhasorEstimate,
    /// Mean value beneath the tone.
    pub offset: f64,
    /// Standard deviation of the residual, with the degrees of freedom that the
    /// parameters took away.
    pub noise_rms: f64,
}

impl HarmonicChannel {
    /// The same over the basis of [`super::fit`].
    pub(super) fn parameters(&self) -> Parameters {
        let mut parameters = Parameters::default();
        let (offset, orders) = parameters.split_at_mut(1);
        offset[0] = self.offset;
        for (pair, phasor) in orders.as_chunks_mut::<2>().0.iter_mut().zip(&self.phasors) {
            *pair = [phasor.re, -phasor.im];
        }
        parameters
    }
}

/// The tone in all channels.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HarmonicTone {
    /// Frequency, cycles a sample.
    pub cycles: f64,
    /// Its standard uncertainty.
    pub cycles_u: f64,
    /// Orders in the model.
    pub orders: usize,
    /// One entry a channel.
    pub channels: Vec<HarmonicChannel>,
}

/// Consecutive hops: `hops[k][g]` is the spectrum of hop k, channels `8 g…`.
#[derive(Debug, Clone, Copy)]
pub struct HopSequence<'a, H> {
    /// How they were transformed.
    pub transform: &'a HopTransform,
    /// Their spectra.
    pub hops: &'a [H],
    /// Number of channels.
    pub channels: usize,
}

/// What the samples of a group of channels say at a frequency and its multiples,
/// time counted in halves of the sequence.
#[derive(Default)]
pub(super) struct Projections {
    /// Σ cos x, row 0 with the constant, and Σ sin x from row 1 on.
    cos: Columns,
    sin: Columns,
    /// The same with the time.
    pub(super) cos_by_time: Columns,
    sin_by_time: Columns,
    /// Σ x², x counted from `means`.
    pub(super) squares: Lanes,
    pub(super) means: Lanes,
}

/// The equations at one frequency, for all channels.
struct Equations {
    orders: usize,
    /// Cholesky factors of Σ cos cos and Σ sin sin.
    cos: Matrix,
    sin: Matrix,
    /// Σ s cos_i sin_j.
    mixed: Matrix,
    /// Σ s² cos cos and Σ s² sin sin.
    cos_squared: Matrix,
    sin_squared: Matrix,
}

/// The linear parameters of a group of channels.
struct Linear {
    cos: Columns,
    sin: Columns,
    variances: Lanes,
    /// G⁻¹ Bᵀ D: what an error of the angle does to the parameters.
    cos_slope: Columns,
    sin_slope: Columns,
    /// The channel's part of the Gauss–Newton equation.
    curvature: Lanes,
    pull: Lanes,
}

impl<H: AsRef<[HopSpectrum]>> HopSequence<'_, H> {
    pub(super) fn frames(&self) -> usize {
        self.hops.len() * self.transform.hop()
    }

    pub(super) fn half(&self) -> f64 {
        0.5 * (self.frames().max(2) - 1) as f64
    }

    pub(super) fn groups(&self) -> usize {
        self.channels.div_ceil(LANES)
    }

    /// Middle of hop `k`, samples from the middle of all.
    pub(super) fn middle(&self, k: usize) -> f64 {
        (k as f64 - 0.5 * (self.hops.len() as f64 - 1.0)) * self.transform.hop() as f64
    }

    fn spectrum(&self, k: usize, group: usize) -> Option<&HopSpectrum> {
        self.hops.get(k)?.as_ref().get(group)
    }

    /// The mean of all hops.
    pub fn means(&self, group: usize) -> Lanes {
        let mut means = [0.0; LANES];
        for k in 0..self.hops.len() {
            if let Some(spectrum) = self.spectrum(k, group) {
                add(&mut means, &spectrum.means, 1.0);
            }
        }
        means.map(|mean| mean / self.hops.len().max(1) as f64)
    }

    /// What does not hang on the frequency.
    pub(super) fn start(&self, group: usize) -> Projections {
        let mut start = Projections {
            means: self.means(group),
            ..Projections::default()
        };
        let hop = self.transform.hop() as f64;
        for k in 0..self.hops.len() {
            if let Some(spectrum) = self.spectrum(k, group) {
                add(&mut start.squares, &spectrum.squares, 1.0);
                for lane in 0..LANES {
                    let apart = spectrum.means[lane] - start.means[lane];
                    start.squares[lane] += hop * apart * apart;
                    // Of the constant: Σ x is zero, Σ s x is not.
                    start.cos_by_time[0][lane] += self.middle(k) / self.half() * hop * apart;
                }
            }
        }
        start
    }

    /// Σ x exp(−i ω t) and Σ t x exp(−i ω t) over all hops, x counted from `means`, at
    /// `cycles` a sample; `turns(k)` is exp(−i ω t) at the middle of hop k.
    #[inline(always)]
    pub(super) fn sums(
        &self,
        group: usize,
        cycles: f64,
        means: &Lanes,
        turns: impl Fn(usize) -> Complex64,
    ) -> (ComplexLanes, ComplexLanes) {
        let place = self.transform.place(cycles);
        let constant = Sums::new(TAU * cycles, self.transform.hop());
        let (mut plain, mut by_time) = (ComplexLanes::default(), ComplexLanes::default());
        for k in 0..self.hops.len() {
            let Some(spectrum) = self.spectrum(k, group) else {
                continue;
            };
            let (mut value, mut moment) = spectrum.value_and_moment(&place);
            let (turn, middle) = (turns(k), self.middle(k));
            for lane in 0..LANES {
                let apart = spectrum.means[lane] - means[lane];
                value.re[lane] += apart * constant.cos;
                moment.im[lane] -= apart * constant.time_sin;
                moment.re[lane] += middle * value.re[lane];
                moment.im[lane] += middle * value.im[lane];
            }
            plain.add_turned(&value, turn);
            by_time.add_turned(&moment, turn);
        }
        (plain, by_time)
    }

    #[inline(always)]
    fn project(&self, group: usize, angle: f64, orders: usize, into: &mut Projections) {
        let half = self.half();
        let cycles = angle / (TAU * half);
        for order in 1..=orders {
            let times = order as f64;
            let turn = |k: usize| maths::cis(-times * TAU * cycles * self.middle(k));
            let (plain, by_time) = self.sums(group, times * cycles, &into.means, turn);
            into.cos[order] = plain.re;
            into.sin[order] = plain.im.map(|x| -x);
            into.cos_by_time[order] = by_time.re.map(|x| x / half);
            into.sin_by_time[order] = by_time.im.map(|x| -x / half);
        }
    }
}

#[inline(always)]
fn add(sum: &mut Lanes, values: &Lanes, factor: f64) {
    for lane in 0..LANES {
        sum[lane] += factor * values[lane];
    }
}

/// Fits a tone of `orders` near `guess` cycles a sample; `counts[c]` says whether
/// channel c sets the frequency.
pub fn fit<H: AsRef<[HopSpectrum]>>(
    sequence: &HopSequence<H>,
    counts: &[bool],
    guess: f64,
    orders: usize,
) -> Result<HarmonicTone, FitError> {
    let orders = orders.clamp(1, ORDERS);
    let frames = sequence.frames();
    let columns = 1 + 2 * orders;
    if frames < columns + 2 {
        return Err(FitError::TooFewSamples {
            samples: frames,
            parameters: columns + 1,
        });
    }
    // The frequency is shared by all channels.
    let freedom = ((frames - columns) as f64 - 1.0 / sequence.channels as f64).max(1.0);
    let half = sequence.half();
    let first_angle = TAU * guess * half;
    let mut angle = first_angle;
    let mut groups: Vec<Projections> = (0..sequence.groups()).map(|g| sequence.start(g)).collect();
    if groups
        .iter()
        .any(|group| group.squares.iter().any(|x| !x.is_finite()))
    {
        return Err(FitError::NotFinite);
    }
    let (mut last_step, mut remaining) = (f64::INFINITY, f64::INFINITY);
    // Gauss–Newton's last step, and what was made of it.
    let mut before: Option<(f64, f64)> = None;
    for _ in 0..ITERATIONS {
        for (number, group) in groups.iter_mut().enumerate() {
            maths::wide!(sequence.project(number, angle, orders, group));
        }
        let equations = Equations::new(angle / half, half, frames, orders)?;
        let linear: Vec<Linear> = groups
            .iter()
            .map(|group| maths::wide!(equations.solve(group, freedom)))
            .collect();
        let newton = || -> Result<(f64, f64), FitError> {
            let (mut curvature, mut pull) = (0.0, 0.0);
            for channel in
                (0..sequence.channels).filter(|c| counts.get(*c).copied().unwrap_or(true))
            {
                let (group, lane) = (&linear[channel / LANES], channel % LANES);
                let weight = 1.0 / group.variances[lane];
                // A channel of zeros alone tells no frequency; the others still do.
                if weight.is_finite() {
                    curvature += weight * group.curvature[lane];
                    pull += weight * group.pull[lane];
                }
            }
            if curvature > 0.0 {
                Ok((pull / curvature, 1.0 / curvature))
            } else {
                Err(FitError::Singular)
            }
        };
        if remaining < CONVERGED {
            // At a converged fit the equation has been solved once already.
            let variance = newton().map_or(0.0, |(_, variance)| variance);
            let cycles = angle / (TAU * half);
            let channels = sequence.channels;
            return Ok(report(
                &groups, &linear, &equations, channels, cycles, variance, half,
            ));
        }
        let (step, variance) = newton()?;
        if !step.is_finite() {
            return Err(FitError::Diverged);
        }
        // On a line through this step and the one before, the steps vanish so many times as far on.
        let stretch = before.map_or(1.0, |(last, made)| made / (last - step));
        let stretched = if STRETCH.contains(&stretch) {
            step * stretch
        } else {
            step
        };
        // A step beyond a quarter turn leaves the main lobe.
        let made = stretched.clamp(-0.8, 0.8);
        before = Some((step, made));
        angle += made;
        // More than a cycle away is another tone.
        if (angle - first_angle).abs() > TAU || angle <= 0.0 {
            return Err(FitError::Diverged);
        }
        // At vanishing noise the rounding of the angle itself is the limit.
        let rounding = 1e-13 * angle.abs().max(1.0);
        let size = step.abs() / variance.sqrt().max(rounding / CONVERGED);
        // The step shrinks by about the same factor each time; what is still to
        // come is the next one.
        remaining = if last_step.is_finite() {
            size * (size / last_step).min(1.0)
        } else {
            size
        };
        last_step = size;
    }
    Err(FitError::Diverged)
}

fn report(
    groups: &[Projections],
    linear: &[Linear],
    equations: &Equations,
    channels: usize,
    cycles: f64,
    angle_variance: f64,
    half: f64,
) -> HarmonicTone {
    let orders = equations.orders;
    let inverse_cos = inverse_element(&equations.cos, orders + 1, 1);
    let inverse_sin = inverse_element(&equations.sin, orders, 0);
    let channels = (0..channels).map(|channel| {
        let (number, lane) = (channel / LANES, channel % LANES);
        let found = &linear[number];
        let mut phasors = [Complex64::ZERO; ORDERS];
        for order in 0..orders {
            // a cos + b sin = Re[(a − i b) exp(i…)]
            phasors[order] = Complex64::new(found.cos[order + 1][lane], -found.sin[order][lane]);
        }
        let variance = found.variances[lane];
        let (a, b) = (found.cos_slope[1][lane], found.sin_slope[0][lane]);
        HarmonicChannel {
            phasors,
            fundamental: PhasorEstimate {
                value: phasors[0],
                var_re: variance * inverse_cos + a * a * angle_variance,
                var_im: variance * inverse_sin + b * b * angle_variance,
                cov: -a * b * angle_variance,
            },
            offset: groups[number].means[lane] + found.cos[0][lane],
            noise_rms: variance.sqrt(),
        }
    });
    HarmonicTone {
        cycles,
        cycles_u: angle_variance.sqrt() / (TAU * half),
        orders,
        channels: channels.collect(),
    }
}

impl Equations {
    fn new(theta: f64, half: f64, frames: usize, orders: usize) -> Result<Self, FitError> {
        let sums: [Sums; 2 * ORDERS + 1] = std::array::from_fn(|multiple| {
            if multiple <= 2 * orders {
                Sums::new(multiple as f64 * theta, frames)
            } else {
                Sums::default()
            }
        });
        let square = 1.0 / (half * half);
        let mut this = Self {
            orders,
            cos: Matrix::default(),
            sin: Matrix::default(),
            mixed: Matrix::default(),
            cos_squared: Matrix::default(),
            sin_squared: Matrix::default(),
        };
        for i in 0..=orders {
            for j in 0..=i {
                let (less, more) = (&sums[i - j], &sums[i + j]);
                this.cos[i][j] = 0.5 * (less.cos + more.cos);
                this.cos_squared[i][j] = 0.5 * square * (less.square_cos + more.square_cos);
                this.cos_squared[j][i] = this.cos_squared[i][j];
                if j > 0 {
                    this.sin[i - 1][j - 1] = 0.5 * (less.cos - more.cos);
                    this.sin_squared[i - 1][j - 1] =
                        0.5 * square * (less.square_cos - more.square_cos);
                    this.sin_squared[j - 1][i - 1] = this.sin_squared[i - 1][j - 1];
                }
            }
            // t cos(a t) sin(b t) = t (sin((a + b) t) − sin((a − b) t))/2.
            for j in 1..=orders {
                let less = sums[i.abs_diff(j)].time_sin;
                let less = if i < j { -less } else { less };
                this.mixed[i][j - 1] = 0.5 / half * (sums[i + j].time_sin - less);
            }
        }
        this.cos = factor(&this.cos, orders + 1).ok_or(FitError::Singular)?;
        this.sin = factor(&this.sin, orders).ok_or(FitError::Singular)?;
        Ok(this)
    }

    #[inline(always)]
    fn solve(&self, group: &Projections, freedom: f64) -> Linear {
        let orders = self.orders;
        let mut sine_projections = Columns::default();
        let mut sines_by_time = Columns::default();
        sine_projections[..orders].copy_from_slice(&group.sin[1..=orders]);
        sines_by_time[..orders].copy_from_slice(&group.sin_by_time[1..=orders]);
        let cos = solve(&self.cos, orders + 1, &group.cos);
        let sin = solve(&self.sin, orders, &sine_projections);
        let mut variances = [0.0; LANES];
        for lane in 0..LANES {
            let mut explained = 0.0;
            for i in 0..=orders {
                explained += cos[i][lane] * group.cos[i][lane];
            }
            for j in 0..orders {
                explained += sin[j][lane] * sine_projections[j][lane];
            }
            let square = group.squares[lane];
            // Rounding leaves about 1e-16 of the signal's own power.
            let floor = 1e-16 * square + f64::MIN_POSITIVE;
            variances[lane] = (square - explained).max(floor) / freedom;
        }
        // d(model)/d(angle) over the basis times the scaled time.
        let (mut slope_cos, mut slope_sin) = (Columns::default(), Columns::default());
        for j in 0..orders {
            let order = (j + 1) as f64;
            slope_cos[j + 1] = sin[j].map(|b| order * b);
            slope_sin[j] = cos[j + 1].map(|a| -order * a);
        }
        let (along_cos, along_sin) = self.across(&slope_cos, &slope_sin);
        let (fitted_cos, fitted_sin) = self.across(&cos, &sin);
        let cos_slope = solve(&self.cos, orders + 1, &along_cos);
        let sin_slope = solve(&self.sin, orders, &along_sin);
        let (mut curvature, mut pull) = ([0.0; LANES], [0.0; LANES]);
        for i in 0..=orders {
            for j in 0..=orders {
                for lane in 0..LANES {
                    curvature[lane] +=
                        self.cos_squared[i][j] * slope_cos[i][lane] * slope_cos[j][lane];
                }
            }
            for lane in 0..LANES {
                curvature[lane] -= along_cos[i][lane] * cos_slope[i][lane];
                // `fitted_cos` are Σ s b model: cosines see the sines of the model.
                pull[lane] +=
                    slope_cos[i][lane] * (group.cos_by_time[i][lane] - fitted_cos[i][lane]);
            }
        }
        for i in 0..orders {
            for j in 0..orders {
                for lane in 0..LANES {
                    curvature[lane] +=
                        self.sin_squared[i][j] * slope_sin[i][lane] * slope_sin[j][lane];
                }
            }
            for lane in 0..LANES {
                curvature[lane] -= along_sin[i][lane] * sin_slope[i][lane];
                pull[lane] += slope_sin[i][lane] * (sines_by_time[i][lane] - fitted_sin[i][lane]);
            }
        }
        Linear {
            cos,
            sin,
            variances,
            cos_slope,
            sin_slope,
            curvature,
            pull,
        }
    }

    /// Σ s b (c cos + d sin) for the cosines and the sines b.
    #[inline(always)]
    fn across(&self, cos: &Columns, sin: &Columns) -> (Columns, Columns) {
        let (mut to_cos, mut to_sin) = (Columns::default(), Columns::default());
        for i in 0..=self.orders {
            for j in 0..self.orders {
                add(&mut to_cos[i], &sin[j], self.mixed[i][j]);
                add(&mut to_sin[j], &cos[i], self.mixed[i][j]);
            }
        }
        (to_cos, to_sin)
    }
}

/// The lower Cholesky factor; `None` where the matrix is not positive definite, or so
/// nearly singular that its solutions would carry no digits.
fn factor(matrix: &Matrix, size: usize) -> Option<Matrix> {
    let mut factor = Matrix::default();
    for i in 0..size {
        for j in 0..=i {
            let sum: f64 = (0..j).map(|k| factor[i][k] * factor[j][k]).sum();
            let rest = matrix[i][j] - sum;
            factor[i][j] = if i == j {
                if rest.is_nan() || rest <= 1e-13 * matrix[i][i] {
                    return None;
                }
                rest.sqrt()
            } else {
                rest / factor[j][j]
            };
        }
    }
    Some(factor)
}

#[inline(always)]
fn solve(factor: &Matrix, size: usize, right: &Columns) -> Columns {
    let mut x = *right;
    for i in 0..size {
        for k in 0..i {
            let known = x[k];
            add(&mut x[i], &known, -factor[i][k]);
        }
        x[i] = x[i].map(|value| value / factor[i][i]);
    }
    for i in (0..size).rev() {
        for k in i + 1..size {
            let known = x[k];
            add(&mut x[i], &known, -factor[k][i]);
        }
        x[i] = x[i].map(|value| value / factor[i][i]);
    }
    x
}

/// Element (i, i) of the inverse of the factored matrix.
fn inverse_element(factor: &Matrix, size: usize, i: usize) -> f64 {
    let mut unit = Columns::default();
    unit[i] = [1.0; LANES];
    solve(factor, size, &unit)[i][0]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::fit::{self, ToneGuess};
    use ndarray::{Array2, s};

    /// The same estimates as from the samples, with offsets, orders, noise and a
    /// frequency that is somewhat off at first.
    #[test]
    fn the_same_as_from_the_samples() {
        let mut state = 7_u64;
        let mut noise = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        };
        for (hop, hops, rate_hz, hz, channels, orders) in [
            (500, 4, 2000.0, 23.4567, 5, 5),
            (55, 4, 220.0, 8.31, 2, 5),
            (459, 4, 1837.5, 41.2, 10, 5),
            (55, 7, 220.0, 33.3, 3, 3),
            (500, 80, 2000.0, 17.001, 5, 5),
        ] {
            let frames = hop * hops;
            let samples = Array2::from_shape_fn((channels, frames), |(c, i)| {
                let angle = TAU * hz * i as f64 / rate_hz;
                let size = 1.0 / (c + 1) as f64;
                3.0 * c as f64
                    + size * (angle + c as f64).cos()
                    + 0.1 * size * (3.0 * angle).cos()
                    + 0.01 * noise()
            });
            let counts: Vec<bool> = (0..channels).map(|c| c % 2 == 0).collect();
            let mut transform = HopTransform::new(hop, 0.5);
            let spectra: Vec<Vec<HopSpectrum>> = (0..hops)
                .map(|k| {
                    (0..channels.div_ceil(LANES))
                        .map(|group| {
                            let part = samples.slice(s![.., k * hop..(k + 1) * hop]);
                            let mut spectrum = HopSpectrum::default();
                            transform.transform(part, group * LANES, &mut spectrum);
                            spectrum
                        })
                        .collect()
                })
                .collect();
            let sequence = HopSequence {
                transform: &transform,
                hops: &spectra[..],
                channels,
            };
            let length_s = frames as f64 / rate_hz;
            let guess_hz = hz + 0.1 / length_s;
            let ours = super::fit(&sequence, &counts, guess_hz / rate_hz, orders).unwrap();
            let tones = [ToneGuess {
                frequency_hz: guess_hz,
                free: true,
                orders,
            }];
            let right = fit::fit(samples.view(), rate_hz, &tones, &counts).unwrap();
            let frequency = right.frequencies[0];
            let u_hz = frequency.frequency_u_hz;
            let off = (ours.cycles * rate_hz - frequency.frequency_hz).abs();
            println!("{hop} x {hops}: {:.1e} of u, {off:.1e} Hz", off / u_hz);
            assert!(off < 1e-6 * u_hz, "{off} of {u_hz}");
            assert!((ours.cycles_u * rate_hz / u_hz - 1.0).abs() < 1e-6);
            for (a, b) in ours.channels.iter().zip(&right.channels) {
                for (order, phasor) in b.phasors[0].iter().enumerate() {
                    let error = (a.phasors[order] - phasor.value).norm();
                    assert!(
                        error < 1e-5 * phasor.part_u(),
                        "{error} of {}",
                        phasor.part_u()
                    );
                }
                let (x, y) = (a.fundamental, b.phasors[0][0]);
                for (x, y) in [(x.var_re, y.var_re), (x.var_im, y.var_im)] {
                    assert!((x / y - 1.0).abs() < 1e-6, "{x} {y}");
                }
                assert!((x.cov - y.cov).abs() < 1e-6 * y.var_re, "{x:?} {y:?}");
                // The sums of squares of samples with an offset have lost digits.
                assert!((a.noise_rms / b.noise_rms - 1.0).abs() < 1e-7);
                assert!((a.offset - b.offset).abs() < 1e-6 * b.offset_u.max(1e-9));
            }
        }
    }

    /// The force turns at once and the span's motion after it: the steps of Gauss–Newton alone get
    /// smaller slowly, and the fit would end where its guess left it: at half of these windows more
    /// than 4e-5 of the uncertainty from where another guess does (an emulation in NumPy).
    #[test]
    fn where_the_drive_changes_the_tone_does_not_hang_on_the_guess() {
        let (rate_hz, hop, hops) = (2000.0, 500, 4);
        let mut transform = HopTransform::new(hop, 0.5);
        let mut apart: Vec<f64> = (0..100_u32)
            .map(|trial| {
                let part = |of: u32| f64::from(trial % of) / f64::from(of);
                let (before_hz, level) = (12.0 + 30.0 * part(37), 0.2 + 2.0 * part(11));
                let after_hz = before_hz + 1.5 * part(29) - 0.75;
                let (change_s, turn) = (part(13), TAU * part(17));
                let samples = Array2::from_shape_fn((4, hop * hops), |(c, i)| {
                    let (t, c) = (i as f64 / rate_hz - change_s, c as f64);
                    let old = (TAU * before_hz * t + c).cos();
                    let new = level * (TAU * after_hz * t + turn + c).cos();
                    let rung_up = 1.0 - (-t.max(0.0) / (0.001 + 0.3 * c)).exp();
                    old + rung_up * (new - old)
                });
                let spectra: Vec<Vec<HopSpectrum>> = (0..hops)
                    .map(|k| {
                        let mut spectrum = HopSpectrum::default();
                        let part = samples.slice(s![.., k * hop..(k + 1) * hop]);
                        transform.transform(part, 0, &mut spectrum);
                        vec![spectrum]
                    })
                    .collect();
                let sequence = HopSequence {
                    transform: &transform,
                    hops: &spectra[..],
                    channels: 4,
                };
                let guess_hz = if change_s > 0.5 { before_hz } else { after_hz };
                let [a, b] = [-0.05, 0.05].map(|off_hz| {
                    let guess = (guess_hz + off_hz) / rate_hz;
                    fit(&sequence, &[true; 4], guess, 5).unwrap()
                });
                (a.cycles - b.cycles).abs() / a.cycles_u
            })
            .collect();
        apart.sort_by(f64::total_cmp);
        println!("{:.1e} {:.1e} {:.1e}", apart[50], apart[75], apart[90]);
        assert!(apart[50] < 5e-6, "{}", apart[50]);
        assert!(apart[90] < 5e-5, "{}", apart[90]);
    }
}
