//! Runs against each other as one self-contained HTML page to print.
//!
//! In: a [`RunComparison`]. Out: the page. Touches nothing.

use maud::{Markup, html};

use super::audit::figures::Picture;
use super::axis::Axis;
use super::figure::{Figure, Look};
use super::html::{page, row, table};
use super::number::{ABSENT, fixed, measured, significant};
use super::point_table::marked;
use crate::evaluation::comparison::{ComparedQuantity, HarmonicDifference, HarmonicPrecision};
use crate::evaluation::run_comparison::{AgainstReference, RunComparison};
use crate::reduction::Measured;

/// What every reader of a comparison has to know.
pub const LEGEND: &str = "± is the expanded uncertainty (k = 2). Runs with one label are repeats; without repeats there \
     is no repeatability. Whether runs may be compared, and what a difference means, is for the \
     responsible engineer.";

/// The page.
pub fn comparison_page(comparison: &RunComparison) -> String {
    let title = format!("Comparison: {}", name(comparison.quantity));
    let body = html! {
        header { "\n"
            p class="kicker" { "Runs against each other, resonance by resonance" } "\n"
            h1 { (title) } "\n"
            p { "Reference: " (comparison.reference) "." } "\n"
            @for left_out in &comparison.exclusions {
                p class="warning" {
                    "Left out: " (left_out.run) ": " (left_out.exclusion.sentence()) "."
                } "\n"
            }
            @for warning in &comparison.warnings { p class="warning" { (warning) "." } "\n" }
        } "\n"
        @for run in &comparison.runs { (against(comparison, run)) }
        (precision(comparison))
        p class="note" { (LEGEND) } "\n"
    };
    page(&title, body)
}

/// What is compared, in words.
fn name(quantity: ComparedQuantity) -> &'static str {
    match quantity {
        ComparedQuantity::Efficiency => "efficiency 100 S",
        ComparedQuantity::PowerTotal => "total power",
        ComparedQuantity::PowerDamper => "damper power",
        ComparedQuantity::Frequency => "frequency of the resonances",
    }
}

fn against(comparison: &RunComparison, run: &AgainstReference) -> Markup {
    let label = (run.label != run.run).then_some(run.label.as_str());
    html! {
        section class="case" { "\n"
            h2 { (run.run) @if let Some(label) = label { " (" (label) ")" } " against the reference" } "\n"
            @if !run.statements.is_empty() {
                ul { "\n" @for statement in &run.statements { li { (statement) "." } "\n" } } "\n"
            }
            @if run.differences.is_empty() {
                p { "No harmonic of the reference has a partner in this run." } "\n"
            } @else {
                div class="grid large" { "\n"
                    (values(comparison, run).markup())
                    (agreement(run).markup())
                } "\n"
                (differences(comparison.unit, &run.differences))
            }
            p class="note" {
                (run.differences.len()) " harmonics compared, " (run.without_partner)
                " of the reference without partner, " (run.disagreeing)
                " with |E_n| above 1 (ISO/IEC 17043): beyond their joint uncertainty."
            } "\n"
        } "\n"
    }
}

/// Half the length of an uncertainty bar; none where none is stated.
fn bar(value: Measured) -> f64 {
    value.stated_u().unwrap_or(f64::INFINITY)
}

/// The quantity of both runs over frequency.
fn values(comparison: &RunComparison, run: &AgainstReference) -> Picture {
    let rows = &run.differences;
    let ends = rows.iter().flat_map(|row| {
        [row.reference, row.value].map(|v| v.value + v.stated_u().unwrap_or_default())
    });
    let label = format!("{} ({})", name(comparison.quantity), comparison.unit);
    let y = if comparison.quantity == ComparedQuantity::Frequency {
        Axis::over(&label, ends)
    } else {
        Axis::from_zero(&label, ends)
    };
    let reference = rows.iter().map(|row| {
        (
            row.reference_frequency_hz,
            row.reference.value,
            bar(row.reference),
        )
    });
    let other = rows
        .iter()
        .map(|row| (row.frequency_hz, row.value.value, bar(row.value)));
    let figure = Figure::new(
        &format!("{} of both runs over frequency", name(comparison.quantity)),
        frequency_axis(rows),
        y,
    )
    .height(150.0)
    .errors(Look::Hold, reference.collect())
    .errors(Look::Second, other.collect())
    .key(Look::Hold, "reference")
    .key(Look::Second, "this run");
    Picture {
        title: "Both runs".to_owned(),
        caption: "Bars: expanded uncertainty, k = 2, with what both runs share.".to_owned(),
        figure,
    }
}

/// E_n over frequency.
fn agreement(run: &AgainstReference) -> Picture {
    let of = |within: bool| -> Vec<(f64, f64)> {
        let rows = run.differences.iter();
        let numbers = rows.filter_map(|row| Some((row.frequency_hz, row.e_n?)));
        numbers
            .filter(|(_, e_n)| (e_n.abs() <= 1.0) == within)
            .collect()
    };
    let (within, beyond) = (of(true), of(false));
    let largest = beyond.iter().map(|point| point.1.abs()).fold(1.2, f64::max);
    let mut figure = Figure::new(
        "E_n of each harmonic over frequency",
        frequency_axis(&run.differences),
        Axis::new("E_n", -1.08 * largest, 1.08 * largest),
    )
    .height(150.0)
    .rule_y(Look::Limit, 1.0)
    .rule_y(Look::Limit, -1.0)
    .points(Look::Pass, within)
    .key(Look::Pass, "agree");
    if !beyond.is_empty() {
        figure = figure.points(Look::Fail, beyond).key(Look::Fail, "apart");
    }
    Picture {
        title: "Do they agree?".to_owned(),
        caption: "Difference over its expanded uncertainty, without what both runs share. Dashed: \
                  ±1, beyond which the two disagree (ISO/IEC 17043)."
            .to_owned(),
        figure,
    }
}

fn frequency_axis(rows: &[HarmonicDifference]) -> Axis {
    Axis::over(
        "frequency (Hz)",
        rows.iter()
            .flat_map(|row| [row.reference_frequency_hz, row.frequency_hz]),
    )
}

fn number(value: Option<f64>, decimals: i32) -> String {
    value.map_or_else(|| ABSENT.to_owned(), |value| fixed(value, decimals))
}

fn harmonic(harmonic: Option<u32>) -> String {
    harmonic.map_or_else(|| ABSENT.to_owned(), |n| n.to_string())
}

fn differences(unit: &str, rows: &[HarmonicDifference]) -> Markup {
    let levels = rows.iter().any(|row| row.at_other_level);
    let [reference, value, difference] =
        ["Reference", "This run", "Difference"].map(|name| format!("{name}, {unit}"));
    let mut titles = vec![
        "Harmonic",
        "Reference at, Hz",
        "This run at, Hz",
        &reference,
        &value,
        &difference,
        "E_n",
    ];
    if levels {
        titles.push("Level, of the reference's");
    }
    let cells = |of: &HarmonicDifference| {
        let mut cells = vec![
            harmonic(of.harmonic),
            fixed(of.reference_frequency_hz, 3),
            fixed(of.frequency_hz, 3),
            measured(Some(of.reference)),
            measured(Some(of.value)),
            marked(measured(Some(of.difference)), of.uncertainty_incomplete),
            number(of.e_n, 2),
        ];
        if levels {
            let other = of.level_ratio.filter(|_| of.at_other_level);
            cells.push(number(other, 2));
        }
        cells
    };
    table(&titles, html! { @for of in rows { (row(&cells(of))) } })
}

fn precision(comparison: &RunComparison) -> Markup {
    let unit = comparison.unit;
    let [mean, within, between, over_all, of_means] =
        ["Mean", "s_r", "s_L", "s_R", "s of means"].map(|name| format!("{name}, {unit}"));
    let titles = [
        "Harmonic",
        "Frequency, Hz",
        "Labels",
        "Results",
        &mean,
        &within,
        &between,
        &over_all,
        &of_means,
    ];
    let deviation =
        |value: Option<f64>| value.map_or_else(|| ABSENT.to_owned(), |value| significant(value, 2));
    let cells = |of: &HarmonicPrecision| {
        let precision = &of.precision;
        [
            harmonic(of.harmonic),
            fixed(of.frequency_hz, 3),
            precision.laboratories.to_string(),
            precision.results.to_string(),
            significant(precision.mean, 4),
            deviation(precision.repeatability),
            deviation(precision.between),
            deviation(precision.reproducibility),
            deviation(precision.of_means),
        ]
    };
    html! {
        h2 { "Over all runs" } "\n"
        p class="note" {
            "Standard deviations by harmonic of the reference (ISO 5725-2): s_r of repeats under one \
             label, s_L between labels, s_R of both together."
        } "\n"
        (table(&titles, html! { @for of in &comparison.precision { (row(&cells(of))) } }))
    }
}
