//! Checks of the sources.

use super::names;
use crate::setup::build::sweep;
use crate::setup::fault::Log;
use crate::setup::model::offset_of;
use crate::setup::read::{Fields, RawSetup};
use crate::setup::role::RoleKind;
use crate::setup::table::UTC_OFFSET;
use crate::setup::words::Protocol;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    names::unique(&raw.sources, log);
    for source in &raw.sources {
        source_name(source, log);
        rate_of_lines(source, log);
        sampling_rate(raw, source, log);
        utc_offset(source, log);
    }
}

fn utc_offset(source: &Fields, log: &mut Log) {
    if let Some(text) = source.text("utc_offset")
        && offset_of(text).is_none()
    {
        log.fault(
            &source.place("utc_offset"),
            format!("\"{}\" is no offset", text.escape_debug()),
            UTC_OFFSET,
        );
    }
}

/// Recordings are named after their source.
fn source_name(source: &Fields, log: &mut Log) {
    let Some(name) = source.text("name") else {
        return;
    };
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    if name.starts_with('.') || !name.chars().all(plain) {
        log.fault(
            &source.place("name"),
            format!("\"{name}\" cannot be part of a file name"),
            "a name of letters, digits, `-`, `_` and `.` that does not begin with `.`",
        );
    }
}

fn rate_of_lines(source: &Fields, log: &mut Log) {
    let serial = source.text("kind") == Some("serial");
    let lines = source.word("protocol") == Some(Protocol::Lines);
    if serial && lines && source.is_absent("rate_hz") {
        log.fault(
            &source.place("rate_hz"),
            "is missing: text lines do not carry their sampling rate",
            "the sampling rate of the device in Hz",
        );
    }
}

fn sampling_rate(raw: &RawSetup, source: &Fields, log: &mut Log) {
    let (Some(rate), Some(sweep)) = (source.number("rate_hz"), sweep(raw)) else {
        return;
    };
    if carries_no_tones(raw, source) {
        return;
    }
    let least = sweep.least_rate_hz();
    if rate < least {
        log.fault(
            &source.place("rate_hz"),
            format!(
                "{rate} Hz is too low for a sweep up to {:.1} Hz",
                sweep.high_hz
            ),
            format!("a sampling rate of at least {least:.0} Hz, four times sweep.high_hz,"),
        );
    }
}

/// A slow logger beside the bench is welcome: its tones are not measured.
fn carries_no_tones(raw: &RawSetup, source: &Fields) -> bool {
    let mut roles = raw
        .channels
        .iter()
        .filter(|channel| channel.text("source") == source.text("name"))
        .map(|channel| channel.word("role"))
        .peekable();
    let slow = [RoleKind::Monitor, RoleKind::Tension].map(Some);
    roles.peek().is_some() && roles.all(|role| slow.contains(&role))
}
