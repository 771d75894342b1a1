//! What phasors say in the terms of the trade: velocity, drive phase, detuning.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use crate::maths;
use crate::setup::Quantity;

/// Standard uncertainties from which a sensor shows anything of the drive at all.
pub(super) const SHOWS: f64 = 5.0;

/// Largest drive phase that is turned into a distance from the peak, degrees.
/// Beyond it one degree of error makes any distance from 29 half-power
/// bandwidths up to infinity; all that can be said there is 'far off the peak'.
pub const FARTHEST_DRIVE_PHASE_DEG: f64 = 89.0;

/// Peak velocity phasor in m/s of a motion channel's peak phasor.
/// V = A/(j omega) from acceleration, V = j omega Y from displacement.
pub fn velocity_m_s(quantity: Quantity, phasor: Complex64, frequency_hz: f64) -> Complex64 {
    let j_omega = Complex64::new(0.0, TAU * frequency_hz);
    match quantity {
        Quantity::Acceleration => phasor / j_omega,
        Quantity::Displacement => phasor * j_omega,
        Quantity::Velocity | Quantity::Strain | Quantity::Force | Quantity::Voltage => phasor,
    }
}

/// Folds an angle into −90…90 degrees: which of two neighbouring antinodes is
/// measured, and which way round a sensor is mounted, says nothing about
/// resonance.
pub fn fold_half_turn_deg(angle_deg: f64) -> f64 {
    folded(angle_deg, 180.0)
}

/// The same in radians.
pub(super) fn fold_half_turn_rad(angle_rad: f64) -> f64 {
    folded(angle_rad, PI)
}

fn folded(angle: f64, half_turn: f64) -> f64 {
    let folded = angle.rem_euclid(half_turn);
    if folded > 0.5 * half_turn {
        folded - half_turn
    } else {
        folded
    }
}

/// How far above the peak the drive stands, half-power bandwidths, from the drive
/// phase (folded into −90…90 degrees): tan(phase) = −2 (f − f_n)/df, since above
/// the peak the velocity lags the force (design, 7.4). The phase is taken as [`FARTHEST_DRIVE_PHASE_DEG`] at most.
pub fn detuning_bandwidths(drive_phase_deg: f64) -> f64 {
    let phase_deg = drive_phase_deg.clamp(-FARTHEST_DRIVE_PHASE_DEG, FARTHEST_DRIVE_PHASE_DEG);
    -0.5 * maths::tan(phase_deg.to_radians())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half a bandwidth from the peak the phase is 45°: the definition of the
    /// half-power points; above the peak the velocity of mass, spring and damper lags.
    #[test]
    fn the_half_power_points_are_half_a_bandwidth_away() {
        assert!((detuning_bandwidths(-45.0) - 0.5).abs() < 1e-12);
        assert!((detuning_bandwidths(45.0) + 0.5).abs() < 1e-12);
        assert!((detuning_bandwidths(90.0) - detuning_bandwidths(89.0)).abs() < 1e-12);
    }
}
