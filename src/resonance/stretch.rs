//! A stretch of hops under judgement, and the quantities that several criteria
//! ask for.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::channel_map::ChannelMap;
use super::drive_point::{DRIVE_PLACE_U_M, DrivePoint};
use super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::peak_evidence::{MassShift, PeakEvidence};
use super::phasor::{SHOWS, fold_half_turn_deg, velocity_m_s};
use super::ring_up::{RungUp, TransientLeft};
use super::signal_phase::{PeakPhase, SignalAngle, SignalEvidence};
use crate::maths;
use crate::setup::{Role, Setup};
use crate::span::waves::ring_up_time_constant_s;
use crate::tone::TonePlan;
use crate::tone::free_response::FreeResponse;
use crate::tone::interval::{IntervalChannel, IntervalTone};
use std::fmt;

/// A band narrower than this, Hz, is a bare span's: a change of tension by a
/// thousandth carries a resonance at 20 Hz through half of it.
const NARROW_HZ: f64 = 0.02;

/// How well the place of the drive is known where the end correction is not: 0.1 m to
/// 0.3 m for a conductor.
const UNKNOWN_END_CORRECTION_M: f64 = 0.3;

/// A stretch of hops under judgement.
pub struct Stretch<'a> {
    /// Setup with the rules.
    pub setup: &'a Setup,
    /// Plan of the source.
    pub plan: &'a TonePlan,
    /// Which entry of a frame belongs to which role.
    pub channels: &'a ChannelMap,
    /// The hops in order, none missing.
    pub hops: &'a [HopEstimate],
    /// The fit over all their samples.
    pub interval: Option<&'a IntervalTone>,
    /// Half-power bandwidth, Hz.
    pub bandwidth_hz: Option<f64>,
    /// The free response in the transient before it, where it can be trusted.
    pub free: Option<FreeResponse>,
    /// Where the peak is by the free motion before it.
    pub peak: Option<PeakEvidence>,
    /// The angle of the antinode's velocity against the drive signal.
    pub angle: Option<SignalAngle>,
    /// What it is at the peak, where that was learnt.
    pub peak_phase: Option<PeakPhase>,
    /// Whether the approach went over the peak.
    pub passed_the_peak: bool,
    /// What its samples show to be left of a transient.
    pub transient: Option<TransientLeft>,
    /// Seconds since the span was last disturbed before the stretch.
    pub waited_s: f64,
    /// How it was disturbed then.
    pub since: Since,
    /// A reading that changed by itself before the stretch or in it.
    pub step: Option<ReadingStep>,
}

/// What the span has to ring up from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Since {
    /// A change of frequency or level.
    Change,
    /// The samples begin; what was before is not known.
    Beginning,
    /// A blow: a footstep, something that hit the span.
    Blow {
        /// When, s.
        at_s: f64,
    },
}

impl fmt::Display for Since {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Change => f.write_str("frequency or level last changed"),
            Self::Beginning => f.write_str("the samples begin"),
            Self::Blow { at_s } => write!(f, "the span was knocked at {at_s:.1} s"),
        }
    }
}

/// A reading that changed although the drive did not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ReadingStep {
    /// Which one, for the reason.
    pub reading: &'static str,
    /// When, s.
    pub at_s: f64,
    /// By how much of itself.
    pub change: f64,
}

impl Stretch<'_> {
    /// Shortest length that counts, s.
    pub fn least_seconds(setup: &Setup, frequency_hz: f64) -> f64 {
        setup
            .hold
            .min_seconds
            .max(setup.hold.min_cycles / frequency_hz)
    }

    /// Half-power bandwidth of the motion, Hz: that of the ratio; without one that
    /// of the transient.
    pub(super) fn motion_bandwidth_hz(&self) -> Option<f64> {
        self.bandwidth_hz
            .or(self.free.map(|free| free.bandwidth_hz))
            .filter(|df| *df > 0.0)
    }

    /// What its samples show to be left of a transient.
    pub fn transient_left(&self) -> Option<TransientLeft> {
        // The longest time constant that the transient itself leaves open; that of
        // the ratio is the longest that it can be.
        let measured = self
            .free
            .map(|free| free.bandwidth_hz - 2.0 * free.bandwidth_u_hz);
        let bandwidth_hz = measured
            .filter(|df| *df > 0.0)
            .or(self.motion_bandwidth_hz())?;
        let antinode = self.antinode()?;
        let phasor = antinode.phasor.value;
        let course: Vec<Complex64> = antinode.course.iter().map(|value| value / phasor).collect();
        let on_peak = self.phase_is_evidence()
            && self
                .drive_phase_deg()
                .is_some_and(|deg| deg.abs() <= self.setup.hold.drive_phase_deg);
        let rung_up = RungUp {
            course: &course,
            course_u: antinode.course_u / maths::modulus(phasor),
            hop_s: self.plan.hop_seconds(),
            constant_s: ring_up_time_constant_s(bandwidth_hz),
            waited_s: self.waited_s,
            on_peak,
        };
        Some(rung_up.left())
    }

    /// By how much the peak of the span alone lies above that of span and shaker.
    pub(super) fn mass_shift(&self) -> MassShift {
        DrivePoint::mass_shift(self.setup, self.frequency_hz())
    }

    /// Where the drive stands by its signal, where the angle at the peak was learnt.
    pub(super) fn signal_evidence(&self) -> Option<SignalEvidence> {
        let frequency_hz = self.frequency_hz();
        let conductor = self.setup.strung_conductor();
        let spacing_hz = conductor.spacing_hz(frequency_hz);
        Some(
            self.peak_phase?
                .evidence(self.angle?, frequency_hz, spacing_hz),
        )
    }

    pub(super) fn seconds(&self) -> f64 {
        self.hops.len() as f64 * self.plan.hop_seconds()
    }

    pub(super) fn frequency_hz(&self) -> f64 {
        median_frequency_hz(self.hops).unwrap_or_default()
    }

    /// What the fit over the whole stretch found at the antinode.
    pub(super) fn antinode(&self) -> Option<&IntervalChannel> {
        self.interval?.channels.get(self.channels.antinode?.0)
    }

    /// Antinode velocity of each hop, m/s peak.
    pub(super) fn envelope(&self) -> Vec<f64> {
        self.hops.iter().map(|hop| hop.antinode_m_s).collect()
    }

    /// Standard uncertainty of one hop's antinode amplitude, %.
    pub(super) fn noise_pct(&self) -> f64 {
        100.0 * median(self.hops.iter().map(|hop| hop.antinode_u_rel)).unwrap_or_default()
    }

    /// What to add where a band is so narrow that the span drifts through it by
    /// itself: f goes with the square root of the tension.
    pub(super) fn narrow_band(&self) -> String {
        match self.bandwidth_hz {
            Some(df) if df < NARROW_HZ => format!(
                "; the band is {:.1} mHz wide and moves by its own width when the tension changes by {:.3} %",
                1e3 * df,
                200.0 * df / self.frequency_hz().max(df)
            ),
            _ => String::new(),
        }
    }

    /// Motion of the drive point as a part of the antinode's: 0 where the drive
    /// sits on a node of its own.
    pub(super) fn drive_sine(&self) -> Option<f64> {
        self.setup.drive_sine(self.frequency_hz())
    }

    /// Whether the drive phase tells how far the peak is.
    pub(super) fn phase_is_evidence(&self) -> bool {
        self.channels.force.is_some()
            && self
                .drive_sine()
                .is_none_or(|sine| sine >= self.setup.hold.drive_node_sine)
            && !self.inertia_blurs_phase()
    }

    /// Relative expanded uncertainty (k = 2) of the drive point's motion where the
    /// standing wave has to tell it: that of the place against a node.
    pub(super) fn drive_motion_u(&self) -> f64 {
        let (None, Some(sine)) = (self.channels.drive_motion, self.drive_sine()) else {
            return 0.0;
        };
        let conductor = self.setup.strung_conductor();
        let place_u_m = match self.setup.conductor.bending_stiffness_n_m2 {
            Some(_) => DRIVE_PLACE_U_M,
            None => UNKNOWN_END_CORRECTION_M,
        };
        let phase_u = conductor.wave_number_per_m(self.frequency_hz()) * place_u_m;
        phase_u * (1.0 - sine * sine).max(0.0).sqrt() / sine
    }

    /// Expanded uncertainty (k = 2) of the drive phase from that of the mass
    /// which the force cell carries, degrees; zero where it carries none.
    pub(super) fn inertia_phase_u_deg(&self) -> Option<f64> {
        let mass_kg = self.channels.moving_mass_kg();
        if mass_kg <= 0.0 {
            return Some(0.0);
        }
        let interval = self.interval?;
        let phasor = |index: usize| Some(interval.channels.get(index)?.phasor.value);
        let (force_n, drive_m_s) = self
            .channels
            .force_and_velocity(interval.frequency_hz, phasor)?;
        let (_, channel) = self.setup.channel(Role::DriveForce)?;
        let inertia_n = mass_kg * TAU * interval.frequency_hz * maths::modulus(drive_m_s);
        let mass_u = 0.01 * channel.moving_mass_uncertainty_pct();
        let part = maths::hypot(mass_u, self.drive_motion_u()) * inertia_n;
        Some(maths::atan(part / maths::modulus(force_n)).to_degrees())
    }

    /// Whether the inertia in the force cell is so much that what is left of it
    /// decides the phase.
    pub(super) fn inertia_blurs_phase(&self) -> bool {
        self.inertia_phase_u_deg()
            .is_some_and(|u_deg| u_deg > 0.5 * self.setup.hold.drive_phase_deg)
    }

    /// Phase of the antinode velocity against the force into the conductor over the whole
    /// stretch, degrees, folded into −90…90; before the stretch is fitted, the
    /// median of its hops. `None` where the force channel shows no force.
    pub fn drive_phase_deg(&self) -> Option<f64> {
        let Some(interval) = self.interval else {
            return median(self.hops.iter().filter_map(|hop| hop.drive_phase_deg));
        };
        let cell = &interval.channels.get(self.channels.force?)?.phasor;
        if maths::modulus(cell.value) <= SHOWS * cell.part_u() {
            return None;
        }
        let (_, quantity) = self.channels.antinode?;
        let antinode = self.antinode()?.phasor.value;
        let phasor = |index: usize| Some(interval.channels.get(index)?.phasor.value);
        let force = self
            .channels
            .conductor_force_n(interval.frequency_hz, phasor)?;
        let velocity = velocity_m_s(quantity, antinode, interval.frequency_hz);
        Some(fold_half_turn_deg(
            maths::argument(velocity / force).to_degrees(),
        ))
    }
}
