//! What the calibration of a channel leaves of its phase and gain. Pure.

use super::measured::COVERAGE;
use super::uncertainty::{Cause, InputPhasor};
use crate::maths;
use crate::setup::{Channel, RelativeResponse};

/// What a channel's own calibration leaves of phase and gain. A matched sensor differs from
/// the others by what the matching leaves; what all of them err by in common stands beside it.
pub(super) fn calibration(
    channel: &Channel,
    sensor: InputPhasor,
    matched: Option<RelativeResponse>,
) -> Vec<Cause> {
    let (phase_u, gain_u) = match matched {
        Some(matched) => (
            Some(matched.phase_standard_u_rad),
            Some(matched.gain_standard_u),
        ),
        None => stated_calibration(channel),
    };
    let phase = phase_u.map(|standard_u| Cause::Phase {
        sensors: vec![sensor],
        standard_u,
    });
    let gain = gain_u.map(|standard_u| Cause::Gain {
        sensors: vec![sensor],
        standard_u,
    });
    phase.into_iter().chain(gain).collect()
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

/// Standard uncertainties of a channel's phase, rad, and of its gain, relative, where they are
/// stated.
fn stated_calibration(channel: &Channel) -> (Option<f64>, Option<f64>) {
    let phase = channel
        .phase_uncertainty_deg
        .map(|deg| deg.to_radians() / COVERAGE);
    let gain = channel.uncertainty_pct.map(|pct| pct / (100.0 * COVERAGE));
    (phase, gain)
}
