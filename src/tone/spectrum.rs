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
use std::borrow::Cow;
use std::f64::consts::{FRAC_PI_2, PI, TAU};

use crate::maths;

/// Channels worked on side by side.
pub const LANES: usize = 8;
/// Points of the interpolation.
const TAPS: usize = 16;
/// Points of the grid kept below zero and above the highest.
const MARGIN: usize = TAPS / 2 + 4;
/// Steps in which half the kernel's transform is summed: the integrand has vanished at both
/// ends, so that the sum is exact to the last digits.
const QUADRATURE: usize = 24;

/// One value of each lane.
pub type Lanes = [f64; LANES];

/// Complex values side by side.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
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
    beta: f64,
    /// exp(−2 pi i k/M).
    factors: Vec<Complex64>,
    /// One over the kernel's transform at each sample.
    weights: Vec<f64>,
    /// For each point of the grid that is kept: where the transform of even and odd samples
    /// leaves it, where it leaves its mirror image, half the turn to the middle of the hop,
    /// and that of the odd samples.
    kept: Vec<(usize, usize, Complex64, Complex64)>,
    re: Vec<Lanes>,
    im: Vec<Lanes>,
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
        let top = (highest.clamp(0.0, 0.5) * points as f64).ceil() as usize + MARGIN;
        // Even and odd samples: half as many complex points.
        let pairs = points / 2;
        let bits = pairs.trailing_zeros();
        let reversed = |i: usize| i.reverse_bits() >> (usize::BITS - bits);
        let mut this = Self {
            hop,
            points,
            beta,
            factors: (0..pairs)
                .map(|k| maths::cis(-TAU * k as f64 / pairs as f64))
                .collect(),
            weights: Vec::new(),
            kept: (0..=top + MARGIN)
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
            re: vec![[0.0; LANES]; pairs],
            im: vec![[0.0; LANES]; pairs],
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

    /// Where a frequency stands, in cycles a sample.
    #[inline(always)]
    pub fn place(&self, cycles: f64) -> GridPlace {
        let position = cycles * self.points as f64;
        let half = 0.5 * TAPS as f64;
        let first = (position - half).ceil();
        let mut place = GridPlace {
            first: (first + MARGIN as f64) as usize,
            weights: [0.0; TAPS],
            slopes: [0.0; TAPS],
        };
        // To a derivative by the angle a sample, from one by points of the grid.
        let to_angle = self.points as f64 / TAU;
        for tap in 0..TAPS {
            let z = (first + tap as f64 - position) / half;
            let root = (1.0 - z * z).max(0.0).sqrt();
            let weight = maths::exp_of_decay(self.beta * (root - 1.0));
            place.weights[tap] = weight;
            place.slopes[tap] = if root > 0.0 {
                to_angle * weight * self.beta * z / (root * half)
            } else {
                0.0
            };
        }
        place
    }

    /// Transforms the channels `first..` of a hop (channels × samples), as many as
    /// there are lanes.
    pub fn transform(&mut self, samples: ArrayView2<f64>, first: usize, out: &mut HopSpectrum) {
        out.values.resize(self.kept.len(), ComplexLanes::default());
        let rows = samples.rows().into_iter().skip(first).take(LANES);
        let rows: Vec<Cow<[f64]>> = rows.map(super::fit::contiguous).collect();
        maths::wide!({
            self.load(&rows, out);
            self.butterflies();
            self.untangle(out);
        });
    }

    /// The sums of all samples out of those of the even and of the odd ones.
    #[inline(always)]
    fn untangle(&self, out: &mut HopSpectrum) {
        for (value, (at, mirror, turn, odd)) in out.values.iter_mut().zip(&self.kept) {
            let (a, b) = (self.re[*at], self.im[*at]);
            let (c, d) = (self.re[*mirror], self.im[*mirror]);
            // The sums of the even samples and of the odd ones, each doubled.
            let (even_re, even_im) = product(plus(a, c), minus(b, d), *turn);
            let (odd_re, odd_im) = product(plus(b, d), minus(c, a), *odd);
            value.re = plus(even_re, odd_re);
            value.im = plus(even_im, odd_im);
        }
    }

    /// The samples less their means, weighted, into the lanes.
    #[inline(always)]
    fn load(&mut self, rows: &[Cow<[f64]>], out: &mut HopSpectrum) {
        // The first stage reads half of the points at most.
        let read = self.points / 4;
        let (re, im) = (&mut self.re[..read], &mut self.im[..read]);
        re.fill([0.0; LANES]);
        im.fill([0.0; LANES]);
        out.means = [0.0; LANES];
        out.squares = [0.0; LANES];
        for (lane, row) in rows.iter().enumerate().take(LANES) {
            let mean = sum_of(row, |x| x) / self.hop.max(1) as f64;
            out.means[lane] = mean;
            out.squares[lane] = sum_of(row, |x| (x - mean) * (x - mean));
            let (pairs, last) = row.as_chunks::<2>();
            let (weights, _) = self.weights.as_chunks::<2>();
            let weighted = pairs.iter().zip(weights);
            for ((re, im), ([even, odd], [a, b])) in re.iter_mut().zip(&mut *im).zip(weighted) {
                re[lane] = (even - mean) * a;
                im[lane] = (odd - mean) * b;
            }
            if let (Some(last), Some(weight)) = (last.first(), self.weights.get(2 * pairs.len())) {
                re[pairs.len()][lane] = (last - mean) * weight;
            }
        }
    }

    /// Decimation in frequency, radix 4, in place; the last stage radix 2 where the
    /// number of points is no power of four. What comes out stands in bit-reversed
    /// order.
    #[inline(always)]
    fn butterflies(&mut self) {
        let (re, im) = (&mut self.re[..], &mut self.im[..]);
        let points = re.len();
        // The upper half of what goes in is zero.
        first_stage(re, im, &self.factors);
        let mut length = points / 4;
        while length >= 4 {
            let stride = points / length;
            for (re, im) in re.chunks_exact_mut(length).zip(im.chunks_exact_mut(length)) {
                stage(re, im, &self.factors, stride);
            }
            length /= 4;
        }
        if length == 2 {
            for (re, im) in re.chunks_exact_mut(2).zip(im.chunks_exact_mut(2)) {
                for values in [re, im] {
                    let (a, b) = (values[0], values[1]);
                    for lane in 0..LANES {
                        values[0][lane] = a[lane] + b[lane];
                        values[1][lane] = a[lane] - b[lane];
                    }
                }
            }
        }
    }
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

/// Σ f(x), in lanes that the compiler may put into wide registers: the order is fixed.
#[inline(always)]
pub(super) fn sum_of(row: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    let mut lanes = [0.0; LANES];
    let (eights, rest) = row.as_chunks::<LANES>();
    for eight in eights {
        for lane in 0..LANES {
            lanes[lane] += f(eight[lane]);
        }
    }
    lanes.iter().sum::<f64>() + rest.iter().map(|x| f(*x)).sum::<f64>()
}

type Values<'a> = &'a mut [Lanes];

#[inline(always)]
fn quarters(values: Values) -> [Values; 4] {
    let quarter = values.len() / 4;
    let (low, high) = values.split_at_mut(2 * quarter);
    let (a, b) = low.split_at_mut(quarter);
    let (c, d) = high.split_at_mut(quarter);
    [a, b, c, d]
}

#[inline(always)]
fn plus(a: Lanes, b: Lanes) -> Lanes {
    std::array::from_fn(|lane| a[lane] + b[lane])
}

#[inline(always)]
fn minus(a: Lanes, b: Lanes) -> Lanes {
    std::array::from_fn(|lane| a[lane] - b[lane])
}

#[inline(always)]
fn product(re: Lanes, im: Lanes, factor: Complex64) -> (Lanes, Lanes) {
    (
        std::array::from_fn(|lane| re[lane] * factor.re - im[lane] * factor.im),
        std::array::from_fn(|lane| re[lane] * factor.im + im[lane] * factor.re),
    )
}

/// The factors of butterfly `j`, once, twice and three times its angle.
#[inline(always)]
fn factors_of(factors: &[Complex64], stride: usize) -> impl Iterator<Item = [Complex64; 3]> {
    let multiple = |times: usize| factors.iter().step_by((times * stride).max(1)).copied();
    multiple(1)
        .zip(multiple(2))
        .zip(multiple(3))
        .map(|((a, b), c)| [a, b, c])
}

/// The first stage, whose upper half is zero.
#[inline(always)]
fn first_stage(re: Values, im: Values, factors: &[Complex64]) {
    let [re0, re1, re2, re3] = quarters(re);
    let [im0, im1, im2, im3] = quarters(im);
    let real = re0.iter_mut().zip(re1).zip(re2).zip(re3);
    let imaginary = im0.iter_mut().zip(im1).zip(im2).zip(im3);
    for ((real, imaginary), [w1, w2, w3]) in real.zip(imaginary).zip(factors_of(factors, 1)) {
        let (((re0, re1), re2), re3) = real;
        let (((im0, im1), im2), im3) = imaginary;
        let (a, b, c, d) = (*re0, *im0, *re1, *im1);
        (*re0, *im0) = (plus(a, c), plus(b, d));
        (*re1, *im1) = product(minus(a, c), minus(b, d), w2);
        (*re2, *im2) = product(plus(a, d), minus(b, c), w1);
        (*re3, *im3) = product(minus(a, d), plus(b, c), w3);
    }
}

#[inline(always)]
fn stage(re: Values, im: Values, factors: &[Complex64], stride: usize) {
    let [re0, re1, re2, re3] = quarters(re);
    let [im0, im1, im2, im3] = quarters(im);
    let real = re0.iter_mut().zip(re1).zip(re2).zip(re3);
    let imaginary = im0.iter_mut().zip(im1).zip(im2).zip(im3);
    for ((real, imaginary), [w1, w2, w3]) in real.zip(imaginary).zip(factors_of(factors, stride)) {
        let (((re0, re1), re2), re3) = real;
        let (((im0, im1), im2), im3) = imaginary;
        let (a, b) = (plus(*re0, *re2), plus(*im0, *im2));
        let (c, d) = (minus(*re0, *re2), minus(*im0, *im2));
        let (e, f) = (plus(*re1, *re3), plus(*im1, *im3));
        let (g, h) = (minus(*re1, *re3), minus(*im1, *im3));
        (*re0, *im0) = (plus(a, e), plus(b, f));
        (*re1, *im1) = product(minus(a, e), minus(b, f), w2);
        (*re2, *im2) = product(plus(c, h), minus(d, g), w1);
        (*re3, *im3) = product(minus(c, h), plus(d, g), w3);
    }
}

impl HopSpectrum {
    /// Σ (x − mean) exp(−i ω t), t from the hop's middle.
    #[inline(always)]
    pub fn value(&self, place: &GridPlace) -> ComplexLanes {
        self.weighted(place.first, &place.weights)
    }

    /// The same, and Σ t (x − mean) exp(−i ω t).
    #[inline(always)]
    pub fn value_and_moment(&self, place: &GridPlace) -> (ComplexLanes, ComplexLanes) {
        let slope = self.weighted(place.first, &place.slopes);
        let moment = ComplexLanes {
            re: slope.im.map(|x| -x),
            im: slope.re,
        };
        (self.weighted(place.first, &place.weights), moment)
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
