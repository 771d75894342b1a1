//! Tone messages of all sources → settled points, events and trace rows: the
//! pure chain `resonance` → `reduction`, in one place so that live capture and
//! reprocessing cannot differ.

use std::collections::VecDeque;

pub mod alarm;
mod auxiliary;
mod findings;
mod note;
mod silence;
mod tension;

pub use findings::{Event, Evidence, Finding, TraceRow};
pub use note::{Exclusion, NoteKind, PointNote};

use crate::maths;
use crate::reduction::fixed_sensors;
use crate::reduction::harmonic_numbers::HarmonicNumbers;
use crate::reduction::hum::HumSeen;
use crate::reduction::settle::{budget_of, fitted_channels, settle};
use crate::reduction::{BudgetLine, FixedEvidence, Measured, SettledPoint, fixed_evidence};
use crate::resonance::hop_estimate::HopEstimate;
use crate::resonance::phasor::detuning_bandwidths;
use crate::resonance::signal_phase::SignalPhases;
use crate::resonance::standing_wave::FixedReading;
use crate::resonance::{DriveStanding, Dwell, DwellOutlook, Tracker};
use crate::setup::{Setup, Verdict};
use crate::tone::{ToneFrame, ToneMessage, TonePlan};
use auxiliary::{AuxiliaryHold, AuxiliarySource, MainFrequencies};
use silence::Silence;
use tension::TensionRecord;

/// The main source's frequency is remembered for two holds and this much more, s.
const FREQUENCY_MARGIN_SECONDS: f64 = 700.0;

/// What one dwell tells of the bench for the next.
#[derive(Debug, Clone, Default)]
pub struct Learnt {
    /// Mains hum.
    pub hum: HumSeen,
    /// Numbers of harmonics that were given.
    pub numbers: HarmonicNumbers,
    /// At which angle to the drive signal each resonance has its peak.
    pub phases: SignalPhases,
}

/// The analysis of one run.
#[derive(Debug)]
pub struct Analysis {
    setup: Setup,
    plans: Vec<TonePlan>,
    /// The source that carries the antinode.
    main: usize,
    /// How far that one has come, s.
    main_s: f64,
    /// What it said of the frequency, for the other sources.
    main_hz: MainFrequencies,
    /// Where antinode and node are read by fixed sensors: those.
    fixed: Option<FixedReading>,
    tracker: Tracker,
    start_utc: Option<jiff::Timestamp>,
    /// The other sources, which may carry strain gauges; the entry of the main
    /// source stays empty.
    auxiliary: Vec<AuxiliarySource>,
    /// The channel that measures the tension, if there is one.
    tension: Option<TensionRecord>,
    /// What the dwells so far have shown of the bench.
    learnt: Learnt,
    /// Channels of the main source that fell silent.
    silence: Silence,
    /// Dwells that wait until the other sources have come as far.
    waiting: VecDeque<Dwell>,
}

impl Analysis {
    /// `plans`: one a source, in setup order. `start_utc` labels sample 0 of
    /// the source that carries the antinode.
    pub fn new(setup: &Setup, plans: &[TonePlan], start_utc: Option<jiff::Timestamp>) -> Self {
        let main = setup.main_source().map_or(0, |(number, _)| number);
        let main_plan = plans.get(main).or(plans.first());
        // A setup has at least one source, so there is a plan; an empty one
        // makes a tracker that never finds a dwell.
        let mut main_plan = main_plan.cloned().unwrap_or_default();
        let (mut setup, mut plans) = (setup.clone(), plans.to_vec());
        let fixed = FixedReading::new(&setup, &main_plan).map(|(reading, wider, wider_plan)| {
            (setup, main_plan) = (wider, wider_plan);
            if let Some(plan) = plans.get_mut(main) {
                plan.clone_from(&main_plan);
            }
            reading
        });
        let silence = Silence::new(&setup, &main_plan);
        let tracker = Tracker::new(&setup, &main_plan);
        Self {
            silence,
            main,
            fixed,
            main_s: 0.0,
            main_hz: MainFrequencies::new(),
            tracker,
            start_utc,
            auxiliary: plans
                .iter()
                .map(|plan| AuxiliarySource::new(plan, &setup.hold, plans.len()))
                .collect(),
            tension: TensionRecord::new(&setup, &plans),
            learnt: Learnt::default(),
            waiting: VecDeque::new(),
            setup,
            plans,
        }
    }

    /// Reckons with what other recordings of the same bench showed.
    pub fn reckon_with(&mut self, learnt: Learnt) {
        self.tracker.reckon_with(learnt.phases.clone());
        self.learnt = learnt;
    }

    /// What the dwells so far have shown of the bench.
    pub fn learnt(&self) -> Learnt {
        Learnt {
            phases: self.tracker.phases().clone(),
            ..self.learnt.clone()
        }
    }

    /// How the dwell in hand stands, for whoever tunes the drive; `None` where there is none.
    pub fn outlook(&self) -> Option<DwellOutlook> {
        self.tracker.outlook()
    }

    /// Where the drive stands by the span's free motion when the dwell in hand began. Dear:
    /// once in some seconds is enough.
    pub fn standing_by_free_motion(&self) -> Option<DriveStanding> {
        self.tracker.standing_by_free_motion()
    }

    /// The number of the harmonic that a point at a frequency would have; `nearest` is the
    /// bare span's nearest.
    pub fn harmonic_at(&self, frequency_hz: f64, nearest: Option<u32>) -> Option<u32> {
        self.learnt.numbers.at(&self.setup, frequency_hz, nearest?)
    }

    /// Which source carries the antinode.
    pub fn main_source(&self) -> usize {
        self.main
    }

    /// Takes the next message of a source. Messages of one source come in
    /// order; how the sources interleave makes no difference to the points.
    pub fn push(&mut self, source: usize, message: ToneMessage) -> Vec<Finding> {
        let mut findings = Vec::new();
        if let (ToneMessage::Frame(frame), Some(tension)) = (&message, &mut self.tension) {
            tension.push(source, frame);
        }
        match message {
            ToneMessage::Frame(mut frame) if source == self.main => {
                self.main_s = frame.end_s;
                if let Some(fixed) = &mut self.fixed {
                    fixed.enter(&mut frame);
                }
                let estimate = HopEstimate::new(self.tracker.channels(), &frame);
                findings.push(Finding::Trace(self.trace(&frame, estimate.as_ref())));
                let hz = estimate.as_ref().map(|estimate| estimate.frequency_hz);
                self.main_hz.extend(hz.map(|hz| (frame.end_s, hz)));
                let hop_s = self.plans.get(source).map_or(0.0, TonePlan::hop_seconds);
                let silent = self.silence.frame(&frame, hop_s);
                findings.extend(silent.into_iter().map(Finding::Event));
                self.waiting.extend(self.tracker.hop(estimate, &frame));
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
                if let Some(fixed) = &mut self.fixed {
                    fixed.forget();
                }
                self.waiting.extend(self.tracker.gap(&gap));
            }
            ToneMessage::Frame(frame) => {
                if let Some(auxiliary) = self.auxiliary.get_mut(source) {
                    auxiliary.push(&frame);
                }
            }
            ToneMessage::Gap(_) => {}
        }
        self.remark(&mut findings);
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
        self.remark(&mut findings);
        self.settle_waiting(&mut findings);
        findings
    }

    /// What the tracker has to say beside its dwells.
    fn remark(&mut self, findings: &mut Vec<Finding>) {
        let remarks = self.tracker.take_remarks().into_iter();
        findings.extend(remarks.map(|remark| {
            Finding::Event(Event {
                at_s: remark.at_s,
                kind: remark.kind.into(),
                message: remark.message,
            })
        }));
    }

    /// Drops what is too old for any dwell that may still come.
    fn forget(&mut self) {
        let waiting = self.waiting.front().map(|dwell| dwell.hold_start_s);
        let needed_s = waiting
            .into_iter()
            .chain(self.tracker.waits_since_s())
            .fold(f64::INFINITY, f64::min);
        for auxiliary in &mut self.auxiliary {
            auxiliary.forget(self.main_s, needed_s, &self.main_hz);
        }
        let keep_s = 2.0 * self.setup.hold.max_seconds + FREQUENCY_MARGIN_SECONDS;
        let oldest_s = needed_s.min(self.main_s) - keep_s;
        if let Some(tension) = &mut self.tension {
            tension.forget(oldest_s);
        }
        while self
            .main_hz
            .front()
            .is_some_and(|(end_s, _)| *end_s < oldest_s)
        {
            self.main_hz.pop_front();
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
            let Some(mut dwell) = self.waiting.pop_front() else {
                return;
            };
            let (point, (uncertainty_budget, fixed_sensors)) = self.settle(&mut dwell);
            let evidence = Evidence {
                dwell_start_s: dwell.start_s,
                dwell_end_s: dwell.end_s,
                criteria: dwell.criteria,
                uncertainty_budget,
                fixed_sensors,
            };
            findings.push(Finding::Point(Box::new(point), evidence));
        }
    }

    /// The point of a dwell and, where it counts, the budget of its
    /// uncertainties and what the fixed sensors showed.
    fn settle(
        &mut self,
        dwell: &mut Dwell,
    ) -> (SettledPoint, (Vec<BudgetLine>, Option<FixedEvidence>)) {
        let main = self.main;
        let tension = self
            .tension
            .as_ref()
            .map(|tension| tension.over(dwell, &self.setup));
        if let Some(Ok(tension)) = &tension {
            tension::judge(dwell, &tension.setup, &tension.held);
        }
        let others: Vec<(&TonePlan, AuxiliaryHold)> = self
            .plans
            .iter()
            .zip(&mut self.auxiliary)
            .enumerate()
            .filter(|(source, _)| *source != main)
            .filter_map(|(_, (plan, auxiliary))| {
                Some((plan, auxiliary.hold(dwell, &self.main_hz)?))
            })
            .collect();
        let mut fits = Vec::new();
        let interval = dwell.interval.clone();
        if let (Some(plan), Some(interval)) = (self.plans.get(self.main), &interval) {
            fits.extend(fitted_channels(
                &self.setup,
                plan,
                interval,
                [&dwell.clipped[..], &dwell.missing_values[..]],
            ));
        }
        for (plan, hold) in &others {
            fits.extend(fitted_channels(
                &self.setup,
                plan,
                &hold.interval,
                [&hold.clipped[..], &hold.missing_values[..]],
            ));
        }
        self.learnt.hum.note(&fits);
        self.learnt.hum.enter(&mut fits);
        let setup = match &tension {
            Some(Ok(tension)) => &tension.setup,
            Some(Err(_)) | None => &self.setup,
        };
        fixed_sensors::judge(dwell, setup, &fits);
        let mut point = settle(setup, dwell, &fits, self.start_utc);
        self.learnt.numbers.number(setup, &mut point);
        match &tension {
            Some(Ok(_)) => {
                let u_kn = 0.01 * setup.span.tension_uncertainty_pct * setup.span.tension_kn;
                point.tension_kn = Some(Measured::new(setup.span.tension_kn, u_kn));
            }
            Some(Err(reason)) => point.reasons.push(reason.clone()),
            None => {}
        }
        let rests_on = match point.verdict {
            Verdict::Rejected => (Vec::new(), None),
            _ => (
                budget_of(setup, dwell, &fits),
                fixed_evidence(setup, dwell, &fits),
            ),
        };
        (point, rests_on)
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
        row.signal_phase_deg = estimate
            .by_signal
            .map(|response| maths::argument(response).to_degrees());
        let by_signal = || {
            let known = self.tracker.phases().at(estimate.frequency_hz)?;
            Some(known.detuning(maths::argument(estimate.by_signal?)))
        };
        row.detuning_bandwidths = estimate
            .drive_phase_deg
            .map(detuning_bandwidths)
            .or_else(by_signal);
        row.bandwidth_hz = row.iswr.map(|iswr| {
            self.setup
                .strung_conductor()
                .half_power_bandwidth_hz(estimate.frequency_hz, iswr)
        });
        if let Some(antinode) = channels
            .antinode
            .and_then(|(index, _)| frame.channels.get(index))
        {
            let rate_hz = self.plans.get(self.main).map(TonePlan::decimated_rate_hz);
            row.snr_db = rate_hz.map(|rate_hz| antinode.snr_db(rate_hz));
            row.distortion_pct = Some(100.0 * antinode.distortion);
        }
        row
    }
}
