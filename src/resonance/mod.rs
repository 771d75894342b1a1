//! Tone frames → is the resonance held? The tracker and its reasons.
//!
//! In: [`ToneMessage`](crate::tone::ToneMessage)s of the source that carries the antinode, in order.
//! Out: [`Dwell`]s, each with its verdict, the criteria it was judged by and
//! the fit over all its samples. Pure: no threads, files or clocks.

pub mod channel_map;
pub mod criteria;
mod cross_check;
pub mod drive_point;
mod finding;
pub mod hold_samples;
pub mod hop_estimate;
pub mod level;
mod node_reading;
pub mod peak_evidence;
pub mod phasor;
mod reasons;
pub mod ring_up;
mod saturation;
pub mod shown_peak;
pub mod signal_phase;
pub mod standing_wave;
pub mod steadiness;
pub mod stretch;
pub mod tension;
pub mod tracker;
mod transient;
pub mod trend;
mod unstated_mass;

use self::criteria::Judged;
use self::peak_evidence::{off_peak_effect, peak_finding};
pub use criteria::{CriterionResult, HoldCriterion};
pub use reasons::MOST_REASONS;
pub use tracker::{DriveStanding, DwellOutlook, PeakShownBy, Tracker};

use self::peak_evidence::{MassShift, PeakEvidence};
use self::ring_up::TransientLeft;
use self::shown_peak::{ShownPeak, together};
use self::signal_phase::{SignalAngle, SignalEvidence};
use self::standing_wave::NodePattern;
use crate::setup::{Setup, Verdict};
use crate::tone::ChannelTone;
use crate::tone::interval::IntervalTone;

/// A stretch of constant frequency that was judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Dwell {
    /// When the frequency or level last changed before it, s.
    pub start_s: f64,
    /// When it ended, s.
    pub end_s: f64,
    /// The verdict.
    pub verdict: Verdict,
    /// Why it does not count, or what limits it; sentences.
    pub reasons: Vec<String>,
    /// Every criterion with value and limit.
    pub criteria: Vec<CriterionResult>,
    /// Start of the hold (or of what was judged in its place), s.
    pub hold_start_s: f64,
    /// Its end, s.
    pub hold_end_s: f64,
    /// Half-power bandwidth that the measured ratio implies, Hz.
    pub bandwidth_hz: Option<f64>,
    /// What is left of a transient in the hold; `None` where no time constant is
    /// known.
    pub transient: Option<TransientLeft>,
    /// Where the peak is, by the span's free motion at the beginning and the end;
    /// `None` where it was not asked for or shows nothing.
    pub peak: Option<PeakEvidence>,
    /// The angle of the antinode's velocity against the drive signal.
    pub angle: Option<SignalAngle>,
    /// Where the peak is by that angle; `None` where it was not asked for or not learnt.
    pub signal: Option<SignalEvidence>,
    /// What leads from the peak of span and shaker, which those two are about, to that of
    /// the span alone.
    pub mass_shift: MassShift,
    /// The fit over all samples of the hold, or of what was judged.
    pub interval: Option<IntervalTone>,
    /// Clipped raw samples of each channel of the source within the hold, or
    /// within what was judged in its place.
    pub clipped: Vec<u64>,
    /// Raw samples of each channel without a value, likewise.
    pub missing_values: Vec<u64>,
    /// Samples missing within the dwell.
    pub missing_samples: u64,
}

impl Dwell {
    /// Where all that was found has the peak of the span alone.
    pub fn shown_peak(&self) -> Option<PeakEvidence> {
        together(self.peak, self.signal, self.mass_shift)
    }

    /// Takes in what the place of the nodes says of the peak. It decides where all else is met
    /// and nothing else shows or excludes the peak.
    pub fn enter_node_pattern(&mut self, pattern: NodePattern, setup: &Setup) {
        let Some(interval) = &self.interval else {
            return;
        };
        let judged = pattern.judge(setup, interval.frequency_hz);
        self.criteria.push(judged.result);
        let has = |criterion: HoldCriterion, met: bool| {
            let mut results = self.criteria.iter();
            results.any(|result| result.criterion == criterion && result.met == Some(met))
        };
        let of_peak = [
            HoldCriterion::DrivePhase,
            HoldCriterion::FreeResponse,
            HoldCriterion::SignalPhase,
        ];
        // A force that shows the peak stands; free motion and drive signal do not where it
        // contradicts them, for either may be wrong.
        if self.verdict == Verdict::Held && judged.result.met == Some(false) {
            let other = if has(HoldCriterion::FreeResponse, true) {
                "the free motion"
            } else {
                "the drive signal"
            };
            if has(HoldCriterion::DrivePhase, true) {
                let reason = format!("held by the drive's force, but {}", judged.sentence);
                self.reasons.push(reason);
            } else {
                let reason = format!(
                    "resonance is neither shown nor excluded: {other} shows the peak, but {}",
                    judged.sentence
                );
                self.reasons.insert(0, reason);
                self.verdict = Verdict::Steady;
            }
            return;
        }
        let is_excluded = of_peak.iter().any(|criterion| has(*criterion, false));
        if self.verdict != Verdict::Steady || is_excluded || !has(HoldCriterion::RingUp, true) {
            return;
        }
        // The first reason is what was not known.
        let others = self.reasons.iter().skip(1).cloned();
        match judged.result.met {
            Some(true) => {
                self.reasons = others.collect();
                self.verdict = Verdict::Held;
            }
            Some(false) => {
                let own = [judged.sentence, off_peak_effect(pattern.detuning)].into_iter();
                self.reasons = own.chain(others).collect();
                self.verdict = Verdict::OffPeak;
            }
            None => self.reasons.push(judged.sentence),
        }
    }

    /// Takes in what shows the peak of a dwell that is steady otherwise; `limit` in
    /// half-power bandwidths.
    fn enter_peak(&mut self, peak: PeakEvidence, limit: f64) {
        self.peak = Some(peak);
        let finding = peak_finding(peak.without_drive_mass(self.mass_shift), limit);
        let judged = Judged::new(HoldCriterion::FreeResponse, limit, finding);
        match self
            .criteria
            .iter_mut()
            .find(|result| result.criterion == HoldCriterion::FreeResponse)
        {
            Some(result) => *result = judged.result,
            None => self.criteria.push(judged.result),
        }
        // The first reason is what was not known.
        let others: Vec<String> = self.reasons.iter().skip(1).cloned().collect();
        if let Some(shown) = ShownPeak::of(self.peak, self.signal, self.mass_shift, limit) {
            (self.verdict, self.reasons) = shown.verdict(others.into_iter());
        }
    }
}

/// Something that happened and leaves no record of a dwell.
#[derive(Debug, Clone, PartialEq)]
pub struct Remark {
    /// When, s.
    pub at_s: f64,
    /// What kind, one word.
    pub kind: &'static str,
    /// One sentence.
    pub message: String,
}

/// What `count` gives, summed over some hops for each channel.
pub fn sum_by_channel<'a>(
    hops: impl Iterator<Item = &'a [ChannelTone]>,
    count: impl Fn(&ChannelTone) -> u64,
) -> Vec<u64> {
    let mut sums = Vec::new();
    for channels in hops {
        sums.resize(channels.len(), 0);
        for (sum, channel) in sums.iter_mut().zip(channels) {
            *sum += count(channel);
        }
    }
    sums
}
