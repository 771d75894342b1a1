//! What stands beside the drive's tone in one channel of a hold: the orders that
//! tell flattened extremes, and mains hum. Through a Hann window, because these lines
//! stand near one another and near strong ones. Pure.

use num_complex::Complex64;

use super::filter::Filter;
use super::fit::ChannelFit;
use super::flattening::{HIGHEST_ORDER, Harmonics};
use super::hold_sums::LineSums;
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

/// Where to look beside the drive's tone of a hold.
#[derive(Clone, Copy)]
pub(super) struct Beside<'a> {
    pub plan: &'a TonePlan,
    pub filter: &'a Filter,
    pub drive_hz: f64,
    /// Decimated samples of the hold.
    pub frames: usize,
}

/// One channel less the drive's tone and its modelled orders.
pub(super) struct BesideTone<'a> {
    pub place: Beside<'a>,
    pub sums: &'a LineSums,
    pub channel: usize,
    /// The fit, and of its sines those of the drive: angle a sample and peak phasor.
    pub fit: &'a ChannelFit,
    pub drive: &'a [(f64, Complex64)],
}

impl Beside<'_> {
    /// All frequencies that are looked at where the model has so many orders, cycles a
    /// sample.
    pub(super) fn cycles(self, modelled: usize) -> impl Iterator<Item = f64> {
        let orders = (modelled + 1..=self.highest())
            .filter(move |order| !self.hidden(*order))
            .map(move |order| order as f64 * self.drive_hz);
        let mains = self.mains_hz().flat_map(move |hz| self.about(hz));
        orders
            .chain(mains)
            .flat_map(move |hz| self.windowed(hz).map(|(cycles, _)| cycles))
    }

    /// The sums whose sum is one through a Hann window, whose middle is the hold's:
    /// 1 + cos(2 pi t/N).
    fn windowed(self, hz: f64) -> [(f64, f64); 3] {
        let cycles = hz / self.plan.decimated_rate_hz();
        let line = 1.0 / self.frames.max(1) as f64;
        [(cycles - line, 0.5), (cycles, 1.0), (cycles + line, 0.5)]
    }

    /// Where a frequency shows, half the sampling rate and beyond included, Hz.
    fn folded_hz(self, hz: f64) -> f64 {
        let rate_hz = self.plan.decimated_rate_hz();
        (hz - rate_hz * (hz / rate_hz).round()).abs()
    }

    fn width_hz(self) -> f64 {
        DISTANCE * self.plan.decimated_rate_hz() / self.frames.max(1) as f64
    }

    /// The highest order looked at.
    fn highest(self) -> usize {
        // Behind a decimation's filter nothing is folded.
        if self.plan.decimation == 1 {
            HIGHEST_ORDER
        } else {
            self.plan.highest_order(self.drive_hz).min(HIGHEST_ORDER)
        }
    }

    /// Whether a lower order, folded or not, or the offset stands where this order
    /// shows.
    fn hidden(self, order: usize) -> bool {
        let own_hz = self.folded_hz(order as f64 * self.drive_hz);
        (1..order)
            .map(|lower| self.folded_hz(lower as f64 * self.drive_hz))
            .chain([0.0, 0.5 * self.plan.decimated_rate_hz()])
            .any(|hz| (hz - own_hz).abs() < self.width_hz())
    }

    /// The mains frequencies that a drive may come near and that this one leaves clear.
    fn mains_hz(self) -> impl Iterator<Item = f64> {
        let clear_hz = self.width_hz() + MAINS_TOLERANCE_HZ;
        let apart = move |line_hz: f64| {
            (1..=NEAR_ORDERS).all(|order| {
                (line_hz - self.folded_hz(order as f64 * self.drive_hz)).abs() > clear_hz
            })
        };
        let range = self.plan.search_low_hz..self.plan.search_high_hz;
        mains_lines_hz(2).filter(move |hz| range.contains(hz) && apart(*hz))
    }

    /// Frequencies about a nominal one, half the main lobe's half width apart.
    fn about(self, hz: f64) -> impl Iterator<Item = f64> {
        let step_hz = self.width_hz() / DISTANCE;
        let steps = (MAINS_TOLERANCE_HZ / step_hz).floor() as i32;
        (-steps..=steps).map(move |i| hz + f64::from(i) * step_hz)
    }
}

impl BesideTone<'_> {
    /// Peak phasor at a frequency, counted from the centre as the fit's are.
    fn phasor(&self, hz: f64) -> Complex64 {
        let place = self.place;
        let sum: Complex64 = place
            .windowed(hz)
            .into_iter()
            .map(|(cycles, weight)| {
                self.sums.left(cycles, self.channel, self.fit, self.drive) * weight
            })
            .sum();
        let response = place
            .filter
            .response(place.folded_hz(hz) / place.plan.rate_hz);
        sum * (2.0 / place.frames.max(1) as f64) / response
    }

    /// The orders over the fundamental: those of the model from the fit, `orders`,
    /// the rest from what is left. `part_u` is the noise of a phasor's part.
    pub(super) fn harmonics(&self, orders: &[Complex64], part_u: f64) -> Harmonics {
        let modulus = orders.first().map_or(0.0, |first| maths::modulus(*first));
        let Some(fundamental) = orders.first().filter(|_| modulus > 0.0) else {
            return Harmonics::default();
        };
        let unit = fundamental.conj() / modulus;
        let place = self.place;
        let mut turn = unit;
        let mut found = Vec::new();
        for order in 2..=place.highest() {
            turn *= unit;
            let phasor = match orders.get(order - 1) {
                Some(phasor) => *phasor,
                None if place.hidden(order) => continue,
                None => self.phasor(order as f64 * place.drive_hz),
            };
            found.push((order, phasor * turn / modulus));
        }
        Harmonics {
            orders: found,
            standard_u: HANN_NOISE * part_u / modulus,
            highest_in_band: place.plan.highest_order(place.drive_hz),
        }
    }

    /// Peak of the hum at each mains frequency that a drive may come near, Hz and
    /// SI; where the drive is too near to tell, none. Noise is taken off, down to
    /// its own standard uncertainty.
    pub(super) fn mains(&self, part_u: f64) -> Vec<(f64, f64)> {
        let variance = maths::square(part_u);
        self.place
            .mains_hz()
            .map(|hz| {
                let power = self
                    .place
                    .about(hz)
                    .map(|hz| self.phasor(hz).norm_sqr())
                    .fold(0.0, f64::max);
                (hz, (power - NOISE_POWER * variance).max(variance).sqrt())
            })
            .collect()
    }
}
