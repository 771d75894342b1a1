//! Names that have to differ.

use crate::setup::fault::Log;
use crate::setup::read::Fields;
use std::collections::BTreeMap;

/// Every section of a list has a `name` of its own.
pub(super) fn unique(sections: &[Fields], log: &mut Log) {
    let mut seen: BTreeMap<&str, usize> = BTreeMap::new();
    for section in sections {
        let Some(name) = section.text("name") else {
            continue;
        };
        let place = section.place("name");
        if let Some(first) = seen.get(name) {
            let line = log.line(*first);
            log.fault(
                &place,
                format!(
                    "\"{name}\" is already the name of the {} at line {line}",
                    section.section.name
                ),
                "a name of its own",
            );
        } else {
            seen.insert(name, place.offset);
        }
    }
}
