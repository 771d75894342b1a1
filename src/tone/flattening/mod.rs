//! Flattened extremes: whether a channel's waveform looks as saturation leaves
//! it, and what that takes from its fundamental. Pure.
//!
//! # What saturation looks like
//! An amplifier that saturates is a characteristic without memory. Of a cosine
//! it makes harmonics in phase with the fundamental's extremes: with the
//! fundamental turned to a real positive phasor all orders are real (Chebyshev
//! polynomials). Harmonics that the span itself makes come with any phase.
//!
//! * **Flat tops.** Cutting cos θ at cos α takes away a pulse from −α to α. Its
//!   parts are those of a clipped sine, `(2/π) I_k(α)` with `I_k = ∫ (cos θ − cos
//!   α) cos kθ dθ` from 0 to α: all odd orders negative, and with one side cut
//!   more than the other the even ones too. Each side has a level of its own.
//! * **Rounded tops** have hardly more than a third order. `y = x − β x³` takes
//!   ¾ β from the fundamental and leaves a third order of −¼ β: three times its
//!   size is missing. A hyperbolic tangent has the same at first order.
//! * **Straight flanks** (`slew`): a limit of the slope has memory, and orders of
//!   its own.
//!
//! The usual test counts how long the signal dwells at its extremes, against
//! the arcsine distribution of a sine (the histogram test of IEEE 1057 and 1241;
//! from memory). Noise of 1 % of the peak washes that out; the orders stand
//! clear of the same noise by the square root of the number of samples.

mod orders;
mod slew;

use num_complex::Complex64;
use std::f64::consts::{FRAC_1_PI, PI};

use self::orders::power;
use self::slew::{Slope, slope};

use crate::maths;

pub use self::orders::HIGHEST_ORDER;

/// Levels tried on each side, in steps of 1 % of the peak; the first is none.
const LEVELS: usize = 56;
/// Flat tops are seen where they leave at most this part of the orders' power
/// unexplained: a phase error of 30 degrees of an order leaves 0.27.
const UNEXPLAINED: f64 = 0.3;
/// And of the power in the orders from here on, at most half: rounded tops and
/// the span's own harmonics have next to nothing there.
const HIGH_ORDER: usize = 5;
const HIGH_UNEXPLAINED: f64 = 0.5;
/// An order counts where it is this many standard uncertainties from zero.
const SIGNIFICANT: f64 = 4.0;
/// Where the low orders are also the span's own, the tops are told by this many
/// significant orders above the third.
const LEAST_ORDERS: usize = 3;
/// Orders that are also the span's own.
const LOW_ORDERS: usize = 3;
/// And what may be left there: with as many freedoms the cut has to fit better.
const UNEXPLAINED_BESIDE: f64 = 0.15;
/// Steps of a turn: five for the shortest wave of the highest order.
const STEPS: usize = 75;
/// Rounds in which the cut-off part is found: each leaves the part cut off of what
/// the one before left, a third at most.
const ROUNDS: usize = 12;
/// tan 20°: farther than that from opposition to the fundamental's extreme, a
/// third order is none of a rounded top. A high-pass that turns the fundamental
/// by 5° leaves 15°.
const ROUNDED_TANGENT: f64 = 0.364;
/// Standard uncertainties from which a third order is taken for one: what it takes
/// goes into the uncertainty, so that little is lost where noise looks like it.
const ROUNDED_SIGNIFICANT: f64 = 2.0;
/// What a rounded top takes from the fundamental over its third order.
const ROUNDED_LOSS: f64 = 3.0;

/// The harmonics of a channel over a hold, each over the fundamental, with the
/// fundamental turned to 1.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Harmonics {
    /// Order and phasor, from the second on. Orders that another tone hides
    /// are left out.
    pub orders: Vec<(usize, Complex64)>,
    /// Standard uncertainty of one part of each.
    pub standard_u: f64,
    /// Highest order within the band. Above it stand, on a source that is not
    /// decimated, orders folded at half the sampling rate: what a channel that
    /// is flattened after its filters, or has none, shows of them.
    pub highest_in_band: usize,
}

/// What the extremes of a waveform, or the flanks between them, look like.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Extremes {
    /// The band does not hold three times the frequency: not known.
    OutOfBand,
    /// Like those of a sine, or of one with harmonics of the span's own.
    Sound,
    /// Cut off flat: part of the fundamental that is missing.
    Flat {
        /// Missing part, 0…1.
        loss: f64,
    },
    /// As a sine whose slope is limited: part of the fundamental that is missing,
    /// at least.
    Slewed {
        /// Missing part, 0…1.
        loss: f64,
    },
    /// Rounded, or with a third order of the span's own that looks so: part of the
    /// fundamental that may be missing.
    Rounded {
        /// Part, 0…1.
        loss: f64,
    },
}

impl Harmonics {
    /// The phasor of an order.
    pub fn order(&self, order: usize) -> Option<Complex64> {
        let found = self.orders.iter().find(|(k, _)| *k == order);
        found.map(|(_, phasor)| *phasor)
    }

    /// The mean over parts of a hold, each with its share of the length.
    pub fn mean<'a>(parts: impl Iterator<Item = &'a Self> + Clone, shares: &[f64]) -> Self {
        let Some(first) = parts.clone().next() else {
            return Self::default();
        };
        let in_all = |order: usize| {
            let weighted = parts.clone().zip(shares);
            weighted
                .map(|(part, share)| Some(part.order(order)? * *share))
                .sum::<Option<Complex64>>()
        };
        let variance: f64 = parts
            .clone()
            .zip(shares)
            .map(|(part, share)| maths::square(share * part.standard_u))
            .sum();
        Self {
            orders: first
                .orders
                .iter()
                .filter_map(|(order, _)| Some((*order, in_all(*order)?)))
                .collect(),
            standard_u: variance.sqrt(),
            highest_in_band: first.highest_in_band,
        }
    }

    /// What the extremes look like.
    pub fn extremes(&self) -> Extremes {
        let third = self.order(3).filter(|_| self.highest_in_band >= 3);
        let in_band: Vec<(usize, Complex64)> = self
            .orders
            .iter()
            .copied()
            .filter(|(order, _)| *order <= self.highest_in_band)
            .collect();
        // Folded orders are there only where nothing filtered them away.
        let flat = self
            .flat(&self.orders)
            .or_else(|| self.flat(&in_band))
            .or_else(|| self.flat_beside_low_orders());
        if let Some(loss) = flat {
            return Extremes::Flat { loss };
        }
        let Some(third) = third else {
            return Extremes::OutOfBand;
        };
        match slope(&in_band, self.standard_u) {
            Some(Slope::Limited { loss }) => return Extremes::Slewed { loss },
            Some(Slope::Possible { loss }) => return Extremes::Rounded { loss },
            None => {}
        }
        let noise = ROUNDED_SIGNIFICANT * self.standard_u;
        let rounded =
            -third.re > noise && third.im.abs() <= ROUNDED_TANGENT * third.re.abs() + noise;
        if rounded {
            Extremes::Rounded {
                loss: ROUNDED_LOSS * -third.re,
            }
        } else {
            Extremes::Sound
        }
    }

    /// Whether flat tops explain these orders, and what they take.
    fn flat(&self, orders: &[(usize, Complex64)]) -> Option<f64> {
        let high: Vec<_> = at_least(orders, HIGH_ORDER);
        let noise = 2.0 * maths::square(self.standard_u);
        if power(&high) < (SIGNIFICANT * SIGNIFICANT + high.len() as f64) * noise {
            return None;
        }
        let cut = best_cut(orders)?;
        let explained = |orders: &[(usize, Complex64)], part: f64| {
            cut.unexplained(orders) <= part * power(orders) + noise * orders.len() as f64
        };
        (explained(orders, UNEXPLAINED) && explained(&high, HIGH_UNEXPLAINED)).then_some(cut.loss)
    }

    /// The same where the second and third order are also the span's own.
    fn flat_beside_low_orders(&self) -> Option<f64> {
        let orders = at_least(&self.orders, LOW_ORDERS + 1);
        let largest = orders.iter().map(|(_, p)| p.norm_sqr()).fold(0.0, f64::max);
        let least = (0.01 * largest).max(maths::square(SIGNIFICANT * self.standard_u));
        let significant = orders.iter().filter(|(_, p)| p.norm_sqr() > least);
        if significant.count() < LEAST_ORDERS {
            return None;
        }
        let mut low = [
            Complex64::ZERO,
            Complex64::ONE,
            Complex64::ZERO,
            Complex64::ZERO,
        ];
        for (order, phasor) in &self.orders {
            if let Some(slot) = low.get_mut(*order).filter(|_| *order <= LOW_ORDERS) {
                *slot = *phasor;
            }
        }
        let turn = Turn::new();
        let all: Vec<(usize, Complex64)> = std::iter::once((1, Complex64::ONE))
            .chain(self.orders.iter().copied())
            .collect();
        let waveform = turn.waveform(&all);
        let top = waveform.iter().copied().fold(f64::MIN, f64::max);
        let bottom = waveform.iter().copied().fold(f64::MAX, f64::min);
        let noise = 2.0 * maths::square(self.standard_u) * orders.len() as f64;
        let mut best: Option<(f64, f64)> = None;
        for top in levels(top) {
            for bottom in levels(bottom) {
                let Some((left, loss)) = turn.cut(&low, &orders, bottom..top) else {
                    continue;
                };
                if best.is_none_or(|(least, _)| left < least) {
                    best = Some((left, loss));
                }
            }
        }
        best.filter(|(left, _)| *left <= UNEXPLAINED_BESIDE * power(&orders) + noise)
            .map(|(_, loss)| loss)
    }
}

/// One turn of the drive in even steps, with the cosines and sines of its orders.
struct Turn {
    /// Phasors of the steps: `exp(i θ)`, then its powers.
    powers: Vec<[Complex64; HIGHEST_ORDER + 1]>,
}

impl Turn {
    fn new() -> Self {
        let step = 2.0 * PI / STEPS as f64;
        let powers = (0..STEPS).map(|i| {
            let first = maths::cis(step * i as f64);
            let mut powers = [Complex64::ONE; HIGHEST_ORDER + 1];
            let mut power = Complex64::ONE;
            for slot in powers.iter_mut().skip(1) {
                power *= first;
                *slot = power;
            }
            powers
        });
        Self {
            powers: powers.collect(),
        }
    }

    /// The waveform that orders make.
    fn waveform(&self, orders: &[(usize, Complex64)]) -> Vec<f64> {
        let value = |powers: &[Complex64; HIGHEST_ORDER + 1]| {
            let part = |(order, phasor): &(usize, Complex64)| {
                powers.get(*order).map_or(0.0, |turn| (phasor * turn).re)
            };
            orders.iter().map(part).sum()
        };
        self.powers.iter().map(value).collect()
    }

    /// Cuts a waveform of low orders at two levels so that `low` is left of it; gives
    /// the power in `orders` that this does not explain, and the part of the
    /// fundamental that was cut off. `None` where there is no such waveform.
    fn cut(
        &self,
        low: &[Complex64; LOW_ORDERS + 1],
        orders: &[(usize, Complex64)],
        levels: std::ops::Range<f64>,
    ) -> Option<(f64, f64)> {
        if levels.start.is_infinite() && levels.end.is_infinite() {
            return None;
        }
        let mut whole = *low;
        let mut missing = Vec::new();
        for _ in 0..ROUNDS {
            missing = self
                .powers
                .iter()
                .map(|powers| {
                    let value: f64 = whole
                        .iter()
                        .zip(powers)
                        .map(|(a, turn)| (a * turn).re)
                        .sum();
                    value - value.clamp(levels.start, levels.end)
                })
                .collect();
            for (order, (whole, low)) in whole.iter_mut().zip(low).enumerate() {
                *whole = low + self.phasor(&missing, order);
            }
        }
        let [_, fundamental, ..] = whole;
        let loss = 1.0 - 1.0 / maths::modulus(fundamental);
        let left = orders
            .iter()
            .map(|(order, phasor)| (phasor + self.phasor(&missing, *order)).norm_sqr())
            .sum();
        (loss > 0.0 && loss < 0.5).then_some((left, loss))
    }

    /// Phasor of an order of a waveform.
    fn phasor(&self, waveform: &[f64], order: usize) -> Complex64 {
        let sum: Complex64 = waveform
            .iter()
            .zip(&self.powers)
            .filter_map(|(value, powers)| Some(powers.get(order)?.conj() * *value))
            .sum();
        let scale = if order == 0 { 1.0 } else { 2.0 };
        sum * (scale / STEPS as f64)
    }
}

/// Levels to try near an extreme: the orders that are missing make the waveform
/// ripple about its flat top. The last is no cut.
fn levels(extreme: f64) -> Vec<f64> {
    let near = [0.94, 0.96, 0.98, 0.99, 1.0, 1.01, 1.02];
    near.iter()
        .map(|factor| factor * extreme)
        .chain([f64::INFINITY.copysign(extreme)])
        .collect()
}

fn at_least(orders: &[(usize, Complex64)], least: usize) -> Vec<(usize, Complex64)> {
    let orders = orders.iter().copied();
    orders.filter(|(order, _)| *order >= least).collect()
}

/// A sine with its two sides cut: orders over the fundamental, and what of that
/// is missing.
struct Cut {
    relative: [f64; HIGHEST_ORDER + 1],
    loss: f64,
}

impl Cut {
    /// `pulses`: what each side takes from each order.
    fn new(top: &[f64; HIGHEST_ORDER + 1], bottom: &[f64; HIGHEST_ORDER + 1]) -> Self {
        let mut relative = [0.0; HIGHEST_ORDER + 1];
        let mut sign = -1.0;
        for ((value, top), bottom) in relative.iter_mut().zip(top).zip(bottom) {
            // The lower extreme is half a turn on: odd orders have their sign
            // turned twice, even ones once.
            sign = -sign;
            *value = sign * bottom - top;
        }
        let left = 1.0 + relative.get(1).copied().unwrap_or_default();
        relative.iter_mut().for_each(|value| *value /= left);
        Self {
            relative,
            loss: 1.0 - left,
        }
    }

    fn unexplained(&self, orders: &[(usize, Complex64)]) -> f64 {
        orders
            .iter()
            .filter_map(|(order, phasor)| Some((phasor - self.relative.get(*order)?).norm_sqr()))
            .sum()
    }
}

/// The cut that leaves least of these orders unexplained; `None` where that is
/// no cut at all.
fn best_cut(orders: &[(usize, Complex64)]) -> Option<Cut> {
    let pulses: Vec<[f64; HIGHEST_ORDER + 1]> = (0..LEVELS)
        .map(|level| pulse(1.0 - 0.01 * level as f64))
        .collect();
    let mut best: Option<(f64, Cut)> = None;
    for (i, top) in pulses.iter().enumerate() {
        for (j, bottom) in pulses.iter().enumerate() {
            if i + j == 0 {
                continue;
            }
            let cut = Cut::new(top, bottom);
            let left = cut.unexplained(orders);
            if best.as_ref().is_none_or(|(least, _)| left < *least) {
                best = Some((left, cut));
            }
        }
    }
    best.map(|(_, cut)| cut)
}

/// What cutting the top of cos θ at `level` takes from each order, (2/π) I_k(α).
fn pulse(level: f64) -> [f64; HIGHEST_ORDER + 1] {
    let half_width = 0.5 * PI - maths::asin(level);
    let mut parts = [0.0; HIGHEST_ORDER + 1];
    for (order, part) in parts.iter_mut().enumerate().skip(1) {
        let k = order as f64;
        let lower = if order == 1 {
            half_width
        } else {
            maths::sin((k - 1.0) * half_width) / (k - 1.0)
        };
        let upper = maths::sin((k + 1.0) * half_width) / (k + 1.0);
        let beneath = level * maths::sin(k * half_width) / k;
        *part = 2.0 * FRAC_1_PI * (0.5 * (lower + upper) - beneath);
    }
    parts
}

#[cfg(test)]
mod tests;
