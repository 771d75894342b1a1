//! The virtual span: a setup and a model in, poles and resonances out, found
//! once. Pure; shares no physics with the analysis.

use super::driven::DrivenSpan;
use super::error::RehearsalError;
use super::model::SpanModel;
use super::natural::{Pole, find_poles, follow_poles};
use super::resonances::{Resonance, find_resonances};
use crate::setup::Setup;

/// A strung conductor with a drive and, perhaps, a damper, and all that it
/// does by itself.
#[derive(Debug, Clone)]
pub struct VirtualSpan {
    pub(super) driven: DrivenSpan,
    pub(super) poles: Vec<Pole>,
    resonances: Vec<Resonance>,
}

impl VirtualSpan {
    /// Builds the span and finds its poles and resonances up to the sweep's
    /// high frequency.
    pub fn new(setup: &Setup, model: &SpanModel) -> Result<Self, RehearsalError> {
        let driven = DrivenSpan::new(setup, model)?;
        let poles = find_poles(&driven)?;
        let resonances = find_resonances(&driven, &poles);
        Ok(Self {
            driven,
            poles,
            resonances,
        })
    }

    /// The same span with the channels of one source only; that source is then
    /// number 0.
    #[must_use]
    pub fn with_channels_of(&self, source: usize) -> Self {
        let mut span = self.clone();
        let channels = &mut span.driven.setup.channels;
        channels.retain(|channel| channel.source == source);
        for channel in channels {
            channel.source = 0;
        }
        span
    }

    /// This span with `nominal`'s tension times `ratio`: its poles followed
    /// from where they are, its resonances left as they were.
    pub(super) fn with_tension(&self, nominal: &Self, ratio: f64) -> Self {
        let mut driven = self.driven.clone();
        driven.beam.tension_n = nominal.driven.beam.tension_n * ratio;
        Self {
            poles: follow_poles(&driven, &self.poles, self.driven.spacing_hz()),
            driven,
            resonances: self.resonances.clone(),
        }
    }

    /// The resonances from half the sweep's low frequency to a little above its
    /// high one, by rising frequency.
    pub fn resonances(&self) -> &[Resonance] {
        &self.resonances
    }

    /// The resonance with this number of loops.
    pub fn resonance(&self, harmonic: u32) -> Result<Resonance, RehearsalError> {
        self.resonances
            .iter()
            .copied()
            .find(|r| r.harmonic == harmonic)
            .ok_or_else(|| RehearsalError::Harmonic {
                harmonic,
                present: self
                    .resonances
                    .iter()
                    .map(|r| r.harmonic.to_string())
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }

    /// The resonance nearest to a frequency.
    pub fn nearest_resonance(&self, frequency_hz: f64) -> Result<Resonance, RehearsalError> {
        let distance = |r: &Resonance| (r.frequency_hz - frequency_hz).abs();
        self.resonances
            .iter()
            .copied()
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
            .ok_or(RehearsalError::NoResonance)
    }
}
