//! From text to sections.
//!
//! In: the text. Out: a [`RawSetup`] in which every key knows its place, with
//! all syntax, key and type faults and impossible numbers in the [`Log`].

mod fields;
mod section;
mod value;

pub(super) use fields::{Field, Fields, State};

use super::choice::{nearest, right_word};
use super::fault::{Log, Place};
use super::key::{Form, Section};
use super::table::{
    AMPLITUDE, CHANNEL, CONDUCTOR, CRITERIA, HOLD, INSTRUMENT, LIMITS, PICTURE, PLACE, REPORT,
    SECTIONS, SOURCE, SPAN, SWEEP, TEST, TOP,
};
use section::{home_of, not_among};
use toml::de::{DeTable, DeValue};
use value::{kind_words, shown};

/// The file as read, before anything is checked across keys.
pub(super) struct RawSetup {
    pub(super) top: Fields,
    pub(super) test: Fields,
    pub(super) report: Fields,
    pub(super) instruments: Vec<Fields>,
    pub(super) pictures: Vec<Fields>,
    pub(super) conductor: Fields,
    pub(super) span: Fields,
    pub(super) sweep: Fields,
    pub(super) amplitude: Fields,
    pub(super) hold: Fields,
    pub(super) limits: Fields,
    pub(super) sources: Vec<Fields>,
    pub(super) channels: Vec<Fields>,
    pub(super) placements: Vec<Fields>,
    pub(super) criteria: Vec<Fields>,
}

impl RawSetup {
    /// `None` when the text is no TOML. Then only the syntax faults are
    /// logged: what stands in which section cannot be told.
    pub(super) fn read(text: &str, log: &mut Log) -> Option<Self> {
        let (root, errors) = DeTable::parse_recoverable(text);
        if !errors.is_empty() {
            let mut syntax = SyntaxFaults::default();
            for error in errors {
                syntax.log(&error, text, log);
            }
            return None;
        }
        let document = Document::open(root.get_ref(), log);
        Some(Self {
            top: document.top(log),
            test: document.one(&TEST, log),
            report: document.one(&REPORT, log),
            instruments: document.list(&INSTRUMENT, log),
            pictures: document.list(&PICTURE, log),
            conductor: document.one(&CONDUCTOR, log),
            span: document.one(&SPAN, log),
            sweep: document.one(&SWEEP, log),
            amplitude: document.one(&AMPLITUDE, log),
            hold: document.one(&HOLD, log),
            limits: document.one(&LIMITS, log),
            sources: document.list(&SOURCE, log),
            channels: document.list(&CHANNEL, log),
            placements: document.list(&PLACE, log),
            criteria: document.list(&CRITERIA, log),
        })
    }

    /// Every section of the file, in the order of the table.
    pub(super) fn sections(&self) -> impl Iterator<Item = &Fields> {
        [&self.top, &self.test, &self.report]
            .into_iter()
            .chain(&self.instruments)
            .chain(&self.pictures)
            .chain([
                &self.conductor,
                &self.span,
                &self.sweep,
                &self.amplitude,
                &self.hold,
                &self.limits,
            ])
            .chain(&self.sources)
            .chain(&self.channels)
            .chain(&self.placements)
            .chain(&self.criteria)
    }
}

/// The top level of the file.
struct Document<'a> {
    root: &'a DeTable<'a>,
    /// Sections that are not there, but a misspelt form of them is.
    misspelt: Vec<&'static str>,
}

impl<'a> Document<'a> {
    fn open(root: &'a DeTable<'a>, log: &mut Log) -> Self {
        let sections = SECTIONS.iter().map(|section| section.name);
        let sections: Vec<&'static str> = sections.filter(|name| !name.is_empty()).collect();
        let keys = TOP.keys.iter().map(|key| key.name);
        let names: Vec<&'static str> = sections.iter().copied().chain(keys).collect();
        let mut misspelt = Vec::new();
        for (offset, word) in not_among(&names, root) {
            if log.counts_only(offset) {
                continue;
            }
            let meant = nearest(word, &names);
            misspelt.extend(meant);
            let among = meant.map_or(&sections, |_| &names);
            let right = home_of(word, "").unwrap_or_else(|| right_word(word, among));
            let place = Place {
                offset,
                key: shown(word),
            };
            log.fault(&place, "there is no such section", right);
        }
        Self { root, misspelt }
    }

    /// The keys above the first section.
    fn top(&self, log: &mut Log) -> Fields {
        section::read(self.root, self.root, &TOP, String::new(), 0, log)
    }

    /// A section that may occur once.
    fn one(&self, section: &'static Section, log: &mut Log) -> Fields {
        let name = section.name;
        let at = |offset| Place {
            offset,
            key: name.to_owned(),
        };
        let Some((_, value)) = self.root.get_key_value(name) else {
            if self.misspelt.contains(&name) {
                return Fields::faulty(section, 0);
            }
            if section.form == Form::Optional {
                return Fields::absent(section);
            }
            let right = format!("a section {}", section.header());
            log.fault(&at(0), "the section is missing", right);
            return Fields::faulty(section, 0);
        };
        let offset = value.span().start;
        match value.get_ref() {
            DeValue::Table(entries) => {
                section::read(self.root, entries, section, name.to_owned(), offset, log)
            }
            other => {
                let right = format!("one section {}", section.header());
                log.fault(&at(offset), kind_words(other), right);
                Fields::faulty(section, offset)
            }
        }
    }

    /// A section that may occur several times.
    fn list(&self, section: &'static Section, log: &mut Log) -> Vec<Fields> {
        let (name, header) = (section.name, section.header());
        let (least, most) = match section.form {
            Form::List { least, most } => (least, most),
            Form::Top | Form::Required | Form::Optional => (0, 1),
        };
        let at = |offset| Place {
            offset,
            key: name.to_owned(),
        };
        let right = format!("at least one section {header}");
        let Some((_, value)) = self.root.get_key_value(name) else {
            if least > 0 && !self.misspelt.contains(&name) {
                log.fault(&at(0), "the section is missing", right);
            }
            return Vec::new();
        };
        let offset = value.span().start;
        log.remember(name, offset);
        let DeValue::Array(values) = value.get_ref() else {
            let wrong = kind_words(value.get_ref());
            log.fault(&at(offset), wrong, format!("{header} in double brackets"));
            return Vec::new();
        };
        if values.len() < least {
            log.fault(&at(offset), "the list is empty", right);
        }
        if let Some(first) = values.get(most) {
            log.fault(
                &at(first.span().start),
                format!("there are {} sections {header}", values.len()),
                format!("at most {most}"),
            );
        }
        let mut read = Vec::with_capacity(values.len().min(most));
        for (nth, value) in values.iter().take(most).enumerate() {
            let offset = value.span().start;
            let DeValue::Table(entries) = value.get_ref() else {
                let wrong = kind_words(value.get_ref());
                log.fault(&at(offset), wrong, format!("a section {header}"));
                continue;
            };
            let title = match entries.get("name").map(serde_spanned::Spanned::get_ref) {
                Some(DeValue::String(own)) if !own.trim().is_empty() => {
                    format!("{name}[{}]", own.escape_debug())
                }
                _ => format!("{name}[#{}]", nth + 1),
            };
            read.push(section::read(
                self.root, entries, section, title, offset, log,
            ));
        }
        read
    }
}

/// The faults of a text that is no TOML, as they are found.
#[derive(Default)]
struct SyntaxFaults {
    /// Whether the section in hand repeats one whose header wants two brackets: all
    /// its keys are said to be double then, which is no news.
    repeats_a_list: bool,
}

impl SyntaxFaults {
    fn log(&mut self, error: &toml::de::Error, text: &str, log: &mut Log) {
        let offset = error.span().map_or(0, |span| span.start);
        if log.counts_only(offset) {
            return;
        }
        let before = text
            .get(..offset)
            .and_then(|before| before.rsplit('\n').next())
            .unwrap_or_default();
        let rest = text
            .get(offset..)
            .and_then(|after| after.lines().next())
            .unwrap_or_default();
        let line = format!("{before}{rest}");
        let line = line.trim();
        let list = list_in_single_brackets(line);
        if list.is_none() && self.repeats_a_list && !line.starts_with('[') {
            return;
        }
        self.repeats_a_list = list.is_some();
        let shown: String = line.chars().take(60).collect();
        let message = error.message().replace('\n', " ");
        let place = Place {
            offset,
            key: String::new(),
        };
        let right = list
            .map(|list| format!("`[[{list}]]`, in two brackets, once for each {list},"))
            .or_else(|| {
                with_decimal_point(line).map(|line| format!("`{line}`, with a decimal point,"))
            })
            .unwrap_or_else(|| "a line such as `key = value` or `[section]`".to_owned());
        log.fault(
            &place,
            format!("`{}` is no TOML: {message}", shown.escape_debug()),
            right,
        );
    }
}

/// The section of which there may be several, where its header has single brackets.
fn list_in_single_brackets(line: &str) -> Option<&'static str> {
    let name = line.strip_prefix('[')?.split(']').next()?.trim();
    let lists = [&INSTRUMENT, &SOURCE, &CHANNEL, &PLACE, &CRITERIA];
    lists
        .into_iter()
        .map(|section| section.name)
        .find(|list| *list == name)
}

/// A line with a decimal comma, put right.
fn with_decimal_point(line: &str) -> Option<String> {
    let (key, value) = line.split_once('=')?;
    let value = value.split('#').next()?.trim();
    let (whole, decimals) = value.split_once(',')?;
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    let is_number = digits(whole.trim_start_matches(['-', '+'])) && digits(decimals);
    is_number.then(|| format!("{} = {whole}.{decimals}", key.trim()))
}
