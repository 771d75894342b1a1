//! What a recorder writes, and where.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::ingest::StreamFormat;
use crate::ingest::sidecar::ChannelCalibration;
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
