//! `points.csv`: the settled points as a table for a spreadsheet.

use std::collections::BTreeSet;

use crate::reduction::fields::{Cell, PointValue};
use crate::reduction::{Gauge, Measured, PointRow};

/// All keys of all points, a row a point, the columns in the order of
/// `points.jsonl`. A key that holds one value a strain gauge becomes one
/// column a gauge, `strain_pp_um_m.damper`; reasons are joined by `"; "`;
/// what is absent is empty.
pub fn points_csv<P: PointRow>(points: &[P]) -> Result<Vec<u8>, csv::Error> {
    let rows: Vec<Vec<Cell>> = points.iter().map(PointRow::cells).collect();
    // Which gauges occur is known only when all points have been seen.
    let gauges: BTreeSet<&Gauge> = rows.iter().flatten().flat_map(gauges_of).collect();
    let mut csv = csv::Writer::from_writer(Vec::new());
    if let Some(first) = rows.first() {
        csv.write_record(first.iter().flat_map(|cell| header(cell, &gauges)))?;
    }
    for row in &rows {
        let record = row.iter().map(|cell| entries(cell, &gauges));
        csv.write_record(record.collect::<Result<Vec<_>, _>>()?.concat())?;
    }
    csv.into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

fn gauges_of<'a>(cell: &Cell<'a>) -> impl Iterator<Item = &'a Gauge> + use<'a> {
    let strains = match cell.value {
        PointValue::Gauges(strains) => Some(strains),
        _ => None,
    };
    strains.into_iter().flat_map(|strains| strains.keys())
}

fn header(cell: &Cell, gauges: &BTreeSet<&Gauge>) -> Vec<String> {
    let keys = std::iter::once(cell.field.key).chain(cell.field.u_key);
    match cell.value {
        PointValue::Gauges(_) => keys
            .flat_map(|key| gauges.iter().map(move |gauge| format!("{key}.{gauge}")))
            .collect(),
        _ => keys.map(str::to_owned).collect(),
    }
}

fn entries(cell: &Cell, gauges: &BTreeSet<&Gauge>) -> Result<Vec<String>, csv::Error> {
    Ok(match &cell.value {
        PointValue::Measured(measured) => vec![
            number(measured.map(|m| m.value))?,
            number(measured.and_then(Measured::stated_u))?,
        ],
        PointValue::Gauges(strains) => {
            let of = |part: fn(&Measured) -> Option<f64>| {
                gauges
                    .iter()
                    .map(move |gauge| number(strains.get(gauge).and_then(part)))
            };
            of(|m| Some(m.value))
                .chain(of(|m| m.stated_u()))
                .collect::<Result<_, _>>()?
        }
        PointValue::Number(value) => vec![number(*value)?],
        PointValue::Count(count) => vec![count.map_or_else(String::new, |n| n.to_string())],
        PointValue::Words(words) => {
            vec![words.as_deref().unwrap_or_default().to_owned()]
        }
    })
}

/// The digits that `points.jsonl` has.
fn number(value: Option<f64>) -> Result<String, csv::Error> {
    let text = serde_json::to_string(&value.filter(|value| value.is_finite()))
        .map_err(|error| csv::Error::from(std::io::Error::from(error)))?;
    Ok(if text == "null" { String::new() } else { text })
}
