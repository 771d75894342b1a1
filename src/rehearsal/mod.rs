//! A virtual span that produces recordings or a serial stream, and the truth.
//!
//! In: a checked [`Setup`](crate::setup::Setup), a [`SpanModel`] with what a
//! setup file does not hold (damper, losses), a [`Program`] of dwells and
//! faults, [`Sensors`] with their faults. Out: samples of every channel in
//! digital full scale, and beside them what an ideal observer would have read
//! off the same dwell, [`DwellTruth`]. Touches nothing; `write` touches the
//! files it is given.
//!
//! The physics is the exact steady solution of a tensioned beam with bending
//! stiffness, and its poles for everything that is not steady. It shares no
//! code with the analysis it is there to examine.

#![expect(
    clippy::disallowed_methods,
    reason = "makes what is measured, and shares no code with the analysis"
)]

mod beam;
mod bench;
mod disturbance;
mod driven;
mod error;
mod field;
mod linear;
mod model;
mod modes;
mod natural;
mod outcome;
mod perform;
mod pickup;
mod pieces;
mod poles;
mod program;
mod resonances;
mod scenario;
mod sensors;
mod span;
mod stage;
mod truth;
mod write;

#[cfg(test)]
mod performance_tests;
#[cfg(test)]
mod physics_tests;

pub use bench::bench_sensors;
pub use disturbance::Disturbance;
pub use error::RehearsalError;
pub use model::{Damper, DamperResonance, Shaker, SpanModel};
pub use perform::{Performance, Rehearsal, SampleRows, perform};
pub use program::{DriveFrequency, Program, Step, Transition};
pub use resonances::Resonance;
pub use scenario::{FaultScenario, mix_in};
pub use sensors::{Noise, Quantisation, Sensors, VirtualSensor};
pub use span::VirtualSpan;
pub use truth::{DwellTruth, Expectation};
pub use write::{Recording, truth_lines};
