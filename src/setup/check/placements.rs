//! Checks of `[[place]]`: each says when it holds and what stood where, and no
//! two hold at once.

use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    for placement in &raw.placements {
        when(placement, log);
        if placement.is_absent("node_position_m") && placement.is_absent("antinode_position_m") {
            log.fault(
                &placement.header(),
                "says no place",
                "node_position_m, antinode_position_m or both",
            );
        }
    }
    once(&raw.placements, log);
}

/// Either a file or a range of frequencies.
fn when(placement: &Fields, log: &mut Log) {
    let (file, low, high) = (
        placement.has("file"),
        placement.has("low_hz"),
        placement.has("high_hz"),
    );
    let right = "either file, or low_hz and high_hz";
    if file && (low || high) {
        log.fault(&placement.place("file"), "stands beside a range", right);
    } else if !(file || low && high) {
        log.fault(&placement.header(), "does not say when it holds", right);
    }
    if let (Some(low), Some(high)) = (placement.number("low_hz"), placement.number("high_hz"))
        && low > high
    {
        log.fault(
            &placement.place("high_hz"),
            format!("{high} is below low_hz = {low}"),
            "a range from low to high",
        );
    }
}

fn once(placements: &[Fields], log: &mut Log) {
    let range = |p: &Fields| Some((p.number("low_hz")?, p.number("high_hz")?));
    for (nth, later) in placements.iter().enumerate() {
        for earlier in placements.iter().take(nth) {
            let same_file =
                later.text("file").is_some() && later.text("file") == earlier.text("file");
            let overlap = range(later)
                .zip(range(earlier))
                .is_some_and(|(a, b)| a.0 <= b.1 && b.0 <= a.1);
            if same_file || overlap {
                let line = log.line(earlier.header().offset);
                let key = if same_file { "file" } else { "low_hz" };
                log.fault(
                    &later.place(key),
                    format!("holds at the same time as the place at line {line}"),
                    "one place at a time",
                );
            }
        }
    }
}
