//! The time of this computer, handed in: a simulation brings its own.

use std::fmt::Debug;
use std::time::{Duration, Instant};

/// Tells the time.
pub trait Clock: Debug + Send + Sync {
    /// Time since some moment before the first call; never runs back.
    fn elapsed(&self) -> Duration;

    /// Wall clock: a label, nothing is computed from it but where a run goes
    /// on.
    fn now_utc(&self) -> jiff::Timestamp;
}

/// The clock of this computer.
#[derive(Debug)]
pub struct SystemClock(Instant);

impl Default for SystemClock {
    fn default() -> Self {
        Self(Instant::now())
    }
}

impl Clock for SystemClock {
    fn elapsed(&self) -> Duration {
        self.0.elapsed()
    }

    fn now_utc(&self) -> jiff::Timestamp {
        jiff::Timestamp::now()
    }
}
