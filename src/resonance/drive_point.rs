//! What the drive point says: force into the conductor, velocity, power. Pure.
//!
//! A force cell shows what drives the conductor and, beside it, what
//! accelerates the parts between cell and conductor (clamp, stud, half of the
//! cell): `F_cell = F + m a`. Those parts move with the drive point, so with
//! their mass known the inertia is taken off (Newton's second law); it is in
//! quadrature with the velocity and turns the phase, never the power.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::peak_evidence::MassShift;
use crate::maths;
use crate::setup::{Role, Setup};
use crate::span::StrungConductor;

/// How well the shift by the shaker's mass is known, over itself, k = 2: the damper
/// reflects otherwise at the shifted frequency. On 69 of 72 exact spans the shift was right
/// to that, on the worst to 15 %.
const DAMPER_PHASE_U: f64 = 0.12;
/// How well the place of the drive is known, m, k = 2 (common practice, no source).
pub(super) const DRIVE_PLACE_U_M: f64 = 0.02;

/// What is known of the drive point beside its channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrivePoint {
    /// What the force cell carries besides the conductor, kg.
    pub moving_mass_kg: f64,
    /// The conductor as strung.
    pub conductor: StrungConductor,
    /// Distance of the drive from its clamp, m.
    pub position_m: Option<f64>,
}

impl DrivePoint {
    /// The drive point of a setup.
    pub fn of(setup: &Setup) -> Self {
        let force = setup.channel(Role::DriveForce);
        Self {
            moving_mass_kg: force
                .and_then(|(_, force)| force.moving_mass_kg)
                .unwrap_or_default(),
            conductor: setup.strung_conductor(),
            position_m: setup.span.drive_position_m,
        }
    }

    /// Velocity of the drive point, m/s peak, as the standing wave of the
    /// inverse standing wave ratio S has it: V_a (sin p + j S cos p), p the phase
    /// from the clamp, in phase with the antinode's or opposite. Which of the
    /// two, the force says: a span takes power from its drive.
    ///
    /// Between clamp and drive y = C sin p. Beyond the drive, at theta before
    /// the antinode, y = Y_a (cos theta + j S sin theta), and the force is T
    /// times the jump of the slope: F = T k [y cot p − Y_a (sin theta − j S cos
    /// theta)]. At resonance F is in phase with the antinode's velocity, in
    /// quadrature with Y_a: tan theta = cot p, theta = pi/2 − p.
    pub fn velocity_from_wave_m_s(
        &self,
        frequency_hz: f64,
        antinode_m_s: Complex64,
        iswr: f64,
        cell_force_n: Complex64,
    ) -> Option<Complex64> {
        let place_m = self.position_m?;
        let phase = self.conductor.phase_from_clamp(frequency_hz, place_m);
        let motion = Complex64::new(
            self.conductor.motion_near_clamp(frequency_hz, place_m),
            iswr * maths::cos(phase),
        );
        let velocity = antinode_m_s * motion;
        let power = power_w(cell_force_n, velocity);
        Some(if power < 0.0 { -velocity } else { velocity })
    }

    /// By how much the peak of the span alone lies above that with the shaker's mass on it;
    /// nothing where the setup does not state the mass.
    pub fn mass_shift(setup: &Setup, frequency_hz: f64) -> MassShift {
        let (Some(mass_kg), Some(place_m)) =
            (setup.span.drive_mass_kg, setup.span.drive_position_m)
        else {
            return MassShift::default();
        };
        let conductor = setup.strung_conductor();
        let shift =
            |place_m, mass_kg| conductor.lowered_by_drive_mass_hz(frequency_hz, place_m, mass_kg);
        let hz = shift(place_m, mass_kg);
        let more_kg = mass_kg * (1.0 + 0.005 * setup.span.drive_mass_uncertainty_pct);
        let by_mass = shift(place_m, more_kg) - hz;
        let by_place = shift(place_m + 0.5 * DRIVE_PLACE_U_M, mass_kg) - hz;
        let by_damper = 0.5 * DAMPER_PHASE_U * hz;
        MassShift {
            hz,
            u_hz: maths::hypot(maths::hypot(by_mass, by_place), by_damper),
        }
    }

    /// Force into the conductor, N peak, from what the cell shows. A span takes
    /// power from its drive: where force and motion say otherwise, one of the
    /// two is wired the other way round, and the inertia with it.
    pub fn conductor_force_n(
        &self,
        frequency_hz: f64,
        cell_force_n: Complex64,
        drive_m_s: Complex64,
    ) -> Complex64 {
        let acceleration = Complex64::new(0.0, TAU * frequency_hz) * drive_m_s;
        let inertia_n = acceleration * self.moving_mass_kg;
        if power_w(cell_force_n, drive_m_s) < 0.0 {
            cell_force_n + inertia_n
        } else {
            cell_force_n - inertia_n
        }
    }
}

/// Mean power of a force and a velocity, both peak, W: ½ F V cos(phi).
pub fn power_w(force_n: Complex64, velocity_m_s: Complex64) -> f64 {
    0.5 * (force_n * velocity_m_s.conj()).re
}

/// How far the power may be off where the phase between force and velocity is
/// off by `phase_deg`, W.
pub fn power_of_phase_error_w(force_n: Complex64, velocity_m_s: Complex64, phase_deg: f64) -> f64 {
    let reactive = 0.5 * (force_n * velocity_m_s.conj()).im.abs();
    reactive * maths::sin(phase_deg.to_radians())
}
