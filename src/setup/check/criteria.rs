//! Checks between the keys of `[[criteria]]`.

use crate::setup::fault::Log;
use crate::setup::read::criteria::{KindWord, RawCriterion};
use crate::setup::read::{Field, RawSetup};
use crate::setup::role::RoleKind;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    for criterion in &raw.criteria {
        foreign_keys(criterion, log);
        gauge(raw, criterion, log);
    }
}

/// A key of another kind would be passed over in silence, and with it what its
/// author meant to require.
fn foreign_keys(criterion: &RawCriterion, log: &mut Log) {
    let Some(kind) = criterion.kind.value().copied() else {
        return;
    };
    let keys = [
        place(&criterion.curve, KindWord::EfficiencyCurve),
        place(&criterion.wind, KindWord::WindPower),
        place(&criterion.span_length_m, KindWord::WindPower),
        place(&criterion.dampers, KindWord::WindPower),
        place(&criterion.antinode_velocity_mm_s, KindWord::WindPower),
        place(&criterion.tolerance_pct, KindWord::WindPower),
        place(&criterion.limit_pp_um_m, KindWord::StrainLimit),
        place(&criterion.location, KindWord::StrainLimit),
    ];
    for (offset, key, owner) in keys.into_iter().flatten() {
        if owner != kind {
            log.fault(
                offset,
                key,
                format!("does not belong to kind = \"{}\"", kind.name()),
                format!(
                    "a criterion of kind = \"{}\", or no such key,",
                    owner.name()
                ),
            );
        }
    }
}

fn place<T>(field: &Field<T>, owner: KindWord) -> Option<(usize, String, KindWord)> {
    field
        .occurs()
        .then(|| (field.offset, field.key.clone(), owner))
}

/// A strain limit needs a gauge to be held against.
fn gauge(raw: &RawSetup, criterion: &RawCriterion, log: &mut Log) {
    if criterion.kind.value() != Some(&KindWord::StrainLimit) {
        return;
    }
    let wanted = criterion.location.value();
    let found = raw.channels.iter().any(|channel| {
        channel
            .role
            .value()
            .is_none_or(|role| *role == RoleKind::ClampStrain)
            && wanted.is_none_or(|place| channel.location.value().is_none_or(|own| own == place))
    });
    if !found {
        log.fault(
            criterion.kind.offset,
            criterion.kind.key.clone(),
            "no channel measures the strain it limits",
            "a [[channel]] of role = \"clamp-strain\" there, or no such criterion,",
        );
    }
}
