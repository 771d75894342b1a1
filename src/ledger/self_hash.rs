//! A file of JSON that holds a hash of itself: one field altered by hand is
//! noticed without anything else to compare with.
//!
//! The hash is the BLAKE3 of the file's bytes with the value of the hash's own
//! key left empty. It does not keep anybody from writing a file anew; that is
//! what recomputing from the recordings is for.

use serde::Serialize;

/// An object as the file holds it: indented, ending with a line feed, its empty
/// value of `key` replaced by the hash of all that.
///
/// # Errors
/// Where the object cannot be JSON.
pub(super) fn with_hash(value: &impl Serialize, key: &str) -> serde_json::Result<Vec<u8>> {
    let mut text = serde_json::to_string_pretty(value)?;
    text.push('\n');
    let hash = blake3::hash(text.as_bytes()).to_hex();
    let (empty, filled) = (entry(key, ""), entry(key, &hash));
    Ok(text.replacen(&empty, &filled, 1).into_bytes())
}

/// The hash of a file whose `key` holds `value`, with that value left empty.
pub(super) fn hash_without(text: &[u8], key: &str, value: &str) -> String {
    let text = String::from_utf8_lossy(text);
    let without = text.replacen(&entry(key, value), &entry(key, ""), 1);
    blake3::hash(without.as_bytes()).to_hex().to_string()
}

fn entry(key: &str, value: &str) -> String {
    format!("\"{key}\": \"{value}\"")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_altered_byte_is_noticed() {
        let value = serde_json::json!({"a": 1, "hash": "", "b": ["x"]});
        let text = with_hash(&value, "hash").unwrap();
        let read: serde_json::Value = serde_json::from_slice(&text).unwrap();
        let said = read["hash"].as_str().unwrap();
        assert_eq!(hash_without(&text, "hash", said), said);
        for place in 0..text.len() {
            let mut altered = text.clone();
            altered[place] ^= 1;
            let said = serde_json::from_slice::<serde_json::Value>(&altered)
                .ok()
                .and_then(|value| value["hash"].as_str().map(str::to_owned));
            let stands = said.is_some_and(|said| hash_without(&altered, "hash", &said) == said);
            assert!(!stands, "byte {place}");
        }
    }
}
