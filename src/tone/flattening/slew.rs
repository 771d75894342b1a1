//! What a limit of the slope makes of a sine. Pure.
//!
//! An amplifier that cannot follow the steepest part of a sine goes straight on
//! until it meets the sine again: the wave lags and moves towards a triangle, whose
//! orders are 1/9, 1/25, 1/49 … of the fundamental, with their crests on its own. One
//! number decides, the limit over the sine's steepest slope: loss, lag and all
//! orders follow. Below 1/sqrt(1 + π²/4) = 0.54 the wave is a triangle and no
//! longer tells how large the sine was (by hand: it must still reach the sine at
//! each crest of its own).

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::orders::{HIGHEST_ORDER, power};
use crate::maths;

/// Limits tried, over the steepest slope: from the triangle on.
const LIMITS: std::ops::RangeInclusive<u32> = 54..=98;
/// Steps of a turn, and turns until the wave repeats itself.
const STEPS: usize = 180;
const TURNS: usize = 3;
/// What may be left unexplained of the orders' power, and of that from the fifth
/// on.
const UNEXPLAINED: f64 = 0.15;
const HIGH_UNEXPLAINED: f64 = 0.5;
const HIGH_ORDER: usize = 5;
/// Standard uncertainties that an order has to be from zero.
const SIGNIFICANT: f64 = 4.0;

/// What a limited slope takes from a fundamental, and how sure that is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Slope {
    /// The orders show it.
    Limited { loss: f64 },
    /// The third order may be that, and the higher ones are too faint to say.
    Possible { loss: f64 },
}

/// A sine of amplitude 1 whose slope is limited: orders over the fundamental, which
/// is turned to 1, and what of it is missing.
struct Slewed {
    relative: [Complex64; HIGHEST_ORDER + 1],
    loss: f64,
}

impl Slewed {
    fn new(limit: f64) -> Self {
        let step = TAU / STEPS as f64;
        let most = limit * step;
        let turns: Vec<Complex64> = (0..STEPS).map(|i| maths::cis(step * i as f64)).collect();
        let mut value = 0.0;
        let mut wave = Vec::with_capacity(STEPS);
        for turn in 0..TURNS {
            for angle in &turns {
                value += (angle.re - value).clamp(-most, most);
                if turn + 1 == TURNS {
                    wave.push(value);
                }
            }
        }
        let mut orders = [Complex64::ZERO; HIGHEST_ORDER + 1];
        for (value, turn) in wave.iter().zip(&turns) {
            let mut power = Complex64::ONE;
            for order in orders.iter_mut().skip(1) {
                power *= turn.conj();
                *order += power * (value * 2.0 / STEPS as f64);
            }
        }
        let fundamental = orders[1];
        let modulus = maths::modulus(fundamental);
        let unit = fundamental.conj() / modulus;
        let mut turn = Complex64::ONE;
        for order in orders.iter_mut().skip(1) {
            turn *= unit;
            *order = *order * turn / modulus;
        }
        Self {
            relative: orders,
            loss: 1.0 - modulus,
        }
    }

    fn unexplained(&self, orders: &[(usize, Complex64)]) -> f64 {
        orders
            .iter()
            .filter_map(|(order, phasor)| Some((phasor - self.relative.get(*order)?).norm_sqr()))
            .sum()
    }
}

/// Whether a limited slope explains these orders over the fundamental, each
/// uncertain by `standard_u` in each part.
pub(super) fn slope(orders: &[(usize, Complex64)], standard_u: f64) -> Option<Slope> {
    let third = orders.iter().find(|(order, _)| *order == 3)?.1;
    if third.re < SIGNIFICANT * standard_u || third.im < -SIGNIFICANT * standard_u {
        return None;
    }
    let noise = 2.0 * maths::square(standard_u);
    let high: Vec<(usize, Complex64)> = orders
        .iter()
        .copied()
        .filter(|(order, _)| *order >= HIGH_ORDER)
        .collect();
    let best = LIMITS
        .map(|limit| Slewed::new(0.01 * f64::from(limit)))
        .min_by(|a, b| a.unexplained(orders).total_cmp(&b.unexplained(orders)))?;
    let explained = |orders: &[(usize, Complex64)], part: f64| {
        best.unexplained(orders) <= part * power(orders) + 2.0 * noise * orders.len() as f64
    };
    if !explained(orders, UNEXPLAINED) || !explained(&high, HIGH_UNEXPLAINED) {
        return None;
    }
    let shows = power(&high) >= (SIGNIFICANT * SIGNIFICANT + high.len() as f64) * noise;
    let loss = best.loss;
    Some(if shows {
        Slope::Limited { loss }
    } else {
        Slope::Possible { loss }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series of the triangle, 8/π² of its peak; and that the peak is a quarter
    /// of a turn's slope.
    #[test]
    fn a_low_limit_leaves_a_triangle() {
        let triangle = Slewed::new(0.5);
        for (order, part) in [(3, 1.0 / 9.0), (5, 1.0 / 25.0), (7, 1.0 / 49.0)] {
            let found = triangle.relative[order];
            assert!((found - part).norm() < 2e-3, "{order}: {found}");
        }
        assert!(triangle.relative[2].norm() < 1e-9);
        let fundamental = 0.5 * (TAU / 4.0) * 8.0 / maths::square(0.5 * TAU);
        assert!((triangle.loss - (1.0 - fundamental)).abs() < 2e-3);
    }

    #[test]
    fn a_limited_slope_is_told_from_other_orders() {
        let u = 2e-4;
        for limit in [0.55, 0.7, 0.8, 0.85, 0.9] {
            let wave = Slewed::new(limit);
            let orders: Vec<_> = (2..=9).map(|k| (k, wave.relative[k])).collect();
            let found = slope(&orders, u);
            assert!(
                matches!(found, Some(Slope::Limited { loss }) if (loss - wave.loss).abs() < 0.01),
                "{limit}: {found:?}"
            );
        }
        // A third order with its square, whatever their phases.
        for i in 0..16 {
            for j in 0..16 {
                let third = maths::cis(TAU * f64::from(i) / 16.0) * 0.06;
                let fifth = maths::cis(TAU * f64::from(j) / 16.0) * 0.0036;
                let found = slope(&[(2, Complex64::ZERO), (3, third), (5, fifth)], u);
                assert_eq!(found, None, "{i} {j}");
            }
        }
    }
}
