//! The tracker: cuts the stream of hops into dwells; `judge` picks in each
//! the stretch that is judged.
//!
//! A dwell ends where the frequency leaves its middle value by a third of a
//! bandwidth, where the drive level is changed, where samples are missing, or
//! where the tone is lost. It is judged **whole**: from the end of ring-up to
//! the end of the dwell, less the moments of the change itself. Were any
//! sub-stretch allowed, the crest of a slow wander would pass as a hold. Only a
//! transient (an isolated impulse) cuts a dwell in two, and each part then has
//! to wait for ring-up by itself.

mod judge;

use std::collections::VecDeque;
use std::f64::consts::PI;
use std::ops::Range;
use std::sync::Arc;

use ndarray::Array2;

use self::judge::{passage, plateau};
use super::Dwell;
use super::channel_map::ChannelMap;
use super::hold_samples::HoldSamples;
use super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::level::{DriveLevel, LevelEvent, STEADY_HOPS};
use crate::setup::Setup;
use crate::setup::Verdict;
use crate::span::StrungConductor;
use crate::tone::{ToneGap, TonePlan};

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

/// Why a dwell ended, for its reasons.
#[derive(Debug, Clone, Copy, PartialEq)]
enum EndOfDwell {
    Change,
    /// The frequency left the dwell's own little by little.
    Drift,
    /// The drive level was changed.
    Level,
    /// It went on for longer than anyone waits.
    TooLong,
    Gap {
        at_s: f64,
        missing: u64,
    },
    ToneLost,
    EndOfSamples,
}

/// Hops → dwells.
#[derive(Debug)]
pub struct Tracker {
    setup: Setup,
    conductor: StrungConductor,
    plan: TonePlan,
    channels: ChannelMap,
    dwell: Vec<HopEstimate>,
    /// Samples of the dwell in hand, until it has had its point.
    samples: HoldSamples,
    /// Whether the dwell in hand has had its point.
    settled: bool,
    /// Hops until it is worth looking again whether it may have one.
    rest_hops: usize,
    level: DriveLevel,
    /// Frequency with its standard uncertainty (Hz) and antinode velocity (m/s)
    /// of hops before this dwell.
    approach: VecDeque<([f64; 2], f64)>,
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
            samples: HoldSamples::new(plan, &setup.hold, antinode),
            plan: plan.clone(),
            dwell: Vec::new(),
            settled: false,
            rest_hops: 0,
            level: DriveLevel::default(),
            approach: VecDeque::new(),
        }
    }

    /// Which entry of a frame belongs to which role.
    pub fn channels(&self) -> &ChannelMap {
        &self.channels
    }

    /// Takes the next hop, `None` where no tone stands out, with its decimated
    /// samples (channels × samples, SI); gives the dwell that it brought to an
    /// end, or one that has been held for the longest time that is waited for.
    pub fn hop(&mut self, hop: Option<HopEstimate>, samples: &Arc<Array2<f64>>) -> Option<Dwell> {
        let Some(hop) = hop else {
            return self.close(EndOfDwell::ToneLost);
        };
        let bandwidth_hz = self.recent_bandwidth_hz();
        let mut closed = self
            .change(&hop, bandwidth_hz)
            .and_then(|end| self.close(end));
        // The level is that of the drive, where there is a force channel.
        let level = hop.force_n.unwrap_or(hop.antinode_m_s);
        let event = self.level.hop(level, hop.frequency_hz, bandwidth_hz);
        if event == LevelEvent::Left {
            closed = closed.or_else(|| self.close(EndOfDwell::Level));
        }
        self.keep_samples(hop.hop, samples);
        self.dwell.push(hop);
        if event == LevelEvent::Settled {
            // What came before was the change itself.
            let changing = self.dwell.len().saturating_sub(STEADY_HOPS);
            self.dwell.drain(..changing);
        }
        closed
            .or_else(|| self.settle_early())
            .or_else(|| self.limit_length())
    }

    /// Takes a gap: the dwell in hand ends there.
    pub fn gap(&mut self, gap: &ToneGap) -> Option<Dwell> {
        self.close(EndOfDwell::Gap {
            at_s: gap.at_s,
            missing: gap.missing_samples,
        })
    }

    /// The source has ended.
    pub fn finish(&mut self) -> Option<Dwell> {
        self.close(EndOfDwell::EndOfSamples)
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
    fn change(&self, hop: &HopEstimate, bandwidth_hz: f64) -> Option<EndOfDwell> {
        let remembered = self.dwell.len().saturating_sub(REMEMBERED_HOPS);
        let own_hz = median_frequency_hz(self.dwell.get(remembered..)?)?;
        let noise = 6.0 * hop.frequency_u_hz;
        let width_hz = (ANOTHER_FREQUENCY * bandwidth_hz)
            .max(LEAST_CHANGE_HZ)
            .max(noise);
        if (hop.frequency_hz - own_hz).abs() <= width_hz {
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
    fn limit_length(&mut self) -> Option<Dwell> {
        let longest = (LONGEST_DWELL_SECONDS / self.plan.hop_seconds()) as usize;
        if self.dwell.len() < longest {
            return None;
        }
        if self.settled {
            self.dwell.drain(..longest / 2);
            return None;
        }
        self.close(EndOfDwell::TooLong)
    }

    /// Keeps the samples of the newest hop, and lets those go that no hold can
    /// need any more.
    fn keep_samples(&mut self, hop: u64, samples: &Arc<Array2<f64>>) {
        if self.settled {
            return;
        }
        self.samples.push(hop, samples);
        let dwell = &self.dwell;
        self.samples
            .drop_samples_before(self.samples.kept_from(hop), |part| guess_hz(dwell, part));
    }

    /// A dwell that goes on and on gets its point after `max_seconds`. Where
    /// the whole stretch does not hold, a few hops more do not change that.
    fn settle_early(&mut self) -> Option<Dwell> {
        if self.settled {
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
        let dwell = self.judge(changed, start, self.dwell.len(), EndOfDwell::EndOfSamples)?;
        if dwell.verdict == Verdict::Rejected {
            return None;
        }
        self.settled = true;
        self.samples.clear();
        Some(dwell)
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

    fn close(&mut self, end: EndOfDwell) -> Option<Dwell> {
        let dying_away = end != EndOfDwell::Level && self.level.drive_gone();
        let judged = if self.settled || dying_away {
            None
        } else {
            self.judge_dwell(end)
        };
        if end == EndOfDwell::Level {
            // How the span moved at another level tells nothing about the peak.
            self.approach.clear();
            self.dwell.clear();
        } else {
            self.level.restart();
        }
        let remember = (APPROACH_SECONDS / self.plan.hop_seconds()) as usize;
        for hop in self.dwell.drain(..) {
            self.approach.push_back(passage(&hop));
        }
        while self.approach.len() > remember {
            self.approach.pop_front();
        }
        self.samples.clear();
        self.settled = false;
        self.rest_hops = 0;
        judged
    }
}

/// Median frequency of the hops numbered `hops` of a dwell, Hz.
fn guess_hz(dwell: &[HopEstimate], hops: Range<u64>) -> Option<f64> {
    let first = dwell.first()?.hop;
    let from = hops.start.checked_sub(first)? as usize;
    let to = hops.end.checked_sub(first)? as usize;
    median_frequency_hz(dwell.get(from..to)?)
}
