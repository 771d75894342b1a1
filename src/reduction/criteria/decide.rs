//! One value against one limit under a named decision rule.
//!
//! In: value, expanded uncertainty, limit. Out: pass, fail or inconclusive. Pure.

use serde::{Deserialize, Serialize};

/// How uncertainty enters a decision (ISO/IEC 17025:2017, 7.8.6; the rules are
/// those of ILAC-G8:09/2019).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DecisionRule {
    /// The measured value alone decides; a value on the limit is up to 50 %
    /// likely to be wrongly accepted.
    #[default]
    SimpleAcceptance,
    /// The limit is moved by the expanded uncertainty (k = 2), on both sides:
    /// pass and fail are each less than 2.5 % likely to be wrong, and what
    /// lies between is inconclusive.
    GuardBand,
}

impl DecisionRule {
    /// The rule in words, for every place where a verdict is shown.
    pub fn statement(self) -> &'static str {
        match self {
            Self::SimpleAcceptance => {
                "simple acceptance (ILAC-G8:09/2019): the measured value decides, its uncertainty \
                 is not taken into account"
            }
            Self::GuardBand => {
                "guard band of the expanded uncertainty, k = 2 (ILAC-G8:09/2019): pass or fail \
                 only where the value is beyond the limit by more than its uncertainty"
            }
        }
    }
}

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
