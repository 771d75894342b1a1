//! Keys that belong to another kind of section than the one they stand in.
//!
//! Such a key would be passed over in silence, and with it what its author
//! meant.

use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    for section in raw.sections() {
        for key in section.section.keys {
            let Some((other, word)) = key.only_for else {
                continue;
            };
            let Some(given) = section.text(other) else {
                continue;
            };
            if given != word && section.has(key.name) {
                refuse(section, key.name, (other, word, given), log);
            }
        }
    }
}

fn refuse(section: &Fields, key: &str, (other, word, given): (&str, &str, &str), log: &mut Log) {
    let article = if word.starts_with(['a', 'e', 'i', 'o', 'u']) {
        "an"
    } else {
        "a"
    };
    let noun = match section.section.name {
        "criteria" => "criterion",
        name => name,
    };
    log.fault(
        &section.place(key),
        format!("belongs to {article} {word} {noun}, this one is {other} \"{given}\""),
        format!("no such key here, or {other} = \"{word}\","),
    );
}
