//! Physics of the strung conductor: wave speed, harmonics, wind power. Pure.
//!
//! In: conductor, tension, span as plain numbers. Out: numbers. Touches
//! nothing and imports nothing of the other modules.
//!
//! Amplitudes and velocities are peak values unless a name says `pp`.

pub mod balance;
pub mod fitted;
pub mod harmonics;
pub mod nodes;
pub mod places;
pub mod shedding;
pub mod strain;
pub mod waves;
pub mod wind;

pub use waves::{StrungConductor, largest_bending_stiffness_n_m2};
