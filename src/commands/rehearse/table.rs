//! The truth of every dwell, a line each.

use crate::rehearsal::{DwellTruth, Expectation};
use crate::report::text_table::TextTable;

/// The table, with its heading. All of it is truth to compare with, so no
/// column is left out however narrow the terminal is.
pub fn table(dwells: &[DwellTruth]) -> String {
    TextTable::new(dwells)
        .numbers("dwell", "", 0, |d| d.dwell.to_string())
        .numbers("start", "s", 0, |d| format!("{:.2}", d.start_s))
        .numbers("end", "s", 0, |d| format!("{:.2}", d.end_s))
        .numbers("n", "", 0, |d| d.harmonic.to_string())
        .numbers("f", "Hz", 0, |d| format!("{:.4}", d.frequency_hz))
        .numbers("V_a", "mm/s", 0, |d| {
            format!("{:.2}", d.antinode_velocity_mm_s)
        })
        .numbers("S", "", 0, |d| format!("{:.5}", d.iswr))
        .numbers("P node", "W", 0, |d| format!("{:.4}", d.power_past_node_w))
        .words("to expect", "", 0, expectation)
        .text(usize::MAX)
}

fn expectation(dwell: &DwellTruth) -> String {
    match dwell.expected {
        Expectation::Held => "held".to_owned(),
        Expectation::NotHeld => format!("not held: {}", dwell.why),
        Expectation::Either => format!("borderline: {}", dwell.why),
    }
}
