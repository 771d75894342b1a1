//! One axis of a figure: its range, its ticks at 1-2-5 steps, its labels.

use super::number::fixed;
use crate::maths;

/// One axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// Quantity and unit, as in `drive phase, deg`.
    pub label: String,
    /// Least value shown.
    pub low: f64,
    /// Largest value shown.
    pub high: f64,
    /// Whether equal ratios are equally long.
    logarithmic: bool,
}

/// Where a tick stands and what is written there.
#[derive(Debug, Clone, PartialEq)]
pub struct Tick {
    /// Its value.
    pub value: f64,
    /// Its text.
    pub text: String,
}

impl Axis {
    /// An axis from `low` to `high`; widened where that is no range.
    pub fn new(label: &str, low: f64, high: f64) -> Self {
        let (low, high) = if low.is_finite() && high.is_finite() {
            (low.min(high), low.max(high))
        } else {
            (0.0, 1.0)
        };
        let least = 1e-9 * low.abs().max(high.abs()).max(1e-3);
        let (low, high) = if high - low < least {
            (
                low - 0.5 * low.abs().max(1e-3),
                high + 0.5 * high.abs().max(1e-3),
            )
        } else {
            (low, high)
        };
        Self {
            label: label.to_owned(),
            low,
            high,
            logarithmic: false,
        }
    }

    /// A logarithmic axis over all positive `values`, from one step of 1, 2 or 5
    /// times a power of ten to another; one decade up to 1 without any.
    pub fn logarithmic(label: &str, values: impl Iterator<Item = f64>) -> Self {
        let (least, most) = values
            .filter(|value| value.is_finite() && *value > 0.0)
            .fold((f64::INFINITY, 0.0_f64), |(least, most), value| {
                (least.min(value), most.max(value))
            });
        let (least, most) = if most > 0.0 {
            (least, most)
        } else {
            (0.1, 1.0)
        };
        let steps = round_steps(least, most);
        let below = steps.iter().rev().find(|step| **step < 0.95 * least);
        let above = steps.iter().find(|step| **step > 1.05 * most);
        Self {
            logarithmic: true,
            ..Self::new(
                label,
                below.copied().unwrap_or(least),
                above.copied().unwrap_or(most),
            )
        }
    }

    /// An axis over all finite `values` with a little room at both ends.
    pub fn over(label: &str, values: impl Iterator<Item = f64>) -> Self {
        let (low, high) = values
            .filter(|value| value.is_finite())
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), value| {
                (low.min(value), high.max(value))
            });
        let room = 0.06 * (high - low);
        Self::new(label, low - room, high + room)
    }

    /// The same from zero up.
    pub fn from_zero(label: &str, values: impl Iterator<Item = f64>) -> Self {
        let high = values.filter(|value| value.is_finite()).fold(0.0, f64::max);
        Self::new(label, 0.0, if high > 0.0 { 1.08 * high } else { 1.0 })
    }

    /// Place on the axis: 0 at `low`, 1 at `high`.
    ///
    /// On a logarithmic axis what is not positive has its place far below it.
    pub fn place(&self, value: f64) -> f64 {
        if self.logarithmic {
            let above = |value: f64| maths::log10(value / self.low);
            if value > 0.0 {
                above(value) / above(self.high)
            } else {
                -10.0
            }
        } else {
            (value - self.low) / (self.high - self.low)
        }
    }

    /// Ticks at steps of 1, 2 or 5 times a power of ten, at most `most` where
    /// three or more then remain.
    pub fn ticks(&self, most: usize) -> Vec<Tick> {
        if self.logarithmic {
            return self.logarithmic_ticks(most);
        }
        let span = self.high - self.low;
        let rough = span / most.max(2) as f64;
        let power = maths::log10(rough).floor() as i32;
        // From coarse to fine. The finest step that keeps to `most` is taken,
        // unless it leaves fewer than three ticks.
        let series = [
            (1, power + 1),
            (5, power),
            (2, power),
            (1, power),
            (5, power - 1),
            (2, power - 1),
        ];
        let step_of = |(digit, power): (u8, i32)| f64::from(digit) * maths::power_of_ten(power);
        let ends = |step: f64| {
            let first = (self.low / step - 1e-6).ceil() as i64;
            let last = (self.high / step + 1e-6).floor() as i64;
            (first, last)
        };
        let fits = series
            .iter()
            .rposition(|step| step_of(*step) >= rough * (1.0 - 1e-9))
            .unwrap_or_default();
        let (step, power) = series
            .iter()
            .skip(fits)
            .map(|step| (step_of(*step), step.1))
            .find(|(step, _)| {
                let (first, last) = ends(*step);
                last - first >= 2
            })
            .unwrap_or((rough, power - 1));
        let (first, last) = ends(step);
        (first..=last)
            .take(4 * most.max(2))
            .map(|count| {
                let value = count as f64 * step;
                Tick {
                    value,
                    text: fixed(value, -power),
                }
            })
            .collect()
    }

    /// Every step, or the powers of ten alone where those are too many.
    fn logarithmic_ticks(&self, most: usize) -> Vec<Tick> {
        let steps = round_steps(self.low, self.high);
        let within = steps
            .into_iter()
            .filter(|step| *step >= 0.999 * self.low && *step <= 1.001 * self.high);
        let all: Vec<f64> = within.collect();
        let powers: Vec<f64> = all
            .iter()
            .copied()
            .filter(|step| {
                let power = maths::log10(*step);
                (power - power.round()).abs() < 1e-6
            })
            .collect();
        let shown = if all.len() <= most.max(3) || powers.len() < 2 {
            all
        } else {
            powers
        };
        shown
            .into_iter()
            .map(|value| Tick {
                value,
                text: fixed(value, -(maths::log10(value * 1.000_001).floor() as i32)),
            })
            .collect()
    }
}

/// 1, 2 and 5 times the powers of ten from below `low` to above `high`, both
/// positive.
fn round_steps(low: f64, high: f64) -> Vec<f64> {
    let first = maths::log10(low).floor() as i32 - 1;
    let last = maths::log10(high).floor() as i32 + 1;
    (first..=last)
        .flat_map(|power| [1.0, 2.0, 5.0].map(|digit| digit * maths::power_of_ten(power)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn texts(low: f64, high: f64) -> Vec<String> {
        let ticks = Axis::new("", low, high).ticks(5);
        ticks.into_iter().map(|tick| tick.text).collect()
    }

    #[test]
    fn ticks_go_by_one_two_five() {
        assert_eq!(texts(0.0, 10.0), ["0", "2", "4", "6", "8", "10"]);
        assert_eq!(texts(-0.12, 0.31), ["-0.1", "0.0", "0.1", "0.2", "0.3"]);
        assert_eq!(texts(0.0, 23.0), ["0", "5", "10", "15", "20"]);
        let few = Axis::new("", -95.0, 95.0).ticks(3);
        let few: Vec<&str> = few.iter().map(|tick| tick.text.as_str()).collect();
        assert_eq!(few, ["-50", "0", "50"]);
        assert_eq!(
            texts(1000.0, 1000.4),
            ["1000.0", "1000.1", "1000.2", "1000.3", "1000.4"]
        );
    }

    #[test]
    fn a_logarithmic_axis_goes_by_ratios() {
        let axis = Axis::logarithmic("", [0.003, f64::NAN, -1.0, 0.0, 1.7].into_iter());
        assert_eq!((axis.low, axis.high), (0.002, 2.0));
        assert!((axis.place(0.02) - axis.place(0.002) - 1.0 / 3.0).abs() < 1e-12);
        assert_eq!((axis.place(0.002), axis.place(2.0)), (0.0, 1.0));
        assert!(axis.place(0.0) < -1.0 && axis.place(-3.0) < -1.0);
        let texts = |axis: &Axis, most: usize| {
            let ticks = axis.ticks(most);
            ticks.into_iter().map(|tick| tick.text).collect::<Vec<_>>()
        };
        assert_eq!(texts(&axis, 5), ["0.01", "0.1", "1"]);
        let one = Axis::logarithmic("", [3.0, 80.0].into_iter());
        assert_eq!(texts(&one, 8), ["2", "5", "10", "20", "50", "100"]);
        let none = Axis::logarithmic("", std::iter::empty());
        assert!(none.ticks(5).len() >= 2 && none.high > none.low, "{none:?}");
    }

    #[test]
    fn an_axis_without_a_range_gets_one() {
        for (low, high) in [
            (5.0, 5.0),
            (0.0, 0.0),
            (f64::NAN, 1.0),
            (3.0, f64::INFINITY),
        ] {
            let axis = Axis::new("", low, high);
            assert!(axis.high > axis.low && axis.ticks(5).len() >= 2, "{axis:?}");
        }
        let empty = Axis::over("", std::iter::empty());
        assert_eq!((empty.low, empty.high), (0.0, 1.0));
    }
}
