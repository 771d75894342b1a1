//! A source that does not carry the antinode, such as a second device with the
//! strain gauges: its hops wait until the main source has said when a hold was.

use std::collections::VecDeque;
use std::ops::Range;

use crate::resonance::Dwell;
use crate::resonance::hold_samples::HoldSamples;
use crate::setup::HoldRules;
use crate::tone::interval::IntervalTone;
use crate::tone::{ToneFrame, TonePlan};

/// How long the hops are kept while the main source is silent.
const SILENCE_SECONDS: f64 = 600.0;
/// Hops are kept for so much longer than the main source keeps its own, s.
const MARGIN_SECONDS: f64 = 10.0;

/// The hops of an auxiliary source.
#[derive(Debug)]
pub(super) struct AuxiliarySource {
    plan: TonePlan,
    samples: HoldSamples,
    hops: VecDeque<Hop>,
    /// End of its newest hop, s.
    pub(super) reached_s: f64,
    /// Whether it has ended.
    pub(super) ended: bool,
    longest_hold_s: f64,
}

#[derive(Debug)]
struct Hop {
    number: u64,
    end_s: f64,
    /// What its raw samples tell of each channel.
    raw: Vec<RawCounts>,
}

/// Raw samples of a channel that show that it cannot be trusted.
#[derive(Debug, Clone, Copy, Default)]
struct RawCounts {
    clipped: u64,
    missing: u64,
}

/// What the source found over a hold.
#[derive(Debug)]
pub(super) struct AuxiliaryHold {
    /// The fit.
    pub(super) interval: IntervalTone,
    /// Clipped raw samples of each channel.
    pub(super) clipped: Vec<u64>,
    /// Raw samples of each channel without a value.
    pub(super) missing_values: Vec<u64>,
}

/// Frequency of the main source's hops: end of the hop, s, and Hz. In order.
pub(super) type MainFrequencies = VecDeque<(f64, f64)>;

impl AuxiliarySource {
    /// One of so many sources.
    pub(super) fn new(plan: &TonePlan, rules: &HoldRules, sources: usize) -> Self {
        let reference = plan.channels.iter().position(|c| c.sets_frequency);
        Self {
            samples: HoldSamples::new(plan, rules, reference.unwrap_or_default(), sources),
            plan: plan.clone(),
            hops: VecDeque::new(),
            reached_s: 0.0,
            ended: false,
            longest_hold_s: rules.max_seconds,
        }
    }

    pub(super) fn push(&mut self, frame: &ToneFrame) {
        self.reached_s = frame.end_s;
        self.samples.push(frame);
        self.hops.push_back(Hop {
            number: frame.hop,
            end_s: frame.end_s,
            raw: frame
                .channels
                .iter()
                .map(|channel| RawCounts {
                    clipped: channel.clipped,
                    missing: channel.missing,
                })
                .collect(),
        });
    }

    /// Drops what is too old for any dwell that may still come. Only what the
    /// main source has passed may go, or interleaving would matter. `main_s`: how
    /// far that one has come; `needed_s`: start of the oldest hold that waits.
    /// Should the main source be silent, this one must not fill the memory.
    pub(super) fn forget(&mut self, main_s: f64, needed_s: f64, main_hz: &MainFrequencies) {
        let oldest_s = |keep_s: f64| {
            needed_s
                .min(main_s - keep_s)
                .max(self.reached_s - keep_s - SILENCE_SECONDS)
        };
        let hop_s = self.plan.hop_seconds();
        let samples_s = oldest_s(self.samples.kept_seconds() + MARGIN_SECONDS);
        let hops_s = oldest_s(2.0 * self.longest_hold_s + 2.0 * MARGIN_SECONDS);
        let first_after = |s: f64| self.hops.iter().find(|hop| hop.end_s >= s);
        if let Some(first) = first_after(samples_s).map(|hop| hop.number) {
            self.samples
                .drop_samples_before(first, |part| median_hz(main_hz, &part, hop_s));
        }
        if let Some(first) = first_after(hops_s).map(|hop| hop.number) {
            self.samples.forget_pieces_before(first);
        }
        while self.hops.front().is_some_and(|hop| hop.end_s < hops_s) {
            self.hops.pop_front();
        }
    }

    /// The same stretch of time as a dwell's hold, fitted at this source's own
    /// clock.
    pub(super) fn hold(
        &mut self,
        dwell: &Dwell,
        main_hz: &MainFrequencies,
    ) -> Option<AuxiliaryHold> {
        let hop_s = self.plan.hop_seconds();
        let within =
            |hop: &&Hop| hop.end_s - hop_s >= dwell.hold_start_s && hop.end_s <= dwell.hold_end_s;
        let hops: Vec<&Hop> = self.hops.iter().filter(within).collect();
        let hold = hops.first()?.number..hops.last()?.number + 1;
        let latest = (dwell.end_s / hop_s) as u64;
        let parts = self.samples.parts(&hold, self.samples.kept_from(latest));
        let dwell_hz = dwell.interval.as_ref()?.frequency_hz;
        let whole = matches!(parts.as_slice(), [part] if *part == hold);
        let interval = self.samples.fit(&parts, |part| {
            if whole {
                Some(dwell_hz)
            } else {
                median_hz(main_hz, &part, hop_s)
            }
        })?;
        let fitted = parts.first()?.start..parts.last()?.end;
        let mut sums = vec![RawCounts::default(); self.plan.channels.len()];
        for hop in hops.iter().filter(|hop| fitted.contains(&hop.number)) {
            for (sum, raw) in sums.iter_mut().zip(&hop.raw) {
                sum.clipped += raw.clipped;
                sum.missing += raw.missing;
            }
        }
        Some(AuxiliaryHold {
            interval,
            clipped: sums.iter().map(|sum| sum.clipped).collect(),
            missing_values: sums.iter().map(|sum| sum.missing).collect(),
        })
    }
}

/// Median frequency of the main source during some hops of another, Hz.
fn median_hz(main_hz: &MainFrequencies, hops: &Range<u64>, hop_s: f64) -> Option<f64> {
    let (from_s, to_s) = (hops.start as f64 * hop_s, hops.end as f64 * hop_s);
    let first = main_hz.partition_point(|(end_s, _)| *end_s <= from_s);
    let last = main_hz.partition_point(|(end_s, _)| *end_s <= to_s);
    crate::resonance::hop_estimate::median(main_hz.range(first..last).map(|(_, hz)| *hz))
}
