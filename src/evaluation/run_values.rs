//! A run as the evaluation takes it. Pure.

use super::reduced::RunPoints;
use crate::analysis::{Exclusion, TraceRow};
use crate::reduction::{FixedEvidence, SettledPoint};
use crate::setup::Setup;

/// A run as it was read.
#[derive(Debug, Clone, Copy)]
pub struct RunValues<'a> {
    /// Its setup.
    pub setup: &'a Setup,
    /// Its points.
    pub points: &'a [SettledPoint],
    /// Those of them that are not to count.
    pub exclusions: &'a [Exclusion],
    /// What the fixed sensors showed at points that were read by them, by the point's number.
    pub fixed: &'a [(u64, &'a FixedEvidence)],
    /// Its trace, in which free decays are looked for; `None` where it has
    /// none that can be read. That of a bare run is not looked at.
    pub trace: Option<&'a [TraceRow]>,
}

impl<'a> RunValues<'a> {
    /// The run with these points.
    pub(super) fn with(self, points: &'a [SettledPoint]) -> RunPoints<'a> {
        RunPoints {
            setup: self.setup,
            points,
            exclusions: self.exclusions,
        }
    }
}
