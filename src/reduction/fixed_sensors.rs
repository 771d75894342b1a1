//! What fixed sensors say of antinode and node: the inputs of a point from them, and
//! whether two waves explain what they show. Pure.
//!
//! In: the fits of the fixed sensors over a hold. Out: [`FixedInputs`], which the
//! measurement equations read antinode and node from, and what is wrong with them.

use num_complex::Complex64;

use super::fitted_channel::FittedChannel;
use crate::maths;
use crate::resonance::phasor::velocity_m_s;
use crate::resonance::standing_wave::{
    ConductorLoss, FixedSensor, NodeReading, TwoWaves, WaveFitError, WaveNumber, reading_end_m,
    wave_number_standard_u,
};
use crate::setup::{Quantity, Role, Setup};
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
    fn waves(
        &self,
        conductor: &StrungConductor,
        frequency_hz: f64,
    ) -> Result<TwoWaves, WaveFitError> {
        let sensors: Vec<FixedSensor> = self
            .sensors
            .iter()
            .map(|input| FixedSensor {
                place_m: input.place_m,
                velocity_m_s: velocity_m_s(input.quantity, input.phasor, frequency_hz),
                ..input.sensor
            })
            .collect();
        let number = WaveNumber {
            per_m: self.wave_number_factor * conductor.wave_number_per_m(frequency_hz),
            relative_standard_u: self.wave_number_standard_u,
            fading_per_m: self.loss.fading_per_m(conductor, frequency_hz),
        };
        TwoWaves::fit(&sensors, number)
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
                let (phasor, quantity) = (fit.fit.phasor.value, fit.channel.unit.quantity());
                let velocity = |phasor| velocity_m_s(quantity, phasor, frequency_hz);
                let noise = velocity(Complex64::new(fit.fit.phasor.part_u(), 0.0));
                let noise_m_s = maths::modulus(noise);
                names.push(fit.channel.name.clone());
                Some(FixedInput {
                    phasor,
                    quantity,
                    place_m,
                    sensor: FixedSensor::of(fit.channel, place_m, velocity(phasor), noise_m_s),
                })
            })
            .collect();
        if sensors.is_empty() {
            return None;
        }
        let mut inputs = FixedInputs {
            sensors,
            wave_number_standard_u: wave_number_standard_u(setup, frequency_hz),
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

/// The fits of the fixed sensors.
pub(super) fn fixed_fits<'a, 'b>(
    fits: &'a [FittedChannel<'b>],
) -> impl Iterator<Item = &'a FittedChannel<'b>> {
    fits.iter().filter(|fit| fit.channel.role == Role::Wave)
}
