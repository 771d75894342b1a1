//! What can keep a rehearsal from being made.

/// Why a rehearsal could not be made.
#[derive(Debug, thiserror::Error)]
pub enum RehearsalError {
    /// The drive or the damper is not where it can be.
    #[error(
        "drive at {drive_m} m: drive and damper must lie between the clamps of the {length_m} m span, the drive on the drive-end side of the damper"
    )]
    DrivePosition {
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
