//! Where the values of a JSON text stand in it, so that one of them can be
//! altered and every other byte left as it is.

use std::ops::Range;

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
