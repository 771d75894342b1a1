//! The truth of every dwell, a line each.

use crate::rehearsal::{DwellTruth, Expectation};

/// The table, with its heading.
pub fn table(dwells: &[DwellTruth]) -> String {
    let heading = format!(
        "{:>5} {:>9} {:>9} {:>4} {:>10} {:>9} {:>8} {:>9}  to expect\n",
        "dwell", "start s", "end s", "n", "f Hz", "V_a mm/s", "S", "P_node W"
    );
    std::iter::once(heading)
        .chain(dwells.iter().map(row))
        .collect()
}

fn row(dwell: &DwellTruth) -> String {
    let expected = match dwell.expected {
        Expectation::Held => "held".to_owned(),
        Expectation::NotHeld => format!("not held: {}", dwell.why),
        Expectation::Either => format!("borderline: {}", dwell.why),
    };
    format!(
        "{:>5} {:>9.2} {:>9.2} {:>4} {:>10.4} {:>9.2} {:>8.5} {:>9.4}  {expected}\n",
        dwell.dwell,
        dwell.start_s,
        dwell.end_s,
        dwell.harmonic,
        dwell.frequency_hz,
        dwell.antinode_velocity_mm_s,
        dwell.iswr,
        dwell.power_past_node_w,
    )
}
