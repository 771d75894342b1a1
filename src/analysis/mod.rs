//! Tone messages of all sources → settled points, events and trace rows: the
//! pure chain `resonance` → `reduction`, in one place so that live capture and
//! reprocessing cannot differ.

use std::collections::VecDeque;
use std::sync::Arc;

mod findings;

pub use findings::{Event, Evidence, Finding, TraceRow};

use crate::maths;
use crate::reduction::SettledPoint;
use crate::reduction::settle::{clipped_by_place, fitted_channels, settle};
use crate::resonance::hop_estimate::HopEstimate;
use crate::resonance::phasor::detuning_bandwidths;
use crate::resonance::{Dwell, Tracker};
use crate::setup::{Role, Setup};
use crate::tone::interval::{HoldFit, IntervalTone, join_hops};
use crate::tone::{ToneFrame, ToneMessage, TonePlan};

/// How long the other sources are kept in memory while the main one is silent.
const SILENCE_SECONDS: f64 = 600.0;

/// The analysis of one run.
#[derive(Debug)]
pub struct Analysis {
    setup: Setup,
    plans: Vec<TonePlan>,
    /// The source that carries the antinode.
    main: usize,
    /// How far that one has come, s.
    main_s: f64,
    tracker: Tracker,
    start_utc: Option<jiff::Timestamp>,
    /// The other sources, which may carry strain gauges; the entry of the main
    /// source stays empty.
    auxiliary: Vec<AuxiliarySource>,
    /// Dwells that wait until the other sources have come as far.
    waiting: VecDeque<Dwell>,
}

/// Frames of a source that does not carry the antinode.
#[derive(Debug)]
struct AuxiliarySource {
    hold_fit: HoldFit,
    frames: VecDeque<Arc<ToneFrame>>,
    reached_s: f64,
    ended: bool,
}

impl AuxiliarySource {
    fn new(plan: &TonePlan) -> Self {
        Self {
            hold_fit: HoldFit::new(plan),
            frames: VecDeque::new(),
            reached_s: 0.0,
            ended: false,
        }
    }
}

impl Analysis {
    /// `plans`: one a source, in setup order. `start_utc` labels sample 0 of
    /// the source that carries the antinode.
    pub fn new(setup: &Setup, plans: &[TonePlan], start_utc: Option<jiff::Timestamp>) -> Self {
        let main = setup
            .channel(Role::Antinode)
            .map_or(0, |(_, channel)| channel.source);
        let main_plan = plans.get(main).or(plans.first());
        // A setup has at least one source, so there is a plan; an empty one
        // makes a tracker that never finds a dwell.
        let tracker = Tracker::new(setup, &main_plan.cloned().unwrap_or_default());
        Self {
            setup: setup.clone(),
            plans: plans.to_vec(),
            main,
            main_s: 0.0,
            tracker,
            start_utc,
            auxiliary: plans.iter().map(AuxiliarySource::new).collect(),
            waiting: VecDeque::new(),
        }
    }

    /// Takes the next message of a source. Messages of one source come in
    /// order; how the sources interleave makes no difference to the points.
    pub fn push(&mut self, source: usize, message: ToneMessage) -> Vec<Finding> {
        let mut findings = Vec::new();
        match message {
            ToneMessage::Frame(frame) if source == self.main => {
                self.main_s = frame.end_s;
                let frame = Arc::new(frame);
                let estimate = HopEstimate::new(self.tracker.channels(), &frame);
                findings.push(Finding::Trace(self.trace(&frame, estimate.as_ref())));
                self.waiting.extend(self.tracker.hop(estimate));
            }
            ToneMessage::Gap(gap) if source == self.main => {
                findings.push(Finding::Event(Event {
                    at_s: gap.at_s,
                    kind: "gap".into(),
                    message: format!(
                        "{} samples are missing at {:.3} s.",
                        gap.missing_samples, gap.at_s
                    ),
                }));
                self.waiting.extend(self.tracker.gap(&gap));
            }
            ToneMessage::Frame(frame) => {
                if let Some(auxiliary) = self.auxiliary.get_mut(source) {
                    auxiliary.reached_s = frame.end_s;
                    auxiliary.frames.push_back(Arc::new(frame));
                }
            }
            ToneMessage::Gap(_) => {}
        }
        self.settle_waiting(&mut findings);
        self.forget();
        findings
    }

    /// A source has ended; the last one brings out what is in hand.
    pub fn source_ended(&mut self, source: usize) -> Vec<Finding> {
        if source == self.main {
            self.waiting.extend(self.tracker.finish());
        } else if let Some(auxiliary) = self.auxiliary.get_mut(source) {
            auxiliary.ended = true;
        }
        let mut findings = Vec::new();
        self.settle_waiting(&mut findings);
        findings
    }

    /// Drops frames too old for any dwell that may still come. Only what the
    /// main source has passed may go, or interleaving would matter: the tracker
    /// keeps its own samples for two holds and ten seconds. Should the main
    /// source be silent, the others must not fill the memory for ever.
    fn forget(&mut self) {
        let keep_s = 2.0 * self.setup.hold.max_seconds + 20.0;
        let waiting = self.waiting.front();
        let needed_s = waiting.map_or(f64::INFINITY, |dwell| dwell.hold_start_s);
        let passed_s = needed_s.min(self.main_s - keep_s);
        for auxiliary in &mut self.auxiliary {
            let oldest_s = passed_s.max(auxiliary.reached_s - keep_s - SILENCE_SECONDS);
            while auxiliary
                .frames
                .front()
                .is_some_and(|frame| frame.end_s < oldest_s)
            {
                auxiliary.frames.pop_front();
            }
        }
    }

    fn settle_waiting(&mut self, findings: &mut Vec<Finding>) {
        while let Some(dwell) = self.waiting.front() {
            let reached = self
                .auxiliary
                .iter()
                .enumerate()
                .all(|(source, auxiliary)| {
                    source == self.main
                        || auxiliary.ended
                        || auxiliary.reached_s >= dwell.hold_end_s
                });
            if !reached {
                return;
            }
            let Some(dwell) = self.waiting.pop_front() else {
                return;
            };
            let evidence = Evidence {
                dwell_start_s: dwell.start_s,
                dwell_end_s: dwell.end_s,
                criteria: dwell.criteria.clone(),
            };
            findings.push(Finding::Point(Box::new(self.settle(&dwell)), evidence));
        }
    }

    fn settle(&mut self, dwell: &Dwell) -> SettledPoint {
        let main = self.main;
        let others: Vec<(usize, IntervalTone, Vec<u64>)> = (0..self.plans.len())
            .filter(|source| *source != main)
            .filter_map(|source| self.auxiliary_interval(source, dwell))
            .collect();
        let mut fits = Vec::new();
        if let (Some(plan), Some(interval)) = (self.plans.get(self.main), &dwell.interval) {
            let clipped = clipped_by_place(&dwell.frames, plan.channels.len());
            fits.extend(fitted_channels(&self.setup, plan, interval, &clipped));
        }
        for (source, interval, clipped) in &others {
            if let Some(plan) = self.plans.get(*source) {
                fits.extend(fitted_channels(&self.setup, plan, interval, clipped));
            }
        }
        settle(&self.setup, dwell, &fits, self.start_utc)
    }

    /// The same stretch of time on another source, fitted at its own clock.
    fn auxiliary_interval(
        &mut self,
        source: usize,
        dwell: &Dwell,
    ) -> Option<(usize, IntervalTone, Vec<u64>)> {
        let plan = self.plans.get(source)?;
        let auxiliary = self.auxiliary.get_mut(source)?;
        let frames: Vec<Arc<ToneFrame>> = auxiliary
            .frames
            .iter()
            .filter(|frame| {
                frame.end_s - plan.hop_seconds() >= dwell.hold_start_s
                    && frame.end_s <= dwell.hold_end_s
            })
            .cloned()
            .collect();
        // A missing hop would join samples that do not belong together.
        let whole = frames.windows(2).all(|pair| match pair {
            [a, b] => b.hop == a.hop + 1,
            _ => true,
        });
        if frames.is_empty() || !whole {
            return None;
        }
        let samples = join_hops(frames.iter().map(|frame| frame.samples.as_ref()));
        let guess_hz = dwell.interval.as_ref()?.frequency_hz;
        let interval = auxiliary.hold_fit.fit(samples.view(), guess_hz).ok()?;
        let clipped = clipped_by_place(&frames, plan.channels.len());
        Some((source, interval, clipped))
    }

    fn trace(&self, frame: &ToneFrame, estimate: Option<&HopEstimate>) -> TraceRow {
        let channels = self.tracker.channels();
        let mut row = TraceRow {
            time_s: frame.end_s,
            clipped_samples: channels
                .judged()
                .filter_map(|(index, _)| frame.channels.get(index))
                .map(|channel| channel.clipped)
                .sum(),
            ..TraceRow::default()
        };
        let Some(estimate) = estimate else {
            return row;
        };
        row.frequency_hz = Some(estimate.frequency_hz);
        row.antinode_velocity_mm_s = Some(1e3 * estimate.antinode_m_s);
        row.iswr = estimate.iswr();
        row.node_velocity_mm_s = row.iswr.map(|iswr| 1e3 * iswr * estimate.antinode_m_s);
        row.node_phase_deg = estimate
            .ratio
            .map(|ratio| maths::argument(ratio).to_degrees());
        row.drive_force_n = estimate.force_n;
        row.drive_phase_deg = estimate.drive_phase_deg;
        row.detuning_bandwidths = estimate.drive_phase_deg.map(detuning_bandwidths);
        row.bandwidth_hz = row.iswr.map(|iswr| {
            self.setup
                .strung_conductor()
                .half_power_bandwidth_hz(estimate.frequency_hz, iswr)
        });
        if let Some(antinode) = channels
            .antinode
            .and_then(|(index, _)| frame.channels.get(index))
        {
            row.snr_db = Some(antinode.snr_db());
            row.distortion_pct = Some(100.0 * antinode.distortion);
        }
        row
    }
}
