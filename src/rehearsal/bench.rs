//! The sensors of an ordinary bench: a little off their places, with offsets
//! and mains pick-up. Values only, all invented; scatter comes from a seed.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};

use super::sensors::{Noise, Quantisation, Sensors, VirtualSensor};
use crate::setup::{Channel, Role, Setup};

/// Sensors of an ordinary bench: noise at `snr_db` below each channel's own
/// tone, offsets of about 0.05 % of full scale, 50 Hz mains on force and
/// strain, node sensor some 5 mm and antinode sensor some 15 mm off; `wave` sensors whose gains
/// and phases err as their stated uncertainties say.
pub fn bench_sensors(setup: &Setup, snr_db: f64, quantisation: Quantisation, seed: u64) -> Sensors {
    let mut scatter = ChaCha8Rng::seed_from_u64(seed ^ 0x0062_656e_6368);
    let mut normal = || -> f64 { StandardNormal.sample(&mut scatter) };
    // Of their own, so that a setup with fixed sensors leaves the others where they were.
    let mut of_waves = ChaCha8Rng::seed_from_u64(seed ^ 0x7761_7665);
    let mut stated = |channel: &Channel, expanded: Option<f64>| -> f64 {
        let error: f64 = StandardNormal.sample(&mut of_waves);
        match channel.role {
            Role::Wave => 0.5 * expanded.unwrap_or(0.0) * error,
            _ => 0.0,
        }
    };
    let channels = setup
        .channels
        .iter()
        .map(|channel| VirtualSensor {
            gain_error_pct: stated(channel, channel.uncertainty_pct),
            phase_error_deg: stated(channel, channel.phase_uncertainty_deg),
            noise: Noise::SnrDb(snr_db),
            offset: 5e-4 * channel.full_scale * normal()
                + match channel.role {
                    // The conductor as strung, at rest.
                    Role::Tension => 1e3 * setup.span.tension_kn / channel.unit.to_si(),
                    _ => 0.0,
                },
            mains_peak: match channel.role {
                Role::ClampStrain { .. } => 3e-4 * channel.full_scale,
                Role::DriveForce => 2e-5 * channel.full_scale,
                _ => 0.0,
            },
            mains_phase_deg: 40.0 * normal(),
            misplacement_mm: match channel.role {
                Role::Node => 5.0 * normal(),
                Role::Antinode => 15.0 * normal(),
                _ => 0.0,
            },
            ..VirtualSensor::default()
        })
        .collect();
    Sensors {
        channels,
        quantisation,
        ..Sensors::default()
    }
}
