//! Physics of the strung conductor: wave speed, harmonics, wind power, the test plan. Pure.
//!
//! In: conductor, tension, span (from a [`Setup`] or as plain numbers).
//! Out: numbers and a [`plan::Plan`]. Touches nothing.
//!
//! Amplitudes and velocities are peak values unless a name says `pp`.

pub mod balance;
pub mod harmonics;
pub mod places;
pub mod plan;
pub mod shedding;
pub mod strain;
pub mod waves;
pub mod wind;

use crate::setup::Setup;

pub use waves::StrungConductor;

/// The number of the harmonic that a measured frequency belongs to, see
/// [`StrungConductor::harmonic_with_damper`]. `None` when the frequency lies
/// between two harmonics, or is no positive number.
pub fn harmonic_of(setup: &Setup, frequency_hz: f64) -> Option<u32> {
    let damper_m = setup.span.damper_position_m.unwrap_or(0.0);
    StrungConductor::of(setup).harmonic_with_damper(frequency_hz, damper_m)
}
