//! Reads one section by its rows of the table.
//!
//! In: a TOML table. Out: [`Fields`]. Unknown keys, wrong types and impossible
//! numbers go to the [`Log`] and reading goes on, so that all of them come out
//! together.

use super::fields::{Field, Fields, State, join};
use super::value::{Expected, Wrong, shown};
use crate::setup::choice::{nearest, right_word};
use crate::setup::fault::{Log, Place};
use crate::setup::key::{Form, Section};
use crate::setup::table::SECTIONS;
use toml::de::{DeTable, DeValue};

/// Reads the keys of `entries`, which stand under `title` at `offset`. `root` is
/// the whole file, for limits that another key sets.
pub(super) fn read(
    root: &DeTable<'_>,
    entries: &DeTable<'_>,
    section: &'static Section,
    title: String,
    offset: usize,
    log: &mut Log,
) -> Fields {
    log.remember(&title, offset);
    // Above the first section stand the sections themselves: whoever opened the
    // file has looked through them.
    let misspelt = match section.form {
        Form::Top => Vec::new(),
        _ => unknown_keys(entries, section, &title, log),
    };
    let word = |key: &str| word_at(entries, key);
    let mut fields = Fields::new(section, title, offset);
    for key in section.keys {
        let expected = Expected::of(key, word, |section, key| number_at(root, section, key));
        let (offset, state) = match entries.get_key_value(key.name) {
            Some((place, value)) => {
                let place = Place {
                    offset: place.span().start,
                    key: fields.path(key.name),
                };
                log.remember(&place.key, place.offset);
                let state = match expected.take(value.get_ref()) {
                    Ok(value) => State::Given(value),
                    Err(Wrong { wrong, right }) => {
                        log.fault(&place, wrong, right);
                        State::Faulty
                    }
                };
                (place.offset, state)
            }
            None if misspelt.contains(&key.name) => (offset, State::Faulty),
            None if key.is_required(word) => {
                let place = Place {
                    offset,
                    key: fields.path(key.name),
                };
                log.fault(&place, "is missing", expected.right());
                (offset, State::Faulty)
            }
            None => (offset, State::Absent(None)),
        };
        fields.all.push(Field { key, offset, state });
    }
    fields
}

/// Logs every key that the section does not have. Out: the keys that are
/// probably meant, and so are not missing.
fn unknown_keys(
    entries: &DeTable<'_>,
    section: &Section,
    title: &str,
    log: &mut Log,
) -> Vec<&'static str> {
    let names: Vec<&'static str> = section.keys.iter().map(|key| key.name).collect();
    let mut misspelt = Vec::new();
    for (offset, word) in not_among(&names, entries) {
        if log.counts_only(offset) {
            continue;
        }
        misspelt.extend(nearest(word, &names));
        let right = home_of(word, section.name).unwrap_or_else(|| right_word(word, &names));
        let place = Place {
            offset,
            key: join(title, &shown(word)),
        };
        log.fault(&place, "there is no such key", right);
    }
    misspelt
}

/// The keys of a table that are not among `names`, with their places, in the
/// order of the text.
pub(super) fn not_among<'e>(names: &[&str], entries: &'e DeTable<'_>) -> Vec<(usize, &'e str)> {
    let mut others: Vec<(usize, &str)> = entries
        .keys()
        .map(|key| (key.span().start, &**key.get_ref()))
        .filter(|(_, word)| !names.contains(word))
        .collect();
    others.sort_unstable();
    others
}

/// Where a key that stands in the wrong section, or at the top level, belongs.
pub(super) fn home_of(key: &str, section: &str) -> Option<String> {
    let home = SECTIONS
        .iter()
        .find(|other| other.name != section && other.key(key).is_some())?;
    Some(home.home())
}

fn word_at<'e>(entries: &'e DeTable<'_>, key: &str) -> Option<&'e str> {
    match entries.get(key)?.get_ref() {
        DeValue::String(word) => Some(word),
        _ => None,
    }
}

/// The number at a key of a section that occurs once, if it is possible by
/// itself.
fn number_at(root: &DeTable<'_>, section: &str, key: &str) -> Option<f64> {
    let row = SECTIONS
        .iter()
        .find(|other| other.name == section)?
        .key(key)?;
    let DeValue::Table(entries) = root.get(section)?.get_ref() else {
        return None;
    };
    let expected = Expected::of(row, |key| word_at(entries, key), |_, _| None);
    expected.take(entries.get(key)?.get_ref()).ok()?.as_float()
}
