//! Checks of `[report]` and `[[instrument]]`: dates are dates.

use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};
use crate::setup::table::DATE;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    is_date(&raw.report, "date", log);
    for instrument in &raw.instruments {
        is_date(instrument, "calibration_due", log);
    }
}

fn is_date(section: &Fields, key: &str, log: &mut Log) {
    if let Some(text) = section.text(key)
        && text.parse::<jiff::civil::Date>().is_err()
    {
        log.fault(&section.place(key), format!("\"{text}\" is no date"), DATE);
    }
}
