//! The sink of a live run: ledger, announcements, alarms, disk.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use super::coverage::Coverage;
use super::links::Links;
use super::space::Space;
use super::surroundings::{CaptureMoment, Listener};
use crate::analysis::alarm::{Alarm, Alarms};
use crate::analysis::{Analysis, Event, Evidence, Exclusion, Finding};
use crate::ingest::Clock;
use crate::ledger::Ledger;
use crate::pipeline::feed::{FeedState, Recordings};
use crate::pipeline::record::Recorded;
use crate::pipeline::run::{Progress, Sink};
use crate::reduction::SettledPoint;
use crate::tone::ToneMessage;

/// How often the trace is handed to the system and the state told.
const STATUS_INTERVAL: Duration = Duration::from_secs(2);
/// How often the listener is shown how all stands, and how soon again where the analysis
/// has come on.
const LOOK_INTERVAL: Duration = Duration::from_millis(200);
const NEXT_LOOK: Duration = Duration::from_millis(100);
/// How often the whole coverage is written to the log.
const COVERAGE_INTERVAL: Duration = Duration::from_hours(1);

/// A point that waits for the disk.
pub struct HeldBack {
    point: SettledPoint,
    evidence: Evidence,
    /// How far each source had come when it was found: what came before this
    /// may have had a part in it.
    seen: Vec<u64>,
}

/// Everything that listens to a live run.
pub struct Watch<'a> {
    /// Where points and events go.
    pub ledger: Ledger,
    /// All points of the run.
    pub points: Vec<SettledPoint>,
    /// The plan against them.
    pub coverage: Coverage,
    /// The points that are not to count.
    pub exclusions: Vec<Exclusion>,
    /// The setup's limits.
    pub alarms: Alarms,
    /// Who hears how it goes.
    pub listener: &'a mut dyn Listener,
    /// Whether an alarm ends the run.
    pub stop_on_alarm: bool,
    /// The counts of the links.
    pub links: Links,
    /// The disk.
    pub space: Space<'a>,
    /// The recordings of the main source, by which points are named.
    pub recordings: Option<Recordings>,
    /// The feeds, one a source.
    pub feeds: Vec<Arc<FeedState>>,
    /// Set to end the run.
    pub stop: Arc<AtomicBool>,
    /// The source that carries the antinode, and its rate, Hz.
    pub main: (usize, f64),
    /// Time of the last row of the trace, s.
    pub reached_s: f64,
    /// When the listener was last shown how all stands, and how far the analysis had
    /// come then, s.
    pub looked: Duration,
    pub looked_at_s: f64,
    /// Why this sink itself asked for the end.
    pub asked_because: Option<String>,
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// When the state was last told.
    pub status_told: Duration,
    /// When the whole coverage was last written to the log.
    pub coverage_told: Duration,
    /// How far the recording of each source has come.
    pub recorded: Vec<Arc<Recorded>>,
    /// Points whose samples may not be on the disk yet.
    pub held_back: VecDeque<HeldBack>,
}

impl Watch<'_> {
    /// Writes an event, and says it if it is new.
    pub fn event(&mut self, event: &Event) -> anyhow::Result<bool> {
        let is_new = self.ledger.event(event)?;
        if is_new {
            if ["gap", "alarm", "silence", "silent"].contains(&event.kind.as_str()) {
                tracing::warn!(kind = %event.kind, at_s = event.at_s, "{}", event.message);
            } else {
                tracing::info!(kind = %event.kind, at_s = event.at_s, "{}", event.message);
            }
            self.listener.event(event);
        }
        Ok(is_new)
    }

    /// The point with the recording that it is in.
    fn named(&self, point: SettledPoint) -> SettledPoint {
        match self.recordings.as_ref().map(Recordings::begun) {
            Some(Ok(files)) => point.in_recording(&files),
            Some(Err(error)) => {
                tracing::warn!(%error, "The recording of the point cannot be named.");
                point
            }
            None => point,
        }
    }

    /// Logs every point whose samples are on the disk: what rests on samples that
    /// a cut of the power takes back could never be shown again.
    pub fn log_points(&mut self) -> anyhow::Result<()> {
        while self
            .held_back
            .front()
            .is_some_and(|held| self.is_recorded(&held.seen))
            && let Some(held) = self.held_back.pop_front()
        {
            match self.ledger.point(held.point, held.evidence) {
                Ok(Some(point)) => self.announce(point),
                Ok(None) => {}
                Err(error) => {
                    // None is logged behind one that is missing: the next start
                    // would take the missing one for logged.
                    self.held_back.clear();
                    return Err(error.into());
                }
            }
        }
        Ok(())
    }

    /// Whether so much of each source is on the disk.
    fn is_recorded(&self, seen: &[u64]) -> bool {
        let mut sources = self.recorded.iter().zip(seen);
        sources.all(|(recorded, seen)| recorded.synced() >= *seen)
    }

    /// The plan against the points that count.
    pub fn counted(&mut self) -> Coverage {
        if let Some(exclusions) = self.listener.exclusions(&self.points) {
            self.exclusions = exclusions;
        }
        self.coverage.without(&self.exclusions, &self.points)
    }

    fn announce(&mut self, point: SettledPoint) {
        self.coverage.add(&point);
        self.points.push(point.clone());
        let counted = self.counted();
        tracing::info!(
            point = point.point,
            verdict = ?point.verdict,
            harmonic = point.harmonic,
            frequency_hz = point.frequency_hz.map(|frequency| frequency.value),
            efficiency_pct = point.efficiency_pct.map(|efficiency| efficiency.value),
            reasons = %point.reasons.join("; "),
            "Point {} is on disk; {}.", point.point, counted.summary()
        );
        self.listener.point(&point);
    }

    fn alarm(&mut self, alarms: Vec<Alarm>) -> anyhow::Result<()> {
        for alarm in alarms {
            let is_new = self.event(&Event::from(alarm.clone()))?;
            if !alarm.raised || !is_new {
                continue;
            }
            self.listener.alarm(&alarm.message);
            if self.stop_on_alarm {
                self.end_because(format!("--stop-on-alarm: {}", alarm.message));
            }
        }
        Ok(())
    }

    /// Says that a session begins: in the run, in the log, and to the listener.
    /// A disk that is too full already ends it at once.
    pub fn begin(&mut self, at_s: f64) -> anyhow::Result<()> {
        let session = self.ledger.record().sessions;
        self.event(&Event {
            at_s,
            kind: "session".into(),
            message: format!("Session {session} begins."),
        })?;
        let forecast = self.space.begin(self.clock.elapsed())?;
        if forecast.is_exhausted() {
            self.end_because(self.space.exhausted(&forecast));
        }
        self.listener.ready();
        Ok(())
    }

    fn end_because(&mut self, why: String) {
        if self.asked_because.is_none() {
            tracing::error!("Ending the capture: {why}");
            self.asked_because = Some(why);
        }
        self.stop.store(true, Ordering::Relaxed);
    }

    /// Shows the listener how all stands, when it is time.
    fn let_look(&mut self, now: Duration, analysis: &Analysis) {
        let since = now.saturating_sub(self.looked);
        let came_on = self.reached_s > self.looked_at_s;
        if since < NEXT_LOOK || !(came_on || since >= LOOK_INTERVAL) {
            return;
        }
        (self.looked, self.looked_at_s) = (now, self.reached_s);
        let (main, rate_hz) = self.main;
        let recorded_s = self
            .recorded
            .get(main)
            .map_or(0.0, |recorded| recorded.reached() as f64 / rate_hz);
        let (alarms, links) = (self.alarms.in_force(), self.links.health(now));
        self.listener.look(&CaptureMoment {
            analysis,
            points: &self.points,
            coverage: &self.coverage,
            alarms: &alarms,
            links: &links,
            space: self.space.latest(),
            behind_s: (recorded_s - self.reached_s).max(0.0),
            catches_up: self.feeds.iter().any(|feed| feed.is_lagging()),
            session: self.ledger.record().sessions,
            now_utc: self.clock.now_utc(),
        });
    }

    fn tell_status(&mut self) -> anyhow::Result<()> {
        self.ledger.flush()?;
        let lag = if self.feeds.iter().any(|feed| feed.is_lagging()) {
            "; catching up from the recording"
        } else {
            ""
        };
        let counted = self.counted();
        self.listener.status(&format!("{}{lag}", counted.summary()));
        Ok(())
    }
}

impl Sink for Watch<'_> {
    fn heard(&mut self, source: usize, message: &ToneMessage) -> anyhow::Result<()> {
        self.listener.heard(source, message);
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
                let point = self.named(*point);
                let seen = self.recorded.iter().map(|recorded| {
                    recorded.ask_for_sync();
                    recorded.reached()
                });
                self.held_back.push_back(HeldBack {
                    point,
                    evidence,
                    seen: seen.collect(),
                });
                self.log_points()
            }
            Finding::Event(event) => self.event(&event).map(drop),
            Finding::Trace(row) => {
                self.reached_s = row.time_s;
                self.ledger.trace(&row)?;
                let alarms = self.alarms.row(&row);
                self.alarm(alarms)
            }
        }
    }

    fn tick(&mut self, _progress: &Progress, analysis: &Analysis) -> anyhow::Result<()> {
        self.listener.alive();
        self.log_points()?;
        let now = self.clock.elapsed();
        self.let_look(now, analysis);
        if now.saturating_sub(self.status_told) < STATUS_INTERVAL {
            return Ok(());
        }
        self.status_told = now;
        self.tell_status()?;
        for message in self.links.look(now) {
            self.event(&Event {
                at_s: self.reached_s,
                kind: "silence".into(),
                message,
            })?;
        }
        if let Some(why) = self.space.look(now) {
            self.end_because(why);
        }
        if now.saturating_sub(self.coverage_told) >= COVERAGE_INTERVAL {
            self.coverage_told = now;
            tracing::info!("{}", self.counted().text());
        }
        Ok(())
    }
}
