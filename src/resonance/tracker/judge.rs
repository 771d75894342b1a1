//! Judging a dwell that has ended: the stretch that counts, its criteria, and
//! what the approach to it says.

use super::super::criteria::{CriterionResult, DRIFTED, HoldCriterion, Judged, is_mains};
use super::super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::super::level::STEADY_HOPS;
use super::super::peak_evidence::{
    AroundChange, DrivenResonance, PeakEvidence, Side, off_peak_effect,
};
use super::super::phasor::{detuning_bandwidths, velocity_m_s};
use super::super::reasons::{MOST_REASONS, root_causes};
use super::super::shown_peak::ShownPeak;
use super::super::signal_phase::SignalAngle;
use super::super::stretch::{ReadingStep, Since, Stretch};
use super::super::transient::before_hold;
use super::super::{Dwell, Remark, sum_by_channel};
use super::trouble::{Onset, Sign, TroubleWatch, node_step};
use super::{
    EndOfDwell, HOLD_CONSTANTS, LONGEST_DWELL_SECONDS, RING_UP_COMFORT, Tracker, guess_hz,
};
use crate::maths;
use crate::setup::Quantity;
use crate::setup::Verdict;
use crate::tone::interval::IntervalTone;
use std::f64::consts::PI;
use std::ops::Range;

/// Shortest stretch of constant frequency that is worth a record, s.
const DWELL_SECONDS: f64 = 1.5;
/// A hold has to fill this part of the dwell after ring-up.
const LEAST_SHARE: f64 = 0.5;
/// Largest residual of a hop over the dwell's median residual rms from which a
/// transient is seen.
const TRANSIENT: f64 = 6.0;
/// And over the tone: at the antinode, and at the force cell, which feels the floor.
const ANTINODE_BLOW: f64 = 0.01;
const FORCE_BLOW: f64 = 1.0;
/// While the drive is being set, s.
const SETTING_S: f64 = 4.0;
/// What comes after a blow has a record of its own if it lasts so long, s.
const LEAST_AFTER_BLOW_S: f64 = 4.0;
/// Bandwidths that differ by more are not those of one ratio.
const ANOTHER_BANDWIDTH: f64 = 1.2;
/// Transients in more than this part of the hops are a rattle.
const TRANSIENT_SHARE: f64 = 0.1;
/// Hops in which the drive force is compared with its last ones, and a change of
/// it with which the end of a dwell begins: a quarter of what makes it another
/// level.
const FORCE_HOPS: usize = 32;
const FORCE_LEAVES: f64 = 0.05;
/// Windows at the end of a dwell that may hold a part of the change which ended
/// it: one, and one until a change shows that begins gently.
const GUARD_WINDOWS: usize = 2;
/// A reading that has become another one is so many times farther from the one
/// before than it moves.
const LASTING: f64 = 4.0;
/// A motion that was turned up or down ends so near the end of its own range.
const ONE_WAY_SHARE: f64 = 0.9;
/// And still moves by so much of it in its second half.
const STILL_MOVING_SHARE: f64 = 0.25;
/// And the force by so much of what the motion did, as a power of its factor.
const FORCE_GOES_ALONG: f64 = 0.3;
/// A drive that is moved by more is being tuned, Hz.
const TUNED_HZ: f64 = 0.005;
/// And has changed by so much.
const LEAST_TURN: f64 = 0.02;
/// How far back the reading of a dwell that goes on and on is looked at, hops.
const LONGEST_LOOK_BACK_HOPS: usize = 600;
/// Ring-up, and time for the change itself and the hand that made it, after
/// which a sharp step of the node reading is the sensor's.
const STEP_TIME_CONSTANTS: f64 = 1.0;
const STEP_SECONDS: f64 = 2.0;
/// No strung conductor has a smaller ratio: ten metres of steel with the damping
/// of the metal alone, a loss factor of 1e-3 (common practice, no source), have
/// 0.0016 at their first harmonic.
const LEAST_RATIO: f64 = 2e-4;

impl Tracker {
    /// Hops in which a transient, an isolated impulse, stands far above the
    /// residual of the other hops.
    pub(super) fn transients(&self, hops: &[HopEstimate]) -> Vec<usize> {
        // A blow to the span moves its antinode, or shows at the force cell by far
        // above the drive; what one other sensor alone shows is its own trouble.
        let above = |index: usize, part: f64| {
            let channel = move |hop: &HopEstimate| hop.channels.get(index).copied();
            let residuals = hops
                .iter()
                .filter_map(|hop| Some(channel(hop)?.residual_rms));
            let usual = median(residuals).unwrap_or(f64::INFINITY);
            hops.iter().enumerate().filter_map(move |(i, hop)| {
                let channel = channel(hop)?;
                let strong = channel.residual_peak > TRANSIENT * usual
                    && channel.residual_peak > part * maths::modulus(channel.amplitude);
                strong.then_some(i)
            })
        };
        let mut found: Vec<usize> = Vec::new();
        if let Some((index, _)) = self.channels.antinode {
            found.extend(above(index, ANTINODE_BLOW));
        }
        if let Some(index) = self.channels.force {
            found.extend(above(index, FORCE_BLOW));
        }
        found.sort_unstable();
        found.dedup();
        if found.len() as f64 > TRANSIENT_SHARE * hops.len() as f64 {
            Vec::new()
        } else {
            found
        }
    }

    /// Judges the dwell in hand: one record; two where trouble set in after a
    /// good hold.
    pub(super) fn judge_dwell(&mut self, end: EndOfDwell) -> Vec<Dwell> {
        let count = self.dwell.len().saturating_sub(self.guard(end));
        self.remarks.extend(self.blow_remark(count));
        let mut whole = None;
        for bandwidth in self.likely_bandwidths_hz(count) {
            let Some(hops) = self.dwell.get(..count) else {
                return Vec::new();
            };
            let (changed, plateau_end) = plateau(hops, bandwidth);
            for rung_up in self.rung_up_hops(bandwidth) {
                let Some((trouble, until)) = self.onset(changed, plateau_end, rung_up, bandwidth)
                else {
                    continue;
                };
                whole = whole.or(Some((changed, until, bandwidth)));
                let Some((onset, sign)) = trouble else {
                    continue;
                };
                let good = self.judge_parts(changed, onset, bandwidth, EndOfDwell::Trouble);
                if let Some(good) = good.filter(|good| good.verdict != Verdict::Rejected) {
                    let trouble = self.judge_trouble(changed, (onset, sign), until, end);
                    return std::iter::once(good).chain(trouble).collect();
                }
            }
            whole = whole.or(Some((changed, plateau_end, bandwidth)));
        }
        let Some((changed, plateau_end, bandwidth)) = whole else {
            return Vec::new();
        };
        if self.left_its_plateau(plateau_end, count) {
            return self.judge_drift(count, end).into_iter().collect();
        }
        let Some(best) = self.judge_parts(changed, plateau_end, bandwidth, end) else {
            return Vec::new();
        };
        let after = self.after_blow(&best, plateau_end, end);
        std::iter::once(best).chain(after).collect()
    }

    /// Whether the frequency has gone on since for so long that of where it stood no samples
    /// are kept, or too few for a hold.
    fn left_its_plateau(&self, plateau_end: usize, count: usize) -> bool {
        let hops = self.dwell.get(..plateau_end).unwrap_or_default();
        let (Some(first), Some(last)) = (hops.first(), hops.last()) else {
            return false;
        };
        let Some(kept) = self.samples.first_hop() else {
            return false;
        };
        let least_s = Stretch::least_seconds(&self.setup, last.frequency_hz);
        let least = (least_s / self.plan.hop_seconds()).ceil() as u64;
        plateau_end < count && first.hop < kept && last.hop < kept + least
    }

    /// The record of a dwell through which the frequency drifted so slowly that it never left
    /// at once: what is left to judge are its latest hops, and they make no hold.
    fn judge_drift(&mut self, count: usize, end: EndOfDwell) -> Option<Dwell> {
        let most = (self.setup.hold.max_seconds / self.plan.hop_seconds()).ceil() as usize;
        let first = count.saturating_sub(most);
        let mut dwell = self.judge_with(0, first, count, end, self.since(), None)?;
        dwell.verdict = Verdict::Rejected;
        if !dwell.reasons.iter().any(|said| said.starts_with(DRIFTED)) {
            // The first hops may still have the motion before.
            let hops = self.dwell.get(..count)?;
            let latest = hops.get(count.saturating_sub(self.plan.window_hops)..)?;
            let moved_hz = median_frequency_hz(latest)? - median_frequency_hz(hops)?;
            dwell.reasons.insert(
                0,
                format!(
                    "{DRIFTED}: it ended {:+.1} mHz from the middle of the dwell",
                    1e3 * moved_hz
                ),
            );
            dwell.reasons.truncate(MOST_REASONS);
        }
        Some(dwell)
    }

    /// That the span was knocked within the first `count` hops of the dwell. Where the
    /// drive has just been changed, what looks so is the change.
    fn blow_remark(&self, count: usize) -> Option<Remark> {
        let hop_s = self.plan.hop_seconds();
        let hops = self.dwell.get((SETTING_S / hop_s).ceil() as usize..count)?;
        let blows = self.transients(hops);
        let at_s = hops.get(*blows.first()?)?.end_s - hop_s;
        let again = match blows.len() - 1 {
            0 => String::new(),
            more => format!(", and in {more} more moments"),
        };
        Some(Remark {
            at_s,
            kind: "knock",
            message: format!("The span was knocked at {at_s:.1} s{again}."),
        })
    }

    /// Bandwidths that the first `count` hops of the dwell may have: by their second
    /// half and, where trouble may have changed the ratio there, by what came before.
    fn likely_bandwidths_hz(&self, count: usize) -> Vec<Option<f64>> {
        let of = |from: usize, to: usize| {
            let hops = self.dwell.get(from..to)?;
            self.bandwidth_hz(hops)
        };
        let (later, earlier) = (of(count / 2, count), of(count / 4, count / 2));
        let differ = match (later, earlier) {
            (Some(later), Some(earlier)) => {
                later > ANOTHER_BANDWIDTH * earlier || earlier > ANOTHER_BANDWIDTH * later
            }
            (None, Some(_)) => true,
            (_, None) => false,
        };
        let mut likely = vec![later];
        likely.extend(differ.then_some(earlier));
        likely
    }

    /// What came after the last blow that a point's hold ended with, if that is
    /// no hold of its own.
    fn after_blow(&mut self, point: &Dwell, until: usize, end: EndOfDwell) -> Option<Dwell> {
        if point.verdict == Verdict::Rejected {
            return None;
        }
        let hop_s = self.plan.hop_seconds();
        let least = (LEAST_AFTER_BLOW_S / hop_s).ceil() as usize;
        let blow = self
            .dwell
            .iter()
            .position(|hop| hop.end_s > point.hold_end_s + 0.5 * hop_s)?;
        let own = self.dwell.get(..until)?;
        let is_blow = self.transients(own).contains(&blow);
        if !is_blow || until < blow + least {
            return None;
        }
        let at_s = self.dwell.get(blow)?.end_s - hop_s;
        let mut dwell = self.judge_with(blow, blow + 1, until, end, Since::Blow { at_s }, None)?;
        if dwell.verdict != Verdict::Rejected {
            return None;
        }
        if let Some(first) = dwell.reasons.first_mut() {
            *first = format!("from {at_s:.1} s on, after a good hold: {first}");
        }
        Some(dwell)
    }

    /// Hops at the end of a dwell that partly hold the change which ended it.
    pub(super) fn guard(&self, end: EndOfDwell) -> usize {
        if !matches!(
            end,
            EndOfDwell::Change | EndOfDwell::Level | EndOfDwell::Drift | EndOfDwell::ToneLost
        ) {
            return 0;
        }
        let window = self.plan.window_hops;
        // A short dwell is no hold either way, and should leave a record.
        if self.dwell.len() < 8 * window {
            return window;
        }
        let usual = GUARD_WINDOWS * window;
        match end {
            EndOfDwell::Level => usual.max(self.level_leaves(usual) + window),
            EndOfDwell::Change | EndOfDwell::Drift => {
                usual.max(self.frequency_leaves(usual) + window)
            }
            _ => usual,
        }
    }

    /// Latest hops in which the frequency was on its way, as far as a quarter of what a hold
    /// may drift by and more: a drive that is retuned slowly takes many to go so far that
    /// another dwell begins.
    fn frequency_leaves(&self, usual: usize) -> usize {
        let before = self.dwell.len().saturating_sub(usual);
        let recent = before.saturating_sub(STEADY_HOPS * self.plan.window_hops);
        let recent = self.dwell.get(recent..before).unwrap_or_default();
        let (Some(middle_hz), Some(bandwidth_hz)) =
            (median_frequency_hz(recent), self.bandwidth_hz(recent))
        else {
            return 0;
        };
        let width_hz = 0.25 * self.setup.hold.drift_bandwidths * bandwidth_hz;
        let moves = |hop: &&HopEstimate| {
            (hop.frequency_hz - middle_hz).abs() > width_hz.max(6.0 * hop.frequency_u_hz)
        };
        let most = 3 * usual;
        self.dwell.iter().rev().take(most).take_while(moves).count()
    }

    /// Latest hops in which the level was on its way: a span with little damping
    /// takes many to follow its drive far enough for a change of level.
    fn level_leaves(&self, usual: usize) -> usize {
        let before = self.dwell.len().saturating_sub(usual);
        let recent = before.saturating_sub(STEADY_HOPS * self.plan.window_hops);
        let Some(middle) = self
            .dwell
            .get(recent..before)
            .and_then(|hops| median(hops.iter().map(HopEstimate::level)))
        else {
            return 0;
        };
        let width = 0.01 * self.setup.hold.amplitude_variation_pct;
        let moves = |hop: &&HopEstimate| {
            (hop.level() / middle - 1.0).abs() > width + 4.0 * hop.antinode_u_rel
        };
        let most = 3 * usual;
        self.dwell.iter().rev().take(most).take_while(moves).count()
    }

    /// After how many hops of a dwell its beginning may be good: when the span has
    /// rung up. Of a dwell that begins with the samples it is not known what was
    /// before, and it may be good at once.
    fn rung_up_hops(&self, bandwidth: Option<f64>) -> Vec<usize> {
        let constant_s = bandwidth.map_or(0.0, |bandwidth| 1.0 / (PI * bandwidth));
        let ring_up_s = 1.1 * self.setup.hold.ring_up_time_constants * constant_s;
        let waited = (ring_up_s / self.plan.hop_seconds()).ceil() as usize;
        let mut hops = vec![waited.max(self.plan.window_hops)];
        hops.extend(self.begins_with_samples.then_some(0));
        hops
    }

    /// The hop where trouble set in after `rung_up` hops and a beginning as long as
    /// the shortest hold, and in what; and the end of the dwell before what ends it.
    /// `None` where the dwell is too short for such a beginning.
    fn onset(
        &self,
        changed: usize,
        end: usize,
        rung_up: usize,
        bandwidth: Option<f64>,
    ) -> Option<(Option<(usize, Sign)>, usize)> {
        let hops = self.dwell.get(changed..end)?;
        let least_s = Stretch::least_seconds(&self.setup, median_frequency_hz(hops)?);
        let good_end = rung_up + (least_s / self.plan.hop_seconds()).ceil() as usize;
        let good = hops.get(rung_up..good_end)?;
        let mut watch = TroubleWatch::new(&self.channels, &self.setup.hold, good, bandwidth)?;
        for (i, hop) in hops.iter().enumerate().skip(good_end) {
            if let Some(Onset { ago, sign }) = watch.hop(&self.channels, hop) {
                let found = (i - ago).max(good_end);
                return Some((Some((changed + found, sign)), end));
            }
        }
        let ending = watch.just_begun().max(force_leaves(hops));
        let cut = if ending > 0 {
            (ending + self.plan.window_hops).min(hops.len())
        } else {
            0
        };
        Some((None, end - cut))
    }

    /// Judges what set in at `onset` after a good hold, whether or not a reading
    /// could be taken of it again; `None` where it is too short for a record, or
    /// the operator's hand.
    pub(super) fn judge_trouble(
        &mut self,
        changed: usize,
        (onset, sign): (usize, Sign),
        until: usize,
        end: EndOfDwell,
    ) -> Option<Dwell> {
        let hop_s = self.plan.hop_seconds();
        let most = (self.setup.hold.max_seconds / hop_s).ceil() as usize;
        let kept = self.samples.first_hop().map_or(0, |kept| {
            kept.saturating_sub(self.dwell.first().map_or(0, |hop| hop.hop))
        });
        let first = onset.max(kept as usize);
        let last = until.min(first + most);
        let least = (DWELL_SECONDS / hop_s).ceil() as usize;
        if last < first + least {
            return None;
        }
        let began_s = self.dwell.get(onset)?.end_s - hop_s;
        let trouble = self.dwell.get(first..last)?;
        let before = self.dwell.get(changed..onset)?;
        let step = self.step_between(before, trouble, began_s);
        if is_turned_down(trouble, end) {
            return None;
        }
        let before = before.get(before.len() / 2..)?;
        let showed = sign.sentence(&self.channels, before, trouble);
        let mut dwell = self.judge_with(changed, first, last, end, Since::Change, step)?;
        // What moved is said by the criteria, if it moved enough for them.
        let is_said = matches!(dwell.verdict, Verdict::Rejected | Verdict::OffPeak)
            && matches!(sign, Sign::Antinode | Sign::Node | Sign::Frequency);
        if !is_said {
            dwell.reasons.insert(0, showed);
            dwell.reasons.truncate(MOST_REASONS);
        }
        // The reading has its point; this is what came after. Off the peak it is a
        // reading of its own.
        if dwell.verdict != Verdict::OffPeak {
            dwell.verdict = Verdict::Rejected;
        }
        if let Some(first) = dwell.reasons.first_mut() {
            *first = format!("from {began_s:.1} s on, after a good hold: {first}");
        }
        Some(dwell)
    }

    /// The reading that is another one than before the trouble, if one is.
    fn step_between(
        &self,
        before: &[HopEstimate],
        trouble: &[HopEstimate],
        at_s: f64,
    ) -> Option<ReadingStep> {
        let least = |hops: &[HopEstimate]| hops.len().saturating_sub(LONGEST_LOOK_BACK_HOPS);
        let before = before.get(least(before)..)?;
        // A beat changes the reading too, but to nothing that lasts.
        let later = trouble.get(trouble.len() / 2..)?;
        let change = |of: &dyn Fn(&HopEstimate) -> Option<f64>, least_pct: f64| {
            let before = median(before.iter().filter_map(of))?;
            let now = median(later.iter().filter_map(of))?;
            let unrest = median(later.iter().filter_map(|hop| Some((of(hop)? - now).abs())))?;
            let change = now / before - 1.0;
            let lasts = (now - before).abs() > LASTING * unrest;
            (lasts && change.abs() > 0.01 * least_pct).then_some(change)
        };
        let hold = &self.setup.hold;
        let antinode = change(&|hop| Some(hop.antinode_m_s), hold.amplitude_variation_pct)
            .map(|change| ("antinode", change));
        let node = change(
            &|hop| hop.ratio.map(|ratio| ratio.im),
            hold.node_variation_pct,
        )
        .map(|change| ("node", change));
        // What the drive did is no fault of a reading. Without a force cell the node says
        // it: where only the antinode's reading moves, the node's ratio to it moves too.
        let is_driven = match (self.channels.force, antinode) {
            (Some(_), Some((_, moved))) => {
                let least_pct = 100.0 * FORCE_GOES_ALONG * moved.abs();
                change(&|hop| hop.force_n, least_pct).is_some()
            }
            (Some(_), None) => false,
            (None, _) => node.is_none(),
        };
        let (reading, change) = if is_driven { node } else { antinode.or(node) }?;
        Some(ReadingStep {
            reading,
            at_s,
            change,
        })
    }

    /// The best judgement of the parts between blows; without any, of the whole.
    fn judge_parts(
        &mut self,
        changed: usize,
        until: usize,
        bandwidth: Option<f64>,
        end: EndOfDwell,
    ) -> Option<Dwell> {
        let hop_s = self.plan.hop_seconds();
        let dwell_hops = (DWELL_SECONDS / hop_s).ceil() as usize;
        let own = self.dwell.get(changed..until)?;
        // A part ends before the hop that has the next blow, and begins behind it.
        let blows: Vec<usize> = self.transients(own).iter().map(|i| changed + i).collect();
        let starts = std::iter::once(changed).chain(blows.iter().map(|hop| hop + 1));
        let ends = blows.iter().copied().chain(std::iter::once(until));
        let parts: Vec<(usize, usize)> = starts
            .zip(ends)
            .filter(|(from, to)| *to >= from + dwell_hops)
            .collect();
        let mut best: Option<Dwell> = None;
        for (from, to) in parts {
            let since = match self.dwell.get(from) {
                Some(hop) if from > changed => Since::Blow {
                    at_s: hop.end_s - hop_s,
                },
                _ => self.since(),
            };
            let Some(dwell) = self.judge_part(changed, from..to, bandwidth, (end, since)) else {
                continue;
            };
            let better = best.as_ref().is_none_or(|best| {
                let rank = |dwell: &Dwell| match dwell.verdict {
                    Verdict::Held => 3,
                    Verdict::Steady => 2,
                    Verdict::OffPeak => 1,
                    Verdict::Rejected => 0,
                };
                let length = |dwell: &Dwell| dwell.hold_end_s - dwell.hold_start_s;
                (rank(&dwell), length(&dwell)) > (rank(best), length(best))
            });
            if better {
                best = Some(dwell);
            }
        }
        best
    }

    /// Judges the hops `part`, the ring-up at its start left out, of a dwell
    /// whose frequency and level had last changed at `changed`.
    fn judge_part(
        &mut self,
        changed: usize,
        Range {
            start: from,
            end: to,
        }: Range<usize>,
        bandwidth: Option<f64>,
        (end, since): (EndOfDwell, Since),
    ) -> Option<Dwell> {
        let hop_s = self.plan.hop_seconds();
        let hops = self.dwell.get(from..to)?;
        let frequency_hz = median_frequency_hz(hops)?;
        let least = (Stretch::least_seconds(&self.setup, frequency_hz) / hop_s).ceil() as usize;
        let constant_s = bandwidth.map_or(0.0, |bandwidth| 1.0 / (PI * bandwidth));
        let wait_hops = |constants: f64| {
            ((constants * constant_s / hop_s).ceil() as usize).max(self.plan.window_hops)
        };
        let rung_up = wait_hops(self.setup.hold.ring_up_time_constants);
        let comfort = wait_hops(self.setup.hold.ring_up_time_constants.max(RING_UP_COMFORT));
        // Points are taken from `max_seconds` at most, the latest ones.
        let most = (self.setup.hold.max_seconds / hop_s).ceil() as usize;
        let count = to - from;
        // Where the span keeps ringing after the drive has gone, its frequency
        // tells late: the steady run says where the dwell really ended.
        // Hops whose samples have been dropped cannot be fitted any more.
        let dropped = self.samples.first_hop().map_or(0, |kept| {
            kept.saturating_sub(hops.first().map_or(0, |hop| hop.hop))
        });
        let earliest = rung_up.min(count / 2).max(dropped as usize);
        let (run_start, run_end) = self.steady_run(hops.get(earliest..)?);
        let (run_start, run_end) = (earliest + run_start, earliest + run_end);
        let run = run_end - run_start;
        let (first, last) = if run >= least && run as f64 >= LEAST_SHARE * (count - earliest) as f64
        {
            // As much ring-up as the run can spare beside the hold, and if need be
            // the shortest hold. A tenth over the least wait, because the hold's
            // own ratio will be asked whether it was enough.
            let wanted = least.max(wait_hops(HOLD_CONSTANTS).min(most)).min(run);
            let safe = wait_hops(1.1 * self.setup.hold.ring_up_time_constants);
            let waited = comfort.min(run_end - wanted).max(safe.min(run_end - least));
            (run_start.max(waited), run_end)
        } else {
            (earliest, count)
        };
        let first = first.max(last.saturating_sub(most));
        let wait = wait_hops(STEP_TIME_CONSTANTS) + (STEP_SECONDS / hop_s).ceil() as usize;
        // After a blow the reading is what it was before, or was it none?
        let seen = (changed + wait).min(from + first);
        let step = self
            .dwell
            .get(seen..from + last)
            .and_then(|hops| self.own_step(hops));
        let found = self.judge_with(from, from + first, from + last, end, since, step)?;
        if !lacks_wait(&found) {
            return Some(found);
        }
        // Too little was left after the wait, or there was none to speak of: do the
        // samples show that nothing is left of a transient?
        let edge = match since {
            Since::Beginning => 0,
            Since::Change | Since::Blow { .. } => self.plan.window_hops,
        };
        for start in [edge, edge.max(count / 4)] {
            let start = start.max(dropped as usize);
            let Some((run_start, run_end)) = self
                .dwell
                .get(from + start..to)
                .map(|hops| self.steady_run(hops))
            else {
                break;
            };
            let (start, last) = (start + run_start, start + run_end);
            let start = start.max(last.saturating_sub(most));
            let fills = (last - start) as f64 >= LEAST_SHARE * (count - start) as f64;
            if last < start + least || !fills {
                continue;
            }
            let whole = self.judge_with(from, from + start, from + last, end, since, step);
            if let Some(whole) = whole.filter(|whole| whole.verdict != Verdict::Rejected) {
                return Some(whole);
            }
        }
        Some(found)
    }

    fn own_step(&self, hops: &[HopEstimate]) -> Option<ReadingStep> {
        let step = node_step(&self.channels, hops)?;
        Some(ReadingStep {
            reading: "node",
            at_s: hops.get(step.hop)?.end_s,
            change: step.change,
        })
    }

    /// Longest run of hops whose amplitude stays near the dwell's median. Where
    /// the run starts or ends inside the dwell, a window's length is left out
    /// at that side: its samples are partly those of the change.
    pub(super) fn steady_run(&self, hops: &[HopEstimate]) -> (usize, usize) {
        let Some(middle) = median(hops.iter().map(|hop| hop.antinode_m_s)) else {
            return (0, 0);
        };
        let noise = median(hops.iter().map(|hop| hop.antinode_u_rel)).unwrap_or_default();
        let width = 0.01 * self.setup.hold.amplitude_variation_pct + 4.0 * noise;
        let inside = |hop: &HopEstimate| (hop.antinode_m_s / middle - 1.0).abs() <= width;
        let best = longest_run(hops, inside);
        let window = self.plan.window_hops;
        let from = if best.0 > 0 { best.0 + window } else { 0 };
        let to = if best.1 < hops.len() {
            best.1.saturating_sub(window)
        } else {
            best.1
        };
        if from < to { (from, to) } else { (0, 0) }
    }

    pub(super) fn stretch<'a>(
        &'a self,
        hops: &'a [HopEstimate],
        interval: Option<&'a IntervalTone>,
        bandwidth_hz: Option<f64>,
        waited_s: f64,
    ) -> Stretch<'a> {
        Stretch {
            setup: &self.setup,
            plan: &self.plan,
            channels: &self.channels,
            hops,
            interval,
            bandwidth_hz,
            free: None,
            peak: None,
            angle: None,
            peak_phase: None,
            passed_the_peak: false,
            transient: None,
            waited_s,
            since: Since::Change,
            step: None,
        }
    }

    /// Judges hops `first..last`, the last change having been before `changed`.
    pub(super) fn judge(&mut self, changed: usize, first: usize, last: usize) -> Option<Dwell> {
        let step = self
            .dwell
            .get(changed..last)
            .and_then(|hops| hops.get(hops.len().saturating_sub(LONGEST_LOOK_BACK_HOPS)..))
            .and_then(|hops| self.own_step(hops));
        let end = EndOfDwell::EndOfSamples;
        self.judge_with(changed, first, last, end, self.since(), step)
    }

    /// What the dwell in hand has to ring up from.
    fn since(&self) -> Since {
        if self.begins_with_samples {
            Since::Beginning
        } else {
            Since::Change
        }
    }

    fn judge_with(
        &mut self,
        changed: usize,
        first: usize,
        last: usize,
        end: EndOfDwell,
        since: Since,
        step: Option<ReadingStep>,
    ) -> Option<Dwell> {
        let hold = self.dwell.get(first)?.hop..self.dwell.get(last.checked_sub(1)?)?.hop + 1;
        let parts = self
            .samples
            .parts(&hold, self.samples.kept_from(self.dwell.last()?.hop));
        let (first, last) = (
            first + (parts.first()?.start - hold.start) as usize,
            last - (hold.end - parts.last()?.end) as usize,
        );
        self.learn_from_passage(first, last);
        let hops = self.dwell.get(first..last)?;
        let interval = self.samples.fit(&parts, |part| guess_hz(&self.dwell, part));
        let ratio = interval.as_ref().and_then(|interval| self.ratio(interval));
        let bandwidth = interval.as_ref().zip(ratio).map(|(interval, ratio)| {
            self.conductor
                .half_power_bandwidth_hz(interval.frequency_hz, ratio)
        });
        let hop_s = self.plan.hop_seconds();
        let waited_s = (first - changed) as f64 * hop_s;
        let mut stretch = self.stretch(hops, interval.as_ref(), bandwidth, waited_s);
        (stretch.since, stretch.step) = (since, step);
        stretch.free = interval.as_ref().and_then(|interval| {
            let hops = self.dwell.get(changed)?.hop..hold.end;
            let drive_hz = interval.frequency_hz;
            before_hold(&self.samples, &self.plan, &self.channels, &hops, drive_hz)
        });
        stretch.angle = interval
            .as_ref()
            .and_then(|interval| SignalAngle::of(&self.channels, interval));
        let lags = stretch.unstated_mass_kg().is_some();
        if lags || stretch.lacks_phase_evidence() {
            stretch.passed_the_peak = lags && self.passed_the_peak(hops);
            stretch.peak_phase = interval
                .as_ref()
                .and_then(|interval| self.phases.at(interval.frequency_hz).copied());
            stretch.peak = interval.as_ref().and_then(|interval| {
                let drive = (interval.frequency_hz, interval.frequency_u_hz);
                self.peak_before(changed, &hold, drive, bandwidth)
            });
        }
        let (peak, angle) = (stretch.peak, stretch.angle);
        let signal = stretch.signal_evidence();
        stretch.transient = stretch.transient_left();
        let judged = stretch.judge();
        let (transient, unstated) = (stretch.transient, stretch.unstated_mass_sentence());
        let limit = self.peak_limit();
        let shift = stretch.mass_shift();
        let shown = ShownPeak::of(peak, signal, shift, limit);
        let (verdict, mut reasons) = self.verdict(&judged, hops, shown);
        if verdict == Verdict::Held {
            reasons.extend(unstated);
        }
        let missing_samples = match end {
            EndOfDwell::Gap { missing, .. } => missing,
            _ => 0,
        };
        if verdict == Verdict::Rejected && end.is_said() {
            let is_short = judged.iter().any(|judged| {
                let criterion = judged.result.criterion;
                judged.result.met == Some(false)
                    && [HoldCriterion::HoldLength, HoldCriterion::RingUp].contains(&criterion)
            });
            self.say_how_it_ended(end, is_short, &mut reasons);
        }
        if interval.is_none() {
            reasons.push("no tone could be fitted over the whole stretch".into());
        }
        let channels = || hops.iter().map(|hop| hop.channels.as_slice());
        Some(Dwell {
            start_s: self.dwell.get(changed)?.end_s - hop_s,
            end_s: self.dwell.last()?.end_s,
            verdict: if interval.is_some() {
                verdict
            } else {
                Verdict::Rejected
            },
            reasons,
            criteria: judged.into_iter().map(|judged| judged.result).collect(),
            hold_start_s: hops.first()?.end_s - hop_s,
            hold_end_s: hops.last()?.end_s,
            bandwidth_hz: bandwidth,
            transient,
            peak,
            angle,
            signal,
            mass_shift: shift,
            interval,
            clipped: sum_by_channel(channels(), |channel| channel.clipped),
            missing_values: sum_by_channel(channels(), |channel| channel.missing),
            missing_samples,
        })
    }

    /// What the free motion after the change before a hold shows of the peak; `drive_hz` with
    /// its standard uncertainty.
    pub(super) fn peak_before(
        &self,
        changed: usize,
        hold: &Range<u64>,
        (drive_hz, drive_u_hz): (f64, f64),
        implied_hz: Option<f64>,
    ) -> Option<PeakEvidence> {
        let first = self.dwell.get(changed)?.hop.max(self.samples.first_hop()?);
        let rows: Option<Vec<Vec<f64>>> = self
            .departures
            .rows()
            .iter()
            .map(|row| self.samples.channel(*row, &(first..hold.end)))
            .collect();
        let sample = |hop: u64| hop.saturating_sub(first) as usize * self.plan.hop_samples;
        let resonance = DrivenResonance {
            drive_hz,
            drive_u_hz,
            implied_hz,
            spacing_hz: self.spacing_hz(drive_hz),
        };
        resonance.evidence(&AroundChange {
            rows: rows?,
            rate_hz: self.plan.decimated_rate_hz(),
            steady: sample(hold.start)..sample(hold.end),
            look: 0..sample(hold.end),
            side: Side::After,
        })
    }

    /// Spacing of the harmonics at a frequency, Hz.
    pub(super) fn spacing_hz(&self, frequency_hz: f64) -> f64 {
        self.conductor.spacing_hz(frequency_hz)
    }

    /// What the end of the dwell has to do with its not being a hold.
    fn say_how_it_ended(&self, end: EndOfDwell, is_short: bool, reasons: &mut Vec<String>) {
        let (Some(first), Some(last)) = (self.dwell.first(), self.dwell.last()) else {
            return;
        };
        reasons.truncate(MOST_REASONS - 1);
        match end {
            EndOfDwell::Gap { at_s, missing } => reasons.push(format!(
                "{missing} samples are missing at {at_s:.2} s: the dwell ended there"
            )),
            EndOfDwell::Drift => {
                let moved_mhz = 1e3 * (last.frequency_hz - first.frequency_hz);
                reasons.insert(
                    0,
                    format!(
                        "{DRIFTED} out of the dwell: {moved_mhz:+.1} mHz from its start to its end"
                    ),
                );
            }
            EndOfDwell::Level if is_short => reasons.push(format!(
                "the drive level was changed at {:.2} s: the dwell ended there",
                last.end_s
            )),
            EndOfDwell::TooLong => reasons.push(format!(
                "not held within {:.0} minutes: judged as it is, and a new dwell begun",
                LONGEST_DWELL_SECONDS / 60.0
            )),
            EndOfDwell::Change
            | EndOfDwell::Level
            | EndOfDwell::Trouble
            | EndOfDwell::ToneLost
            | EndOfDwell::EndOfSamples => {}
        }
    }

    fn ratio(&self, interval: &IntervalTone) -> Option<f64> {
        let velocity = |(place, quantity): (usize, Quantity)| {
            let phasor = interval.channels.get(place)?.phasor.value;
            Some(velocity_m_s(quantity, phasor, interval.frequency_hz))
        };
        let ratio = velocity(self.channels.node?)? / velocity(self.channels.antinode?)?;
        let node = &interval.channels.get(self.channels.node?.0)?.phasor;
        let noise_u = maths::modulus(ratio) * node.part_u() / maths::modulus(node.value);
        // A sensor that is dead or unplugged tells no bandwidth.
        (ratio.im.abs() > noise_u.max(LEAST_RATIO)).then_some(ratio.im.abs())
    }

    fn verdict(
        &self,
        judged: &[Judged],
        hops: &[HopEstimate],
        shown: Option<ShownPeak>,
    ) -> (Verdict, Vec<String>) {
        let failed = |judged: &&Judged| judged.result.met == Some(false);
        let of_peak = [
            HoldCriterion::DrivePhase,
            HoldCriterion::FreeResponse,
            HoldCriterion::SignalPhase,
        ];
        let is_of_peak = |judged: &Judged| of_peak.contains(&judged.result.criterion);
        let warnings = judged
            .iter()
            .filter(|judged| judged.result.met.is_none() && judged.result.criterion.warns())
            .map(|judged| judged.sentence.clone());
        if judged
            .iter()
            .filter(failed)
            .any(|judged| !is_of_peak(judged))
        {
            let mut reasons = root_causes(judged);
            if let Some(first) = reasons.first_mut()
                && median_frequency_hz(hops).is_some_and(is_mains)
                && judged.iter().any(|judged| is_like_hum(&judged.result))
            {
                first.push_str(
                    "; the drive stands within 0.3 Hz of the mains: is it hum on a cable?",
                );
            }
            reasons.extend(warnings);
            reasons.truncate(MOST_REASONS);
            return (Verdict::Rejected, reasons);
        }
        let open = |criterion: HoldCriterion| {
            judged
                .iter()
                .map(|judged| (judged.result, &judged.sentence))
                .find(|(result, _)| result.criterion == criterion && result.met.is_none())
        };
        if open(HoldCriterion::RingUp).is_some() {
            let lacks = if self.channels.node.is_none() {
                "there is no node channel"
            } else {
                "the node shows no motion of its own; is its sensor dead, unplugged or too noisy?"
            };
            let reason = format!("whether the span has rung up is not known: {lacks}");
            return (Verdict::Steady, vec![reason]);
        }
        let is_phase = |judged: &&Judged| judged.result.criterion == HoldCriterion::DrivePhase;
        let Some(phase) = judged.iter().find(is_phase) else {
            return (Verdict::Steady, warnings.collect());
        };
        match (phase.result.met, shown) {
            (Some(true), _) => (Verdict::Held, warnings.collect()),
            (Some(false), _) => {
                let detuning = phase.result.value.map(detuning_bandwidths);
                let reasons = std::iter::once(phase.sentence.clone());
                let reasons = reasons.chain(detuning.map(off_peak_effect));
                (Verdict::OffPeak, reasons.chain(warnings).collect())
            }
            (None, Some(shown)) => {
                // A passage shows what nothing denies.
                if shown.met.is_none() && !shown.contradicted && self.passed_the_peak(hops) {
                    return (Verdict::Held, warnings.collect());
                }
                shown.verdict(warnings)
            }
            (None, None) if self.passed_the_peak(hops) => (Verdict::Held, warnings.collect()),
            (None, None) => {
                let reasons = std::iter::once(phase.sentence.clone());
                (Verdict::Steady, reasons.chain(warnings).collect())
            }
        }
    }
}

/// Whether a dwell does not count for want of a wait alone, or of what it left.
fn lacks_wait(dwell: &Dwell) -> bool {
    let mut failed = dwell
        .criteria
        .iter()
        .filter(|result| result.met == Some(false))
        .map(|result| result.criterion)
        .peekable();
    failed.peek().is_some()
        && failed.all(|criterion| {
            [HoldCriterion::HoldLength, HoldCriterion::RingUp].contains(&criterion)
        })
}

/// Whether hum that beats with the drive can be why this is not met.
fn is_like_hum(result: &CriterionResult) -> bool {
    use HoldCriterion as C;
    let like = [
        C::ReadingStep,
        C::Beat,
        C::OtherTone,
        C::DrivePhase,
        C::DrivePhaseDrift,
        C::AmplitudeDrift,
        C::AmplitudeVariation,
        C::NodeVariation,
        C::NodeDrift,
        C::NodePlace,
    ];
    result.met == Some(false) && like.contains(&result.criterion)
}

/// Whether all that happened is that the motion went up or down in one go before
/// the drive was changed: the operator's hand, no trouble.
fn is_turned_down(hops: &[HopEstimate], end: EndOfDwell) -> bool {
    let (Some(first), Some(last)) = (hops.first(), hops.last()) else {
        return false;
    };
    let sizes = || hops.iter().map(|hop| hop.antinode_m_s);
    let range = sizes().fold(0.0, f64::max) - sizes().fold(f64::INFINITY, f64::min);
    let middle = hops.get(hops.len() / 2).unwrap_or(first);
    // Where the force is known, it has to have gone the same way, unless the drive
    // was tuned away.
    let tuned_hz = (last.frequency_hz - first.frequency_hz).abs();
    let is_tuned = tuned_hz > TUNED_HZ.max(6.0 * first.frequency_u_hz);
    let force_goes_along = is_tuned
        || match (first.force_n, last.force_n) {
            (Some(before_n), Some(after_n)) => {
                let moved = maths::ln(last.antinode_m_s / first.antinode_m_s);
                maths::ln(after_n / before_n) * moved.signum() >= FORCE_GOES_ALONG * moved.abs()
            }
            _ => true,
        };
    force_goes_along
        && matches!(end, EndOfDwell::Change | EndOfDwell::Level)
        && (last.antinode_m_s - first.antinode_m_s).abs() >= ONE_WAY_SHARE * range
        && (last.antinode_m_s - middle.antinode_m_s).abs() >= STILL_MOVING_SHARE * range
        && range >= LEAST_TURN * first.antinode_m_s
}

/// The longest run of hops whose frequency stays within half a bandwidth
/// of the dwell's median: first and one past last.
pub(super) fn plateau(hops: &[HopEstimate], bandwidth_hz: Option<f64>) -> (usize, usize) {
    let Some(own_hz) = median_frequency_hz(hops) else {
        return (0, 0);
    };
    let width_hz = 0.5 * bandwidth_hz.unwrap_or(0.1);
    longest_run(hops, |hop| {
        (hop.frequency_hz - own_hz).abs() <= width_hz.max(6.0 * hop.frequency_u_hz)
    })
}

/// The longest run of hops that are `inside`: first and one past last.
fn longest_run(hops: &[HopEstimate], inside: impl Fn(&HopEstimate) -> bool) -> (usize, usize) {
    let (mut best, mut start) = ((0, 0), 0);
    for end in 0..=hops.len() {
        if hops.get(end).is_some_and(&inside) {
            continue;
        }
        if end - start > best.1 - best.0 {
            best = (start, end);
        }
        start = end + 1;
    }
    best
}

/// How many of the last hops show the drive force leave what it was against
/// the antinode, a few at most: the change that ends the dwell.
fn force_leaves(hops: &[HopEstimate]) -> usize {
    let gain = |hop: &HopEstimate| Some(hop.force_n? / hop.antinode_m_s);
    let recent = hops.get(hops.len().saturating_sub(FORCE_HOPS)..);
    let usual = recent.and_then(|recent| median(recent.iter().filter_map(gain)));
    let Some(usual) = usual else {
        return 0;
    };
    let leaves = |hop: &&HopEstimate| {
        gain(hop).is_some_and(|gain| (gain / usual - 1.0).abs() > FORCE_LEAVES)
    };
    let count = hops.iter().rev().take_while(leaves).count();
    if count <= FORCE_HOPS / 4 { count } else { 0 }
}
