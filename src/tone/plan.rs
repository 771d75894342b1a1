//! What the tone stage will do with one source, settled before its first
//! sample: channels, decimation, hop and window.

use super::filter::{PASS_FRACTION, largest_factor};
use crate::ingest::StreamFormat;
use crate::setup::{Role, Setup};

/// Hops a second, about: the hop is a whole number of decimated samples.
const HOPS_PER_SECOND: f64 = 4.0;
/// Shortest analysis window, s. Neighbouring harmonics of a laboratory span
/// stand 1.5 to 3 Hz apart; one second tells them apart while a step rings.
const WINDOW_SECONDS: f64 = 1.0;
/// Shortest analysis window in cycles of the lowest frequency.
const WINDOW_CYCLES: f64 = 8.0;
/// Decimated rate over the highest frequency, at least. The filter passes
/// [`PASS_FRACTION`] of it untouched, which leaves room for ten orders: five
/// for the model, the rest to hear a rattle by.
const RATE_OVER_HIGH: f64 = 32.0;
/// Highest order in the model.
pub(super) const ORDERS: usize = 5;
/// The same for a source that is not decimated: just below Nyquist.
const PASS_FRACTION_PLAIN: f64 = 0.46;

/// Why a source cannot be analysed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PlanError {
    /// The sampling rate cannot carry the sweep.
    #[error(
        "source {source_name:?}: a sampling rate of {rate_hz} Hz is too low for a sweep to {high_hz} Hz; \
         at least {least_hz} Hz is right"
    )]
    RateTooLow {
        /// The source.
        source_name: String,
        /// Its rate, Hz.
        rate_hz: f64,
        /// Top of the sweep, Hz.
        high_hz: f64,
        /// Least rate, Hz.
        least_hz: f64,
    },
    /// A channel's column does not exist.
    #[error(
        "source {source_name:?}: channel {channel:?} has index {index}, but the source carries {columns} \
         columns (0 to {last}); the right index is one of these"
    )]
    NoSuchColumn {
        /// The source.
        source_name: String,
        /// The channel.
        channel: String,
        /// Its index.
        index: usize,
        /// Columns there are.
        columns: usize,
        /// The highest index.
        last: usize,
    },
}

/// One channel of the plan.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedChannel {
    /// Index into [`Setup::channels`].
    pub setup_index: usize,
    /// Column in the source.
    pub column: usize,
    /// SI value of digital full scale.
    pub to_si: f64,
    /// Whether the common frequency is estimated from this channel too.
    pub sets_frequency: bool,
    /// Whether an instant at which this channel has no value is missing as a
    /// whole: the readings of a resonance rest on it. Where it is not, the
    /// channel alone lacks the value.
    pub is_required: bool,
}

/// The plan for one source. The default one plans nothing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct TonePlan {
    /// Sampling rate of the source, Hz.
    pub rate_hz: f64,
    /// Raw samples per decimated sample.
    pub decimation: usize,
    /// Decimated samples per hop.
    pub hop_samples: usize,
    /// Hops per analysis window.
    pub window_hops: usize,
    /// Search range, Hz: the sweep and a margin.
    pub search_low_hz: f64,
    /// Search range, Hz.
    pub search_high_hz: f64,
    /// A raw sample at or beyond this is clipped, either sign.
    pub clip_level: f64,
    /// The channels of the source that the setup names, in setup order.
    pub channels: Vec<PlannedChannel>,
}

impl TonePlan {
    /// Plans source number `source` of the setup.
    pub fn new(setup: &Setup, source: usize, format: &StreamFormat) -> Result<Self, PlanError> {
        let source_name = setup
            .sources
            .get(source)
            .map_or_else(String::new, |source| source.name.clone());
        let high_hz = setup.sweep.high_hz;
        let least_hz = 4.0 * high_hz;
        let measures_tones = setup
            .channels
            .iter()
            .any(|channel| channel.source == source && channel.role.has_tone());
        let carries_tension = setup
            .channels
            .iter()
            .any(|channel| channel.source == source && channel.role == Role::Tension);
        if format.rate_hz < least_hz && (measures_tones || !carries_tension) {
            return Err(PlanError::RateTooLow {
                source_name,
                rate_hz: format.rate_hz,
                high_hz,
                least_hz,
            });
        }
        let has_phase = setup
            .channels
            .iter()
            .any(|channel| channel.source == source && channel.role.finds_tone());
        let mut channels = Vec::new();
        for (setup_index, channel) in setup.channels.iter().enumerate() {
            if channel.source != source {
                continue;
            }
            if channel.index >= format.channels {
                return Err(PlanError::NoSuchColumn {
                    source_name,
                    channel: channel.name.clone(),
                    index: channel.index,
                    columns: format.channels,
                    last: format.channels.saturating_sub(1),
                });
            }
            channels.push(PlannedChannel {
                setup_index,
                column: channel.index,
                to_si: channel.full_scale * channel.unit.to_si(),
                // Strain gauges pick up mains hum near the drive frequency;
                // they say nothing unless nothing else is there.
                sets_frequency: if has_phase {
                    channel.role.finds_tone()
                } else {
                    channel.role.has_tone()
                },
                is_required: channel.role.finds_tone(),
            });
        }
        let decimation =
            largest_factor((format.rate_hz / (RATE_OVER_HIGH * high_hz)).floor() as usize);
        let decimated_rate_hz = format.rate_hz / decimation as f64;
        let hop_samples = ((decimated_rate_hz / HOPS_PER_SECOND).round() as usize).max(1);
        let window_s = WINDOW_SECONDS.max(WINDOW_CYCLES / setup.sweep.low_hz);
        let hop_s = hop_samples as f64 / decimated_rate_hz;
        Ok(Self {
            rate_hz: format.rate_hz,
            decimation,
            hop_samples,
            window_hops: ((window_s / hop_s - 1e-6).ceil() as usize).max(1),
            search_low_hz: 0.8 * setup.sweep.low_hz,
            search_high_hz: (1.15 * high_hz).min(0.45 * decimated_rate_hz),
            clip_level: format.clip_level,
            channels,
        })
    }

    /// Rate after decimation, Hz.
    pub fn decimated_rate_hz(&self) -> f64 {
        self.rate_hz / self.decimation as f64
    }

    /// Step of the converter over digital full scale: integers end one step below it.
    /// 0 where the source does not say.
    pub fn quantisation_step(&self) -> f64 {
        if self.clip_level < 1.0 {
            1.0 - self.clip_level
        } else {
            0.0
        }
    }

    /// Raw samples per hop.
    pub fn hop_raw_samples(&self) -> u64 {
        (self.hop_samples * self.decimation) as u64
    }

    /// Length of a hop, s.
    pub fn hop_seconds(&self) -> f64 {
        self.hop_raw_samples() as f64 / self.rate_hz
    }

    /// Length of the analysis window, s.
    pub fn window_seconds(&self) -> f64 {
        self.hop_seconds() * self.window_hops as f64
    }

    /// Decimated samples per window.
    pub fn window_samples(&self) -> usize {
        self.hop_samples * self.window_hops
    }

    /// Orders of the model at a fundamental of `frequency_hz`.
    pub fn orders(&self, frequency_hz: f64) -> usize {
        self.highest_order(frequency_hz).min(ORDERS)
    }

    /// Orders that the pass band holds at a fundamental of `frequency_hz`.
    pub fn highest_order(&self, frequency_hz: f64) -> usize {
        let pass = if self.decimation == 1 {
            PASS_FRACTION_PLAIN
        } else {
            PASS_FRACTION
        };
        ((pass * self.decimated_rate_hz() / frequency_hz).floor() as usize).max(1)
    }
}
