//! What is possible but implausible, and what will be missing from the results.
//!
//! In: a checked [`Setup`]. Out: [`Warning`]s. Limits without a source are
//! common practice; they warn and never refuse.

use super::fault::Warning;
use super::model::{Setup, SourceKind};
use super::role::Role;
use super::words::LevelRule;
use crate::maths;
use std::f64::consts::PI;

/// Young's modulus of steel wire, Pa (handbook value for galvanized core wire).
const STEEL_PA: f64 = 207e9;
/// Young's modulus of hard-drawn aluminium wire, Pa (handbook value).
const ALUMINIUM_PA: f64 = 68.9e9;
/// EI of loose wires over EI of a solid rod of the same outline: n/w⁴ for n
/// wires of which w lie side by side across the diameter. 91 wires, 11 across,
/// is the finest common stranding: 91/11⁴.
const LOOSEST_STRANDING: f64 = 91.0 / 14_641.0;

/// Everything odd about a setup. The lines are filled in where the text is at
/// hand: see [`super::read`].
pub fn warnings(setup: &Setup) -> Vec<Warning> {
    let mut found = Vec::new();
    let mut warn = |key: &str, text: String| {
        found.push(Warning {
            line: None,
            key: key.to_owned(),
            text,
        });
    };
    conductor(setup, &mut warn);
    span(setup, &mut warn);
    level(setup, &mut warn);
    rates(setup, &mut warn);
    missing_channels(setup, &mut warn);
    calibrations(setup, &mut warn);
    overdue(setup, &mut warn);
    found
}

fn conductor(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    let conductor = &setup.conductor;
    let diameter_m = conductor.diameter_mm * 1e-3;
    let density = conductor.mass_kg_per_m / (PI / 4.0 * maths::square(diameter_m));
    // Aluminium wires fill about three quarters of their outline: 2000 kg/m³.
    if density < 1500.0 {
        warn(
            "conductor.mass_kg_per_m",
            format!(
                "over its outline the conductor would weigh {density:.0} kg/m3, less than \
                 stranded aluminium (about 2000); check mass and diameter"
            ),
        );
    }
    let Some(stiffness) = conductor.bending_stiffness_n_m2 else {
        return;
    };
    let rod_m4 = PI / 64.0 * maths::whole_power(diameter_m, 4);
    let (least, most) = (ALUMINIUM_PA * LOOSEST_STRANDING * rod_m4, STEEL_PA * rod_m4);
    if !(least..=most).contains(&stiffness) {
        warn(
            "conductor.bending_stiffness_n_m2",
            format!(
                "{stiffness} N m2 is outside {least:.1} (loose aluminium wires) to {most:.0} \
                 (a solid steel rod) for {} mm; check it",
                conductor.diameter_mm
            ),
        );
    }
}

fn span(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    let span = &setup.span;
    if span.length_m < 30.0 {
        warn(
            "span.length_m",
            format!(
                "{} m is short: spans of at least 30 m are used (common practice, no source)",
                span.length_m
            ),
        );
    }
    if span.length_m > 200.0 {
        warn(
            "span.length_m",
            format!(
                "{} m is long for an indoor span; check the unit",
                span.length_m
            ),
        );
    }
    let speed = setup.wave_speed_m_s();
    if !(50.0..=250.0).contains(&speed) {
        warn(
            "span.tension_kn",
            format!(
                "with this mass waves would run at {speed:.1} m/s; conductors have about 80 to \
                 200 m/s (common practice, no source); check tension and mass"
            ),
        );
    }
    if let Some(damper) = span.damper_position_m {
        if damper > span.length_m / 2.0 {
            warn(
                "span.damper_position_m",
                format!("{damper} m is past mid-span; it counts from the damper-end clamp"),
            );
        }
        if let Some(drive) = span.drive_position_m
            && drive + damper >= span.length_m
        {
            warn(
                "span.drive_position_m",
                "the drive is beyond the damper; it counts from the drive-end clamp".to_owned(),
            );
        }
    }
}

fn level(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    let Some(level) = setup.amplitude else { return };
    let (quantity, usual) = match level.rule {
        LevelRule::ConstantVelocity => (level.value, 10.0..=1000.0),
        // Y_pp = k/f is V = pi k peak at every f.
        LevelRule::InverseFrequency => (PI * level.value, 10.0..=1000.0),
        LevelRule::ClampStrain => (level.value, 10.0..=2000.0),
    };
    if !usual.contains(&quantity) {
        let as_velocity = match level.rule {
            LevelRule::InverseFrequency => format!(", that is {quantity:.1} mm/s peak,"),
            LevelRule::ConstantVelocity | LevelRule::ClampStrain => String::new(),
        };
        warn(
            "amplitude.value",
            format!(
                "{} {}{as_velocity} is outside the usual {} to {} (common practice, no source); \
                 check the unit",
                level.value,
                level.rule.unit(),
                usual.start(),
                usual.end()
            ),
        );
    }
}

fn rates(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    for (nth, source) in setup.sources.iter().enumerate() {
        let carried: Vec<_> = setup
            .channels
            .iter()
            .filter(|channel| channel.source == nth)
            .collect();
        if carried.is_empty() {
            warn(
                &format!("source[{}].name", source.name),
                "no channel uses this source: it is recorded and not analysed".to_owned(),
            );
        }
        let Some(rate) = source.rate_hz else { continue };
        let wanted = setup.sweep.harmonics_rate_hz();
        let measures = carried.iter().any(|channel| channel.role.has_tone());
        if measures && rate < wanted {
            warn(
                &format!("source[{}].rate_hz", source.name),
                format!(
                    "at {rate} Hz harmonics get lost at the top of the sweep; {wanted:.0} Hz, \
                     eight times sweep.high_hz, would show the third"
                ),
            );
        }
        let columns = carried.iter().map(|channel| channel.index + 1).max();
        if let (SourceKind::Serial { baud, .. }, Some(columns)) = (&source.kind, columns) {
            // Ten bits a byte on the line, at least two bytes a sample.
            let needed = rate * columns as f64 * 20.0;
            if f64::from(*baud) < needed {
                warn(
                    &format!("source[{}].baud", source.name),
                    format!(
                        "{baud} baud cannot carry {columns} columns at {rate} Hz; at least \
                         {needed:.0} would be needed"
                    ),
                );
            }
        }
    }
}

fn missing_channels(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    if setup.channel(Role::Node).is_none() && !setup.reads_by_fixed_sensors() {
        warn(
            "channel",
            "there is no node channel: no ratio, no efficiency and no power will come out"
                .to_owned(),
        );
    }
    if setup.channel(Role::DriveForce).is_none() {
        let by_signal = match setup.channel(Role::DriveSignal) {
            Some(_) => ", and from then on by the phase against the drive signal",
            None => "",
        };
        // Two leave nothing to check, and prove nothing.
        let by_nodes = match setup.fixed_sensors().count() {
            0..=2 => "",
            _ => {
                ", and by the place of the nodes where the fixed sensors tell it (best with one of \
                 them next to the drive)"
            }
        };
        warn(
            "channel",
            format!(
                "there is no drive-force channel: resonance can be shown by a passage over the \
                 peak or by the span's free motion at a change only{by_signal}{by_nodes}, other \
                 holds are `steady` at best"
            ),
        );
    }
    let mut fixed = setup.fixed_sensors();
    if let (Some((only, _)), None) = (fixed.next(), fixed.next()) {
        warn(
            &format!("channel[{}].role", only.name),
            "one wave channel alone cannot be decomposed; two places at least are needed"
                .to_owned(),
        );
    }
}

fn calibrations(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    for channel in &setup.channels {
        let stated = channel.uncertainty_pct.is_some() || channel.reference.is_some();
        if !stated && !matches!(channel.role, Role::Monitor | Role::DriveSignal) {
            warn(
                &format!("channel[{}].uncertainty_pct", channel.name),
                "the calibration uncertainty is not stated and counts as zero: the uncertainty of \
                 every result from this channel is too small; results are marked for it, and a guard \
                 band decides nothing on them"
                    .to_owned(),
            );
        }
    }
}

fn overdue(setup: &Setup, warn: &mut impl FnMut(&str, String)) {
    let Some(date) = setup.report.date else {
        return;
    };
    for instrument in &setup.instruments {
        if let Some(due) = instrument.calibration_due.filter(|due| *due < date) {
            warn(
                &format!("instrument[{}].calibration_due", instrument.name),
                format!("its calibration was due on {due}, before the test on {date}"),
            );
        }
    }
}
