//! What no key shows by itself: checks across keys and sections.
//!
//! In: the raw setup. Out: faults in the log, each at the key that most
//! probably has to change. A faulty key is passed over: it is reported already.

mod bench;
mod channels;
mod criteria;
mod sources;

use super::fault::Log;
use super::read::{Field, RawSetup};
use std::collections::BTreeMap;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    bench::check(raw, log);
    sources::check(raw, log);
    channels::check(raw, log);
    criteria::check(raw, log);
}

fn unique_names<'r>(names: impl Iterator<Item = &'r Field<String>>, what: &str, log: &mut Log) {
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for field in names {
        let Some(name) = field.value() else { continue };
        if let Some(first) = seen.get(name.as_str()) {
            let line = log.line(*first);
            log.fault(
                field.offset,
                field.key.clone(),
                format!("\"{name}\" is already the name of the {what} at line {line}"),
                "a name of its own",
            );
        } else {
            seen.insert(name, field.offset);
        }
    }
}
