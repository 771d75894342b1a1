//! From text to raw sections, and from raw sections to a setup.
//!
//! In: the text. Out: a [`RawSetup`] in which every key knows its place, with
//! all syntax, key and type faults and impossible numbers in the [`Log`]. A new
//! section is entered in [`SECTIONS`], [`RawSetup::read`] and
//! [`RawSetup::build`]; a new key in the file of its section.

mod alarm;
pub(super) mod bench;
pub(super) mod choice;
pub(super) mod criteria;
mod document;
mod field;
mod hold;
mod limits;
mod table;
pub(super) mod wiring;

use super::fault::Log;
use super::model::{Setup, Sweep};
use alarm::RawAlarmLimits;
use bench::{RawAmplitude, RawConductor, RawSpan, RawSweep, RawTest};
use criteria::RawCriterion;
use document::Document;
pub(super) use field::Field;
use hold::RawHold;
use table::Need;
use toml::de::DeTable;
use wiring::{RawChannel, RawSource};

/// Every section with its keys.
const SECTIONS: &[(&str, &[&str])] = &[
    ("test", RawTest::KEYS),
    ("conductor", RawConductor::KEYS),
    ("span", RawSpan::KEYS),
    ("sweep", RawSweep::KEYS),
    ("amplitude", RawAmplitude::KEYS),
    ("hold", RawHold::KEYS),
    ("limits", RawAlarmLimits::KEYS),
    ("source", RawSource::KEYS),
    ("channel", RawChannel::KEYS),
    ("criteria", RawCriterion::KEYS),
];

/// The sections that may occur several times.
const LISTS: &[&str] = &["source", "channel", "criteria"];

/// The file as read, before anything is checked across keys.
pub(super) struct RawSetup {
    pub(super) test: RawTest,
    pub(super) conductor: RawConductor,
    pub(super) span: RawSpan,
    pub(super) sweep: RawSweep,
    pub(super) amplitude: Option<RawAmplitude>,
    pub(super) hold: RawHold,
    limits: RawAlarmLimits,
    pub(super) sources: Vec<RawSource>,
    pub(super) channels: Vec<RawChannel>,
    pub(super) criteria: Vec<RawCriterion>,
}

impl RawSetup {
    /// `None` when the text is no TOML. Then only the syntax faults are
    /// logged: what stands in which section cannot be told.
    pub(super) fn read(text: &str, log: &mut Log) -> Option<Self> {
        let (root, errors) = DeTable::parse_recoverable(text);
        if !errors.is_empty() {
            for error in errors {
                log_syntax(&error, text, log);
            }
            return None;
        }
        let document = Document::open(root.get_ref(), log);
        let conductor = RawConductor::read(&mut document.section("conductor", Need::Required, log));
        let span = RawSpan::read(
            &mut document.section("span", Need::Required, log),
            &conductor,
        );
        let mut level = document.section("amplitude", Need::Optional, log);
        let amplitude = if level.is_absent() {
            None
        } else {
            Some(RawAmplitude::read(&mut level))
        };
        Some(Self {
            test: RawTest::read(&mut document.section("test", Need::Required, log)),
            sweep: RawSweep::read(&mut document.section("sweep", Need::Optional, log)),
            hold: RawHold::read(&mut document.section("hold", Need::Optional, log)),
            limits: RawAlarmLimits::read(&mut document.section("limits", Need::Optional, log)),
            sources: document.list("source", Need::Required, log, RawSource::read),
            channels: document.list("channel", Need::Required, log, |table| {
                RawChannel::read(table, &span.length_m)
            }),
            criteria: document.list("criteria", Need::Optional, log, RawCriterion::read),
            amplitude,
            conductor,
            span,
        })
    }

    /// `None` exactly when a fault is logged.
    pub(super) fn build(self) -> Option<Setup> {
        let sweep: Sweep = self.sweep.effective(&self.conductor)?;
        let sources = self
            .sources
            .into_iter()
            .map(RawSource::build)
            .collect::<Option<Vec<_>>>()?;
        let names: Vec<String> = sources.iter().map(|source| source.name.clone()).collect();
        let channels = self
            .channels
            .into_iter()
            .map(|channel| channel.build(&names))
            .collect::<Option<Vec<_>>>()?;
        let criteria = self
            .criteria
            .into_iter()
            .map(RawCriterion::build)
            .collect::<Option<Vec<_>>>()?;
        let amplitude = match self.amplitude {
            Some(level) => Some(level.build()?),
            None => None,
        };
        Some(Setup {
            test: self.test.build()?,
            conductor: self.conductor.build()?,
            span: self.span.build()?,
            sweep,
            amplitude,
            hold: self.hold.build()?,
            limits: self.limits.build()?,
            sources,
            channels,
            criteria,
        })
    }
}

fn log_syntax(error: &toml::de::Error, text: &str, log: &mut Log) {
    let offset = error.span().map_or(0, |span| span.start);
    let line = text
        .get(..offset)
        .and_then(|before| before.rsplit('\n').next())
        .unwrap_or_default();
    let rest = text
        .get(offset..)
        .and_then(|after| after.lines().next())
        .unwrap_or_default();
    let shown: String = format!("{line}{rest}").trim().chars().take(60).collect();
    let message = error.message().replace('\n', " ");
    log.fault(
        offset,
        "",
        format!("`{}` is no TOML: {message}", shown.escape_debug()),
        "a line such as `key = value` or `[section]`",
    );
}

#[cfg(test)]
mod tests;
