//! How long the disk will last: said at the start, said again as it runs out,
//! and a clear stop before it does.

use std::path::PathBuf;
use std::time::Duration;

use super::surroundings::DiskSpace;
use crate::recorder::{RecorderError, SpaceForecast};

/// How often the disk is looked at.
const INTERVAL: Duration = Duration::from_secs(10);
/// What is left is said once below each of these, longest first.
const WORTH_SAYING: [Duration; 4] = [
    Duration::from_hours(24),
    Duration::from_hours(6),
    Duration::from_hours(1),
    Duration::from_mins(10),
];

/// Watches the disk of a run.
pub struct Space<'a> {
    disk: &'a dyn DiskSpace,
    folder: PathBuf,
    bytes_per_second: f64,
    reserve_bytes: u64,
    looked: Option<Duration>,
    latest: Option<SpaceForecast>,
    said: usize,
}

impl<'a> Space<'a> {
    /// `reserve_bytes` are to stay free.
    pub fn new(
        disk: &'a dyn DiskSpace,
        folder: PathBuf,
        bytes_per_second: f64,
        reserve_bytes: u64,
    ) -> Self {
        Self {
            disk,
            folder,
            bytes_per_second,
            reserve_bytes,
            looked: None,
            latest: None,
            said: 0,
        }
    }

    /// Looks, and says how long it will last. `now`: of the capture's clock.
    pub fn begin(&mut self, now: Duration) -> Result<SpaceForecast, RecorderError> {
        let forecast = self.forecast()?;
        self.looked = Some(now);
        self.latest = Some(forecast);
        tracing::info!(
            bytes_per_second = self.bytes_per_second.round(),
            free_mb = forecast.free_bytes / 1_000_000,
            lasts = %lasts(&forecast),
            "The disk will last {}.", lasts(&forecast)
        );
        Ok(forecast)
    }

    /// Looks again when it is time. `Some`: stop now, and why.
    pub fn look(&mut self, now: Duration) -> Option<String> {
        if self
            .looked
            .is_some_and(|looked| now.saturating_sub(looked) < INTERVAL)
        {
            return None;
        }
        self.looked = Some(now);
        let forecast = match self.forecast() {
            Ok(forecast) => forecast,
            Err(error) => {
                tracing::warn!(%error, "The free space is not known.");
                return None;
            }
        };
        self.latest = Some(forecast);
        if forecast.is_exhausted() {
            return Some(self.exhausted(&forecast));
        }
        let due = WORTH_SAYING
            .iter()
            .filter(|limit| forecast.lasts.is_some_and(|lasts| lasts < **limit))
            .count();
        if due > self.said {
            self.said = due;
            tracing::warn!(lasts = %lasts(&forecast), "The disk will last {} only.", lasts(&forecast));
        }
        None
    }

    /// What the last look found.
    pub fn latest(&self) -> Option<SpaceForecast> {
        self.latest
    }

    /// The text for a disk that is too full.
    pub fn exhausted(&self, forecast: &SpaceForecast) -> String {
        format!(
            "{}: {} MB are free, and {} MB are kept free (--keep-free-mb); free some space and \
             start the same command again, it goes on where it stopped",
            self.folder.display(),
            forecast.free_bytes / 1_000_000,
            self.reserve_bytes / 1_000_000
        )
    }

    fn forecast(&self) -> Result<SpaceForecast, RecorderError> {
        self.disk
            .forecast(&self.folder, self.bytes_per_second, self.reserve_bytes)
    }
}

/// In words, to the precision a person plans with.
pub fn lasts(forecast: &SpaceForecast) -> String {
    let Some(lasts) = forecast.lasts else {
        return "for ever".into();
    };
    let minutes = lasts.as_secs() / 60;
    match minutes {
        0..90 => format!("{minutes} min"),
        90..2880 => format!("{} h", minutes / 60),
        _ => format!("{} days", minutes / 1440),
    }
}
