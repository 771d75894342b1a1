//! From checked sections to a [`Setup`].
//!
//! In: sections without a fault. Out: the setup. Each section becomes the type
//! of the model whose fields bear the names of its keys, with the defaults of
//! the table.

use super::model::{HoldRules, Setup, Sweep};
use super::read::{Fields, RawSetup};
use super::table::HOLD;
use serde::Deserialize;
use toml::{Table, Value};

impl Default for HoldRules {
    /// The defaults of the table; the guide, page "tolerances", derives each.
    #[expect(
        clippy::expect_used,
        reason = "fails only if the table and this type differ, which every test would show"
    )]
    fn default() -> Self {
        Fields::absent(&HOLD)
            .build()
            .expect("the keys of [hold] are the fields of HoldRules")
    }
}

/// The sweep with its defaults, as far as it is known.
pub(super) fn sweep(raw: &RawSetup) -> Option<Sweep> {
    let aeolian = raw.conductor.number("diameter_mm").map(Sweep::aeolian);
    let end = |key: &str, default: Option<f64>| match raw.sweep.number(key) {
        Some(frequency) => Some(frequency),
        None if raw.sweep.is_absent(key) => default,
        None => None,
    };
    Some(Sweep {
        low_hz: end("low_hz", aeolian.map(|sweep| sweep.low_hz))?,
        high_hz: end("high_hz", aeolian.map(|sweep| sweep.high_hz))?,
    })
}

/// Sets the defaults that other keys decide.
pub(super) fn computed_defaults(raw: &mut RawSetup) {
    if let Some(sweep) = sweep(raw) {
        raw.sweep.set_default("low_hz", sweep.low_hz);
        raw.sweep.set_default("high_hz", sweep.high_hz);
    }
}

/// The keys above the first section.
#[derive(Deserialize)]
struct Top {
    matching: Option<String>,
}

impl RawSetup {
    /// The setup; `None` when there is a fault or a computed default is not
    /// set.
    pub(super) fn build(&self) -> Option<Setup> {
        let instruments = self.instruments.iter().map(Fields::build);
        let pictures = self.pictures.iter().map(Fields::build);
        let sources = self.sources.iter().map(Fields::build);
        let channels = self.channels.iter().map(|channel| self.channel(channel));
        let placements = self.placements.iter().map(Fields::build);
        let criteria = self.criteria.iter().map(Fields::build);
        let top: Top = self.top.build()?;
        Some(Setup {
            test: self.test.build()?,
            report: self.report.build()?,
            instruments: instruments.collect::<Option<_>>()?,
            pictures: pictures.collect::<Option<_>>()?,
            conductor: self.conductor.build()?,
            span: self.span.build()?,
            sweep: self.sweep.build()?,
            amplitude: if self.amplitude.occurs {
                Some(self.amplitude.build()?)
            } else {
                None
            },
            hold: self.hold.build()?,
            limits: self.limits.build()?,
            sources: sources.collect::<Option<_>>()?,
            channels: channels.collect::<Option<_>>()?,
            placements: placements.collect::<Option<_>>()?,
            criteria: criteria.collect::<Option<_>>()?,
            matching_file: top.matching,
            matching: None,
        })
    }

    /// A channel, whose source becomes its place in the list of sources.
    fn channel<T: for<'de> Deserialize<'de>>(&self, channel: &Fields) -> Option<T> {
        let name = channel.text("source")?;
        let source = self
            .sources
            .iter()
            .position(|source| source.text("name") == Some(name))?;
        let mut values: Table = channel.values()?;
        let source = Value::Integer(i64::try_from(source).ok()?);
        values.insert("source".to_owned(), source);
        values.try_into().ok()
    }
}
