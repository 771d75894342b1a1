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
pub use model::{Damper, DamperResonance, Shaker, SpanModel};
pub use perform::{Block, Performance, Rehearsal, perform};
pub use program::{DriveFrequency, Program, Step, Transition};
pub use resonances::Resonance;
pub use scenario::{FaultScenario, mix_in};
pub use sensors::{Noise, Quantisation, Sensor, Sensors};
pub use span::VirtualSpan;
pub use truth::{DwellTruth, Expectation};
pub use write::{Recording, truth_lines};

/// Why a rehearsal could not be made.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The drive or the damper is not where it can be.
    #[error(
        "drive at {drive_m} m: drive and damper must lie between the clamps of the {length_m} m span, the drive on the drive-end side of the damper"
    )]
    Places {
        /// Drive point from the drive-end clamp, m.
        drive_m: f64,
        /// Span length, m.
        length_m: f64,
    },
    /// A physical value of the conductor or sweep is not usable.
    #[error(
        "tension, mass per length, bending stiffness and the sweep's high_hz must all be positive numbers"
    )]
    Conductor,
    /// The pole search did not find all poles that the argument principle counts.
    #[error(
        "found {found} of the span's {counted} poles; use losses and damper masses nearer to a real span's"
    )]
    Poles {
        /// Poles found.
        found: usize,
        /// Poles counted.
        counted: usize,
    },
    /// A dwell's frequency is no frequency.
    #[error("a dwell at {0} Hz: the frequency must be a positive number")]
    Frequency(f64),
    /// Drive and motion leave no node to measure at.
    #[error(
        "no node with an antinode beside it between drive and damper at {0} Hz: the frequency is too low for this span or the damper takes everything"
    )]
    NoNode(f64),
    /// The sampling rate is too low.
    #[error(
        "sampling rate {rate_hz} Hz: a dwell at {highest} Hz needs at least four times its frequency"
    )]
    Rate {
        /// Hz.
        rate_hz: f64,
        /// Frequency of the dwell, Hz.
        highest: f64,
    },
    /// A recording is one source.
    #[error("the virtual bench plays one source at a time: name it with --source")]
    Sources,
    /// The file would not be a WAV file.
    #[error("{0}")]
    Recording(String),
    /// A file could not be written.
    #[error("{file}: {cause}")]
    Write {
        /// The file.
        file: String,
        /// What the system says.
        cause: String,
    },
    /// The span has no resonance at all in the sweep's range.
    #[error("the span has no resonance in the sweep's range: check low_hz and high_hz")]
    NoResonance,
    /// No resonance with this number of loops in the sweep's range.
    #[error("harmonic {harmonic} is no resonance of this span in its range; these are: {present}")]
    Harmonic {
        /// Loops asked for.
        harmonic: u32,
        /// Loops there are, as text.
        present: String,
    },
}
