//! The places of a grid of exponents, eight side by side: what the search for the pole of a
//! free response asks of each. Every operation and its order are those of one exponent by
//! itself, so that each gives the bits that it gives alone. Pure.

// The indices run over lanes.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use std::array::from_fn;

use super::spectrum::{ComplexLanes, LANES, Lanes};
use crate::maths;

/// Columns of unit length with less of their own are not told apart.
pub(super) const LEAST_PIVOT: f64 = 1e-13;

/// For each exponent what is left of `series` beside the motion that `force` brings about and
/// a free tone, as a sum of squares; not finite where they cannot be told apart.
pub(super) fn costs(
    exponents: &[Complex64],
    series: &[Complex64],
    force: &[Complex64],
    step_s: f64,
) -> Vec<f64> {
    let mut columns = [Vec::new(), Vec::new()];
    exponents
        .chunks(LANES)
        .flat_map(|some| {
            let factors = some.iter().map(|lambda| held_force(*lambda, step_s));
            let mut lanes = [ComplexLanes::default(); 3];
            for (lane, factors) in factors.enumerate() {
                for (lanes, factor) in lanes.iter_mut().zip(factors) {
                    lanes.set(lane, factor);
                }
            }
            let costs = maths::wide!(costs_of(&lanes, series, force, &mut columns));
            costs.into_iter().take(some.len())
        })
        .collect()
}

/// For each exponent how much of the squares of `rest` its free tone takes off.
pub(super) fn gains(exponents: &[Complex64], rest: &[Complex64], step_s: f64) -> Vec<f64> {
    exponents
        .chunks(LANES)
        .flat_map(|some| {
            let mut ratio = ComplexLanes::default();
            for (lane, lambda) in some.iter().enumerate() {
                ratio.set(lane, exponential(lambda * step_s));
            }
            let gains = maths::wide!(gains_of(&ratio, rest));
            gains.into_iter().take(some.len())
        })
        .collect()
}

#[inline(always)]
fn costs_of(
    [ratio, old, new]: &[ComplexLanes; 3],
    series: &[Complex64],
    force: &[Complex64],
    [own, free]: &mut [Vec<ComplexLanes>; 2],
) -> Lanes {
    own.clear();
    own.push(ComplexLanes::default());
    let mut value = ComplexLanes::default();
    for pair in force.windows(2).take(series.len().saturating_sub(1)) {
        let (before, now) = (pair[0], pair[1]);
        value = (value * *ratio)
            .plus(old.times(before))
            .plus(new.times(now));
        own.push(value);
    }
    free.clear();
    let mut value = ComplexLanes::one();
    for _ in series {
        free.push(value);
        value = value * *ratio;
    }
    let zero = ComplexLanes::default();
    let (mut both, mut along) = ([zero; 3], [zero; 2]);
    for ((own, free), right) in own.iter().zip(&*free).zip(series) {
        both[0] = both[0].plus(own.conjugate() * *own);
        both[1] = both[1].plus(own.conjugate() * *free);
        both[2] = both[2].plus(free.conjugate() * *free);
        along[0] = along[0].plus(own.conjugate().times(*right));
        along[1] = along[1].plus(free.conjugate().times(*right));
    }
    let (linear, is_sound) = solved(both, along);
    let mut cost = [0.0; LANES];
    for ((own, free), right) in own.iter().zip(&*free).zip(series) {
        let rest = ComplexLanes::all(*right)
            .minus(*own * linear[0])
            .minus(*free * linear[1]);
        for lane in 0..LANES {
            cost[lane] += rest.re[lane] * rest.re[lane] + rest.im[lane] * rest.im[lane];
        }
    }
    from_fn(|lane| if is_sound[lane] { cost[lane] } else { f64::NAN })
}

/// Two normal equations, as [`super::free_response::solve`] has it; whether they can be told
/// apart.
#[inline(always)]
fn solved(
    [own, mixed, free]: [ComplexLanes; 3],
    [right_own, right_free]: [ComplexLanes; 2],
) -> ([ComplexLanes; 2], [bool; LANES]) {
    let [scale_own, scale_free]: [Lanes; 2] =
        [&own, &free].map(|sum| from_fn(|lane| sum.re[lane].sqrt().recip()));
    let both: Lanes = from_fn(|lane| scale_own[lane] * scale_free[lane]);
    let square = |scale: &Lanes| -> Lanes { from_fn(|lane| scale[lane] * scale[lane]) };
    let (own, free) = (
        own.scaled(&square(&scale_own)),
        free.scaled(&square(&scale_free)),
    );
    let above = mixed.scaled(&both);
    let (right_own, right_free) = (right_own.scaled(&scale_own), right_free.scaled(&scale_free));
    let factor = above.conjugate().over(&own);
    let pivot = free.minus(factor * above);
    let right_free = right_free.minus(factor * right_own);
    let found_free = right_free.over(&pivot);
    let found_own = right_own.minus(above * found_free).over(&own);
    let is_sound = from_fn(|lane| {
        scale_own[lane].is_finite()
            && scale_free[lane].is_finite()
            && own.re[lane] >= LEAST_PIVOT
            && pivot.re[lane] >= LEAST_PIVOT
    });
    (
        [found_own.scaled(&scale_own), found_free.scaled(&scale_free)],
        is_sound,
    )
}

#[inline(always)]
fn gains_of(ratio: &ComplexLanes, rest: &[Complex64]) -> Lanes {
    let mut tone = ComplexLanes::one();
    let (mut along, mut squares) = (ComplexLanes::default(), [0.0; LANES]);
    for value in rest {
        along = along.plus(tone.conjugate().times(*value));
        for lane in 0..LANES {
            squares[lane] += tone.re[lane] * tone.re[lane] + tone.im[lane] * tone.im[lane];
        }
        tone = tone * *ratio;
    }
    from_fn(|lane| {
        let square = along.re[lane] * along.re[lane] + along.im[lane] * along.im[lane];
        square / squares[lane]
    })
}

impl ComplexLanes {
    #[inline(always)]
    fn all(value: Complex64) -> Self {
        Self {
            re: [value.re; LANES],
            im: [value.im; LANES],
        }
    }

    #[inline(always)]
    fn one() -> Self {
        Self::all(Complex64::ONE)
    }

    #[inline(always)]
    fn set(&mut self, lane: usize, value: Complex64) {
        (self.re[lane], self.im[lane]) = (value.re, value.im);
    }

    #[inline(always)]
    fn plus(self, other: Self) -> Self {
        Self {
            re: from_fn(|lane| self.re[lane] + other.re[lane]),
            im: from_fn(|lane| self.im[lane] + other.im[lane]),
        }
    }

    #[inline(always)]
    fn minus(self, other: Self) -> Self {
        Self {
            re: from_fn(|lane| self.re[lane] - other.re[lane]),
            im: from_fn(|lane| self.im[lane] - other.im[lane]),
        }
    }

    #[inline(always)]
    fn times(self, factor: Complex64) -> Self {
        self * Self::all(factor)
    }

    #[inline(always)]
    fn scaled(self, factor: &Lanes) -> Self {
        Self {
            re: from_fn(|lane| self.re[lane] * factor[lane]),
            im: from_fn(|lane| self.im[lane] * factor[lane]),
        }
    }

    #[inline(always)]
    fn conjugate(self) -> Self {
        Self {
            re: self.re,
            im: self.im.map(|x| -x),
        }
    }

    #[inline(always)]
    fn over(self, other: &Self) -> Self {
        let square: Lanes = from_fn(|i| other.re[i] * other.re[i] + other.im[i] * other.im[i]);
        Self {
            re: from_fn(|i| (self.re[i] * other.re[i] + self.im[i] * other.im[i]) / square[i]),
            im: from_fn(|i| (self.im[i] * other.re[i] - self.re[i] * other.im[i]) / square[i]),
        }
    }
}

impl std::ops::Mul for ComplexLanes {
    type Output = Self;

    #[inline(always)]
    fn mul(self, other: Self) -> Self {
        Self {
            re: from_fn(|i| self.re[i] * other.re[i] - self.im[i] * other.im[i]),
            im: from_fn(|i| self.re[i] * other.im[i] + self.im[i] * other.re[i]),
        }
    }
}

pub(super) fn exponential(z: Complex64) -> Complex64 {
    maths::cis(z.im) * maths::exp(z.re)
}

/// A step of the motion that obeys dv/dt = lambda v + u, u running straight from one value
/// to the next: what the value, the force before and the force now are multiplied by.
pub(super) fn held_force(lambda: Complex64, step_s: f64) -> [Complex64; 3] {
    let z = lambda * step_s;
    let ratio = exponential(z);
    let (old, new) = if z.norm_sqr() < 1e-6 {
        // The quotients below, as series.
        (
            z * (z / 8.0 + 1.0 / 3.0) + 0.5,
            z * (z / 24.0 + 1.0 / 6.0) + 0.5,
        )
    } else {
        let square = z * z;
        (
            (ratio * (z - 1.0) + 1.0) / square,
            (ratio - z - 1.0) / square,
        )
    };
    [ratio, old * step_s, new * step_s]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::free_response::{free_tone, least_squares, sum_of_squares, take_off};

    /// Each place against the same by whole columns, bit for bit.
    #[test]
    fn a_place_gives_what_it_gives_alone() {
        let step_s = 0.25;
        let value = |i: usize, a: f64| {
            let t = i as f64;
            Complex64::new((a * t).sin() + 0.3 * (1.7 * t).cos(), (0.4 * a * t).cos())
        };
        let series: Vec<Complex64> = (0..37).map(|i| value(i, 0.31)).collect();
        let force: Vec<Complex64> = (0..40).map(|i| value(i, 0.07)).collect();
        let mut exponents: Vec<Complex64> = (0..19)
            .map(|i| Complex64::new(-0.02 * f64::from(i * i), f64::from(i) - 9.0))
            .collect();
        // A tone that is over at once, one that stands still, and one that overflows.
        exponents.extend([-900.0, 0.0, 900.0].map(|re| Complex64::new(re, 0.0)));
        let found = costs(&exponents, &series, &force, step_s);
        let gained = gains(&exponents, &series, step_s);
        assert_eq!((found.len(), gained.len()), (22, 22));
        for ((lambda, found), gained) in exponents.iter().zip(found).zip(gained) {
            let [ratio, old, new] = held_force(*lambda, step_s);
            let mut own = vec![Complex64::ZERO];
            for pair in force.windows(2).take(36) {
                own.push(own[own.len() - 1] * ratio + old * pair[0] + new * pair[1]);
            }
            let free = free_tone(*lambda, step_s, series.len());
            let along: Complex64 = free.iter().zip(&series).map(|(a, b)| a.conj() * b).sum();
            let gain = along.norm_sqr() / sum_of_squares(&free);
            assert!(gain.to_bits() == gained.to_bits() || gain.is_nan() && gained.is_nan());
            let columns = [own, free];
            let cost = least_squares(&columns, &series).map(|linear| {
                let mut rest = series.clone();
                take_off(&mut rest, &columns, &linear);
                sum_of_squares(&rest)
            });
            match cost.filter(|cost| cost.is_finite()) {
                Some(cost) => assert_eq!(cost.to_bits(), found.to_bits(), "{lambda}"),
                None => assert!(!found.is_finite(), "{lambda}: {found}"),
            }
        }
    }
}
