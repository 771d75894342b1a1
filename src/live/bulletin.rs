//! The latest value, for any number of readers: one swap to publish, one to read.

use std::sync::{Arc, Mutex, PoisonError};

/// What was published last.
#[derive(Debug, Clone, Default)]
pub struct Published {
    /// Counts publications; with `begun` it names this one among all sessions.
    pub number: u64,
    /// `GET /state`.
    pub state: Arc<[u8]>,
    /// `GET /signals`.
    pub signals: Arc<[u8]>,
}

/// Where the latest is hung up.
#[derive(Debug, Default)]
pub struct Bulletin(Mutex<Published>);

impl Bulletin {
    /// Hangs up the next; waits for nobody but a reader that copies two pointers.
    pub fn publish(&self, state: Vec<u8>, signals: Vec<u8>) {
        let mut latest = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        latest.number += 1;
        latest.state = state.into();
        latest.signals = signals.into();
    }

    /// The latest.
    pub fn latest(&self) -> Published {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }
}
