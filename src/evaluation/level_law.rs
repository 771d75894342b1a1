//! How a power goes with the level, from readings at several levels.

use super::bare::LEAST_LEVEL_RATIO;
use crate::maths;
use crate::reduction::Measured;

/// How a power went with the level at one harmonic: `P ∝ V^exponent`, shown by
/// readings at two levels or more.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelLaw {
    /// The exponent; 2 where everything is linear.
    pub exponent: Measured,
    /// Lowest and highest level read, mm/s peak.
    levels_mm_s: (f64, f64),
}

impl LevelLaw {
    /// Least squares of ln P over ln V through readings (antinode velocity,
    /// mm/s peak; power, W). `None` where the levels are too close to show a law,
    /// or a power is not above 0.
    pub fn of(readings: &[(f64, Measured)]) -> Option<Self> {
        if readings.iter().any(|(v, p)| !(*v > 0.0 && p.value > 0.0)) {
            return None;
        }
        let n = readings.len() as f64;
        let x_mean = readings.iter().map(|(v, _)| maths::ln(*v)).sum::<f64>() / n;
        let y_mean = readings
            .iter()
            .map(|(_, p)| maths::ln(p.value))
            .sum::<f64>()
            / n;
        let (mut sxx, mut sxy, mut noise) = (0.0, 0.0, 0.0);
        for (v, p) in readings {
            let x = maths::ln(*v) - x_mean;
            sxx += x * x;
            sxy += x * (maths::ln(p.value) - y_mean);
            // Calibration is shared by all levels and turns no slope; that it
            // is counted here makes the exponent's uncertainty too large.
            noise += maths::square(x * p.u / p.value);
        }
        let low = readings
            .iter()
            .map(|(v, _)| *v)
            .fold(f64::INFINITY, f64::min);
        let high = readings.iter().map(|(v, _)| *v).fold(0.0, f64::max);
        (high >= LEAST_LEVEL_RATIO * low).then(|| Self {
            exponent: Measured::new(sxy / sxx, noise.sqrt() / sxx),
            levels_mm_s: (low, high),
        })
    }

    /// The power at another level than the one it was read at. `None` outside
    /// the levels read, each widened by `tolerance_pct`.
    pub fn scaled(
        &self,
        power: Measured,
        from_mm_s: f64,
        to_mm_s: f64,
        tolerance_pct: f64,
    ) -> Option<Measured> {
        let wide = 1.0 + tolerance_pct / 100.0;
        let (low, high) = self.levels_mm_s;
        let inside = to_mm_s >= low / wide && to_mm_s <= high * wide;
        let ratio = to_mm_s / from_mm_s;
        let factor = maths::powf(ratio, self.exponent.value);
        let power_w = power.value * factor;
        let u_w = maths::hypot(
            power.u * factor,
            power_w * maths::ln(ratio) * self.exponent.u,
        );
        (inside && power_w.is_finite()).then_some(Measured::new(power_w, u_w))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(v: f64, power_w: f64) -> (f64, Measured) {
        (v, Measured::new(power_w, 0.02 * power_w))
    }

    #[test]
    fn two_levels_show_the_law_between_them_and_not_beyond() {
        // 0.4 W at 100 mm/s and 1.6 W at 200 mm/s: a square.
        let law = LevelLaw::of(&[reading(100.0, 0.4), reading(200.0, 1.6)]).unwrap();
        assert!((law.exponent.value - 2.0).abs() < 1e-12);
        // sqrt(2) · 2 % / ln 2, by hand.
        assert!((law.exponent.u - 0.0408).abs() < 1e-4);
        let (v, p) = reading(200.0, 1.6);
        let scaled = law.scaled(p, v, 190.0, 10.0).unwrap();
        assert!((scaled.value - 1.6 * 0.9025).abs() < 1e-12);
        assert_eq!(law.scaled(p, v, 300.0, 10.0), None);
    }

    #[test]
    fn one_level_or_close_ones_show_nothing() {
        assert_eq!(LevelLaw::of(&[]), None);
        assert_eq!(LevelLaw::of(&[reading(100.0, 0.4)]), None);
        assert_eq!(
            LevelLaw::of(&[reading(100.0, 0.4), reading(110.0, 0.5)]),
            None
        );
        assert_eq!(
            LevelLaw::of(&[reading(100.0, -0.1), reading(200.0, 0.5)]),
            None
        );
    }
}
