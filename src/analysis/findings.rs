//! What the analysis finds: points with their evidence, events, trace rows.

use serde::{Deserialize, Serialize};

use crate::reduction::{BudgetLine, FixedEvidence, SettledPoint};
use crate::resonance::CriterionResult;

/// What the analysis says.
#[derive(Debug, Clone, PartialEq)]
pub enum Finding {
    /// A dwell was judged and reduced; the evidence goes with it.
    Point(Box<SettledPoint>, Evidence),
    /// Something happened.
    Event(Event),
    /// One row of the trace, one a hop of the main source.
    Trace(TraceRow),
}

/// What a point's verdict rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// When the frequency or level last changed before the dwell, s.
    pub dwell_start_s: f64,
    /// When the dwell ended, s.
    pub dwell_end_s: f64,
    /// Each criterion.
    pub criteria: Vec<CriterionResult>,
    /// What each cause contributes to the uncertainties of the point; empty
    /// where the dwell does not count, and in runs older than this key.
    #[serde(default)]
    pub uncertainty_budget: Vec<BudgetLine>,
    /// What the fixed sensors showed, where antinode and node were read by them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed_sensors: Option<FixedEvidence>,
}

/// One line of `events.jsonl`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Event {
    /// When, s since sample 0 of the main source.
    pub at_s: f64,
    /// What kind, one word: `gap`, `session`, …
    pub kind: String,
    /// One sentence.
    pub message: String,
}

/// One row of `trace.csv`, one a hop. Peak values; empty where not measured.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct TraceRow {
    pub time_s: f64,
    pub frequency_hz: Option<f64>,
    pub antinode_velocity_mm_s: Option<f64>,
    pub node_velocity_mm_s: Option<f64>,
    pub iswr: Option<f64>,
    pub node_phase_deg: Option<f64>,
    pub drive_force_n: Option<f64>,
    pub drive_phase_deg: Option<f64>,
    pub signal_phase_deg: Option<f64>,
    pub detuning_bandwidths: Option<f64>,
    pub bandwidth_hz: Option<f64>,
    pub snr_db: Option<f64>,
    pub distortion_pct: Option<f64>,
    pub clipped_samples: u64,
}
