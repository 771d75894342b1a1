//! `spanhold plan SETUP --place-sensors N` and `--sensors-at M,M,…`: where sensors that
//! nobody moves belong, and what they will know.

use std::fmt::Write as _;
use std::time::Duration;

use anyhow::{Context as _, anyhow};
use indicatif::ProgressBar;

use super::Args;
use crate::commands::{Failure, Status, terminal};
use crate::plan::KnownSpan;
use crate::plan::fixed_places::{
    FixedPlaces, HarmonicReading, PlaceRange, RATIOS, best_places, given_places,
};
use crate::report::text_table::{TextTable, wrap};
use crate::setup::Setup;

/// `30:34` → a stretch.
pub(super) fn stretch(text: &str) -> Result<PlaceRange, String> {
    let number = |text: &str| text.trim().parse::<f64>().ok().filter(|m| m.is_finite());
    let ends = text.split_once(':');
    let ends = ends.and_then(|(from, to)| number(from).zip(number(to)));
    match ends {
        Some((from_m, to_m)) if from_m < to_m => Ok(PlaceRange { from_m, to_m }),
        _ => Err(format!(
            "\"{text}\" is no stretch; two places in m from the drive-end clamp, such as 30:34.2, are \
             right"
        )),
    }
}

/// Runs it.
pub(super) fn run(args: &Args, setup: &Setup, known: &KnownSpan) -> Result<Status, Failure> {
    let found = match (&args.sensors_at, args.place_sensors) {
        (Some(given), _) => given_places(setup, known, given),
        (None, Some(count)) => {
            // Hidden where standard error is no terminal.
            let bar = ProgressBar::new_spinner();
            bar.set_message("trying places over the whole sweep");
            bar.enable_steady_tick(Duration::from_millis(120));
            let found = best_places(setup, known, count, &args.between);
            bar.finish_and_clear();
            found
        }
        (None, None) => return Ok(Status::Done),
    };
    let found = found.map_err(|error| anyhow!("{error}"))?;
    let text = if args.json {
        serde_json::to_string_pretty(&found).context("the places as JSON")? + "\n"
    } else {
        table(setup, &found, terminal::width())
    };
    crate::commands::print(&text)?;
    Ok(Status::Done)
}

fn table(setup: &Setup, found: &FixedPlaces, width: usize) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(out, "{}", setup.test.title);
    let length_m = setup.span.length_m;
    out.push_str("fixed sensors, m from the drive-end clamp (from the damper-end clamp):\n");
    for place_m in &found.places_m {
        let _ = writeln!(out, "  {place_m:.2}  ({:.2})", length_m - place_m);
    }
    out += &wrap(&format!("wave number by {}", found.basis), width, "", "  ");
    let largest = |u: Option<f64>| u.map_or_else(|| "none".to_owned(), |u| format!("{u:.1} %"));
    let [low, high] = found.iswr_u_pct.map(largest);
    let summary = format!(
        "they tell the two waves apart at {:.1} % of the frequencies from {:.1} to {:.1} Hz; there the \
         ratio is known to {low} or better at S = {}, to {high} at S = {} (k = 2)",
        100.0 * found.usable,
        setup.sweep.low_hz,
        setup.sweep.high_hz,
        RATIOS[0],
        RATIOS[1],
    );
    out += &wrap(&summary, width, "", "  ");
    out += &wrap(
        "worst of each harmonic's band, half the spacing to either side: that far a damper may move it",
        width,
        "",
        "  ",
    );
    out.push('\n');
    let number = |value: Option<f64>| value.map_or_else(|| "-".to_owned(), |u| format!("{u:.1}"));
    out += &TextTable::new(&found.harmonics)
        .numbers("n", "", 0, |h: &HarmonicReading| h.harmonic.to_string())
        .numbers("f", "Hz", 0, |h| format!("{:.2}", h.frequency_hz))
        .numbers("usable", "% of band", 0, |h| {
            format!("{:.0}", 100.0 * h.usable)
        })
        .numbers("condition", "", 1, |h| format!("{:.1}", h.condition))
        .numbers("ratio ±", "% at S = 0.1", 0, |h| number(h.iswr_u_pct[0]))
        .numbers("ratio ±", "% at S = 0.3", 0, |h| number(h.iswr_u_pct[1]))
        .text(width);
    out
}
