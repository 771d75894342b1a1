//! One value of the file against its row of the table.
//!
//! In: a value. Out: the value in the type of its key, or what is wrong with it
//! and what would be right.

use crate::setup::choice::{nearest, unit_in_list};
use crate::setup::key::{Bounds, HighLimit, Key, Kind, Range, Section};
use toml::de::{DeTable, DeValue};
use toml::{Table, Value};

/// A thousandfold that is so far below the upper end is likely to be what was meant.
const WELL_WITHIN: f64 = 5.0;

/// What a key's value has to be, in one file.
pub(super) struct Expected {
    kind: Kind,
    unit: String,
    high: Option<HighLimit>,
}

/// Why a value cannot be taken.
pub(super) struct Wrong {
    pub(super) wrong: String,
    pub(super) right: String,
}

impl Expected {
    /// `word` gives the word at another key of the section, `number` the
    /// number at a key of any section.
    pub(super) fn of<'w>(
        key: &Key,
        word: impl FnOnce(&str) -> Option<&'w str>,
        number: impl FnOnce(&str, &str) -> Option<f64>,
    ) -> Self {
        let unit = key.unit.in_messages(word);
        let high = match &key.kind {
            Kind::Number(bounds) => bounds.high_limit(&unit, number),
            Kind::Whole { .. }
            | Kind::Switch
            | Kind::Text(_)
            | Kind::Word(_)
            | Kind::Words(..)
            | Kind::WordOrKeysOf(..) => None,
        };
        Self {
            kind: key.kind,
            unit,
            high,
        }
    }

    /// What would be right in general.
    pub(super) fn right(&self) -> String {
        match &self.kind {
            Kind::Number(bounds) => bounds.right(&self.unit, self.high.as_ref()),
            Kind::Whole { what, low, high } => {
                format!("{what}, a whole number from {low} to {high},")
            }
            Kind::Switch => "true or false".to_owned(),
            Kind::Text(right) => (*right).to_owned(),
            Kind::Word(list) => format!("one of {}", list().join(", ")),
            Kind::Words(list, always) => {
                let all: Vec<String> = list().iter().map(|word| format!("\"{word}\"")).collect();
                format!("a list of {}, \"{always}\" among them,", all.join(", "))
            }
            Kind::WordOrKeysOf(list, section) => {
                let keys: Vec<&str> = section.keys.iter().map(|key| key.name).collect();
                format!(
                    "one of {}, or a table {{ {} }},",
                    list().join(", "),
                    keys.join(", ")
                )
            }
        }
    }

    /// The value in the type of its key.
    pub(super) fn take(&self, value: &DeValue<'_>) -> Result<Value, Wrong> {
        match (&self.kind, value) {
            (Kind::Number(bounds), DeValue::Integer(_) | DeValue::Float(_)) => {
                self.number(bounds, value)
            }
            (Kind::Whole { low, high, .. }, DeValue::Integer(whole)) => {
                u32::from_str_radix(whole.as_str(), whole.radix())
                    .ok()
                    .filter(|number| (*low..=*high).contains(number))
                    .map(|number| Value::Integer(number.into()))
                    .ok_or_else(|| self.wrong(format!("{whole} is impossible")))
            }
            (Kind::Switch, DeValue::Boolean(truth)) => Ok(Value::Boolean(*truth)),
            (Kind::Text(_), DeValue::String(text)) => {
                if text.trim().is_empty() {
                    Err(self.wrong("the text is empty".to_owned()))
                } else if text.chars().any(char::is_control) {
                    Err(self.wrong("the text holds a control character".to_owned()))
                } else {
                    Ok(Value::String(text.to_string()))
                }
            }
            (Kind::Word(list) | Kind::WordOrKeysOf(list, _), DeValue::String(word)) => {
                let list = list();
                if list.contains(&&**word) {
                    return Ok(Value::String(word.to_string()));
                }
                let mut wrong = self.wrong(format!("\"{}\" is not in the list", shown(word)));
                let unit = unit_in_list(word, &list);
                if let Some(unit) = unit {
                    wrong.right = unit;
                } else if let Some(word) = nearest(word, &list) {
                    wrong.right = format!("\"{word}\"");
                }
                Err(wrong)
            }
            (Kind::Words(list, always), DeValue::Array(entries)) => {
                let words = entries.iter().map(|entry| match entry.get_ref() {
                    DeValue::String(word) => Ok(word.to_string()),
                    other => Err(self.wrong(format!("in the list {}", kind_words(other)))),
                });
                self.words(&words.collect::<Result<Vec<_>, _>>()?, &list(), always)
            }
            (Kind::WordOrKeysOf(_, section), DeValue::Table(entries)) => {
                self.table(section, entries)
            }
            (
                Kind::Number(_)
                | Kind::Whole { .. }
                | Kind::Switch
                | Kind::Text(_)
                | Kind::Word(_)
                | Kind::Words(..)
                | Kind::WordOrKeysOf(..),
                other,
            ) => Err(self.wrong(kind_words(other))),
        }
    }

    /// Words of a list, none twice, `always` among them.
    fn words(&self, words: &[String], list: &[&str], always: &str) -> Result<Value, Wrong> {
        for (place, word) in words.iter().enumerate() {
            if !list.contains(&word.as_str()) {
                let mut wrong = self.wrong(format!("\"{}\" is not in the list", shown(word)));
                if let Some(word) = nearest(word, list) {
                    wrong.right = format!("\"{word}\"");
                }
                return Err(wrong);
            }
            if words.iter().take(place).any(|before| before == word) {
                return Err(self.wrong(format!("\"{word}\" stands twice")));
            }
        }
        if !words.iter().any(|word| word == always) {
            return Err(self.wrong(format!("\"{always}\" is not among them")));
        }
        let words = words.iter().map(|word| Value::String(word.clone()));
        Ok(Value::Array(words.collect()))
    }

    /// A table with the keys of a section, and the defaults of those that are
    /// not given.
    fn table(&self, section: &Section, entries: &DeTable<'_>) -> Result<Value, Wrong> {
        let word = |key: &str| match entries.get(key)?.get_ref() {
            DeValue::String(word) => Some(&**word),
            _ => None,
        };
        let unknown = entries
            .keys()
            .map(|key| &**key.get_ref())
            .find(|name| section.key(name).is_none());
        if let Some(name) = unknown {
            return Err(self.wrong(format!("it has no key \"{}\"", shown(name))));
        }
        let mut values = Table::new();
        for key in section.keys {
            let expected = Self::of(key, word, |_, _| None);
            let value = match entries.get(key.name) {
                Some(value) => Some(expected.take(value.get_ref()).map_err(|fault| Wrong {
                    wrong: format!("its {}: {}", key.name, fault.wrong),
                    ..fault
                })?),
                None if key.is_required(word) => {
                    return Err(Wrong {
                        wrong: format!("its {} is missing", key.name),
                        right: expected.right(),
                    });
                }
                None => key.absent.default(),
            };
            values.extend(value.map(|value| (key.name.to_owned(), value)));
        }
        Ok(Value::Table(values))
    }

    fn number(&self, bounds: &Bounds, value: &DeValue<'_>) -> Result<Value, Wrong> {
        let (written, number) = match value {
            DeValue::Integer(whole) => (
                whole.to_string(),
                i64::from_str_radix(whole.as_str(), whole.radix())
                    .ok()
                    .map(|number| number as f64),
            ),
            DeValue::Float(float) => (float.as_str().to_owned(), float.as_str().parse().ok()),
            other => return Err(self.wrong(kind_words(other))),
        };
        let Some(number) = number.filter(|number| bounds.allow(*number, self.high.as_ref())) else {
            let wrong = if number.is_some_and(f64::is_nan) {
                "nan is no number".to_owned()
            } else {
                format!("{written} is impossible")
            };
            return Err(self.wrong(wrong));
        };
        match &bounds.range {
            Some(range) if !range.holds(number) => Err(Wrong {
                wrong: format!("{written} is not taken, because {}", range.reason),
                right: self.right_in_range(bounds, range, (&written, number)),
            }),
            _ => Ok(Value::Float(number)),
        }
    }

    /// What would be right where a number is out of range; metres where millimetres
    /// belong are the usual slip.
    fn right_in_range(&self, bounds: &Bounds, range: &Range, number: (&str, f64)) -> String {
        let right = bounds.right_range(&self.unit, range);
        // Nine decimals: a product of decimals has no more of its own.
        let millimetres = (1e12 * number.1).round() / 1e9;
        if self.unit == "mm" && range.holds(WELL_WITHIN * millimetres) {
            format!(
                "{millimetres} (mm), if {} is in metres, else {right}",
                number.0
            )
        } else {
            right
        }
    }

    fn wrong(&self, wrong: String) -> Wrong {
        Wrong {
            wrong,
            right: self.right(),
        }
    }
}

/// What kind of value stands there, in words.
pub(super) fn kind_words(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => format!("the text \"{}\" stands here", shown(text)),
        DeValue::Integer(whole) => format!("the number {whole} stands here"),
        DeValue::Float(float) => format!("the number {float} stands here"),
        DeValue::Boolean(truth) => format!("{truth} stands here"),
        DeValue::Datetime(date) => format!("the date {date} stands here"),
        DeValue::Array(_) => "a list stands here".to_owned(),
        DeValue::Table(_) => "a table stands here".to_owned(),
    }
}

/// The beginning of a text, on one line.
pub(super) fn shown(text: &str) -> String {
    let start: String = text.chars().take(40).collect();
    start.escape_debug().to_string()
}
