//! What fixed sensors say of antinode and node: the inputs of a point from them, and
//! whether two waves explain what they show. Pure.
//!
//! In: the fits of the fixed sensors over a hold. Out: [`FixedHold`]: the inputs of
//! the measurement equations, the waves, and what is wrong with them.

use super::fitted_channel::FittedChannel;
use super::fixed_inputs::{FixedInput, FixedInputs};
use crate::resonance::Dwell;
use crate::resonance::criteria::{Judged, unmet};
use crate::resonance::standing_wave::{
    self, ConductorLoss, FixedSensor, NodeReading, TrustedWaves, TwoWaves, WaveFitError,
    WaveNumber, fading_standard_u_per_m, reading_end_m, wave_number_standard_u,
};
use crate::setup::{Role, Setup, Verdict};

/// The reading of a hold.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedHold {
    /// The inputs.
    pub inputs: FixedInputs,
    /// The waves.
    pub waves: TwoWaves,
    /// Names of the sensors, in order.
    pub names: Vec<String>,
}

impl FixedHold {
    /// Of a hold; `None` where the setup has no fixed sensors to read by.
    ///
    /// # Errors
    /// Where they cannot tell two waves apart.
    pub fn new(
        setup: &Setup,
        frequency_hz: f64,
        fits: &[FittedChannel],
    ) -> Option<Result<Self, WaveFitError>> {
        let mut names = Vec::new();
        let sensors: Vec<FixedInput> = fixed_fits(fits)
            .map(|fit| {
                let shown = &fit.fit.phasor;
                names.push(fit.channel.name.clone());
                FixedInput {
                    phasor: standing_wave::as_matched(
                        setup,
                        fit.channel,
                        frequency_hz,
                        shown.value,
                    ),
                    quantity: fit.channel.unit.quantity(),
                    sensor: FixedSensor::reading(
                        setup,
                        fit.channel,
                        frequency_hz,
                        shown.value,
                        shown.part_u(),
                    ),
                }
            })
            .collect();
        if sensors.is_empty() {
            return None;
        }
        let mut inputs = FixedInputs {
            sensors,
            wave_number_standard_u: wave_number_standard_u(setup, frequency_hz),
            fading_standard_u_per_m: fading_standard_u_per_m(setup, frequency_hz),
            wave_number_factor: 1.0,
            loss: ConductorLoss::of(setup),
            nominal: NodeReading::default(),
        };
        let waves = match inputs.waves(&setup.strung_conductor(), frequency_hz) {
            Ok(waves) => waves,
            Err(error) => return Some(Err(error)),
        };
        inputs.nominal = waves.node_before(reading_end_m(setup, frequency_hz));
        Some(Ok(Self {
            inputs,
            waves,
            names,
        }))
    }
}

/// Holds what the fixed sensors show against its criteria and enters what that finds into
/// the dwell, where antinode and node are read by them.
pub fn judge(dwell: &mut Dwell, setup: &Setup, fits: &[FittedChannel]) {
    let Some(frequency_hz) = dwell.interval.as_ref().map(|tone| tone.frequency_hz) else {
        return;
    };
    let Some(hold) = FixedHold::new(setup, frequency_hz, fits) else {
        return;
    };
    let judged = hold_against(setup, frequency_hz, hold.as_ref());
    let failed = unmet(&judged);
    // What is read by a pair does not rest on them.
    if fits.iter().any(|fit| fit.channel.is_worked_out()) {
        let results = judged.into_iter().map(|judged| judged.result);
        dwell.criteria.extend(results);
        if !failed.is_empty() {
            // What else is found of such a reading follows from it.
            dwell.verdict = Verdict::Rejected;
            dwell.reasons = failed;
            return;
        }
    }
    if let Ok(hold) = &hold
        && failed.is_empty()
        && let Some(waves) = hold.trusted(setup, frequency_hz)
        && let Some(pattern) = waves.pattern
    {
        dwell.enter_node_pattern(pattern, setup);
    }
}

fn hold_against(
    setup: &Setup,
    frequency_hz: f64,
    hold: Result<&FixedHold, &WaveFitError>,
) -> Vec<Judged> {
    let conductor = setup.strung_conductor();
    match hold {
        Ok(hold) => {
            let sensors = hold.inputs.sensors(frequency_hz);
            let number = hold.inputs.number(&conductor, frequency_hz);
            standing_wave::judge(
                &setup.hold,
                frequency_hz,
                Ok((&hold.waves, hold.inputs.nominal)),
                (&sensors, number),
                &hold.names,
            )
        }
        Err(error) => {
            let number = WaveNumber::of(setup, frequency_hz);
            standing_wave::judge(&setup.hold, frequency_hz, Err(*error), (&[], number), &[])
        }
    }
}

impl FixedHold {
    /// What may be said by the waves of a reading without doubts.
    pub(super) fn trusted(&self, setup: &Setup, frequency_hz: f64) -> Option<TrustedWaves> {
        let sensors = self.inputs.sensors(frequency_hz);
        let number = self.inputs.number(&setup.strung_conductor(), frequency_hz);
        let found = (&self.waves, self.inputs.nominal);
        TrustedWaves::of(setup, frequency_hz, found, (&sensors, number))
    }

    /// What is wrong with the reading, a sentence each; none where it may be trusted.
    pub(super) fn doubts(&self, setup: &Setup, frequency_hz: f64) -> Vec<String> {
        unmet(&hold_against(setup, frequency_hz, Ok(self)))
    }
}

/// The fits of the fixed sensors.
pub(super) fn fixed_fits<'a, 'b>(
    fits: &'a [FittedChannel<'b>],
) -> impl Iterator<Item = &'a FittedChannel<'b>> {
    fits.iter().filter(|fit| fit.channel.role == Role::Wave)
}
