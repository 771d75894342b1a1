//! Points as columns of a table for people, by the table of their keys.
//!
//! In: points, and which keys are asked for. Out: one column a key, one a gauge
//! where the key has a value a gauge, each with a cell a point.

use std::collections::BTreeSet;

use super::number::{by_uncertainty, fixed, measured};
use crate::reduction::fields::{Cell, PointField, PointValue};
use crate::reduction::{Gauge, PointRow, SettledPoint};
use crate::resonance::phasor::fold_half_turn_deg;

/// One column.
#[derive(Debug, Clone, PartialEq)]
pub struct PointColumn {
    /// The key.
    pub field: &'static PointField,
    /// Which gauge's value it is, where the key has one a gauge.
    pub gauge: Option<Gauge>,
    /// Whether the cells are words, not numbers.
    pub words: bool,
    /// A cell a point; `None` where the point has nothing there.
    pub cells: Vec<Option<String>>,
}

impl PointColumn {
    /// A heading with the gauge in it, if it is one gauge's.
    pub fn heading(&self, name: &str) -> String {
        match &self.gauge {
            Some(gauge) => format!("{name} {gauge}"),
            None => name.to_owned(),
        }
    }
}

/// How the uncertainty of a value is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum UncertaintyTold {
    /// It stands behind the value, after ±.
    Written,
    /// Only by the digits that it leaves the value.
    ByDigits,
}

/// The columns of the keys that `wanted` asks for, in the order in which people
/// read them.
pub fn point_columns<P: PointRow>(
    points: &[&P],
    wanted: impl Fn(&PointField) -> Option<UncertaintyTold>,
) -> Vec<PointColumn> {
    let rows: Vec<Vec<Cell>> = points.iter().map(|point| point.cells()).collect();
    let fields: Vec<&'static PointField> = rows
        .first()
        .map(|row| row.iter().map(|cell| cell.field).collect())
        .unwrap_or_default();
    let settled: Vec<&SettledPoint> = points.iter().map(|point| point.settled()).collect();
    let mut columns = Vec::new();
    for at in reading_order(&fields) {
        let Some(&field) = fields.get(at) else {
            continue;
        };
        let Some(told) = wanted(field) else {
            continue;
        };
        let values: Vec<&PointValue> = rows
            .iter()
            .filter_map(|row| Some(&row.get(at)?.value))
            .collect();
        let gauges: BTreeSet<&Gauge> = values.iter().flat_map(|value| gauges_of(value)).collect();
        let column = |gauge: Option<&Gauge>| PointColumn {
            field,
            gauge: gauge.cloned(),
            words: values
                .iter()
                .any(|value| matches!(value, PointValue::Words(_))),
            cells: values
                .iter()
                .zip(&settled)
                .map(|(value, point)| {
                    let text = cell(field, told, value, gauge)?;
                    Some(marked(text, point.lacking(field.key, gauge).is_some()))
                })
                .collect(),
        };
        if values
            .iter()
            .any(|value| matches!(value, PointValue::Gauges(_)))
        {
            columns.extend(gauges.into_iter().map(|gauge| column(Some(gauge))));
        } else {
            columns.push(column(None));
        }
    }
    columns
}

/// Stands behind a value whose uncertainty is incomplete.
const INCOMPLETE: &str = "*";

/// A value as text, with the mark of an incomplete uncertainty where it has one.
pub fn marked(text: String, is_incomplete: bool) -> String {
    if is_incomplete {
        text + INCOMPLETE
    } else {
        text
    }
}

/// What the mark means at these points, a line for all that lack the same;
/// none where every uncertainty is complete.
pub fn incomplete_notes<'a>(points: impl Iterator<Item = &'a SettledPoint>) -> Vec<String> {
    let mut lacking: Vec<String> = points
        .filter(|point| !point.uncertainty_incomplete_keys.is_empty())
        .map(|point| point.uncertainty_incomplete.join("; "))
        .collect();
    lacking.sort_unstable();
    lacking.dedup();
    lacking
        .into_iter()
        .map(|what| format!("{INCOMPLETE} The uncertainty is incomplete, and too small: {what}."))
        .collect()
}

/// Each reason of some points once, with the numbers of the points it holds
/// for.
pub fn said_once<'a>(
    points: impl Iterator<Item = &'a SettledPoint>,
) -> Vec<(&'a str, Vec<String>)> {
    let mut said: Vec<(&str, Vec<String>)> = Vec::new();
    for point in points {
        for reason in &point.reasons {
            match said.iter_mut().find(|(known, _)| known == reason) {
                Some((_, numbers)) => numbers.push(point.point.to_string()),
                None => said.push((reason, vec![point.point.to_string()])),
            }
        }
    }
    said
}

/// The places of the fields, those that ask for it moved behind another one.
fn reading_order(fields: &[&PointField]) -> Vec<usize> {
    let mut order: Vec<usize> = Vec::new();
    for (at, field) in fields.iter().enumerate() {
        let before = field.shown.after.and_then(|key| {
            order
                .iter()
                .position(|&placed| fields.get(placed).is_some_and(|other| other.key == key))
        });
        match before {
            Some(before) => order.insert(before + 1, at),
            None => order.push(at),
        }
    }
    order
}

fn gauges_of<'a>(value: &PointValue<'a>) -> impl Iterator<Item = &'a Gauge> + use<'a> {
    match value {
        PointValue::Gauges(strains) => Some(strains.keys()),
        _ => None,
    }
    .into_iter()
    .flatten()
}

fn cell(
    field: &PointField,
    told: UncertaintyTold,
    value: &PointValue,
    gauge: Option<&Gauge>,
) -> Option<String> {
    let found = match value {
        PointValue::Measured(found) => *found,
        PointValue::Gauges(strains) => gauge.and_then(|gauge| strains.get(gauge).copied()),
        PointValue::Number(number) => {
            return number.map(|number| fixed(number, field.shown.decimals));
        }
        PointValue::Count(count) => return count.map(|count| count.to_string()),
        PointValue::Words(words) => return words.as_deref().map(str::to_owned),
    };
    found.map(|mut found| {
        if field.shown.within_half_turn {
            found.value = fold_half_turn_deg(found.value);
        }
        match told {
            UncertaintyTold::Written => measured(Some(found)),
            UncertaintyTold::ByDigits => by_uncertainty(Some(found)),
        }
    })
}
