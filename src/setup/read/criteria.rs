//! What the run is held against: `[[criteria]]`.

use super::Field;
use super::limits::Limits;
use super::table::Need::{Optional, Required};
use super::table::Table;
use crate::setup::Criterion;
use crate::setup::DecisionRule;
use crate::setup::Requirement;
use crate::setup::role::StrainLocation;
use crate::span::wind::{FUNCTIONS, WindFunction};
use serde::Deserialize;

/// The word at `kind`; what belongs to it stands in keys of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(in crate::setup) enum KindWord {
    EfficiencyCurve,
    WindPower,
    StrainLimit,
}

impl KindWord {
    /// The word of the setup file.
    pub(in crate::setup) fn name(self) -> &'static str {
        match self {
            Self::EfficiencyCurve => "efficiency-curve",
            Self::WindPower => "wind-power",
            Self::StrainLimit => "strain-limit",
        }
    }
}

pub(in crate::setup) struct RawCriterion {
    pub(in crate::setup) kind: Field<KindWord>,
    decision_rule: Field<DecisionRule>,
    pub(in crate::setup) curve: Field<String>,
    pub(in crate::setup) wind: Field<&'static WindFunction>,
    pub(in crate::setup) span_length_m: Field<f64>,
    pub(in crate::setup) dampers: Field<u32>,
    pub(in crate::setup) antinode_velocity_mm_s: Field<f64>,
    pub(in crate::setup) tolerance_pct: Field<f64>,
    pub(in crate::setup) limit_pp_um_m: Field<f64>,
    pub(in crate::setup) location: Field<StrainLocation>,
}

impl RawCriterion {
    pub(super) const KEYS: &[&str] = &[
        "kind",
        "decision_rule",
        "curve",
        "wind",
        "span_length_m",
        "dampers",
        "antinode_velocity_mm_s",
        "tolerance_pct",
        "limit_pp_um_m",
        "location",
    ];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let kind: Field<KindWord> = table.word("kind", Required);
        let for_kind = |wanted: KindWord| match kind.value() {
            Some(given) if *given == wanted => Required,
            _ => Optional,
        };
        let for_wind = for_kind(KindWord::WindPower);
        let winds: Vec<&str> = FUNCTIONS.iter().map(|function| function.id).collect();
        Self {
            decision_rule: table.word("decision_rule", Optional),
            curve: table.text(
                "curve",
                for_kind(KindWord::EfficiencyCurve),
                "the path of the curve's CSV file, seen from the setup file",
            ),
            wind: table.named("wind", for_wind, &winds, WindFunction::by_id),
            span_length_m: table.number(
                "span_length_m",
                for_wind,
                &Limits::above_zero("the length of a line span", "m"),
            ),
            dampers: table.whole("dampers", Optional, (1, 100), "a number of dampers"),
            antinode_velocity_mm_s: table.number(
                "antinode_velocity_mm_s",
                Optional,
                &Limits::above_zero("an antinode velocity", "mm/s peak"),
            ),
            tolerance_pct: table.number(
                "tolerance_pct",
                Optional,
                &Limits::above_zero("a tolerance", "%").up_to(100.0, "100 %"),
            ),
            limit_pp_um_m: table.number(
                "limit_pp_um_m",
                for_kind(KindWord::StrainLimit),
                &Limits::above_zero("a strain", "um/m peak-to-peak"),
            ),
            location: table.word("location", Optional),
            kind,
        }
    }

    pub(super) fn build(self) -> Option<Criterion> {
        let requirement = match self.kind.required()? {
            KindWord::EfficiencyCurve => Requirement::EfficiencyCurve {
                curve: self.curve.required()?,
            },
            KindWord::WindPower => Requirement::WindPower {
                wind: self.wind.required()?,
                span_length_m: self.span_length_m.required()?,
                dampers: self.dampers.or(Criterion::DEFAULT_DAMPERS)?,
                antinode_velocity_mm_s: self.antinode_velocity_mm_s.optional()?,
                tolerance_pct: self.tolerance_pct.or(Criterion::DEFAULT_TOLERANCE_PCT)?,
            },
            KindWord::StrainLimit => Requirement::StrainLimit {
                limit_pp_um_m: self.limit_pp_um_m.required()?,
                location: self.location.optional()?,
            },
        };
        Some(Criterion {
            requirement,
            decision_rule: self.decision_rule.or(DecisionRule::default())?,
        })
    }
}
