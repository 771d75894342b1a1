//! Whether a sample counter can have come so far.
//!
//! In: how far it jumped, and the time that the host's clock has seen go by.
//! Pure: the clock is read elsewhere.

use std::time::Duration;

/// A device may count this much faster than its nominal rate. The clocks of
/// sensors are off by some per cent at most (common practice, no source).
const FASTEST: f64 = 1.25;

/// How long samples may have waited on their way before the first of them was
/// seen, s: more than any buffer of a device or of a host holds.
const WAITED_S: f64 = 60.0;

/// A counter that lies ahead of what was due.
#[derive(Debug, Clone, Copy)]
pub(super) struct Jump {
    /// Samples between what was due and what came.
    pub missing: u64,
    /// Samples that the device has counted since the stream began.
    pub counted: u64,
    /// Nominal sampling rate, Hz.
    pub rate_hz: f64,
    /// Time since the last samples came.
    pub since_last: Duration,
    /// Time since the first samples of the stream came.
    pub since_start: Duration,
}

impl Jump {
    /// Whether the samples can have been taken at all. The count since the
    /// last samples may run ahead of the clock where a stalled host reads late
    /// what has waited; then the count since the start does not. That one runs
    /// ahead where a recorded stream is played faster than it was sampled; then
    /// the first does not.
    pub fn is_plausible(&self) -> bool {
        let most = |time: Duration| (FASTEST * time.as_secs_f64() + WAITED_S) * self.rate_hz;
        self.missing as f64 <= most(self.since_last)
            || self.counted as f64 <= most(self.since_start)
    }
}
