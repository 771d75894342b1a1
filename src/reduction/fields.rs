//! The keys of a point: one table for files, spreadsheet, terminal, report and
//! guide.
//!
//! `point_fields!` declares a structure of points together with its table
//! [`PointField`], one row a key: unit, meaning, and where tables for people
//! show it. Whoever writes or shows points goes by [`PointRow::cells`](super::PointRow::cells), so that
//! a new key appears everywhere by its declaration alone.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::gauge::Gauge;
use super::measured::Measured;
use crate::setup::Verdict;

/// A key of a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointField {
    /// The key in `points.jsonl`, and the column in `points.csv`.
    pub key: &'static str,
    /// The key of its expanded uncertainty, k = 2.
    pub u_key: Option<&'static str>,
    /// What kind of value it has.
    pub kind: ValueKind,
    /// What it means.
    pub meaning: &'static str,
    /// Unit, and where tables for people show it.
    pub shown: Shown,
}

/// Unit of a key, and where tables for people show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Unit, empty where there is none. Peak is said, as is peak-to-peak (pp).
    pub unit: &'static str,
    /// The table of the report, and the heading there.
    pub report: Option<(ReportTable, &'static str)>,
    /// Heading in the terminal.
    pub terminal: Option<&'static str>,
    /// Rank in the terminal's table of settled points: a column of a higher
    /// rank is left out first where the terminal is narrow, one of rank 0
    /// never. `None`: not in this table.
    pub settled_rank: Option<u8>,
    /// The same in the table of reduced points.
    pub reduced_rank: Option<u8>,
    /// Key behind which tables for people have the column, where that is not
    /// the order of the file.
    pub after: Option<&'static str>,
    /// A phase against the drive force, whose sign depends on how the force
    /// cell is mounted: tables for people have it within ±90 degrees.
    pub within_half_turn: bool,
    /// Decimals of a number without an uncertainty.
    pub decimals: i32,
}

/// A table of points in the report.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ReportTable {
    /// What moved, and how.
    Motion,
    /// Power.
    Power,
    /// Strain at the clamps.
    Strain,
    /// What fixed sensors show of themselves, and beside a pair that is moved.
    FixedSensors,
}

impl Shown {
    /// Not in the tables for people.
    pub const fn in_files(unit: &'static str) -> Self {
        Self {
            unit,
            report: None,
            terminal: None,
            settled_rank: None,
            reduced_rank: None,
            after: None,
            within_half_turn: false,
            decimals: 1,
        }
    }

    /// In a table of the report.
    #[must_use]
    pub const fn report(self, table: ReportTable, heading: &'static str) -> Self {
        Self {
            report: Some((table, heading)),
            ..self
        }
    }

    /// In the terminal.
    #[must_use]
    pub const fn terminal(self, heading: &'static str) -> Self {
        Self {
            terminal: Some(heading),
            ..self
        }
    }

    /// In the terminal's table of settled points.
    #[must_use]
    pub const fn settled(self, rank: u8) -> Self {
        Self {
            settled_rank: Some(rank),
            ..self
        }
    }

    /// In the terminal's table of reduced points.
    #[must_use]
    pub const fn reduced(self, rank: u8) -> Self {
        Self {
            reduced_rank: Some(rank),
            ..self
        }
    }

    /// Behind the column of another key.
    #[must_use]
    pub const fn after(self, key: &'static str) -> Self {
        Self {
            after: Some(key),
            ..self
        }
    }

    /// With so many decimals where it has no uncertainty.
    #[must_use]
    pub const fn decimals(self, decimals: i32) -> Self {
        Self { decimals, ..self }
    }

    /// A phase against the drive force.
    #[must_use]
    pub const fn within_half_turn(self) -> Self {
        Self {
            within_half_turn: true,
            ..self
        }
    }
}

/// The table of some keys for the guide, as Markdown.
pub fn guide_table(fields: &[PointField]) -> String {
    let mut table =
        String::from("| key | its uncertainty | value | unit | meaning |\n|---|---|---|---|---|\n");
    for field in fields {
        let u_key = field
            .u_key
            .map_or_else(|| "–".to_owned(), |key| format!("`{key}`"));
        let unit = if field.shown.unit.is_empty() {
            "–"
        } else {
            field.shown.unit
        };
        // Writing to a String cannot fail.
        let _ = writeln!(
            table,
            "| `{}` | {u_key} | {} | {unit} | {} |",
            field.key,
            field.kind.words(),
            field.meaning.trim()
        );
    }
    table
}

/// What a point has under a key.
#[derive(Debug, Clone, PartialEq)]
pub enum PointValue<'a> {
    /// A value with its uncertainty.
    Measured(Option<Measured>),
    /// The same, one a strain gauge.
    Gauges(&'a BTreeMap<Gauge, Measured>),
    /// A number without uncertainty.
    Number(Option<f64>),
    /// A whole number.
    Count(Option<u64>),
    /// Words; several are joined by `"; "`.
    Words(Option<Cow<'a, str>>),
}

/// What kind of value a key has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ValueKind {
    /// A number with its uncertainty.
    Measured,
    /// The same, one a strain gauge.
    MeasuredByGauges,
    /// A number.
    Number,
    /// A whole number.
    Count,
    /// Text.
    Words,
    /// Several texts.
    List,
}

impl ValueKind {
    /// As the guide has it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Measured | Self::Number => "number",
            Self::MeasuredByGauges => "a number a gauge",
            Self::Count => "whole number",
            Self::Words => "text",
            Self::List => "texts",
        }
    }
}

/// A type that fields of points may have.
pub(crate) trait FieldValue {
    /// What kind of value it is.
    const KIND: ValueKind;

    /// As tables take it.
    fn field_value(&self) -> PointValue<'_>;
}

impl FieldValue for Option<Measured> {
    const KIND: ValueKind = ValueKind::Measured;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Measured(*self)
    }
}

impl FieldValue for BTreeMap<Gauge, Measured> {
    const KIND: ValueKind = ValueKind::MeasuredByGauges;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Gauges(self)
    }
}

impl FieldValue for f64 {
    const KIND: ValueKind = ValueKind::Number;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Number(Some(*self))
    }
}

impl FieldValue for Option<f64> {
    const KIND: ValueKind = ValueKind::Number;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Number(*self)
    }
}

impl FieldValue for u64 {
    const KIND: ValueKind = ValueKind::Count;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Count(Some(*self))
    }
}

impl FieldValue for Option<u32> {
    const KIND: ValueKind = ValueKind::Count;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Count(self.map(u64::from))
    }
}

impl FieldValue for Option<String> {
    const KIND: ValueKind = ValueKind::Words;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Words(self.as_deref().map(Cow::Borrowed))
    }
}

impl FieldValue for Vec<String> {
    const KIND: ValueKind = ValueKind::List;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Words(Some(Cow::Owned(self.join("; "))))
    }
}

impl FieldValue for Verdict {
    const KIND: ValueKind = ValueKind::Words;

    fn field_value(&self) -> PointValue<'_> {
        PointValue::Words(Some(Cow::Borrowed(self.word())))
    }
}

/// A key of a point with what the point has under it.
#[derive(Debug, Clone, PartialEq)]
pub struct Cell<'a> {
    /// The key.
    pub field: &'static PointField,
    /// The value.
    pub value: PointValue<'a>,
}

/// Declares a structure of points and the table of its keys. Each field ends
/// with its unit and where it is shown.
macro_rules! point_fields {
    (
        $(#[$outer:meta])*
        pub struct $name:ident {
            $(
                $(#[doc = $meaning:literal])+
                $key:ident $(/ $u_key:ident)? $(@ $marker:ident)? : $type:ty = $shown:expr;
            )*
        }
    ) => {
        $crate::reduction::measured::record! {
            $(#[$outer])*
            pub struct $name {
                $( $(#[doc = $meaning])+ $key $(/ $u_key)? $(@ $marker)? : $type, )*
            }
        }

        impl $name {
            /// The keys, in the order of the file.
            pub const FIELDS: &'static [$crate::reduction::fields::PointField] = &[
                $(
                    $crate::reduction::fields::PointField {
                        key: stringify!($key),
                        u_key: $crate::reduction::fields::point_fields!(@u_key $($u_key)?),
                        kind: <$type as $crate::reduction::fields::FieldValue>::KIND,
                        meaning: concat!($($meaning),+),
                        shown: $shown,
                    },
                )*
            ];
        }

        impl $name {
            /// What stands under each key, in the order of the file.
            pub fn cells(&self) -> Vec<$crate::reduction::fields::Cell<'_>> {
                use $crate::reduction::fields::{Cell, FieldValue};
                let values = [ $( FieldValue::field_value(&self.$key) ),* ];
                Self::FIELDS
                    .iter()
                    .zip(values)
                    .map(|(field, value)| Cell { field, value })
                    .collect()
            }
        }
    };

    (@u_key) => { None };
    (@u_key $u_key:ident) => { Some(stringify!($u_key)) };
}

pub(crate) use point_fields;
