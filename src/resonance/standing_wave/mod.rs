//! The standing wave from accelerometers that nobody moves.
//!
//! In: complex amplitudes at two or more known places along the conductor. Out:
//! the two waves that run there, and from them the motion at the node that is read,
//! at the antinode beside it and at every other place. Pure.
//!
//! Between drive and damper, beyond the near field of both, the conductor moves as
//! two waves: `y(x) = a e^(−jκx) + b e^(+jκx)`, a towards the damper, b back, with
//! κ = k − jα: k from `T k² + EI k⁴ = m ω²`, α the conductor's own loss. Two places
//! give a and b, more of them say besides whether two waves explain what is measured
//! (the two-microphone method of ISO 10534-2, on a string; there for a duct).
//! Where the waves are opposite is a node, a quarter wave before it an antinode,
//! and S = (|a| − |b|)/(|a| + |b|) at the node is the inverse standing wave ratio that
//! a pair of moved sensors reads there (IEEE 664).

mod expected;
mod judge;
mod known;
mod loss;
mod node_pattern;
mod reading;
mod shown;
mod suspect;
mod two_waves;

pub use expected::{ExpectedReading, ExpectedWave};
pub use judge::judge;
pub use known::{
    as_matched, fading_parts_per_m, fading_standard_u_per_m, matched, reading_end_m,
    unstated_stiffness_u, wave_number_standard_u, wave_number_standard_u_parts,
};
pub use loss::ConductorLoss;
pub use node_pattern::NodePattern;
pub use reading::FixedReading;
pub use shown::{ShownWaves, TrustedWaves};
pub use suspect::Suspect;
pub use two_waves::{
    FixedSensor, MOST_CONDITION, NodeReading, TwoWaves, WaveFitError, WaveNumber, condition,
};

#[cfg(test)]
pub(crate) mod finite_elements;
#[cfg(test)]
mod tests;
