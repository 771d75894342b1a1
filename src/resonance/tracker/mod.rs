//! The tracker: cuts the stream of hops into dwells; `judge` picks in each
//! the stretch that is judged.
//!
//! A dwell ends where the frequency leaves its middle value by a third of a
//! bandwidth, where the drive level is changed, where samples are missing, or
//! where the tone is lost. It is judged **whole**: from the end of ring-up to
//! the end of the dwell, less the moments of the change itself. Were any
//! sub-stretch allowed, the crest of a slow wander would pass as a hold. Two
//! things cut a dwell in two: a transient (an isolated impulse), after which a
//! part has to wait for ring-up by itself; and trouble that sets in at once after
//! a good beginning (`trouble`), which then has a record of its own.

mod approach;
mod judge;
mod moving;
mod outlook;
mod restless;
mod standing;
mod sweep;
mod trouble;
mod waiting;

use std::collections::VecDeque;
use std::f64::consts::PI;
use std::ops::Range;

pub use self::outlook::DwellOutlook;
pub use self::standing::{DriveStanding, PeakShownBy};

use self::approach::ApproachHop;
use self::judge::plateau;
use self::moving::Passage;
use self::restless::Restless;
use self::sweep::Passing;
use self::trouble::{Sign, TroubleWatch};
use self::waiting::Departures;
use super::channel_map::ChannelMap;
use super::criteria::{HoldCriterion, is_mains};
use super::hold_samples::HoldSamples;
use super::hop_estimate::{HopEstimate, MedianBounds, median, median_frequency_hz};
use super::level::{DriveLevel, LevelEvent, STEADY_HOPS};
use super::signal_phase::SignalPhases;
use super::{Dwell, Remark};
use crate::maths;
use crate::setup::Setup;
use crate::setup::Verdict;
use crate::span::StrungConductor;
use crate::tone::{ToneFrame, ToneGap, TonePlan};

/// A frequency this many bandwidths away is another dwell's.
const ANOTHER_FREQUENCY: f64 = 0.35;
/// Hops whose middle frequency is the dwell's own; more would only cost time.
const REMEMBERED_HOPS: usize = 1200;
/// Smallest change that begins another dwell, Hz: while an old motion dies away
/// beside the new one, ratio and frequency of a window are not to be trusted
/// to less.
const LEAST_CHANGE_HZ: f64 = 0.01;
/// Ring-up is waited for up to this many time constants where the dwell is
/// long enough: exp(−7) leaves 0.1 %.
const RING_UP_COMFORT: f64 = 7.0;
/// Of a dwell too short for that wait and a full hold, so many time constants
/// are kept for the hold: waiting longer would take off less than noise puts on
/// where the time constant is minutes, a bare span's.
const HOLD_CONSTANTS: f64 = 0.5;
/// How far back the approach to a resonance is remembered, s.
const APPROACH_SECONDS: f64 = 900.0;
/// A dwell without a point is judged after this long and a new one begun, s:
/// whoever forgot to switch off at night finds out why, and memory stays flat.
const LONGEST_DWELL_SECONDS: f64 = 3600.0;

/// Below this part of the target level, or of the loudest motion of the run
/// where there is no target, nothing drives the span.
const RESTING_SHARE: f64 = 0.05;
/// A level that is left again within this time, s, being the same within this part,
/// pulses.
const PULSE_SECONDS: f64 = 60.0;
const SAME_LEVEL: f64 = 0.05;
/// What hum on an accelerometer's cable may pretend, m/s: 0.3 m/s² at 50 Hz.
const HUM_M_S: f64 = 1e-3;

/// What is watched after a dwell has had its point. Hops are those of the source.
#[derive(Debug)]
struct AfterPoint {
    watch: TroubleWatch,
    /// Where the frequency or level had last changed.
    changed_hop: u64,
    /// The last hop of the point's hold.
    point_hop: u64,
    /// Where trouble set in, and in what.
    trouble: Option<(u64, Sign)>,
    /// Whether that has its record.
    told: bool,
}

/// Why a dwell ended, for its reasons.
#[derive(Debug, Clone, Copy, PartialEq)]
enum EndOfDwell {
    Change,
    /// The frequency left the dwell's own little by little.
    Drift,
    /// The drive level was changed.
    Level,
    /// Trouble set in, and what follows is judged by itself.
    Trouble,
    /// It went on for longer than anyone waits.
    TooLong,
    Gap {
        at_s: f64,
        missing: u64,
    },
    ToneLost,
    EndOfSamples,
}

impl EndOfDwell {
    /// Whether it has to do with a dwell's not being a hold.
    fn is_said(self) -> bool {
        matches!(
            self,
            Self::Drift | Self::Level | Self::TooLong | Self::Gap { .. }
        )
    }
}

/// The middle frequency of a dwell, Hz, and between what it stays for some hops more.
#[derive(Debug, Clone, Copy)]
struct OwnFrequency {
    found: MedianBounds,
    /// The first hop of the dwell that it is of, and the dwell's length.
    first_hop: u64,
    length: usize,
}

/// Hops → dwells.
#[derive(Debug)]
pub struct Tracker {
    setup: Setup,
    conductor: StrungConductor,
    plan: TonePlan,
    channels: ChannelMap,
    dwell: Vec<HopEstimate>,
    /// Where its own frequency is, as found lately.
    own: Option<OwnFrequency>,
    /// Samples of the dwell in hand.
    samples: HoldSamples,
    /// What became of the dwell in hand since it had its point.
    after: Option<AfterPoint>,
    /// Records of a frequency that moves, until it stands still.
    passage: Passage,
    /// Hops until it is worth looking again whether it may have one.
    rest_hops: usize,
    level: DriveLevel,
    /// Whether the dwell in hand began with the samples, not with a change.
    begins_with_samples: bool,
    /// Judged dwells on their way out.
    departures: Departures,
    sweep: Passing,
    restless: Restless,
    /// When a steady level was last left, s, and which.
    last_left: Option<(f64, f64)>,
    /// What is to be said beside the dwells.
    remarks: Vec<Remark>,
    /// Largest antinode velocity of the run so far, m/s.
    loudest_m_s: f64,
    /// Hops before this dwell.
    approach: VecDeque<ApproachHop>,
    /// At which angle to the drive signal each resonance has its peak.
    phases: SignalPhases,
}

impl Tracker {
    /// A tracker at the start of the source that carries the antinode.
    pub fn new(setup: &Setup, plan: &TonePlan) -> Self {
        let channels = ChannelMap::new(setup, plan);
        let antinode = channels.antinode.map_or(0, |(index, _)| index);
        Self {
            setup: setup.clone(),
            conductor: setup.strung_conductor(),
            channels,
            samples: HoldSamples::new(plan, &setup.hold, antinode, setup.sources.len()),
            plan: plan.clone(),
            dwell: Vec::new(),
            own: None,
            after: None,
            passage: Passage::default(),
            rest_hops: 0,
            level: DriveLevel::default(),
            begins_with_samples: true,
            departures: Departures::new(setup, plan),
            sweep: Passing::default(),
            restless: Restless::default(),
            last_left: None,
            remarks: Vec::new(),
            loudest_m_s: 0.0,
            approach: VecDeque::new(),
            phases: SignalPhases::default(),
        }
    }

    /// Which entry of a frame belongs to which role.
    pub fn channels(&self) -> &ChannelMap {
        &self.channels
    }

    /// Takes the next hop, `None` where no tone stands out, with the frame that it was read
    /// from; gives the dwells that it brought to an
    /// end, or one that has been held for the longest time that is waited for.
    pub fn hop(&mut self, hop: Option<HopEstimate>, frame: &ToneFrame) -> Vec<Dwell> {
        self.departures
            .samples(hop.as_ref().map(|hop| hop.hop), &frame.samples);
        let (ended, settled) = if let Some(hop) = hop {
            self.judged_at(hop, frame)
        } else {
            self.remarks.extend(self.sweep.interrupt());
            (self.close(EndOfDwell::ToneLost), None)
        };
        self.depart(ended, true);
        self.depart(settled, false);
        self.leave(false)
    }

    /// Hands judged dwells on; `ended`: whether the end of the dwell has been seen.
    fn depart(&mut self, dwells: impl IntoIterator<Item = Dwell>, ended: bool) {
        for dwell in dwells {
            let frequency_hz = dwell
                .interval
                .as_ref()
                .map_or(0.0, |tone| tone.frequency_hz);
            let spacing_hz = self.spacing_hz(frequency_hz);
            self.departures.push(dwell, ended, spacing_hz);
        }
    }

    /// The dwells that leave now; what their free motion shows of the peak is learnt.
    fn leave(&mut self, samples_end: bool) -> Vec<Dwell> {
        let left = self.departures.leave(samples_end, self.peak_limit());
        for dwell in &left {
            if let (Some(angle), Some(peak)) = (dwell.angle, dwell.peak)
                && dwell.verdict != Verdict::Rejected
            {
                self.phases.learn(angle, &peak);
            }
        }
        left
    }

    /// At which angle to the drive signal each resonance has its peak, as far as it
    /// was learnt.
    pub fn phases(&self) -> &SignalPhases {
        &self.phases
    }

    /// Takes what other recordings of the same bench showed of that.
    pub fn reckon_with(&mut self, phases: SignalPhases) {
        self.phases = phases;
    }

    /// How far from the peak the drive may stand, half-power bandwidths.
    fn peak_limit(&self) -> f64 {
        HoldCriterion::FreeResponse.limit(&self.setup.hold, 0.0)
    }

    /// When the hold of the first dwell that waits for what shows its peak began, s.
    pub fn waits_since_s(&self) -> Option<f64> {
        self.departures.oldest_s()
    }

    /// The dwells that a hop brings to an end, and the one in hand if it has been
    /// held for the longest time that is waited for.
    fn judged_at(&mut self, hop: HopEstimate, frame: &ToneFrame) -> (Vec<Dwell>, Option<Dwell>) {
        let (at_s, hz) = (hop.end_s, hop.frequency_hz);
        self.remarks
            .extend(self.sweep.hop(at_s, hz, hop.frequency_u_hz));
        let mut found = Vec::new();
        let bandwidth_hz = self.recent_bandwidth_hz();
        if let Some(end) = self.change(&hop, bandwidth_hz) {
            found.extend(self.close(end));
        }
        let level = hop.level();
        let event = self.level.hop(level, hop.frequency_hz, bandwidth_hz);
        if event == LevelEvent::Left {
            let remark = self.level_remark(level, at_s);
            self.remarks.extend(remark);
            found.extend(self.close(EndOfDwell::Level));
        }
        self.keep_samples(frame);
        self.loudest_m_s = self.loudest_m_s.max(hop.antinode_m_s);
        self.dwell.push(hop);
        if event == LevelEvent::Settled {
            // What came before was the change itself.
            let changing = self.dwell.len().saturating_sub(STEADY_HOPS);
            self.dwell.drain(..changing);
        }
        found.extend(self.watch_on());
        let settled = self.settle_early();
        // A record waits no longer than the samples of its hold are kept.
        let oldest_s = at_s - 2.0 * self.setup.hold.max_seconds;
        if settled.is_some() {
            found.extend(self.passage.end());
        } else if self.passage.began_before(oldest_s) {
            found.extend(self.passage.tell());
        }
        if settled.is_none() {
            found.extend(self.limit_length());
        }
        (found, settled)
    }

    /// Takes a gap: the dwell in hand ends there.
    pub fn gap(&mut self, gap: &ToneGap) -> Vec<Dwell> {
        self.remarks.extend(self.sweep.interrupt());
        let ended = self.close(EndOfDwell::Gap {
            at_s: gap.at_s,
            missing: gap.missing_samples,
        });
        self.depart(ended, true);
        let left = self.leave(true);
        self.departures.forget_samples();
        left
    }

    /// What has happened beside the dwells since this was last asked.
    pub fn take_remarks(&mut self) -> Vec<Remark> {
        std::mem::take(&mut self.remarks)
    }

    /// That the level has left `self.level`'s steady one.
    fn level_remark(&mut self, now: f64, at_s: f64) -> Option<Remark> {
        let before = self.level.left()?;
        let again = self.last_left.is_some_and(|(left_s, left)| {
            at_s - left_s < PULSE_SECONDS && (before / left - 1.0).abs() < SAME_LEVEL
        });
        self.last_left = Some((at_s, before));
        let pulses = if again {
            " It comes back and leaves again: the drive pulses, as a beat does, or its cable comes and goes."
        } else {
            ""
        };
        let (what, unit, factor) = if self.channels.force.is_some() {
            ("drive force", "N", 1.0)
        } else {
            ("antinode velocity", "mm/s", 1e3)
        };
        Some(Remark {
            at_s,
            kind: "level",
            message: format!(
                "The drive level was changed at {at_s:.1} s: the {what} went from {:.3} to {:.3} {unit}.{pulses}",
                factor * before,
                factor * now
            ),
        })
    }

    /// The source has ended.
    pub fn finish(&mut self) -> Vec<Dwell> {
        self.remarks.extend(self.sweep.interrupt());
        let ended = self.close(EndOfDwell::EndOfSamples);
        self.depart(ended, true);
        self.leave(true)
    }

    /// Half-power bandwidth from the ratio of some hops (design, 7.4). The
    /// median of the signed quadrature parts, so that hum and noise at the node
    /// cancel.
    fn bandwidth_hz(&self, hops: &[HopEstimate]) -> Option<f64> {
        let ratio = median(hops.iter().filter_map(|hop| hop.ratio.map(|r| r.im)))?.abs();
        let frequency_hz = median_frequency_hz(hops)?;
        Some(
            self.conductor
                .half_power_bandwidth_hz(frequency_hz, ratio.min(1.0)),
        )
    }

    /// The bandwidth that the dwell's last windows show, or a usual one.
    fn recent_bandwidth_hz(&self) -> f64 {
        let recent = self.dwell.len().saturating_sub(8 * self.plan.window_hops);
        self.dwell
            .get(recent..)
            .and_then(|recent| self.bandwidth_hz(recent))
            .unwrap_or(0.1)
    }

    /// Whether the drive frequency has left the dwell's own by
    /// [`ANOTHER_FREQUENCY`] bandwidths, however slowly it went.
    fn change(&mut self, hop: &HopEstimate, bandwidth_hz: f64) -> Option<EndOfDwell> {
        let (first_hop, length) = (self.dwell.first()?.hop, self.dwell.len());
        let noise = 6.0 * hop.frequency_u_hz;
        let width_hz = (ANOTHER_FREQUENCY * bandwidth_hz)
            .max(LEAST_CHANGE_HZ)
            .max(noise);
        let is_near = |own_hz: f64| (hop.frequency_hz - own_hz).abs() <= width_hz;
        // Mostly what was found some hops ago says as much.
        let lately = self.own.filter(|own| {
            own.first_hop == first_hop
                && (own.length..=own.length + own.found.more).contains(&length)
        });
        if lately.is_some_and(|own| own.found.bounds.into_iter().all(is_near)) {
            return None;
        }
        let remembered = self.dwell.get(length.saturating_sub(REMEMBERED_HOPS)..)?;
        let found = MedianBounds::new(remembered.iter().map(|hop| hop.frequency_hz))?;
        self.own = Some(OwnFrequency {
            found,
            first_hop,
            length,
        });
        if is_near(found.median) {
            return None;
        }
        // A jump shows within one window; a drift has been on its way for long.
        let before = self
            .dwell
            .len()
            .checked_sub(self.plan.window_hops)
            .and_then(|i| self.dwell.get(i));
        let little = before
            .is_some_and(|before| (hop.frequency_hz - before.frequency_hz).abs() < 0.3 * width_hz);
        Some(if little {
            EndOfDwell::Drift
        } else {
            EndOfDwell::Change
        })
    }

    /// Keeps no more of a dwell than could still matter.
    fn limit_length(&mut self) -> Vec<Dwell> {
        let longest = (LONGEST_DWELL_SECONDS / self.plan.hop_seconds()) as usize;
        if self.dwell.len() < longest {
            return Vec::new();
        }
        if self.after.is_some() {
            self.dwell.drain(..longest / 2);
            return Vec::new();
        }
        self.close(EndOfDwell::TooLong)
    }

    /// Keeps the samples of the newest hop, and lets those go that no hold can
    /// need any more: after its point too, for what may come then.
    fn keep_samples(&mut self, frame: &ToneFrame) {
        self.samples.push(frame);
        let dwell = &self.dwell;
        self.samples
            .drop_samples_before(self.samples.kept_from(frame.hop), |part| {
                guess_hz(dwell, part)
            });
    }

    /// A dwell that goes on and on gets its point after `max_seconds`. Where
    /// the whole stretch does not hold, a few hops more do not change that.
    fn settle_early(&mut self) -> Option<Dwell> {
        if self.after.is_some() {
            return None;
        }
        if self.rest_hops > 0 {
            self.rest_hops -= 1;
            return None;
        }
        // A look costs time in proportion to the dwell's length. With as long a
        // rest in between, a long dwell costs no more an hour than a short one.
        self.rest_hops = self.dwell.len() / REMEMBERED_HOPS;
        let (changed, start) = self.ripe_hold()?;
        self.rest_hops = self.rest_hops.max(self.longest_hold_hops() / 4);
        let dwell = self.judge(changed, start, self.dwell.len())?;
        // A force that was steady before is another record's trouble.
        let force_changed = dwell
            .criteria
            .iter()
            .any(|result| result.criterion == HoldCriterion::ForceChange && result.met.is_none());
        if dwell.verdict == Verdict::Rejected || (dwell.verdict == Verdict::Steady && force_changed)
        {
            return None;
        }
        let hold = self.dwell.get(start..)?;
        self.after = Some(AfterPoint {
            watch: TroubleWatch::new(&self.channels, &self.setup.hold, hold, dwell.bandwidth_hz)?,
            changed_hop: self.dwell.get(changed)?.hop,
            point_hop: hold.last()?.hop,
            trouble: None,
            told: false,
        });
        Some(dwell)
    }

    /// Watches a dwell that has had its point for trouble that sets in then.
    fn watch_on(&mut self) -> Option<Dwell> {
        let hop = self.dwell.last()?;
        let after = self.after.as_mut()?;
        let Some((trouble_hop, _)) = after.trouble else {
            let onset = after.watch.hop(&self.channels, hop)?;
            let began = hop.hop.saturating_sub(onset.ago as u64);
            let began = began.max(after.point_hop + 1);
            after.trouble = Some((began, onset.sign));
            // What the span did itself it may also have done because the drive changed.
            if onset.sign.is_of_the_motion() {
                self.departures.dwell_ended(began);
            }
            return None;
        };
        let looked_at = hop.hop - trouble_hop;
        if after.told || looked_at < self.longest_hold_hops() as u64 {
            return None;
        }
        self.trouble_after_point(EndOfDwell::EndOfSamples)
    }

    /// The record of the trouble that set in after the point, once.
    fn trouble_after_point(&mut self, end: EndOfDwell) -> Option<Dwell> {
        let after = self.after.as_mut()?;
        let (trouble_hop, sign) = after.trouble.filter(|_| !after.told)?;
        after.told = true;
        let first = self.dwell.first()?.hop;
        let changed = after.changed_hop.saturating_sub(first) as usize;
        let onset = trouble_hop.saturating_sub(first) as usize;
        let until = self.dwell.len().saturating_sub(self.guard(end));
        self.judge_trouble(changed, (onset, sign), until, end)
    }

    fn longest_hold_hops(&self) -> usize {
        (self.setup.hold.max_seconds / self.plan.hop_seconds()).ceil() as usize
    }

    /// Whether the last `max_seconds` of the dwell are worth judging as a hold:
    /// since when the frequency has been constant, and where the hold starts.
    fn ripe_hold(&self) -> Option<(usize, usize)> {
        let start = self.dwell.len().checked_sub(self.longest_hold_hops())?;
        let hold = self.dwell.get(start..)?;
        let bandwidth = self.bandwidth_hz(hold)?;
        let (changed, end) = plateau(&self.dwell, Some(bandwidth));
        if end < self.dwell.len() {
            return None;
        }
        let waited = start.checked_sub(changed)?;
        let waited_s = waited as f64 * self.plan.hop_seconds();
        // How long to wait is asked of what came before the hold: asked of the
        // hold itself, the point would be taken when noise makes the ratio large.
        let before = self.dwell.get(changed + waited / 2..start)?;
        let bandwidth = self.bandwidth_hz(before)?;
        let ripe = waited_s * PI * bandwidth >= RING_UP_COMFORT
            && !self.stretch(hold, None, Some(bandwidth), waited_s).fails();
        ripe.then_some((changed, start))
    }

    fn close(&mut self, end: EndOfDwell) -> Vec<Dwell> {
        if let Some(last) = self.dwell.last() {
            let guard = self.guard(end) as u64;
            self.departures
                .dwell_ended((last.hop + 1).saturating_sub(guard));
        }
        let dying_away = end != EndOfDwell::Level && self.level.drive_gone();
        let resting = dying_away || self.is_at_rest(&self.dwell);
        let judged: Vec<Dwell> = if resting {
            Vec::new()
        } else if self.after.is_some() {
            self.trouble_after_point(end).into_iter().collect()
        } else {
            self.judge_dwell(end)
        };
        let is_moving = matches!(
            end,
            EndOfDwell::Change | EndOfDwell::Drift | EndOfDwell::Level
        );
        if is_moving && judged.is_empty() && !resting && self.after.is_none() {
            let hops = self.dwell.iter().map(|hop| (hop.end_s, hop.frequency_hz));
            self.remarks.extend(self.restless.piece(hops));
        } else {
            self.restless.end();
        }
        let mut found = Vec::new();
        for dwell in judged {
            if let Some(moved_hz) = self.moved_hz(&dwell, end) {
                found.extend(self.passage.piece(dwell, moved_hz));
            } else {
                found.extend(self.passage.end());
                found.push(dwell);
            }
        }
        if !matches!(end, EndOfDwell::Change | EndOfDwell::Drift) {
            found.extend(self.passage.end());
        }
        if end == EndOfDwell::Level {
            // How the span moved at another level tells nothing about the peak.
            self.approach.clear();
            self.dwell.clear();
        } else {
            self.level.restart();
        }
        let remember = (APPROACH_SECONDS / self.plan.hop_seconds()) as usize;
        for hop in self.dwell.drain(..) {
            self.approach.push_back(ApproachHop::of(&hop));
        }
        while self.approach.len() > remember {
            self.approach.pop_front();
        }
        self.samples.clear();
        self.begins_with_samples = matches!(end, EndOfDwell::Gap { .. });
        self.after = None;
        self.rest_hops = 0;
        found
    }

    /// From where to where the frequency went, Hz, if that is why a dwell does not
    /// count.
    fn moved_hz(&self, dwell: &Dwell, end: EndOfDwell) -> Option<[f64; 2]> {
        let drifted = end == EndOfDwell::Drift
            || dwell.criteria.iter().any(|result| {
                result.criterion == HoldCriterion::FrequencyDrift && result.met == Some(false)
            });
        let some = self.plan.window_hops.min(self.dwell.len());
        let from_hz = median_frequency_hz(self.dwell.get(..some)?)?;
        let to_hz = median_frequency_hz(self.dwell.get(self.dwell.len() - some..)?)?;
        let moved = dwell.verdict == Verdict::Rejected
            && drifted
            && (to_hz - from_hz).abs() >= LEAST_CHANGE_HZ;
        moved.then_some([from_hz, to_hz])
    }

    /// Whether nothing drives the span in some hops: what stands still then is hum.
    fn is_at_rest(&self, hops: &[HopEstimate]) -> bool {
        let of =
            |value: &dyn Fn(&HopEstimate) -> Option<f64>| median(hops.iter().filter_map(value));
        let Some((velocity_m_s, frequency_hz)) =
            of(&|hop| Some(hop.antinode_m_s)).zip(median_frequency_hz(hops))
        else {
            return false;
        };
        let target_m_s = self
            .setup
            .amplitude
            .and_then(|level| level.target_velocity_m_s(frequency_hz));
        // A span that never came near its level may be read in a wrong unit: then
        // rest is told by the loudest that was seen.
        let by_target_m_s = target_m_s
            .map(|target_m_s| RESTING_SHARE * target_m_s)
            .filter(|least_m_s| self.loudest_m_s >= *least_m_s);
        let least_m_s = by_target_m_s.unwrap_or_else(|| {
            let hum_m_s = if is_mains(frequency_hz) { HUM_M_S } else { 0.0 };
            hum_m_s.max(RESTING_SHARE * self.loudest_m_s)
        });
        let force_snr_db = |hop: &HopEstimate| {
            let force = hop.channels.get(self.channels.force?)?;
            Some(force.snr_db(self.plan.decimated_rate_hz()))
        };
        let force_drives = !is_mains(frequency_hz)
            && of(&force_snr_db).is_some_and(|snr_db| snr_db > self.setup.hold.min_snr_db);
        let node_moves = of(&|hop| Some(maths::modulus(hop.ratio?) * hop.antinode_m_s))
            .is_some_and(|node_m_s| node_m_s >= least_m_s);
        velocity_m_s < least_m_s && !force_drives && !node_moves
    }
}

/// Median frequency of the hops numbered `hops` of a dwell, Hz.
fn guess_hz(dwell: &[HopEstimate], hops: Range<u64>) -> Option<f64> {
    let first = dwell.first()?.hop;
    let from = hops.start.checked_sub(first)? as usize;
    let to = hops.end.checked_sub(first)? as usize;
    median_frequency_hz(dwell.get(from..to)?)
}
