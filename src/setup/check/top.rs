//! Checks of the keys above the first section.

use crate::setup::bounded_file::is_plain_relative;
use crate::setup::fault::Log;
use crate::setup::read::RawSetup;

/// Points rest on a matching, so a run has to carry it along.
pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    let key = "matching";
    if let Some(file) = raw.top.text(key)
        && !is_plain_relative(file)
    {
        log.fault(
            &raw.top.place(key),
            format!(
                "\"{file}\" does not lie beside the setup file: a run could not carry it along"
            ),
            "a plain relative path, the file copied beside the setup file,",
        );
    }
}
