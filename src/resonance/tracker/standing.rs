//! Where the drive stands against the peak while a dwell goes on, by its force, its signal or
//! the span's free motion; and why none of them tells it. Pure.

use std::f64::consts::{SQRT_2, TAU};

use num_complex::Complex64;

use super::super::drive_point::DrivePoint;
use super::super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::super::peak_evidence::{MassShift, PeakEvidence};
use super::super::phasor::{
    FARTHEST_DRIVE_PHASE_DEG, SHOWS, detuning_bandwidths, fold_half_turn_rad,
};
use super::super::signal_phase::{PeakPhase, SignalAngle};
use super::super::standing_wave::NodePattern;
use super::super::unstated_mass::MOST_UNSTATED_KG;
use super::Tracker;
use super::judge::plateau;
use super::outlook::{READ_HOPS, RingUpWait};
use crate::maths;
use crate::setup::Role;

/// What is left of a change after so many time constants turns phases by this part of
/// a radian for each part of the motion that is left.
const LEFT_TURNS: f64 = 2.0;
/// How far the zero of the drive phase may be from the peak, half-power bandwidths: on
/// 258 exact resonances of 40 random spans up to 0.12.
const ZERO_U: f64 = 0.12;
/// Parts of a distance from the peak that the bandwidth leaves open, k = 2: exact spans
/// have 0.79 to 1.95 times what the ratio implies, and a shaker adds to it.
const BANDWIDTH_U: f64 = 0.5;
/// Farthest distance of which more than its sign is told, bandwidths.
const FARTHEST: f64 = 2.0;

/// What tells where the drive stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PeakShownBy {
    /// The phase between drive force and antinode velocity.
    DriveForce,
    /// The phase against the generator's signal, the angle at the peak known.
    DriveSignal,
    /// The span's free motion when the drive was last changed.
    FreeMotion,
    /// The place of the nodes against the drive-end clamp, by fixed sensors.
    NodePattern,
}

/// Where the drive stands against the peak.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveStanding {
    /// How far above the peak, half-power bandwidths.
    pub detuning: f64,
    /// Its expanded uncertainty, k = 2.
    pub detuning_u: f64,
    /// The bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// What tells it.
    pub by: PeakShownBy,
}

impl DriveStanding {
    /// Whether the drive stands within `limit` bandwidths of the peak: shown, excluded, or
    /// neither.
    pub fn is_on_peak(&self, limit: f64) -> Option<bool> {
        let off = self.detuning.abs();
        if off + self.detuning_u <= limit {
            return Some(true);
        }
        (off - self.detuning_u > limit).then_some(false)
    }

    /// How far above the peak, Hz, with its expanded uncertainty (k = 2); `None` where only
    /// the side is known.
    pub fn detuning_hz(&self) -> Option<(f64, f64)> {
        let is_near = self.detuning.abs() <= FARTHEST;
        is_near.then(|| {
            let by_width = BANDWIDTH_U * self.detuning;
            let u = maths::hypot(self.detuning_u, by_width);
            (self.detuning * self.bandwidth_hz, u * self.bandwidth_hz)
        })
    }
}

impl Tracker {
    /// Where the drive stands by the span's free motion when the dwell in hand began. Dear:
    /// a fit of several tones; once in some seconds is enough.
    pub fn standing_by_free_motion(&self) -> Option<DriveStanding> {
        let bandwidth_hz = self.settling_bandwidth_hz()?;
        let (changed, _) = plateau(&self.dwell, Some(bandwidth_hz));
        let settling = self.settling(changed, Some(bandwidth_hz));
        let hold = self.hold_in_hand(settling.rung_up.filter(|hop| *hop < self.dwell.len())?);
        let hops = self.dwell.get(hold.clone())?;
        let (first, last) = (hops.first()?, hops.last()?);
        let drive = (
            median_frequency_hz(hops)?,
            first.frequency_u_hz / (hops.len() as f64).sqrt(),
        );
        let found = self.peak_before(
            changed,
            &(first.hop..last.hop + 1),
            drive,
            Some(bandwidth_hz),
        );
        let peak = found?.without_drive_mass(self.mass_shift(drive.0));
        Some(DriveStanding::of_peak(&peak, PeakShownBy::FreeMotion))
    }

    fn mass_shift(&self, frequency_hz: f64) -> MassShift {
        DrivePoint::mass_shift(&self.setup, frequency_hz)
    }

    /// Where the drive stands by its force, else by its signal; or why they do not tell.
    pub(super) fn standing(
        &self,
        settling: &RingUpWait,
        bandwidth_hz: Option<f64>,
    ) -> Result<DriveStanding, String> {
        let (Some(bandwidth_hz), Some(waited)) = (bandwidth_hz, settling.constants) else {
            return Err("the span rings up".into());
        };
        let left_rad = LEFT_TURNS * maths::exp(-waited);
        let from = settling
            .disturbed
            .max(self.dwell.len().saturating_sub(READ_HOPS));
        let recent = self.dwell.get(from..).unwrap_or_default();
        let by_force = self.standing_by_force(recent, bandwidth_hz, left_rad);
        let why_not = match by_force {
            Ok(standing) => return Ok(standing),
            Err(why_not) => why_not,
        };
        let by_signal = self.standing_by_signal(recent, bandwidth_hz, left_rad);
        by_signal.map_err(|signal| match (self.channels.force, self.channels.signal) {
            (None, None) => "there is neither a drive-force nor a drive-signal channel".into(),
            (Some(_), None) => why_not,
            (None, Some(_)) => signal,
            (Some(_), Some(_)) => format!("{why_not}; {signal}"),
        })
    }

    fn standing_by_force(
        &self,
        hops: &[HopEstimate],
        bandwidth_hz: f64,
        left_rad: f64,
    ) -> Result<DriveStanding, String> {
        let Some(force) = self.channels.force else {
            return Err("there is no drive-force channel".into());
        };
        let stretch = self.stretch(hops, None, Some(bandwidth_hz), 0.0);
        let shows = |hop: &HopEstimate| {
            let cell = hop.channels.get(force)?;
            let sound = cell.clipped == 0 && cell.missing == 0;
            let shows = maths::modulus(cell.amplitude) > SHOWS * cell.amplitude_u;
            (sound && shows).then(|| cell.amplitude_u / maths::modulus(cell.amplitude))
        };
        let noise: Option<Vec<f64>> = hops.iter().map(shows).collect();
        let noise_rad = noise.and_then(|noise| median(noise.into_iter()));
        let (Some(noise_rad), Some(phase_deg)) = (noise_rad, stretch.drive_phase_deg()) else {
            return Err("the drive-force channel shows no force, or is at full scale".into());
        };
        if !stretch.phase_is_evidence() {
            return Err("the drive sits by a node of its own, where its phase says nothing".into());
        }
        let inertia_deg = self.inertia_u_deg(hops);
        if inertia_deg.is_none_or(|u_deg| u_deg > 0.5 * self.setup.hold.drive_phase_deg) {
            return Err("what the force cell carries leaves the drive phase open".into());
        }
        if phase_deg.abs() >= FARTHEST_DRIVE_PHASE_DEG {
            return Err("far off any peak".into());
        }
        // A mass that nobody has stated makes the velocity lag, as a drive above the peak does.
        let limit_deg = self.setup.hold.drive_phase_deg;
        let may_be_mass = phase_deg < -limit_deg && !self.states_moving_mass();
        if may_be_mass && self.mass_would_turn(hops, phase_deg) {
            return Err(
                "the velocity lags the force, as above the peak or with a mass in the force cell \
                 that the setup does not state (moving_mass_kg)"
                    .into(),
            );
        }
        let angle_rad = maths::hypot(
            left_rad,
            maths::hypot(
                2.0 * noise_rad,
                inertia_deg.unwrap_or_default().to_radians(),
            ),
        );
        Ok(DriveStanding::of_angle(
            detuning_bandwidths(phase_deg),
            maths::hypot(angle_rad, 2.0 * ZERO_U),
            bandwidth_hz,
            PeakShownBy::DriveForce,
        ))
    }

    fn states_moving_mass(&self) -> bool {
        let cell = self.setup.channel(Role::DriveForce);
        cell.is_some_and(|(_, cell)| cell.moving_mass_kg.is_some())
    }

    /// The middle hop of some, with force into the conductor and velocity of the drive point.
    fn drive_of(&self, hops: &[HopEstimate]) -> Option<(f64, Complex64, Complex64)> {
        let hop = hops.get(hops.len() / 2)?;
        let phasor = |index: usize| Some(hop.channels.get(index)?.amplitude);
        let (force_n, drive_m_s) = self.channels.force_and_velocity(hop.frequency_hz, phasor)?;
        Some((hop.frequency_hz, force_n, drive_m_s))
    }

    fn mass_would_turn(&self, hops: &[HopEstimate], phase_deg: f64) -> bool {
        self.drive_of(hops).is_none_or(|(hz, force_n, drive_m_s)| {
            let inertia_n = maths::modulus(force_n) * maths::sin(phase_deg.abs().to_radians());
            let mass_kg = inertia_n / (TAU * hz * maths::modulus(drive_m_s));
            mass_kg <= MOST_UNSTATED_KG
        })
    }

    /// What the stated mass in the force cell leaves open of the drive phase, k = 2,
    /// degrees.
    fn inertia_u_deg(&self, hops: &[HopEstimate]) -> Option<f64> {
        let mass_kg = self.channels.moving_mass_kg();
        if mass_kg <= 0.0 {
            return Some(0.0);
        }
        let (hz, force_n, drive_m_s) = self.drive_of(hops)?;
        let (_, cell) = self.setup.channel(Role::DriveForce)?;
        let stretch = self.stretch(hops, None, None, 0.0);
        let inertia_n = mass_kg * TAU * hz * maths::modulus(drive_m_s);
        let mass_u = 0.01 * cell.moving_mass_uncertainty_pct();
        let part = maths::hypot(mass_u, stretch.drive_motion_u()) * inertia_n;
        Some(maths::atan(part / maths::modulus(force_n)).to_degrees())
    }

    fn standing_by_signal(
        &self,
        hops: &[HopEstimate],
        bandwidth_hz: f64,
        left_rad: f64,
    ) -> Result<DriveStanding, String> {
        let Some(hz) = median_frequency_hz(hops).filter(|_| self.channels.signal.is_some()) else {
            return Err("there is no drive-signal channel".into());
        };
        let Some(known) = self.phases.at(hz) else {
            return Err(
                "the phase of the drive signal at this peak is not learnt yet: pass over the peak"
                    .into(),
            );
        };
        let angle = signal_angle(hops, known, left_rad)
            .ok_or("the drive-signal channel shows no signal")?;
        let evidence = known.evidence(angle, hz, self.spacing_hz(hz));
        let peak = evidence.without_drive_mass(self.mass_shift(hz)).peak;
        let far = fold_half_turn_rad(known.angle_rad - angle.rad).abs()
            >= FARTHEST_DRIVE_PHASE_DEG.to_radians();
        if far || !peak.detuning.is_finite() {
            return Err("far off any peak".into());
        }
        let standing = DriveStanding::of_peak(&peak, PeakShownBy::DriveSignal);
        Ok(DriveStanding {
            bandwidth_hz: standing.bandwidth_hz.max(bandwidth_hz),
            ..standing
        })
    }
}

impl DriveStanding {
    /// By an angle of which `angle_u_rad` is open, k = 2.
    fn of_angle(detuning: f64, angle_u_rad: f64, bandwidth_hz: f64, by: PeakShownBy) -> Self {
        Self {
            detuning,
            detuning_u: 0.5 * (1.0 + maths::square(2.0 * detuning)) * angle_u_rad,
            bandwidth_hz,
            by,
        }
    }

    /// By the place of the nodes.
    pub fn of_node_pattern(pattern: NodePattern, bandwidth_hz: f64) -> Self {
        Self {
            detuning: pattern.detuning,
            detuning_u: 2.0 * pattern.detuning_u,
            bandwidth_hz,
            by: PeakShownBy::NodePattern,
        }
    }

    fn of_peak(peak: &PeakEvidence, by: PeakShownBy) -> Self {
        Self {
            detuning: peak.detuning,
            detuning_u: 2.0 * peak.detuning_u,
            bandwidth_hz: peak.bandwidth_hz,
            by,
        }
    }
}

/// The angle of some hops to the signal, near the one at the peak.
fn signal_angle(hops: &[HopEstimate], known: &PeakPhase, left_rad: f64) -> Option<SignalAngle> {
    let away: Option<Vec<f64>> = hops
        .iter()
        .map(|hop| {
            Some(fold_half_turn_rad(
                maths::argument(hop.by_signal?) - known.angle_rad,
            ))
        })
        .collect();
    let noise = median(hops.iter().map(|hop| hop.antinode_u_rel))?;
    Some(SignalAngle {
        rad: known.angle_rad + median(away?.into_iter())?,
        // Of k = 1 here.
        u_rad: maths::hypot(SQRT_2 * noise, 0.5 * left_rad),
    })
}
