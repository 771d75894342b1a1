//! From text to raw sections, and from raw sections to a setup.
//!
//! In: the text. Out: a [`RawSetup`] in which every key knows its place, with
//! all syntax, key and type faults and impossible numbers in the [`Log`]. A new
//! section is entered in [`SECTIONS`], [`RawSetup::read`] and
//! [`RawSetup::build`]; a new key in the file of its section.

pub(super) mod bench;
pub(super) mod choice;
mod hold;
mod limits;
mod table;
pub(super) mod wiring;

use super::fault::Log;
use super::model::{Setup, Sweep};
use bench::{RawAmplitude, RawConductor, RawSpan, RawSweep, RawTest};
use hold::RawHold;
pub(super) use table::Field;
use table::{Need, Table};
use toml::de::{DeTable, DeValue};
use wiring::{RawChannel, RawSource};

/// Every section with its keys.
const SECTIONS: &[(&str, &[&str])] = &[
    ("test", RawTest::KEYS),
    ("conductor", RawConductor::KEYS),
    ("span", RawSpan::KEYS),
    ("sweep", RawSweep::KEYS),
    ("amplitude", RawAmplitude::KEYS),
    ("hold", RawHold::KEYS),
    ("source", RawSource::KEYS),
    ("channel", RawChannel::KEYS),
];

/// The sections that may occur several times.
const LISTS: &[&str] = &["source", "channel"];

/// The file as read, before anything is checked across keys.
pub(super) struct RawSetup {
    pub(super) test: RawTest,
    pub(super) conductor: RawConductor,
    pub(super) span: RawSpan,
    pub(super) sweep: RawSweep,
    pub(super) amplitude: Option<RawAmplitude>,
    pub(super) hold: RawHold,
    pub(super) sources: Vec<RawSource>,
    pub(super) channels: Vec<RawChannel>,
}

impl RawSetup {
    /// `None` when the text is no TOML. Then only the syntax faults are
    /// logged: what stands in which section cannot be told.
    pub(super) fn read(text: &str, log: &mut Log) -> Option<Self> {
        let (root, errors) = DeTable::parse_recoverable(text);
        if !errors.is_empty() {
            for error in errors {
                log_syntax(&error, text, log);
            }
            return None;
        }
        let document = Document::open(root.get_ref(), log);
        let conductor = RawConductor::read(&mut document.section("conductor", Need::Required, log));
        let span = RawSpan::read(
            &mut document.section("span", Need::Required, log),
            &conductor,
        );
        let mut level = document.section("amplitude", Need::Optional, log);
        let amplitude = if level.is_absent() {
            None
        } else {
            Some(RawAmplitude::read(&mut level))
        };
        Some(Self {
            test: RawTest::read(&mut document.section("test", Need::Required, log)),
            sweep: RawSweep::read(&mut document.section("sweep", Need::Optional, log)),
            hold: RawHold::read(&mut document.section("hold", Need::Optional, log)),
            sources: document.list("source", log, RawSource::read),
            channels: document.list("channel", log, |table| {
                RawChannel::read(table, &span.length_m)
            }),
            amplitude,
            conductor,
            span,
        })
    }

    /// `None` exactly when a fault is logged.
    pub(super) fn build(self) -> Option<Setup> {
        let sweep: Sweep = self.sweep.effective(&self.conductor)?;
        let sources = self
            .sources
            .into_iter()
            .map(RawSource::build)
            .collect::<Option<Vec<_>>>()?;
        let names: Vec<String> = sources.iter().map(|source| source.name.clone()).collect();
        let channels = self
            .channels
            .into_iter()
            .map(|channel| channel.build(&names))
            .collect::<Option<Vec<_>>>()?;
        let amplitude = match self.amplitude {
            Some(level) => Some(level.build()?),
            None => None,
        };
        Some(Setup {
            test: self.test.build()?,
            conductor: self.conductor.build()?,
            span: self.span.build()?,
            sweep,
            amplitude,
            hold: self.hold.build()?,
            sources,
            channels,
        })
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
        let names: Vec<&'static str> = SECTIONS.iter().map(|(name, _)| *name).collect();
        let mut misspelt = Vec::new();
        for key in root.keys() {
            let word: &str = key.get_ref();
            if names.contains(&word) {
                continue;
            }
            misspelt.extend(choice::nearest(word, &names));
            let right = home_of(word, "").unwrap_or_else(|| choice::right_word(word, &names));
            log.fault(
                key.span().start,
                word.escape_debug().to_string(),
                "there is no such section",
                right,
            );
        }
        Self { root, misspelt }
    }

    fn section<'l>(&self, name: &'static str, need: Need, log: &'l mut Log) -> Table<'l>
    where
        'a: 'l,
    {
        let Some((_, value)) = self.root.get_key_value(name) else {
            if self.misspelt.contains(&name) {
                return Table::faulty(name, 0, log);
            }
            if need == Need::Optional {
                return Table::absent(name, log);
            }
            log.fault(
                0,
                name,
                "the section is missing",
                format!("a section [{name}]"),
            );
            return Table::faulty(name, 0, log);
        };
        let offset = value.span().start;
        match value.get_ref() {
            DeValue::Table(entries) => Table::open(
                entries,
                name.to_owned(),
                offset,
                keys_of(name),
                |key| home_of(key, name),
                log,
            ),
            other => {
                let wrong = table::kind_words(other);
                log.fault(offset, name, wrong, format!("one section [{name}]"));
                Table::faulty(name, offset, log)
            }
        }
    }

    fn list<T>(
        &self,
        name: &'static str,
        log: &mut Log,
        mut read: impl FnMut(&mut Table<'_>) -> T,
    ) -> Vec<T> {
        let right = format!("at least one section [[{name}]]");
        let Some((_, value)) = self.root.get_key_value(name) else {
            if !self.misspelt.contains(&name) {
                log.fault(0, name, "the section is missing", right);
            }
            return Vec::new();
        };
        let offset = value.span().start;
        log.remember(name, offset);
        let DeValue::Array(values) = value.get_ref() else {
            let wrong = table::kind_words(value.get_ref());
            log.fault(
                offset,
                name,
                wrong,
                format!("[[{name}]] in double brackets"),
            );
            return Vec::new();
        };
        if values.is_empty() {
            log.fault(offset, name, "the list is empty", right);
        }
        let mut read_all = Vec::with_capacity(values.len());
        for (nth, value) in values.iter().enumerate() {
            let offset = value.span().start;
            let DeValue::Table(entries) = value.get_ref() else {
                let wrong = table::kind_words(value.get_ref());
                log.fault(offset, name, wrong, format!("a section [[{name}]]"));
                continue;
            };
            let title = match entries.get("name").map(serde_spanned::Spanned::get_ref) {
                Some(DeValue::String(own)) if !own.trim().is_empty() => {
                    format!("{name}[{}]", own.escape_debug())
                }
                _ => format!("{name}[#{}]", nth + 1),
            };
            let home = |key: &str| home_of(key, name);
            let mut table = Table::open(entries, title, offset, keys_of(name), home, log);
            read_all.push(read(&mut table));
        }
        read_all
    }
}

fn keys_of(section: &str) -> &'static [&'static str] {
    SECTIONS
        .iter()
        .find(|(name, _)| *name == section)
        .map_or(&[], |(_, keys)| *keys)
}

/// Where a key that stands in the wrong section belongs.
fn home_of(key: &str, section: &str) -> Option<String> {
    let (home, _) = SECTIONS
        .iter()
        .find(|(name, keys)| *name != section && keys.contains(&key))?;
    Some(if LISTS.contains(home) {
        format!("its place under [[{home}]]")
    } else {
        format!("its place under [{home}]")
    })
}

fn log_syntax(error: &toml::de::Error, text: &str, log: &mut Log) {
    let offset = error.span().map_or(0, |span| span.start);
    let line = text
        .get(..offset)
        .and_then(|before| before.rsplit('\n').next())
        .unwrap_or_default();
    let rest = text
        .get(offset..)
        .and_then(|after| after.lines().next())
        .unwrap_or_default();
    let shown: String = format!("{line}{rest}").trim().chars().take(60).collect();
    let message = error.message().replace('\n', " ");
    log.fault(
        offset,
        "",
        format!("`{}` is no TOML: {message}", shown.escape_debug()),
        "a line such as `key = value` or `[section]`",
    );
}
