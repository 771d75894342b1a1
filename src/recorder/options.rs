//! What a recorder writes, and where.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use super::storage::{Storage, SystemStorage};
use crate::ingest::sidecar::ChannelCalibration;
use crate::ingest::{Clock, StreamFormat, SystemClock};
use crate::setup::SampleFormat;

/// What a recorder writes, and where.
#[derive(Debug, Clone)]
pub struct RecorderOptions {
    /// The folder; it has to exist.
    pub dir: PathBuf,
    /// Name of the source in the setup.
    pub source: String,
    /// What the source delivers.
    pub format: StreamFormat,
    /// How its samples are stored without rounding.
    pub sample_format: SampleFormat,
    /// Calibration of its channels, for the sidecar.
    pub calibration: Vec<ChannelCalibration>,
    /// A file is closed after this many seconds of samples, and before it
    /// reaches 4 GiB.
    pub split_seconds: f64,
    /// Longest time that samples stay unsynced while samples come in.
    pub sync_interval: Duration,
    /// Where it is written.
    pub storage: Arc<dyn Storage>,
    /// The time by which it is synced and labelled.
    pub clock: Arc<dyn Clock>,
    /// Whether the hash of a closed file is taken by a thread of its own: that
    /// of a long file takes seconds, and samples do not wait.
    pub seals_aside: bool,
}

impl RecorderOptions {
    /// Ten minutes a file, a sync every half second.
    pub fn new(
        dir: &Path,
        source: &str,
        format: StreamFormat,
        sample_format: SampleFormat,
        calibration: Vec<ChannelCalibration>,
    ) -> Self {
        Self {
            dir: dir.to_owned(),
            source: source.to_owned(),
            format,
            sample_format,
            calibration,
            split_seconds: 600.0,
            sync_interval: Duration::from_millis(500),
            storage: SystemStorage::shared(),
            clock: Arc::new(SystemClock::default()),
            seals_aside: true,
        }
    }

    /// Bytes of one frame.
    pub fn frame_bytes(&self) -> usize {
        self.format.channels * self.sample_format.sample_bytes()
    }

    /// Bytes a second that go to disk, for [`forecast_space`](super::forecast_space).
    pub fn bytes_per_second(&self) -> f64 {
        self.frame_bytes() as f64 * self.format.rate_hz
    }
}
