//! Energy balance of a line span: at what amplitude the wind's power equals
//! what dampers and conductor take.
//!
//! In: a line span, a wind power function, the power of a damper at one
//! frequency and level. Out: the amplitude of the balance, and the longest
//! span a damper protects. Pure.
//!
//! A coarse model (design by energy balance, CIGRE): one frequency at a time, a
//! steady wind square to the line, the damper's power taken as measured on the
//! laboratory's span. Wind power functions alone differ by a factor of two. It
//! ranks; it does not replace the responsible engineer.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use super::wind::WindFunction;
use crate::maths;

/// Self-damping of a conductor, P/L = K (Y/d)^l f^m / T^n in mW/m, with Y the
/// peak antinode amplitude, T in kN and f in Hz.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SelfDamping {
    /// Factor K.
    pub factor: f64,
    /// Exponent l of the amplitude.
    pub amplitude: f64,
    /// Exponent m of the frequency.
    pub frequency: f64,
    /// Exponent n of the tension.
    pub tension: f64,
}

/// Published exponents: name, l, m, n (EPRI 2009, through a public data file).
/// Authors that leave n open are not listed.
pub const SELF_DAMPING_EXPONENTS: &[(&str, [f64; 3])] = &[
    ("seppa-1971", [2.5, 5.75, 2.8]),
    ("kraus-hagedorn-1991", [2.47, 5.38, 2.80]),
    ("noiseux-1991", [2.44, 5.63, 2.76]),
    ("mocks-schmidt-1989", [2.45, 5.38, 2.4]),
    ("politecnico-milano-2000", [2.43, 5.5, 2.0]),
];

impl SelfDamping {
    /// The factor d/sqrt(RTS m) that is usually given with these exponents, d
    /// in mm, rated strength in kN, m in kg/m (public scripts; they disagree
    /// about units: this reading gives physical values).
    pub fn usual_factor(diameter_mm: f64, rated_strength_kn: f64, mass_kg_per_m: f64) -> f64 {
        diameter_mm / (rated_strength_kn * mass_kg_per_m).sqrt()
    }

    /// Power per metre, W/m.
    pub fn power_w_per_m(
        &self,
        frequency_hz: f64,
        peak_over_diameter: f64,
        tension_kn: f64,
    ) -> f64 {
        1e-3 * self.factor
            * maths::powf(peak_over_diameter, self.amplitude)
            * maths::powf(frequency_hz, self.frequency)
            / maths::powf(tension_kn, self.tension)
    }
}

/// A span of a line and what acts on it.
#[derive(Debug, Clone, Copy)]
pub struct LineSpan {
    /// Length, m.
    pub length_m: f64,
    /// Tension, kN.
    pub tension_kn: f64,
    /// Conductor diameter, mm.
    pub diameter_mm: f64,
    /// Dampers on the span.
    pub dampers: u32,
    /// The wind.
    pub wind: &'static WindFunction,
    /// The conductor's own damping; `None`: left out.
    pub self_damping: Option<SelfDamping>,
}

/// The power of one damper at one frequency, W, at an antinode velocity
/// (peak), and how it goes with the level: V^exponent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DamperPower {
    /// Hz.
    pub frequency_hz: f64,
    /// W.
    pub power_w: f64,
    /// Level at which it was measured, mm/s peak.
    pub antinode_velocity_mm_s: f64,
    /// 2 for a linear damper.
    pub exponent: f64,
}

impl DamperPower {
    fn at_w(&self, amplitude_mm_peak: f64) -> f64 {
        let velocity = TAU * self.frequency_hz * amplitude_mm_peak;
        self.power_w * maths::powf(velocity / self.antinode_velocity_mm_s, self.exponent)
    }
}

/// Where wind and damping balance.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "balance", rename_all = "kebab-case")]
pub enum Balance {
    /// At this peak antinode amplitude.
    At {
        /// mm peak.
        amplitude_mm_peak: f64,
    },
    /// Below the least amplitude for which the wind function is valid.
    Below {
        /// mm peak.
        amplitude_mm_peak: f64,
    },
    /// The wind's power is larger up to the largest amplitude for which the
    /// wind function is valid: nothing holds it below that.
    Above {
        /// mm peak.
        amplitude_mm_peak: f64,
    },
}

/// Steps of the search over amplitude, on a logarithmic scale.
const STEPS: u32 = 400;

impl LineSpan {
    /// Wind power less damping, W; above 0 the amplitude grows.
    fn surplus_w(&self, damper: &DamperPower, peak_over_diameter: f64) -> Option<f64> {
        let amplitude_mm = peak_over_diameter * self.diameter_mm;
        let net = self.net_wind_w_per_m(damper.frequency_hz, peak_over_diameter)?;
        Some(self.length_m * net - f64::from(self.dampers) * damper.at_w(amplitude_mm))
    }

    /// Wind power less the conductor's own damping, W/m.
    fn net_wind_w_per_m(&self, frequency_hz: f64, peak_over_diameter: f64) -> Option<f64> {
        let amplitude_mm = peak_over_diameter * self.diameter_mm;
        let wind = self
            .wind
            .power_w_per_m(frequency_hz, amplitude_mm, self.diameter_mm)?;
        let own = self.self_damping.map_or(0.0, |law| {
            law.power_w_per_m(frequency_hz, peak_over_diameter, self.tension_kn)
        });
        Some(wind - own)
    }

    /// The amplitude at which the span settles at a damper's frequency: the
    /// largest at which wind power falls below damping as the amplitude grows.
    pub fn balance(&self, damper: &DamperPower) -> Balance {
        let (low, high) = self.wind.valid_peak_over_diameter();
        let at = |step: u32| low * maths::powf(high / low, f64::from(step) / f64::from(STEPS));
        let grows = |x: f64| self.surplus_w(damper, x).is_some_and(|s| s > 0.0);
        if grows(high) {
            return Balance::Above {
                amplitude_mm_peak: high * self.diameter_mm,
            };
        }
        let Some(step) = (0..STEPS).rev().find(|&step| grows(at(step))) else {
            return Balance::Below {
                amplitude_mm_peak: low * self.diameter_mm,
            };
        };
        let (mut below, mut above) = (at(step), at(step + 1));
        for _ in 0..60 {
            let middle = 0.5 * (below + above);
            if grows(middle) {
                below = middle;
            } else {
                above = middle;
            }
        }
        Balance::At {
            amplitude_mm_peak: 0.5 * (below + above) * self.diameter_mm,
        }
    }

    /// The longest span, m, whose amplitude the dampers hold at or below a
    /// limit at this frequency; infinite where the conductor's own damping
    /// does it alone. `None` where the wind function says nothing at the limit.
    pub fn longest_protected_m(&self, damper: &DamperPower, limit_mm_peak: f64) -> Option<f64> {
        let net = self.net_wind_w_per_m(damper.frequency_hz, limit_mm_peak / self.diameter_mm)?;
        let dampers_w = f64::from(self.dampers) * damper.at_w(limit_mm_peak);
        Some(if net > 0.0 {
            dampers_w / net
        } else {
            f64::INFINITY
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noiseux() -> SelfDamping {
        let (_, [amplitude, frequency, tension]) = SELF_DAMPING_EXPONENTS[2];
        SelfDamping {
            factor: SelfDamping::usual_factor(28.12, 140.1, 1.628),
            amplitude,
            frequency,
            tension,
        }
    }

    fn span() -> LineSpan {
        LineSpan {
            length_m: 300.0,
            tension_kn: 35.03,
            diameter_mm: 28.12,
            dampers: 2,
            wind: WindFunction::by_id("iec-61897-1998").unwrap(),
            self_damping: None,
        }
    }

    #[test]
    fn self_damping_of_a_known_conductor() {
        // ACSR Drake at 25 % of its strength, 200 mm/s peak: 0.21, 1.95, 7.1,
        // 17.8 mW/m at 10, 20, 30, 40 Hz (computed by other code).
        for (f, mw) in [(10.0, 0.21), (20.0, 1.95), (30.0, 7.1), (40.0, 17.8)] {
            let x = 200.0 / (TAU * f) / 28.12;
            let p = noiseux().power_w_per_m(f, x, 35.03) * 1e3;
            assert!((p / mw - 1.0).abs() < 0.03, "{f}: {p}");
        }
    }

    #[test]
    fn the_balance_is_where_the_wind_is_just_matched() {
        // Drake at 20 Hz and 200 mm/s peak: the wind puts in 2.335 mW/m (IEC
        // 1998, computed by other code), 0.7005 W on 300 m. Two dampers of
        // half of it each balance there.
        let damper = DamperPower {
            frequency_hz: 20.0,
            power_w: 0.7005 / 2.0,
            antinode_velocity_mm_s: 200.0,
            exponent: 2.0,
        };
        let Balance::At { amplitude_mm_peak } = span().balance(&damper) else {
            panic!("no balance");
        };
        assert!(
            (amplitude_mm_peak - 1.592).abs() < 0.02,
            "{amplitude_mm_peak}"
        );
        // And the span so protected at that amplitude is this one.
        let longest = span().longest_protected_m(&damper, 1.592).unwrap();
        assert!((longest - 300.0).abs() < 1.0, "{longest}");
    }

    #[test]
    fn the_conductors_own_damping_lowers_the_amplitude() {
        let damper = DamperPower {
            frequency_hz: 20.0,
            // Just balances at 200 mm/s without it, see above.
            power_w: 0.7005 / 2.0,
            antinode_velocity_mm_s: 200.0,
            exponent: 2.0,
        };
        let damped = LineSpan {
            self_damping: Some(noiseux()),
            ..span()
        };
        let amplitude = |b| match b {
            Balance::At { amplitude_mm_peak } => amplitude_mm_peak,
            other => panic!("{other:?}"),
        };
        assert!(amplitude(damped.balance(&damper)) < 0.9 * amplitude(span().balance(&damper)));
        assert!(damped.longest_protected_m(&damper, 1.592).unwrap() > 1000.0);
    }

    #[test]
    fn outside_the_wind_functions_range_it_says_so() {
        let damper = |power_w| DamperPower {
            frequency_hz: 20.0,
            power_w,
            antinode_velocity_mm_s: 200.0,
            exponent: 2.0,
        };
        // IEC 1998 is valid from Ypp/d 0.01 to 0.40, so peak 0.141 to 5.62 mm.
        let strong = span().balance(&damper(50.0));
        assert!(
            matches!(strong, Balance::Below { amplitude_mm_peak } if (amplitude_mm_peak - 0.1406).abs() < 1e-4)
        );
        let weak = span().balance(&damper(1e-4));
        assert!(
            matches!(weak, Balance::Above { amplitude_mm_peak } if (amplitude_mm_peak - 5.624).abs() < 1e-3)
        );
        assert_eq!(span().longest_protected_m(&damper(1.0), 20.0), None);
    }
}
