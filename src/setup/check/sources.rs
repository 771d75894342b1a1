//! Checks of the sources.

use super::unique_names;
use crate::setup::fault::Log;
use crate::setup::read::RawSetup;
use crate::setup::read::wiring::{KindWord, RawSource};
use crate::setup::role::RoleKind;
use crate::setup::words::Protocol;

pub(super) fn check(raw: &RawSetup, log: &mut Log) {
    unique_names(raw.sources.iter().map(|s| &s.name), "source", log);
    for source in &raw.sources {
        source_name(source, log);
        kind_and_keys(source, log);
        sampling_rate(raw, source, log);
    }
}

/// Recordings are named after their source.
fn source_name(source: &RawSource, log: &mut Log) {
    let Some(name) = source.name.value() else {
        return;
    };
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    if name.starts_with('.') || !name.chars().all(plain) {
        log.fault(
            source.name.offset,
            source.name.key.clone(),
            format!("\"{name}\" cannot be part of a file name"),
            "a name of letters, digits, `-`, `_` and `.` that does not begin with `.`",
        );
    }
}

fn kind_and_keys(source: &RawSource, log: &mut Log) {
    match source.kind.value() {
        Some(KindWord::Wav) => {
            let mut refuse = |offset, key: &str| {
                let wrong = "belongs to a serial source, this one is kind \"wav\"";
                log.fault(
                    offset,
                    key,
                    wrong,
                    "no such key here, or kind = \"serial\",",
                );
            };
            if source.port.occurs() {
                refuse(source.port.offset, &source.port.key);
            }
            if source.baud.occurs() {
                refuse(source.baud.offset, &source.baud.key);
            }
            if source.protocol.occurs() {
                refuse(source.protocol.offset, &source.protocol.key);
            }
        }
        Some(KindWord::Serial) => {
            let lines = source.protocol.value() == Some(&Protocol::Lines);
            if lines && source.rate_hz.is_absent() {
                log.fault(
                    source.rate_hz.offset,
                    source.rate_hz.key.clone(),
                    "is missing: text lines do not carry their sampling rate",
                    "the sampling rate of the device in Hz",
                );
            }
        }
        None => {}
    }
}

fn sampling_rate(raw: &RawSetup, source: &RawSource, log: &mut Log) {
    let (Some(rate), Some(sweep)) = (source.rate_hz.value(), raw.sweep.effective(&raw.conductor))
    else {
        return;
    };
    if carries_monitors_only(raw, source) {
        return;
    }
    let least = sweep.least_rate_hz();
    if *rate < least {
        log.fault(
            source.rate_hz.offset,
            source.rate_hz.key.clone(),
            format!(
                "{rate} Hz is too low for a sweep up to {:.1} Hz",
                sweep.high_hz
            ),
            format!("a sampling rate of at least {least:.0} Hz, four times sweep.high_hz,"),
        );
    }
}

/// A slow logger beside the bench is welcome: its tones are not measured.
fn carries_monitors_only(raw: &RawSetup, source: &RawSource) -> bool {
    let mut roles = raw
        .channels
        .iter()
        .filter(|channel| channel.source.value() == source.name.value())
        .map(|channel| channel.role.value())
        .peekable();
    roles.peek().is_some() && roles.all(|role| role == Some(&RoleKind::Monitor))
}
