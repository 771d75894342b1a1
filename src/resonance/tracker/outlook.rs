//! The dwell in hand while it goes on: how it stands, and what it still lacks. Pure.
//!
//! For whoever tunes the drive. Nothing here decides a verdict: a dwell is judged
//! whole, when it has ended (`judge`), and only then fitted. What is told of a dwell
//! that goes on comes from its hops alone, and what cannot be trusted yet is `None`.

use std::ops::Range;

use num_complex::Complex64;

use super::super::criteria::HoldCriterion;
use super::super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::super::stretch::Stretch;
use super::judge::plateau;
use super::standing::DriveStanding;
use super::{RING_UP_COMFORT, Tracker};
use crate::maths;
use crate::span::waves::ring_up_time_constant_s;

/// Hops of which a reading is the median: two seconds.
pub(super) const READ_HOPS: usize = 8;
/// Time constants since the last change before the ratio, and with it a bandwidth, is
/// that of the settled motion to a third.
const RATIO_CONSTANTS: f64 = 1.0;
/// Windows of a hold before anything of it is judged.
const LOOKED_AT_WINDOWS: usize = 2;
/// Most that the ratio of a span which rings up is taken to be above that of the settled one.
const MOST_GROWTH: f64 = 4.0;
/// A drive that moves by so many bandwidths is being tuned, by however little a judge
/// would take for another dwell.
const TUNED: f64 = 0.05;
/// Least change of frequency that counts as one, Hz.
const LEAST_TUNED_HZ: f64 = 5e-4;
/// Least of the ratio in two seconds over its most where it has come to rest.
const RATIO_RESTS: f64 = 0.8;
/// What the antinode's motion may change by in two seconds and be still.
const STILL: f64 = 0.01;
/// What a hand takes to set a drive that looks as if it stood already, s.
const COMFORT_SECONDS: f64 = 4.0;

/// How the dwell in hand stands.
#[derive(Debug, Clone, PartialEq)]
#[allow(
    clippy::struct_excessive_bools,
    reason = "each is a finding of its own, and all eight combinations of most occur"
)]
pub struct DwellOutlook {
    /// When the frequency or level last changed, s.
    pub since_s: f64,
    /// End of the latest hop, s.
    pub at_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Its expanded uncertainty, k = 2, Hz.
    pub frequency_u_hz: f64,
    /// Antinode velocity, m/s peak.
    pub antinode_m_s: f64,
    /// Its expanded uncertainty by noise, k = 2, m/s; calibration is not in it.
    pub antinode_u_m_s: f64,
    /// Node velocity over antinode velocity: in phase, and in quadrature.
    pub ratio: Option<Complex64>,
    /// Expanded uncertainty by noise, k = 2, of either part.
    pub ratio_u: Option<f64>,
    /// Half-power bandwidth by the ratio, Hz; `None` before the ratio can be trusted.
    pub bandwidth_hz: Option<f64>,
    /// Phase of the antinode's velocity against the force into the conductor, degrees.
    pub drive_phase_deg: Option<f64>,
    /// Antinode velocity over drive force, (m/s)/N, or over drive signal, (m/s)/V.
    pub response: Option<Complex64>,
    /// Whether the frequency stands still.
    pub stands: bool,
    /// Whether the antinode's motion has not changed for two seconds.
    pub is_still: bool,
    /// Whether nothing drives the span.
    pub at_rest: bool,
    /// Time until the span has rung up, s; `None` where no time constant is known.
    pub ring_up_left_s: Option<f64>,
    /// Whether the ratio, by which that is reckoned, has come to rest and bounds it.
    pub ratio_rests: bool,
    /// Time until a hold can be looked at that a judge begins who can spare the wait, s.
    pub comfort_left_s: f64,
    /// Length of the hold so far, s.
    pub hold_s: f64,
    /// Shortest hold that counts, s.
    pub least_hold_s: f64,
    /// What the hold so far does not meet, likeliest root causes first, each with the
    /// sentence for it.
    pub unmet: Vec<(HoldCriterion, String)>,
    /// Where the drive stands, by the drive's force or its signal.
    pub standing: Option<DriveStanding>,
    /// Why force and signal do not tell it.
    pub why_no_standing: String,
    /// Whether the way here went over the peak.
    pub passed_the_peak: bool,
    /// How far from the peak the drive may stand, half-power bandwidths.
    pub peak_limit: f64,
    /// Whether the dwell has had its point.
    pub has_point: bool,
}

/// Where the ring-up of the dwell in hand ends.
pub(super) struct RingUpWait {
    /// Hop since which the drive stands still and nothing knocked the span.
    pub disturbed: usize,
    /// Time constants since then.
    pub constants: Option<f64>,
    /// Whether the ratio bounds the time constant.
    is_reckoned: bool,
    /// Hop from which on the span has rung up.
    pub rung_up: Option<usize>,
    /// Hop from which on a judge begins the hold who can spare the wait.
    comfort: Option<usize>,
}

impl Tracker {
    /// How the dwell in hand stands; `None` where there is none.
    pub fn outlook(&self) -> Option<DwellOutlook> {
        let last = self.dwell.last()?;
        let recent = self
            .dwell
            .get(self.dwell.len().saturating_sub(READ_HOPS)..)?;
        let hop_s = self.plan.hop_seconds();
        let frequency_hz = median_frequency_hz(recent)?;
        let bandwidth_hz = self.settling_bandwidth_hz();
        let (changed, plateau_end) = plateau(&self.dwell, bandwidth_hz);
        let window = self.plan.window_hops;
        let level_moves = self.level.left().is_some();
        let stands =
            plateau_end == self.dwell.len() && self.dwell.len() - changed > window && !level_moves;
        let settling = self.settling(changed, bandwidth_hz);
        let bandwidth_hz = bandwidth_hz.filter(|_| {
            stands
                && settling
                    .constants
                    .is_some_and(|waited| waited >= RATIO_CONSTANTS)
        });
        let (hold, unmet) = if stands {
            self.best_hold(&settling, bandwidth_hz)
        } else {
            (self.dwell.len()..self.dwell.len(), Vec::new())
        };
        let left_s =
            |hop: Option<usize>| Some(hop?.saturating_sub(self.dwell.len()) as f64 * hop_s);
        let ring_up_left_s = left_s(settling.rung_up);
        let read = |of: &dyn Fn(&HopEstimate) -> Option<f64>| median(recent.iter().filter_map(of));
        let antinode_m_s = read(&|hop| Some(hop.antinode_m_s))?;
        let antinode_u_rel = read(&|hop| Some(hop.antinode_u_rel))?;
        let in_phase = read(&|hop| Some(hop.ratio?.re));
        let quadrature = read(&|hop| Some(hop.ratio?.im));
        let standing = if stands && hold.is_empty() && ring_up_left_s == Some(0.0) {
            Err("the motion is not steady".to_owned())
        } else if stands {
            self.standing(&settling, bandwidth_hz)
        } else {
            Err("the drive moves".to_owned())
        };
        let own = self.dwell.get(hold.clone()).unwrap_or_default();
        Some(DwellOutlook {
            since_s: self
                .dwell
                .get(settling.disturbed.min(self.dwell.len() - 1))?
                .end_s
                - hop_s,
            at_s: last.end_s,
            frequency_hz,
            frequency_u_hz: 2.0 * last.frequency_u_hz,
            antinode_m_s,
            antinode_u_m_s: 2.0 * antinode_m_s * antinode_u_rel,
            ratio: in_phase
                .zip(quadrature)
                .map(|(re, im)| Complex64::new(re, im)),
            ratio_u: read(&|hop| self.ratio_u(hop)).map(|u| 2.0 * u),
            bandwidth_hz,
            drive_phase_deg: last.drive_phase_deg,
            response: response(last),
            stands,
            is_still: recent.len() == READ_HOPS && spread(recent) <= STILL + 4.0 * antinode_u_rel,
            at_rest: self.is_at_rest(recent),
            ring_up_left_s,
            ratio_rests: settling.is_reckoned && ratio_rests(recent),
            comfort_left_s: left_s(settling.comfort.map(|hop| hop + LOOKED_AT_WINDOWS * window))
                .unwrap_or_default(),
            hold_s: own.len() as f64 * hop_s,
            least_hold_s: self.least_hold_s(&settling, (changed, hold.start), frequency_hz),
            unmet,
            why_no_standing: standing.as_ref().err().cloned().unwrap_or_default(),
            standing: standing.ok(),
            passed_the_peak: !own.is_empty() && self.passed_the_peak(own),
            peak_limit: self.peak_limit(),
            has_point: self
                .after
                .as_ref()
                .is_some_and(|after| after.trouble.is_none()),
        })
    }

    /// The bandwidth by the ratio of the latest hops, or of as many as there are.
    pub(super) fn settling_bandwidth_hz(&self) -> Option<f64> {
        let recent = self.dwell.len().saturating_sub(2 * READ_HOPS);
        self.bandwidth_hz(self.dwell.get(recent..)?)
            .filter(|df| *df > 0.0)
    }

    pub(super) fn settling(&self, changed: usize, bandwidth_hz: Option<f64>) -> RingUpWait {
        let hop_s = self.plan.hop_seconds();
        let own = self.dwell.get(changed..).unwrap_or_default();
        let blow = self.transients(own).last().map_or(0, |blow| blow + 1);
        let disturbed = changed + blow.max(moved(own, bandwidth_hz));
        let waited_s = self.dwell.len().saturating_sub(disturbed) as f64 * hop_s;
        let read_from = disturbed.max(self.dwell.len().saturating_sub(2 * READ_HOPS));
        // The middle of those hops, and the middle of their windows.
        let middle = 0.5 * (read_from + self.dwell.len()) as f64 - disturbed as f64;
        let age_s = (middle - 0.5 * self.plan.window_hops as f64) * hop_s;
        let seen_s = self
            .bandwidth_hz(self.dwell.get(read_from..).unwrap_or_default())
            .or(bandwidth_hz)
            .filter(|df| *df > 0.0)
            .map(ring_up_time_constant_s);
        let reckoned_s = seen_s.and_then(|seen_s| constant_of_growing_motion_s(seen_s, age_s));
        let constant_s = reckoned_s.or(seen_s.map(|seen_s| MOST_GROWTH * seen_s));
        // A tenth over the least wait, as a dwell that is judged has it.
        let least = 1.1 * self.setup.hold.ring_up_time_constants;
        let after = |constants: f64, least_hops: usize| {
            let wait = (constants * constant_s? / hop_s).ceil() as usize;
            Some(disturbed + wait.max(least_hops))
        };
        RingUpWait {
            disturbed,
            constants: constant_s.map(|constant_s| waited_s / constant_s),
            is_reckoned: reckoned_s.is_some(),
            rung_up: after(least, self.plan.window_hops),
            comfort: after(
                least.max(RING_UP_COMFORT),
                (COMFORT_SECONDS / hop_s).ceil() as usize,
            ),
        }
    }

    /// The hold so far, and what it does not meet: since ring-up, or where that does not
    /// hold since a judge who can spare the wait would have begun it.
    fn best_hold(
        &self,
        settling: &RingUpWait,
        bandwidth_hz: Option<f64>,
    ) -> (Range<usize>, Vec<(HoldCriterion, String)>) {
        let mut best = (self.dwell.len()..self.dwell.len(), Vec::new());
        for start in [settling.rung_up, settling.comfort].into_iter().flatten() {
            let hold = self.hold_in_hand(start);
            let hops = self.dwell.get(hold.clone()).unwrap_or_default();
            let unmet = self.unmet(hops, bandwidth_hz);
            let meets = unmet.is_empty() && !hold.is_empty();
            if meets || best.0.is_empty() || !hold.is_empty() {
                best = (hold, unmet);
            }
            if meets {
                break;
            }
        }
        best
    }

    /// The steady hops since the span has rung up, up to now.
    pub(super) fn hold_in_hand(&self, rung_up: usize) -> Range<usize> {
        let most = self.longest_hold_hops();
        let end = self.dwell.len();
        let from = rung_up.max(end.saturating_sub(most)).min(end);
        let hops = self.dwell.get(from..).unwrap_or_default();
        match self.steady_run(hops) {
            (start, run_end) if run_end == hops.len() => from + start..end,
            _ => end..end,
        }
    }

    /// The shortest hold that counts: that of the rules, and half of what the judge sees of
    /// a dwell that was tuned a little on the way.
    fn least_hold_s(
        &self,
        settling: &RingUpWait,
        (changed, start): (usize, usize),
        frequency_hz: f64,
    ) -> f64 {
        let hop_s = self.plan.hop_seconds();
        let waited = settling
            .rung_up
            .unwrap_or_default()
            .saturating_sub(settling.disturbed);
        let before = start
            .saturating_sub(changed + waited)
            .min(self.longest_hold_hops());
        (before as f64 * hop_s).max(Stretch::least_seconds(&self.setup, frequency_hz))
    }

    fn unmet(
        &self,
        hold: &[HopEstimate],
        bandwidth_hz: Option<f64>,
    ) -> Vec<(HoldCriterion, String)> {
        if hold.len() < LOOKED_AT_WINDOWS * self.plan.window_hops {
            return Vec::new();
        }
        let waited_s = f64::INFINITY;
        let stretch = self.stretch(hold, None, bandwidth_hz, waited_s);
        let is_asked_elsewhere = |criterion: HoldCriterion| {
            matches!(
                criterion,
                HoldCriterion::HoldLength | HoldCriterion::DrivePhase
            )
        };
        stretch
            .judge()
            .into_iter()
            .filter(|judged| judged.result.met == Some(false))
            .filter(|judged| !is_asked_elsewhere(judged.result.criterion))
            .map(|judged| (judged.result.criterion, judged.sentence))
            .collect()
    }

    /// Standard uncertainty by noise of either part of a hop's ratio.
    fn ratio_u(&self, hop: &HopEstimate) -> Option<f64> {
        let node = hop.channels.get(self.channels.node?.0)?;
        let own = node.amplitude_u / maths::modulus(node.amplitude);
        Some(maths::modulus(hop.ratio?) * maths::hypot(own, hop.antinode_u_rel))
    }
}

/// The hop of a dwell since which the drive has stood where it stands now.
fn moved(hops: &[HopEstimate], bandwidth_hz: Option<f64>) -> usize {
    let recent = hops.get(hops.len().saturating_sub(READ_HOPS / 2)..);
    let Some(now_hz) = recent.and_then(median_frequency_hz) else {
        return 0;
    };
    let width_hz = (TUNED * bandwidth_hz.unwrap_or_default()).max(LEAST_TUNED_HZ);
    let stands = |hop: &HopEstimate| {
        (hop.frequency_hz - now_hz).abs() <= width_hz.max(6.0 * hop.frequency_u_hz)
    };
    hops.iter()
        .rposition(|hop| !stands(hop))
        .map_or(0, |hop| hop + 1)
}

/// The time constant of a span that rings up, where the ratio implies `seen_s` after `age_s`.
///
/// The wave past the node carries what is lost and what the motion still grows by. With the
/// amplitude growing as 1 − exp(−t/τ) the energy does as its square, and loss and growth
/// together are 1/(1 − exp(−t/τ)) of the loss: seen is τ (1 − exp(−t/τ)). So at a node near the
/// drive; what is stored beyond one near the damper is less, and so is what this adds. `None`
/// where the ratio is about as large as growth alone makes it: that bounds nothing.
fn constant_of_growing_motion_s(seen_s: f64, age_s: f64) -> Option<f64> {
    let seen_of = |constant_s: f64| constant_s * (1.0 - maths::exp(-age_s / constant_s));
    let (mut low_s, mut high_s) = (seen_s, MOST_GROWTH * seen_s);
    if age_s <= 0.0 || seen_of(high_s) < seen_s {
        return None;
    }
    // Halved until no wait differs by a hop.
    for _ in 0..20 {
        let middle_s = 0.5 * (low_s + high_s);
        if seen_of(middle_s) < seen_s {
            low_s = middle_s;
        } else {
            high_s = middle_s;
        }
    }
    Some(high_s)
}

/// Whether the node's quadrature part has kept its size against the antinode.
fn ratio_rests(hops: &[HopEstimate]) -> bool {
    let sizes = || hops.iter().filter_map(|hop| Some(hop.ratio?.im.abs()));
    let most = sizes().fold(0.0, f64::max);
    hops.len() == READ_HOPS && sizes().fold(f64::INFINITY, f64::min) >= RATIO_RESTS * most
}

/// How far apart the antinode velocities of some hops are, over the largest.
fn spread(hops: &[HopEstimate]) -> f64 {
    let sizes = || hops.iter().map(|hop| hop.antinode_m_s);
    let most = sizes().fold(0.0, f64::max);
    1.0 - sizes().fold(f64::INFINITY, f64::min) / most
}

/// Antinode velocity over what drives: over the force, with the drive phase folded into the
/// right half plane, or over the signal.
fn response(hop: &HopEstimate) -> Option<Complex64> {
    match (hop.force_n, hop.drive_phase_deg) {
        (Some(force_n), Some(phase_deg)) if force_n > 0.0 => {
            let phase = phase_deg.to_radians();
            let size = hop.antinode_m_s / force_n;
            Some(Complex64::new(
                size * maths::cos(phase),
                size * maths::sin(phase),
            ))
        }
        _ => hop.by_signal,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The energy balance of one resonance, stepped: what is fed in is what is lost and what
    /// the motion grows by.
    #[test]
    fn the_constant_is_found_in_the_balance_of_a_growing_motion() {
        let (constant_s, step_s) = (2.0, 1e-4);
        let energy = |t_s: f64| maths::square(1.0 - maths::exp(-t_s / constant_s));
        for age_s in [2.0, 4.0, 8.0, 20.0] {
            let growth_w = (energy(age_s + step_s) - energy(age_s - step_s)) / (2.0 * step_s);
            let loss_w = 2.0 / constant_s * energy(age_s);
            let seen_s = constant_s * loss_w / (loss_w + growth_w);
            let found_s = constant_of_growing_motion_s(seen_s, age_s).unwrap();
            assert!((found_s - constant_s).abs() < 1e-3, "{age_s} s: {found_s}");
        }
        assert_eq!(constant_of_growing_motion_s(2.0, 0.5), None);
        assert_eq!(constant_of_growing_motion_s(2.0, -0.5), None);
    }
}
