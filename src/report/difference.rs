//! Two files of lines compared byte for byte; the first difference in words.

use serde_json::{Map, Value};

/// Where two files of JSON lines part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    /// Line, from 1.
    pub line: usize,
    /// A sentence: which key, what is logged, what comes out.
    pub what: String,
}

/// The first difference between `logged` and `anew`; `None` where they are
/// the same bytes.
pub fn first_difference(logged: &[u8], anew: &[u8]) -> Option<Difference> {
    if logged == anew {
        return None;
    }
    let mut logged_lines = logged.split_inclusive(|byte| *byte == b'\n');
    let mut anew_lines = anew.split_inclusive(|byte| *byte == b'\n');
    for line in 1.. {
        let what = match (logged_lines.next(), anew_lines.next()) {
            (None, None) => return None,
            (Some(logged), Some(anew)) if logged == anew => continue,
            (Some(logged), Some(anew)) => between(logged, anew),
            (Some(logged), None) => format!(
                "it is logged, but does not come out of the recordings: {}",
                short(logged)
            ),
            (None, Some(anew)) => format!(
                "it comes out of the recordings, but is not logged: {}",
                short(anew)
            ),
        };
        return Some(Difference { line, what });
    }
    None
}

/// Names the first key whose value differs, if both lines are JSON objects.
fn between(logged: &[u8], anew: &[u8]) -> String {
    let object = |line: &[u8]| serde_json::from_slice::<Map<String, Value>>(line).ok();
    let keyed = object(logged).zip(object(anew)).and_then(|(logged, anew)| {
        // In the order of `anew`'s text, so that the first one is the first.
        let differing = anew
            .iter()
            .find(|(key, value)| logged.get(*key) != Some(*value))
            .map(|(key, _)| key.clone());
        let key =
            differing.or_else(|| logged.keys().find(|key| !anew.contains_key(*key)).cloned())?;
        let side = |object: &Map<String, Value>| {
            object.get(&key).map_or_else(
                || "nothing".to_owned(),
                |value| short(value.to_string().as_bytes()),
            )
        };
        Some(format!(
            "{key} is logged as {}, and comes out as {}",
            side(&logged),
            side(&anew)
        ))
    });
    keyed.unwrap_or_else(|| {
        let at = logged.iter().zip(anew).take_while(|(a, b)| a == b).count();
        format!(
            "byte {} differs: logged {:?}, comes out {:?}",
            at + 1,
            short(logged.get(at..).unwrap_or_default()),
            short(anew.get(at..).unwrap_or_default())
        )
    })
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

    #[test]
    fn one_digit_is_named_by_line_key_and_both_values() {
        let anew = b"{\"point\":1,\"frequency_hz\":16.71}\n{\"point\":2,\"frequency_hz\":18.04}\n";
        let difference = first_difference(LOGGED, anew).unwrap();
        assert_eq!(difference.line, 2);
        assert_eq!(
            difference.what,
            "frequency_hz is logged as 18.03, and comes out as 18.04"
        );
        assert_eq!(first_difference(LOGGED, LOGGED), None);
    }

    #[test]
    fn a_number_written_otherwise_is_a_difference_too() {
        let anew = b"{\"point\":1,\"frequency_hz\":16.710}\n";
        let difference = first_difference(b"{\"point\":1,\"frequency_hz\":16.71}\n", anew).unwrap();
        assert!(
            difference.what.starts_with("byte 32 differs"),
            "{difference:?}"
        );
    }

    #[test]
    fn points_too_many_and_too_few_are_told_apart() {
        let first = LOGGED
            .split_inclusive(|byte| *byte == b'\n')
            .next()
            .unwrap();
        let more = first_difference(LOGGED, first).unwrap();
        assert!(
            more.what.starts_with("it is logged, but does not"),
            "{more:?}"
        );
        let less = first_difference(first, LOGGED).unwrap();
        assert!(less.what.starts_with("it comes out"), "{less:?}");
    }
}
