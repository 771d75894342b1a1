//! Time histories that other programs wrote, as text tables or universal files.
//!
//! In: the bytes of a file. Out: evenly spaced samples of several columns. Pure: no
//! file, no clock. Whoever calls decides which column is which channel.

pub mod csv;
pub mod uff58;

use ndarray::Array2;

/// Evenly spaced samples.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeHistory {
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Number of the first sample since the source started.
    pub first_sample: u64,
    /// Columns × frames; no finite number where a column has no value.
    pub samples: Array2<f64>,
}

/// What is wrong with a file, and where.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct TimeHistoryFault {
    /// From 1.
    pub line: usize,
    /// What is wrong and what would be right.
    pub what: String,
}

fn fault(line: usize, what: impl Into<String>) -> TimeHistoryFault {
    TimeHistoryFault {
        line,
        what: what.into(),
    }
}
