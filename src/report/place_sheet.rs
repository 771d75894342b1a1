//! A sheet to take to the span: where the sensors belong, over frequency.
//!
//! In: a [`Setup`] and what is known of its span. Out: text, or a page to print,
//! with a row for every step of frequency. Touches nothing.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::axis::Axis;
use super::figure::{Figure, Look};
use super::html::{facts_list, page, table};
use super::number::fixed;
use crate::plan::{CountedPlaces, KnownSpan, ReadFrequency, SensorPlaces};
use crate::setup::Setup;

/// Rows a sheet has at most.
const MOST_ROWS: usize = 2000;
/// Rows a sheet has where nobody asks for a step: ten pages.
const USUAL_ROWS: f64 = 400.0;

/// The places over frequency.
#[derive(Debug, Clone)]
pub struct PlaceSheet {
    title: String,
    facts: Vec<(&'static str, String)>,
    rows: Vec<SensorPlaces>,
    step_hz: f64,
}

impl PlaceSheet {
    /// Over the sweep of a setup, in steps of `step_hz`; `None`: a step with few
    /// digits that makes some hundred rows.
    pub fn new(
        setup: &Setup,
        known: &KnownSpan,
        step_hz: Option<f64>,
        efficiency_pct: Option<f64>,
    ) -> Self {
        let (low_hz, high_hz) = (setup.sweep.low_hz, setup.sweep.high_hz);
        let step_hz = step_hz
            .unwrap_or_else(|| round_step((high_hz - low_hz) / USUAL_ROWS))
            .max((high_hz - low_hz) / MOST_ROWS as f64);
        let first = (low_hz / step_hz).ceil();
        let rows: Vec<SensorPlaces> = (0..MOST_ROWS)
            .map(|row| (first + row as f64) * step_hz)
            .take_while(|hz| *hz <= high_hz)
            .map(|hz| {
                let exactly = ReadFrequency { hz, u_hz: 0.0 };
                known.places(setup, exactly, efficiency_pct)
            })
            .collect();
        let damper = setup.span.damper_position_m.map_or_else(
            || "none: bare span".to_owned(),
            |place_m| format!("{place_m} m from the damper-end clamp"),
        );
        let basis = rows
            .first()
            .map_or_else(String::new, |row| row.basis.clone());
        Self {
            title: format!("Sensor places: {}", setup.test.title),
            facts: vec![
                (
                    "Span",
                    format!(
                        "{}, {} m between the clamps",
                        setup.conductor.designation, setup.span.length_m
                    ),
                ),
                ("Damper", damper),
                ("By", basis),
                (
                    "Holds",
                    "at a frequency at which the span resonates, and at no other: the node is \
                     counted from the drive-end clamp"
                        .to_owned(),
                ),
                (
                    "Between two rows",
                    "the node moves in proportion, as long as its number from the drive end is the \
                     same"
                        .to_owned(),
                ),
            ],
            rows,
            step_hz,
        }
    }

    /// Rows with a place.
    fn placed(&self) -> impl Iterator<Item = (&SensorPlaces, &CountedPlaces)> {
        self.rows
            .iter()
            .filter_map(|row| Some((row, row.places.first()?)))
    }

    fn decimals(&self) -> i32 {
        if self.step_hz >= 0.1 { 1 } else { 3 }
    }

    /// As plain text.
    pub fn text(&self) -> String {
        let mut out = format!("{}\n", self.title);
        for (name, value) in &self.facts {
            // Writing to a String cannot fail.
            let _ = writeln!(out, "{name}: {value}");
        }
        out.push_str(
            "\nmm from the clamp; ± is expanded, k = 2, of the places from the drive end\n\n   \
             f, Hz   n   node, drive end  antinode, drive end      ±   node, damper end  mm per 0.1 Hz\n",
        );
        for (row, place) in self.placed() {
            let travel = row.node_travel_mm_per_hz.unwrap_or_default();
            let _ = writeln!(
                out,
                "{:>8}  {:>2}  {:>16}  {:>19}  {:>5}  {:>17}  {:>13}",
                fixed(row.frequency_hz, self.decimals()),
                place.node_from_drive,
                fixed(place.node_from_drive_end_mm, 0),
                fixed(place.antinode_from_drive_end_mm, 0),
                fixed(place.from_drive_end_u_mm, 0),
                fixed(place.node_from_damper_end_mm, 0),
                fixed(0.1 * travel, 0),
            );
        }
        out
    }

    /// As a page to print.
    pub fn page(&self) -> String {
        let rows = html! {
            @for (row, place) in self.placed() {
                tr {
                    th scope="row" { (fixed(row.frequency_hz, self.decimals())) }
                    td { (place.node_from_drive) }
                    td { (fixed(place.node_from_drive_end_mm, 0)) }
                    td { (fixed(place.antinode_from_drive_end_mm, 0)) }
                    td { "± " (fixed(place.from_drive_end_u_mm, 0)) }
                    td { (fixed(place.node_from_damper_end_mm, 0)) }
                    td { (fixed(place.antinode_from_damper_end_mm, 0)) }
                    td { (fixed(0.1 * row.node_travel_mm_per_hz.unwrap_or_default(), 0)) }
                } "\n"
            }
        };
        let titles = [
            "Frequency, Hz",
            "Node, counted from the drive end",
            "Node from the drive-end clamp, mm",
            "Antinode from the drive-end clamp, mm",
            "k = 2, mm",
            "Node from the damper-end clamp, mm",
            "Antinode from the damper-end clamp, mm",
            "Node moves, per 0.1 Hz, mm",
        ];
        page(
            &self.title,
            html! {
                h1 { (self.title) } "\n"
                (facts_list(&self.facts))
                (self.figure())
                (table(&titles, rows))
            },
        )
    }

    /// Node and antinode over frequency; a line breaks where the next node is
    /// read.
    fn figure(&self) -> Markup {
        let broken = |of: fn(&CountedPlaces) -> f64| {
            let mut points = Vec::new();
            let mut before = None;
            for (row, place) in self.placed() {
                if before.is_some_and(|before| before != place.node_from_drive) {
                    points.push((row.frequency_hz, f64::NAN));
                }
                before = Some(place.node_from_drive);
                points.push((row.frequency_hz, 1e-3 * of(place)));
            }
            points
        };
        let nodes = broken(|place| place.node_from_drive_end_mm);
        let antinodes = broken(|place| place.antinode_from_drive_end_mm);
        let all = || nodes.iter().chain(&antinodes);
        let finite = |value: &f64| value.is_finite();
        let x = Axis::over("frequency, Hz", all().map(|point| point.0));
        let y = Axis::over(
            "from the drive-end clamp, m",
            all().map(|point| point.1).filter(finite),
        );
        Figure::new("Node and antinode over frequency", x, y)
            .large()
            .line(Look::Hold, nodes.clone())
            .line(Look::Second, antinodes.clone())
            .key(Look::Hold, "node")
            .key(Look::Second, "antinode")
            .svg()
    }
}

/// 1, 2 or 5 times a power of ten, not below `least`.
fn round_step(least: f64) -> f64 {
    let steps = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0];
    steps.into_iter().find(|step| *step >= least).unwrap_or(1.0)
}
