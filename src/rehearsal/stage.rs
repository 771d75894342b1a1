//! One step of the program made ready to perform: where sensors stand, what
//! each channel sees per newton, and the drive over time. Pure.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::disturbance::Disturbance;
use super::driven::{DrivenSpan, Steady};
use super::error::RehearsalError;
use super::pickup::Pickup;
use super::program::{Step, Transition};
use super::sensors::Sensors;
use super::span::VirtualSpan;
use super::truth::DwellTruth;
use crate::setup::Role;

/// Level from which and to which the drive fades, over the dwell's.
const FAINT: f64 = 1e-4;
/// How long a varying drive is taken as constant, s.
const VARYING_S: f64 = 0.016;
/// Ramp of a level step, s.
const RAMP_S: f64 = 0.05;

/// A step with everything about it worked out.
#[derive(Debug, Clone)]
pub(super) struct Stage {
    pub(super) step: Step,
    /// Frames: start of the transition, of the dwell, and end.
    pub(super) frames: [u64; 3],
    pub(super) frequency_hz: f64,
    pub(super) bandwidth_hz: f64,
    /// Source force, N peak.
    pub(super) force: f64,
    pub(super) antinode_m: f64,
    /// One a row.
    pub(super) pickups: Vec<Pickup>,
    /// Settled peak of each row, digital.
    pub(super) peaks: Vec<f64>,
    /// Drive amplitude of a second tone over the first's, and its frequency.
    pub(super) second: Option<(f64, f64)>,
    /// Drive modulation of a wandering amplitude: depth and period, s.
    wander: Option<(f64, f64)>,
    pub(super) truth: DwellTruth,
}

impl Stage {
    pub(super) fn new(
        span: &VirtualSpan,
        step: &Step,
        sensors: &Sensors,
        rows: usize,
        first_frame: u64,
        rate_hz: f64,
    ) -> Result<Self, RehearsalError> {
        let (frequency_hz, resonance) = step.at.resolve(span)?;
        let driven = &span.driven;
        let steady = driven
            .steady(frequency_hz)
            .ok_or(RehearsalError::NoNode(frequency_hz))?;
        let force = driven.source_force(&steady, frequency_hz, step.level);
        let mut truth = driven.settled_truth(&steady, frequency_hz, &resonance, force);
        let mut pickups = vec![Pickup::silent(); rows];
        for (number, channel) in driven.setup.channels.iter().enumerate() {
            let sensor = sensors.sensor(number);
            match channel.role {
                Role::Antinode => truth.antinode_misplacement_mm = sensor.misplacement_mm,
                Role::Node => truth.node_misplacement_mm = sensor.misplacement_mm,
                _ => {}
            }
            let pickup = Pickup::of(driven, channel, &sensor, &steady);
            let peak = force
                * pickup
                    .in_unit(channel)
                    .read(driven, &steady.field, 1.0)
                    .norm();
            truth.channel_peak.insert(channel.name.clone(), peak);
            if let Some(slot) = pickups.get_mut(channel.index) {
                *slot = pickup;
            }
        }
        let peaks = pickups
            .iter()
            .map(|p| force * p.read(driven, &steady.field, 1.0).norm())
            .collect();
        let frames = |seconds: f64| (seconds * rate_hz).round() as u64;
        let dwell = first_frame + frames(step.transition.seconds());
        let mut stage = Self {
            step: step.clone(),
            frames: [first_frame, dwell, dwell + frames(step.duration_s)],
            frequency_hz,
            bandwidth_hz: resonance.half_power_bandwidth_hz,
            force,
            antinode_m: steady.places.antinode_m,
            pickups,
            peaks,
            second: None,
            wander: None,
            truth,
        };
        stage.truth.faults.clone_from(&step.faults);
        stage.prepare_faults(driven, &steady);
        Ok(stage)
    }

    /// Turns faults stated at the antinode into what the drive has to do.
    fn prepare_faults(&mut self, span: &DrivenSpan, steady: &Steady) {
        let response = |f: f64| {
            let field = span.field(Complex64::new(0.0, TAU * f));
            let [y, ..] = field.at(steady.places.antinode_m);
            (field.s * y).norm()
        };
        let f = self.frequency_hz;
        for fault in &self.step.faults {
            match *fault {
                Disturbance::Beat { offset_hz, depth } => {
                    let other = (f + offset_hz).max(0.1);
                    self.second = Some((depth * response(f) / response(other), other));
                }
                Disturbance::AmplitudeWander { period_s, depth } => {
                    // Modulation reaches the antinode as two sidebands.
                    let side = 0.5 * (response(f + 1.0 / period_s) + response(f - 1.0 / period_s));
                    let drive = (depth * response(f) / side).min(0.95);
                    self.wander = Some((drive, period_s));
                }
                _ => {}
            }
        }
    }

    /// Frequency and source force, N peak, at `t` seconds from the start of
    /// the dwell (negative in the transition); `before` is the same at the end
    /// of the step before.
    pub(super) fn drive(&self, t: f64, before: (f64, f64)) -> (f64, f64) {
        let start = (self.dwell_frequency(0.0), self.dwell_force(0.0));
        if t >= 0.0 {
            return (self.dwell_frequency(t), self.dwell_force(t));
        }
        let length = self.step.transition.seconds();
        let done = (1.0 + t / length).clamp(0.0, 1.0);
        let faint = FAINT * self.force;
        let (from_hz, from_n) = (before.0, before.1.max(faint));
        match self.step.transition {
            Transition::Jump | Transition::Settled => start,
            Transition::Sweep { .. } => (
                from_hz + (start.0 - from_hz) * done,
                from_n * (start.1 / from_n).powf(done),
            ),
            Transition::Fade { .. } if done < 0.5 => {
                (from_hz, from_n * (faint / from_n).powf(2.0 * done))
            }
            Transition::Fade { .. } => (start.0, faint * (start.1 / faint).powf(2.0 * done - 1.0)),
        }
    }

    fn dwell_frequency(&self, t: f64) -> f64 {
        let along = t / self.step.duration_s - 0.5;
        let drift: f64 = self
            .step
            .faults
            .iter()
            .map(|fault| match fault {
                Disturbance::FrequencyDrift { bandwidths } => {
                    bandwidths * self.bandwidth_hz * along
                }
                _ => 0.0,
            })
            .sum();
        self.frequency_hz + drift
    }

    fn dwell_force(&self, t: f64) -> f64 {
        let mut force = self.force;
        if let Some((depth, period_s)) = self.wander {
            force *= 1.0 + depth * (2.0 * PI * t / period_s).sin();
        }
        for fault in &self.step.faults {
            match *fault {
                Disturbance::LevelStep { at_s, factor } => {
                    let done = ((t - at_s) / RAMP_S).clamp(0.0, 1.0);
                    force *= factor.max(FAINT).powf(done);
                }
                Disturbance::DriveCut { at_s } if t >= at_s => force = 0.0,
                _ => {}
            }
        }
        force
    }

    /// Whether frequency and level stand still just after `t`.
    pub(super) fn is_steady(&self, t: f64) -> bool {
        t >= 0.0
            && self.wander.is_none()
            && self.step.faults.iter().all(|fault| match *fault {
                Disturbance::FrequencyDrift { .. } | Disturbance::TensionDrift { .. } => false,
                Disturbance::LevelStep { at_s, .. } => t < at_s || t >= at_s + RAMP_S,
                _ => true,
            })
    }

    /// How long what varies just after `t` may be taken as constant, s. Poles are
    /// costly to follow: where only the tension drifts, until the resonance
    /// has moved by a five-hundredth of its bandwidth.
    pub(super) fn varying_s(&self, t: f64) -> f64 {
        let drifts = |fault: &Disturbance| match fault {
            Disturbance::TensionDrift { percent } => Some(*percent),
            _ => None,
        };
        let percent: Option<f64> = self.step.faults.iter().map(drifts).sum();
        let (Some(percent), true) = (percent, t >= 0.0) else {
            return VARYING_S;
        };
        // f goes with the square root of the tension.
        let a_second =
            0.005 * percent.abs() * self.frequency_hz / self.bandwidth_hz / self.step.duration_s;
        (0.002 / a_second).clamp(VARYING_S, 1.0)
    }

    /// Whether the state can be called settled just after `t`, once transients
    /// are gone.
    pub(super) fn may_settle(&self, t: f64) -> bool {
        self.is_steady(t)
            && self.second.is_none()
            && self.step.faults.iter().all(|fault| match *fault {
                Disturbance::DriveCut { at_s } => t < at_s,
                _ => true,
            })
    }

    /// Times within the dwell at which the drive's course breaks, s.
    pub(super) fn breaks(&self) -> impl Iterator<Item = f64> + '_ {
        self.step
            .faults
            .iter()
            .flat_map(|fault| match *fault {
                Disturbance::LevelStep { at_s, .. } => [Some(at_s), Some(at_s + RAMP_S)],
                Disturbance::Impact { at_s, .. } | Disturbance::DriveCut { at_s } => {
                    [Some(at_s), None]
                }
                _ => [None, None],
            })
            .flatten()
    }

    /// Impacts of this dwell: time, s, and strength.
    pub(super) fn impacts(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.step.faults.iter().filter_map(|fault| match *fault {
            Disturbance::Impact { at_s, strength } => Some((at_s, strength)),
            _ => None,
        })
    }

    /// Tension over the setup's, at `t` seconds into the dwell.
    pub(super) fn tension_ratio(&self, t: f64) -> f64 {
        self.step
            .faults
            .iter()
            .map(|fault| match fault {
                Disturbance::TensionDrift { percent } if t >= 0.0 => {
                    1.0 + 0.01 * percent * (t / self.step.duration_s - 0.5)
                }
                _ => 1.0,
            })
            .product()
    }
}
