//! What the serial links lose, said as it happens and summed up at the end.

use std::time::Duration;

use super::announced::differences;
use crate::ingest::serial::{LinkMonitor, LinkStatistics};
use crate::setup::Setup;

/// A device's clock this far from its nominal rate is worth a word, ppm.
const RATE_WORTH_SAYING_PPM: f64 = 200.0;

/// A link that sends nothing for this long is worth a word: a device sends
/// several frames a second, and an hour of nobody noticing is a lost sweep.
const SILENCE: Duration = Duration::from_secs(10);

/// The counts of every link.
#[derive(Debug)]
pub struct Links {
    setup: Setup,
    links: Vec<Watched>,
}

/// How one source stands at the moment.
#[derive(Debug, Clone, PartialEq)]
pub struct LinkHealth {
    /// Its name.
    pub source: String,
    /// Time since its last sample, s.
    pub silent_s: f64,
    /// The counts of its link, where it has one.
    pub counts: Option<LinkStatistics>,
}

#[derive(Debug)]
struct Watched {
    source: String,
    monitor: Option<LinkMonitor>,
    before: LinkStatistics,
    rate_said: bool,
    /// When its last sample was seen, by [`Links::look`].
    heard: Duration,
    /// How many samples [`Links::health`] saw, and when there were last more.
    latest: (u64, Duration),
    /// Whether it has been said to be silent.
    silent: bool,
}

impl Links {
    /// One entry a source, in the order of the setup: its name and, where it has a
    /// link, its counts.
    pub fn new(setup: &Setup, monitors: Vec<(String, Option<LinkMonitor>)>, now: Duration) -> Self {
        let watched = monitors.into_iter().map(|(source, monitor)| Watched {
            source,
            monitor,
            before: LinkStatistics::default(),
            rate_said: false,
            heard: now,
            latest: (0, now),
            silent: false,
        });
        Self {
            setup: setup.clone(),
            links: watched.collect(),
        }
    }

    /// Says what has been lost since the last look: one line a link, however
    /// much it is. Back comes a sentence for each link that has fallen silent, or
    /// sends again.
    pub fn look(&mut self, at: Duration) -> Vec<String> {
        let mut silences = Vec::new();
        for (number, link) in self.links.iter_mut().enumerate() {
            let Some(now) = link.monitor.as_ref().map(LinkMonitor::snapshot) else {
                continue;
            };
            let before = std::mem::replace(&mut link.before, now.clone());
            silences.extend(link.silence(now.samples > before.samples, at));
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
        silences
    }

    /// How every source stands now.
    pub fn health(&mut self, at: Duration) -> Vec<LinkHealth> {
        let of = |link: &mut Watched| {
            let counts = link.monitor.as_ref().map(LinkMonitor::snapshot);
            if let Some(counts) = &counts
                && counts.samples != link.latest.0
            {
                link.latest = (counts.samples, at);
            }
            LinkHealth {
                source: link.source.clone(),
                silent_s: at.saturating_sub(link.latest.1).as_secs_f64(),
                counts,
            }
        };
        self.links.iter_mut().map(of).collect()
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

impl Watched {
    /// A sentence when the link has been silent for [`SILENCE`], and one when it
    /// sends again.
    fn silence(&mut self, heard: bool, at: Duration) -> Option<String> {
        let since = at.saturating_sub(self.heard);
        if heard {
            self.heard = at;
            return std::mem::take(&mut self.silent).then(|| {
                format!(
                    "Source \"{}\" sends again after {} s.",
                    self.source,
                    since.as_secs()
                )
            });
        }
        if self.silent || since < SILENCE {
            return None;
        }
        self.silent = true;
        Some(format!(
            "Source \"{}\" has sent no sample for {} s: is the device on, and the cable in?",
            self.source,
            since.as_secs()
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_silence_is_said_once_and_so_is_its_end() {
        let mut link = Watched {
            source: "bench".into(),
            monitor: None,
            before: LinkStatistics::default(),
            rate_said: false,
            heard: Duration::ZERO,
            latest: (0, Duration::ZERO),
            silent: false,
        };
        let said: Vec<(u64, String)> = (1..40)
            .map(|s| 2 * s)
            .filter_map(|s| {
                let heard = s <= 6 || s > 70;
                Some((s, link.silence(heard, Duration::from_secs(s))?))
            })
            .collect();
        assert_eq!(said.len(), 2, "{said:?}");
        assert!(said[0].0 == 16 && said[0].1.contains("no sample for 10 s"));
        assert!(said[1].0 == 72 && said[1].1.contains("again after 66 s"));
    }
}
