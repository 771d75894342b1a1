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
pub mod phasor;
mod reasons;
mod saturation;
pub mod steadiness;
pub mod stretch;
pub mod tension;
pub mod tracker;
mod transient;
pub mod trend;

pub use criteria::{CriterionResult, HoldCriterion};
pub use reasons::MOST_REASONS;
pub use tracker::Tracker;

use crate::setup::Verdict;
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
