//! What to do now: the state of a capture in one typed value, and one piece of advice.
//!
//! In: what the analysis knows after each hop, the points so far, the plan, the health of
//! the devices. Out: a [`CaptureState`], as `GET /state` gives it, and in it one [`Advice`]. Pure:
//! whoever turns the drive by it, a person or a program, reads the same.
//!
//! No advice rests on a value that cannot be trusted: which way to turn is said only where
//! the drive's force, its signal or the span's free motion tells it beyond its uncertainty.

mod advice;
mod bench;
mod build;
mod guide;
mod harmonics;
mod known;
mod situation;
mod state;
mod traces;
mod waves;

pub use advice::Advice;
pub use guide::Guide;
pub use state::{
    CaptureState, DeviceState, DwellState, HarmonicMark, NextHarmonic, PeakState, PlaceState,
    PointState, ReadingState, RecordingState, RequiredEfficiency, RunInHand, StrainState,
    TensionState,
};
pub use traces::{ResponsePoint, Traces, Waveform};
