//! Readers: what comes in from a serial device or a WAV recording.
//!
//! In: bytes. Out: [`Message`]s in sample order, of a device over a bounded channel, of a
//! recording when they are asked for. Time
//! is sample index / rate; the wall clock is a label only. Every loss is a
//! [`Gap`] with its place and its count, never silence.

pub mod clock;
pub mod encode;
mod error;
mod fields;
pub mod frames;
mod gaps;
mod host_clock;
pub mod lines;
mod regular;
pub mod serial;
pub mod sidecar;
pub mod stretches;
pub mod time_history;
pub mod wav;

pub use error::IngestError;
pub use gaps::runs_with_values;
pub use host_clock::{Clock, SystemClock};
pub use wav::{CODE_FULL_SCALE, EncodedBlock};

use ndarray::Array2;

/// No sample has an index beyond this: up to here a 64-bit float tells
/// neighbours apart, so that index / rate is the time. A source of 1 MHz takes
/// 285 years to get there.
pub const MAX_SAMPLE_INDEX: u64 = 1 << 53;

/// What a source delivers, known before its first block.
#[derive(Debug, Clone, PartialEq)]
pub struct StreamFormat {
    /// Sampling rate, Hz, > 0.
    pub rate_hz: f64,
    /// Number of channels (columns), > 0.
    pub channels: usize,
    /// A sample at or beyond this fraction of digital full scale, either
    /// sign, is clipped. Infinite where the source has no full scale.
    pub clip_level: f64,
    /// UTC label of sample 0, if known.
    pub start_utc: Option<jiff::Timestamp>,
}

/// What travels from a reader to the stages after it.
#[derive(Debug, Clone, PartialEq)]
pub enum Message {
    /// Samples.
    Block(Block),
    /// Samples as a recording stores them.
    Encoded(EncodedBlock),
    /// Samples that are known to be missing.
    Gap(Gap),
    /// Nothing more will come.
    End(End),
}

impl Message {
    /// The same with the samples as a [`Block`], however they came.
    #[must_use]
    pub fn decoded(self) -> Self {
        match self {
            Self::Encoded(encoded) => Self::Block(Block::from(encoded)),
            other => other,
        }
    }
}

/// Consecutive samples of all channels of one source.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// Index of the first frame since the source started.
    pub first_sample: u64,
    /// Channels × frames, row-major: each channel contiguous. Digital full
    /// scale = 1. Where a channel has no value at an instant, it holds no finite
    /// number; an instant at which no channel has a value is missing.
    pub samples: Array2<f64>,
}

impl From<EncodedBlock> for Block {
    fn from(encoded: EncodedBlock) -> Self {
        Self {
            first_sample: encoded.first_sample(),
            samples: encoded.decoded(),
        }
    }
}

/// Samples that never arrived. The next block starts at
/// `first_sample + missing`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Gap {
    /// Index of the first missing frame.
    pub first_sample: u64,
    /// How many frames are missing.
    pub missing: u64,
}

/// How a source ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum End {
    /// All of it was read.
    Complete,
    /// It was asked to stop.
    Stopped,
    /// It broke off; the text names the file or port, what is wrong and what
    /// would be right. What came before it is whole.
    Failed(String),
}
