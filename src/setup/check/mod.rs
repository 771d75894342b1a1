//! What no key shows by itself: checks across keys and sections.
//!
//! In: the raw setup. Out: faults in the log, each at the key that most
//! probably has to change. A faulty key is passed over: it is reported already.

mod bench;
mod channels;
mod criteria;
mod kinds;
mod names;
mod placements;
mod report;
mod sources;
mod top;

use super::fault::Log;
use super::read::RawSetup;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    kinds::check(raw, log);
    top::check(raw, log);
    report::check(raw, log);
    bench::check(raw, log);
    sources::check(raw, log);
    channels::check(raw, log);
    placements::check(raw, log);
    criteria::check(raw, log);
}
