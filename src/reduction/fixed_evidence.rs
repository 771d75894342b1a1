//! What the fixed sensors showed at a point, for whoever takes all points of a sweep
//! together. Pure.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

use super::fitted_channel::FittedChannel;
use super::measured::{Measured, record};
use super::settle::PointBasis;
use super::uncertainty::{Cause, propagate};
use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::standing_wave::{FixedSensor, matched};
use crate::setup::Setup;

record! {
    /// What one fixed sensor showed.
    #[derive(Debug, Clone, PartialEq)]
    pub struct ShownByFixed {
        /// Its channel.
        channel: String,
        /// Velocity, mm/s peak, with what it was matched to taken off; the uncertainty is that of its
        /// noise and scatter alone.
        velocity_mm_s / velocity_u_mm_s: Measured,
        /// Its phase against the first fixed sensor, degrees.
        phase_deg: f64,
    }
}

/// What the fixed sensors showed at a point whose antinode and node were read by them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FixedEvidence {
    /// Sensor by sensor.
    pub sensors: Vec<ShownByFixed>,
    /// Expanded uncertainty of the point's ratio, k = 2, % of it, by all that is not their places,
    /// calibration and noise, tension, mass, stiffness and loss.
    pub iswr_rest_u_pct: f64,
    /// The same of the antinode's velocity.
    pub antinode_rest_u_pct: f64,
    /// The same of the power past the node.
    pub power_rest_u_pct: f64,
}

/// What the fixed sensors showed over a dwell; `None` where antinode and node were not
/// read by them.
pub fn fixed_evidence(
    setup: &Setup,
    dwell: &Dwell,
    fits: &[FittedChannel],
) -> Option<FixedEvidence> {
    if !fits.iter().any(|fit| fit.channel.is_worked_out()) {
        return None;
    }
    let basis = PointBasis::of(setup, dwell, fits).ok()?;
    let inputs = &basis.inputs;
    let hold = basis.fixed.as_ref()?.as_ref().ok()?;
    let shown = inputs.fixed.as_ref()?.sensors(inputs.frequency_hz);
    let first = shown.first()?.velocity_m_s;
    let sensors = hold
        .names
        .iter()
        .zip(&shown)
        .map(|(name, sensor)| ShownByFixed {
            channel: name.clone(),
            velocity_mm_s: Measured::with_standard_u(
                1e3 * maths::modulus(sensor.velocity_m_s),
                1e3 * sensor.noise_standard_u_m_s,
            ),
            phase_deg: maths::argument(sensor.velocity_m_s * first.conj()).to_degrees(),
        });
    let rest: Vec<Cause> = basis
        .causes
        .iter()
        .filter(|cause| !cause.is_of_waves())
        .cloned()
        .collect();
    let found = propagate(inputs, &rest);
    let pct = |of: Measured| 100.0 * of.u / of.value.abs();
    Some(FixedEvidence {
        sensors: sensors.collect(),
        iswr_rest_u_pct: pct(found.iswr?),
        antinode_rest_u_pct: pct(found.antinode_velocity_m_s),
        power_rest_u_pct: pct(found.power_total_w?),
    })
}

impl ShownByFixed {
    /// As the sensor of a setup; `None` where that has no such channel.
    pub fn sensor(&self, setup: &Setup, frequency_hz: f64) -> Option<FixedSensor> {
        let mut channels = setup.channels.iter();
        let channel = channels.find(|channel| channel.name == self.channel)?;
        let turned: Complex64 = maths::cis(self.phase_deg.to_radians());
        Some(FixedSensor::of(
            channel,
            matched(setup, channel, frequency_hz),
            1e-3 * self.velocity_mm_s.value * turned,
            1e-3 * self.velocity_mm_s.standard_u(),
        ))
    }
}
