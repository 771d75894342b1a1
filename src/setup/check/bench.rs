//! Checks between the keys of what is strung and how it is swept.

use crate::maths;
use crate::setup::fault::Log;
use crate::setup::read::RawSetup;
use crate::setup::role::RoleKind;
use crate::setup::words::LevelRule;

/// No conductor is denser than a solid copper rod (8960 kg/m³, common handbook
/// value); anything above is a slip of a unit.
const DENSEST_KG_PER_M3: f64 = 9000.0;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    density(raw, log);
    damped_or_bare(raw, log);
    sweep_order(raw, log);
    hold_lengths(raw, log);
    level_gauge(raw, log);
}

fn density(raw: &RawSetup, log: &mut Log) {
    let conductor = &raw.conductor;
    let (Some(diameter), Some(mass)) = (
        conductor.diameter_mm.value(),
        conductor.mass_kg_per_m.value(),
    ) else {
        return;
    };
    let area_m2 = std::f64::consts::FRAC_PI_4 * maths::square(diameter * 1e-3);
    if mass / area_m2 > DENSEST_KG_PER_M3 {
        let field = &conductor.mass_kg_per_m;
        let most = DENSEST_KG_PER_M3 * area_m2;
        log.fault(
            field.offset,
            field.key.clone(),
            format!(
                "{mass} kg/m on {diameter} mm diameter is denser than copper, which is impossible"
            ),
            format!("a mass per length below {most:.3} kg/m, or a larger diameter,"),
        );
    }
}

/// Either a damper with its place, or neither: half of it would be reduced as
/// the other kind of run.
fn damped_or_bare(raw: &RawSetup, log: &mut Log) {
    let (damper, place) = (&raw.test.damper, &raw.span.damper_position_m);
    if damper.occurs() && place.is_absent() {
        log.fault(
            place.offset,
            place.key.clone(),
            "is missing although test.damper names a damper",
            "its distance from the damper-end clamp, or no test.damper for a bare span,",
        );
    }
    if damper.is_absent() && place.occurs() {
        log.fault(
            place.offset,
            place.key.clone(),
            "is given although test.damper is missing",
            "a damper named in test.damper, or no damper_position_m for a bare span,",
        );
    }
}

fn sweep_order(raw: &RawSetup, log: &mut Log) {
    let Some(sweep) = raw.sweep.effective(&raw.conductor) else {
        return;
    };
    if sweep.low_hz < sweep.high_hz {
        return;
    }
    let (low, high) = (sweep.low_hz, sweep.high_hz);
    if raw.sweep.high_hz.occurs() {
        let field = &raw.sweep.high_hz;
        let wrong = format!("{high} is not above low_hz, which is {low}");
        log.fault(
            field.offset,
            field.key.clone(),
            wrong,
            format!("a frequency above {low} Hz"),
        );
    } else {
        let field = &raw.sweep.low_hz;
        let wrong = format!("{low} is not below high_hz, which is {high:.1} unless given");
        log.fault(
            field.offset,
            field.key.clone(),
            wrong,
            format!("a frequency below {high:.1} Hz"),
        );
    }
}

fn hold_lengths(raw: &RawSetup, log: &mut Log) {
    let default = crate::setup::model::HoldRules::default();
    let (shortest, longest) = (&raw.hold.min_seconds, &raw.hold.max_seconds);
    let min = shortest.value().copied().unwrap_or(default.min_seconds);
    let max = longest.value().copied().unwrap_or(default.max_seconds);
    if min <= max {
        return;
    }
    if longest.occurs() {
        log.fault(
            longest.offset,
            longest.key.clone(),
            format!("{max} is below min_seconds, which is {min}"),
            format!("a time of {min} s or more"),
        );
    } else {
        log.fault(
            shortest.offset,
            shortest.key.clone(),
            format!("{min} is above max_seconds, which is {max} unless given"),
            format!("a time up to {max} s, or a larger max_seconds,"),
        );
    }
}

fn level_gauge(raw: &RawSetup, log: &mut Log) {
    let Some(level) = &raw.amplitude else { return };
    let by_strain = level.rule.value() == Some(&LevelRule::ClampStrain);
    let all_known = raw.channels.iter().all(|c| c.role.value().is_some());
    let gauge = raw
        .channels
        .iter()
        .any(|c| c.role.value() == Some(&RoleKind::ClampStrain));
    if by_strain && all_known && !gauge {
        log.fault(
            level.rule.offset,
            level.rule.key.clone(),
            "the level is set by clamp strain, but no channel measures it",
            "a channel of role clamp-strain, or another rule,",
        );
    }
}
