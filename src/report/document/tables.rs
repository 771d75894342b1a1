//! The settled points, and the dwells that do not count.

use maud::{Markup, html};

use crate::evaluation::reduced_point::ReducedPoint;
use crate::ledger::Run;
use crate::reduction::fields::ReportTable;
use crate::report::budget_table;
use crate::report::html::{row, table};
use crate::report::number::{ABSENT, by_uncertainty, duration, fixed};
use crate::report::point_table::{
    PointColumn, UncertaintyTold, incomplete_notes, point_columns, said_once,
};

/// Keys that stand in front of the other tables too, so that a point is found
/// in them.
const IN_EVERY_TABLE: [&str; 2] = ["point", "frequency_hz"];

pub(super) fn settled(points: &[&ReducedPoint]) -> Markup {
    if points.is_empty() {
        return html! { h2 { "Settled points" } "\n" p { "No dwell counts as settled." } "\n" };
    }
    let reduced = points
        .iter()
        .any(|point| point.point.power_damper_w.is_some());
    html! {
        h2 { "Settled points" } "\n"
        p class="note" {
            "Value ± expanded uncertainty, k = 2. Held: steady and shown to be at resonance. \
             Steady: resonance neither shown nor excluded."
        } "\n"
        @for note in incomplete_notes(points.iter().map(|point| &point.point)) {
            p class="warning" { (note) } "\n"
        }
        h3 { "Motion" } "\n"
        (of_points(ReportTable::Motion, points))
        h3 { "Power" } "\n"
        @if reduced {
            p class="note" {
                "Damper: total less bare span, the standard's plain difference. Damper, corrected: total, \
                 with stiffness where EI is given, less what is taken off, which is what of the bare \
                 span's losses remains with the damper on."
            } "\n"
        }
        (of_points(ReportTable::Power, points))
        @if !reduced {
            p class="note" {
                "The losses of the bare span are not taken off here: " code { "spanhold reduce" }
                " does so with the run of the bare span."
            } "\n"
        }
        @if points.iter().any(|point| !point.point.strain_pp_um_m.is_empty()) {
            h3 { "Strain" } "\n"
            (of_points(ReportTable::Strain, points))
        }
        @if points.iter().any(|point| point.point.wave_condition.is_some()) {
            h3 { "Fixed sensors" } "\n"
            p class="note" {
                "Condition: how well their places tell the two waves apart, 1 is best. Left over: what two waves \
                 do not explain of their motion. From the peak: by the place of the nodes against the drive-end \
                 clamp, in half-power bandwidths (df)."
                @if points.iter().any(|point| point.point.wave_difference_pct.is_some()) {
                    " Against the pair: their ratio less that of the pair that was moved, with the joint uncertainty."
                }
            } "\n"
            (of_points(ReportTable::FixedSensors, points))
        }
        (remarks(points))
    }
}

/// What is to be said of points, each sentence once with all it is said of.
fn remarks(points: &[&ReducedPoint]) -> Markup {
    let said = said_once(points.iter().map(|point| &point.point));
    html! {
        @if !said.is_empty() {
            h3 { "Remarks" } "\n"
            ul { "\n"
                @for (reason, of) in said {
                    li {
                        @if of.len() == 1 { "Point " } @else { "Points " }
                        (of.join(", ")) ": " (reason)
                    } "\n"
                }
            } "\n"
        }
    }
}

/// A table of the keys in which any point has something to say.
fn of_points(which: ReportTable, points: &[&ReducedPoint]) -> Markup {
    let columns: Vec<PointColumn> = point_columns(points, |field| {
        if field.shown.report.is_some_and(|(table, _)| table == which) {
            Some(UncertaintyTold::Written)
        } else {
            IN_EVERY_TABLE
                .contains(&field.key)
                .then_some(UncertaintyTold::ByDigits)
        }
    })
    .into_iter()
    .filter(|column| column.cells.iter().any(Option::is_some))
    .collect();
    let titles: Vec<String> = columns.iter().map(title).collect();
    let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
    let cells = |at: usize| -> Vec<String> {
        let cell = |column: &PointColumn| column.cells.get(at).cloned().flatten();
        columns
            .iter()
            .map(|column| cell(column).unwrap_or_else(|| ABSENT.to_owned()))
            .collect()
    };
    table(
        &titles,
        html! { @for at in 0..points.len() { (row(&cells(at))) } },
    )
}

/// What heads a column: name and unit.
fn title(column: &PointColumn) -> String {
    let shown = column.field.shown;
    let name = column.heading(shown.report.map_or(column.field.key, |(_, name)| name));
    if shown.unit.is_empty() {
        name
    } else {
        format!("{name}, {}", shown.unit)
    }
}

/// The uncertainty budget of the point whose ratio is the least certain of
/// all; without a ratio of the first.
pub(super) fn budget(points: &[&ReducedPoint], run: &Run) -> Markup {
    let share = |point: &ReducedPoint| {
        let ratio = point.point.iswr?;
        Some(ratio.stated_u()? / ratio.value.abs())
    };
    let chosen = points
        .iter()
        .filter_map(|point| Some((point, share(point)?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(point, _)| point)
        .or_else(|| points.first());
    let budget = chosen.and_then(|point| {
        let lines = &run.evidence_of(point.point.point)?.uncertainty_budget;
        (!lines.is_empty()).then_some((point.point.point, lines))
    });
    let titles = budget_table::headings();
    let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
    html! {
        @if let Some((number, lines)) = budget {
            h2 { "Uncertainty budget of point " (number) } "\n"
            p class="note" {
                "Of all points its ratio is the least certain, as a share; "
                code { "spanhold audit RUN --point N" } " has that of any other. "
                (budget_table::CAPTION)
            } "\n"
            (table(&titles, html! { @for cells in budget_table::rows(lines) { (row(&cells)) } }))
        }
    }
}

pub(super) fn rejected(rejected: &[&ReducedPoint]) -> Markup {
    let rows = html! {
        @for point in rejected.iter().map(|point| &point.point) {
            tr {
                th scope="row" { (point.point) }
                td { (fixed(point.start_s, 1)) }
                td { (duration(point.end_s - point.start_s)) }
                td { (by_uncertainty(point.frequency_hz)) }
                td class="words" {
                    (point.reasons.first().map_or(ABSENT, String::as_str))
                    @match point.reasons.len() {
                        0 | 1 => {},
                        2 => { "; one more reason is in the audit" },
                        more => { "; " (more - 1) " more reasons are in the audit" },
                    }
                }
            } "\n"
        }
    };
    html! {
        h2 { "Dwells that do not count" } "\n"
        @if rejected.is_empty() {
            p { "None." } "\n"
        } @else {
            (table(&["Point", "From, s", "Length", "Frequency, Hz", "Reason"], rows))
        }
    }
}
