//! The level at which points are to be taken, and how far off they are.

use std::f64::consts::PI;

use serde::Deserialize;

use super::words::LevelRule;

/// `[amplitude]`
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Amplitude {
    /// Which quantity is kept.
    pub rule: LevelRule,
    /// Its value, in the unit the rule names.
    pub value: f64,
    /// How far a point may be off, %.
    pub tolerance_pct: f64,
}

impl Amplitude {
    /// Antinode velocity, m/s peak, that the rule asks for at a frequency;
    /// `None` where the rule is kept by strain.
    ///
    /// An amplitude of k/f peak-to-peak is a constant velocity of pi k peak:
    /// V = 2 pi f · (k/f)/2.
    pub fn target_velocity_m_s(self, frequency_hz: f64) -> Option<f64> {
        if frequency_hz <= 0.0 {
            return None;
        }
        match self.rule {
            LevelRule::ConstantVelocity => Some(self.value * 1e-3),
            LevelRule::InverseFrequency => Some(PI * self.value * 1e-3),
            LevelRule::ClampStrain => None,
        }
    }

    /// Deviation from the level, %. `largest_strain_pp_um_m` counts under the
    /// clamp-strain rule, the velocity under the other two; `None` where the
    /// one that counts is not known.
    pub fn deviation_pct(
        self,
        frequency_hz: f64,
        antinode_velocity_m_s: f64,
        largest_strain_pp_um_m: Option<f64>,
    ) -> Option<f64> {
        let ratio = match self.rule {
            LevelRule::ClampStrain => largest_strain_pp_um_m? / self.value,
            LevelRule::ConstantVelocity | LevelRule::InverseFrequency => {
                antinode_velocity_m_s / self.target_velocity_m_s(frequency_hz)?
            }
        };
        Some(100.0 * (ratio - 1.0))
    }

    /// The level in words: "constant-velocity 200 mm/s peak ± 10 %".
    pub fn statement(self) -> String {
        format!(
            "{} {} {} ± {} %",
            self.rule.name(),
            self.value,
            self.rule.unit(),
            self.tolerance_pct
        )
    }
}
