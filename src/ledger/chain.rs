//! Lines that prove each other: every line of a log carries a hash over itself
//! and the line before it, so that one that was altered, left out, added or
//! moved is found, and named.
//!
//! A line is a JSON object whose last key is `chain`. Its value is the BLAKE3
//! hash, hexadecimal, of the chain value of the line before (64 zeros before
//! the first) followed by the line as it would be without the key. Anybody can
//! repeat that with a text editor and `b3sum`. What the last lines were is kept
//! in `run.json`, so that lines cut off at the end are found too.

use serde::{Deserialize, Serialize};

/// What stands between an object's last key and the hash.
const KEY: &[u8] = b",\"chain\":\"";
/// Hexadecimal digits of a hash.
const DIGITS: usize = 64;
/// What follows the hash.
const CLOSE: &[u8] = b"\"}";

/// Where a chain has come to.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChainEnd {
    /// Lines so far.
    pub lines: u64,
    /// Chain value of the last of them, hexadecimal.
    pub chain: String,
}

impl Default for ChainEnd {
    /// Before the first line.
    fn default() -> Self {
        Self {
            lines: 0,
            chain: "0".repeat(DIGITS),
        }
    }
}

/// How a line stands to those before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Link {
    Fits,
    Differs,
    /// The line has no chain value.
    Missing,
}

impl ChainEnd {
    /// Chains an object, `{…}`, to the lines before it.
    pub(super) fn chain(&mut self, object: &mut Vec<u8>) {
        self.chain = self.value(object);
        self.lines += 1;
        object.pop();
        object.extend_from_slice(KEY);
        object.extend_from_slice(self.chain.as_bytes());
        object.extend_from_slice(CLOSE);
    }

    fn value(&self, object: &[u8]) -> String {
        let mut hasher = blake3::Hasher::new();
        hasher.update(self.chain.as_bytes());
        hasher.update(object);
        hasher.finalize().to_hex().to_string()
    }

    /// Takes the next line, without its line feed.
    fn follow(&mut self, line: &[u8]) -> Link {
        let Some((object, said)) = without_chain(line) else {
            return Link::Missing;
        };
        let fits = self.value(&object).as_bytes() == said;
        self.lines += 1;
        self.chain = String::from_utf8_lossy(said).into_owned();
        if fits { Link::Fits } else { Link::Differs }
    }
}

/// A line as it was before it was chained, and its chain value.
fn without_chain(line: &[u8]) -> Option<(Vec<u8>, &[u8])> {
    let (rest, said) = line.strip_suffix(CLOSE)?.split_last_chunk::<DIGITS>()?;
    let mut object = rest.strip_suffix(KEY)?.to_vec();
    object.push(b'}');
    Some((object, said))
}

/// Lines as they were before they were chained; those without a chain value as
/// they are.
pub(crate) fn unchain_lines(text: &[u8]) -> Vec<u8> {
    let mut plain = Vec::with_capacity(text.len());
    for line in text.split_inclusive(|byte| *byte == b'\n') {
        match line.strip_suffix(b"\n").and_then(without_chain) {
            Some((object, _)) => {
                plain.extend_from_slice(&object);
                plain.push(b'\n');
            }
            None => plain.extend_from_slice(line),
        }
    }
    plain
}

/// Lines as a log holds them, each chained to those before it.
pub(crate) fn chain_lines(text: &[u8]) -> Vec<u8> {
    let mut end = ChainEnd::default();
    let mut chained = Vec::with_capacity(text.len() + text.len() / 4);
    for line in text.split_inclusive(|byte| *byte == b'\n') {
        let mut object = line.strip_suffix(b"\n").unwrap_or(line).to_vec();
        end.chain(&mut object);
        chained.append(&mut object);
        chained.push(b'\n');
    }
    chained
}

/// How the lines of a file hang together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Chain {
    /// Every line fits those before it.
    Whole(ChainEnd),
    /// No line has a chain value: made before there were any.
    None,
    /// The first line that does not fit, from 1.
    Broken(u64),
}

impl Chain {
    /// Follows a file's lines, each without its line feed.
    pub(super) fn of<'a>(lines: impl Iterator<Item = &'a [u8]>) -> Self {
        let mut end = ChainEnd::default();
        let mut without = 0;
        for (number, line) in (1..).zip(lines) {
            match end.follow(line) {
                Link::Fits if without == 0 => {}
                Link::Missing if end.lines == 0 => without += 1,
                Link::Fits | Link::Missing | Link::Differs => return Self::Broken(number),
            }
        }
        if without > 0 {
            Self::None
        } else {
            Self::Whole(end)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn chained(objects: &[&str]) -> Vec<Vec<u8>> {
        let mut end = ChainEnd::default();
        objects
            .iter()
            .map(|object| {
                let mut line = object.as_bytes().to_vec();
                end.chain(&mut line);
                line
            })
            .collect()
    }

    fn of(lines: &[Vec<u8>]) -> Chain {
        Chain::of(lines.iter().map(Vec::as_slice))
    }

    const OBJECTS: [&str; 4] = [
        r#"{"n":1}"#,
        r#"{"n":2,"t":"x"}"#,
        r#"{"n":3}"#,
        r#"{"n":4}"#,
    ];

    #[test]
    fn a_chained_line_is_json_and_its_value_is_what_the_text_above_says() {
        let lines = chained(&OBJECTS);
        let first: serde_json::Value = serde_json::from_slice(&lines[0]).unwrap();
        assert_eq!(first["n"], 1);
        // As `printf '%064d{"n":1}' 0 | b3sum` has it.
        let by_hand = blake3::hash(format!("{}{}", "0".repeat(64), OBJECTS[0]).as_bytes());
        assert_eq!(first["chain"], by_hand.to_hex().as_str());
        let end = ChainEnd {
            lines: 4,
            chain: serde_json::from_slice::<serde_json::Value>(&lines[3]).unwrap()["chain"]
                .as_str()
                .unwrap()
                .to_owned(),
        };
        assert_eq!(of(&lines), Chain::Whole(end));
    }

    #[test]
    fn whatever_is_done_to_a_line_the_first_that_does_not_fit_is_named() {
        let whole = chained(&OBJECTS);
        let broken = |change: fn(&mut Vec<Vec<u8>>)| {
            let mut lines = whole.clone();
            change(&mut lines);
            of(&lines)
        };
        assert_eq!(broken(|lines| drop(lines.remove(1))), Chain::Broken(2));
        assert_eq!(broken(|lines| lines.swap(1, 2)), Chain::Broken(2));
        assert_eq!(
            broken(|lines| lines.insert(2, lines[1].clone())),
            Chain::Broken(3)
        );
        assert_eq!(
            broken(|lines| lines[3] = OBJECTS[3].into()),
            Chain::Broken(4)
        );
        assert_eq!(
            broken(|lines| lines[0] = OBJECTS[0].into()),
            Chain::Broken(2)
        );
        // Every byte of every line, one at a time.
        for (number, line) in (1..).zip(&whole) {
            for place in 0..line.len() {
                let mut lines = whole.clone();
                lines[number as usize - 1][place] ^= 1;
                let Chain::Broken(at) = of(&lines) else {
                    panic!("byte {place} of line {number} was altered unseen");
                };
                assert!(at == number || at == number + 1, "{at}, not {number}");
            }
        }
    }

    #[test]
    fn lines_that_never_were_chained_are_told_apart() {
        let lines: Vec<Vec<u8>> = OBJECTS.iter().map(|o| o.as_bytes().to_vec()).collect();
        assert_eq!(of(&lines), Chain::None);
        assert_eq!(of(&[]), Chain::Whole(ChainEnd::default()));
    }
}
