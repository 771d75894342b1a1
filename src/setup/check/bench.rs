//! Checks between the keys of what is strung and how it is swept.

use crate::maths;
use crate::setup::build::sweep;
use crate::setup::fault::Log;
use crate::setup::model::HoldRules;
use crate::setup::read::RawSetup;
use crate::setup::role::RoleKind;
use crate::setup::words::LevelRule;

/// No conductor is denser than a solid copper rod (8960 kg/m³, common handbook
/// value); anything above is a slip of a unit.
const DENSEST_KG_PER_M3: f64 = 9000.0;

/// Highest over lowest frequency of a sweep, at most. The aeolian range is 8 to
/// 1; the memory of the analysis window grows with it.
const WIDEST_SWEEP: f64 = 1000.0;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    density(raw, log);
    damped_or_bare(raw, log);
    sweep_order(raw, log);
    hold_lengths(raw, log);
    level_gauge(raw, log);
    drive_mass(raw, log);
}

/// What a mass at the drive does depends on where the drive is.
fn drive_mass(raw: &RawSetup, log: &mut Log) {
    if raw.span.has("drive_mass_kg") && raw.span.is_absent("drive_position_m") {
        log.fault(
            &raw.span.place("drive_mass_kg"),
            "says nothing without the place of the drive",
            "span.drive_position_m beside it",
        );
    }
}

fn density(raw: &RawSetup, log: &mut Log) {
    let conductor = &raw.conductor;
    let (Some(diameter), Some(mass)) = (
        conductor.number("diameter_mm"),
        conductor.number("mass_kg_per_m"),
    ) else {
        return;
    };
    let area_m2 = std::f64::consts::FRAC_PI_4 * maths::square(diameter * 1e-3);
    if mass / area_m2 > DENSEST_KG_PER_M3 {
        let most = DENSEST_KG_PER_M3 * area_m2;
        log.fault(
            &conductor.place("mass_kg_per_m"),
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
    let place = raw.span.place("damper_position_m");
    let (damper, position) = (raw.test.has("damper"), raw.span.has("damper_position_m"));
    if damper && !position {
        log.fault(
            &place,
            "is missing although test.damper names a damper",
            "its distance from the damper-end clamp, or no test.damper for a bare span,",
        );
    }
    if position && !damper {
        log.fault(
            &place,
            "is given although test.damper is missing",
            "a damper named in test.damper, or no damper_position_m for a bare span,",
        );
    }
}

fn sweep_order(raw: &RawSetup, log: &mut Log) {
    let Some(sweep) = sweep(raw) else {
        return;
    };
    let (low, high) = (sweep.low_hz, sweep.high_hz);
    let high_is_given = raw.sweep.has("high_hz");
    if low < high {
        if high > WIDEST_SWEEP * low {
            let key = if high_is_given { "high_hz" } else { "low_hz" };
            log.fault(
                &raw.sweep.place(key),
                format!(
                    "the sweep runs from {low} to {high} Hz: the memory of the analysis window \
                     grows with the ratio"
                ),
                format!("a high_hz of at most {WIDEST_SWEEP} times low_hz"),
            );
        }
    } else if high_is_given {
        log.fault(
            &raw.sweep.place("high_hz"),
            format!("{high} is not above low_hz, which is {low}"),
            format!("a frequency above {low} Hz"),
        );
    } else {
        log.fault(
            &raw.sweep.place("low_hz"),
            format!("{low} is not below high_hz, which is {high:.1} unless given"),
            format!("a frequency below {high:.1} Hz"),
        );
    }
}

fn hold_lengths(raw: &RawSetup, log: &mut Log) {
    let default = HoldRules::default();
    let hold = &raw.hold;
    let min = hold.number("min_seconds").unwrap_or(default.min_seconds);
    let max = hold.number("max_seconds").unwrap_or(default.max_seconds);
    if min <= max {
        return;
    }
    if hold.has("max_seconds") {
        log.fault(
            &hold.place("max_seconds"),
            format!("{max} is below min_seconds, which is {min}"),
            format!("a time of {min} s or more"),
        );
    } else {
        log.fault(
            &hold.place("min_seconds"),
            format!("{min} is above max_seconds, which is {max} unless given"),
            format!("a time up to {max} s, or a larger max_seconds,"),
        );
    }
}

fn level_gauge(raw: &RawSetup, log: &mut Log) {
    let level = &raw.amplitude;
    let by_strain = level.word("rule") == Some(LevelRule::ClampStrain);
    let mut roles = raw
        .channels
        .iter()
        .map(|channel| channel.word::<RoleKind>("role"));
    let maybe_a_gauge = roles.any(|role| role.is_none_or(|role| role == RoleKind::ClampStrain));
    if by_strain && !maybe_a_gauge {
        log.fault(
            &level.place("rule"),
            "the level is set by clamp strain, but no channel measures it",
            "a channel of role clamp-strain, or another rule,",
        );
    }
}
