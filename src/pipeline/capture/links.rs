//! What the serial links lose, said as it happens and summed up at the end.

use super::announced::differences;
use crate::ingest::serial::{LinkMonitor, LinkStatistics};
use crate::setup::Setup;

/// A device's clock this far from its nominal rate is worth a word, ppm.
const RATE_WORTH_SAYING_PPM: f64 = 200.0;

/// The counts of every link.
#[derive(Debug)]
pub struct Links {
    setup: Setup,
    links: Vec<Watched>,
}

#[derive(Debug)]
struct Watched {
    source: String,
    monitor: Option<LinkMonitor>,
    before: LinkStatistics,
    rate_said: bool,
}

impl Links {
    /// One entry a source, in the order of the setup: its name and, where it has a
    /// link, its counts.
    pub fn new(setup: &Setup, monitors: Vec<(String, Option<LinkMonitor>)>) -> Self {
        let watched = monitors.into_iter().map(|(source, monitor)| Watched {
            source,
            monitor,
            before: LinkStatistics::default(),
            rate_said: false,
        });
        Self {
            setup: setup.clone(),
            links: watched.collect(),
        }
    }

    /// Says what has been lost since the last look: one line a link, however
    /// much it is.
    pub fn look(&mut self) {
        for (number, link) in self.links.iter_mut().enumerate() {
            let Some(now) = link.monitor.as_ref().map(LinkMonitor::snapshot) else {
                continue;
            };
            let before = std::mem::replace(&mut link.before, now.clone());
            if let Some(announcement) = &now.announcement
                && before.announcement != now.announcement
            {
                for difference in differences(&self.setup, number, announcement) {
                    tracing::warn!(source = %link.source, "{difference}");
                }
            }
            let lost = now.lost_samples - before.lost_samples;
            let corrupt = now.corrupt - before.corrupt;
            let restarts = now.restarts - before.restarts;
            let refused = |counts: &LinkStatistics| counts.malformed + counts.inconsistent;
            let refused = refused(&now) - refused(&before);
            if lost + corrupt + restarts + refused > 0 {
                tracing::warn!(
                    source = %link.source, lost_samples = lost, corrupt, refused, restarts,
                    "The link is not clean."
                );
            }
            if let Some(rate) = now.rate
                && !link.rate_said
                && rate.offset_ppm.abs() - rate.offset_u_ppm > RATE_WORTH_SAYING_PPM
            {
                link.rate_said = true;
                tracing::warn!(
                    source = %link.source, rate_hz = rate.rate_hz,
                    offset_ppm = rate.offset_ppm.round(), offset_u_ppm = rate.offset_u_ppm.round(),
                    "The device does not sample at its nominal rate by this computer's clock; \
                     every frequency is off by as much."
                );
            }
        }
    }

    /// The whole, one line a link.
    pub fn sum_up(&self) {
        for link in &self.links {
            let Some(sum) = link.monitor.as_ref().map(LinkMonitor::snapshot) else {
                continue;
            };
            tracing::info!(
                source = %link.source,
                samples = sum.samples,
                lost_samples = sum.lost_samples,
                estimated_lost_samples = sum.estimated_lost_samples,
                dropped_samples = sum.dropped_samples,
                corrupt = sum.corrupt,
                malformed = sum.malformed,
                inconsistent = sum.inconsistent,
                values_missing = sum.values_missing,
                restarts = sum.restarts,
                disconnects = sum.disconnects,
                offset_ppm = sum.rate.map(|rate| rate.offset_ppm.round()),
                offset_u_ppm = sum.rate.map(|rate| rate.offset_u_ppm.round()),
                "The link in sum."
            );
        }
    }
}
