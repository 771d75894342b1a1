//! What is strung: `[test]`, `[conductor]`, `[span]`, `[sweep]`, `[amplitude]`.
//!
//! A key is added here in four places that stand together: the list of keys,
//! the raw field, its reading, its building.

use super::field::Field;
use super::limits::Limits;
use super::table::Need::{Optional, Required};
use super::table::Table;
use crate::setup::model::{Amplitude, Conductor, Span, Sweep, Test};
use crate::setup::words::LevelRule;

pub(in crate::setup) struct RawTest {
    pub(in crate::setup) title: Field<String>,
    pub(in crate::setup) damper: Field<String>,
    pub(in crate::setup) operator: Field<String>,
}

impl RawTest {
    pub(super) const KEYS: &[&str] = &["title", "damper", "operator"];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        Self {
            title: table.text("title", Required, "a title for the run"),
            damper: table.text("damper", Optional, "the name of the damper"),
            operator: table.text("operator", Optional, "a name"),
        }
    }

    pub(super) fn build(self) -> Option<Test> {
        Some(Test {
            title: self.title.required()?,
            damper: self.damper.optional()?,
            operator: self.operator.optional()?,
        })
    }
}

pub(in crate::setup) struct RawConductor {
    pub(in crate::setup) designation: Field<String>,
    pub(in crate::setup) diameter_mm: Field<f64>,
    pub(in crate::setup) mass_kg_per_m: Field<f64>,
    pub(in crate::setup) mass_uncertainty_pct: Field<f64>,
    pub(in crate::setup) rated_strength_kn: Field<f64>,
    pub(in crate::setup) bending_stiffness_n_m2: Field<f64>,
    pub(in crate::setup) bending_stiffness_uncertainty_pct: Field<f64>,
    outer_wire_diameter_mm: Field<f64>,
    least_bending_stiffness_n_m2: Field<f64>,
}

impl RawConductor {
    pub(super) const KEYS: &[&str] = &[
        "designation",
        "diameter_mm",
        "mass_kg_per_m",
        "mass_uncertainty_pct",
        "rated_strength_kn",
        "bending_stiffness_n_m2",
        "bending_stiffness_uncertainty_pct",
        "outer_wire_diameter_mm",
        "least_bending_stiffness_n_m2",
    ];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let share = Limits::percentage("an uncertainty (k = 2)");
        let diameter_mm = table.number(
            "diameter_mm",
            Required,
            &Limits::above_zero("a diameter", "mm"),
        );
        let bending_stiffness_n_m2 = table.number(
            "bending_stiffness_n_m2",
            Optional,
            &Limits::above_zero("a bending stiffness", "N m2"),
        );
        let mut wire = Limits::above_zero("a wire diameter", "mm");
        if let Some(whole) = diameter_mm.value() {
            wire = wire.up_to(*whole, &format!("the conductor's {whole} mm"));
        }
        let mut least = Limits::above_zero("a bending stiffness", "N m2");
        if let Some(stiffness) = bending_stiffness_n_m2.value() {
            least = least.up_to(*stiffness, &format!("bending_stiffness_n_m2 = {stiffness}"));
        }
        Self {
            designation: table.text("designation", Required, "the name of the conductor"),
            outer_wire_diameter_mm: table.number("outer_wire_diameter_mm", Optional, &wire),
            least_bending_stiffness_n_m2: table.number(
                "least_bending_stiffness_n_m2",
                Optional,
                &least,
            ),
            mass_kg_per_m: table.number(
                "mass_kg_per_m",
                Required,
                &Limits::above_zero("a mass per length", "kg/m"),
            ),
            mass_uncertainty_pct: table.number("mass_uncertainty_pct", Optional, &share),
            rated_strength_kn: table.number(
                "rated_strength_kn",
                Optional,
                &Limits::above_zero("a rated strength", "kN"),
            ),
            bending_stiffness_uncertainty_pct: table.number(
                "bending_stiffness_uncertainty_pct",
                Optional,
                &share,
            ),
            diameter_mm,
            bending_stiffness_n_m2,
        }
    }

    pub(super) fn build(self) -> Option<Conductor> {
        Some(Conductor {
            designation: self.designation.required()?,
            diameter_mm: self.diameter_mm.required()?,
            mass_kg_per_m: self.mass_kg_per_m.required()?,
            mass_uncertainty_pct: self
                .mass_uncertainty_pct
                .or(Conductor::DEFAULT_MASS_UNCERTAINTY_PCT)?,
            rated_strength_kn: self.rated_strength_kn.optional()?,
            bending_stiffness_n_m2: self.bending_stiffness_n_m2.optional()?,
            bending_stiffness_uncertainty_pct: self
                .bending_stiffness_uncertainty_pct
                .or(Conductor::DEFAULT_STIFFNESS_UNCERTAINTY_PCT)?,
            outer_wire_diameter_mm: self.outer_wire_diameter_mm.optional()?,
            least_bending_stiffness_n_m2: self.least_bending_stiffness_n_m2.optional()?,
        })
    }
}

pub(in crate::setup) struct RawSpan {
    pub(in crate::setup) length_m: Field<f64>,
    pub(in crate::setup) length_uncertainty_mm: Field<f64>,
    pub(in crate::setup) tension_kn: Field<f64>,
    pub(in crate::setup) tension_uncertainty_pct: Field<f64>,
    pub(in crate::setup) damper_position_m: Field<f64>,
    pub(in crate::setup) drive_position_m: Field<f64>,
}

impl RawSpan {
    pub(super) const KEYS: &[&str] = &[
        "length_m",
        "length_uncertainty_mm",
        "tension_kn",
        "tension_uncertainty_pct",
        "damper_position_m",
        "drive_position_m",
    ];

    pub(super) fn read(table: &mut Table<'_>, conductor: &RawConductor) -> Self {
        let length_m = table.number("length_m", Required, &Limits::above_zero("a length", "m"));
        let place = inside_span("a distance from the clamp", &length_m);
        let mut tension = Limits::above_zero("a tension", "kN");
        if let Some(rated) = conductor.rated_strength_kn.value() {
            tension = tension.and_below(*rated, &format!("the rated strength of {rated} kN"));
        }
        Self {
            length_uncertainty_mm: table.number(
                "length_uncertainty_mm",
                Optional,
                &Limits::not_negative("an uncertainty (k = 2)", "mm"),
            ),
            tension_kn: table.number("tension_kn", Required, &tension),
            tension_uncertainty_pct: table.number(
                "tension_uncertainty_pct",
                Optional,
                &Limits::percentage("an uncertainty (k = 2)"),
            ),
            damper_position_m: table.number("damper_position_m", Optional, &place),
            drive_position_m: table.number("drive_position_m", Optional, &place),
            length_m,
        }
    }

    pub(super) fn build(self) -> Option<Span> {
        Some(Span {
            length_m: self.length_m.required()?,
            length_uncertainty_mm: self
                .length_uncertainty_mm
                .or(Span::DEFAULT_LENGTH_UNCERTAINTY_MM)?,
            tension_kn: self.tension_kn.required()?,
            tension_uncertainty_pct: self
                .tension_uncertainty_pct
                .or(Span::DEFAULT_TENSION_UNCERTAINTY_PCT)?,
            damper_position_m: self.damper_position_m.optional()?,
            drive_position_m: self.drive_position_m.optional()?,
        })
    }
}

/// A place on the free span, as far as its length is known.
pub(super) fn inside_span(what: &str, length_m: &Field<f64>) -> Limits {
    let limits = Limits::above_zero(what, "m");
    match length_m.value() {
        Some(length) => limits.and_below(*length, &format!("the span length of {length} m")),
        None => limits,
    }
}

pub(in crate::setup) struct RawSweep {
    pub(in crate::setup) low_hz: Field<f64>,
    pub(in crate::setup) high_hz: Field<f64>,
}

impl RawSweep {
    pub(super) const KEYS: &[&str] = &["low_hz", "high_hz"];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let frequency = Limits::above_zero("a frequency", "Hz");
        Self {
            low_hz: table.number("low_hz", Optional, &frequency),
            high_hz: table.number("high_hz", Optional, &frequency),
        }
    }

    /// The sweep with its defaults, as far as it is known.
    pub(in crate::setup) fn effective(&self, conductor: &RawConductor) -> Option<Sweep> {
        let aeolian = conductor.diameter_mm.value().map(|d| Sweep::aeolian(*d));
        let end = |field: &Field<f64>, default: Option<f64>| match field.value() {
            Some(frequency) => Some(*frequency),
            None if field.is_absent() => default,
            None => None,
        };
        Some(Sweep {
            low_hz: end(&self.low_hz, aeolian.map(|s| s.low_hz))?,
            high_hz: end(&self.high_hz, aeolian.map(|s| s.high_hz))?,
        })
    }
}

pub(in crate::setup) struct RawAmplitude {
    pub(in crate::setup) rule: Field<LevelRule>,
    pub(in crate::setup) value: Field<f64>,
    pub(in crate::setup) tolerance_pct: Field<f64>,
}

impl RawAmplitude {
    pub(super) const KEYS: &[&str] = &["rule", "value", "tolerance_pct"];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let rule: Field<LevelRule> = table.word("rule", Required);
        let unit = rule.value().map_or("", |rule| rule.unit());
        Self {
            value: table.number("value", Required, &Limits::above_zero("a level", unit)),
            tolerance_pct: table.number(
                "tolerance_pct",
                Optional,
                &Limits::above_zero("a tolerance", "%").up_to(100.0, "100 %"),
            ),
            rule,
        }
    }

    pub(super) fn build(self) -> Option<Amplitude> {
        Some(Amplitude {
            rule: self.rule.required()?,
            value: self.value.required()?,
            tolerance_pct: self.tolerance_pct.or(Amplitude::DEFAULT_TOLERANCE_PCT)?,
        })
    }
}
