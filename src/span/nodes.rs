//! Nodes counted from the drive-end clamp, at whatever frequency the span
//! resonates.
//!
//! In: a [`StrungConductor`], a frequency. Out: places from the drive-end clamp,
//! and which node stands at a place. Pure.
//!
//! A damper moves its span's resonances by up to half the spacing, and the node
//! next to it with them; what the damper does nobody knows beforehand. What the
//! other end does is known: beyond the near field of the clamp the conductor moves
//! as sin θ, θ = k x − φ ([`StrungConductor::phase_from_clamp`]), up to the drive
//! at θ_d. Beyond the drive, with the antinode's motion real and the ratio S,
//!
//! ```text
//! Y = sin(θ − ε) − i S cos(θ − ε)
//! ```
//!
//! and the nodes stand at θ = j π + ε. Both sides meet at the drive, and the slope
//! steps there by the force over T + 2 EI k², so that
//!
//! ```text
//! sin ε = sin θ_d · Re(step)/k,      S cos ε = sin θ_d · Im(step)/k.
//! ```
//!
//! At resonance force and velocity of the antinode are in phase: the step has no
//! real part, and ε = 0 **whatever the damper does, wherever the drive sits**.
//! Away from it tan(phase error) = 2 d, d bandwidths off, so that tan ε = 2 d S; and
//! a mass M that moves with the drive, and is not the conductor's, adds
//! M ω sin² θ_d/Z.
//! (Derived here; `tests/analysis/sensor_places.rs` holds it against exact fields
//! that share no code with it.)

use std::f64::consts::{PI, TAU};
use std::ops::RangeInclusive;

use super::waves::StrungConductor;
use crate::maths;

/// A node further from the damper than this many near-field lengths 1/q is clear
/// of it: e^−6 of the near field is left.
pub const CLEAR_LENGTHS: f64 = 6.0;

/// And this part of a loop: the damper's clamp is then out of the way.
pub const CLEAR_LOOPS: f64 = 0.25;

/// Further from the nearest node than this part of a loop a sensor stands at
/// none.
const AT_NODE_LOOPS: f64 = 0.25;

/// The places from the drive-end clamp, m, that are clear of the near field of drive and damper
/// (or clamp) at every frequency. That field reaches furthest at low ones, where 1/q is
/// sqrt(EI/T). `drive_m` and `damper_m` are each from its own clamp.
pub fn clear_places_m(
    (tension_n, bending_stiffness_n_m2): (f64, f64),
    length_m: f64,
    drive_m: Option<f64>,
    damper_m: Option<f64>,
) -> RangeInclusive<f64> {
    let clear_m = CLEAR_LENGTHS * (bending_stiffness_n_m2 / tension_n).sqrt();
    drive_m.unwrap_or(0.0) + clear_m..=length_m - damper_m.unwrap_or(0.0) - clear_m
}

/// The node at which a sensor stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NodeCount {
    /// Its number from the drive-end clamp, which is none; from 1.
    pub from_drive: u32,
    /// Its number from the damper: 1 is the first that is clear of it. On a bare
    /// span from the damper-end clamp. `None` beyond the first clear one.
    pub from_damper: Option<u32>,
    /// How far the place is beyond that node, seen from the drive end, m.
    pub beyond_m: f64,
}

impl StrungConductor {
    /// Node `number` from the drive-end clamp, m from that clamp. Half numbers
    /// are antinodes: 2.5 stands between the nodes 2 and 3.
    pub fn node_from_drive_m(&self, frequency_hz: f64, number: f64) -> f64 {
        self.end_correction_m(frequency_hz) + number * self.loop_length_m(frequency_hz)
    }

    /// The node that is read first, next to the damper and clear of it (on a bare
    /// span a loop from the damper-end clamp): its number from the drive-end
    /// clamp. `damper_m` is from the damper-end clamp. 0 where there is none.
    pub fn first_node_from_drive(&self, frequency_hz: f64, damper_m: Option<f64>) -> u32 {
        let Some(damper_m) = damper_m else {
            let loops = self.loops(frequency_hz).round() - 1.0;
            return loops.clamp(0.0, 1e9) as u32;
        };
        let reach_m =
            self.clear_of_damper_m(frequency_hz, damper_m) - self.end_correction_m(frequency_hz);
        (reach_m / self.loop_length_m(frequency_hz))
            .floor()
            .clamp(0.0, 1e9) as u32
    }

    /// The place, from the drive-end clamp, beyond which no node is clear of the damper, m.
    fn clear_of_damper_m(&self, frequency_hz: f64, damper_m: f64) -> f64 {
        let clear_m = self
            .near_field_m(frequency_hz)
            .max(CLEAR_LOOPS * self.loop_length_m(frequency_hz));
        self.length_m - damper_m - clear_m
    }

    /// How far the near field of a clamp, a damper or a drive reaches, m: [`CLEAR_LENGTHS`]
    /// times 1/q. 0 for a string.
    pub fn near_field_m(&self, frequency_hz: f64) -> f64 {
        self.near_field_number_per_m(frequency_hz)
            .map_or(0.0, |q| CLEAR_LENGTHS / q)
    }

    /// The place, from the drive-end clamp, up to which the first node is sought, m: what is
    /// clear of the damper; on a bare span half a loop from the damper-end clamp, so that
    /// it is the node a loop from there.
    pub fn nodes_end_m(&self, frequency_hz: f64, damper_m: Option<f64>) -> f64 {
        if let Some(damper_m) = damper_m {
            return self.clear_of_damper_m(frequency_hz, damper_m);
        }
        let clamp_m = self.length_m - self.end_correction_m(frequency_hz);
        clamp_m - 0.5 * self.loop_length_m(frequency_hz)
    }

    /// Which node stands at `place_m` from the drive-end clamp; `None` where
    /// there is none near.
    pub fn node_at(
        &self,
        frequency_hz: f64,
        place_m: f64,
        damper_m: Option<f64>,
    ) -> Option<NodeCount> {
        let loop_m = self.loop_length_m(frequency_hz);
        let number = (place_m - self.end_correction_m(frequency_hz)) / loop_m;
        let nearest = number.round();
        if !(1.0..1e9).contains(&nearest) || (number - nearest).abs() > AT_NODE_LOOPS {
            return None;
        }
        let from_drive = nearest as u32;
        let first = self.first_node_from_drive(frequency_hz, damper_m);
        Some(NodeCount {
            from_drive,
            from_damper: (first + 1).checked_sub(from_drive).filter(|n| *n > 0),
            beyond_m: (number - nearest) * loop_m,
        })
    }

    /// Phase ε, rad, by which the nodes move where a mass that is not the
    /// conductor's moves with the drive: M ω sin² θ_d/Z.
    pub fn node_shift_of_drive_mass(&self, frequency_hz: f64, drive_m: f64, mass_kg: f64) -> f64 {
        let motion = self.motion_near_clamp(frequency_hz, drive_m);
        mass_kg * TAU * frequency_hz * maths::square(motion)
            / self.stiff_wave_impedance_n_s_per_m(frequency_hz)
    }

    /// By how much a mass that moves with the drive lowers a resonance to this frequency,
    /// Hz. A string of the length L between clamps with a mass M at x has
    /// cot kx + cot k(L − x) = M ω/Z (the jump of its slope there carries the mass's
    /// inertia), so kL = nπ − ε with cot(kx + ε) = cot kx − M ω/Z.
    pub fn lowered_by_drive_mass_hz(&self, frequency_hz: f64, drive_m: f64, mass_kg: f64) -> f64 {
        let phase = self.phase_from_clamp(frequency_hz, drive_m).rem_euclid(PI);
        let load = mass_kg * TAU * frequency_hz / self.stiff_wave_impedance_n_s_per_m(frequency_hz);
        if load <= 0.0 || phase <= 0.0 {
            return 0.0;
        }
        let (sine, cosine) = maths::sin_cos(phase);
        let moved = maths::atan2(sine, cosine - load * sine) - phase;
        moved / PI * self.spacing_hz(frequency_hz)
    }

    /// What a phase ε is along the conductor, m.
    pub fn phase_as_length_m(&self, frequency_hz: f64, phase_rad: f64) -> f64 {
        phase_rad / PI * self.loop_length_m(frequency_hz)
    }
}

/// Phase ε, rad, by which the nodes move where the drive stands beside the peak:
/// tan ε = 2 d S.
pub fn node_shift_of_detuning(detuning_bandwidths: f64, iswr: f64) -> f64 {
    maths::atan(2.0 * detuning_bandwidths * iswr)
}

#[cfg(test)]
mod tests {
    use super::super::waves::demo_span as span;
    use super::*;

    #[test]
    fn the_motion_vanishes_at_every_counted_node() {
        let span = span();
        for hz in [9.3, 23.41, 51.77] {
            for number in 2..20 {
                let place_m = span.node_from_drive_m(hz, f64::from(number));
                assert!(span.motion_near_clamp(hz, place_m).abs() < 1e-6);
                let between_m = span.node_from_drive_m(hz, f64::from(number) + 0.5);
                assert!((span.motion_near_clamp(hz, between_m).abs() - 1.0).abs() < 1e-6);
            }
        }
    }

    #[test]
    fn nodes_are_counted_from_both_ends() {
        // A string of 36 m with loops of 2.4 m: nodes at 2.4 m, 4.8 m, …; a damper
        // 3.0 m from its clamp stands at 33.0 m. The node at 31.2 m is 1.8 m from
        // it and clear; that at 33.6 m is behind it.
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..span()
        };
        let hz = string.string_harmonic_hz(15);
        assert_eq!(string.first_node_from_drive(hz, Some(3.0)), 13);
        let count = |place_m, damper_m| string.node_at(hz, place_m, damper_m);
        let node = count(31.2 + 0.1, Some(3.0)).unwrap();
        assert_eq!((node.from_drive, node.from_damper), (13, Some(1)));
        assert!((node.beyond_m - 0.1).abs() < 1e-9);
        assert_eq!(count(24.0, Some(3.0)).unwrap().from_damper, Some(4));
        assert_eq!(count(33.6, Some(3.0)).unwrap().from_damper, None);
        // Between two nodes there is none.
        assert_eq!(count(31.2 + 0.7, Some(3.0)), None);
        // Bare: the first is a loop from the clamp.
        assert_eq!(count(33.6, None).unwrap().from_damper, Some(1));
    }

    #[test]
    fn a_node_in_the_dampers_near_field_is_not_the_first() {
        let span = span();
        let hz = 31.3;
        let node_m = span.node_from_drive_m(hz, 25.0);
        let q = span.near_field_number_per_m(hz).unwrap();
        let first = |apart_m: f64| {
            let damper_m = span.length_m - node_m - apart_m;
            span.first_node_from_drive(hz, Some(damper_m))
        };
        assert_eq!(first(6.1 / q), 25);
        assert_eq!(first(5.9 / q), 24);
    }
}
