//! What is known of the waves before a sensor is read, from the setup. Pure.

use super::loss::ConductorLoss;
use super::two_waves::{FixedSensor, WaveNumber};
use crate::maths;
use crate::resonance::phasor::velocity_m_s;
use crate::setup::{Channel, RelativeResponse, Setup};
use crate::span::{StrungConductor, largest_bending_stiffness_n_m2};
use num_complex::Complex64;

/// Percent expanded (k = 2) over a relative standard uncertainty.
const PCT: f64 = 200.0;

/// Phase between the channels of a source where nothing is stated, degrees, k = 2:
/// converters that sample at once and accelerometers of one type (common practice, no
/// source).
const UNSTATED_PHASE_DEG: f64 = 0.5;
/// Gain likewise, %, k = 2.
const UNSTATED_GAIN_PCT: f64 = 2.0;

impl FixedSensor {
    /// A sensor of the setup by what its channel shows at a frequency: its peak phasor and
    /// the standard uncertainty of a part of that by noise, SI. What it was matched to is
    /// taken off.
    pub fn reading(
        setup: &Setup,
        channel: &Channel,
        frequency_hz: f64,
        phasor: Complex64,
        noise_standard_u: f64,
    ) -> Self {
        let matched = matched(setup, channel, frequency_hz);
        let quantity = channel.unit.quantity();
        let velocity = |phasor| velocity_m_s(quantity, phasor, frequency_hz);
        let noise = velocity(Complex64::new(noise_standard_u, 0.0));
        let shown = as_matched(setup, channel, frequency_hz, phasor);
        Self::of(channel, matched, velocity(shown), maths::modulus(noise))
    }

    /// A sensor of the setup with what it was matched to, what it shows after that, m/s
    /// peak, and the standard uncertainty of a part of that by noise. What a setup does
    /// not state of it is assumed for the weights; the point says that its uncertainty
    /// lacks it.
    pub fn of(
        channel: &Channel,
        matched: Option<RelativeResponse>,
        velocity_m_s: Complex64,
        noise_standard_u_m_s: f64,
    ) -> Self {
        let gain_pct = channel.uncertainty_pct.unwrap_or(UNSTATED_GAIN_PCT);
        let phase_deg = channel.phase_uncertainty_deg.unwrap_or(UNSTATED_PHASE_DEG);
        let (gain_standard_u, phase_standard_u_rad) = match matched {
            Some(matched) => (matched.gain_standard_u, matched.phase_standard_u_rad),
            None => (gain_pct / PCT, 0.5 * phase_deg.to_radians()),
        };
        Self {
            place_m: channel.position_m.unwrap_or_default(),
            velocity_m_s,
            place_standard_u_m: 0.5e-3 * channel.position_uncertainty_mm,
            gain_standard_u,
            phase_standard_u_rad,
            noise_standard_u_m_s,
        }
    }
}

/// What a channel was matched to at a frequency; `None` where it was not.
pub fn matched(setup: &Setup, channel: &Channel, frequency_hz: f64) -> Option<RelativeResponse> {
    setup
        .matching
        .as_ref()?
        .relative(&channel.name, frequency_hz)
}

/// A channel's phasor with what it was matched to taken off.
pub fn as_matched(
    setup: &Setup,
    channel: &Channel,
    frequency_hz: f64,
    phasor: Complex64,
) -> Complex64 {
    match matched(setup, channel, frequency_hz) {
        Some(matched) => phasor / matched.factor,
        None => phasor,
    }
}

/// Relative standard uncertainty of the wave number by that of tension, mass and
/// stiffness.
pub fn wave_number_standard_u(setup: &Setup, frequency_hz: f64) -> f64 {
    let [by_tension_and_mass, by_stiffness] = wave_number_standard_u_parts(setup, frequency_hz);
    maths::hypot(by_tension_and_mass, by_stiffness)
}

/// The same by tension and mass together, and by stiffness.
pub fn wave_number_standard_u_parts(setup: &Setup, frequency_hz: f64) -> [f64; 2] {
    let conductor = setup.strung_conductor();
    let k = conductor.wave_number_per_m(frequency_hz);
    let moved = |conductor: StrungConductor| conductor.wave_number_per_m(frequency_hz) / k - 1.0;
    let by_tension = moved(StrungConductor {
        tension_n: conductor.tension_n * (1.0 + setup.span.tension_uncertainty_pct / PCT),
        ..conductor
    });
    let by_mass = moved(StrungConductor {
        mass_kg_per_m: conductor.mass_kg_per_m * (1.0 + setup.conductor.mass_uncertainty_pct / PCT),
        ..conductor
    });
    let by_stiffness = match setup.conductor.bending_stiffness_n_m2 {
        Some(stiffness) => moved(StrungConductor {
            bending_stiffness_n_m2: stiffness
                * (1.0 + setup.conductor.bending_stiffness_uncertainty_pct / PCT),
            ..conductor
        }),
        None => unstated_stiffness_u(setup, frequency_hz),
    };
    [maths::hypot(by_tension, by_mass), by_stiffness]
}

/// Relative standard uncertainty of the wave number where no stiffness is stated: it may be
/// anything from none to the most that a conductor of the diameter has, evenly.
pub fn unstated_stiffness_u(setup: &Setup, frequency_hz: f64) -> f64 {
    let conductor = setup.strung_conductor();
    let stiffest = StrungConductor {
        bending_stiffness_n_m2: largest_bending_stiffness_n_m2(1e-3 * setup.conductor.diameter_mm),
        ..conductor
    };
    let moved =
        stiffest.wave_number_per_m(frequency_hz) / conductor.wave_number_per_m(frequency_hz);
    (moved - 1.0).abs() / 3.0_f64.sqrt()
}

/// The place, from the drive-end clamp, m, before which the node that is read is the
/// last: the first one clear of the damper, or as many before it as the setup asks for.
pub fn reading_end_m(setup: &Setup, frequency_hz: f64) -> f64 {
    let conductor = setup.strung_conductor();
    let passed = setup
        .span
        .node_from_damper
        .map_or(0, |number| number.saturating_sub(1));
    conductor.nodes_end_m(frequency_hz, setup.span.damper_position_m)
        - f64::from(passed) * conductor.loop_length_m(frequency_hz)
}

impl ConductorLoss {
    /// Of the setup.
    pub fn of(setup: &Setup) -> Self {
        Self {
            tension: 0.01 * setup.conductor.loss_factor_pct,
            bending: 0.01 * setup.conductor.bending_loss_factor_pct,
        }
    }
}

impl WaveNumber {
    /// As the setup states it.
    pub fn of(setup: &Setup, frequency_hz: f64) -> Self {
        let conductor = setup.strung_conductor();
        Self {
            per_m: conductor.wave_number_per_m(frequency_hz),
            relative_standard_u: wave_number_standard_u(setup, frequency_hz),
            fading_per_m: ConductorLoss::of(setup).fading_per_m(&conductor, frequency_hz),
            fading_standard_u_per_m: fading_standard_u_per_m(setup, frequency_hz),
        }
    }
}

/// Standard uncertainty of α by those of both loss factors, 1/m.
pub fn fading_standard_u_per_m(setup: &Setup, frequency_hz: f64) -> f64 {
    let [by_tension, by_bending] = fading_parts_per_m(setup, frequency_hz);
    maths::hypot(by_tension, by_bending) * setup.conductor.loss_uncertainty_pct / PCT
}

/// α by the loss of what the tension stores and by that of what bending stores, 1/m.
pub fn fading_parts_per_m(setup: &Setup, frequency_hz: f64) -> [f64; 2] {
    let conductor = setup.strung_conductor();
    let loss = ConductorLoss::of(setup);
    let part = |loss: ConductorLoss| loss.fading_per_m(&conductor, frequency_hz);
    [
        part(ConductorLoss {
            bending: 0.0,
            ..loss
        }),
        part(ConductorLoss {
            tension: 0.0,
            ..loss
        }),
    ]
}
