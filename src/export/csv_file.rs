//! A table as CSV (RFC 4180), the unit of each column behind its name in the heading.

use super::table::{Column, Table, Values};

/// Between the elements of a list in one cell.
const BETWEEN: &str = "; ";

/// The table with a heading such as `antinode_velocity_mm_s [mm/s peak]`; what is absent is
/// empty, the elements of a list stand in one cell, `"; "` between them.
///
/// # Errors
/// Where a row cannot be written.
pub fn csv(table: &Table) -> Result<Vec<u8>, csv::Error> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record(table.columns.iter().map(heading))?;
    let rows = table
        .columns
        .first()
        .map_or(0, |column| column.values.len());
    for row in 0..rows {
        let cells = table.columns.iter().map(|column| cell(&column.values, row));
        csv.write_record(
            cells
                .collect::<serde_json::Result<Vec<_>>>()
                .map_err(std::io::Error::from)?,
        )?;
    }
    csv.into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}

fn heading(column: &Column) -> String {
    if column.unit.is_empty() {
        column.name.clone()
    } else {
        format!("{} [{}]", column.name, column.unit)
    }
}

fn cell(values: &Values, row: usize) -> serde_json::Result<String> {
    let text = |value: Option<&Option<String>>| value.cloned().flatten().unwrap_or_default();
    Ok(match values {
        Values::Numbers(values) => number(values.get(row))?,
        Values::Counts(values) => {
            let count = values.get(row).copied().flatten();
            count.map_or_else(String::new, |count| count.to_string())
        }
        Values::Words(values) => text(values.get(row)),
        Values::NumberLists(lists) => {
            let list = lists.get(row).map(Vec::as_slice).unwrap_or_default();
            let numbers = list.iter().map(|value| number(Some(value)));
            numbers
                .collect::<serde_json::Result<Vec<_>>>()?
                .join(BETWEEN)
        }
        Values::WordLists(lists) => {
            let list = lists.get(row).map(Vec::as_slice).unwrap_or_default();
            list.iter()
                .map(|value| text(Some(value)))
                .collect::<Vec<_>>()
                .join(BETWEEN)
        }
    })
}

/// The digits that `points.jsonl` has.
fn number(value: Option<&Option<f64>>) -> serde_json::Result<String> {
    match value {
        Some(Some(value)) => serde_json::to_string(value),
        _ => Ok(String::new()),
    }
}
