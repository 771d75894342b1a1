//! The settled points, and the dwells that do not count.

use std::collections::{BTreeMap, BTreeSet};

use maud::{Markup, html};

use crate::reduction::SettledPoint;
use crate::report::html::{row, table};
use crate::report::number::{ABSENT, by_uncertainty, duration, fixed, with_uncertainty};
use crate::resonance::phasor::fold_half_turn_deg;
use crate::setup::Verdict;

/// A column: its heading, and what it says of a point.
struct Column {
    title: String,
    cell: Box<dyn Fn(&SettledPoint) -> String>,
}

fn column(title: &str, cell: impl Fn(&SettledPoint) -> String + 'static) -> Column {
    Column {
        title: title.to_owned(),
        cell: Box::new(cell),
    }
}

/// Value and expanded uncertainty, two fields of a point.
fn measured(
    title: &str,
    fields: impl Fn(&SettledPoint) -> (Option<f64>, Option<f64>) + 'static,
) -> Column {
    column(title, move |point| {
        let (value, uncertainty) = fields(point);
        with_uncertainty(value, uncertainty)
    })
}

fn motion() -> Vec<Column> {
    vec![
        column("Point", |p| p.point.to_string()),
        column("Verdict", |p| verdict(p).to_owned()),
        column("Harmonic", |p| {
            p.harmonic
                .map_or_else(|| ABSENT.to_owned(), |harmonic| harmonic.to_string())
        }),
        measured("Frequency, Hz", |p| (p.frequency_hz, p.frequency_u_hz)),
        measured("Antinode velocity, mm/s peak", |p| {
            (p.antinode_velocity_mm_s, p.antinode_velocity_u_mm_s)
        }),
        measured("Node velocity, mm/s peak", |p| {
            (p.node_velocity_mm_s, p.node_velocity_u_mm_s)
        }),
        measured("Antinode amplitude, mm pp", |p| {
            (p.antinode_amplitude_mm_pp, p.antinode_amplitude_u_mm_pp)
        }),
        measured("Efficiency 100 S, %", |p| {
            (p.efficiency_pct, p.efficiency_u_pct)
        }),
        measured("Drive phase, deg", |p| {
            (
                p.drive_phase_deg.map(fold_half_turn_deg),
                p.drive_phase_u_deg,
            )
        }),
        column("Off target level, %", |p| {
            p.target_deviation_pct
                .map_or_else(|| ABSENT.to_owned(), |pct| fixed(pct, 1))
        }),
    ]
}

/// What of the bare span's power was taken off each point, W, with its expanded
/// uncertainty.
pub(super) type TakenOff = BTreeMap<u64, (Option<f64>, Option<f64>)>;

fn power_and_strain(points: &[&SettledPoint], taken_off: TakenOff) -> Vec<Column> {
    let mut columns = vec![
        column("Point", |p| p.point.to_string()),
        column("Frequency, Hz", |p| {
            by_uncertainty(p.frequency_hz, p.frequency_u_hz)
        }),
        measured("Total power, W", |p| (p.power_total_w, p.power_total_u_w)),
        measured("Total with stiffness, W", |p| {
            (p.power_total_stiffness_w, p.power_total_stiffness_u_w)
        }),
        measured("Bare span, W", |p| (p.power_bare_w, p.power_bare_u_w)),
        measured("Taken off, W", move |p| {
            taken_off.get(&p.point).copied().unwrap_or_default()
        }),
        measured("Damper, W", |p| (p.power_damper_w, p.power_damper_u_w)),
        measured("From force, W", |p| (p.power_force_w, p.power_force_u_w)),
    ];
    let gauges: BTreeSet<&String> = points
        .iter()
        .flat_map(|point| point.strain_pp_um_m.keys())
        .collect();
    for gauge in gauges {
        let key = gauge.clone();
        columns.push(measured(&format!("Strain {gauge}, µm/m pp"), move |p| {
            (
                p.strain_pp_um_m.get(&key).copied(),
                p.strain_pp_u_um_m.get(&key).copied(),
            )
        }));
    }
    columns
}

fn verdict(point: &SettledPoint) -> &'static str {
    match point.verdict {
        Verdict::Held => "held",
        Verdict::Steady => "steady",
        Verdict::Rejected => "rejected",
    }
}

pub(super) fn settled(points: &[&SettledPoint], taken_off: TakenOff) -> Markup {
    if points.is_empty() {
        return html! { h2 { "Settled points" } "\n" p { "No dwell counts as settled." } "\n" };
    }
    let explain_taken_off = !taken_off.is_empty();
    html! {
        h2 { "Settled points" } "\n"
        p class="note" {
            "Value ± expanded uncertainty, k = 2. Held: steady and shown to be at resonance. \
             Steady: resonance neither shown nor excluded."
        } "\n"
        h3 { "Motion" } "\n"
        (of_points(motion(), points))
        h3 { "Power and strain" } "\n"
        @if explain_taken_off {
            p class="note" {
                "Taken off: what of the bare span's losses remains with the damper on. \
                 Damper: total less that."
            } "\n"
        }
        (of_points(power_and_strain(points, taken_off), points))
        @if points.iter().all(|point| point.power_damper_w.is_none()) {
            p class="note" {
                "The losses of the bare span are not taken off here: " code { "spanhold reduce" }
                " does so with the run of the bare span."
            } "\n"
        }
        (remarks(points))
    }
}

/// What is to be said of points, each sentence once with all it is said of.
fn remarks(points: &[&SettledPoint]) -> Markup {
    let mut said: Vec<(&str, Vec<String>)> = Vec::new();
    for point in points {
        for reason in &point.reasons {
            let number = point.point.to_string();
            match said.iter_mut().find(|(known, _)| *known == reason.as_str()) {
                Some((_, of)) => of.push(number),
                None => said.push((reason, vec![number])),
            }
        }
    }
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

/// A table of the columns in which any point has something to say.
fn of_points(columns: Vec<Column>, points: &[&SettledPoint]) -> Markup {
    let columns: Vec<Column> = columns
        .into_iter()
        .filter(|column| points.iter().any(|point| (column.cell)(point) != ABSENT))
        .collect();
    let titles: Vec<&str> = columns.iter().map(|column| column.title.as_str()).collect();
    let cells = |point: &SettledPoint| -> Vec<String> {
        columns.iter().map(|column| (column.cell)(point)).collect()
    };
    table(
        &titles,
        html! { @for point in points { (row(&cells(point))) } },
    )
}

pub(super) fn rejected(rejected: &[&SettledPoint]) -> Markup {
    let rows = html! {
        @for point in rejected {
            tr {
                th scope="row" { (point.point) }
                td { (fixed(point.start_s, 1)) }
                td { (duration(point.end_s - point.start_s)) }
                td { (by_uncertainty(point.frequency_hz, point.frequency_u_hz)) }
                td class="words" {
                    @for (place, reason) in point.reasons.iter().enumerate() {
                        @if place > 0 { br; }
                        (reason)
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
            (table(&["Point", "From, s", "Length", "Frequency, Hz", "Reasons"], rows))
        }
    }
}
