//! The spectrum of one hop, made once: from it come the sums at any frequency
//! that search, window fit and hold fit ask for. Pure.
//!
//! # How
//! A hop of H samples is known by its Fourier sums on a grid of M ≥ 2 H points; what
//! lies between is interpolated by a kernel K of `TAPS` points,
//! `Σ_m K(m − p) G_m`. The samples are divided by the kernel's transform before
//! theirs (a type 2 non-uniform transform). The kernel is the exponential of a
//! semicircle, `exp(β (√(1 − z²) − 1))`, β = 0.97 π (1 − H/2M) · TAPS (Barnett,
//! Magland and af Klinteberg 2019, SIAM J. Sci. Comput. 41, C479; from memory). With 16
//! points what it leaves out is a few parts in 1e15 of the largest sum that the hop's samples could make.
//!
//! # Reference
//! Time is counted from the hop's middle, and the hop's mean is taken off first
//! and kept beside, so that an offset costs no digits.
//!
//! # The same bits on every machine
//! The transform is our own: radix 4 in a fixed order, factors from [`maths`],
//! eight channels side by side. Each has a lane of its own (its even and its odd samples are
//! the real and the imaginary part), so that no channel's rounding is in another's sums.

// The indices run over sizes set at construction.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::ArrayView2;
use num_complex::Complex64;
use pulp::Simd;
use std::borrow::Cow;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

use super::registers::{Register, beside, minus, plus, product, splat};
use crate::maths;

/// Channels worked on side by side.
pub const LANES: usize = 8;
/// Points of the interpolation.
pub const TAPS: usize = 16;
/// Points of the grid kept below zero and above the highest.
const MARGIN: usize = TAPS / 2 + 4;
/// Coefficients of the polynomials by which the kernel is evaluated: over the width of a point it
/// is so smooth that they leave out no more than its own rounding.
const COEFFICIENTS: usize = 14;
/// Steps in which half the kernel's transform is summed: the integrand has vanished at both
/// ends, so that the sum is exact to the last digits.
const QUADRATURE: usize = 24;

/// One value of each lane.
pub type Lanes = [f64; LANES];

/// The lanes of one place of a transform, in one line of the cache.
#[derive(Debug, Clone, Copy, Default)]
#[repr(align(64))]
struct Row(Lanes);

/// Complex values side by side, each part in one line of the cache.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
#[repr(align(64))]
pub struct ComplexLanes {
    /// Real parts.
    pub re: Lanes,
    /// Imaginary parts.
    pub im: Lanes,
}

impl ComplexLanes {
    /// Adds others, turned by a phasor.
    #[inline(always)]
    pub fn add_turned(&mut self, values: &Self, turn: Complex64) {
        for lane in 0..LANES {
            self.re[lane] += turn.re * values.re[lane] - turn.im * values.im[lane];
            self.im[lane] += turn.re * values.im[lane] + turn.im * values.re[lane];
        }
    }
}

/// The transform of hops of one length.
#[derive(Debug, Clone)]
pub struct HopTransform {
    hop: usize,
    points: usize,
    /// What each point about a frequency counts, and the slope of it along the angle a sample:
    /// coefficients of polynomials, the highest first.
    kernel: Vec<[[f64; TAPS]; 2]>,
    /// The factors of each stage's butterflies, the longest stage first.
    factors: Vec<Vec<[Complex64; 3]>>,
    /// One over the kernel's transform at each sample.
    weights: Vec<f64>,
    /// For each point of the grid that is kept: where the transform of even and odd samples
    /// leaves it, where it leaves its mirror image, half the turn to the middle of the hop,
    /// and that of the odd samples.
    kept: Vec<(usize, usize, Complex64, Complex64)>,
    re: Vec<Row>,
    im: Vec<Row>,
    /// Lanes that are not zero.
    lanes: usize,
}

/// The spectrum of one hop of up to [`LANES`] channels.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HopSpectrum {
    values: Vec<ComplexLanes>,
    /// Mean of each channel, which `values` do not hold.
    pub means: Lanes,
    /// Σ (x − mean)².
    pub squares: Lanes,
}

/// Where between the points of the grid a frequency stands, and what each of the points
/// about it counts.
#[derive(Debug, Clone)]
pub struct GridPlace {
    first: usize,
    weights: [f64; TAPS],
    slopes: [f64; TAPS],
}

impl HopTransform {
    /// For hops of `hop` samples, up to `highest` cycles a sample.
    pub fn new(hop: usize, highest: f64) -> Self {
        let points = (2 * hop.max(8)).next_power_of_two();
        let beta = 0.97 * PI * (1.0 - 0.5 * hop as f64 / points as f64) * TAPS as f64;
        let middle = 0.5 * (hop as f64 - 1.0);
        // Even and odd samples: half as many complex points.
        let pairs = points / 2;
        let bits = pairs.trailing_zeros();
        let reversed = |i: usize| i.reverse_bits() >> (usize::BITS - bits);
        let mut this = Self {
            hop,
            points,
            kernel: kernel_polynomials(beta, points),
            factors: stage_factors(pairs),
            weights: Vec::new(),
            kept: (0..kept_points(highest, points))
                .map(|i| {
                    let bin = i as f64 - MARGIN as f64;
                    // Modulo the number of pairs, a power of two.
                    let at = i.wrapping_sub(MARGIN) & (pairs - 1);
                    let mirror = pairs.wrapping_sub(at) & (pairs - 1);
                    let turn = maths::cis(TAU * bin * middle / points as f64) * 0.5;
                    let odd = maths::cis(-TAU * bin / points as f64) * turn;
                    (reversed(at), reversed(mirror), turn, odd)
                })
                .collect(),
            re: vec![Row::default(); pairs],
            im: vec![Row::default(); pairs],
            lanes: 0,
        };
        let nodes = kernel_nodes(beta);
        // The kernel is even: so is its transform.
        let later: Vec<f64> = (hop / 2..hop)
            .map(|n| kernel_transform(&nodes, (n as f64 - middle) / points as f64).recip())
            .collect();
        let earlier = later.iter().rev().take(hop / 2).copied();
        this.weights = earlier.chain(later.iter().copied()).collect();
        this
    }

    /// Samples of a hop.
    pub fn hop(&self) -> usize {
        self.hop
    }

    /// Bytes that the spectrum of a hop of up to [`LANES`] channels takes.
    pub fn spectrum_bytes(&self) -> usize {
        self.kept.len() * size_of::<ComplexLanes>()
    }

    /// Whether a spectrum is one of its own, and goes up to `highest` cycles a sample.
    pub fn reaches(&self, spectrum: &HopSpectrum, highest: f64) -> bool {
        spectrum.values.len() >= kept_points(highest, self.points).min(self.kept.len())
    }

    /// Where a frequency stands, in cycles a sample.
    #[inline(always)]
    pub fn place(&self, cycles: f64) -> GridPlace {
        let position = cycles * self.points as f64;
        let from = position - 0.5 * TAPS as f64;
        let first = from.ceil();
        // −1…1 as the first point stands nearer or farther.
        let x = 2.0 * (first - from) - 1.0;
        let (mut weights, mut slopes) = ([0.0; TAPS], [0.0; TAPS]);
        for [weight, slope] in &self.kernel {
            for tap in 0..TAPS {
                weights[tap] = weights[tap] * x + weight[tap];
                slopes[tap] = slopes[tap] * x + slope[tap];
            }
        }
        GridPlace {
            first: (first + MARGIN as f64) as usize,
            weights,
            slopes,
        }
    }

    /// Transforms the channels `first..` of a hop (channels × samples), as many as
    /// there are lanes.
    pub fn transform(&mut self, samples: ArrayView2<f64>, first: usize, out: &mut HopSpectrum) {
        self.transform_up_to(0.5, samples, first, out);
    }

    /// The same up to `highest` cycles a sample, if it goes as far.
    pub fn transform_up_to(
        &mut self,
        highest: f64,
        samples: ArrayView2<f64>,
        first: usize,
        out: &mut HopSpectrum,
    ) {
        let kept = kept_points(highest, self.points).min(self.kept.len());
        out.values.resize(kept, ComplexLanes::default());
        let rows = samples.rows().into_iter().skip(first).take(LANES);
        let rows: Vec<Cow<[f64]>> = rows.map(super::fit::contiguous).collect();
        self.load(&rows, out);
        pulp::Arch::new().dispatch(Transform { of: self, out });
    }

    /// The samples less their means, weighted, into the lanes.
    fn load(&mut self, rows: &[Cow<[f64]>], out: &mut HopSpectrum) {
        // The first stage reads half of the points at most.
        let read = self.points / 4;
        let (re, im) = (&mut self.re[..read], &mut self.im[..read]);
        // What the last hop left stands in its lanes, to be written over, and behind the samples.
        let keep = if rows.len() < self.lanes {
            0
        } else {
            self.hop / 2
        };
        re[keep..].fill(Row::default());
        im[keep..].fill(Row::default());
        self.lanes = rows.len();
        out.means = [0.0; LANES];
        out.squares = [0.0; LANES];
        for (lane, row) in rows.iter().enumerate().take(LANES) {
            let (mean, squares) = maths::wide!({
                let mean = mean(row);
                (mean, maths::sum_of(row, |x| (x - mean) * (x - mean)))
            });
            out.means[lane] = mean;
            out.squares[lane] = squares;
            let (pairs, last) = row.as_chunks::<2>();
            let (weights, _) = self.weights.as_chunks::<2>();
            let weighted = pairs.iter().zip(weights);
            // Not for wide registers: these would be scattered over the lines, value by value.
            for ((re, im), ([even, odd], [a, b])) in re.iter_mut().zip(&mut *im).zip(weighted) {
                re.0[lane] = (even - mean) * a;
                im.0[lane] = (odd - mean) * b;
            }
            if let (Some(last), Some(weight)) = (last.first(), self.weights.get(2 * pairs.len())) {
                re[pairs.len()].0[lane] = (last - mean) * weight;
            }
        }
    }
}

/// From the loaded samples to the spectrum, by the registers that the processor has: left to the
/// compiler, the eight lanes are gathered and shuffled at twice the cost.
struct Transform<'a> {
    of: &'a mut HopTransform,
    out: &'a mut HopSpectrum,
}

impl pulp::WithSimd for Transform<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { of, out } = self;
        butterflies(simd, &of.factors, &mut of.re, &mut of.im);
        untangle(simd, &of.kept, &of.re, &of.im, &mut out.values);
    }
}

/// Decimation in frequency, radix 4, in place; the last stage radix 2 where the
/// number of points is no power of four. What comes out stands in bit-reversed
/// order.
#[inline(always)]
fn butterflies<S: Simd>(simd: S, factors: &[Vec<[Complex64; 3]>], re: &mut [Row], im: &mut [Row]) {
    let Some((first, later)) = factors.split_first() else {
        return;
    };
    // The upper half of what goes in is zero.
    first_stage(simd, re, im, first);
    // Each quarter to its end before the next: it stays in the first-level cache.
    let quarter = re.len() / 4;
    for (re, im) in re
        .chunks_exact_mut(quarter)
        .zip(im.chunks_exact_mut(quarter))
    {
        for factors in later {
            let length = 4 * factors.len();
            for (re, im) in re.chunks_exact_mut(length).zip(im.chunks_exact_mut(length)) {
                stage(simd, re, im, factors);
            }
        }
        let length = later.iter().fold(quarter, |length, _| length / 4);
        if length == 2 {
            last_stage(simd, re);
            last_stage(simd, im);
        }
    }
}

/// Mean of one channel of a hop.
#[inline(always)]
pub fn mean(samples: &[f64]) -> f64 {
    maths::sum_of(samples, |x| x) / samples.len().max(1) as f64
}

/// Points of the grid that frequencies up to `highest` cycles a sample are read from.
fn kept_points(highest: f64, points: usize) -> usize {
    (highest.clamp(0.0, 0.5) * points as f64).ceil() as usize + 2 * MARGIN + 1
}

/// Butterfly `j` of a stage turns by once, twice and three times its angle; the stages are each
/// a quarter as long as the one before.
fn stage_factors(points: usize) -> Vec<Vec<[Complex64; 3]>> {
    let lengths = std::iter::successors(Some(points), |length| Some(length / 4));
    lengths
        .take_while(|length| *length >= 4)
        .map(|length| {
            let turn = |j: usize| maths::cis(-TAU * j as f64 / length as f64);
            (0..length / 4)
                .map(|j| [1, 2, 3].map(|times| turn(times * j)))
                .collect()
        })
        .collect()
}

/// The kernel at each point about a frequency and its slope along the angle a sample, over
/// x = −1…1 as the first point stands 0…1 behind the kernel's edge: by Chebyshev's points and
/// polynomials, as powers of x.
fn kernel_polynomials(beta: f64, points: usize) -> Vec<[[f64; TAPS]; 2]> {
    let half = 0.5 * TAPS as f64;
    // To a derivative by the angle a sample, from one by points of the grid.
    let to_angle = points as f64 / TAU;
    let cosine =
        |i: usize, k: usize| maths::cos(PI * k as f64 * (i as f64 + 0.5) / COEFFICIENTS as f64);
    let values: [[[f64; TAPS]; 2]; COEFFICIENTS] = std::array::from_fn(|i| {
        let lead = 0.5 * (cosine(i, 1) + 1.0);
        let (mut weights, mut slopes) = ([0.0; TAPS], [0.0; TAPS]);
        for tap in 0..TAPS {
            let z = (lead + tap as f64) / half - 1.0;
            let root = (1.0 - z * z).max(0.0).sqrt();
            weights[tap] = maths::exp(beta * (root - 1.0));
            slopes[tap] = to_angle * weights[tap] * beta * z / (root * half);
        }
        [weights, slopes]
    });
    // Chebyshev's polynomials by powers of x: T(k + 1) = 2 x T(k) − T(k − 1).
    let mut last = [0.0; COEFFICIENTS];
    let mut chebyshev = [0.0; COEFFICIENTS];
    (last[1], chebyshev[0]) = (1.0, 1.0);
    let mut kernel = vec![[[0.0; TAPS]; 2]; COEFFICIENTS];
    for k in 0..COEFFICIENTS {
        let scale = if k == 0 { 1.0 } else { 2.0 } / COEFFICIENTS as f64;
        for kind in 0..2 {
            for tap in 0..TAPS {
                let along = (0..COEFFICIENTS).map(|i| values[i][kind][tap] * cosine(i, k));
                let coefficient = scale * along.sum::<f64>();
                for (power, part) in chebyshev.iter().enumerate() {
                    kernel[COEFFICIENTS - 1 - power][kind][tap] += coefficient * part;
                }
            }
        }
        let mut next = last.map(|x| -x);
        for power in 1..COEFFICIENTS {
            next[power] += 2.0 * chebyshev[power - 1];
        }
        // The one before the first is T(−1) = x.
        (last, chebyshev) = (chebyshev, next);
    }
    kernel
}

/// ∫ K(u) exp(2 pi i u t/M) du over the kernel, u in points: with u = ½ TAPS sin θ the
/// integrand is smooth and vanishes at both ends. Gives u and what it counts, for θ ≥ 0.
fn kernel_nodes(beta: f64) -> Vec<(f64, f64)> {
    let half = 0.5 * TAPS as f64;
    let step = FRAC_PI_2 / QUADRATURE as f64;
    (0..QUADRATURE)
        .map(|i| {
            let (sine, cosine) = maths::sin_cos(i as f64 * step);
            let both_sides = if i == 0 { 1.0 } else { 2.0 };
            let weight = maths::exp(beta * (cosine - 1.0)) * cosine;
            (half * sine, both_sides * half * step * weight)
        })
        .collect()
}

/// At t/M = `turns` a point.
fn kernel_transform(nodes: &[(f64, f64)], turns: f64) -> f64 {
    nodes
        .iter()
        .map(|(u, weight)| weight * maths::cos(TAU * turns * u))
        .sum()
}

/// The quarters of some rows.
#[inline(always)]
fn quarters(rows: &mut [Row], quarter: usize) -> [&mut [Row]; 4] {
    let (low, high) = rows[..4 * quarter].split_at_mut(2 * quarter);
    let (a, b) = low.split_at_mut(quarter);
    let (c, d) = high.split_at_mut(quarter);
    [a, b, c, d]
}

/// A register of a row's real and one of its imaginary parts.
#[inline(always)]
fn get<S: Simd>((re, im): (&Row, &Row), part: usize) -> Register<S> {
    (
        S::as_simd_f64s(&re.0).0[part],
        S::as_simd_f64s(&im.0).0[part],
    )
}

#[inline(always)]
fn set<S: Simd>((re, im): (&mut Row, &mut Row), part: usize, value: Register<S>) {
    S::as_mut_simd_f64s(&mut re.0).0[part] = value.0;
    S::as_mut_simd_f64s(&mut im.0).0[part] = value.1;
}

/// The first stage, whose upper half is zero.
#[inline(always)]
fn first_stage<S: Simd>(simd: S, re: &mut [Row], im: &mut [Row], factors: &[[Complex64; 3]]) {
    let [re0, re1, re2, re3] = quarters(re, factors.len());
    let [im0, im1, im2, im3] = quarters(im, factors.len());
    for (j, turns) in factors.iter().enumerate() {
        let [w1, w2, w3] = turns.map(|turn| splat(simd, turn));
        for part in 0..LANES / S::F64_LANES {
            let a = get::<S>((&re0[j], &im0[j]), part);
            let b = get::<S>((&re1[j], &im1[j]), part);
            let [ahead, behind] = beside(simd, a, b);
            set::<S>((&mut re0[j], &mut im0[j]), part, plus(simd, a, b));
            let odd = product(simd, minus(simd, a, b), w2);
            set::<S>((&mut re1[j], &mut im1[j]), part, odd);
            set::<S>((&mut re2[j], &mut im2[j]), part, product(simd, behind, w1));
            set::<S>((&mut re3[j], &mut im3[j]), part, product(simd, ahead, w3));
        }
    }
}

#[inline(always)]
fn stage<S: Simd>(simd: S, re: &mut [Row], im: &mut [Row], factors: &[[Complex64; 3]]) {
    let [re0, re1, re2, re3] = quarters(re, factors.len());
    let [im0, im1, im2, im3] = quarters(im, factors.len());
    for (j, turns) in factors.iter().enumerate() {
        let [w1, w2, w3] = turns.map(|turn| splat(simd, turn));
        for part in 0..LANES / S::F64_LANES {
            let a = get::<S>((&re0[j], &im0[j]), part);
            let b = get::<S>((&re1[j], &im1[j]), part);
            let c = get::<S>((&re2[j], &im2[j]), part);
            let d = get::<S>((&re3[j], &im3[j]), part);
            let (even, odd) = (plus(simd, a, c), plus(simd, b, d));
            let [ahead, behind] = beside(simd, minus(simd, a, c), minus(simd, b, d));
            set::<S>((&mut re0[j], &mut im0[j]), part, plus(simd, even, odd));
            let half = product(simd, minus(simd, even, odd), w2);
            set::<S>((&mut re1[j], &mut im1[j]), part, half);
            set::<S>((&mut re2[j], &mut im2[j]), part, product(simd, behind, w1));
            set::<S>((&mut re3[j], &mut im3[j]), part, product(simd, ahead, w3));
        }
    }
}

/// Radix 2.
#[inline(always)]
fn last_stage<S: Simd>(simd: S, rows: &mut [Row]) {
    for [first, second] in rows.as_chunks_mut::<2>().0 {
        let (first, _) = S::as_mut_simd_f64s(&mut first.0);
        let (second, _) = S::as_mut_simd_f64s(&mut second.0);
        for (first, second) in first.iter_mut().zip(second) {
            (*first, *second) = (
                simd.add_f64s(*first, *second),
                simd.sub_f64s(*first, *second),
            );
        }
    }
}

/// The sums of all samples out of those of the even and of the odd ones. A point and its mirror image about a quarter of
/// the sampling rate are made of the same two.
#[inline(always)]
fn untangle<S: Simd>(
    simd: S,
    kept: &[(usize, usize, Complex64, Complex64)],
    re: &[Row],
    im: &[Row],
    out: &mut [ComplexLanes],
) {
    let last = re.len() + 2 * MARGIN;
    let (lower, upper) = out.split_at_mut(out.len().min(last / 2 + 1));
    let begin = lower.len();
    for (i, value) in lower.iter_mut().enumerate() {
        let (at, mirror, turn, odd) = &kept[i];
        let image = (last - i).checked_sub(begin);
        let image = image.and_then(|image| Some((upper.get_mut(image)?, &kept[last - i])));
        let [a, b, c, d] = [&re[*at], &im[*at], &re[*mirror], &im[*mirror]]
            .map(|lanes| S::as_simd_f64s(&lanes.0).0);
        let (turn, odd) = (splat(simd, *turn), splat(simd, *odd));
        let (re, _) = S::as_mut_simd_f64s(&mut value.re);
        let (im, _) = S::as_mut_simd_f64s(&mut value.im);
        // The sums of the even samples and of the odd ones, each doubled; of the image their conjugates.
        for part in 0..LANES / S::F64_LANES {
            let (a, b, c, d) = (a[part], b[part], c[part], d[part]);
            let even = (simd.add_f64s(a, c), simd.sub_f64s(b, d));
            let other = (simd.add_f64s(b, d), simd.sub_f64s(c, a));
            let both = plus(simd, product(simd, even, turn), product(simd, other, odd));
            (re[part], im[part]) = both;
        }
        let Some((value, (_, _, turn, odd))) = image else {
            continue;
        };
        let (turn, odd) = (splat(simd, *turn), splat(simd, *odd));
        let (re, _) = S::as_mut_simd_f64s(&mut value.re);
        let (im, _) = S::as_mut_simd_f64s(&mut value.im);
        for part in 0..LANES / S::F64_LANES {
            let (a, b, c, d) = (a[part], b[part], c[part], d[part]);
            let even = (simd.add_f64s(a, c), simd.sub_f64s(d, b));
            let other = (simd.add_f64s(b, d), simd.sub_f64s(a, c));
            let both = plus(simd, product(simd, even, turn), product(simd, other, odd));
            (re[part], im[part]) = both;
        }
    }
}

impl GridPlace {
    /// The first of the points about it, and what each counts.
    #[inline(always)]
    pub fn taps(&self) -> (usize, &[f64; TAPS]) {
        (self.first, &self.weights)
    }
}

impl HopSpectrum {
    /// The sums at the points of the grid.
    #[inline(always)]
    pub fn points(&self) -> &[ComplexLanes] {
        &self.values
    }

    /// Σ (x − mean) exp(−i ω t), t from the hop's middle.
    #[inline(always)]
    pub fn value(&self, place: &GridPlace) -> ComplexLanes {
        self.weighted(place.first, &place.weights)
    }

    /// The same, and Σ t (x − mean) exp(−i ω t).
    #[inline(always)]
    pub fn value_and_moment(&self, place: &GridPlace) -> (ComplexLanes, ComplexLanes) {
        let (mut value, mut moment) = (ComplexLanes::default(), ComplexLanes::default());
        let values = self.values.get(place.first..).unwrap_or_default();
        for ((weight, slope), at) in place.weights.iter().zip(&place.slopes).zip(values) {
            for lane in 0..LANES {
                value.re[lane] += weight * at.re[lane];
                value.im[lane] += weight * at.im[lane];
                moment.re[lane] -= slope * at.im[lane];
                moment.im[lane] += slope * at.re[lane];
            }
        }
        (value, moment)
    }

    #[inline(always)]
    fn weighted(&self, first: usize, weights: &[f64; TAPS]) -> ComplexLanes {
        let mut sum = ComplexLanes::default();
        let values = self.values.get(first..).unwrap_or_default();
        for (weight, value) in weights.iter().zip(values) {
            for lane in 0..LANES {
                sum.re[lane] += weight * value.re[lane];
                sum.im[lane] += weight * value.im[lane];
            }
        }
        sum
    }

    /// [`Self::value`], in registers.
    #[inline(always)]
    pub(super) fn value_in<S: Simd>(&self, simd: S, place: &GridPlace, into: &mut ComplexLanes) {
        let values = self.values.get(place.first..).unwrap_or_default();
        let values = values.get(..TAPS).unwrap_or_default();
        let ComplexLanes { re, im } = into;
        let (re, _) = S::as_mut_simd_f64s(re);
        let (im, _) = S::as_mut_simd_f64s(im);
        for part in 0..LANES / S::F64_LANES {
            let (mut x, mut y) = (simd.splat_f64s(0.0), simd.splat_f64s(0.0));
            for (weight, value) in place.weights.iter().zip(values) {
                let weight = simd.splat_f64s(*weight);
                let re = S::as_simd_f64s(&value.re).0[part];
                let im = S::as_simd_f64s(&value.im).0[part];
                x = simd.add_f64s(x, simd.mul_f64s(weight, re));
                y = simd.add_f64s(y, simd.mul_f64s(weight, im));
            }
            (re[part], im[part]) = (x, y);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// Every frequency of the band against the sum itself, for hops of any length.
    #[test]
    fn sums_at_any_frequency_are_those_of_the_samples() {
        for (hop, channels) in [(1, 1), (7, 2), (55, 5), (500, 8), (459, 3), (512, 5)] {
            let samples = Array2::from_shape_fn((channels, hop), |(c, i)| {
                let t = i as f64;
                1e3 + (0.1 * t * (c + 1) as f64).cos() + 0.3 * (1.7 * t + c as f64).sin()
            });
            let mut transform = HopTransform::new(hop, 0.5);
            let mut spectrum = HopSpectrum::default();
            // What an earlier hop left must not matter.
            transform.transform(samples.map(|x| x * x).view(), 0, &mut spectrum);
            transform.transform(samples.view(), 0, &mut spectrum);
            let mut worst = [0.0_f64; 2];
            for step in 0..=292 {
                // Whole turns can be left out exactly.
                let cycles = 7.0 * f64::from(step) / 4096.0;
                let place = transform.place(cycles);
                let (value, moment) = spectrum.value_and_moment(&place);
                for c in 0..channels {
                    let mean = spectrum.means[c];
                    assert!((mean - samples.row(c).sum() / hop as f64).abs() < 1e-11);
                    let size = (spectrum.squares[c] * hop as f64).sqrt().max(1e-9);
                    let (mut direct, mut by_time) = (Complex64::ZERO, Complex64::ZERO);
                    for (i, x) in samples.row(c).iter().enumerate() {
                        let t = i as f64 - 0.5 * (hop as f64 - 1.0);
                        let turn = -TAU * (cycles * t).fract();
                        let term = Complex64::from_polar(1.0, turn) * (x - mean);
                        direct += term;
                        by_time += term * t;
                    }
                    let value = Complex64::new(value.re[c], value.im[c]);
                    let moment = Complex64::new(moment.re[c], moment.im[c]);
                    worst[0] = worst[0].max((value - direct).norm() / size);
                    worst[1] = worst[1].max((moment - by_time).norm() / size / hop as f64);
                }
            }
            println!("{hop}: {worst:?}");
            assert!(worst[0] < 5e-14 && worst[1] < 5e-14, "{hop}: {worst:?}");
        }
    }

    /// A gauge's last digits have nothing to do with the force beside it, nor does a value
    /// that is missing there.
    #[test]
    fn no_channel_shows_in_another() {
        let samples = Array2::from_shape_fn((8, 55), |(c, i)| (0.3 * (i * (c + 2)) as f64).cos());
        let mut transform = HopTransform::new(55, 0.5);
        let (mut all, mut one) = (HopSpectrum::default(), HopSpectrum::default());
        transform.transform(samples.view(), 0, &mut all);
        for changed in 0..8 {
            let mut other = samples.clone();
            other.row_mut(changed).mapv_inplace(|x| 1e6 * x + 3.0);
            transform.transform(other.view(), 0, &mut one);
            for (a, b) in all.values.iter().zip(&one.values) {
                for lane in (0..8).filter(|lane| *lane != changed) {
                    assert_eq!(a.re[lane].to_bits(), b.re[lane].to_bits());
                    assert_eq!(a.im[lane].to_bits(), b.im[lane].to_bits());
                }
            }
        }
    }

    #[test]
    fn the_transform_is_that_of_rustfft() {
        let hop = 500;
        let samples = Array2::from_shape_fn((8, hop), |(c, i)| {
            ((i * i * (c + 3)) % 1013) as f64 / 500.0 - 1.0
        });
        let mut transform = HopTransform::new(hop, 0.5);
        let mut spectrum = HopSpectrum::default();
        transform.transform(samples.view(), 0, &mut spectrum);
        let points = transform.points;
        let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(points);
        for c in 0..8 {
            let mut input = vec![0.0; points];
            for n in 0..hop {
                input[n] = (samples[(c, n)] - spectrum.means[c]) * transform.weights[n];
            }
            let mut output = fft.make_output_vec();
            let size = input.iter().map(|x| x * x).sum::<f64>().sqrt();
            fft.process(&mut input, &mut output).unwrap();
            for (bin, right) in output.iter().enumerate() {
                let angle = TAU * bin as f64 * 0.5 * (hop as f64 - 1.0) / points as f64;
                let right = right * Complex64::from_polar(1.0, angle);
                let ours = &spectrum.values[bin + MARGIN];
                let error = Complex64::new(ours.re[c], ours.im[c]) - right;
                assert!(
                    error.norm() < 2e-14 * size,
                    "channel {c}, bin {bin}: {error}"
                );
            }
        }
    }
}
