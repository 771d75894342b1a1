//! Tone frames → is the resonance held? The tracker and its reasons.
//!
//! In: [`ToneMessage`](crate::tone::ToneMessage)s of the source that carries the antinode, in order.
//! Out: [`Dwell`]s, each with its verdict, the criteria it was judged by and
//! the frames as evidence. Pure: no threads, files or clocks.

pub mod criteria;
pub mod level;
pub mod reading;
pub mod tracker;
pub mod trend;

pub use tracker::Tracker;

use serde::{Deserialize, Serialize};
use std::sync::Arc;

use crate::setup::Verdict;
use crate::tone::ToneFrame;
use crate::tone::interval::IntervalTone;

/// One criterion of the judgement: what was found against what is allowed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Criterion {
    /// Short name, e.g. `drive phase`.
    pub name: String,
    /// What was found, in `unit`; `None` where it could not be measured.
    pub value: Option<f64>,
    /// The limit, in `unit`.
    pub limit: f64,
    /// Unit of both.
    pub unit: String,
    /// Whether the value has to stay below the limit (or above it).
    pub at_most: bool,
    /// Whether it was met; `None`: neither shown nor excluded.
    pub met: Option<bool>,
}

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
    pub criteria: Vec<Criterion>,
    /// Start of the hold (or of what was judged in its place), s.
    pub hold_start_s: f64,
    /// Its end, s.
    pub hold_end_s: f64,
    /// Half-power bandwidth that the measured ratio implies, Hz.
    pub bandwidth_hz: Option<f64>,
    /// The fit over all samples of the hold, or of what was judged.
    pub interval: Option<IntervalTone>,
    /// The frames of the hold, or of what was judged in its place, in order.
    pub frames: Vec<Arc<ToneFrame>>,
    /// Samples missing within the dwell.
    pub missing_samples: u64,
}
