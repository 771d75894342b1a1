//! Time that goes on only when the simulation says so.

use std::sync::Mutex;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use spanhold::ingest::Clock;

/// 2026-01-01T00:00:00Z: any moment will do.
const BEGIN: i64 = 1_767_225_600;

/// A clock whose wall time can be set, as a person or a time server does.
#[derive(Debug, Default)]
pub struct VirtualClock {
    elapsed: Mutex<Duration>,
    set_by_s: Mutex<i64>,
}

impl VirtualClock {
    pub fn advance(&self, by: Duration) {
        *self.elapsed.lock().unwrap() += by;
    }

    /// Sets the wall clock forward or back.
    pub fn step_s(&self, seconds: i64) {
        *self.set_by_s.lock().unwrap() += seconds;
    }
}

impl Clock for VirtualClock {
    fn elapsed(&self) -> Duration {
        *self.elapsed.lock().unwrap()
    }

    fn now_utc(&self) -> Timestamp {
        let begin = Timestamp::from_second(BEGIN + *self.set_by_s.lock().unwrap()).unwrap();
        begin + SignedDuration::try_from(self.elapsed()).unwrap()
    }
}
