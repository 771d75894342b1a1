//! Criteria: from settled points to pass, fail or inconclusive.
//!
//! In: a [`Criterion`] of the setup, the points of a run, the required curve
//! where there is one. Out: a [`Judgement`] of every point, the holes in the
//! coverage, and of the whole run. Pure; the curve's file is read by the caller.
//!
//! Required values come from the licensed text of the standard in force and
//! the responsible engineer, never from this program.

mod coverage;
mod curve;
mod decide;
mod judge;

use serde::Serialize;

use crate::setup::StrainLocation;
use crate::span::wind::WindFunction;

pub use coverage::{Hole, holes};
pub use curve::{CurveFault, CurveFaults, RequiredCurve};
pub use decide::{DecisionRule, Demand, Outcome, decide};
pub use judge::{Judgement, PointJudgement, judge};

/// One `[[criteria]]` of the setup file.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Criterion {
    /// What is required.
    #[serde(flatten)]
    pub requirement: Requirement,
    /// How measurement uncertainty enters the decision.
    pub decision_rule: DecisionRule,
}

/// What a criterion requires.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Requirement {
    /// Efficiency not below a curve over frequency or frequency times diameter.
    EfficiencyCurve {
        /// The curve's CSV file, beside the setup file or with its own path.
        curve: String,
    },
    /// Power taken by the dampers not below what a wind puts into a span.
    WindPower {
        /// The wind power function.
        wind: &'static WindFunction,
        /// Length of the line span that the dampers protect, m.
        span_length_m: f64,
        /// How many such dampers that span has.
        dampers: u32,
        /// Antinode velocity, mm/s peak, at which the wind's power is taken;
        /// `None`: each point's own.
        antinode_velocity_mm_s: Option<f64>,
        /// How far a point's velocity may be from it, %.
        tolerance_pct: f64,
    },
    /// Clamp strain not above a limit.
    StrainLimit {
        /// The limit, µm/m **peak-to-peak**.
        limit_pp_um_m: f64,
        /// Which clamp; `None`: the largest of all gauges.
        location: Option<StrainLocation>,
    },
}

impl Criterion {
    /// Dampers on the line span where the setup does not say.
    pub const DEFAULT_DAMPERS: u32 = 1;
    /// Taken where `tolerance_pct` is not given, %.
    pub const DEFAULT_TOLERANCE_PCT: f64 = 10.0;

    /// What the criterion asks for, in a line for people.
    pub fn statement(&self) -> String {
        match &self.requirement {
            Requirement::EfficiencyCurve { curve } => {
                format!("efficiency at least the curve in \"{curve}\"")
            }
            Requirement::WindPower {
                wind,
                span_length_m,
                dampers,
                antinode_velocity_mm_s,
                ..
            } => {
                let level = antinode_velocity_mm_s.map_or_else(
                    || "at each point's own amplitude".to_owned(),
                    |v| format!("at {v} mm/s peak"),
                );
                format!(
                    "power of {dampers} damper(s) at least the wind power on {span_length_m} m \
                     {level}, by {}",
                    wind.label()
                )
            }
            Requirement::StrainLimit {
                limit_pp_um_m,
                location,
            } => {
                let place = match location {
                    Some(StrainLocation::Damper) => "at the damper clamp",
                    Some(StrainLocation::End) => "at the span-end clamp",
                    None => "at every gauge",
                };
                format!(
                    "clamp strain {place} at most {limit_pp_um_m} um/m peak-to-peak \
                     ({} um/m zero-to-peak)",
                    limit_pp_um_m / 2.0
                )
            }
        }
    }
}

#[cfg(test)]
mod tests;
