//! The sink of a live run: ledger, announcements, alarms, disk, service
//! manager.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use sd_notify::NotifyState;

use super::alarm::Hook;
use super::coverage::Coverage;
use super::links::Links;
use super::space::Space;
use crate::analysis::alarm::{Alarm, Alarms};
use crate::analysis::{Event, Finding};
use crate::ledger::Ledger;
use crate::pipeline::{FeedState, Input, Progress, Sink};
use crate::reduction::SettledPoint;
use crate::tone::ToneMessage;

/// How often the trace is handed to the system and the state told.
const STATUS_INTERVAL: Duration = Duration::from_secs(2);
/// How often the whole coverage is written to the log.
const COVERAGE_INTERVAL: Duration = Duration::from_hours(1);

/// Everything that listens to a live run.
#[derive(Debug)]
pub struct Watch {
    /// Where points and events go.
    pub ledger: Ledger,
    /// All points of the run.
    pub points: Vec<SettledPoint>,
    /// The plan against them.
    pub coverage: Coverage,
    /// The setup's limits.
    pub alarms: Alarms,
    /// The user's command for alarms.
    pub hook: Option<Hook>,
    /// Whether an alarm ends the run.
    pub stop_on_alarm: bool,
    /// The counts of the links.
    pub links: Links,
    /// The disk.
    pub space: Space,
    /// The feeds, one a source.
    pub feeds: Vec<Arc<FeedState>>,
    /// Set to end the run.
    pub stop: Arc<AtomicBool>,
    /// Why this sink itself asked for the end.
    pub asked_because: Option<String>,
    /// When things were last done.
    pub clock: Clock,
}

/// When things were last done.
#[derive(Debug)]
pub struct Clock {
    status: Instant,
    coverage: Instant,
    watchdog: Option<(Duration, Instant)>,
}

impl Clock {
    /// Now; the service manager's watchdog is asked for.
    pub fn start() -> Self {
        let now = Instant::now();
        Self {
            status: now,
            coverage: now,
            watchdog: sd_notify::watchdog_enabled().map(|interval| (interval / 3, now)),
        }
    }
}

impl Watch {
    /// Writes an event, and says it if it is new.
    pub fn event(&mut self, event: &Event) -> anyhow::Result<bool> {
        let is_new = self.ledger.event(event)?;
        if is_new {
            if event.kind == "gap" || event.kind == "alarm" {
                tracing::warn!(kind = %event.kind, at_s = event.at_s, "{}", event.message);
            } else {
                tracing::info!(kind = %event.kind, at_s = event.at_s, "{}", event.message);
            }
        }
        Ok(is_new)
    }

    fn announce(&mut self, point: SettledPoint) {
        self.coverage.add(&point);
        tracing::info!(
            point = point.point,
            verdict = ?point.verdict,
            harmonic = point.harmonic,
            frequency_hz = point.frequency_hz.map(|frequency| frequency.value),
            efficiency_pct = point.efficiency_pct.map(|efficiency| efficiency.value),
            reasons = %point.reasons.join("; "),
            "Point {} is on disk; {}.", point.point, self.coverage.summary()
        );
        self.points.push(point);
    }

    fn alarm(&mut self, alarms: Vec<Alarm>) -> anyhow::Result<()> {
        for alarm in alarms {
            let is_new = self.event(&Event::from(alarm.clone()))?;
            if !alarm.raised || !is_new {
                continue;
            }
            if let Some(hook) = &mut self.hook {
                hook.start(&alarm.message);
            }
            if self.stop_on_alarm {
                self.end_because(format!("--stop-on-alarm: {}", alarm.message));
            }
        }
        Ok(())
    }

    /// Says that a session begins: in the run, in the log, and to the service
    /// manager. A disk that is too full already ends it at once.
    pub fn begin(&mut self, first_index: f64, inputs: &[Input], main: usize) -> anyhow::Result<()> {
        let session = self.ledger.record().sessions;
        let at_s = inputs
            .get(main)
            .map_or(0.0, |input| first_index / input.plan.rate_hz);
        self.event(&Event {
            at_s,
            kind: "session".into(),
            message: format!("Session {session} begins."),
        })?;
        let forecast = self.space.begin()?;
        if forecast.is_exhausted() {
            self.end_because(self.space.exhausted(&forecast));
        }
        notify(&[NotifyState::Ready]);
        Ok(())
    }

    fn end_because(&mut self, why: String) {
        if self.asked_because.is_none() {
            tracing::error!("Ending the capture: {why}");
            self.asked_because = Some(why);
        }
        self.stop.store(true, Ordering::Relaxed);
    }

    fn tell_status(&mut self) -> anyhow::Result<()> {
        self.ledger.flush()?;
        let lag = if self.feeds.iter().any(|feed| feed.is_lagging()) {
            "; catching up from the recording"
        } else {
            ""
        };
        notify(&[NotifyState::Status(&format!(
            "{}{lag}",
            self.coverage.summary()
        ))]);
        Ok(())
    }
}

impl Sink for Watch {
    fn heard(&mut self, source: usize, message: &ToneMessage) -> anyhow::Result<()> {
        let alarms = self.alarms.hear(source, message);
        self.alarm(alarms)
    }

    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        match finding {
            Finding::Point(point, evidence) => {
                // Stopped in the middle of catching up: the dwell in hand is
                // cut where no sample is missing. The next start judges it.
                if self.feeds.iter().any(|feed| feed.is_left_behind()) {
                    return Ok(());
                }
                if let Some(point) = self.ledger.point(*point, evidence)? {
                    self.announce(point);
                }
                Ok(())
            }
            Finding::Event(event) => self.event(&event).map(drop),
            Finding::Trace(row) => {
                self.ledger.trace(&row)?;
                let alarms = self.alarms.row(&row);
                self.alarm(alarms)
            }
        }
    }

    fn tick(&mut self, _progress: &Progress) -> anyhow::Result<()> {
        if let Some((interval, last)) = &mut self.clock.watchdog
            && last.elapsed() >= *interval
        {
            *last = Instant::now();
            notify(&[NotifyState::Watchdog]);
        }
        if self.clock.status.elapsed() < STATUS_INTERVAL {
            return Ok(());
        }
        self.clock.status = Instant::now();
        self.tell_status()?;
        if let Some(hook) = &mut self.hook {
            hook.collect();
        }
        self.links.look();
        if let Some(why) = self.space.look() {
            self.end_because(why);
        }
        if self.clock.coverage.elapsed() >= COVERAGE_INTERVAL {
            self.clock.coverage = Instant::now();
            tracing::info!("{}", self.coverage.text(usize::MAX).trim_end());
        }
        Ok(())
    }
}

/// Tells the service manager, if there is one.
pub fn notify(state: &[NotifyState]) {
    if let Err(error) = sd_notify::notify(state) {
        tracing::debug!(%error, "The service manager does not listen.");
    }
}
