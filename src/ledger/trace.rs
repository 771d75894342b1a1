//! `trace.csv`: one row a hop.

use std::io::Write;

use crate::analysis::TraceRow;

/// Begins a table of the trace, or goes on with one.
pub(super) fn writer<W: Write>(out: W, goes_on: bool) -> csv::Writer<W> {
    csv::WriterBuilder::new()
        .has_headers(!goes_on)
        .from_writer(out)
}

/// The whole table, as the log has it.
///
/// # Errors
/// Where a row cannot be written.
pub fn trace_csv(rows: &[TraceRow]) -> Result<Vec<u8>, csv::Error> {
    let mut csv = writer(Vec::new(), false);
    for row in rows {
        csv.serialize(row)?;
    }
    csv.into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}
