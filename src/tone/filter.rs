//! The low-pass in front of the decimation: a few halvings whose taps are whole
//! numbers, then one Kaiser filter. Pure.
//!
//! # Design
//! The factor is 2^a · q. Each halving is binomial, `((1 + 1/z)/2)^n`: its taps are whole
//! numbers, so that samples of 24 bits pass through it without rounding, and it has a
//! zero of order n where aliases of the pass band lie. The last stage divides by
//! 2, 3 or 5 with a window of Kaiser (Oppenheim and Schafer, 'Discrete-Time
//! Signal Processing': attenuation A > 50 dB needs beta = 0.1102 (A − 8.7) and
//! (A − 8)/(2.285 Δω) + 1 taps). All are of odd length and symmetric: the channels keep
//! their phases and a decimated sample stands at a known raw index. The response of the
//! whole is known exactly; phasors are divided by it, so its droop costs nothing.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use crate::maths;

/// Part of the decimated rate that no alias reaches.
pub(super) const PASS_FRACTION: f64 = 0.33;
/// Attenuation of what would fold into the pass band, dB.
const ATTENUATION_DB: f64 = 90.0;

/// A cascade of linear-phase low-passes.
#[derive(Debug, Clone, PartialEq)]
pub struct Filter {
    /// Orders of the halvings, first to last; even.
    halvings: Vec<usize>,
    /// What the last stage divides by.
    last: usize,
    /// Its taps.
    taps: Vec<f64>,
}

/// The largest factor not above `most` that the stages make: 2^a, 3 · 2^a or 5 · 2^a.
pub fn largest_factor(most: usize) -> usize {
    let mut largest = 1;
    for odd in [1, 3, 5] {
        let mut factor = odd;
        while factor <= most {
            largest = largest.max(factor);
            factor *= 2;
        }
    }
    largest
}

impl Filter {
    /// The filter for decimation by `factor`, one that [`largest_factor`] gives.
    pub fn new(factor: usize) -> Self {
        let twos = factor.max(1).trailing_zeros() as usize;
        let odd = factor.max(1) >> twos;
        let (count, last) = match (twos, odd) {
            (0, 1) => (0, 1),
            (_, 1) => (twos - 1, 2),
            _ => (twos, odd),
        };
        let halvings = (0..count)
            .map(|stage| {
                // What is still to be divided by behind this stage.
                let behind = (last << (count - 1 - stage)) as f64;
                order(behind, stage > 0)
            })
            .collect();
        Self {
            halvings,
            last,
            taps: kaiser(last),
        }
    }

    /// Orders of the halvings, first to last.
    pub fn halvings(&self) -> &[usize] {
        &self.halvings
    }

    /// What the last stage divides by, and its taps.
    pub fn last_stage(&self) -> (usize, &[f64]) {
        (self.last, &self.taps)
    }

    /// Raw samples on either side of the centre.
    pub fn half(&self) -> usize {
        let before: usize = (0..)
            .zip(&self.halvings)
            .map(|(stage, order)| (order / 2) << stage)
            .sum();
        before + ((self.taps.len() / 2) << self.halvings.len())
    }

    /// Real response at `cycles_per_sample` (of the raw rate).
    pub fn response(&self, cycles_per_sample: f64) -> f64 {
        let mut cycles = cycles_per_sample;
        let mut response = 1.0;
        for order in &self.halvings {
            response *= maths::whole_power(maths::cos(PI * cycles), *order as u32);
            cycles *= 2.0;
        }
        response * self.last_response(cycles)
    }

    /// Of the last stage: the centre tap, and the taps to both sides of it together.
    fn last_response(&self, cycles_per_sample: f64) -> f64 {
        let step = maths::cis(TAU * cycles_per_sample);
        let mut turn = Complex64::ONE;
        let (_, right) = self.taps.split_at(self.taps.len() / 2);
        let Some((centre, right)) = right.split_first() else {
            return 0.0;
        };
        let sides: f64 = right
            .iter()
            .map(|tap| {
                turn *= step;
                tap * turn.re
            })
            .sum();
        centre + 2.0 * sides
    }

    /// Variance of white noise after the filter over its variance before,
    /// times the decimation: how much of an ideal band's noise is left.
    pub fn noise_share(&self, factor: usize) -> f64 {
        let mut taps = self.taps.clone();
        for order in self.halvings.iter().rev() {
            let mut spread = vec![0.0; 2 * taps.len() - 1];
            spread
                .iter_mut()
                .step_by(2)
                .zip(&taps)
                .for_each(|(to, tap)| *to = *tap);
            spread.resize(spread.len() + order, 0.0);
            for _ in 0..*order {
                let mut before = 0.0;
                for tap in &mut spread {
                    let value = *tap;
                    *tap = 0.5 * (value + before);
                    before = value;
                }
            }
            taps = spread;
        }
        factor as f64 * taps.iter().map(|tap| tap * tap).sum::<f64>()
    }
}

/// The order of a halving with `behind` still to be divided by: the aliases of the pass
/// band stand at its zero but for the band's own width.
fn order(behind: f64, has_one_before: bool) -> usize {
    let edge = maths::sin(0.5 * PI * PASS_FRACTION / behind);
    let per_order_db = -20.0 * maths::log10(edge);
    // A stage before takes at least 10 dB off what reaches this one's first alias.
    let wanted_db = ATTENUATION_DB - if has_one_before { 10.0 } else { 0.0 };
    2 * ((0.5 * wanted_db / per_order_db).ceil() as usize).max(2)
}

fn kaiser(factor: usize) -> Vec<f64> {
    if factor == 1 {
        return vec![1.0];
    }
    let transition = (1.0 - 2.0 * PASS_FRACTION) / factor as f64;
    let beta = 0.1102 * (ATTENUATION_DB - 8.7);
    let length = (ATTENUATION_DB - 8.0) / (2.285 * TAU * transition) + 1.0;
    let half = (0.5 * length).ceil() as i64;
    let cut = 0.5 / factor as f64;
    let mut taps: Vec<f64> = (-half..=half)
        .map(|i| {
            let t = i as f64;
            let sinc = if i == 0 {
                2.0 * cut
            } else {
                maths::sin(TAU * cut * t) / (PI * t)
            };
            let place = t / (half as f64 + 1.0);
            sinc * bessel_i0(beta * (1.0 - place * place).sqrt()) / bessel_i0(beta)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter_mut().for_each(|tap| *tap /= sum);
    taps
}

/// Modified Bessel function of the first kind, order 0, by its power series
/// (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let mut term = 1.0;
    let mut sum = 1.0;
    let mut k = 1.0;
    while term > 1e-17 * sum {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What folds into the pass band, over what the phasors are divided by.
    #[test]
    fn aliases_stay_below_what_is_said() {
        for factor in [2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40, 48, 64, 80, 96] {
            let filter = Filter::new(factor);
            // The cascade knows no others.
            assert!(
                filter
                    .halvings
                    .iter()
                    .all(|order| [4, 6, 8].contains(order))
            );
            let mut worst = 0.0_f64;
            for step in 0..=200 {
                let pass = PASS_FRACTION * f64::from(step) / 200.0;
                let kept = filter.response(pass / factor as f64);
                assert!(kept > 0.5, "{factor}: {kept} at {pass}");
                for image in 1..factor {
                    let alias = (image as f64 + pass) / factor as f64;
                    worst = worst.max((filter.response(alias) / kept).abs());
                }
            }
            println!(
                "{factor}: {:?}, {:.1} dB",
                filter.halvings,
                20.0 * worst.log10()
            );
            assert!(worst < 5e-5, "{factor}: {worst}");
        }
    }

    #[test]
    fn the_noise_that_is_left_is_the_integral_of_the_response() {
        for factor in [1, 2, 6, 24, 40] {
            let filter = Filter::new(factor);
            let steps = 20_000;
            let mean = (0..steps)
                .map(|i| {
                    filter
                        .response((f64::from(i) + 0.5) * 0.5 / f64::from(steps))
                        .powi(2)
                })
                .sum::<f64>()
                / f64::from(steps);
            let share = filter.noise_share(factor);
            assert!(
                (share / (mean * factor as f64) - 1.0).abs() < 1e-9,
                "{factor}: {share}"
            );
        }
    }

    #[test]
    fn factors_are_those_that_the_stages_make() {
        let found: Vec<usize> = [1, 2, 7, 9, 11, 15, 23, 30, 46, 63]
            .map(largest_factor)
            .to_vec();
        assert_eq!(found, [1, 2, 6, 8, 10, 12, 20, 24, 40, 48]);
    }

    #[test]
    fn bessel_agrees_with_the_table() {
        // Abramowitz and Stegun, table 9.8: exp(−5) I0(5) = 0.18354 08126.
        assert!((bessel_i0(5.0) * (-5.0_f64).exp() - 0.183_540_812_6).abs() < 1e-10);
    }
}
