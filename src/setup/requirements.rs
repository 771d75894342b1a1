//! What a run is held against, as the setup file declares it. How a run is
//! judged by it is the matter of [`crate::evaluation::criteria`].
//!
//! Required values come from the licensed text of the standard in force and
//! the responsible engineer, never from this program.

use serde::de::Error;
use serde::{Deserialize, Deserializer, Serialize};

use super::level::Amplitude;
use super::role::StrainLocation;
use super::words::LevelRule;
use crate::span::wind::WindFunction;

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

/// Which of the damper's powers a criterion holds against its requirement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum PowerForm {
    /// The plain difference of the powers with damper and without (IEEE 664).
    #[default]
    Standard,
    /// With bending stiffness where it is known, and only what of the bare
    /// span's losses remains with the damper on.
    Corrected,
}

impl PowerForm {
    /// The form in words, for every place where a verdict is shown.
    pub fn statement(self) -> &'static str {
        match self {
            Self::Standard => "standard damper power, the plain difference of total and bare power",
            Self::Corrected => "corrected damper power, of retained losses and bending stiffness",
        }
    }
}

/// One `[[criteria]]` of the setup file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Criterion {
    /// What is required.
    #[serde(flatten)]
    pub requirement: Requirement,
    /// How measurement uncertainty enters the decision.
    pub decision_rule: DecisionRule,
    /// The level of the points that it is judged by.
    pub level: CriterionLevel,
}

/// The level of the points that a criterion is judged by.
#[derive(Debug, Clone, Copy, PartialEq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CriterionLevel {
    /// That of `[amplitude]`; without that section any level.
    #[default]
    Setup,
    /// Any level.
    Any,
    /// A level of its own.
    #[serde(untagged)]
    Own(Amplitude),
}

impl CriterionLevel {
    /// The words of the setup file.
    pub(super) fn words() -> Vec<&'static str> {
        vec!["setup", "any"]
    }
}

/// What a criterion requires.
#[derive(Debug, Clone, PartialEq, Deserialize)]
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
        #[serde(deserialize_with = "wind_by_id")]
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
        /// Which damper power is held against the wind's.
        power: PowerForm,
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
    /// The level of the points that the criterion is judged by; `None`: any. A
    /// wind power criterion that takes the wind's power at a velocity states
    /// its level by it.
    pub fn level(&self, of_setup: Option<Amplitude>) -> Option<Amplitude> {
        if let Requirement::WindPower {
            antinode_velocity_mm_s: Some(value),
            tolerance_pct,
            ..
        } = self.requirement
        {
            return Some(Amplitude {
                rule: LevelRule::ConstantVelocity,
                value,
                tolerance_pct,
            });
        }
        match self.level {
            CriterionLevel::Setup => of_setup,
            CriterionLevel::Any => None,
            CriterionLevel::Own(level) => Some(level),
        }
    }

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
                power,
                ..
            } => {
                let level = antinode_velocity_mm_s.map_or_else(
                    || "at each point's own amplitude".to_owned(),
                    |v| format!("at {v} mm/s peak"),
                );
                format!(
                    "power of {dampers} damper(s) at least the wind power on {span_length_m} m \
                     {level}, by {}; {}",
                    wind.label(),
                    power.statement()
                )
            }
            Requirement::StrainLimit {
                limit_pp_um_m,
                location,
            } => {
                let place = location.map_or_else(
                    || "at every gauge".to_owned(),
                    |location| format!("at the {}", location.clamp()),
                );
                format!(
                    "clamp strain {place} at most {limit_pp_um_m} um/m peak-to-peak \
                     ({} um/m zero-to-peak)",
                    limit_pp_um_m / 2.0
                )
            }
        }
    }
}

/// The wind power function by its id, which the table of keys has checked.
fn wind_by_id<'de, D: Deserializer<'de>>(from: D) -> Result<&'static WindFunction, D::Error> {
    let id = String::deserialize(from)?;
    WindFunction::by_id(&id).ok_or_else(|| D::Error::custom("no such wind power function"))
}
