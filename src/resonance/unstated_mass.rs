//! A force cell that carries mass which nobody has stated. Pure.
//!
//! Its inertia turns the phase between force and velocity (`super::drive_point`), and a
//! good dwell looks off the peak. Where something else shows that the drive stands at the
//! peak, and a mass that a cell may well carry explains the phase, the phase is no evidence.

use std::f64::consts::TAU;

use super::criteria::HoldCriterion;
use super::shown_peak::ShownPeak;
use super::stretch::Stretch;
use crate::maths;
use crate::setup::Role;

/// Most that a force cell carries beside the conductor without anybody's having weighed
/// it, kg (common practice, no source).
pub(super) const MOST_UNSTATED_KG: f64 = 2.0;

impl Stretch<'_> {
    /// The mass in the force cell, kg, that would turn the phase as it is, where the setup
    /// states none: inertia makes the velocity lag the force that the cell shows, as a
    /// drive above the peak does. `None` where the phase is not so.
    pub(super) fn unstated_mass_kg(&self) -> Option<f64> {
        let (_, cell) = self.setup.channel(Role::DriveForce)?;
        let phase_deg = self.drive_phase_deg()?;
        let lags = phase_deg < -self.setup.hold.drive_phase_deg;
        if cell.moving_mass_kg.is_some() || !lags {
            return None;
        }
        let interval = self.interval?;
        let frequency_hz = interval.frequency_hz;
        let phasor = |index: usize| Some(interval.channels.get(index)?.phasor.value);
        let (force_n, drive_m_s) = self.channels.force_and_velocity(frequency_hz, phasor)?;
        let inertia_n = maths::modulus(force_n) * maths::sin(phase_deg.abs().to_radians());
        let mass_kg = inertia_n / (TAU * frequency_hz * maths::modulus(drive_m_s));
        (mass_kg <= MOST_UNSTATED_KG).then_some(mass_kg)
    }

    /// That mass, where the free motion, the drive signal or a passage shows that the drive
    /// stands at the peak.
    pub(super) fn mass_by_peak_kg(&self) -> Option<f64> {
        let mass_kg = self.unstated_mass_kg()?;
        let limit = HoldCriterion::FreeResponse.limit(&self.setup.hold, self.frequency_hz());
        let shown = ShownPeak::of(self.peak, self.signal_evidence(), self.mass_shift(), limit);
        let is_shown = shown.map_or(self.passed_the_peak, |shown| shown.met == Some(true));
        is_shown.then_some(mass_kg)
    }

    /// What to say of a dwell that counts in spite of its phase.
    pub(super) fn unstated_mass_sentence(&self) -> Option<String> {
        let mass_kg = self.mass_by_peak_kg()?;
        Some(format!(
            "the drive phase is {:+.0} deg although the drive is shown to be at the peak: {mass_kg:.2} kg in the force cell besides the conductor would turn it so; weigh them and state moving_mass_kg",
            self.drive_phase_deg().unwrap_or_default()
        ))
    }
}
