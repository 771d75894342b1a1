//! How steady a reading is over a hold: trend, and departures that last.
//!
//! In: the course of a reading, one value a hop, and its noise. Out: its trend
//! and its largest departure from the mean. Pure.

use num_complex::Complex64;

use super::phasor::velocity_m_s;
use super::trend::trend;
use crate::maths;
use crate::setup::Quantity;
use crate::tone::interval::IntervalChannel;

/// Departures are looked for in means over so many hops: a dropout of a part of a
/// second, a step of some seconds, a slow wander.
const SCALES_HOPS: [usize; 3] = [1, 4, 16];
/// Standard deviations of noise that a departure is allowed on top of its
/// limit: of the 240 hops of a minute's hold noise reaches them once in 7000
/// holds.
const DEPARTURE_NOISE: f64 = 5.0;
/// The same for a trend, of which a hold has one: once in 16 000 holds.
const TREND_NOISE: f64 = 4.0;
/// Noise that a fault has raised is not the noise to allow for: it is taken as
/// this much above what one hop differs from the next at most.
const NOISE_OVER_DIFFERENCES: f64 = 1.5;
/// Median of |x| of a normal distribution over its standard deviation.
const NORMAL_MEDIAN: f64 = 0.6745;

/// A reading over a hold, in the reading's own unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Steadiness {
    /// Its mean.
    pub mean: f64,
    /// Change from start to end along its straight line.
    pub change: f64,
    /// Standard uncertainty of `change` from noise.
    pub change_u: f64,
    /// Largest departure from the mean, after what noise may make of it.
    pub departure: f64,
    /// What noise may make of it.
    pub departure_noise: f64,
}

impl Steadiness {
    /// Of values one a hop, each with the standard uncertainty `noise_u`; `None`
    /// for fewer than three.
    pub fn new(values: &[f64], noise_u: f64) -> Option<Self> {
        let line = trend(values, 1)?;
        let noise_u = noise_u.min(NOISE_OVER_DIFFERENCES * noise_of_differences(values));
        let count = values.len() as f64;
        let (departure, departure_noise) = SCALES_HOPS
            .iter()
            .filter(|scale| **scale <= values.len() / 2)
            .map(|scale| {
                let largest = means(values, *scale)
                    .map(|mean| mean - line.mean)
                    .fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a });
                (largest, DEPARTURE_NOISE * noise_u / (*scale as f64).sqrt())
            })
            .fold((0.0, f64::INFINITY), |a: (f64, f64), b: (f64, f64)| {
                if b.0.abs() - b.1 > a.0.abs() - a.1 {
                    b
                } else {
                    a
                }
            });
        Some(Self {
            mean: line.mean,
            change: line.change,
            // The slope of n even values has the variance 12 sigma²/n³.
            change_u: noise_u * (12.0 / count).sqrt(),
            departure,
            departure_noise,
        })
    }

    /// Whether the trend is within `limit`, noise allowed for.
    pub fn trend_within(&self, limit: f64) -> bool {
        self.change.abs() <= limit + TREND_NOISE * self.change_u
    }

    /// Whether no departure exceeds `limit`, noise allowed for.
    pub fn departures_within(&self, limit: f64) -> bool {
        self.departure.abs() <= limit + self.departure_noise
    }

    /// Standard uncertainty of the mean as the value that belongs to one instant
    /// of the hold: what the trend has beyond noise, over its whole width with
    /// equal probability (JCGM 100, 4.3.7: the width squared over 12). A trend that
    /// noise alone reaches in 5 of 100 holds is none: the noise is counted by
    /// itself.
    pub fn trend_standard_u(&self) -> f64 {
        standard_u_of_trend(self.change, self.change_u)
    }

    /// The same reading in units of its mean's size, a relative one.
    #[must_use]
    pub fn relative(&self) -> Self {
        let size = self.mean.abs();
        Self {
            mean: self.mean / size,
            change: self.change / size,
            change_u: self.change_u / size,
            departure: self.departure / size,
            departure_noise: self.departure_noise / size,
        }
    }
}

/// The same of a change with its standard uncertainty.
pub(super) fn standard_u_of_trend(change: f64, change_u: f64) -> f64 {
    if change.abs() <= 2.0 * change_u {
        return 0.0;
    }
    let beyond = maths::square(change) - maths::square(change_u);
    (beyond.max(0.0) / 12.0).sqrt()
}

/// Means over `scale` hops in a row, every half of them.
fn means(values: &[f64], scale: usize) -> impl Iterator<Item = f64> {
    values
        .windows(scale)
        .step_by((scale / 2).max(1))
        .map(move |some| some.iter().sum::<f64>() / scale as f64)
}

/// Standard deviation of a value from the median of what one differs from the
/// next: a step or a dropout moves it little.
fn noise_of_differences(values: &[f64]) -> f64 {
    let differences = values.windows(2).filter_map(|pair| match pair {
        [before, after] => Some((after - before).abs()),
        _ => None,
    });
    let median = super::hop_estimate::median(differences).unwrap_or_default();
    median / (NORMAL_MEDIAN * std::f64::consts::SQRT_2)
}

/// A channel's fit and what it measures.
pub type Reading<'a> = (&'a IntervalChannel, Quantity);

/// The course of one channel over another's, hop by hop, motion as velocity,
/// and the standard uncertainty of its parts from noise.
pub fn ratio_course(
    (channel, quantity): Reading,
    (reference, reference_quantity): Reading,
    frequency_hz: f64,
) -> (Vec<Complex64>, f64) {
    // Both are read at one frequency: between their quantities stands a factor.
    let velocity = |quantity| velocity_m_s(quantity, Complex64::ONE, frequency_hz);
    let factor = velocity(quantity) / velocity(reference_quantity);
    let ratios = channel
        .course
        .iter()
        .zip(&reference.course)
        .map(|(channel, reference)| channel / reference * factor)
        .collect();
    let size = maths::modulus(reference.phasor.value);
    let whole = maths::modulus(channel.phasor.value) / size;
    let u = maths::hypot(channel.course_u, whole * reference.course_u) / size;
    (ratios, u * maths::modulus(factor))
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Noise of standard deviation 1: Knuth's MMIX generator, the upper bits of
    /// twelve sums.
    pub(in crate::resonance) fn noise(seed: u64, count: usize) -> Vec<f64> {
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        (0..count)
            .map(|_| {
                (0..12)
                    .map(|_| {
                        state = state
                            .wrapping_mul(6_364_136_223_846_793_005)
                            .wrapping_add(1_442_695_040_888_963_407);
                        (state >> 40) as f64 / f64::from(1 << 24) - 0.5
                    })
                    .sum()
            })
            .collect()
    }

    #[test]
    fn noise_alone_is_steady() {
        for seed in 0..2000 {
            let values: Vec<f64> = noise(seed, 48).iter().map(|x| 1.0 + 0.06 * x).collect();
            let steady = Steadiness::new(&values, 0.06).unwrap();
            assert!(steady.trend_within(0.0), "{seed}: {steady:?}");
            assert!(steady.departures_within(0.01), "{seed}: {steady:?}");
        }
    }

    /// The trend's noise against the scatter of many trends.
    #[test]
    fn the_noise_of_a_trend_is_what_trends_scatter() {
        let trends: Vec<f64> = (0..2000)
            .map(|seed| Steadiness::new(&noise(seed, 48), 1.0).unwrap().change)
            .collect();
        let scatter = (trends.iter().map(|x| x * x).sum::<f64>() / 2000.0).sqrt();
        let stated = Steadiness::new(&noise(1, 48), 1.0).unwrap().change_u;
        assert!((scatter / stated - 1.0).abs() < 0.06, "{scatter} {stated}");
    }

    #[test]
    fn a_step_a_dropout_and_a_slope_are_seen_whatever_noise_they_pretend() {
        let quiet = noise(7, 60);
        let course = |fault: &dyn Fn(usize) -> f64| {
            let values: Vec<f64> = quiet
                .iter()
                .enumerate()
                .map(|(i, x)| fault(i) * (1.0 + 0.005 * x))
                .collect();
            // What a fit with the fault in its residual states as noise.
            Steadiness::new(&values, 0.2).unwrap()
        };
        let step = course(&|i| if i < 40 { 1.0 } else { 0.75 });
        assert!(!step.departures_within(0.03), "{step:?}");
        let dropout = course(&|i| if i == 30 { 0.4 } else { 1.0 });
        assert!(!dropout.departures_within(0.03), "{dropout:?}");
        let slope = course(&|i| 1.0 - 0.1 * i as f64 / 59.0);
        assert!(!slope.trend_within(0.02), "{slope:?}");
        assert!(course(&|_| 1.0).departures_within(0.0));
    }

    /// A quantity that runs evenly from 0.9 to 1.1 is known as its mean to
    /// 0.2/sqrt(12) (JCGM 100, 4.3.7).
    #[test]
    fn a_trend_is_known_to_its_width_over_root_12() {
        let values: Vec<f64> = (0..201).map(|i| 0.9 + 0.001 * f64::from(i)).collect();
        let u = Steadiness::new(&values, 1e-6).unwrap().trend_standard_u();
        assert!((u / (0.2 / 12.0_f64.sqrt()) - 1.0).abs() < 1e-3, "{u}");
    }
}
