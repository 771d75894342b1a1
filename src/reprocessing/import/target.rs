//! Whose a file is: a source of the setup, and its channels.

use anyhow::{Context as _, bail};

use crate::ingest::time_history::TimeHistory;
use crate::pipeline;
use crate::report::number::significant;
use crate::setup::{Channel, Setup, Source};

/// The source that files are of.
pub(super) struct Target<'a> {
    pub(super) source: &'a Source,
    /// Its place in the setup.
    pub(super) place: usize,
    /// Its channels, each with its place in the setup, from 1.
    pub(super) channels: Vec<(usize, &'a Channel)>,
}

impl<'a> Target<'a> {
    /// The source of this name; without a name the only one.
    pub(super) fn new(setup: &'a Setup, name: Option<&str>) -> anyhow::Result<Self> {
        let names: Vec<&str> = setup.sources.iter().map(|source| &*source.name).collect();
        let place = match name {
            Some(name) => names
                .iter()
                .position(|known| *known == name)
                .with_context(|| {
                    format!(
                        "the setup has no source \"{name}\"; one of {} is right",
                        names.join(", ")
                    )
                })?,
            None if names.len() == 1 => 0,
            None => bail!(
                "the setup has several sources; say with --source which one the files are of: {}",
                names.join(", ")
            ),
        };
        let source = setup
            .sources
            .get(place)
            .context("the setup has no source")?;
        let all = (1..).zip(&setup.channels);
        Ok(Self {
            source,
            place,
            channels: all.filter(|(_, channel)| channel.source == place).collect(),
        })
    }

    /// Columns that a recording of the source has.
    pub(super) fn width(&self) -> usize {
        let columns = self.channels.iter().map(|(_, channel)| channel.index + 1);
        columns.max().unwrap_or(1)
    }

    /// Takes the setup's rate where the file's is that one but for its rounding, `rounding`
    /// of it.
    pub(super) fn settle_rate(
        &self,
        history: &mut TimeHistory,
        rounding: f64,
        notes: &mut Vec<String>,
    ) -> anyhow::Result<()> {
        let rate_hz = history.rate_hz;
        match self.source.rate_hz {
            Some(stated_hz) if !pipeline::rate_agrees(self.source, rate_hz) => bail!(
                "its samples come at {} Hz, and the setup says rate_hz = {stated_hz}; a time in seconds, and \
                 the setup of this measurement, are right",
                significant(rate_hz, 7)
            ),
            Some(stated_hz) if (rate_hz / stated_hz - 1.0).abs() <= rounding => {
                history.rate_hz = stated_hz;
            }
            _ if rounding > 0.0 => notes.push(format!(
                "the rate of {} Hz is as rounded as the file has it, to some {} ppm; `rate_hz` in the setup makes \
                 it exact",
                significant(rate_hz, 7),
                significant(1e6 * rounding, 1)
            )),
            _ => {}
        }
        Ok(())
    }

    /// What each channel reaches, in its unit: who took a wrong factor sees it here.
    pub(super) fn reach(&self, history: &TimeHistory) -> anyhow::Result<Vec<String>> {
        let mut said = vec![format!(
            "{} samples at {} Hz",
            history.samples.ncols(),
            history.rate_hz
        )];
        for (_, channel) in &self.channels {
            let row = history.samples.row(channel.index);
            let all = row.iter().copied().filter(|value| value.is_finite());
            let Some(largest) = all.map(f64::abs).reduce(f64::max) else {
                bail!(
                    "channel \"{}\" has no value at any instant; another column, or a setup without this \
                     channel, is right",
                    channel.name
                );
            };
            said.push(format!(
                "channel \"{}\": up to {} {}",
                channel.name,
                significant(channel.full_scale * largest, 4),
                channel.unit.symbol()
            ));
        }
        Ok(said)
    }
}
