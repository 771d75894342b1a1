//! What is counted on a serial link, for the log and for `check`.

use std::sync::{Arc, Mutex, PoisonError};

use crate::ingest::clock::RateEstimate;
use crate::ingest::frames::Announcement;

/// Everything that was counted on one link since the reader was opened.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct LinkStatistics {
    /// Bytes read.
    pub bytes: u64,
    /// Frames (or lines) whose samples were taken.
    pub frames: u64,
    /// Samples of each channel that were taken.
    pub samples: u64,
    /// Stretches of bytes that were no frame: altered, cut short, too long.
    /// Lines that were no numbers.
    pub corrupt: u64,
    /// Frames with a right check sum that say what cannot be.
    pub malformed: u64,
    /// The last sampling rate, Hz, for which a frame was refused.
    pub refused_rate_hz: Option<f64>,
    /// Bytes before the first good frame.
    pub bytes_before_start: u64,
    /// Frames with a right check sum that contradict the stream.
    pub inconsistent: u64,
    /// Frames that did not arrive, by sequence number.
    pub lost_frames: u64,
    /// Samples of each channel that did not arrive, by sample counter.
    pub lost_samples: u64,
    /// Those of `lost_samples` that the device itself skipped: its sequence
    /// numbers go on without a jump there.
    pub lost_in_device: u64,
    /// Missing samples over restarts of the device, estimated by the host's
    /// clock; not in `lost_samples`.
    pub estimated_lost_samples: u64,
    /// Samples that arrived but found no room in the queue to the recorder.
    pub dropped_samples: u64,
    /// Values that are missing in one channel: no finite numbers.
    pub values_missing: u64,
    /// Frames that came twice.
    pub duplicates: u64,
    /// Frames that overtook others and were put in order.
    pub reordered: u64,
    /// Frames that came after their samples had been given up.
    pub late: u64,
    /// Restarts of the device.
    pub restarts: u64,
    /// Times the port was lost.
    pub disconnects: u64,
    /// Times it was opened again.
    pub reconnects: u64,
    /// Reads that ended without a byte.
    pub idle_reads: u64,
    /// Whether the port is open.
    pub is_connected: bool,
    /// What the device last said about itself.
    pub announcement: Option<Announcement>,
    /// Its sampling rate by the host's clock.
    pub rate: Option<RateEstimate>,
    /// Its sampling rate by its own clock, Hz: far from the nominal rate, the
    /// sensor and the device count different clocks.
    pub device_clock_rate_hz: Option<f64>,
}

/// Shows the counts while the reader runs.
#[derive(Debug, Clone, Default)]
pub struct LinkMonitor(Arc<Mutex<LinkStatistics>>);

impl LinkMonitor {
    /// The counts now.
    pub fn snapshot(&self) -> LinkStatistics {
        self.0
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Shows `statistics`.
    pub(super) fn show(&self, statistics: &LinkStatistics) {
        let mut shown = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        shown.clone_from(statistics);
    }
}
