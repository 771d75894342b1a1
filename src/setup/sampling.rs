//! How a source samples: the rates that can be, and how one sample is stored in
//! a file or sent over a line.

use std::fmt;

use serde::{Deserialize, Serialize};

/// No source samples faster, Hz. Converters for vibration give some 100 kHz a
/// channel at most (common practice, no source). A header or a frame that states
/// more is damaged, and the memory to be set aside grows with the rate.
pub const MAX_RATE_HZ: f64 = 1e6;

/// Whether a source can sample at `rate_hz`: more than 0, at most
/// [`MAX_RATE_HZ`].
pub fn is_rate(rate_hz: f64) -> bool {
    rate_hz > 0.0 && rate_hz <= MAX_RATE_HZ
}

/// How samples are stored and sent. Integers and 32-bit floats are fractions
/// of digital full scale; a recording rounds nothing, so it has the format its
/// source delivers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum SampleFormat {
    /// 16-bit integer.
    I16,
    /// 24-bit integer.
    I24,
    /// 32-bit integer.
    I32,
    /// 32-bit float.
    F32,
    /// 64-bit float: what text lines need.
    F64,
}

impl SampleFormat {
    /// All of them, by rising size.
    pub const ALL: [Self; 5] = [Self::I16, Self::I24, Self::I32, Self::F32, Self::F64];

    /// Its name, as sidecars and the command line have it.
    pub fn name(self) -> &'static str {
        match self {
            Self::I16 => "i16",
            Self::I24 => "i24",
            Self::I32 => "i32",
            Self::F32 => "f32",
            Self::F64 => "f64",
        }
    }

    /// Bytes of one sample.
    pub fn sample_bytes(self) -> usize {
        match self {
            Self::I16 => 2,
            Self::I24 => 3,
            Self::I32 | Self::F32 => 4,
            Self::F64 => 8,
        }
    }

    /// Whether the samples are floating-point numbers.
    pub fn is_float(self) -> bool {
        matches!(self, Self::F32 | Self::F64)
    }
}

impl fmt::Display for SampleFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
