//! Checks of `[[criteria]]` against the channels.

use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};
use crate::setup::role::RoleKind;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    for criterion in &raw.criteria {
        if criterion.text("kind") == Some("strain-limit") {
            gauge(raw, criterion, log);
        }
    }
}

/// A strain limit needs a gauge to be held against.
fn gauge(raw: &RawSetup, criterion: &Fields, log: &mut Log) {
    let wanted = criterion.text("location");
    let found = raw.channels.iter().any(|channel| {
        let role: Option<RoleKind> = channel.word("role");
        role.is_none_or(|role| role == RoleKind::ClampStrain)
            && wanted.is_none_or(|wanted| channel.text("location").is_none_or(|own| own == wanted))
    });
    if !found {
        log.fault(
            &criterion.place("kind"),
            "no channel measures the strain it limits",
            "a [[channel]] of role = \"clamp-strain\" there, or no such criterion,",
        );
    }
}
