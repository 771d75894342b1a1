//! What was taken from a setup file, key by key, and which defaults apply.
//!
//! In: checked sections. Out: a row for every key of every section that occurs.

use super::fault::Log;
use super::key::Absent;
use super::read::{Field, Fields, RawSetup, State};
use toml::Value;

/// One key of a setup, with the value that holds for it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ListedKey {
    /// The name of the section: `span`, `channel`.
    pub section: &'static str,
    /// The section as messages name it: `span`, `channel[node]`.
    pub title: String,
    /// The key.
    pub key: &'static str,
    /// The value as text; `None` where the key is not given and has no default.
    pub value: Option<String>,
    /// Its unit, "–" if it has none.
    pub unit: &'static str,
    /// Where the value comes from.
    pub origin: Origin,
    /// What the key means; Markdown.
    pub meaning: &'static str,
}

/// Where the value of a key comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// From the file, at this line, from 1.
    File(usize),
    /// The file does not give it: the default holds.
    Default,
    /// The file does not give it: there is none; what that means.
    NotGiven(&'static str),
}

/// A row for every key of every section, in the order of the table; without
/// the keys that another key rules out, and without an optional section that
/// does not occur and has no default for all of its keys.
pub(super) fn listing(raw: &RawSetup, log: &Log) -> Vec<ListedKey> {
    let mut rows = Vec::new();
    for section in raw.sections() {
        let keys = section.section.keys;
        let needs_keys = keys
            .iter()
            .any(|key| matches!(key.absent, Absent::Required));
        if section.occurs || !needs_keys {
            rows.extend(
                section
                    .all
                    .iter()
                    .filter_map(|field| row(section, field, log)),
            );
        }
    }
    rows
}

fn row(section: &Fields, field: &Field, log: &Log) -> Option<ListedKey> {
    let key = field.key;
    if !section.applies(key) {
        return None;
    }
    let (value, origin) = match &field.state {
        State::Faulty => return None,
        State::Given(value) => (Some(as_text(value)), Origin::File(log.line(field.offset))),
        State::Absent(Some(Value::Float(computed))) => (Some(rounded(*computed)), Origin::Default),
        State::Absent(_) => match key.absent {
            Absent::Number(number) | Absent::Practice(number) | Absent::NumberForSignal(number) => {
                (Some(number.to_string()), Origin::Default)
            }
            Absent::Whole(whole) => (Some(whole.to_string()), Origin::Default),
            Absent::Off => (Some(false.to_string()), Origin::Default),
            Absent::Word(word) | Absent::OnlyWord(word) | Absent::WordForSignal(word) => {
                (Some(word.to_owned()), Origin::Default)
            }
            Absent::Nothing(words) => (None, Origin::NotGiven(words)),
            Absent::Required
            | Absent::RequiredByRole
            | Absent::RequiredWith(_)
            | Absent::Computed(_) => return None,
        },
    };
    Some(ListedKey {
        section: section.section.name,
        title: section.title().to_owned(),
        key: key.name,
        value,
        unit: section.unit(key),
        origin,
        meaning: key.doc,
    })
}

/// The value as it would be written.
fn as_text(value: &Value) -> String {
    match value {
        Value::String(text) => text.clone(),
        Value::Float(number) => number.to_string(),
        Value::Array(values) => {
            let words: Vec<String> = values.iter().map(as_text).collect();
            words.join(", ")
        }
        other => other.to_string(),
    }
}

/// A computed default to two decimals: it is nobody's statement.
fn rounded(number: f64) -> String {
    format!("{number:.2}")
}
