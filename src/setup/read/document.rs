//! The sections of the file: which there are, which are missing or misspelt.
//!
//! In: the parsed root of the file. Out: a [`Table`] for each section.

use super::choice::{nearest, right_word};
use super::table::{Need, Table, kind_words};
use super::{LISTS, SECTIONS};
use crate::setup::fault::Log;
use toml::de::{DeTable, DeValue};

/// The top level of the file.
pub(super) struct Document<'a> {
    root: &'a DeTable<'a>,
    /// Sections that are not there, but a misspelt form of them is.
    misspelt: Vec<&'static str>,
}

impl<'a> Document<'a> {
    pub(super) fn open(root: &'a DeTable<'a>, log: &mut Log) -> Self {
        let names: Vec<&'static str> = SECTIONS.iter().map(|(name, _)| *name).collect();
        let mut misspelt = Vec::new();
        for key in root.keys() {
            let word: &str = key.get_ref();
            if names.contains(&word) {
                continue;
            }
            misspelt.extend(nearest(word, &names));
            let right = home_of(word, "").unwrap_or_else(|| right_word(word, &names));
            log.fault(
                key.span().start,
                word.escape_debug().to_string(),
                "there is no such section",
                right,
            );
        }
        Self { root, misspelt }
    }

    pub(super) fn section<'l>(&self, name: &'static str, need: Need, log: &'l mut Log) -> Table<'l>
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
                let wrong = kind_words(other);
                log.fault(offset, name, wrong, format!("one section [{name}]"));
                Table::faulty(name, offset, log)
            }
        }
    }

    pub(super) fn list<T>(
        &self,
        name: &'static str,
        need: Need,
        log: &mut Log,
        mut read: impl FnMut(&mut Table<'_>) -> T,
    ) -> Vec<T> {
        let right = format!("at least one section [[{name}]]");
        let Some((_, value)) = self.root.get_key_value(name) else {
            if need == Need::Required && !self.misspelt.contains(&name) {
                log.fault(0, name, "the section is missing", right);
            }
            return Vec::new();
        };
        let offset = value.span().start;
        log.remember(name, offset);
        let DeValue::Array(values) = value.get_ref() else {
            let wrong = kind_words(value.get_ref());
            log.fault(
                offset,
                name,
                wrong,
                format!("[[{name}]] in double brackets"),
            );
            return Vec::new();
        };
        if values.is_empty() && need == Need::Required {
            log.fault(offset, name, "the list is empty", right);
        }
        let mut read_all = Vec::with_capacity(values.len());
        for (nth, value) in values.iter().enumerate() {
            let offset = value.span().start;
            let DeValue::Table(entries) = value.get_ref() else {
                let wrong = kind_words(value.get_ref());
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
