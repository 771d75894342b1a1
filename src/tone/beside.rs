//! What stands beside the drive's tone in one channel of a hold: the orders that
//! tell flattened extremes, and mains hum. Through a Hann window, because these lines
//! stand near one another and near strong ones. Pure.

use ndarray::ArrayView1;
use num_complex::Complex64;
use std::f64::consts::TAU;

use super::filter::Filter;
use super::flattening::{HIGHEST_ORDER, Harmonics};
use super::fourier::rotated_sum;
use super::mains::mains_lines_hz;
use super::plan::TonePlan;
use crate::maths;

/// Distance from which a Hann window tells two tones apart, in 1/length: from the
/// fourth on its side lobes are below 1/200.
const DISTANCE: f64 = 4.0;
/// Noise of an amplitude through a Hann window over that without: the root of its
/// equivalent noise bandwidth of 1.5 lines (Harris 1978, from memory).
pub(super) const HANN_NOISE: f64 = 1.225;
/// The mains stay within this of their nominal frequency in an interconnected
/// grid, Hz (common practice, no source).
const MAINS_TOLERANCE_HZ: f64 = 0.1;
/// Orders of the drive that mains hum may be mistaken for.
const NEAR_ORDERS: usize = 5;
/// Largest power of noise among a few neighbouring lines over the variance of one
/// part of a phasor: Rayleigh's 95 % quantile of about one independent line, 6, a
/// window's 1.5 left out because hum is not to be underrated.
const NOISE_POWER: f64 = 6.0;

/// The samples of one channel less the drive's tone, windowed.
pub(super) struct Beside<'a> {
    plan: &'a TonePlan,
    filter: &'a Filter,
    drive_hz: f64,
    windowed: Vec<f64>,
}

impl<'a> Beside<'a> {
    /// `rest`: the channel without the drive's tone and its modelled orders.
    pub(super) fn new(
        plan: &'a TonePlan,
        filter: &'a Filter,
        drive_hz: f64,
        rest: ArrayView1<f64>,
    ) -> Self {
        let step = TAU / rest.len().max(1) as f64;
        let weight = |i: usize| 1.0 - maths::cos(step * (i as f64 + 0.5));
        Self {
            plan,
            filter,
            drive_hz,
            windowed: rest
                .iter()
                .enumerate()
                .map(|(i, x)| x * weight(i))
                .collect(),
        }
    }

    /// Where a frequency shows, half the sampling rate and beyond included, Hz.
    fn folded_hz(&self, hz: f64) -> f64 {
        let rate_hz = self.plan.decimated_rate_hz();
        (hz - rate_hz * (hz / rate_hz).round()).abs()
    }

    fn width_hz(&self) -> f64 {
        DISTANCE * self.plan.decimated_rate_hz() / self.windowed.len().max(1) as f64
    }

    /// Peak phasor at a frequency, counted from the centre as the fit's are.
    fn phasor(&self, hz: f64) -> Complex64 {
        let length = self.windowed.len() as f64;
        let angle = TAU * hz / self.plan.decimated_rate_hz();
        let first = maths::cis(0.5 * angle * (length - 1.0));
        let sum = rotated_sum(&self.windowed, first, maths::cis(-angle));
        let response = self.filter.response(self.folded_hz(hz) / self.plan.rate_hz);
        sum * (2.0 / length) / response
    }

    /// The orders over the fundamental: those of the model from the fit, `orders`,
    /// the rest from what is left. `part_u` is the noise of a phasor's part.
    pub(super) fn harmonics(&self, orders: &[Complex64], part_u: f64) -> Harmonics {
        let modulus = orders.first().map_or(0.0, |first| maths::modulus(*first));
        let Some(fundamental) = orders.first().filter(|_| modulus > 0.0) else {
            return Harmonics::default();
        };
        let unit = fundamental.conj() / modulus;
        let highest_in_band = self.plan.highest_order(self.drive_hz);
        // Behind a decimation's filter nothing is folded.
        let highest = if self.plan.decimation == 1 {
            HIGHEST_ORDER
        } else {
            highest_in_band.min(HIGHEST_ORDER)
        };
        let mut turn = unit;
        let mut found = Vec::new();
        for order in 2..=highest {
            turn *= unit;
            let phasor = match orders.get(order - 1) {
                Some(phasor) => *phasor,
                None if self.hidden(order) => continue,
                None => self.phasor(order as f64 * self.drive_hz),
            };
            found.push((order, phasor * turn / modulus));
        }
        Harmonics {
            orders: found,
            standard_u: HANN_NOISE * part_u / modulus,
            highest_in_band,
        }
    }

    /// Whether a lower order, folded or not, or the offset stands where this order
    /// shows.
    fn hidden(&self, order: usize) -> bool {
        let own_hz = self.folded_hz(order as f64 * self.drive_hz);
        (1..order)
            .map(|lower| self.folded_hz(lower as f64 * self.drive_hz))
            .chain([0.0, 0.5 * self.plan.decimated_rate_hz()])
            .any(|hz| (hz - own_hz).abs() < self.width_hz())
    }

    /// Peak of the hum at each mains frequency that a drive may come near, Hz and
    /// SI; where the drive is too near to tell, none. Noise is taken off, down to
    /// its own standard uncertainty.
    pub(super) fn mains(&self, part_u: f64) -> Vec<(f64, f64)> {
        let plan = self.plan;
        let clear_hz = self.width_hz() + MAINS_TOLERANCE_HZ;
        let apart = |line_hz: f64| {
            (1..=NEAR_ORDERS).all(|order| {
                (line_hz - self.folded_hz(order as f64 * self.drive_hz)).abs() > clear_hz
            })
        };
        let in_range = |hz: &f64| (plan.search_low_hz..plan.search_high_hz).contains(hz);
        mains_lines_hz(2)
            .filter(|hz| in_range(hz) && apart(*hz))
            .map(|hz| {
                // Half the main lobe's half width apart.
                let step_hz = self.width_hz() / DISTANCE;
                let steps = (MAINS_TOLERANCE_HZ / step_hz).floor() as i32;
                let power = (-steps..=steps)
                    .map(|i| self.phasor(hz + f64::from(i) * step_hz).norm_sqr())
                    .fold(0.0, f64::max);
                let variance = maths::square(part_u);
                (hz, (power - NOISE_POWER * variance).max(variance).sqrt())
            })
            .collect()
    }
}
