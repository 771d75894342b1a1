//! The level at which points are to be taken, and how far off they are.

use std::f64::consts::PI;

use super::{LevelRule, Setup};

/// Antinode velocity, m/s peak, that the setup's rule asks for at a frequency;
/// `None` without a rule, or where the rule is kept by strain.
///
/// An amplitude of k/f peak-to-peak is a constant velocity of pi k peak:
/// V = 2 pi f · (k/f)/2.
pub fn target_velocity_m_s(setup: &Setup, frequency_hz: f64) -> Option<f64> {
    let amplitude = setup.amplitude?;
    if frequency_hz <= 0.0 {
        return None;
    }
    match amplitude.rule {
        LevelRule::ConstantVelocity => Some(amplitude.value * 1e-3),
        LevelRule::InverseFrequency => Some(PI * amplitude.value * 1e-3),
        LevelRule::ClampStrain => None,
    }
}

/// Deviation from the level that was to be kept, %. `largest_strain_pp_um_m`
/// counts under the clamp-strain rule, the velocity under the other two.
pub fn target_deviation_pct(
    setup: &Setup,
    frequency_hz: f64,
    antinode_velocity_m_s: f64,
    largest_strain_pp_um_m: Option<f64>,
) -> Option<f64> {
    let amplitude = setup.amplitude?;
    let ratio = match amplitude.rule {
        LevelRule::ClampStrain => largest_strain_pp_um_m? / amplitude.value,
        LevelRule::ConstantVelocity | LevelRule::InverseFrequency => {
            antinode_velocity_m_s / target_velocity_m_s(setup, frequency_hz)?
        }
    };
    Some(100.0 * (ratio - 1.0))
}
