//! Reads the keys of one TOML table, each with its place in the text.
//!
//! In: a parsed table. Out: [`Field`]s. Unknown keys, wrong types and
//! impossible numbers go to the [`Log`] and reading goes on, so that all of
//! them come out together.

use super::choice::{choose, nearest, right_word};
use super::field::{Field, State};
use super::limits::Limits;
use crate::setup::fault::Log;
use serde::Deserialize;
use toml::de::{DeTable, DeValue};

/// Whether a key has to be there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::setup) enum Need {
    Required,
    Optional,
}

/// One table of the file while it is read.
pub(in crate::setup) struct Table<'a> {
    content: Content<'a>,
    /// The section as it stands in keys: `span`, `channel[node]`.
    name: String,
    offset: usize,
    /// Keys that are not there, but a misspelt form of them is.
    misspelt: Vec<&'static str>,
    pub(in crate::setup) log: &'a mut Log,
}

#[derive(Clone, Copy)]
enum Content<'a> {
    Entries(&'a DeTable<'a>),
    /// An optional section that does not occur.
    Absent,
    /// Missing or no table; the fault is logged, its keys are not missed.
    Faulty,
}

impl<'a> Table<'a> {
    /// Opens a table whose keys are `keys`; logs every other key in it.
    /// `elsewhere` names the right place of a key that belongs to another
    /// section.
    pub(in crate::setup) fn open(
        entries: &'a DeTable<'a>,
        name: String,
        offset: usize,
        keys: &[&'static str],
        elsewhere: impl Fn(&str) -> Option<String>,
        log: &'a mut Log,
    ) -> Self {
        log.remember(&name, offset);
        let mut misspelt = Vec::new();
        for key in entries.keys() {
            let word: &str = key.get_ref();
            let path = join(&name, &word.escape_debug().to_string());
            log.remember(&path, key.span().start);
            if keys.contains(&word) {
                continue;
            }
            misspelt.extend(
                keys.iter()
                    .filter(|known| nearest(word, keys) == Some(**known)),
            );
            let right = elsewhere(word).unwrap_or_else(|| right_word(word, keys));
            log.fault(key.span().start, path, "there is no such key", right);
        }
        Self {
            content: Content::Entries(entries),
            name,
            offset,
            misspelt,
            log,
        }
    }

    /// An optional section that does not occur.
    pub(in crate::setup) fn absent(name: &str, log: &'a mut Log) -> Self {
        Self::without_entries(Content::Absent, name, 0, log)
    }

    /// A section whose absence or type is a fault already logged.
    pub(in crate::setup) fn faulty(name: &str, offset: usize, log: &'a mut Log) -> Self {
        Self::without_entries(Content::Faulty, name, offset, log)
    }

    fn without_entries(content: Content<'a>, name: &str, offset: usize, log: &'a mut Log) -> Self {
        Self {
            content,
            name: name.to_owned(),
            offset,
            misspelt: Vec::new(),
            log,
        }
    }

    /// Whether the section does not occur.
    pub(in crate::setup) fn is_absent(&self) -> bool {
        matches!(self.content, Content::Absent)
    }

    pub(in crate::setup) fn offset(&self) -> usize {
        self.offset
    }

    /// A number.
    pub(in crate::setup) fn number(
        &mut self,
        key: &'static str,
        need: Need,
        limits: &Limits,
    ) -> Field<f64> {
        self.read(key, need, &limits.right, |value| {
            let written = match value {
                DeValue::Integer(whole) => whole.to_string(),
                DeValue::Float(float) => float.as_str().to_owned(),
                other => return Err(Wrong::kind(other)),
            };
            let number = match value {
                DeValue::Integer(whole) => i64::from_str_radix(whole.as_str(), whole.radix())
                    .ok()
                    .map(|number| number as f64),
                _ => written.parse::<f64>().ok(),
            };
            match number {
                Some(number) if limits.allow(number) => Ok(number),
                Some(number) if number.is_nan() => Err(Wrong::new("nan is no number")),
                _ => Err(Wrong::new(format!("{written} is impossible"))),
            }
        })
    }

    /// A whole number from `low` to `high`.
    pub(in crate::setup) fn whole(
        &mut self,
        key: &'static str,
        need: Need,
        (low, high): (u32, u32),
        what: &str,
    ) -> Field<u32> {
        let right = format!("{what}, a whole number from {low} to {high},");
        self.read(key, need, &right, |value| {
            let DeValue::Integer(whole) = value else {
                return Err(Wrong::kind(value));
            };
            u32::from_str_radix(whole.as_str(), whole.radix())
                .ok()
                .filter(|number| (low..=high).contains(number))
                .ok_or_else(|| Wrong::new(format!("{whole} is impossible")))
        })
    }

    /// A text that is not empty and stays on one line.
    pub(in crate::setup) fn text(
        &mut self,
        key: &'static str,
        need: Need,
        right: &str,
    ) -> Field<String> {
        self.read(key, need, right, |value| {
            let DeValue::String(text) = value else {
                return Err(Wrong::kind(value));
            };
            if text.trim().is_empty() {
                return Err(Wrong::new("the text is empty"));
            }
            if text.chars().any(char::is_control) {
                return Err(Wrong::new("the text holds a control character"));
            }
            Ok(text.clone().into_owned())
        })
    }

    /// One word of the list that `T` derives.
    pub(in crate::setup) fn word<T: for<'de> Deserialize<'de>>(
        &mut self,
        key: &'static str,
        need: Need,
    ) -> Field<T> {
        let list = match choose::<T>("") {
            Err(list) => list,
            Ok(_) => super::choice::NotInList(&[]),
        };
        self.read(key, need, &list.to_string(), |value| {
            let DeValue::String(word) = value else {
                return Err(Wrong::kind(value));
            };
            choose(word).map_err(|list| Wrong {
                wrong: format!("\"{}\" is not in the list", word.escape_debug()),
                right: nearest(word, list.0).map(|word| format!("\"{word}\"")),
            })
        })
    }

    /// One name of a list whose entries are found by name.
    pub(in crate::setup) fn named<T>(
        &mut self,
        key: &'static str,
        need: Need,
        known: &[&str],
        find: impl FnOnce(&str) -> Option<T>,
    ) -> Field<T> {
        let right = format!("one of {}", known.join(", "));
        self.read(key, need, &right, |value| {
            let DeValue::String(word) = value else {
                return Err(Wrong::kind(value));
            };
            find(word).ok_or_else(|| Wrong {
                wrong: format!("\"{}\" is not in the list", word.escape_debug()),
                right: nearest(word, known).map(|word| format!("\"{word}\"")),
            })
        })
    }

    fn read<T>(
        &mut self,
        key: &'static str,
        need: Need,
        right: &str,
        convert: impl FnOnce(&DeValue<'_>) -> Result<T, Wrong>,
    ) -> Field<T> {
        let path = join(&self.name, key);
        let entry = match self.content {
            Content::Entries(entries) => entries.get_key_value(key),
            Content::Absent => None,
            Content::Faulty => {
                return Field {
                    key: path,
                    offset: self.offset,
                    state: State::Faulty,
                };
            }
        };
        let Some((place, value)) = entry else {
            let state = if self.misspelt.contains(&key) {
                State::Faulty
            } else if need == Need::Required {
                self.log
                    .fault(self.offset, path.clone(), "is missing", right);
                State::Faulty
            } else {
                State::Absent
            };
            return Field {
                key: path,
                offset: self.offset,
                state,
            };
        };
        let offset = place.span().start;
        let state = match convert(value.get_ref()) {
            Ok(value) => State::Given(value),
            Err(Wrong {
                wrong,
                right: better,
            }) => {
                let right = better.unwrap_or_else(|| right.to_owned());
                self.log.fault(offset, path.clone(), wrong, right);
                State::Faulty
            }
        };
        Field {
            key: path,
            offset,
            state,
        }
    }
}

/// Why a value cannot be taken.
struct Wrong {
    wrong: String,
    /// Where something better can be said than what is right in general.
    right: Option<String>,
}

impl Wrong {
    fn new(wrong: impl Into<String>) -> Self {
        Self {
            wrong: wrong.into(),
            right: None,
        }
    }

    fn kind(value: &DeValue<'_>) -> Self {
        Self::new(kind_words(value))
    }
}

/// What kind of value stands there, in words.
pub(super) fn kind_words(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => {
            let start: String = text.chars().take(40).collect();
            format!("the text \"{}\" stands here", start.escape_debug())
        }
        DeValue::Integer(whole) => format!("the number {whole} stands here"),
        DeValue::Float(float) => format!("the number {float} stands here"),
        DeValue::Boolean(truth) => format!("{truth} stands here"),
        DeValue::Datetime(date) => format!("the date {date} stands here"),
        DeValue::Array(_) => "a list stands here".to_owned(),
        DeValue::Table(_) => "a table stands here".to_owned(),
    }
}

fn join(section: &str, key: &str) -> String {
    if section.is_empty() {
        key.to_owned()
    } else {
        format!("{section}.{key}")
    }
}
