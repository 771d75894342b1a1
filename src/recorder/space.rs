//! How long the disk will last.

use std::path::Path;
use std::time::Duration;

use super::error::RecorderError;

/// What is left, and for how long.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpaceForecast {
    /// Bytes free to this user.
    pub free_bytes: u64,
    /// Bytes that are to stay free, for the ledger and everybody else.
    pub reserve_bytes: u64,
    /// How long recording can go on before the reserve is touched; `None`
    /// where nothing is being written.
    pub lasts: Option<Duration>,
}

impl SpaceForecast {
    /// Whether to stop now: the reserve is touched.
    pub fn is_exhausted(&self) -> bool {
        self.free_bytes <= self.reserve_bytes
    }

    /// The forecast for a disk with `free_bytes` free.
    pub fn from_free(free_bytes: u64, bytes_per_second: f64, reserve_bytes: u64) -> Self {
        let usable = free_bytes.saturating_sub(reserve_bytes) as f64;
        Self {
            free_bytes,
            reserve_bytes,
            lasts: Duration::try_from_secs_f64(usable / bytes_per_second).ok(),
        }
    }
}

/// How long a disk lasts at `bytes_per_second` (the sum over all sources).
#[cfg(unix)]
pub fn forecast_space(
    dir: &Path,
    bytes_per_second: f64,
    reserve_bytes: u64,
) -> Result<SpaceForecast, RecorderError> {
    let disk = nix::sys::statvfs::statvfs(dir).map_err(|errno| RecorderError::Io {
        path: dir.to_owned(),
        action: "ask for the free space",
        source: errno.into(),
    })?;
    // The width of these fields differs between systems.
    #[allow(
        clippy::unnecessary_cast,
        clippy::useless_conversion,
        clippy::cast_lossless,
        reason = "u32 on some systems"
    )]
    let free_bytes = (disk.blocks_available() as u64).saturating_mul(disk.fragment_size() as u64);
    Ok(SpaceForecast::from_free(
        free_bytes,
        bytes_per_second,
        reserve_bytes,
    ))
}

/// How long a disk lasts: not known on this system.
#[cfg(not(unix))]
pub fn forecast_space(
    dir: &Path,
    _bytes_per_second: f64,
    _reserve_bytes: u64,
) -> Result<SpaceForecast, RecorderError> {
    Err(RecorderError::Io {
        path: dir.to_owned(),
        action: "ask for the free space",
        source: std::io::ErrorKind::Unsupported.into(),
    })
}
