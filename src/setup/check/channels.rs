//! Checks of the channels, each by itself and against the others.

use super::unique_names;
use crate::setup::fault::Log;
use crate::setup::read::RawSetup;
use crate::setup::read::choice::right_word;
use crate::setup::read::wiring::RawChannel;
use crate::setup::role::{Count, RoleKind};
use crate::setup::words::Unit;
use std::collections::BTreeMap;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    unique_names(raw.channels.iter().map(|c| &c.name), "channel", log);
    for channel in &raw.channels {
        unit_fits_role(channel, log);
        location_fits_role(channel, log);
        drive_place(raw, channel, log);
        reference_is_whole(channel, log);
    }
    known_sources(raw, log);
    unique_columns(&raw.channels, log);
    role_counts(&raw.channels, log);
    one_clock(&raw.channels, log);
    references_agree(&raw.channels, log);
}

fn unit_fits_role(channel: &RawChannel, log: &mut Log) {
    let (Some(role), Some(unit)) = (channel.role.value(), channel.unit.value()) else {
        return;
    };
    if role.accepts(unit.quantity()) {
        return;
    }
    let fitting: Vec<&str> = Unit::ALL
        .iter()
        .filter(|unit| role.accepts(unit.quantity()))
        .map(|unit| unit.symbol())
        .collect();
    let right = match fitting.as_slice() {
        [only] => (*only).to_owned(),
        several => format!("one of {}", several.join(", ")),
    };
    log.fault(
        channel.unit.offset,
        channel.unit.key.clone(),
        format!("{unit} does not fit the role {role}"),
        right,
    );
}

fn location_fits_role(channel: &RawChannel, log: &mut Log) {
    if let Some(role) = channel.role.value()
        && role.row().needs != Some("location")
        && channel.location.occurs()
    {
        log.fault(
            channel.location.offset,
            channel.location.key.clone(),
            format!("belongs to the role clamp-strain, this channel is {role}"),
            "no such key here",
        );
    }
}

/// The drive has one place; two numbers for it must agree.
fn drive_place(raw: &RawSetup, channel: &RawChannel, log: &mut Log) {
    let drive = channel
        .role
        .value()
        .is_some_and(|role| role.row().at_drive_point);
    let (Some(own), Some(span)) = (
        channel.position_m.value(),
        raw.span.drive_position_m.value(),
    ) else {
        return;
    };
    #[expect(clippy::float_cmp, reason = "the same number written twice")]
    if drive && own != span {
        log.fault(
            channel.position_m.offset,
            channel.position_m.key.clone(),
            format!("{own} contradicts span.drive_position_m, which is {span}"),
            "one place of the drive, stated once,",
        );
    }
}

fn reference_is_whole(channel: &RawChannel, log: &mut Log) {
    let (name, share) = (&channel.reference, &channel.reference_uncertainty_pct);
    if name.occurs() && share.is_absent() {
        log.fault(
            name.offset,
            share.key.clone(),
            "is missing although a reference is named",
            "the uncertainty (k = 2) of the reference in %",
        );
    }
    if name.is_absent() && share.occurs() {
        log.fault(
            share.offset,
            share.key.clone(),
            "is given although no reference is named",
            "the name of the reference in the key reference",
        );
    }
}

fn references_agree(channels: &[RawChannel], log: &mut Log) {
    let mut seen: BTreeMap<&str, (f64, usize)> = BTreeMap::new();
    for channel in channels {
        let share = &channel.reference_uncertainty_pct;
        let (Some(name), Some(value)) = (channel.reference.value(), share.value()) else {
            continue;
        };
        let (first, offset) = *seen.entry(name).or_insert((*value, share.offset));
        #[expect(clippy::float_cmp, reason = "the same number written twice")]
        if first != *value {
            let line = log.line(offset);
            log.fault(
                share.offset,
                share.key.clone(),
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
        .map(|source| source.name.value().map(String::as_str))
        .collect();
    // With a source nameless or missing, every channel of it would be blamed.
    let Some(names) = names.filter(|names| !names.is_empty()) else {
        return;
    };
    for channel in &raw.channels {
        let Some(name) = channel.source.value() else {
            continue;
        };
        if !names.contains(&name.as_str()) {
            log.fault(
                channel.source.offset,
                channel.source.key.clone(),
                format!(
                    "there is no source \"{name}\"; known are: {}",
                    names.join(", ")
                ),
                right_word(name, &names),
            );
        }
    }
}

fn unique_columns(channels: &[RawChannel], log: &mut Log) {
    let mut seen: BTreeMap<(&str, u32), usize> = BTreeMap::new();
    for channel in channels {
        let (Some(source), Some(index)) = (channel.source.value(), channel.index.value()) else {
            continue;
        };
        if let Some(first) = seen.get(&(source.as_str(), *index)) {
            let line = log.line(*first);
            log.fault(
                channel.index.offset,
                channel.index.key.clone(),
                format!(
                    "column {index} of \"{source}\" is already used by the channel at line {line}"
                ),
                "a column of its own",
            );
        } else {
            seen.insert((source, *index), channel.index.offset);
        }
    }
}

fn role_counts(channels: &[RawChannel], log: &mut Log) {
    let single = RoleKind::ALL
        .into_iter()
        .filter(|role| role.row().count != Count::Any);
    for role in single {
        let mut of_role = channels
            .iter()
            .filter(|channel| channel.role.value() == Some(&role));
        let Some(first) = of_role.next() else {
            continue;
        };
        let line = log.line(first.role.offset);
        for extra in of_role {
            log.fault(
                extra.role.offset,
                extra.role.key.clone(),
                format!("is a second {role}, the first is at line {line}"),
                format!("one {role} and role monitor or wave for the others"),
            );
        }
    }
    let all_known = channels.iter().all(|c| c.role.value().is_some());
    let required = RoleKind::ALL
        .into_iter()
        .filter(|role| role.row().count == Count::One);
    for role in required {
        let given = channels.iter().any(|c| c.role.value() == Some(&role));
        if let Some(first) = channels.first()
            && all_known
            && !given
        {
            log.fault(
                first.offset,
                "channel",
                format!("no channel has the role {role}"),
                format!("exactly one channel of role {role}"),
            );
        }
    }
}

/// Two devices are two clocks: a phase between them means nothing.
fn one_clock(channels: &[RawChannel], log: &mut Log) {
    let mut bearing = channels
        .iter()
        .filter(|c| c.role.value().is_some_and(|role| role.row().bears_phase))
        .filter_map(|c| Some((c, c.role.value()?, c.source.value()?)));
    let Some((_, main_role, main)) = bearing
        .clone()
        .find(|(_, role, _)| **role == RoleKind::Antinode)
        .or_else(|| bearing.next())
    else {
        return;
    };
    for (channel, role, source) in bearing {
        if source != main {
            log.fault(
                channel.source.offset,
                channel.source.key.clone(),
                format!(
                    "\"{source}\" is not the source of the {main_role} channel: two devices are \
                     two clocks, so the phase of the {role} would mean nothing"
                ),
                format!("\"{main}\""),
            );
        }
    }
}
