//! The largest residual of a tone in the newest hop of a window: what tells a rattle or a
//! knock. Pure.

// The indices run over lanes and sizes that this file itself sets.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::ArrayView2;
use num_complex::Complex64;
use std::borrow::Cow;
use std::f64::consts::TAU;

use super::fit::contiguous;
use super::plan::ORDERS;
use crate::maths;

/// Samples worked on side by side.
const PART: usize = 16;

/// Offset, then cosine and sine of each order: what a tone is in one channel.
pub(super) type Parameters = [f64; 2 * ORDERS + 1];

/// The largest |residual| of each channel in some samples (channels × samples) of a
/// stretch that a tone of `orders` at `cycles` a sample was fitted to: those that end it,
/// behind `before` others. `parameters`: one entry a channel.
///
/// About the middle of these samples the cosines are the same on either side and the sines turn
/// their sign: both are made once for two samples.
pub(super) fn largest_residuals(
    samples: ArrayView2<f64>,
    before: usize,
    cycles: f64,
    orders: usize,
    parameters: &[Parameters],
) -> Vec<f64> {
    let count = samples.ncols();
    // From the middle of the stretch to that of these samples.
    let turn = maths::cis(TAU * cycles * 0.5 * before as f64);
    let parameters: Vec<Parameters> = parameters.iter().map(|own| turned(own, turn)).collect();
    let mut wave = Wave::new(
        TAU * cycles,
        if count.is_multiple_of(2) { 0.5 } else { 0.0 },
    );
    let rows: Vec<Cow<[f64]>> = samples.rows().into_iter().map(contiguous).collect();
    let mut largest = vec![[0.0; PART]; rows.len()];
    let half = count.div_ceil(2);
    maths::wide!({
        for start in (0..half).step_by(PART) {
            let basis = wave.next(orders);
            let used = PART.min(half - start);
            for ((row, parameters), largest) in rows.iter().zip(&parameters).zip(&mut largest) {
                let (earlier, later) = (&row[..half - start], &row[count / 2 + start..]);
                let both = match (earlier.last_chunk::<PART>(), later.first_chunk::<PART>()) {
                    (Some(earlier), Some(later)) => sizes(earlier, later, parameters, &basis),
                    _ => last_sizes(earlier, later, parameters, &basis, used),
                };
                for i in 0..PART {
                    largest[i] = if both[i] > largest[i] {
                        both[i]
                    } else {
                        largest[i]
                    };
                }
            }
        }
    });
    let peak = |largest: &[f64; PART]| largest.iter().copied().fold(0.0, f64::max);
    largest.iter().map(peak).collect()
}

/// The parameters as seen from another moment, to which the tone turns by a phasor.
fn turned(parameters: &Parameters, turn: Complex64) -> Parameters {
    let mut turned = *parameters;
    let mut power = turn;
    for pair in turned[1..].as_chunks_mut::<2>().0 {
        let [a, b] = *pair;
        *pair = [a * power.re + b * power.im, b * power.re - a * power.im];
        power *= turn;
    }
    turned
}

/// Cosine and sine of the orders of a tone, [`PART`] samples at once.
type Orders = [[[f64; PART]; 2]; ORDERS];

/// A tone, sample by sample.
struct Wave {
    re: [f64; PART],
    im: [f64; PART],
    /// Its turn over [`PART`] samples.
    stride: Complex64,
}

impl Wave {
    /// Of `theta` rad a sample, from `start` samples on.
    fn new(theta: f64, start: f64) -> Self {
        let mut turns = [maths::cis(theta * start); PART];
        let mut stride = maths::cis(theta);
        let mut known = 1;
        while known < PART {
            for i in 0..known {
                turns[known + i] = turns[i] * stride;
            }
            stride *= stride;
            known *= 2;
        }
        Self {
            re: turns.map(|turn| turn.re),
            im: turns.map(|turn| turn.im),
            stride,
        }
    }

    /// The next samples of the orders in use.
    #[inline(always)]
    fn next(&mut self, orders: usize) -> Orders {
        let mut basis = [[[0.0; PART]; 2]; ORDERS];
        basis[0] = [self.re, self.im];
        for order in 1..ORDERS {
            if order >= orders {
                break;
            }
            let [cosine, sine] = basis[order - 1];
            for i in 0..PART {
                basis[order][0][i] = cosine[i] * self.re[i] - sine[i] * self.im[i];
                basis[order][1][i] = sine[i] * self.re[i] + cosine[i] * self.im[i];
            }
        }
        for i in 0..PART {
            let (re, im) = (self.re[i], self.im[i]);
            self.re[i] = re * self.stride.re - im * self.stride.im;
            self.im[i] = im * self.stride.re + re * self.stride.im;
        }
        basis
    }
}

/// The larger |residual| of samples from the middle on and of those before it, the last of which
/// is the mirror image of the first.
#[inline(always)]
fn sizes(
    earlier: &[f64; PART],
    later: &[f64; PART],
    parameters: &Parameters,
    basis: &Orders,
) -> [f64; PART] {
    let (mut even, mut odd) = ([parameters[0]; PART], [0.0; PART]);
    for ([a, b], [cosine, sine]) in parameters[1..].as_chunks::<2>().0.iter().zip(basis) {
        for i in 0..PART {
            even[i] += a * cosine[i];
            odd[i] += b * sine[i];
        }
    }
    let mut sizes = [0.0; PART];
    for i in 0..PART {
        let after = (later[i] - (even[i] + odd[i])).abs();
        let before = (earlier[PART - 1 - i] - (even[i] - odd[i])).abs();
        sizes[i] = if before > after { before } else { after };
    }
    sizes
}

/// The same of the `used` samples that are left at either end.
#[inline(always)]
fn last_sizes(
    earlier: &[f64],
    later: &[f64],
    parameters: &Parameters,
    basis: &Orders,
    used: usize,
) -> [f64; PART] {
    let (mut before, mut after) = ([0.0; PART], [0.0; PART]);
    before[PART - used..].copy_from_slice(earlier);
    after[..used].copy_from_slice(later);
    let mut sizes = sizes(&before, &after, parameters, basis);
    sizes[used..].fill(0.0);
    sizes
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array2, s};

    /// Against the model's sum, sample by sample, at hops that do and do not fill the lanes.
    #[test]
    fn the_largest_is_that_of_the_model_itself() {
        for (hop, before, orders) in [(500, 1500, 5), (16, 48, 3), (55, 165, 1), (7, 0, 2)] {
            let cycles = 0.0123;
            let parameters: Vec<Parameters> = (0..3)
                .map(|c| std::array::from_fn(|i| 1.0 / (1 + i + 2 * c) as f64))
                .collect();
            let samples = Array2::from_shape_fn((3, before + hop), |(c, i)| {
                (0.31 * (i * (c + 1)) as f64).sin() * if i % 97 == 5 { 7.0 } else { 1.0 }
            });
            let newest = samples.slice(s![.., before..]);
            let found = largest_residuals(newest, before, cycles, orders, &parameters);
            for (c, found) in found.iter().enumerate() {
                let rests = (0..hop).map(|i| {
                    let t = (before + i) as f64 - 0.5 * ((before + hop) as f64 - 1.0);
                    let model = (1..=orders).fold(parameters[c][0], |model, order| {
                        let angle = TAU * order as f64 * cycles * t;
                        let [a, b] = [1, 0].map(|less| parameters[c][2 * order - less]);
                        model + a * angle.cos() + b * angle.sin()
                    });
                    (newest[(c, i)] - model).abs()
                });
                let right = rests.fold(0.0, f64::max);
                assert!((found - right).abs() < 1e-13, "{hop} {c}: {found} {right}");
            }
        }
    }
}
