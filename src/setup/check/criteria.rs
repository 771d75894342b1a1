//! Checks of `[[criteria]]` against the channels.

use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};
use crate::setup::role::RoleKind;
use crate::setup::words::LevelRule;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    for criterion in &raw.criteria {
        if criterion.text("kind") == Some("strain-limit") {
            gauge(raw, criterion, log);
        }
        level(raw, criterion, log);
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

/// A level that a criterion states has to be one, and one that a channel can
/// tell.
fn level(raw: &RawSetup, criterion: &Fields, log: &mut Log) {
    if criterion.has("level") && criterion.has("antinode_velocity_mm_s") {
        log.fault(
            &criterion.place("level"),
            "the criterion has its level from antinode_velocity_mm_s already",
            "one of the two",
        );
    }
    let by_strain = criterion
        .table("level")
        .and_then(|level| level.get("rule")?.as_str())
        .is_some_and(|rule| rule == LevelRule::ClampStrain.name());
    let has_gauge = raw.channels.iter().any(|channel| {
        let role: Option<RoleKind> = channel.word("role");
        role.is_none_or(|role| role == RoleKind::ClampStrain)
    });
    if by_strain && !has_gauge {
        log.fault(
            &criterion.place("level"),
            "no channel measures the strain that keeps this level",
            "a [[channel]] of role = \"clamp-strain\", or another rule,",
        );
    }
}
