//! One value against one limit under a named decision rule.
//!
//! In: value, expanded uncertainty, limit. Out: pass, fail or inconclusive. Pure.

use serde::{Deserialize, Serialize};

use crate::setup::DecisionRule;

/// Which side of the limit is right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Demand {
    /// The value must not be below the limit.
    AtLeast,
    /// The value must not be above the limit.
    AtMost,
}

/// What came of a comparison.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// The requirement is met.
    Pass,
    /// The requirement is not met.
    Fail,
    /// Neither can be said.
    Inconclusive,
}

impl Outcome {
    /// As tables and reports say it: what is not met stands out.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "FAIL",
            Self::Inconclusive => "inconclusive",
        }
    }
}

/// Decides one value. `uncertainty` is expanded, k = 2; without it a guard
/// band is inconclusive. A value or limit that is no finite number is
/// inconclusive.
pub fn decide(
    rule: DecisionRule,
    demand: Demand,
    value: f64,
    uncertainty: Option<f64>,
    limit: f64,
) -> Outcome {
    let margin = match demand {
        Demand::AtLeast => value - limit,
        Demand::AtMost => limit - value,
    };
    let guard = match rule {
        DecisionRule::SimpleAcceptance => 0.0,
        DecisionRule::GuardBand => match uncertainty {
            Some(u) if u >= 0.0 => u,
            _ => return Outcome::Inconclusive,
        },
    };
    if margin >= guard {
        Outcome::Pass
    } else if margin < -guard {
        Outcome::Fail
    } else {
        Outcome::Inconclusive
    }
}
