//! One word out of a closed list, and the nearest word to a misspelt one.
//!
//! In: a word of the file. Out: its meaning, or the words that would be right.

use serde::Deserialize;
use serde::de::IntoDeserializer;
use serde::de::value::{MapDeserializer, StrDeserializer};
use std::fmt;

/// Longer words than this are compared with nothing: they are no slip.
const LONGEST_WORD: usize = 64;

/// The words of the list that `T` derives with serde, so that they stand in one
/// place.
pub(super) fn words_of<T: for<'de> Deserialize<'de>>() -> Vec<&'static str> {
    match choose::<T>("") {
        Err(NotInList(words)) => words.to_vec(),
        Ok(_) => Vec::new(),
    }
}

/// The words at the key `kind` by which an enum with `#[serde(tag = "kind")]`
/// tells its variants.
pub(super) fn kinds_of<T: for<'de> Deserialize<'de>>() -> Vec<&'static str> {
    let empty = std::iter::once(("kind", ""));
    let map: MapDeserializer<'_, _, NotInList> = MapDeserializer::new(empty);
    match T::deserialize(map) {
        Err(NotInList(words)) => words.to_vec(),
        Ok(_) => Vec::new(),
    }
}

/// The meaning of `word` in the list that `T` derives with serde, or the whole
/// list.
pub(super) fn choose<T: for<'de> Deserialize<'de>>(word: &str) -> Result<T, NotInList> {
    let word: StrDeserializer<'_, NotInList> = word.into_deserializer();
    T::deserialize(word)
}

/// A word that is not in the list; holds the list.
#[derive(Debug)]
pub(super) struct NotInList(&'static [&'static str]);

impl fmt::Display for NotInList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "one of {}", self.0.join(", "))
    }
}

impl std::error::Error for NotInList {}

impl serde::de::Error for NotInList {
    fn custom<M: fmt::Display>(_: M) -> Self {
        Self(&[])
    }

    fn unknown_variant(_: &str, expected: &'static [&'static str]) -> Self {
        Self(expected)
    }
}

/// What would be right instead of `wrong`: the nearest of `known` if one is
/// near, else all of them.
pub(super) fn right_word(wrong: &str, known: &[&str]) -> String {
    match nearest(wrong, known) {
        Some(word) => format!("\"{word}\""),
        None => format!("one of {}", known.join(", ")),
    }
}

/// The candidate that `wrong` most probably stands for: at most one slip in
/// three letters away, or the first that begins with it, or the only one that
/// has it as a part.
pub(super) fn nearest<'k>(wrong: &str, known: &[&'k str]) -> Option<&'k str> {
    if wrong.len() > LONGEST_WORD {
        return None;
    }
    let wrong = plain(wrong);
    let letters = wrong.chars().count();
    let by_slips = known
        .iter()
        .map(|word| (strsim::damerau_levenshtein(&wrong, &plain(word)), *word))
        .filter(|(slips, _)| *slips <= (letters / 3).max(1))
        .min_by_key(|(slips, _)| *slips);
    if let Some((_, word)) = by_slips {
        return Some(word);
    }
    if letters < 3 {
        return None;
    }
    let mut beginning = known.iter().filter(|word| plain(word).starts_with(&wrong));
    let mut containing = known.iter().filter(|word| plain(word).contains(&wrong));
    beginning
        .next()
        .or_else(|| containing.next().filter(|_| containing.next().is_none()))
        .copied()
}

/// Units that are not in the list, with the one that is and what a value in the one
/// has to be multiplied with: 1 kgf is 9.806 65 N, 1 lbf 4.448 221 615 260 5 N, 1 in
/// 25.4 mm (NIST SP 811, appendix B, from memory; all exact).
const OTHER_UNITS: [(&[&str], &str, Option<f64>); 7] = [
    (&["kgf", "kp"], "N", Some(9.806_65)),
    (&["lbf"], "N", Some(4.448_221_615_260_5)),
    (&["in", "inch"], "mm", Some(25.4)),
    (&["in/s", "ips"], "mm/s", Some(25.4)),
    (&["mil"], "um", Some(25.4)),
    (
        &["ue", "µε", "με", "microstrain", "ustrain", "µm/m", "μm/m"],
        "um/m",
        None,
    ),
    (&["m/s^2", "m/s²"], "m/s2", None),
];

/// What to write instead of a unit that is not in the list.
pub(super) fn unit_in_list(wrong: &str, known: &[&str]) -> Option<String> {
    let (_, unit, times) = OTHER_UNITS
        .iter()
        .find(|(names, unit, _)| names.contains(&wrong) && known.contains(unit))?;
    Some(match times {
        None => format!("\"{unit}\""),
        Some(times) => format!("\"{unit}\", with full_scale times {times},"),
    })
}

/// Case and the choice between `-` and `_` are no difference of meaning.
fn plain(word: &str) -> String {
    word.to_lowercase().replace('-', "_")
}
