//! What fixed sensors say of antinode and node: the inputs of a point from them, and
//! whether two waves explain what they show. Pure.
//!
//! In: the fits of the fixed sensors over a hold. Out: [`FixedInputs`], which the
//! measurement equations read antinode and node from, and what is wrong with them.

use num_complex::Complex64;

use super::fitted_channel::{FittedChannel, stated_calibration};
use super::uncertainty::{Cause, InputPhasor};
use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::criteria::Judged;
use crate::resonance::phasor::velocity_m_s;
use crate::resonance::standing_wave::{
    self, ConductorLoss, FixedSensor, NodeReading, TwoWaves, WaveFitError, WaveNumber,
    fading_standard_u_per_m, reading_end_m, wave_number_standard_u,
};
use crate::setup::{Channel, Quantity, Role, Setup, Verdict};
use crate::span::StrungConductor;

/// One fixed sensor's part in the point.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedInput {
    /// What it shows, peak, SI.
    pub phasor: Complex64,
    /// Of this quantity.
    pub quantity: Quantity,
    /// Where it stands, m from the drive-end clamp.
    pub place_m: f64,
    /// What it may err by; its place and velocity are those above.
    pub sensor: FixedSensor,
}

/// The fixed sensors' part in the point.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedInputs {
    /// Sensor by sensor.
    pub sensors: Vec<FixedInput>,
    /// Relative standard uncertainty of the wave number as stated.
    pub wave_number_standard_u: f64,
    /// Standard uncertainty of α as stated, 1/m.
    pub fading_standard_u_per_m: f64,
    /// k over the one that tension, mass and stiffness give: 1 but for an uncertainty.
    pub wave_number_factor: f64,
    /// The conductor's loss.
    pub loss: ConductorLoss,
    /// What is read where nothing is moved.
    pub nominal: NodeReading,
}

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

impl FixedInputs {
    fn sensors(&self, frequency_hz: f64) -> Vec<FixedSensor> {
        self.sensors
            .iter()
            .map(|input| FixedSensor {
                place_m: input.place_m,
                velocity_m_s: velocity_m_s(input.quantity, input.phasor, frequency_hz),
                ..input.sensor
            })
            .collect()
    }

    fn number(&self, conductor: &StrungConductor, frequency_hz: f64) -> WaveNumber {
        WaveNumber {
            per_m: self.wave_number_factor * conductor.wave_number_per_m(frequency_hz),
            relative_standard_u: self.wave_number_standard_u,
            fading_per_m: self.loss.fading_per_m(conductor, frequency_hz),
            fading_standard_u_per_m: self.fading_standard_u_per_m,
        }
    }

    fn waves(
        &self,
        conductor: &StrungConductor,
        frequency_hz: f64,
    ) -> Result<TwoWaves, WaveFitError> {
        let sensors = self.sensors(frequency_hz);
        TwoWaves::fit(&sensors, self.number(conductor, frequency_hz))
    }

    /// By how much what is read at antinode and node differs from the nominal reading,
    /// m/s peak.
    pub(super) fn moved_by(
        &self,
        conductor: &StrungConductor,
        frequency_hz: f64,
    ) -> [Complex64; 2] {
        let Ok(waves) = self.waves(conductor, frequency_hz) else {
            return [Complex64::new(0.0, 0.0); 2];
        };
        let read = waves.node_nearest(self.nominal.node_m);
        [
            read.antinode_m_s - self.nominal.antinode_m_s,
            read.node_m_s - self.nominal.node_m_s,
        ]
    }
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
            .filter_map(|fit| {
                let place_m = fit.channel.position_m?;
                let matched = standing_wave::matched(setup, fit.channel, frequency_hz);
                let factor = matched.map_or(Complex64::new(1.0, 0.0), |matched| matched.factor);
                let shown = &fit.fit.phasor;
                names.push(fit.channel.name.clone());
                Some(FixedInput {
                    phasor: shown.value / factor,
                    quantity: fit.channel.unit.quantity(),
                    place_m,
                    sensor: FixedSensor::reading(
                        setup,
                        fit.channel,
                        frequency_hz,
                        shown.value,
                        shown.part_u(),
                    ),
                })
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
    if !fits.iter().any(|fit| fit.channel.is_worked_out()) {
        return;
    }
    let Some(hold) = FixedHold::new(setup, frequency_hz, fits) else {
        return;
    };
    let judged = hold_against(setup, frequency_hz, hold.as_ref());
    let failed: Vec<String> = judged
        .iter()
        .filter(|judged| judged.result.met == Some(false))
        .map(|judged| judged.sentence.clone())
        .collect();
    let results = judged.into_iter().map(|judged| judged.result);
    dwell.criteria.extend(results);
    if failed.is_empty() {
        return;
    }
    // What else is found of such a reading follows from it.
    dwell.verdict = Verdict::Rejected;
    dwell.reasons = failed;
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
    /// What is wrong with the reading, a sentence each; none where it may be trusted.
    pub(super) fn doubts(&self, setup: &Setup, frequency_hz: f64) -> Vec<String> {
        hold_against(setup, frequency_hz, Ok(self))
            .into_iter()
            .filter(|judged| judged.result.met == Some(false))
            .map(|judged| judged.sentence)
            .collect()
    }
}

/// What matched sensors err by in common.
#[derive(Debug, Default)]
pub(super) struct InCommon {
    sensors: Vec<InputPhasor>,
    phase_square: f64,
    gain_square: f64,
}

impl InCommon {
    /// A sensor with what its channel states.
    pub(super) fn add(&mut self, sensor: InputPhasor, channel: &Channel) {
        let (phase_u, gain_u) = stated_calibration(channel);
        self.sensors.push(sensor);
        self.phase_square += maths::square(phase_u.unwrap_or_default());
        self.gain_square += maths::square(gain_u.unwrap_or_default());
    }

    /// The causes: the mean of sensors that err independently.
    pub(super) fn causes(self) -> Vec<Cause> {
        let count = self.sensors.len();
        if count == 0 {
            return Vec::new();
        }
        let of_mean = |square: f64| square.sqrt() / count as f64;
        vec![
            Cause::Phase {
                sensors: self.sensors.clone(),
                standard_u: of_mean(self.phase_square),
            },
            Cause::Gain {
                standard_u: of_mean(self.gain_square),
                sensors: self.sensors,
            },
        ]
    }
}

/// The fits of the fixed sensors.
pub(super) fn fixed_fits<'a, 'b>(
    fits: &'a [FittedChannel<'b>],
) -> impl Iterator<Item = &'a FittedChannel<'b>> {
    fits.iter().filter(|fit| fit.channel.role == Role::Wave)
}
