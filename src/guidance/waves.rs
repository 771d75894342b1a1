//! What the fixed sensors show of the standing wave while the drive stands: where node and
//! antinode are, and which harmonic it is. Pure.

use super::bench::BenchReadings;
use crate::resonance::standing_wave::{FixedSensor, ShownWaves, TrustedWaves};
use crate::setup::{Channel, Role, Setup};
use crate::tone::{ChannelTone, ToneFrame, ToneMessage, TonePlan};

/// The fixed sensors of the main source, as its latest frame has them.
#[derive(Debug, Clone)]
pub(super) struct FixedSensorsSeen {
    source: usize,
    /// Row in the frames of the source, and channel.
    sensors: Vec<(usize, Channel)>,
    latest: Option<(f64, Vec<ChannelTone>)>,
}

impl FixedSensorsSeen {
    pub(super) fn new(setup: &Setup, plans: &[TonePlan], source: usize) -> Self {
        let channels = plans
            .get(source)
            .into_iter()
            .flat_map(|plan| &plan.channels);
        let fixed = channels.enumerate().filter_map(|(row, planned)| {
            let channel = setup.channels.get(planned.setup_index)?;
            let is_fixed = channel.role == Role::Wave && channel.position_m.is_some();
            is_fixed.then(|| (row, channel.clone()))
        });
        Self {
            source,
            sensors: fixed.collect(),
            latest: None,
        }
    }

    pub(super) fn hear(&mut self, source: usize, message: &ToneMessage) {
        if source != self.source || self.sensors.len() < 2 {
            return;
        }
        self.latest = match message {
            ToneMessage::Frame(frame) => self.tones(frame),
            ToneMessage::Gap(_) => None,
        };
    }

    fn tones(&self, frame: &ToneFrame) -> Option<(f64, Vec<ChannelTone>)> {
        let rows = self.sensors.iter().map(|(row, _)| *row);
        let tones: Option<Vec<ChannelTone>> =
            rows.map(|row| frame.channels.get(row).copied()).collect();
        Some((frame.frequency_hz?, tones?))
    }

    /// What they show, by the tension that is measured, or why that is not to be trusted;
    /// `None` where there are no fixed sensors, or nothing moves.
    pub(super) fn shown(
        &self,
        setup: &Setup,
        bench: &BenchReadings,
    ) -> Option<Result<TrustedWaves, String>> {
        let (frequency_hz, tones) = self.latest.as_ref()?;
        let setup = &bench.by_measured_tension(setup);
        let of_both = || self.sensors.iter().map(|(_, channel)| channel).zip(tones);
        let unsound = of_both().find(|(_, tone)| tone.missing > 0 || tone.clipped > 0);
        if let Some((channel, _)) = unsound {
            return Some(Err(format!(
                "\"{}\" gave no value at some instants, or is at full scale",
                channel.name
            )));
        }
        let sensors = of_both().map(|(channel, tone)| {
            FixedSensor::reading(
                setup,
                channel,
                *frequency_hz,
                tone.amplitude,
                tone.amplitude_u,
            )
        });
        let names: Vec<String> = of_both().map(|(channel, _)| channel.name.clone()).collect();
        let shown = ShownWaves::of(setup, *frequency_hz, sensors.collect(), &names);
        let trusted = shown.trusted(setup, *frequency_hz);
        Some(trusted.ok_or_else(|| {
            let fault = shown.faults().first();
            fault.map_or_else(|| "they leave it open".to_owned(), String::clone)
        }))
    }
}
