//! How one sample is stored in a file or sent over a line.

use std::fmt;

use serde::{Deserialize, Serialize};

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
