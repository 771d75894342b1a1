//! Records that wait for what shows where the peak is.
//!
//! Without a drive-force channel the free motion after a dwell's end may show what
//! nothing in the dwell does. In: judged dwells and all samples since. Out: the
//! dwells in order, each as soon as it is shown or excluded that the drive stood
//! at the peak, and after a bounded time in any case. Pure; all times count in
//! hops.

use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;

use ndarray::Array2;

use super::super::Dwell;
use super::super::criteria::HoldCriterion;
use super::super::peak_evidence::{AroundChange, DrivenResonance, PeakEvidence, Side};
use crate::setup::{Role, Setup, Verdict};
use crate::tone::TonePlan;

/// Of the motion before the change so much is compared with what follows, s.
const STEADY_SECONDS: f64 = 8.0;
/// How long after the end of the dwell the free motion is looked at, time
/// constants, and at least and at most, s. The first look comes early.
const LOOK_CONSTANTS: [f64; 2] = [3.2, 6.0];
const LOOK_SECONDS: [f64; 2] = [2.0, 30.0];
/// A dwell that goes on after its point has this long to end, s.
const END_SECONDS: f64 = 120.0;
/// Samples are kept for the last look, s.
const KEPT_SECONDS: f64 = LOOK_SECONDS[1] + STEADY_SECONDS + 8.0;
/// And where only the free motion can show the peak, as long as those of a dwell, in
/// lengths of the longest hold: a small change of level is found to have ended a hold
/// when the dwell is judged.
const KEPT_HOLDS: f64 = 2.0;

/// The latest samples of a source, whatever the dwells.
#[derive(Debug, Default)]
struct LatestSamples {
    hops: VecDeque<Arc<Array2<f64>>>,
    /// Number of the hop after the last.
    next: u64,
}

impl LatestSamples {
    fn push(&mut self, hop: Option<u64>, samples: &Arc<Array2<f64>>, most: usize) {
        let hop = hop.unwrap_or(self.next);
        if hop != self.next {
            self.hops.clear();
        }
        self.next = hop + 1;
        self.hops.push_back(Arc::clone(samples));
        while self.hops.len() > most {
            self.hops.pop_front();
        }
    }

    fn first(&self) -> u64 {
        self.next - self.hops.len() as u64
    }

    /// One channel over some hops; `None` where one of them is not kept.
    fn channel(&self, channel: usize, hops: &Range<u64>) -> Option<Vec<f64>> {
        let from = hops.start.checked_sub(self.first())? as usize;
        let to = hops.end.checked_sub(self.first())? as usize;
        if to > self.hops.len() || from >= to {
            return None;
        }
        let mut samples = Vec::new();
        for hop in self.hops.range(from..to) {
            if channel >= hop.nrows() {
                return None;
            }
            samples.extend(hop.row(channel));
        }
        Some(samples)
    }
}

/// A dwell on its way out.
#[derive(Debug)]
struct LeavingDwell {
    dwell: Dwell,
    /// Where it does not leave at once.
    wait: Option<Wait>,
}

#[derive(Debug)]
struct Wait {
    resonance: DrivenResonance,
    /// The hop with which the hold begins.
    steady_from: u64,
    /// The hop after the last that is steady; `None` while the dwell goes on.
    steady_end: Option<u64>,
    /// Hops at which the free motion is looked at.
    looks: VecDeque<u64>,
    /// When there is nothing more to wait for.
    until: u64,
}

/// Dwells on their way out, in order.
#[derive(Debug, Default)]
pub(super) struct Departures {
    latest: LatestSamples,
    leaving: VecDeque<LeavingDwell>,
    /// Rows of the channels that show the span's motion.
    channels: Vec<usize>,
    /// Hops whose samples are kept.
    kept_hops: usize,
    window_hops: u64,
    hop_s: f64,
    hop_samples: usize,
    rate_hz: f64,
}

impl Departures {
    pub(super) fn new(setup: &Setup, plan: &TonePlan) -> Self {
        let shows_motion = |setup_index: usize| {
            let channel = setup.channels.get(setup_index);
            // What is worked out shows nothing that the fixed sensors do not, and its weights,
            // which change from hop to hop, look like a motion at the drive's frequency.
            channel.is_some_and(|channel| channel.role.shows_motion() && !channel.is_worked_out())
        };
        let kept_s = match setup.channel(Role::DriveForce) {
            Some(_) => KEPT_SECONDS,
            None => KEPT_SECONDS + KEPT_HOLDS * setup.hold.max_seconds,
        };
        Self {
            kept_hops: (kept_s / plan.hop_seconds()).ceil() as usize,
            channels: plan
                .channels
                .iter()
                .enumerate()
                .filter(|(_, planned)| shows_motion(planned.setup_index))
                .map(|(row, _)| row)
                .collect(),
            window_hops: plan.window_hops as u64,
            hop_s: plan.hop_seconds(),
            hop_samples: plan.hop_samples,
            rate_hz: plan.decimated_rate_hz(),
            ..Self::default()
        }
    }

    pub(super) fn rows(&self) -> &[usize] {
        &self.channels
    }

    fn hops(&self, seconds: f64) -> u64 {
        (seconds / self.hop_s).ceil() as u64
    }

    /// Takes the samples of a hop; `None` where it shows no tone.
    pub(super) fn samples(&mut self, hop: Option<u64>, samples: &Arc<Array2<f64>>) {
        self.latest.push(hop, samples, self.kept_hops);
    }

    /// Takes a judged dwell. `ended`: whether its end has been seen.
    pub(super) fn push(&mut self, dwell: Dwell, ended: bool, spacing_hz: f64) {
        // What ended the dwell may have begun within its last window.
        let hold_end = (dwell.hold_end_s / self.hop_s).round() as u64;
        let steady_end = ended.then(|| hold_end.saturating_sub(self.window_hops));
        let now = self.latest.next;
        let wait = dwell.interval.as_ref().filter(|_| wants_evidence(&dwell));
        let wait = wait.map(|interval| {
            let mut wait = Wait {
                resonance: DrivenResonance {
                    drive_hz: interval.frequency_hz,
                    drive_u_hz: interval.frequency_u_hz,
                    implied_hz: dwell.bandwidth_hz,
                    spacing_hz,
                },
                steady_from: (dwell.hold_start_s / self.hop_s).round() as u64,
                steady_end: None,
                looks: VecDeque::new(),
                until: now + self.hops(END_SECONDS),
            };
            if let Some(steady_end) = steady_end {
                self.end(&mut wait, steady_end, now);
            }
            wait
        });
        self.leaving.push_back(LeavingDwell { dwell, wait });
    }

    fn end(&self, wait: &mut Wait, steady_end: u64, now: u64) {
        let constant_s = wait
            .resonance
            .implied_hz
            .map_or(LOOK_SECONDS[1], |df| (std::f64::consts::PI * df).recip());
        let looks = LOOK_CONSTANTS.map(|constants| {
            let look_s = (constants * constant_s).clamp(LOOK_SECONDS[0], LOOK_SECONDS[1]);
            now + self.hops(look_s)
        });
        wait.steady_end = Some(steady_end);
        wait.looks = looks.into();
        wait.until = looks[1];
    }

    /// The dwell in hand has ended, the last steady hop before `steady_end`.
    pub(super) fn dwell_ended(&mut self, steady_end: u64) {
        let now = self.latest.next;
        let mut leaving = std::mem::take(&mut self.leaving);
        for leaving in &mut leaving {
            if let Some(wait) = leaving
                .wait
                .as_mut()
                .filter(|wait| wait.steady_end.is_none())
            {
                self.end(wait, steady_end, now);
            }
        }
        self.leaving = leaving;
    }

    /// When the hold of the first dwell that waits began, s.
    pub(super) fn oldest_s(&self) -> Option<f64> {
        self.leaving
            .front()
            .map(|leaving| leaving.dwell.hold_start_s)
    }

    /// The dwells that may leave now; all of them where the samples end here.
    pub(super) fn leave(&mut self, samples_end: bool, limit: f64) -> Vec<Dwell> {
        let now = self.latest.next;
        let mut leaving = std::mem::take(&mut self.leaving);
        for leaving in &mut leaving {
            let Some(wait) = &mut leaving.wait else {
                continue;
            };
            let due = wait.looks.front().is_some_and(|look| *look <= now);
            if due || samples_end {
                wait.looks.pop_front();
                let before = leaving.dwell.peak;
                if let Some(found) = self.after(wait) {
                    let peak = before.map_or(found, |before| before.with(found));
                    let alone = peak.without_drive_mass(leaving.dwell.mass_shift);
                    let shown = alone.is_on_peak(limit).is_some();
                    let over = samples_end || now >= wait.until;
                    if shown || over {
                        leaving.dwell.enter_peak(peak, limit);
                        leaving.wait = None;
                        continue;
                    }
                }
            }
            if samples_end || now >= wait.until {
                leaving.wait = None;
            }
        }
        let mut left = Vec::new();
        while leaving
            .front()
            .is_some_and(|leaving| leaving.wait.is_none())
            && let Some(next) = leaving.pop_front()
        {
            left.push(next.dwell);
        }
        self.leaving = leaving;
        left
    }

    /// The samples end here and go on elsewhere: nothing joins them.
    pub(super) fn forget_samples(&mut self) {
        self.latest.hops.clear();
    }

    /// What the samples since the end of a dwell show.
    fn after(&self, wait: &Wait) -> Option<PeakEvidence> {
        let steady_end = wait.steady_end?;
        let first = steady_end
            .saturating_sub(self.hops(STEADY_SECONDS))
            .max(wait.steady_from)
            .max(self.latest.first());
        let hops = first..self.latest.next;
        let rows: Option<Vec<Vec<f64>>> = self
            .channels
            .iter()
            .map(|row| self.latest.channel(*row, &hops))
            .collect();
        let sample = |hop: u64| hop.saturating_sub(first) as usize * self.hop_samples;
        wait.resonance.evidence(&AroundChange {
            rows: rows?,
            rate_hz: self.rate_hz,
            steady: 0..sample(steady_end),
            look: sample(steady_end)..sample(hops.end),
            side: Side::Before,
        })
    }
}

/// Whether a dwell lacks nothing but what shows the peak.
fn wants_evidence(dwell: &Dwell) -> bool {
    let is_rung_up = dwell
        .criteria
        .iter()
        .any(|result| result.criterion == HoldCriterion::RingUp && result.met == Some(true));
    dwell.verdict == Verdict::Steady && is_rung_up
}
