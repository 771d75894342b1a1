//! What not knowing the bending stiffness does to a power.
//!
//! In: a setup without EI, a point, a power by sqrt(T m). Out: the same power
//! with that in its uncertainty. Pure.
//!
//! With e = EI k²/T the wave impedance is (1 + 2 e)/sqrt(1 + e) times sqrt(T m),
//! so that a power without EI is too small, by a tenth at the top of the range.
//! Nothing below zero stiffness is possible, and nothing above a bound
//! ([`largest_bending_stiffness_n_m2`]). Anything between is as likely; the
//! effect is not corrected, so its mean square is the squared standard
//! uncertainty (JCGM 100, F.2.4.5).

use crate::maths;
use crate::reduction::{Measured, SettledPoint};
use crate::setup::Setup;
use crate::span::largest_bending_stiffness_n_m2;

/// `power` at a point, without EI, with the missing stiffness in its
/// uncertainty.
pub fn widened(setup: &Setup, point: &SettledPoint, power: Measured) -> Measured {
    let Some(frequency_hz) = point.frequency_hz else {
        return power;
    };
    let mut stiff = setup.strung_conductor();
    stiff.bending_stiffness_n_m2 =
        largest_bending_stiffness_n_m2(1e-3 * setup.conductor.diameter_mm);
    let most = stiff.stiff_wave_impedance_n_s_per_m(frequency_hz.value)
        / stiff.wave_impedance_n_s_per_m()
        - 1.0;
    let standard_u = power.value.abs() * most / 3.0_f64.sqrt();
    Measured::with_standard_u(power.value, maths::hypot(power.standard_u(), standard_u))
}
