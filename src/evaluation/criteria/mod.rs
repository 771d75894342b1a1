//! Criteria: from settled points to pass, fail or inconclusive.
//!
//! In: a [`Criterion`](crate::setup::Criterion) of the setup, the points of a run, the required curve
//! where there is one. Out: a [`Judgement`] of every point, the gaps in the
//! coverage, and of the whole run. Pure; the curve's file is read by the caller.
//!
//! Required values come from the licensed text of the standard in force and
//! the responsible engineer, never from this program.

mod coverage;
mod curve;
mod decide;
mod judge;
mod level;

pub use coverage::{CoverageGap, coverage_gaps};
pub use curve::{CurveFault, CurveFaults, RequiredCurve};
pub use decide::{Demand, Outcome, decide};
pub use judge::{Judgement, PointJudgement, judge};

#[cfg(test)]
mod tests;
