//! Tables of points and of the trace, a column a key.
//!
//! The columns of a point and their order are those of `points.jsonl` and
//! `reduced.jsonl`, before them `run`, `title` and `damper`, so that the points of many
//! runs can stand in one table, behind them `excluded` and `notes`: what people said of the
//! point; of a run that was not reduced the columns of the
//! reduction are empty. A value a strain gauge becomes three lists as long as one
//! another: the gauges, their values, their uncertainties. Every run gives the same
//! columns.

use crate::analysis::{PointNote, TraceRow};
use crate::evaluation::reduced_point::{DamperValues, ReducedPoint};
use crate::reduction::fields::{PointField, PointValue, ValueKind};
use crate::reduction::{Measured, PointRow as _, SettledPoint};
use crate::report::loaded_run::{LoadError, LoadedRun};
use crate::report::reduction::{ReadReduction, read_reduction};
use std::path::Path;

/// A table, column by column.
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    /// What its rows are.
    pub name: &'static str,
    /// The columns, all of one length.
    pub columns: Vec<Column>,
}

/// A column.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Its name; the unit of its numbers is in it.
    pub name: String,
    /// The unit in full: whether peak or peak-to-peak. Empty where there is none.
    pub unit: &'static str,
    /// What it holds.
    pub meaning: &'static str,
    /// A value a row.
    pub values: Values,
}

/// The values of a column; none where a value is absent.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Numbers.
    Numbers(Vec<Option<f64>>),
    /// Whole numbers.
    Counts(Vec<Option<i64>>),
    /// Text.
    Words(Vec<Option<String>>),
    /// A list of numbers a row.
    NumberLists(Vec<Vec<Option<f64>>>),
    /// A list of texts a row.
    WordLists(Vec<Vec<Option<String>>>),
}

impl Values {
    /// Rows.
    pub fn len(&self) -> usize {
        match self {
            Self::Numbers(values) => values.len(),
            Self::Counts(values) => values.len(),
            Self::Words(values) => values.len(),
            Self::NumberLists(values) => values.len(),
            Self::WordLists(values) => values.len(),
        }
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

impl Column {
    fn words(
        name: &str,
        meaning: &'static str,
        values: impl Iterator<Item = Option<String>>,
    ) -> Self {
        Self {
            name: name.to_owned(),
            unit: "",
            meaning,
            values: Values::Words(values.collect()),
        }
    }
}

/// The points of a run, with what the reduction adds where it was reduced; `name` is
/// what the column `run` says.
///
/// # Errors
/// Where the run folder cannot be read or is not what the run wrote.
pub fn points_table(folder: &Path, name: &str) -> Result<Table, LoadError> {
    let loaded = LoadedRun::open(folder)?;
    let run = &loaded.run;
    let points: Vec<ReducedPoint> = match read_reduction(run)? {
        ReadReduction::Whole(_, points) => points,
        ReadReduction::None | ReadReduction::Stale(_) => {
            run.points.iter().cloned().map(ReducedPoint::from).collect()
        }
    };
    let exclusions = run.exclusions();
    let excluded = points.iter().map(|point| {
        let number = point.point.point;
        let found = exclusions.iter().find(|e| e.point == number)?;
        Some(format!("{}: {}", found.by, found.text))
    });
    let notes = points.iter().map(|point| {
        let notes = run.notes_of(&point.point).into_iter();
        let notes: Vec<String> = notes.map(PointNote::sentence).collect();
        (!notes.is_empty()).then(|| notes.join("; "))
    });
    let test = &loaded.setup.test;
    let of_run = |meaning: &'static str, key: &str, text: Option<&str>| {
        let text = text.map(str::to_owned);
        Column::words(key, meaning, points.iter().map(|_| text.clone()))
    };
    let mut columns = vec![
        of_run("The run, by the name of its folder.", "run", Some(name)),
        of_run("Title of the test.", "title", Some(&test.title)),
        of_run(
            "The damper; absent for a bare span.",
            "damper",
            test.damper.as_deref(),
        ),
    ];
    let cells: Vec<_> = points.iter().map(ReducedPoint::cells).collect();
    let fields = SettledPoint::FIELDS.iter().chain(DamperValues::FIELDS);
    for (place, field) in fields.enumerate() {
        let values: Vec<&PointValue> = cells
            .iter()
            .filter_map(|row| row.get(place).map(|cell| &cell.value))
            .collect();
        columns.extend(columns_of(field, &values));
    }
    columns.extend([
        Column::words(
            "excluded",
            "Who excluded the point from the verdict, and why; absent where it counts.",
            excluded,
        ),
        Column::words("notes", "Everything that people said of the point.", notes),
    ]);
    Ok(Table {
        name: "points",
        columns,
    })
}

const EXPANDED: &str = "Its expanded uncertainty, k = 2.";

/// The columns of a key: one, with its uncertainty two, by gauges three.
fn columns_of(field: &PointField, values: &[&PointValue]) -> Vec<Column> {
    let column = |name: &str, meaning: &'static str, values: Values| Column {
        name: name.to_owned(),
        unit: field.shown.unit,
        meaning,
        values,
    };
    let measured = |part: fn(&Measured) -> Option<f64>| {
        let part = move |value: &&PointValue| match value {
            PointValue::Measured(measured) => measured.as_ref().and_then(part),
            PointValue::Number(number) => *number,
            _ => None,
        };
        Values::Numbers(values.iter().map(part).map(finite).collect())
    };
    let gauges = |part: fn(&Measured) -> Option<f64>| {
        let part = move |value: &&PointValue| match value {
            PointValue::Gauges(strains) => strains.values().map(part).map(finite).collect(),
            _ => Vec::new(),
        };
        Values::NumberLists(values.iter().map(part).collect())
    };
    let mut columns = match field.kind {
        ValueKind::MeasuredByGauges => {
            let names = |value: &&PointValue| match value {
                PointValue::Gauges(strains) => strains
                    .keys()
                    .map(|gauge| Some(gauge.to_string()))
                    .collect(),
                _ => Vec::new(),
            };
            let which = Column {
                name: GAUGES.to_owned(),
                unit: "",
                meaning: "The strain gauges, in the order of their values.",
                values: Values::WordLists(values.iter().map(names).collect()),
            };
            vec![
                which,
                column(field.key, field.meaning, gauges(|m| Some(m.value))),
            ]
        }
        ValueKind::Measured | ValueKind::Number => {
            vec![column(
                field.key,
                field.meaning,
                measured(|m| Some(m.value)),
            )]
        }
        ValueKind::Count => {
            let count = |value: &&PointValue| match value {
                PointValue::Count(count) => count.and_then(|n| i64::try_from(n).ok()),
                _ => None,
            };
            let counts = values.iter().map(count).collect();
            vec![column(field.key, field.meaning, Values::Counts(counts))]
        }
        ValueKind::Words | ValueKind::List => {
            let text = |value: &&PointValue| match value {
                PointValue::Words(words) => words.as_deref().map(str::to_owned),
                _ => None,
            };
            let words = values.iter().map(text);
            vec![Column::words(field.key, field.meaning, words)]
        }
    };
    if let Some(u_key) = field.u_key {
        let u = if field.kind == ValueKind::MeasuredByGauges {
            gauges(|m| m.stated_u())
        } else {
            measured(|m| m.stated_u())
        };
        columns.push(column(u_key, EXPANDED, u));
    }
    columns
}

/// Name of the column that says whose the values of the lists are.
const GAUGES: &str = "strain_gauges";

fn finite(value: Option<f64>) -> Option<f64> {
    value.filter(|value| value.is_finite())
}

/// A column of the trace: name, unit, value of a row.
type TraceColumn = (&'static str, &'static str, fn(&TraceRow) -> Option<f64>);

const TRACE: [TraceColumn; 13] = [
    ("time_s", "s", |row| Some(row.time_s)),
    ("frequency_hz", "Hz", |row| row.frequency_hz),
    ("antinode_velocity_mm_s", "mm/s peak", |row| {
        row.antinode_velocity_mm_s
    }),
    ("node_velocity_mm_s", "mm/s peak", |row| {
        row.node_velocity_mm_s
    }),
    ("iswr", "", |row| row.iswr),
    ("node_phase_deg", "deg", |row| row.node_phase_deg),
    ("drive_force_n", "N peak", |row| row.drive_force_n),
    ("drive_phase_deg", "deg", |row| row.drive_phase_deg),
    ("signal_phase_deg", "deg", |row| row.signal_phase_deg),
    ("detuning_bandwidths", "df", |row| row.detuning_bandwidths),
    ("bandwidth_hz", "Hz", |row| row.bandwidth_hz),
    ("snr_db", "dB", |row| row.snr_db),
    ("distortion_pct", "%", |row| row.distortion_pct),
];

/// The trace of a run, a row a hop; between two recordings that do not join on stands a
/// row that holds a time alone.
pub fn trace_table(rows: &[TraceRow], name: &str) -> Table {
    let run = rows.iter().map(|_| Some(name.to_owned()));
    let mut columns = vec![Column::words(
        "run",
        "The run, by the name of its folder.",
        run,
    )];
    columns.extend(TRACE.iter().map(|(name, unit, value)| Column {
        name: (*name).to_owned(),
        unit,
        meaning: "One value a hop, as `trace.csv` has it.",
        values: Values::Numbers(rows.iter().map(value).map(finite).collect()),
    }));
    let clipped = rows
        .iter()
        .map(|row| i64::try_from(row.clipped_samples).ok());
    columns.push(Column {
        name: "clipped_samples".to_owned(),
        unit: "",
        meaning: "Samples of the hop at full scale.",
        values: Values::Counts(clipped.collect()),
    });
    Table {
        name: "trace",
        columns,
    }
}
