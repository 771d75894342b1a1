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

/// The number of the harmonic that a measured frequency belongs to: the bare
/// span's nearest. A damper shifts its span's resonances by up to half a
/// spacing, so there every frequency has a number, which half way between two
/// may be one off; on a bare span such a frequency has none
/// ([`StrungConductor::harmonic_of`]). `None` also when the frequency is no
/// positive number.
pub fn harmonic_of(setup: &Setup, frequency_hz: f64) -> Option<u32> {
    let conductor = StrungConductor::of(setup);
    match setup.span.damper_position_m {
        Some(_) => conductor.nearest_harmonic(frequency_hz, 0.5),
        None => conductor.harmonic_of(frequency_hz),
    }
}
