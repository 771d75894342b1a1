//! A sheet to take to the span: the planned harmonics with places, level and times,
//! and where the sensors belong over frequency.
//!
//! In: a [`Setup`], what is known of its span, its plan. Out: text, or a page to
//! print, with a row for every harmonic and for every step of frequency. Touches
//! nothing.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::axis::Axis;
use super::figure::{Figure, Look};
use super::html::{facts_list, page, table};
use super::number::{duration, fixed, significant};
use super::text_table::{TextTable, wrap};
use crate::plan::{CountedPlaces, KnownSpan, Plan, PlannedHarmonic, ReadFrequency, SensorPlaces};
use crate::setup::{Amplitude, Setup};

/// Rows a sheet has at most.
const MOST_ROWS: usize = 2000;
/// Rows a sheet has where nobody asks for a step: ten pages.
const USUAL_ROWS: f64 = 400.0;

/// Width of the text; the table of the places is as wide.
const TEXT_WIDTH: usize = 100;

/// The harmonics of a plan, and the places over frequency.
#[derive(Debug, Clone)]
pub struct PlaceSheet {
    title: String,
    facts: Vec<(&'static str, String)>,
    harmonics: Vec<PlannedHarmonic>,
    is_damped: bool,
    rows: Vec<SensorPlaces>,
    step_hz: f64,
}

impl PlaceSheet {
    /// Over the sweep of a setup, in steps of `step_hz`; `None`: a step with few
    /// digits that makes some hundred rows.
    pub fn new(
        setup: &Setup,
        known: &KnownSpan,
        plan: &Plan,
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
        let level = setup
            .amplitude
            .map_or_else(|| "not stated".to_owned(), Amplitude::statement);
        Self {
            title: format!("Sensor places: {}", setup.test.title),
            harmonics: plan.harmonics.clone(),
            is_damped: setup.span.damper_position_m.is_some(),
            facts: vec![
                (
                    "Span",
                    format!(
                        "{}, {} m between the clamps",
                        setup.conductor.designation, setup.span.length_m
                    ),
                ),
                ("Damper", damper),
                ("By", known.basis().to_owned()),
                ("Level", level),
                (
                    "Time",
                    format!(
                        "{} for {} harmonics, with an efficiency of {} %; without finding the \
                         resonance and going from one to the next",
                        duration(plan.dwells_s),
                        plan.harmonics.len(),
                        plan.assumed.efficiency_pct
                    ),
                ),
                (
                    "The places hold",
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
        let mut harmonics = TextTable::new(&self.harmonics);
        for column in &COLUMNS {
            harmonics = harmonics.numbers(column.short, column.unit, 0, |h| self.cell(column, h));
        }
        out.push('\n');
        // Nothing is left out of what goes to the span.
        out += &harmonics.text(usize::MAX);
        if let Some(note) = self.near_node() {
            out += &wrap(note, TEXT_WIDTH, "", "  ");
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
                    td { "±\u{a0}" (fixed(place.from_drive_end_u_mm, 0)) }
                    td { (fixed(place.node_from_damper_end_mm, 0)) }
                    td { (fixed(place.antinode_from_damper_end_mm, 0)) }
                    td { (fixed(0.1 * row.node_travel_mm_per_hz.unwrap_or_default(), 0)) }
                } "\n"
            }
        };
        let titles = [
            "Resonance found, Hz",
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
                h2 { "The harmonics" } "\n"
                (self.harmonics())
                h2 { "Places where the resonance is found elsewhere" } "\n"
                (self.figure())
                (table(&titles, rows))
            },
        )
    }

    /// A row a harmonic, with room to write down where it was found.
    fn harmonics(&self) -> Markup {
        let title = |column: &Column| match column.unit {
            "" => column.long.to_owned(),
            unit => format!("{}, {unit}", column.long),
        };
        let shown: Vec<&Column> = COLUMNS
            .iter()
            .filter(|column| {
                self.harmonics
                    .iter()
                    .any(|h| !self.cell(column, h).is_empty())
            })
            .collect();
        let titles: Vec<String> = shown
            .iter()
            .map(|column| title(column))
            .chain(["Found at, Hz".to_owned()])
            .collect();
        let titles: Vec<&str> = titles.iter().map(String::as_str).collect();
        let rows = html! {
            @for harmonic in &self.harmonics {
                tr {
                    @for (place, column) in shown.iter().enumerate() {
                        @if place == 0 { th scope="row" { (self.cell(column, harmonic)) } }
                        @else { td { (self.cell(column, harmonic)) } }
                    }
                    td {}
                } "\n"
            }
        };
        html! {
            (table(&titles, rows))
            @if let Some(note) = self.near_node() { p class="note" { (note) } "\n" }
        }
    }

    fn cell(&self, column: &Column, harmonic: &PlannedHarmonic) -> String {
        (column.cell)(harmonic, self.is_damped)
    }

    fn near_node(&self) -> Option<&'static str> {
        let any = self
            .harmonics
            .iter()
            .any(|harmonic| harmonic.drive_near_node);
        any.then_some(
            "* the drive sits near a node of this harmonic; its phase is no evidence there",
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

/// What the sheet says of a harmonic.
struct Column {
    long: &'static str,
    short: &'static str,
    unit: &'static str,
    /// Empty where the setup does not say enough; the second argument is whether a damper
    /// is on.
    cell: fn(&PlannedHarmonic, bool) -> String,
}

fn millimetres(value: Option<f64>) -> String {
    value.map_or_else(String::new, |mm| fixed(mm, 0))
}

/// With a damper on only the drive end tells where a node is; a bare span is the same from
/// both, and is read near the damper's end.
const COLUMNS: [Column; 12] = [
    Column {
        long: "n",
        short: "n",
        unit: "",
        cell: |h, _| format!("{}{}", h.harmonic, if h.drive_near_node { "*" } else { "" }),
    },
    Column {
        long: "Frequency",
        short: "f",
        unit: "Hz",
        cell: |h, _| fixed(h.frequency_hz, 2),
    },
    Column {
        long: "Node from the drive-end clamp",
        short: "node, drive end",
        unit: "mm",
        cell: |h, _| millimetres(h.node_from_drive_end_mm),
    },
    Column {
        long: "Antinode from the drive-end clamp",
        short: "antinode, drive end",
        unit: "mm",
        cell: |h, _| millimetres(h.antinode_from_drive_end_mm),
    },
    Column {
        long: "k = 2, ±",
        short: "±",
        unit: "mm",
        cell: |h, _| millimetres(h.from_drive_end_u_mm),
    },
    Column {
        long: "Node from the damper-end clamp",
        short: "node, damper end",
        unit: "mm",
        cell: |h, is_damped| millimetres(h.node_from_damper_end_mm.filter(|_| !is_damped)),
    },
    Column {
        long: "Antinode velocity",
        short: "antinode",
        unit: "mm/s peak",
        cell: |h, _| level(h.antinode_velocity_mm_s),
    },
    Column {
        long: "Antinode amplitude",
        short: "antinode",
        unit: "mm pp",
        cell: |h, _| level(h.antinode_amplitude_mm_pp),
    },
    Column {
        long: "Clamp strain, at most",
        short: "strain, at most",
        unit: "µm/m pp",
        cell: |h, _| millimetres(h.clamp_strain_pp_um_m),
    },
    Column {
        long: "Ring-up",
        short: "ring-up",
        unit: "s",
        cell: |h, _| fixed(h.wait_s, 0),
    },
    Column {
        long: "Hold",
        short: "hold",
        unit: "s",
        cell: |h, _| fixed(h.hold_s, 0),
    },
    Column {
        long: "Both",
        short: "both",
        unit: "s",
        cell: |h, _| fixed(h.dwell_s, 0),
    },
];

fn level(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| significant(value, 4))
}

/// 1, 2 or 5 times a power of ten, not below `least`.
fn round_step(least: f64) -> f64 {
    let steps = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0];
    steps.into_iter().find(|step| *step >= least).unwrap_or(1.0)
}
