//! What the measurement equations read antinode and node from where both are read by fixed
//! sensors. Pure.

use num_complex::Complex64;

use crate::resonance::phasor::velocity_m_s;
use crate::resonance::standing_wave::{
    ConductorLoss, FixedSensor, NodeReading, TwoWaves, WaveFitError, WaveNumber,
};
use crate::setup::Quantity;
use crate::span::StrungConductor;

/// One fixed sensor's part in the point.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedInput {
    /// What it shows, peak, SI.
    pub phasor: Complex64,
    /// Of this quantity.
    pub quantity: Quantity,
    /// Where it stands and what it may err by; its velocity is that of the phasor.
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

impl FixedInputs {
    pub(super) fn sensors(&self, frequency_hz: f64) -> Vec<FixedSensor> {
        self.sensors
            .iter()
            .map(|input| FixedSensor {
                velocity_m_s: velocity_m_s(input.quantity, input.phasor, frequency_hz),
                ..input.sensor
            })
            .collect()
    }

    pub(super) fn number(&self, conductor: &StrungConductor, frequency_hz: f64) -> WaveNumber {
        WaveNumber {
            per_m: self.wave_number_factor * conductor.wave_number_per_m(frequency_hz),
            relative_standard_u: self.wave_number_standard_u,
            fading_per_m: self.loss.fading_per_m(conductor, frequency_hz),
            fading_standard_u_per_m: self.fading_standard_u_per_m,
        }
    }

    pub(super) fn waves(
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
