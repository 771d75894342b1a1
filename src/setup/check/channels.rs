//! Checks of the channels, each by itself and against the others.

use super::names;
use crate::setup::choice::right_word;
use crate::setup::fault::Log;
use crate::setup::read::{Fields, RawSetup};
use crate::setup::role::{Count, RoleKind, SensorPlace};
use crate::setup::words::Unit;
use crate::span::nodes::clear_places_m;
use std::collections::BTreeMap;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    names::unique(&raw.channels, log);
    for channel in &raw.channels {
        unit_fits_role(channel, log);
        location_fits_role(channel, log);
        drive_place(raw, channel, log);
        moving_mass(raw, channel, log);
        reference_is_whole(channel, log);
    }
    known_sources(raw, log);
    unique_columns(&raw.channels, log);
    role_counts(&raw.channels, log);
    what_reads_the_wave(&raw.channels, log);
    fixed_sensors(raw, log);
    one_clock(&raw.channels, log);
    references_agree(&raw.channels, log);
}

fn role_of(channel: &Fields) -> Option<RoleKind> {
    channel.word("role")
}

fn unit_fits_role(channel: &Fields, log: &mut Log) {
    let (Some(role), Some(unit)) = (role_of(channel), channel.word::<Unit>("unit")) else {
        return;
    };
    if role.accepts(unit.quantity()) {
        return;
    }
    let right = match role.units().as_slice() {
        [only] => (*only).to_owned(),
        several => format!("one of {}", several.join(", ")),
    };
    log.fault(
        &channel.place("unit"),
        format!("{unit} does not fit the role {role}"),
        right,
    );
}

/// A place on the span may be stated for every sensor; a clamp only where the
/// role needs it.
fn location_fits_role(channel: &Fields, log: &mut Log) {
    if let Some(role) = role_of(channel)
        && role.row().needs != Some("location")
        && channel.has("location")
    {
        log.fault(
            &channel.place("location"),
            format!("belongs to the role clamp-strain, this channel is {role}"),
            "no such key here",
        );
    }
}

/// The drive has one place; two numbers for it must agree.
fn drive_place(raw: &RawSetup, channel: &Fields, log: &mut Log) {
    let drive = role_of(channel).is_some_and(|role| role.row().place == SensorPlace::DrivePoint);
    let (Some(own), Some(span)) = (
        channel.number("position_m"),
        raw.span.number("drive_position_m"),
    ) else {
        return;
    };
    #[expect(clippy::float_cmp, reason = "the same number written twice")]
    if drive && own != span {
        log.fault(
            &channel.place("position_m"),
            format!("{own} contradicts span.drive_position_m, which is {span}"),
            "one place of the drive, stated once,",
        );
    }
}

/// What a force cell carries is taken off with the motion of the drive, which
/// has to be known.
fn moving_mass(raw: &RawSetup, channel: &Fields, log: &mut Log) {
    let Some(role) = role_of(channel) else {
        return;
    };
    for key in ["moving_mass_kg", "moving_mass_uncertainty_pct"] {
        if channel.has(key) && role != RoleKind::DriveForce {
            log.fault(
                &channel.place(key),
                format!("belongs to the role drive-force, this channel is {role}"),
                "no such key here",
            );
        }
    }
    let motion = raw
        .channels
        .iter()
        .any(|channel| role_of(channel) == Some(RoleKind::DriveMotion));
    if role == RoleKind::DriveForce
        && channel.has("moving_mass_kg")
        && !motion
        && raw.span.is_absent("drive_position_m")
    {
        log.fault(
            &channel.place("moving_mass_kg"),
            "cannot be taken off: nothing says how the drive moves",
            "a drive-motion channel, or span.drive_position_m,",
        );
    }
}

fn reference_is_whole(channel: &Fields, log: &mut Log) {
    let (name, share) = ("reference", "reference_uncertainty_pct");
    if channel.has(name) && channel.is_absent(share) {
        let mut place = channel.place(name);
        place.key = channel.path(share);
        log.fault(
            &place,
            "is missing although a reference is named",
            "the uncertainty (k = 2) of the reference in %",
        );
    }
    if channel.is_absent(name) && channel.has(share) {
        log.fault(
            &channel.place(share),
            "is given although no reference is named",
            "the name of the reference in the key reference",
        );
    }
}

fn references_agree(channels: &[Fields], log: &mut Log) {
    let mut seen: BTreeMap<&str, (f64, usize)> = BTreeMap::new();
    for channel in channels {
        let (Some(name), Some(value)) = (
            channel.text("reference"),
            channel.number("reference_uncertainty_pct"),
        ) else {
            continue;
        };
        let place = channel.place("reference_uncertainty_pct");
        let (first, offset) = *seen.entry(name).or_insert((value, place.offset));
        #[expect(clippy::float_cmp, reason = "the same number written twice")]
        if first != value {
            let line = log.line(offset);
            log.fault(
                &place,
                format!("{value} contradicts line {line}, where the same reference has {first}"),
                "one uncertainty for one reference",
            );
        }
    }
}

fn known_sources(raw: &RawSetup, log: &mut Log) {
    let names: Option<Vec<&str>> = raw
        .sources
        .iter()
        .map(|source| source.text("name"))
        .collect();
    // With a source nameless or missing, every channel of it would be blamed.
    let Some(names) = names.filter(|names| !names.is_empty()) else {
        return;
    };
    for channel in &raw.channels {
        let Some(name) = channel.text("source") else {
            continue;
        };
        if !names.contains(&name) {
            log.fault(
                &channel.place("source"),
                format!(
                    "there is no source \"{name}\"; known are: {}",
                    names.join(", ")
                ),
                right_word(name, &names),
            );
        }
    }
}

fn unique_columns(channels: &[Fields], log: &mut Log) {
    let mut seen: BTreeMap<(&str, i64), usize> = BTreeMap::new();
    for channel in channels {
        let (Some(source), Some(index)) = (channel.text("source"), channel.whole("index")) else {
            continue;
        };
        let place = channel.place("index");
        if let Some(first) = seen.get(&(source, index)) {
            let line = log.line(*first);
            log.fault(
                &place,
                format!(
                    "column {index} of \"{source}\" is already used by the channel at line {line}"
                ),
                "a column of its own",
            );
        } else {
            seen.insert((source, index), place.offset);
        }
    }
}

fn role_counts(channels: &[Fields], log: &mut Log) {
    for role in RoleKind::ALL {
        let count = role.row().count;
        let mut of_role = channels
            .iter()
            .filter(|channel| role_of(channel) == Some(role));
        if let Some(first) = of_role.next()
            && count == Count::AtMostOne
        {
            let line = log.line(first.place("role").offset);
            for extra in of_role {
                log.fault(
                    &extra.place("role"),
                    format!("is a second {role}, the first is at line {line}"),
                    format!("one {role} and role monitor or wave for the others"),
                );
            }
        }
    }
}

/// Antinode and node are read by a pair that is moved, or by fixed sensors.
fn what_reads_the_wave(channels: &[Fields], log: &mut Log) {
    let all_known = channels.iter().all(|channel| role_of(channel).is_some());
    let count = |role| {
        let channels = channels.iter();
        channels
            .filter(|channel| role_of(channel) == Some(role))
            .count()
    };
    let Some(first) = channels.first().filter(|_| all_known) else {
        return;
    };
    if count(RoleKind::Antinode) > 0 {
        return;
    }
    if count(RoleKind::Wave) < 2 {
        log.fault(
            &first.header(),
            "no channel has the role antinode",
            "exactly one channel of role antinode, or two or more of role wave at fixed places,",
        );
        return;
    }
    let node = channels
        .iter()
        .find(|channel| role_of(channel) == Some(RoleKind::Node));
    if let Some(node) = node {
        log.fault(
            &node.place("role"),
            "is a node without an antinode channel to compare it with",
            "an antinode channel beside it, or no node channel where fixed sensors read both,",
        );
    }
}

/// Fixed sensors that antinode and node are read by see the waves between drive and
/// damper, clear of the near field of both.
fn fixed_sensors(raw: &RawSetup, log: &mut Log) {
    let of_role = |role| {
        let channels = raw.channels.iter();
        channels.filter(move |channel| role_of(channel) == Some(role))
    };
    let fixed: Vec<(&Fields, f64)> = of_role(RoleKind::Wave)
        .filter_map(|channel| Some((channel, channel.number("position_m")?)))
        .collect();
    let Some(&(first, first_m)) = fixed.first() else {
        return;
    };
    #[expect(clippy::float_cmp, reason = "the same number written twice")]
    let at_one_place = fixed.iter().all(|(_, place_m)| *place_m == first_m);
    // All at one place is how they are matched.
    if of_role(RoleKind::Antinode).next().is_some() || at_one_place {
        return;
    }
    let quantity = |channel: &Fields| channel.word::<Unit>("unit").map(Unit::quantity);
    for (channel, _) in &fixed {
        if quantity(channel) != quantity(first) {
            log.fault(
                &channel.place("unit"),
                "measures another quantity than the first wave channel",
                "one quantity for all fixed sensors",
            );
        }
    }
    let number = |section: &Fields, key| section.number(key);
    let (Some(length_m), Some(tension_kn)) = (
        number(&raw.span, "length_m"),
        number(&raw.span, "tension_kn"),
    ) else {
        return;
    };
    let stiffness_n_m2 = number(&raw.conductor, "bending_stiffness_n_m2").unwrap_or(0.0);
    let clear = clear_places_m(
        (1e3 * tension_kn, stiffness_n_m2),
        length_m,
        number(&raw.span, "drive_position_m"),
        number(&raw.span, "damper_position_m"),
    );
    let (from_m, to_m) = (clear.start(), clear.end());
    let clear_m = from_m - number(&raw.span, "drive_position_m").unwrap_or(0.0);
    for (channel, place_m) in &fixed {
        if !clear.contains(place_m) {
            log.fault(
                &channel.place("position_m"),
                format!(
                    "{place_m} m does not lie between drive and damper, clear of the near field of both \
                     ({clear_m:.2} m)"
                ),
                format!("a place from {from_m:.2} to {to_m:.2} m from the drive-end clamp"),
            );
        }
    }
}

/// Two devices are two clocks: a phase between them means nothing.
fn one_clock(channels: &[Fields], log: &mut Log) {
    let mut bearing = channels
        .iter()
        .filter_map(|channel| Some((channel, role_of(channel)?, channel.text("source")?)))
        .filter(|(_, role, _)| role.row().bears_phase);
    let Some((_, main_role, main)) = bearing
        .clone()
        .find(|(_, role, _)| *role == RoleKind::Antinode)
        .or_else(|| bearing.clone().find(|(_, role, _)| *role == RoleKind::Wave))
        .or_else(|| bearing.next())
    else {
        return;
    };
    for (channel, role, source) in bearing {
        if source != main {
            log.fault(
                &channel.place("source"),
                format!(
                    "\"{source}\" is not the source of the {main_role} channel: two devices are \
                     two clocks, so the phase of the {role} would mean nothing"
                ),
                format!("\"{main}\""),
            );
        }
    }
}
