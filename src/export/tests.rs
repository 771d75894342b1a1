use super::*;
use crate::analysis::TraceRow;
use crate::ledger::trace_csv;

#[test]
fn the_table_of_the_trace_has_every_column_of_the_csv() {
    let csv = String::from_utf8(trace_csv(&[TraceRow::default()]).unwrap()).unwrap();
    let names: Vec<String> = trace_table(&[], "a")
        .columns
        .iter()
        .map(|c| c.name.clone())
        .collect();
    assert_eq!(
        format!("run,{}", csv.lines().next().unwrap()),
        names.join(",")
    );
}
