//! The discrete Fourier transform of eight channels side by side, of any length that small
//! factors make: that over the hops of a hold. Pure.
//!
//! Stockham's form: each stage reads one memory and writes another, so that nothing has to be
//! put in order at the end. Own arithmetic in a fixed order, so that it is the same bits on every
//! machine.

// The indices run over sizes set at construction.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use pulp::Simd;
use std::f64::consts::TAU;

use super::registers::{Register, beside, minus, plus, product, splat};
use super::spectrum::{ComplexLanes, LANES};
use crate::maths;

/// Largest prime factor of a length.
const LARGEST_FACTOR: usize = 13;

/// Transforms of one length.
#[derive(Debug, Default)]
pub struct LaneTransform {
    length: usize,
    stages: Vec<Stage>,
    other: Vec<ComplexLanes>,
}

/// Splits transforms into `radix` as long ones.
#[derive(Debug)]
struct Stage {
    radix: usize,
    /// Transforms that stand interleaved: what the stages before have split.
    interleaved: usize,
    /// Length of what the stage makes.
    rest: usize,
    /// exp(−2π i j/radix).
    roots: Vec<Complex64>,
    /// For each place in what it makes, the turns of its parts 1….
    turns: Vec<Complex64>,
}

/// The factors of a length, four before two, if none is too large.
fn factors(mut length: usize) -> Option<Vec<usize>> {
    let mut factors = Vec::new();
    for factor in [4].into_iter().chain(2..=LARGEST_FACTOR) {
        while length > 1 && length.is_multiple_of(factor) {
            factors.push(factor);
            length /= factor;
        }
    }
    (length == 1).then_some(factors)
}

/// The largest length up to `most` that can be transformed.
pub fn length_up_to(most: usize) -> usize {
    (1..=most)
        .rev()
        .find(|n| factors(*n).is_some())
        .unwrap_or(1)
}

impl LaneTransform {
    /// For a length from [`length_up_to`].
    pub fn new(length: usize) -> Self {
        let root = |turns: usize, of: usize| maths::cis(-TAU * turns as f64 / of as f64);
        let mut interleaved = 1;
        let stages = factors(length).unwrap_or_default().into_iter();
        let stages = stages.map(|radix| {
            let whole = length / interleaved;
            let rest = whole / radix;
            let turns = (0..rest).flat_map(|p| (1..radix).map(move |k| root(p * k, whole)));
            let stage = Stage {
                radix,
                interleaved,
                rest,
                roots: (0..radix).map(|j| root(j, radix)).collect(),
                turns: turns.collect(),
            };
            interleaved *= radix;
            stage
        });
        Self {
            length,
            stages: stages.collect(),
            other: vec![ComplexLanes::default(); length],
        }
    }

    /// Values that it transforms.
    pub fn length(&self) -> usize {
        self.length
    }

    /// Replaces x by Σ x(n) exp(−2π i k n/length).
    #[inline(always)]
    pub fn run<S: Simd>(&mut self, simd: S, values: &mut [ComplexLanes]) {
        let Some(values) = values.get_mut(..self.length) else {
            return;
        };
        let other = &mut self.other[..];
        let mut is_in_other = false;
        for stage in &self.stages {
            let (from, to) = if is_in_other {
                (&*other, &mut *values)
            } else {
                (&*values, &mut *other)
            };
            match stage.radix {
                2 => stage.run::<S, 2>(simd, from, to),
                3 => stage.run::<S, 3>(simd, from, to),
                4 => stage.run::<S, 4>(simd, from, to),
                5 => stage.run::<S, 5>(simd, from, to),
                7 => stage.run::<S, 7>(simd, from, to),
                11 => stage.run::<S, 11>(simd, from, to),
                _ => stage.run::<S, LARGEST_FACTOR>(simd, from, to),
            }
            is_in_other = !is_in_other;
        }
        if is_in_other {
            values.copy_from_slice(other);
        }
    }
}

impl Stage {
    #[inline(always)]
    fn run<S: Simd, const R: usize>(
        &self,
        simd: S,
        from: &[ComplexLanes],
        to: &mut [ComplexLanes],
    ) {
        let s = self.interleaved;
        for p in 0..self.rest {
            let turns = &self.turns[p * (R - 1)..(p + 1) * (R - 1)];
            for q in 0..s {
                for part in 0..LANES / S::F64_LANES {
                    let mut values = [splat(simd, Complex64::ZERO); R];
                    for j in 0..R {
                        values[j] = get::<S>(&from[q + s * (p + j * self.rest)], part);
                    }
                    match R {
                        2 => two(simd, &mut values),
                        4 => four(simd, &mut values),
                        _ => odd(simd, &self.roots, &mut values),
                    }
                    for k in 0..R {
                        let value = if k == 0 {
                            values[0]
                        } else {
                            product(simd, values[k], splat(simd, turns[k - 1]))
                        };
                        let target = &mut to[q + s * (R * p + k)];
                        S::as_mut_simd_f64s(&mut target.re).0[part] = value.0;
                        S::as_mut_simd_f64s(&mut target.im).0[part] = value.1;
                    }
                }
            }
        }
    }
}

/// A register of a value's real and one of its imaginary parts.
#[inline(always)]
pub(super) fn get<S: Simd>(value: &ComplexLanes, part: usize) -> Register<S> {
    (
        S::as_simd_f64s(&value.re).0[part],
        S::as_simd_f64s(&value.im).0[part],
    )
}

#[inline(always)]
fn two<S: Simd>(simd: S, values: &mut [Register<S>]) {
    let (a, b) = (values[0], values[1]);
    (values[0], values[1]) = (plus(simd, a, b), minus(simd, a, b));
}

#[inline(always)]
fn four<S: Simd>(simd: S, values: &mut [Register<S>]) {
    let (a, b, c, d) = (values[0], values[1], values[2], values[3]);
    let (even, odd) = (plus(simd, a, c), plus(simd, b, d));
    let [ahead, behind] = beside(simd, minus(simd, a, c), minus(simd, b, d));
    values[0] = plus(simd, even, odd);
    values[1] = behind;
    values[2] = minus(simd, even, odd);
    values[3] = ahead;
}

/// An odd number of values: those from both ends have the same cosine, and the sine with
/// the other sign.
#[inline(always)]
fn odd<S: Simd, const R: usize>(simd: S, roots: &[Complex64], values: &mut [Register<S>; R]) {
    let zero = splat(simd, Complex64::ZERO);
    let (mut sums, mut differences, first) = ([zero; R], [zero; R], values[0]);
    for j in 1..=R / 2 {
        sums[j] = plus(simd, values[j], values[R - j]);
        differences[j] = minus(simd, values[j], values[R - j]);
        values[0] = plus(simd, values[0], sums[j]);
    }
    for k in 1..=R / 2 {
        let (mut even, mut odd) = (first, zero);
        for j in 1..=R / 2 {
            let root = roots[j * k % R];
            let (c, s) = (simd.splat_f64s(root.re), simd.splat_f64s(root.im));
            even = (
                simd.add_f64s(even.0, simd.mul_f64s(sums[j].0, c)),
                simd.add_f64s(even.1, simd.mul_f64s(sums[j].1, c)),
            );
            odd = (
                simd.add_f64s(odd.0, simd.mul_f64s(differences[j].0, s)),
                simd.add_f64s(odd.1, simd.mul_f64s(differences[j].1, s)),
            );
        }
        [values[k], values[R - k]] = beside(simd, even, odd);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Run<'a>(&'a mut LaneTransform, &'a mut [ComplexLanes]);

    impl pulp::WithSimd for Run<'_> {
        type Output = ();

        fn with_simd<S: Simd>(self, simd: S) {
            self.0.run(simd, self.1);
        }
    }

    /// Every length that it takes up to 280, against sums with the standard library's sines.
    #[test]
    fn it_is_the_sum_that_defines_it() {
        for length in (1..=280).filter(|n| length_up_to(*n) == *n) {
            let mut state = length as u64;
            let mut random = || {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
            };
            let before: Vec<ComplexLanes> = (0..length)
                .map(|_| ComplexLanes {
                    re: std::array::from_fn(|_| random()),
                    im: std::array::from_fn(|_| random()),
                })
                .collect();
            let mut after = before.clone();
            let mut transform = LaneTransform::new(length);
            pulp::Arch::new().dispatch(Run(&mut transform, &mut after));
            for (k, after) in after.iter().enumerate().step_by(3) {
                for lane in [0, 3, 7] {
                    let direct: Complex64 = before
                        .iter()
                        .enumerate()
                        .map(|(n, x)| {
                            let angle = -TAU * (k * n % length) as f64 / length as f64;
                            Complex64::new(x.re[lane], x.im[lane])
                                * Complex64::from_polar(1.0, angle)
                        })
                        .sum();
                    let off = Complex64::new(after.re[lane], after.im[lane]) - direct;
                    assert!(off.norm() < 1e-13 * length as f64, "{length}, {k}: {off}");
                }
            }
        }
    }

    #[test]
    fn few_hops_are_left_out_for_a_length_of_small_factors() {
        for most in 1..=300 {
            let length = length_up_to(most);
            assert!(length as f64 > 0.94 * most as f64, "{most}: {length}");
        }
        assert_eq!([89, 88, 1].map(length_up_to), [88, 88, 1]);
    }
}
