//! Where the values of a JSON text stand in it, so that one of them can be
//! altered and every other byte left as it is.

use std::ops::Range;

use serde_json::{Value, json};

/// A value that holds no other: its path, such as `criteria[2].value`, and
/// where it stands. An empty array or object is one.
#[derive(Debug, Clone)]
pub struct Leaf {
    pub path: String,
    pub place: Range<usize>,
}

impl Leaf {
    /// The path without the numbers of its entries: one for all of a kind.
    pub fn kind(&self) -> String {
        let mut kind = String::new();
        let mut inside = false;
        for letter in self.path.chars() {
            inside = match letter {
                '[' => true,
                ']' => false,
                _ => {
                    if !inside {
                        kind.push(letter);
                    }
                    inside
                }
            };
        }
        kind
    }
}

/// The leaves of one JSON value at the beginning of a text.
pub fn leaves(text: &str) -> Vec<Leaf> {
    let mut found = Vec::new();
    Scan { text, at: 0 }.value("", &mut found);
    found
}

/// Another value of the same kind, as near as can be.
pub fn other(value: &str) -> String {
    match serde_json::from_str(value).unwrap() {
        Value::Null => "1.0".to_owned(),
        Value::Bool(value) => json!(!value).to_string(),
        Value::Number(number) => match number.as_f64().filter(|_| number.is_f64()) {
            // The last bit.
            Some(number) => json!(f64::from_bits(number.to_bits() ^ 1)).to_string(),
            None => (number.as_i64().unwrap() + 1).to_string(),
        },
        Value::String(text) => json!(other_text(&text)).to_string(),
        Value::Array(_) => "[1.0]".to_owned(),
        Value::Object(_) => "{\"new\":1.0}".to_owned(),
    }
}

/// A text that means something else, and is still one where only some are.
pub fn other_text(text: &str) -> String {
    const PAIRS: [(&str, &str); 14] = [
        ("held", "steady"),
        ("steady", "held"),
        ("rejected", "held"),
        ("off-peak", "held"),
        ("done", "stopped"),
        ("pass", "fail"),
        ("fail", "pass"),
        ("inconclusive", "pass"),
        ("power", "decay"),
        ("decay", "power"),
        ("damper", "total"),
        ("total", "damper"),
        ("gap", "session"),
        ("reprocess", "capture"),
    ];
    if let Some((_, other)) = PAIRS.iter().find(|(word, _)| *word == text) {
        return (*other).to_owned();
    }
    if let Ok(time) = text.parse::<jiff::Timestamp>() {
        return (time + jiff::SignedDuration::from_secs(1)).to_string();
    }
    match text.char_indices().last() {
        // A hash stays one of the same length.
        Some((last, 'a'..='e' | '0'..='8')) if text.len() == 64 => format!("{}f", &text[..last]),
        Some((last, _)) if text.len() == 64 => format!("{}0", &text[..last]),
        _ => format!("{text} "),
    }
}

struct Scan<'a> {
    text: &'a str,
    at: usize,
}

impl Scan<'_> {
    fn next(&self) -> u8 {
        self.text.as_bytes()[self.at]
    }

    fn skip(&mut self, also: u8) {
        while self.next().is_ascii_whitespace() || self.next() == also {
            self.at += 1;
        }
    }

    fn value(&mut self, path: &str, found: &mut Vec<Leaf>) {
        self.skip(b' ');
        let begin = self.at;
        let before = found.len();
        match self.next() {
            b'{' => self.entries(b'}', found, |scan, found| {
                let key = scan.string();
                scan.skip(b':');
                let join = if path.is_empty() { "" } else { "." };
                scan.value(&format!("{path}{join}{key}"), found);
            }),
            b'[' => {
                let mut number = 0;
                self.entries(b']', found, |scan, found| {
                    scan.value(&format!("{path}[{number}]"), found);
                    number += 1;
                });
            }
            b'"' => {
                self.string();
            }
            _ => {
                while self.at < self.text.len() && !b",]} \n".contains(&self.next()) {
                    self.at += 1;
                }
            }
        }
        if found.len() == before {
            found.push(Leaf {
                path: path.to_owned(),
                place: begin..self.at,
            });
        }
    }

    fn entries(
        &mut self,
        closing: u8,
        found: &mut Vec<Leaf>,
        mut entry: impl FnMut(&mut Self, &mut Vec<Leaf>),
    ) {
        self.at += 1;
        self.skip(b',');
        while self.next() != closing {
            entry(self, found);
            self.skip(b',');
        }
        self.at += 1;
    }

    fn string(&mut self) -> String {
        let begin = self.at + 1;
        self.at = begin;
        while self.next() != b'"' {
            self.at += if self.next() == b'\\' { 2 } else { 1 };
        }
        self.at += 1;
        self.text[begin..self.at - 1].to_owned()
    }
}

#[test]
fn the_leaves_are_all_values_that_hold_no_other() {
    let text = r#"{"a": 1.5, "b": [{"c": "x\"}"}, {"c": null}], "d": [], "e": {"f": true}}"#;
    let found: Vec<(String, &str)> = leaves(text)
        .into_iter()
        .map(|leaf| (leaf.path, &text[leaf.place]))
        .collect();
    let expected = [
        ("a", "1.5"),
        ("b[0].c", r#""x\"}""#),
        ("b[1].c", "null"),
        ("d", "[]"),
        ("e.f", "true"),
    ];
    assert_eq!(
        found,
        expected.map(|(path, value)| (path.to_owned(), value))
    );
    assert_eq!(leaves(text)[1].kind(), "b.c");
}
