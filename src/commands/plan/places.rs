//! `spanhold plan SETUP --at HZ` and `--sheet FILE`: where the sensors belong.

use std::fmt::Write as _;
use std::path::Path;

use anyhow::{Context as _, anyhow};

use super::Args;
use crate::commands::{Failure, Status, terminal};
use crate::plan::{KnownSpan, Plan, ReadFrequency, SensorPlaces};
use crate::report::number::{fixed, plain};
use crate::report::place_sheet::PlaceSheet;
use crate::report::text_table::wrap;
use crate::setup::Setup;

/// A frequency as it is written: 23.41 says that it was read to 0.01 Hz.
pub(super) fn read_frequency(text: &str) -> Result<ReadFrequency, String> {
    let wrong = || format!("\"{text}\" is no frequency in Hz above 0 such as 23.41");
    let is_plain = text.chars().all(|c| c.is_ascii_digit() || c == '.');
    let hz: f64 = text.parse().map_err(|_| wrong())?;
    if !(is_plain && hz.is_finite() && hz > 0.0) {
        return Err(wrong());
    }
    let decimals = text
        .split_once('.')
        .map_or(0, |(_, decimals)| decimals.len().min(12));
    let last_digit = (0..decimals).fold(1.0, |step: f64, _| 0.1 * step);
    Ok(ReadFrequency {
        hz,
        u_hz: 0.5 * last_digit,
    })
}

/// Runs it.
pub(super) fn run(
    args: &Args,
    setup: &Setup,
    known: &KnownSpan,
    plan: &Plan,
) -> Result<Status, Failure> {
    if let Some(file) = &args.sheet {
        let sheet = PlaceSheet::new(setup, known, plan, args.step_hz, args.efficiency_pct);
        write_sheet(&sheet, file)?;
    }
    let Some(frequency) = args.at else {
        return Ok(Status::Done);
    };
    let span_hz = setup.sweep.high_hz;
    if frequency.hz > 4.0 * span_hz {
        return Err(anyhow!(
            "--at {}: far above the sweep, which ends at {span_hz} Hz",
            frequency.hz
        )
        .into());
    }
    let places = known.places(setup, frequency, args.efficiency_pct);
    let text = if args.json {
        serde_json::to_string_pretty(&places).context("the places as JSON")? + "\n"
    } else {
        table(setup, &places, terminal::width())
    };
    crate::commands::print(&text)?;
    if !args.json {
        for note in &places.notes {
            terminal::say(format_args!("note: {note}"));
        }
    }
    Ok(Status::Done)
}

fn write_sheet(sheet: &PlaceSheet, file: &Path) -> Result<(), Failure> {
    let is_page = file
        .extension()
        .is_some_and(|extension| extension.eq_ignore_ascii_case("html"));
    let text = if is_page { sheet.page() } else { sheet.text() };
    std::fs::write(file, text).with_context(|| format!("{}: cannot be written", file.display()))?;
    terminal::say(format_args!("To print: {}", file.display()));
    Ok(())
}

fn table(setup: &Setup, found: &SensorPlaces, width: usize) -> String {
    let mut out = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        out,
        "{}\nat {} Hz, read to ± {} Hz; loop {:.3} m",
        setup.test.title,
        found.frequency_hz,
        plain(found.frequency_u_hz, 3),
        found.loop_length_m
    );
    out += &wrap(&format!("by {}", found.basis), width, "", "  ");
    out.push_str(
        "\nmm from the clamp; ± is expanded, k = 2. Nodes are counted from the damper (1 is the \
         first\nthat is clear of it) and from the drive-end clamp\n\n\
         node    from drive end         antinode    from damper end        antinode\n\
         \x20              node      ±                           node      ±\n",
    );
    for place in &found.places {
        let mm = |value: f64| fixed(value, 0);
        let _ = writeln!(
            out,
            "{:>2} ({:>3}) {:>9} {:>6} {:>16} {:>13} {:>6} {:>15}",
            place.node_from_damper,
            place.node_from_drive,
            mm(place.node_from_drive_end_mm),
            mm(place.from_drive_end_u_mm),
            mm(place.antinode_from_drive_end_mm),
            mm(place.node_from_damper_end_mm),
            mm(place.from_damper_end_u_mm),
            mm(place.antinode_from_damper_end_mm),
        );
    }
    if let Some(travel) = found.node_travel_mm_per_hz {
        let _ = writeln!(
            out,
            "\nthe first node moves by {} mm from the drive end for 0.1 Hz more",
            fixed(0.1 * travel, 0)
        );
    }
    let mut causes: Vec<_> = found.causes.iter().filter(|c| c.node_u_mm >= 0.5).collect();
    causes.sort_by(|a, b| b.node_u_mm.total_cmp(&a.node_u_mm));
    let causes: Vec<String> = causes
        .iter()
        .map(|cause| format!("{} {} mm", cause.cause, fixed(cause.node_u_mm, 0)))
        .collect();
    if !causes.is_empty() {
        let text = format!("its uncertainty: {}", causes.join(", "));
        out += &wrap(&text, width, "", "  ");
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_digits_of_a_frequency_say_how_well_it_was_read() {
        for (text, hz, u_hz) in [
            ("23", 23.0, 0.5),
            ("23.4", 23.4, 0.05),
            ("9.250", 9.25, 0.0005),
        ] {
            let read = read_frequency(text).unwrap();
            assert!((read.hz - hz).abs() < 1e-12 && (read.u_hz - u_hz).abs() < 1e-9);
        }
        for text in ["", "0", "-3", "1e3", "nan", "inf", "23,4", "."] {
            assert!(read_frequency(text).is_err(), "{text:?}");
        }
    }
}
