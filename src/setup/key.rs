//! What the table of setup keys ([`super::table`]) can say of a section and of
//! a key, and how it says it in words.
//!
//! In: nothing. Out: the types of the table's rows and the words for what a
//! value may be.

use super::role::RoleKind;
use std::fmt::Write as _;

/// One section of the setup file.
#[derive(Debug)]
pub(super) struct Section {
    /// `span` for `[span]`, `channel` for `[[channel]]`.
    pub(super) name: &'static str,
    pub(super) form: Form,
    /// What stands above its keys in the guide; Markdown.
    pub(super) about: &'static str,
    pub(super) keys: &'static [Key],
}

/// How often a section occurs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Form {
    /// No section: the keys above the first one.
    Top,
    /// Exactly once.
    Required,
    /// Once or not at all.
    Optional,
    /// `[[name]]`, from `least` to `most` times.
    List { least: usize, most: usize },
}

impl Section {
    /// The header line of the section, `[span]`, `[[channel]]`; none above the first.
    pub(super) fn header(&self) -> String {
        match self.form {
            Form::Top => String::new(),
            Form::Required | Form::Optional => format!("[{}]", self.name),
            Form::List { .. } => format!("[[{}]]", self.name),
        }
    }

    /// Its heading in the guide; Markdown.
    pub(super) fn heading(&self) -> String {
        match self.form {
            Form::Top => "Above the first section".to_owned(),
            _ => format!("`{}`", self.header()),
        }
    }

    /// Where a key of it belongs, in words.
    pub(super) fn home(&self) -> String {
        match self.form {
            Form::Top => "its place above the first section".to_owned(),
            _ => format!("its place under {}", self.header()),
        }
    }

    pub(super) fn key(&self, name: &str) -> Option<&'static Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

/// One key of a section.
#[derive(Debug)]
pub(super) struct Key {
    pub(super) name: &'static str,
    pub(super) unit: InUnit,
    pub(super) kind: Kind,
    /// What holds where the key is not given.
    pub(super) absent: Absent,
    /// For a key that belongs to one word of another key in its section:
    /// that key and that word. Elsewhere it is a fault.
    pub(super) only_for: Option<(&'static str, &'static str)>,
    /// What it means, and why its default is what it is; Markdown.
    pub(super) doc: &'static str,
}

/// The unit of a key's value.
#[derive(Debug, Clone, Copy)]
pub(super) enum InUnit {
    /// As the guide prints it: "N m²"; "–" for a value without unit.
    Always(&'static str),
    /// The word at another key of the section decides.
    SetBy {
        key: &'static str,
        /// What the guide prints.
        guide: &'static str,
        /// The unit by that word; "–" if the word is not known.
        unit: fn(&str) -> &'static str,
    },
}

/// What kind of value a key takes.
#[derive(Debug, Clone, Copy)]
pub(super) enum Kind {
    Number(Bounds),
    /// A whole number from `low` to `high`.
    Whole {
        what: &'static str,
        low: u32,
        high: u32,
    },
    /// `true` or `false`.
    Switch,
    /// A text that is not empty and stays on one line; what would be right.
    Text(&'static str),
    /// One word of a list.
    Word(fn() -> Vec<&'static str>),
    /// A list of words, each from a list and none twice; the word that is always
    /// among them.
    Words(fn() -> Vec<&'static str>, &'static str),
    /// One word of a list, or a table of the keys of that section.
    WordOrKeysOf(fn() -> Vec<&'static str>, &'static Section),
}

/// What holds where a key is not given.
#[derive(Debug, Clone, Copy)]
pub(super) enum Absent {
    /// A fault; where [`Key::only_for`] names a word, a fault for that word.
    Required,
    /// A fault for the roles that need the key ([`super::role::RoleRow::needs`]).
    RequiredByRole,
    /// A fault but for channels of the role `drive-signal`, where this word holds:
    /// nothing is computed from their size.
    WordForSignal(&'static str),
    /// Likewise, where this number holds.
    NumberForSignal(f64),
    /// A fault where that other key is given.
    RequiredWith(&'static str),
    /// Nothing; what that is called: "none", "not stated".
    Nothing(&'static str),
    /// This number.
    Number(f64),
    /// This number, which is common practice and has no source.
    Practice(f64),
    /// This whole number.
    Whole(u32),
    /// This word.
    Word(&'static str),
    /// `false`.
    Off,
    /// A list with this word alone.
    OnlyWord(&'static str),
    /// A value that other keys give; how.
    Computed(&'static str),
}

/// What a number may be.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bounds {
    /// The quantity as a noun: "a length".
    what: &'static str,
    low: Low,
    high: Option<High>,
    pub(super) range: Option<Range>,
}

#[derive(Debug, Clone, Copy)]
enum Low {
    /// Above and below zero.
    Any,
    /// Above zero.
    AboveZero,
    /// Zero or more.
    FromZero,
    /// From zero to one hundred, both included.
    ZeroToHundred,
}

#[derive(Debug, Clone, Copy)]
pub(super) enum High {
    /// Below the limit.
    Below(Limit),
    /// Up to the limit, included.
    UpTo(Limit),
}

/// An upper limit.
#[derive(Debug, Clone, Copy)]
pub(super) enum Limit {
    Number(f64),
    /// The value of another key, if that is given and possible; with the words
    /// before and after the number.
    OfKey {
        section: &'static str,
        key: &'static str,
        words: (&'static str, &'static str),
    },
}

/// The range that the program takes, where it is narrower than what is
/// possible.
#[derive(Debug, Clone, Copy)]
pub(super) struct Range {
    least: Option<f64>,
    most: f64,
    /// Why no more is taken.
    pub(super) reason: &'static str,
}

/// An upper limit as it applies to one file.
#[derive(Debug, Clone)]
pub(super) struct HighLimit {
    value: f64,
    included: bool,
    words: String,
}

/// The smallest and largest magnitude taken for a measured quantity in the
/// units of the setup file. Far outside anything a bench can have; inside it no
/// product or quotient of setup numbers overflows or vanishes.
const MAGNITUDES: std::ops::RangeInclusive<f64> = 1e-9..=1e12;

/// A number of either sign; `what` is the quantity as a noun.
pub(super) const fn of_either_sign(what: &'static str) -> Bounds {
    Bounds {
        low: Low::Any,
        ..above_zero(what)
    }
}

/// A number above zero; `what` is the quantity as a noun.
pub(super) const fn above_zero(what: &'static str) -> Bounds {
    Bounds {
        what,
        low: Low::AboveZero,
        high: None,
        range: None,
    }
}

/// A number of zero or more.
pub(super) const fn from_zero(what: &'static str) -> Bounds {
    Bounds {
        low: Low::FromZero,
        ..above_zero(what)
    }
}

/// A percentage, 0 and 100 included.
pub(super) const fn percentage(what: &'static str) -> Bounds {
    Bounds {
        low: Low::ZeroToHundred,
        high: Some(High::UpTo(Limit::Number(100.0))),
        ..above_zero(what)
    }
}

impl Bounds {
    pub(super) const fn below(self, limit: f64) -> Self {
        Self {
            high: Some(High::Below(Limit::Number(limit))),
            ..self
        }
    }

    pub(super) const fn up_to(self, limit: f64) -> Self {
        Self {
            high: Some(High::UpTo(Limit::Number(limit))),
            ..self
        }
    }

    /// The same, bounded by the value of another key.
    pub(super) const fn with_high(self, high: High) -> Self {
        Self {
            high: Some(high),
            ..self
        }
    }

    /// What the program takes, and why no more.
    pub(super) const fn taken(self, least: f64, most: f64, reason: &'static str) -> Self {
        Self {
            range: Some(Range {
                least: Some(least),
                most,
                reason,
            }),
            ..self
        }
    }

    /// The same, without a lower end.
    pub(super) const fn taken_up_to(self, most: f64, reason: &'static str) -> Self {
        Self {
            range: Some(Range {
                least: None,
                most,
                reason,
            }),
            ..self
        }
    }

    /// The upper limit in one file; `of_key` gives the value of another key.
    pub(super) fn high_limit(
        &self,
        unit: &str,
        of_key: impl FnOnce(&str, &str) -> Option<f64>,
    ) -> Option<HighLimit> {
        let high = self.high?;
        let (limit, included) = match high {
            High::Below(limit) => (limit, false),
            High::UpTo(limit) => (limit, true),
        };
        let (value, words) = match limit {
            Limit::Number(value) => (value, format!("{value}{}", spaced(unit))),
            Limit::OfKey {
                section,
                key,
                words: (before, after),
            } => {
                let value = of_key(section, key)?;
                (value, format!("{before}{value}{after}"))
            }
        };
        Some(HighLimit {
            value,
            included,
            words,
        })
    }

    /// Whether a number is possible. Whether the program takes it is told by
    /// [`Self::range`].
    pub(super) fn allow(&self, number: f64, high: Option<&HighLimit>) -> bool {
        let size = number.abs();
        let above = match self.low {
            Low::Any => true,
            Low::AboveZero => number > 0.0,
            Low::FromZero | Low::ZeroToHundred => number >= 0.0,
        };
        number.is_finite()
            && (size == 0.0 || MAGNITUDES.contains(&size))
            && above
            && high.is_none_or(|limit| {
                number < limit.value || (limit.included && number <= limit.value)
            })
    }

    /// What would be right, as a noun: "a length above 0 m".
    pub(super) fn right(&self, unit: &str, high: Option<&HighLimit>) -> String {
        let (what, unit) = (self.what, spaced(unit));
        let mut right = match self.low {
            Low::Any => format!("{what} in{unit}"),
            Low::AboveZero => format!("{what} above 0{unit}"),
            Low::FromZero => format!("{what} of 0{unit} or more"),
            Low::ZeroToHundred => return format!("{what} from 0 to 100{unit}"),
        };
        if let Some(limit) = high {
            let how = if limit.included { "up to" } else { "below" };
            // Writing into a String cannot fail.
            let _ = write!(right, " and {how} {}", limit.words);
        }
        right
    }

    /// The range that is taken, in words: "a length up to 1000 m".
    pub(super) fn right_range(&self, unit: &str, range: &Range) -> String {
        let (what, most, unit) = (self.what, range.most, spaced(unit));
        match range.least {
            Some(least) => format!("{what} from {least} to {most}{unit}"),
            None => format!("{what} up to {most}{unit}"),
        }
    }
}

impl Range {
    pub(super) fn holds(&self, number: f64) -> bool {
        number <= self.most && self.least.is_none_or(|least| number >= least)
    }
}

fn spaced(unit: &str) -> String {
    if unit.is_empty() {
        String::new()
    } else {
        format!(" {unit}")
    }
}

impl InUnit {
    /// The unit as it stands in messages: letters of a keyboard, nothing for a
    /// value without one. `word` gives the word at another key.
    pub(super) fn in_messages<'w>(&self, word: impl FnOnce(&str) -> Option<&'w str>) -> String {
        match self.in_listing(word) {
            "–" => String::new(),
            unit => unit.replace('²', "2").replace('µ', "u"),
        }
    }

    /// The unit of one file's value.
    pub(super) fn in_listing<'w>(
        &self,
        word: impl FnOnce(&str) -> Option<&'w str>,
    ) -> &'static str {
        match self {
            Self::Always(unit) => unit,
            Self::SetBy { key, unit, .. } => word(key).map_or("–", unit),
        }
    }
}

impl Key {
    /// A number in a unit.
    pub(super) const fn number(
        name: &'static str,
        unit: &'static str,
        bounds: Bounds,
        absent: Absent,
        doc: &'static str,
    ) -> Self {
        Self {
            name,
            unit: InUnit::Always(unit),
            kind: Kind::Number(bounds),
            absent,
            only_for: None,
            doc,
        }
    }

    /// A whole number from `low` to `high`.
    pub(super) const fn whole(
        name: &'static str,
        unit: &'static str,
        (what, low, high): (&'static str, u32, u32),
        absent: Absent,
        doc: &'static str,
    ) -> Self {
        Self {
            name,
            unit: InUnit::Always(unit),
            kind: Kind::Whole { what, low, high },
            absent,
            only_for: None,
            doc,
        }
    }

    /// A text; `right` says what would be right.
    pub(super) const fn text(
        name: &'static str,
        right: &'static str,
        absent: Absent,
        doc: &'static str,
    ) -> Self {
        Self {
            name,
            unit: InUnit::Always("–"),
            kind: Kind::Text(right),
            absent,
            only_for: None,
            doc,
        }
    }

    /// `true` or `false`.
    pub(super) const fn switch(name: &'static str, absent: Absent, doc: &'static str) -> Self {
        Self {
            name,
            unit: InUnit::Always("–"),
            kind: Kind::Switch,
            absent,
            only_for: None,
            doc,
        }
    }

    /// One word of a list.
    pub(super) const fn word(
        name: &'static str,
        list: fn() -> Vec<&'static str>,
        absent: Absent,
        doc: &'static str,
    ) -> Self {
        Self {
            name,
            unit: InUnit::Always("–"),
            kind: Kind::Word(list),
            absent,
            only_for: None,
            doc,
        }
    }

    /// A list of words with `always` among them.
    pub(super) const fn words(
        name: &'static str,
        list: fn() -> Vec<&'static str>,
        always: &'static str,
        doc: &'static str,
    ) -> Self {
        Self {
            kind: Kind::Words(list, always),
            ..Self::word(name, list, Absent::OnlyWord(always), doc)
        }
    }

    /// One word of a list, or a table with the keys of a section.
    pub(super) const fn word_or_keys_of(
        name: &'static str,
        list: fn() -> Vec<&'static str>,
        section: &'static Section,
        absent: Absent,
        doc: &'static str,
    ) -> Self {
        Self {
            kind: Kind::WordOrKeysOf(list, section),
            ..Self::word(name, list, absent, doc)
        }
    }

    /// The same key, for one word of another key only.
    pub(super) const fn only_for(self, key: &'static str, word: &'static str) -> Self {
        Self {
            only_for: Some((key, word)),
            ..self
        }
    }

    /// The same key, in a unit that the word at another key sets.
    pub(super) const fn in_unit_of(
        self,
        key: &'static str,
        guide: &'static str,
        unit: fn(&str) -> &'static str,
    ) -> Self {
        Self {
            unit: InUnit::SetBy { key, guide, unit },
            ..self
        }
    }

    /// Whether the key has to be there; `word` gives the word at another key of
    /// the same section.
    pub(super) fn is_required<'w>(&self, word: impl Fn(&str) -> Option<&'w str>) -> bool {
        match self.absent {
            Absent::Required => self
                .only_for
                .is_none_or(|(key, wanted)| word(key) == Some(wanted)),
            Absent::RequiredByRole => self
                .roles_in_need()
                .any(|role| word("role") == Some(role.row().word)),
            Absent::WordForSignal(_) | Absent::NumberForSignal(_) => {
                word("role") != Some(RoleKind::DriveSignal.row().word)
            }
            Absent::RequiredWith(_)
            | Absent::Nothing(_)
            | Absent::Number(_)
            | Absent::Practice(_)
            | Absent::Whole(_)
            | Absent::Word(_)
            | Absent::Off
            | Absent::OnlyWord(_)
            | Absent::Computed(_) => false,
        }
    }

    /// The roles that need the key.
    pub(super) fn roles_in_need(&self) -> impl Iterator<Item = RoleKind> {
        RoleKind::ALL
            .into_iter()
            .filter(|role| role.row().needs == Some(self.name))
    }
}
