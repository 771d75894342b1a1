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
pub(super) fn largest_residuals(
    samples: ArrayView2<f64>,
    before: usize,
    cycles: f64,
    orders: usize,
    parameters: &[Parameters],
) -> Vec<f64> {
    let middle = 0.5 * ((before + samples.ncols()) as f64 - 1.0);
    let mut wave = Wave::new(TAU * cycles, before as f64 - middle);
    let rows: Vec<Cow<[f64]>> = samples.rows().into_iter().map(contiguous).collect();
    let mut largest = vec![[0.0; PART]; rows.len()];
    maths::wide!({
        for start in (0..samples.ncols()).step_by(PART) {
            let basis = wave.next(orders);
            for ((row, parameters), largest) in rows.iter().zip(parameters).zip(&mut largest) {
                let rest = if let Some((part, _)) = row[start..].split_first_chunk::<PART>() {
                    without_wave(*part, parameters, &basis)
                } else {
                    let last = &row[start..];
                    let mut part = [0.0; PART];
                    part[..last.len()].copy_from_slice(last);
                    let mut rest = without_wave(part, parameters, &basis);
                    rest[last.len()..].fill(0.0);
                    rest
                };
                for i in 0..PART {
                    let size = rest[i].abs();
                    largest[i] = if size > largest[i] { size } else { largest[i] };
                }
            }
        }
    });
    let peak = |largest: &[f64; PART]| largest.iter().copied().fold(0.0, f64::max);
    largest.iter().map(peak).collect()
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

/// Samples less the offset and the orders.
#[inline(always)]
fn without_wave(mut part: [f64; PART], parameters: &Parameters, basis: &Orders) -> [f64; PART] {
    let ([offset], orders) = (&[parameters[0]], &parameters[1..]);
    for value in &mut part {
        *value -= offset;
    }
    for ([a, b], [cosine, sine]) in orders.as_chunks::<2>().0.iter().zip(basis) {
        for i in 0..PART {
            part[i] -= a * cosine[i];
            part[i] -= b * sine[i];
        }
    }
    part
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
