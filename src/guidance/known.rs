//! What is known of a run beside its analysis. Pure.

use std::collections::VecDeque;

use super::bench::BenchReadings;
use super::state::RequiredEfficiency;
use super::waves::FixedSensorsSeen;
use crate::analysis::Exclusion;
use crate::plan::KnownSpan;
use crate::setup::Setup;

/// What is known of a run beside its analysis.
#[derive(Debug, Clone)]
pub(super) struct Known {
    pub setup: Setup,
    /// Wave speed and stiffness.
    pub span: KnownSpan,
    /// Name of the run folder.
    pub folder: String,
    pub required: Vec<RequiredEfficiency>,
    pub bench: BenchReadings,
    pub fixed: FixedSensorsSeen,
    /// The points that are not to count.
    pub exclusions: Vec<Exclusion>,
    /// What happened last; sentences.
    pub events: VecDeque<String>,
}
