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

use super::fit::{FitError, PhasorEstimate, Sums};
use super::peak_residual::Parameters;
use super::plan::ORDERS;
use super::spectrum::{ComplexLanes, GridPlace, HopSpectrum, HopTransform, LANES, Lanes};
use crate::maths;

/// Two are usual. In a window in which the drive changes a step of Gauss–Newton may be nine tenths
/// of the one before, from some thousand uncertainties on, or as long and back.
const ITERATIONS: usize = 100;
/// A fit has converged when the next step would be this part of the frequency's standard
/// uncertainty.
const CONVERGED: f64 = 1e-4;
/// How many times as long as by Gauss–Newton a step may be made, at least and at most.
const STRETCH: [f64; 2] = [0.5, 4.0];
/// Size of a block: the offset and the cosines.
const BLOCK: usize = ORDERS + 1;
/// Multiples of the angle that the equations hang on, zero aside.
const MULTIPLES: usize = 2 * ORDERS;

type Matrix<const SIZE: usize> = [[f64; SIZE]; SIZE];
/// A parameter a row, of all channels of a group: the offset and the cosines, and the sines.
type Cosines = [Lanes; BLOCK];
type Sines = [Lanes; ORDERS];

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
    /// The same as cosines and sines.
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
/// time counted in halves of the sequence. Of orders beyond the model's, zero.
#[derive(Default)]
pub(super) struct Projections {
    /// Σ cos x, row 0 with the constant, and Σ sin x.
    cos: Cosines,
    sin: Sines,
    /// The same with the time.
    pub(super) cos_by_time: Cosines,
    sin_by_time: Sines,
    /// Σ x², x counted from `means`.
    pub(super) squares: Lanes,
    pub(super) means: Lanes,
}

/// Memory that serves for one fit after another.
#[derive(Default)]
pub struct FitSpace(Vec<(Projections, Linear)>);

impl std::fmt::Debug for FitSpace {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        f.debug_struct("FitSpace").finish_non_exhaustive()
    }
}

/// What hangs on the frequency alone.
struct Waves {
    orders: usize,
    /// The angle of the first a sample.
    theta: f64,
    /// The sums of each order over a hop.
    constants: [Sums; ORDERS],
    /// The angle of each order over half a hop.
    half_hops: [Complex64; ORDERS],
    /// The sums over all hops at the multiples of the angle, from zero on.
    sums: [Sums; MULTIPLES + 1],
}

/// The equations at one frequency, for all channels. An order beyond the model's stands by
/// itself, with nothing on its right: so that all sizes are fixed.
struct Equations {
    /// Σ cos cos and Σ sin sin, factored.
    cos: Factors<BLOCK>,
    sin: Factors<ORDERS>,
    /// Σ s cos_i sin_j.
    mixed: [[f64; ORDERS]; BLOCK],
    /// Σ s² cos cos and Σ s² sin sin, of the orders.
    cos_squared: Matrix<ORDERS>,
    sin_squared: Matrix<ORDERS>,
}

/// L D Lᵀ of a positive definite matrix.
struct Factors<const SIZE: usize> {
    /// L, its diagonal of ones left out.
    lower: Matrix<SIZE>,
    /// D, its elements inverted.
    inverse: [f64; SIZE],
}

/// The linear parameters of a group of channels.
#[derive(Default)]
struct Linear {
    cos: Cosines,
    sin: Sines,
    variances: Lanes,
    /// G⁻¹ Bᵀ D: what an error of the angle does to the parameters.
    cos_slope: Cosines,
    sin_slope: Sines,
    /// Σ s b residual.
    cos_rest: Cosines,
    sin_rest: Sines,
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
        self.sums_at(group, &place, &constant, means, turns)
    }

    /// The same where the place and the sums of a constant over a hop are known; the turns are
    /// asked for hop by hop.
    #[inline(always)]
    fn sums_at(
        &self,
        group: usize,
        place: &GridPlace,
        constant: &Sums,
        means: &Lanes,
        mut turns: impl FnMut(usize) -> Complex64,
    ) -> (ComplexLanes, ComplexLanes) {
        let (mut plain, mut by_time) = (ComplexLanes::default(), ComplexLanes::default());
        for k in 0..self.hops.len() {
            let turn = turns(k);
            let Some(spectrum) = self.spectrum(k, group) else {
                continue;
            };
            let (mut value, mut moment) = spectrum.value_and_moment(place);
            let middle = self.middle(k);
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
    fn project(&self, group: usize, waves: &Waves, into: &mut Projections) {
        let per_half = self.half().recip();
        for order in 0..waves.orders {
            // From the first hop on, in steps of a hop.
            let half_hop = waves.half_hops[order];
            let step = half_hop.conj() * half_hop.conj();
            let mut next = (1..self.hops.len()).fold(Complex64::ONE, |turn, _| turn * half_hop);
            let turns = |_| {
                let turn = next;
                next *= step;
                turn
            };
            let place = self.transform.place((order + 1) as f64 * waves.theta / TAU);
            let constant = &waves.constants[order];
            let (plain, by_time) = self.sums_at(group, &place, constant, &into.means, turns);
            into.cos[order + 1] = plain.re;
            into.sin[order] = plain.im.map(|x| -x);
            into.cos_by_time[order + 1] = by_time.re.map(|x| x * per_half);
            into.sin_by_time[order] = by_time.im.map(|x| -x * per_half);
        }
    }
}

#[inline(always)]
fn add(sum: &mut Lanes, values: &Lanes, factor: f64) {
    for lane in 0..LANES {
        sum[lane] += factor * values[lane];
    }
}

#[inline(always)]
fn add_products(sum: &mut Lanes, a: &Lanes, b: &Lanes) {
    for lane in 0..LANES {
        sum[lane] += a[lane] * b[lane];
    }
}

impl Waves {
    /// At `theta` rad a sample, over `hops` hops.
    #[inline(always)]
    fn new(theta: f64, transform: &HopTransform, hops: usize, orders: usize) -> Self {
        let (hop, frames) = (transform.hop(), hops * transform.hop());
        // Half of each angle, as the Dirichlet kernel has it.
        let sample: [Complex64; MULTIPLES] = powers(maths::cis(0.5 * theta));
        let half_hop: [Complex64; ORDERS] = powers(maths::cis(0.5 * theta * hop as f64));
        let whole: [Complex64; MULTIPLES] = powers(maths::cis(0.5 * theta * frames as f64));
        Self {
            orders,
            theta,
            constants: std::array::from_fn(|i| {
                sums_of((i + 1) as f64 * theta, hop, sample[i], half_hop[i])
            }),
            half_hops: half_hop,
            sums: std::array::from_fn(|multiple| match multiple.checked_sub(1) {
                Some(i) => sums_of(multiple as f64 * theta, frames, sample[i], whole[i]),
                None => Sums::new(0.0, frames),
            }),
        }
    }
}

/// z, z², z³ …
#[inline(always)]
fn powers<const COUNT: usize>(z: Complex64) -> [Complex64; COUNT] {
    let mut powers = [z; COUNT];
    for i in 1..COUNT {
        // The two halves of the exponent i + 1, so that few roundings follow each other.
        powers[i] = powers[(i - 1) / 2] * powers[i / 2];
    }
    powers
}

/// [`Sums`] where the phasors of half the angle and of half the angle of all frames are known.
#[inline(always)]
fn sums_of(theta: f64, frames: usize, half: Complex64, whole: Complex64) -> Sums {
    let n = frames as f64;
    if (0.5 * n * theta).abs() < 0.1 || half.im.abs() < 1e-6 {
        return Sums::new(theta, frames);
    }
    let inverse = 1.0 / half.im;
    let cotangent = half.re * inverse;
    let kernel = whole.im * inverse;
    let slope = n * whole.re * inverse;
    let first = slope - kernel * cotangent;
    let second = -n * n * kernel - cotangent * (slope + first) + kernel * inverse * inverse;
    Sums {
        cos: kernel,
        time_sin: -0.5 * first,
        square_cos: -0.25 * second,
    }
}

/// Fits a tone of `orders` near `guess` cycles a sample; `counts[c]` says whether
/// channel c sets the frequency. What is in `space` before makes no difference.
pub fn fit<H: AsRef<[HopSpectrum]>>(
    sequence: &HopSequence<H>,
    counts: &[bool],
    guess: f64,
    orders: usize,
    FitSpace(groups): &mut FitSpace,
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
    groups.clear();
    groups.extend((0..sequence.groups()).map(|group| (sequence.start(group), Linear::default())));
    if groups
        .iter()
        .any(|(group, _)| group.squares.iter().any(|x| !x.is_finite()))
    {
        return Err(FitError::NotFinite);
    }
    let mut last_step = f64::INFINITY;
    // Gauss–Newton's last step, and what was made of it.
    let mut before: Option<(f64, f64)> = None;
    for _ in 0..ITERATIONS {
        let equations = maths::wide!({
            let waves = Waves::new(
                angle / half,
                sequence.transform,
                sequence.hops.len(),
                orders,
            );
            let equations = Equations::new(&waves, half);
            if let Some(equations) = &equations {
                for (number, (group, linear)) in groups.iter_mut().enumerate() {
                    sequence.project(number, &waves, group);
                    equations.solve(group, freedom, linear);
                }
            }
            equations
        })
        .ok_or(FitError::Singular)?;
        let (step, variance) = newton(groups, sequence.channels, counts)?;
        if !step.is_finite() {
            return Err(FitError::Diverged);
        }
        // On a line through this step and the one before, the steps vanish so many times as far on.
        let [least, most] = STRETCH;
        let stretch = before.map_or(1.0, |(last, made)| made / (last - step));
        let stretched = if stretch >= least {
            step * stretch.min(most)
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
        let remaining = if last_step.is_finite() {
            size * (size / last_step).min(1.0)
        } else {
            size
        };
        last_step = size;
        if remaining < CONVERGED {
            // Of so short a step the parameters need no more than their slopes.
            maths::wide!({
                for (_, linear) in &mut *groups {
                    equations.follow(linear, made, freedom);
                }
            });
            let variance = newton(groups, sequence.channels, counts).map_or(0.0, |found| found.1);
            let cycles = angle / (TAU * half);
            let (channels, orders) = (sequence.channels, orders);
            return Ok(report(
                groups, &equations, channels, orders, cycles, variance, half,
            ));
        }
    }
    Err(FitError::Diverged)
}

/// Gauss and Newton's step of the angle, and its variance.
fn newton(
    groups: &[(Projections, Linear)],
    channels: usize,
    counts: &[bool],
) -> Result<(f64, f64), FitError> {
    let (mut curvature, mut pull) = (0.0, 0.0);
    for channel in (0..channels).filter(|c| counts.get(*c).copied().unwrap_or(true)) {
        let ((_, linear), lane) = (&groups[channel / LANES], channel % LANES);
        let weight = 1.0 / linear.variances[lane];
        // A channel of zeros alone tells no frequency; the others still do.
        if weight.is_finite() {
            curvature += weight * linear.curvature[lane];
            pull += weight * linear.pull[lane];
        }
    }
    if curvature > 0.0 {
        Ok((pull / curvature, 1.0 / curvature))
    } else {
        Err(FitError::Singular)
    }
}

fn report(
    groups: &[(Projections, Linear)],
    equations: &Equations,
    channels: usize,
    orders: usize,
    cycles: f64,
    angle_variance: f64,
    half: f64,
) -> HarmonicTone {
    let inverse_cos = equations.cos.inverse_element(1);
    let inverse_sin = equations.sin.inverse_element(0);
    let channels = (0..channels).map(|channel| {
        let ((group, found), lane) = (&groups[channel / LANES], channel % LANES);
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
            offset: group.means[lane] + found.cos[0][lane],
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
    /// `None` where the orders cannot be told apart.
    #[inline(always)]
    fn new(waves: &Waves, half: f64) -> Option<Self> {
        let (orders, sums) = (waves.orders, &waves.sums);
        let square = 0.5 / (half * half);
        let (mut cos, mut sin) = ([[0.0; BLOCK]; BLOCK], [[0.0; ORDERS]; ORDERS]);
        let (mut cos_squared, mut sin_squared) = (sin, sin);
        let mut mixed = [[0.0; ORDERS]; BLOCK];
        for i in 0..BLOCK {
            for j in 0..=i {
                let (less, more) = (&sums[i - j], &sums[i + j]);
                cos[i][j] = 0.5 * (less.cos + more.cos);
                if j > 0 {
                    let (i, j) = (i - 1, j - 1);
                    sin[i][j] = 0.5 * (less.cos - more.cos);
                    cos_squared[i][j] = square * (less.square_cos + more.square_cos);
                    cos_squared[j][i] = cos_squared[i][j];
                    sin_squared[i][j] = square * (less.square_cos - more.square_cos);
                    sin_squared[j][i] = sin_squared[i][j];
                }
            }
            // t cos(a t) sin(b t) = t (sin((a + b) t) − sin((a − b) t))/2.
            for j in 1..=ORDERS {
                let less = sums[i.abs_diff(j)].time_sin;
                let less = if i < j { -less } else { less };
                mixed[i][j - 1] = 0.5 / half * (sums[i + j].time_sin - less);
            }
        }
        for beyond in orders..ORDERS {
            cos[beyond + 1] = [0.0; BLOCK];
            cos[beyond + 1][beyond + 1] = 1.0;
            sin[beyond] = [0.0; ORDERS];
            sin[beyond][beyond] = 1.0;
            mixed[beyond + 1] = [0.0; ORDERS];
            for row in &mut mixed {
                row[beyond] = 0.0;
            }
        }
        Some(Self {
            cos: Factors::new(&cos)?,
            sin: Factors::new(&sin)?,
            mixed,
            cos_squared,
            sin_squared,
        })
    }

    #[inline(always)]
    fn solve(&self, group: &Projections, freedom: f64, into: &mut Linear) {
        let (cos, sin) = (self.cos.solve(&group.cos), self.sin.solve(&group.sin));
        let mut explained = [0.0; LANES];
        for (parameter, projection) in cos.iter().zip(&group.cos) {
            add_products(&mut explained, parameter, projection);
        }
        for (parameter, projection) in sin.iter().zip(&group.sin) {
            add_products(&mut explained, parameter, projection);
        }
        let square = &group.squares;
        for lane in 0..LANES {
            into.variances[lane] =
                (square[lane] - explained[lane]).max(floor(square[lane])) / freedom;
        }
        // d(model)/d(angle) over the basis times the scaled time.
        let (mut slope_cos, mut slope_sin) = (Cosines::default(), Sines::default());
        for j in 0..ORDERS {
            let order = (j + 1) as f64;
            slope_cos[j + 1] = sin[j].map(|b| order * b);
            slope_sin[j] = cos[j + 1].map(|a| -order * a);
        }
        let (along_cos, along_sin) = self.across(&slope_cos, &slope_sin);
        let (cos_slope, sin_slope) = (self.cos.solve(&along_cos), self.sin.solve(&along_sin));
        // Cosines see the sines of the model.
        let (mut cos_rest, mut sin_rest) = self.across(&cos, &sin);
        let (mut curvature, mut pull) = ([0.0; LANES], [0.0; LANES]);
        for i in 0..BLOCK {
            for lane in 0..LANES {
                cos_rest[i][lane] = group.cos_by_time[i][lane] - cos_rest[i][lane];
                curvature[lane] -= along_cos[i][lane] * cos_slope[i][lane];
            }
            add_products(&mut pull, &slope_cos[i], &cos_rest[i]);
        }
        for i in 0..ORDERS {
            let (mut by_cos, mut by_sin) = ([0.0; LANES], [0.0; LANES]);
            for j in 0..ORDERS {
                add(&mut by_cos, &slope_cos[j + 1], self.cos_squared[i][j]);
                add(&mut by_sin, &slope_sin[j], self.sin_squared[i][j]);
            }
            for lane in 0..LANES {
                sin_rest[i][lane] = group.sin_by_time[i][lane] - sin_rest[i][lane];
                curvature[lane] -= along_sin[i][lane] * sin_slope[i][lane];
            }
            add_products(&mut curvature, &by_cos, &slope_cos[i + 1]);
            add_products(&mut curvature, &by_sin, &slope_sin[i]);
            add_products(&mut pull, &slope_sin[i], &sin_rest[i]);
        }
        (into.cos, into.sin) = (cos, sin);
        (into.cos_slope, into.sin_slope) = (cos_slope, sin_slope);
        (into.cos_rest, into.sin_rest) = (cos_rest, sin_rest);
        (into.curvature, into.pull) = (curvature, pull);
    }

    /// Moves the parameters along with the angle.
    #[inline(always)]
    fn follow(&self, linear: &mut Linear, step: f64, freedom: f64) {
        // The basis turns too, and sees the residual from elsewhere.
        let (mut turned_cos, mut turned_sin) = (Cosines::default(), Sines::default());
        for j in 0..ORDERS {
            let order = (j + 1) as f64;
            turned_cos[j + 1] = linear.sin_rest[j].map(|rest| -order * rest);
            turned_sin[j] = linear.cos_rest[j + 1].map(|rest| order * rest);
        }
        let (turned_cos, turned_sin) = (self.cos.solve(&turned_cos), self.sin.solve(&turned_sin));
        for i in 0..BLOCK {
            add(&mut linear.cos[i], &turned_cos[i], step);
            add(&mut linear.cos[i], &linear.cos_slope[i], -step);
        }
        for i in 0..ORDERS {
            add(&mut linear.sin[i], &turned_sin[i], step);
            add(&mut linear.sin[i], &linear.sin_slope[i], -step);
        }
        for lane in 0..LANES {
            let less = step * (2.0 * linear.pull[lane] - step * linear.curvature[lane]) / freedom;
            let variance = linear.variances[lane];
            // What rounding has made of it stays.
            linear.variances[lane] = if less < variance {
                variance - less
            } else {
                variance
            };
        }
    }

    /// Σ s b (c cos + d sin) for the cosines and the sines b.
    #[inline(always)]
    fn across(&self, cos: &Cosines, sin: &Sines) -> (Cosines, Sines) {
        let (mut to_cos, mut to_sin) = (Cosines::default(), Sines::default());
        for i in 0..BLOCK {
            for j in 0..ORDERS {
                add(&mut to_cos[i], &sin[j], self.mixed[i][j]);
                add(&mut to_sin[j], &cos[i], self.mixed[i][j]);
            }
        }
        (to_cos, to_sin)
    }
}

/// What of a sum of squares rounding leaves: about 1e-16 of the signal's own power.
#[inline(always)]
fn floor(square: f64) -> f64 {
    1e-16 * square + f64::MIN_POSITIVE
}

impl<const SIZE: usize> Factors<SIZE> {
    /// `None` where the matrix is not positive definite, or so nearly singular that its
    /// solutions would carry no digits. Reads the lower triangle.
    #[inline(always)]
    fn new(matrix: &Matrix<SIZE>) -> Option<Self> {
        let mut this = Self {
            lower: [[0.0; SIZE]; SIZE],
            inverse: [0.0; SIZE],
        };
        let mut is_sound = true;
        for i in 0..SIZE {
            // A row of L D.
            let mut row = [0.0; SIZE];
            let mut rest = matrix[i][i];
            for j in 0..i {
                let known: f64 = (0..j).map(|k| row[k] * this.lower[j][k]).sum();
                row[j] = matrix[i][j] - known;
                this.lower[i][j] = row[j] * this.inverse[j];
                rest -= row[j] * this.lower[i][j];
            }
            is_sound &= rest > 1e-13 * matrix[i][i];
            this.inverse[i] = 1.0 / rest;
        }
        is_sound.then_some(this)
    }

    #[inline(always)]
    fn solve(&self, right: &[Lanes; SIZE]) -> [Lanes; SIZE] {
        let mut x = *right;
        for i in 0..SIZE {
            for k in 0..i {
                let known = x[k];
                add(&mut x[i], &known, -self.lower[i][k]);
            }
        }
        for i in (0..SIZE).rev() {
            x[i] = x[i].map(|value| value * self.inverse[i]);
            for k in i + 1..SIZE {
                let known = x[k];
                add(&mut x[i], &known, -self.lower[k][i]);
            }
        }
        x
    }

    /// Element (i, i) of the inverse of the matrix.
    fn inverse_element(&self, i: usize) -> f64 {
        // Of L y = unit vector i.
        let mut y = [0.0; SIZE];
        y[i] = 1.0;
        for row in i + 1..SIZE {
            y[row] = -(i..row).map(|k| self.lower[row][k] * y[k]).sum::<f64>();
        }
        (i..SIZE).map(|k| y[k] * y[k] * self.inverse[k]).sum()
    }
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
            let ours = super::fit(
                &sequence,
                &counts,
                guess_hz / rate_hz,
                orders,
                &mut FitSpace::default(),
            )
            .unwrap();
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
                    fit(&sequence, &[true; 4], guess, 5, &mut FitSpace::default()).unwrap()
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
