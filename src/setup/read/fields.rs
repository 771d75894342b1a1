//! A section as it was read: the value of every key of the table, or why there
//! is none, and where it stands.

use crate::setup::choice::choose;
use crate::setup::fault::Place;
use crate::setup::key::{Absent, InUnit, Key, Section};
use serde::Deserialize;
use serde::de::DeserializeOwned;
use toml::{Table, Value};

/// One section of the file.
#[derive(Debug)]
pub(in crate::setup) struct Fields {
    pub(in crate::setup) section: &'static Section,
    /// The section as it stands in messages: `span`, `channel[node]`.
    title: String,
    /// Its header.
    offset: usize,
    pub(in crate::setup) occurs: bool,
    /// One a row of the table, in its order.
    pub(in crate::setup) all: Vec<Field>,
}

/// One key of a section.
#[derive(Debug)]
pub(in crate::setup) struct Field {
    pub(in crate::setup) key: &'static Key,
    /// Where it stands; where it is absent, the header of its section.
    pub(in crate::setup) offset: usize,
    pub(in crate::setup) state: State,
}

#[derive(Debug)]
pub(in crate::setup) enum State {
    /// Not given; for a computed default, its value.
    Absent(Option<Value>),
    /// Given, and faulty; or missing, although required. The fault is logged.
    Faulty,
    Given(Value),
}

impl Fields {
    /// A section of which nothing is read yet.
    pub(super) fn new(section: &'static Section, title: String, offset: usize) -> Self {
        Self {
            section,
            title,
            offset,
            occurs: true,
            all: Vec::with_capacity(section.keys.len()),
        }
    }

    /// An optional section that does not occur: every key is absent.
    pub(in crate::setup) fn absent(section: &'static Section) -> Self {
        let mut fields = Self::new(section, section.name.to_owned(), 0);
        fields.occurs = false;
        fields.fill(|| State::Absent(None));
        fields
    }

    /// A section that is missing or no table; the fault is logged, its keys are
    /// not missed.
    pub(super) fn faulty(section: &'static Section, offset: usize) -> Self {
        let mut fields = Self::new(section, section.name.to_owned(), offset);
        fields.fill(|| State::Faulty);
        fields
    }

    fn fill(&mut self, state: impl Fn() -> State) {
        let offset = self.offset;
        self.all.extend(self.section.keys.iter().map(|key| Field {
            key,
            offset,
            state: state(),
        }));
    }

    fn field(&self, key: &str) -> Option<&Field> {
        let found = self.all.iter().find(|field| field.key.name == key);
        debug_assert!(found.is_some(), "{}.{key} is not in the table", self.title);
        found
    }

    fn given(&self, key: &str) -> Option<&Value> {
        match &self.field(key)?.state {
            State::Given(value) => Some(value),
            State::Absent(_) | State::Faulty => None,
        }
    }

    /// A number, if it was given and is possible.
    pub(in crate::setup) fn number(&self, key: &str) -> Option<f64> {
        self.given(key)?.as_float()
    }

    /// A whole number, if it was given and is possible.
    pub(in crate::setup) fn whole(&self, key: &str) -> Option<i64> {
        self.given(key)?.as_integer()
    }

    /// A text or a word, if it was given and is possible.
    pub(in crate::setup) fn text(&self, key: &str) -> Option<&str> {
        self.given(key)?.as_str()
    }

    /// A table, if it was given and is possible.
    pub(in crate::setup) fn table(&self, key: &str) -> Option<&Table> {
        self.given(key)?.as_table()
    }

    /// The meaning of a word, if it was given and is in its list.
    pub(in crate::setup) fn word<T: for<'de> Deserialize<'de>>(&self, key: &str) -> Option<T> {
        choose(self.text(key)?).ok()
    }

    /// Whether a key does not occur at all.
    pub(in crate::setup) fn is_absent(&self, key: &str) -> bool {
        self.field(key)
            .is_some_and(|field| matches!(field.state, State::Absent(_)))
    }

    /// Whether a key occurs, be it with a faulty value.
    pub(in crate::setup) fn has(&self, key: &str) -> bool {
        !self.is_absent(key)
    }

    /// Where a key stands, or would stand.
    pub(in crate::setup) fn place(&self, key: &str) -> Place {
        Place {
            offset: self.field(key).map_or(self.offset, |field| field.offset),
            key: self.path(key),
        }
    }

    /// Where the section begins; messages name it without its own name.
    pub(in crate::setup) fn header(&self) -> Place {
        Place {
            offset: self.offset,
            key: self.section.name.to_owned(),
        }
    }

    /// The key with its section.
    pub(in crate::setup) fn path(&self, key: &str) -> String {
        join(&self.title, key)
    }

    /// The section as it stands in messages.
    pub(in crate::setup) fn title(&self) -> &str {
        &self.title
    }

    /// Sets the value of a key that is not given and whose default other keys
    /// decide.
    pub(in crate::setup) fn set_default(&mut self, key: &str, value: f64) {
        for field in &mut self.all {
            if field.key.name == key
                && let State::Absent(default) = &mut field.state
            {
                *default = Some(Value::Float(value));
            }
        }
    }

    /// Whether a key belongs to this section as its other keys are.
    pub(in crate::setup) fn applies(&self, key: &Key) -> bool {
        key.only_for
            .is_none_or(|(other, word)| self.text(other) == Some(word))
    }

    /// The value that holds for a key: the given one or the default. `None`
    /// where there is neither.
    fn value(&self, field: &Field) -> Option<Value> {
        match &field.state {
            State::Given(value) => Some(value.clone()),
            State::Faulty => None,
            State::Absent(_) if !self.applies(field.key) => None,
            State::Absent(computed) => computed.clone().or_else(|| field.key.absent.default()),
        }
    }

    /// The unit of a key's value.
    pub(in crate::setup) fn unit(&self, key: &Key) -> &'static str {
        let unit: &InUnit = &key.unit;
        unit.in_listing(|other| self.text(other))
    }

    /// The values that hold, by key; `None` when there is a fault.
    pub(in crate::setup) fn values(&self) -> Option<Table> {
        let mut values = Table::new();
        for field in &self.all {
            if matches!(field.state, State::Faulty) {
                return None;
            }
            if let Some(value) = self.value(field) {
                values.insert(field.key.name.to_owned(), value);
            }
        }
        Some(values)
    }

    /// The section as `T`, whose fields bear the names of the keys; `None` when
    /// there is a fault.
    pub(in crate::setup) fn build<T: DeserializeOwned>(&self) -> Option<T> {
        self.values()?.try_into().ok()
    }
}

impl Absent {
    /// The default as a value.
    pub(super) fn default(&self) -> Option<Value> {
        match *self {
            Self::Number(number) | Self::Practice(number) | Self::NumberForSignal(number) => {
                Some(Value::Float(number))
            }
            Self::Whole(whole) => Some(Value::Integer(whole.into())),
            Self::Word(word) | Self::WordForSignal(word) => Some(Value::String(word.to_owned())),
            Self::Off => Some(Value::Boolean(false)),
            Self::OnlyWord(word) => Some(Value::Array(vec![Value::String(word.to_owned())])),
            Self::Required
            | Self::RequiredByRole
            | Self::RequiredWith(_)
            | Self::Nothing(_)
            | Self::Computed(_) => None,
        }
    }
}

/// A key above the first section has no other name.
pub(super) fn join(section: &str, key: &str) -> String {
    if section.is_empty() {
        return key.to_owned();
    }
    format!("{section}.{key}")
}
