//! Fixed sensors on a virtual bench: where they stand, and what they err by.

#![allow(
    clippy::unwrap_used,
    reason = "the bench of tests: what fails here is the test's own message"
)]

use spanhold::plan::KnownSpan;
use spanhold::plan::fixed_places::best_places;
use spanhold::rehearsal::{Noise, Sensors, VirtualSensor};
use spanhold::setup::{Channel, Role, Setup};

use super::virtual_span::Chance;

/// What is stated of each fixed sensor, k = 2.
const PLACE_MM: f64 = 2.0;
const GAIN_PCT: f64 = 0.5;
const PHASE_DEG: f64 = 0.2;

/// The setup with fixed sensors for antinode and node, at places that `plan` finds.
pub fn with_fixed_sensors(pair: &Setup, count: usize) -> Setup {
    let middle_m = 0.5 * pair.span.length_m;
    let setup = with_sensors_at(pair, &[middle_m]);
    let places = best_places(&setup, &KnownSpan::stated(&setup), count, &[]).unwrap();
    with_sensors_at(pair, &places.places_m)
}

/// The same at given places, m from the drive-end clamp.
pub fn with_sensors_at(pair: &Setup, places_m: &[f64]) -> Setup {
    let mut setup = pair.clone();
    let (_, antinode) = pair.channel(Role::Antinode).unwrap();
    let model = Channel {
        role: Role::Wave,
        uncertainty_pct: Some(GAIN_PCT),
        phase_uncertainty_deg: Some(PHASE_DEG),
        position_uncertainty_mm: PLACE_MM,
        ..antinode.clone()
    };
    setup
        .channels
        .retain(|channel| !matches!(channel.role, Role::Antinode | Role::Node));
    for (number, place_m) in places_m.iter().enumerate() {
        setup.channels.push(Channel {
            name: format!("fixed {}", number + 1),
            position_m: Some(*place_m),
            ..model.clone()
        });
    }
    for (index, channel) in setup.channels.iter_mut().enumerate() {
        channel.index = index;
    }
    setup
}

/// What is stated of the span; the node that the truth is of is the second from the damper.
pub fn state(setup: &mut Setup) {
    setup.span.tension_uncertainty_pct = 1.0;
    setup.conductor.mass_uncertainty_pct = 0.5;
    setup.conductor.bending_stiffness_uncertainty_pct = 20.0;
    setup.span.node_from_damper = Some(2);
}

/// Standard normal enough: the sum of twelve.
pub fn normal(chance: &mut Chance) -> f64 {
    (0..12).map(|_| chance.between(-0.5, 0.5)).sum()
}

/// Sensors that err by what is stated, and the setup as the sensors really stand.
pub fn erring(setup: &Setup, chance: &mut Chance) -> (Setup, Sensors) {
    let mut real = setup.clone();
    let mut sensors = Sensors::with_snr_db(60.0);
    for channel in &mut real.channels {
        let mut sensor = VirtualSensor {
            noise: Noise::SnrDb(60.0),
            ..VirtualSensor::default()
        };
        if channel.role == Role::Wave {
            let off_m = 0.5e-3 * PLACE_MM * normal(chance);
            channel.position_m = channel.position_m.map(|place_m| place_m + off_m);
            sensor.gain_error_pct = 0.5 * GAIN_PCT * normal(chance);
            sensor.phase_error_deg = 0.5 * PHASE_DEG * normal(chance);
        }
        sensors.channels.push(sensor);
    }
    // What is stated of tension and mass is stated for a reason.
    let standard = |pct: f64, chance: &mut Chance| 1.0 + 0.005 * pct * normal(chance);
    real.span.tension_kn *= standard(setup.span.tension_uncertainty_pct, chance);
    real.conductor.mass_kg_per_m *= standard(setup.conductor.mass_uncertainty_pct, chance);
    (real, sensors)
}
