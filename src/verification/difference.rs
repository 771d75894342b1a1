//! What is stored against what comes out again: byte for byte or, where the
//! arithmetic was another, to the last digits; the first difference in words.
//! Touches nothing.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Map, Value};

use crate::ledger::target;
use crate::maths::ARITHMETIC_VERSION;

/// Numbers of another arithmetic agree when they lie no further apart than
/// this part of the largest magnitude that their quantity has in the file.
const LAST_DIGITS: f64 = 1e-9;

/// How closely a file has to come out again.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exactness {
    /// Every byte.
    Bytes,
    /// Numbers to their last digits, everything else exactly.
    LastDigits,
}

impl Exactness {
    /// For what was made with this arithmetic on this target: only the present
    /// ones have to give every byte again.
    pub fn of(made_on: Option<&str>, arithmetic: u32) -> Self {
        if made_on == Some(target().as_str()) && arithmetic == ARITHMETIC_VERSION {
            Self::Bytes
        } else {
            Self::LastDigits
        }
    }

    /// The less exact of two.
    #[must_use]
    pub fn or(self, other: Self) -> Self {
        if self == Self::LastDigits {
            self
        } else {
            other
        }
    }
}

/// How a stored file stands against what comes out again.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Agreement {
    /// The same.
    Identical,
    /// The same but for the last digits of numbers.
    LastDigits,
    /// Not the same.
    Differs(Difference),
}

/// Where a stored file and what comes out again part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Difference {
    /// Line, from 1, where the file is read by lines.
    pub line: Option<usize>,
    /// Half a sentence: which key, what is logged, what comes out.
    pub what: String,
}

impl Difference {
    /// One that concerns the whole file.
    pub fn whole(what: impl Into<String>) -> Self {
        Self {
            line: None,
            what: what.into(),
        }
    }

    fn at(line: usize, what: impl Into<String>) -> Self {
        Self {
            line: Some(line),
            what: what.into(),
        }
    }

    /// As a sentence.
    pub fn sentence(&self, file: &str) -> String {
        match self.line {
            Some(line) => format!("{file}, line {line}: {}.", self.what),
            None => format!("{file}: {}.", self.what),
        }
    }
}

/// Two files of JSON lines.
pub fn compare_lines(logged: &[u8], recomputed: &[u8], exactness: Exactness) -> Agreement {
    if logged == recomputed {
        return Agreement::Identical;
    }
    let lines = |bytes: &'_ [u8]| -> Vec<Vec<u8>> {
        bytes
            .split_inclusive(|byte| *byte == b'\n')
            .map(<[u8]>::to_vec)
            .collect()
    };
    let (logged, recomputed) = (lines(logged), lines(recomputed));
    let mut tolerance = Tolerance::new(exactness);
    for line in logged.iter().chain(&recomputed) {
        if let Ok(value) = serde_json::from_slice(line) {
            tolerance.learn(&value);
        }
    }
    for number in 0..logged.len().max(recomputed.len()) {
        let what = match (logged.get(number), recomputed.get(number)) {
            (Some(logged), Some(recomputed)) if logged == recomputed => None,
            (Some(logged), Some(recomputed)) => between_lines(logged, recomputed, &tolerance),
            (Some(logged), None) => Some(not_recomputed(logged)),
            (None, Some(recomputed)) => Some(not_logged(recomputed)),
            (None, None) => None,
        };
        if let Some(what) = what {
            return Agreement::Differs(Difference::at(number + 1, what));
        }
    }
    Agreement::LastDigits
}

/// What to say of a line that is too many.
pub(super) fn not_recomputed(logged: &[u8]) -> String {
    format!(
        "it is logged, but does not come out of the recordings: {}",
        short(logged)
    )
}

/// What to say of a line that is missing.
pub(super) fn not_logged(recomputed: &[u8]) -> String {
    format!(
        "it comes out of the recordings, but is not logged: {}",
        short(recomputed)
    )
}

/// Two JSON objects; a key that is absent is as good as one that is `null`.
pub fn compare_objects(logged: &Value, recomputed: &Value, exactness: Exactness) -> Agreement {
    let exact = Tolerance::new(Exactness::Bytes);
    let Some(first) = between_values(logged, recomputed, &mut Place::default(), &exact) else {
        return Agreement::Identical;
    };
    if exactness == Exactness::Bytes {
        return Agreement::Differs(Difference::whole(first));
    }
    let mut tolerance = Tolerance::new(exactness);
    tolerance.learn(logged);
    tolerance.learn(recomputed);
    match between_values(logged, recomputed, &mut Place::default(), &tolerance) {
        Some(what) => Agreement::Differs(Difference::whole(what)),
        None => Agreement::LastDigits,
    }
}

/// Two tables of comma-separated values with a heading.
pub fn compare_tables(logged: &[u8], recomputed: &[u8], exactness: Exactness) -> Agreement {
    if logged == recomputed {
        return Agreement::Identical;
    }
    let rows = |bytes: &[u8]| -> Option<Vec<Vec<String>>> {
        csv::ReaderBuilder::new()
            .has_headers(false)
            .flexible(true)
            .from_reader(bytes)
            .records()
            .map(|row| Some(row.ok()?.iter().map(str::to_owned).collect()))
            .collect()
    };
    let Some((stored, expected)) = rows(logged).zip(rows(recomputed)) else {
        return Agreement::Differs(Difference::whole("it is no table of this program"));
    };
    let heading = expected.first().cloned().unwrap_or_default();
    let mut tolerance = Tolerance::new(exactness);
    for row in stored.iter().chain(&expected) {
        for (column, cell) in heading.iter().zip(row) {
            tolerance.learn_number(column, cell.parse().unwrap_or(f64::NAN));
        }
    }
    for number in 0..stored.len().max(expected.len()) {
        let what = match (stored.get(number), expected.get(number)) {
            (Some(stored), Some(expected)) => between_rows(stored, expected, &heading, &tolerance),
            (Some(stored), None) => Some(not_recomputed(stored.join(",").as_bytes())),
            (None, Some(expected)) => Some(not_logged(expected.join(",").as_bytes())),
            (None, None) => None,
        };
        if let Some(what) = what {
            return Agreement::Differs(Difference::at(number + 1, what));
        }
    }
    match exactness {
        Exactness::LastDigits => Agreement::LastDigits,
        Exactness::Bytes => {
            Agreement::Differs(Difference::whole(between_bytes(logged, recomputed)))
        }
    }
}

fn between_rows(
    stored: &[String],
    expected: &[String],
    heading: &[String],
    tolerance: &Tolerance,
) -> Option<String> {
    for column in 0..stored.len().max(expected.len()) {
        let (logged, recomputed) = (stored.get(column), expected.get(column));
        let name = heading.get(column).map_or("a column too many", |name| name);
        let same = match (logged, recomputed) {
            (Some(logged), Some(recomputed)) => {
                let numbers = logged.parse().ok().zip(recomputed.parse().ok());
                logged == recomputed
                    || numbers.is_some_and(|(a, b)| tolerance.allows(name, a, b))
                    || tolerance.allows_text(logged, recomputed)
            }
            (None, None) => true,
            _ => false,
        };
        if !same {
            let cell = |cell: Option<&String>| match cell.map(String::as_str) {
                None | Some("") => "nothing".to_owned(),
                Some(text) => short(text.as_bytes()),
            };
            return Some(logged_as(name, &cell(logged), &cell(recomputed)));
        }
    }
    None
}

/// Two texts, line by line.
pub fn compare_texts(logged: &str, recomputed: &str, exactness: Exactness) -> Agreement {
    if logged == recomputed {
        return Agreement::Identical;
    }
    let tolerance = Tolerance::new(exactness);
    let (mut stored, mut expected) = (logged.split('\n'), recomputed.split('\n'));
    for line in 1.. {
        let what = match (stored.next(), expected.next()) {
            (None, None) => break,
            (Some(stored), Some(expected)) if tolerance.allows_text(stored, expected) => continue,
            (Some(stored), Some(expected)) => excerpts(stored, expected),
            (Some(stored), None) => not_recomputed(stored.as_bytes()),
            (None, Some(expected)) => not_logged(expected.as_bytes()),
        };
        return Agreement::Differs(Difference::at(line, what));
    }
    Agreement::LastDigits
}

/// Both lines around the place where they part.
fn excerpts(stored: &str, expected: &str) -> String {
    const BEFORE: usize = 30;
    let common = stored
        .chars()
        .zip(expected.chars())
        .take_while(|(a, b)| a == b)
        .count();
    let from = |text: &str| {
        let begin = common.saturating_sub(BEFORE);
        let part: String = text.chars().skip(begin).take(2 * BEFORE).collect();
        short(part.as_bytes())
    };
    format!(
        "it holds \"…{}…\", and what comes out is \"…{}…\"",
        from(stored),
        from(expected)
    )
}

/// Names the first key whose value differs, if both lines are JSON objects.
fn between_lines(logged: &[u8], recomputed: &[u8], tolerance: &Tolerance) -> Option<String> {
    let object = |line: &[u8]| serde_json::from_slice::<Map<String, Value>>(line).ok();
    let keyed = object(logged).zip(object(recomputed));
    let Some((stored, expected)) = keyed else {
        return Some(between_bytes(logged, recomputed));
    };
    let (stored, expected) = (Value::Object(stored), Value::Object(expected));
    let what = between_values(&stored, &expected, &mut Place::default(), tolerance);
    match what {
        None if tolerance.scales.is_none() => Some(between_bytes(logged, recomputed)),
        what => what,
    }
}

/// Where in a JSON value: with the numbers of the entries, to be read, and
/// without them, for the quantity.
#[derive(Debug, Default, Clone)]
struct Place {
    path: String,
    quantity: String,
}

impl Place {
    fn key(&self, key: &str) -> Self {
        let join = |before: &str| {
            if before.is_empty() {
                key.to_owned()
            } else {
                format!("{before}.{key}")
            }
        };
        Self {
            path: join(&self.path),
            quantity: join(&self.quantity),
        }
    }

    fn entry(&self, number: usize) -> Self {
        Self {
            path: format!("{}[{number}]", self.path),
            quantity: self.quantity.clone(),
        }
    }
}

fn between_values(
    logged: &Value,
    recomputed: &Value,
    place: &mut Place,
    tolerance: &Tolerance,
) -> Option<String> {
    match (logged, recomputed) {
        (Value::Object(stored), Value::Object(expected)) => {
            let known = expected.iter().map(|(key, value)| (key, Some(value)));
            let unknown = stored.keys().filter(|key| !expected.contains_key(*key));
            known
                .chain(unknown.map(|key| (key, None)))
                .find_map(|(key, expected)| {
                    let stored = stored.get(key).unwrap_or(&Value::Null);
                    let expected = expected.unwrap_or(&Value::Null);
                    between_values(stored, expected, &mut place.key(key), tolerance)
                })
        }
        (Value::Array(stored), Value::Array(expected)) => (0..stored.len().max(expected.len()))
            .find_map(|number| {
                let mut entry = place.entry(number);
                match (stored.get(number), expected.get(number)) {
                    (Some(stored), Some(expected)) => {
                        between_values(stored, expected, &mut entry, tolerance)
                    }
                    (stored, expected) => Some(logged_as(
                        &entry.path,
                        &shown(stored.unwrap_or(&Value::Null)),
                        &shown(expected.unwrap_or(&Value::Null)),
                    )),
                }
            }),
        (stored, expected) => {
            let numbers = stored.as_f64().zip(expected.as_f64());
            let texts = stored.as_str().zip(expected.as_str());
            let same = stored == expected
                || numbers.is_some_and(|(a, b)| tolerance.allows(&place.quantity, a, b))
                || texts.is_some_and(|(a, b)| tolerance.allows_text(a, b));
            (!same).then(|| logged_as(&place.path, &shown(stored), &shown(expected)))
        }
    }
}

fn shown(value: &Value) -> String {
    match value {
        Value::Null => "nothing".to_owned(),
        value => short(value.to_string().as_bytes()),
    }
}

fn logged_as(key: &str, logged: &str, recomputed: &str) -> String {
    format!("{key} is logged as {logged}, and comes out as {recomputed}")
}

fn between_bytes(logged: &[u8], recomputed: &[u8]) -> String {
    let at = logged
        .iter()
        .zip(recomputed)
        .take_while(|(a, b)| a == b)
        .count();
    format!(
        "byte {} differs: logged {:?}, comes out {:?}",
        at + 1,
        short(logged.get(at..).unwrap_or_default()),
        short(recomputed.get(at..).unwrap_or_default())
    )
}

/// By how much numbers may be apart.
struct Tolerance {
    /// Largest magnitude of each quantity; `None` where nothing may differ.
    scales: Option<BTreeMap<String, f64>>,
}

impl Tolerance {
    fn new(exactness: Exactness) -> Self {
        Self {
            scales: (exactness == Exactness::LastDigits).then(BTreeMap::new),
        }
    }

    fn learn(&mut self, value: &Value) {
        if self.scales.is_some() {
            self.learn_at(value, &Place::default());
        }
    }

    fn learn_at(&mut self, value: &Value, place: &Place) {
        match value {
            Value::Object(map) => map
                .iter()
                .for_each(|(key, value)| self.learn_at(value, &place.key(key))),
            Value::Array(values) => values.iter().for_each(|value| self.learn_at(value, place)),
            value => self.learn_number(&place.quantity, value.as_f64().unwrap_or(f64::NAN)),
        }
    }

    fn learn_number(&mut self, quantity: &str, value: f64) {
        if let Some(scales) = &mut self.scales
            && value.is_finite()
        {
            let scale = scales.entry(quantity.to_owned()).or_default();
            *scale = scale.max(value.abs());
        }
    }

    fn allows(&self, quantity: &str, logged: f64, recomputed: f64) -> bool {
        let scale = |scales: &BTreeMap<String, f64>| scales.get(quantity).copied().unwrap_or(0.0);
        self.scales
            .as_ref()
            .is_some_and(|scales| (logged - recomputed).abs() <= LAST_DIGITS * scale(scales))
    }

    /// Texts agree when the words between their numbers do, and each number by
    /// one unit of its last place: a text rounds.
    fn allows_text(&self, logged: &str, recomputed: &str) -> bool {
        if logged == recomputed {
            return true;
        }
        let (stored, expected) = (pieces(logged), pieces(recomputed));
        self.scales.is_some()
            && stored.len() == expected.len()
            && stored.iter().zip(&expected).all(|(a, b)| {
                a == b
                    || decimal(a)
                        .zip(decimal(b))
                        .is_some_and(|((a, unit), (b, _))| (a - b).abs() <= 1.01 * unit)
            })
    }
}

/// A text in pieces: runs of letters, digits and points, and what is between.
fn pieces(text: &str) -> Vec<&str> {
    let is_word = |letter: char| letter.is_alphanumeric() || letter == '.';
    let mut pieces = Vec::new();
    let mut rest = text;
    while let Some(first) = rest.chars().next() {
        let word = is_word(first);
        let end = rest
            .find(|letter| is_word(letter) != word)
            .unwrap_or(rest.len());
        let (piece, after) = rest.split_at(end);
        pieces.push(piece);
        rest = after;
    }
    pieces
}

/// A decimal number and the unit of its last place, if the piece is one.
fn decimal(piece: &str) -> Option<(f64, f64)> {
    let digits = piece.trim_end_matches('.');
    if !digits
        .chars()
        .all(|letter| letter.is_ascii_digit() || letter == '.')
    {
        return None;
    }
    let places = digits.split_once('.').map_or(0, |(_, after)| after.len());
    let unit: f64 = format!("1e-{places}").parse().ok()?;
    Some((digits.parse().ok()?, unit))
}

/// The beginning of a text, on one line.
fn short(bytes: &[u8]) -> String {
    const MOST: usize = 100;
    let text: String = String::from_utf8_lossy(bytes)
        .trim_end()
        .chars()
        .map(|letter| {
            if letter.is_control() {
                '\u{fffd}'
            } else {
                letter
            }
        })
        .collect();
    if text.chars().count() > MOST {
        format!("{}…", text.chars().take(MOST).collect::<String>())
    } else {
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOGGED: &[u8] =
        b"{\"point\":1,\"frequency_hz\":16.71}\n{\"point\":2,\"frequency_hz\":18.03}\n";

    fn difference(agreement: Agreement) -> Difference {
        match agreement {
            Agreement::Differs(difference) => difference,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn one_digit_is_named_by_line_key_and_both_values() {
        let other = b"{\"point\":1,\"frequency_hz\":16.71}\n{\"point\":2,\"frequency_hz\":18.04}\n";
        let found = difference(compare_lines(LOGGED, other, Exactness::Bytes));
        assert_eq!(
            found.sentence("points.jsonl"),
            "points.jsonl, line 2: frequency_hz is logged as 18.03, and comes out as 18.04."
        );
        assert_eq!(
            compare_lines(LOGGED, LOGGED, Exactness::Bytes),
            Agreement::Identical
        );
    }

    #[test]
    fn a_number_written_otherwise_is_a_difference_too() {
        let line = b"{\"point\":1,\"frequency_hz\":16.71}\n";
        let other = b"{\"point\":1,\"frequency_hz\":16.710}\n";
        let found = difference(compare_lines(line, other, Exactness::Bytes));
        assert!(found.what.starts_with("byte 32 differs"), "{found:?}");
        assert_eq!(
            compare_lines(line, other, Exactness::LastDigits),
            Agreement::LastDigits
        );
    }

    #[test]
    fn points_too_many_and_too_few_are_told_apart() {
        let first = LOGGED.split_inclusive(|b| *b == b'\n').next().unwrap();
        let more = difference(compare_lines(LOGGED, first, Exactness::LastDigits));
        assert!(
            more.what.starts_with("it is logged, but does not"),
            "{more:?}"
        );
        let less = difference(compare_lines(first, LOGGED, Exactness::LastDigits));
        assert!(less.what.starts_with("it comes out"), "{less:?}");
    }

    #[test]
    fn last_digits_go_by_the_size_of_the_quantity() {
        let lines = |value: &str| format!("{{\"drift\":1.0}}\n{{\"drift\":{value}}}\n");
        let stand = |a: &str, b: &str| {
            compare_lines(
                lines(a).as_bytes(),
                lines(b).as_bytes(),
                Exactness::LastDigits,
            )
        };
        // A billionth of 1.0, the largest drift of the file.
        assert_eq!(stand("0.0", "0.9e-9"), Agreement::LastDigits);
        assert!(matches!(stand("0.0", "1.1e-9"), Agreement::Differs(_)));
        assert!(matches!(stand("1.0", "1.0000001"), Agreement::Differs(_)));
        assert!(matches!(stand("1.0", "\"1.0\""), Agreement::Differs(_)));
        assert!(matches!(stand("1.0", "null"), Agreement::Differs(_)));
    }

    #[test]
    fn nested_keys_are_named_by_their_path() {
        let logged = serde_json::json!({"a": [{"b": 1.0}, {"b": 2.0}], "gone": null});
        let recomputed = serde_json::json!({"a": [{"b": 1.0}, {"b": 2.5}]});
        let found = difference(compare_objects(&logged, &recomputed, Exactness::Bytes));
        assert_eq!(found.what, "a[1].b is logged as 2.0, and comes out as 2.5");
        let shorter = serde_json::json!({"a": [{"b": 1.0}]});
        let found = difference(compare_objects(&logged, &shorter, Exactness::LastDigits));
        assert_eq!(
            found.what,
            "a[1] is logged as {\"b\":2.0}, and comes out as nothing"
        );
        let more = serde_json::json!({"a": [{"b": 1.0}, {"b": 2.0}], "c": 1});
        let found = difference(compare_objects(&logged, &more, Exactness::Bytes));
        assert_eq!(found.what, "c is logged as nothing, and comes out as 1");
        let found = difference(compare_objects(&more, &logged, Exactness::Bytes));
        assert_eq!(found.what, "c is logged as 1, and comes out as nothing");
    }

    #[test]
    fn a_cell_is_named_by_its_column() {
        let logged = b"time_s,frequency_hz\n0.25,\n0.5,8.25\n";
        let other = b"time_s,frequency_hz\n0.25,\n0.5,8.5\n";
        let found = difference(compare_tables(logged, other, Exactness::Bytes));
        assert_eq!(
            found.sentence("trace.csv"),
            "trace.csv, line 3: frequency_hz is logged as 8.25, and comes out as 8.5."
        );
        let near = b"time_s,frequency_hz\n0.25,\n0.5,8.250000000001\n";
        assert_eq!(
            compare_tables(logged, near, Exactness::LastDigits),
            Agreement::LastDigits
        );
        let found = difference(compare_tables(logged, near, Exactness::Bytes));
        assert!(found.what.starts_with("frequency_hz is logged as 8.25,"));
        let shorter = b"time_s,frequency_hz\n0.25,\n";
        let found = difference(compare_tables(shorter, logged, Exactness::LastDigits));
        assert_eq!(found.line, Some(3));
    }

    #[test]
    fn a_text_rounds_its_numbers_and_keeps_its_words() {
        let stand = |a, b| compare_texts(a, b, Exactness::LastDigits);
        assert_eq!(
            stand("held at 12.34 Hz.", "held at 12.35 Hz."),
            Agreement::LastDigits
        );
        assert!(matches!(
            stand("held at 12.34 Hz.", "held at 12.36 Hz."),
            Agreement::Differs(_)
        ));
        assert!(matches!(
            stand("a\nheld", "a\nsteady"),
            Agreement::Differs(_)
        ));
        // A hash is no number, whatever digits it holds.
        assert!(matches!(stand("3f2a41", "3f2a42"), Agreement::Differs(_)));
        let found = difference(compare_texts(
            "a\n<td>1.0</td>",
            "a\n<td>2.0</td>",
            Exactness::Bytes,
        ));
        assert_eq!(found.line, Some(2));
        assert!(found.what.contains("<td>1.0") && found.what.contains("<td>2.0"));
    }
}
