//! What a report states besides results: who tested what for whom, by which
//! method and with which instruments.
//!
//! In: the setup. Out: facts for the head of the report, a table of
//! instruments.

use maud::{Markup, html};

use super::signoff::Fact;
use crate::report::html::table;
use crate::report::number::plain;
use crate::setup::{Instrument, ReportParticulars};

/// Who tested for whom, when and by which method.
pub(super) fn heading(report: &ReportParticulars) -> Vec<Fact> {
    let with_address = |name: &Option<String>, address: &Option<String>| {
        let words: Vec<&str> = [name, address]
            .into_iter()
            .flatten()
            .map(|s| &**s)
            .collect();
        (!words.is_empty()).then(|| words.join(", "))
    };
    let facts = [
        (
            "Laboratory",
            with_address(&report.laboratory, &report.laboratory_address),
        ),
        (
            "Client",
            with_address(&report.client, &report.client_address),
        ),
        ("Report number", report.number.clone()),
        ("Date of the test", report.date.map(|date| date.to_string())),
        ("Method", report.standard.clone()),
        ("Deviations", report.deviations.clone()),
    ];
    given(facts)
}

/// What is stated of the sample beside its name, and where it was tested.
pub(super) fn of_the_sample(report: &ReportParticulars) -> Vec<Fact> {
    let with_unit = |value: Option<f64>, unit| value.map(|v| format!("{} {unit}", plain(v, 4)));
    given([
        ("Serial number", report.damper_serial.clone()),
        (
            "Torque at its clamp",
            with_unit(report.damper_torque_n_m, "N m"),
        ),
        ("Temperature", with_unit(report.temperature_c, "°C")),
    ])
}

fn given<const N: usize>(facts: [(&'static str, Option<String>); N]) -> Vec<Fact> {
    facts
        .into_iter()
        .filter_map(|(name, value)| Some((name, value?)))
        .collect()
}

/// The instruments used; nothing where none is stated.
pub(super) fn instruments(instruments: &[Instrument]) -> Markup {
    let rows = html! {
        @for instrument in instruments {
            tr {
                th scope="row" { (instrument.name) }
                td class="words" { (instrument.serial) }
                td {
                    @match instrument.calibration_due {
                        Some(due) => (due.to_string()),
                        None => "not stated",
                    }
                }
            } "\n"
        }
    };
    html! {
        @if !instruments.is_empty() {
            h2 { "Instruments" } "\n"
            (table(&["Instrument", "Serial number", "Calibration due"], rows))
        }
    }
}
