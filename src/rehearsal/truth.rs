//! What an ideal observer would read off a dwell: exact steady state in,
//! [`DwellTruth`] out. Pure.

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::f64::consts::TAU;

use super::disturbance::Disturbance;
use super::driven::{DrivenSpan, Steady};
use super::field::{power_past_w, power_w};
use super::resonances::Resonance;
use crate::setup::{LevelRule, StrainLocation};

/// Below this the drive phase may count as that of a peak: 20 degrees by default, and as much
/// as leaves it open. Of a single mode 0.45 bandwidths away it is 42 degrees.
const IN_PHASE_DEG: f64 = 25.0;

/// Whether a correct analysis of the recording finds a hold in the dwell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Expectation {
    /// Resonance was held, long enough, without fault.
    Held,
    /// It was not: a hold reported here is a false one.
    NotHeld,
    /// Neither answer is wrong: the fault or the length is on the border.
    Either,
}

/// The truth about one dwell. Velocities are peak, places are metres from the
/// drive-end clamp, times are seconds from the first sample.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DwellTruth {
    /// Number of the dwell, from 1.
    pub dwell: usize,
    /// The recording that it is in, where each dwell has its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub recording: Option<String>,
    /// First sample of the dwell, after the transition, s.
    pub start_s: f64,
    /// End of the dwell, s.
    pub end_s: f64,
    /// Start of the transition to it: last change of frequency or level, s.
    pub transition_start_s: f64,
    /// What goes wrong in it.
    pub faults: Vec<Disturbance>,
    /// Whether a hold is there to be found.
    pub expected: Expectation,
    /// Why, in a few words.
    pub why: String,
    /// Intervals with a constant drive in which what is left of transients is
    /// below 0.5 % of the antinode's motion, s.
    pub settled_s: Vec<[f64; 2]>,
    /// Frequency of the drive, Hz.
    pub frequency_hz: f64,
    /// Number of loops of the resonance nearest to it.
    pub harmonic: u32,
    /// Frequency of that resonance, Hz.
    pub resonance_hz: f64,
    /// Distance from it, half-power bandwidths.
    pub detuning_bandwidths: f64,
    /// Half-power bandwidth of that resonance, Hz.
    pub half_power_bandwidth_hz: f64,
    /// Ring-up time constant, s.
    pub time_constant_s: f64,
    /// Velocity at the antinode, mm/s peak, settled.
    pub antinode_velocity_mm_s: f64,
    /// Velocity at the node, mm/s peak, settled.
    pub node_velocity_mm_s: f64,
    /// Their ratio: inverse standing wave ratio.
    pub iswr: f64,
    /// Power carried past the node towards the damper, W, from the field.
    pub power_past_node_w: f64,
    /// Power the damper takes at its clamp, W.
    pub power_damper_w: f64,
    /// Power that enters the conductor at the force cell, W.
    pub power_drive_w: f64,
    /// Force in the force cell, N peak.
    pub drive_force_n: f64,
    /// Velocity of the drive point, mm/s peak.
    pub drive_velocity_mm_s: f64,
    /// Phase of the antinode velocity against the force in the force cell,
    /// degrees, modulo 180 to −90…90.
    pub drive_phase_deg: f64,
    /// Bending strain at each gauge location, µm/m peak-to-peak.
    pub strain_pp_um_m: BTreeMap<String, f64>,
    /// True antinode.
    pub antinode_position_m: f64,
    /// True node.
    pub node_position_m: f64,
    /// How far the antinode sensor stands from it, mm, positive towards the
    /// drive end.
    pub antinode_misplacement_mm: f64,
    /// How far the node sensor stands from it, mm, likewise.
    pub node_misplacement_mm: f64,
    /// Peak of each channel at its sensor, settled, in the channel's unit,
    /// before gain error, noise and faults.
    pub channel_peak: BTreeMap<String, f64>,
}

impl DrivenSpan {
    /// Bending strain at a gauge per newton of the source's force, peak.
    pub(super) fn strain(&self, steady: &Steady, location: StrainLocation) -> f64 {
        self.gauge_strain(&steady.field, location).norm()
    }

    /// Source force, N peak, that brings the settled state to `level` times
    /// the setup's target; without a target, 200 mm/s at the antinode.
    pub(super) fn source_force(&self, steady: &Steady, frequency_hz: f64, level: f64) -> f64 {
        let [y, ..] = steady.field.at(steady.places.antinode_m);
        let velocity = (steady.field.s * y).norm();
        let target = match self.setup.amplitude {
            None => 0.2 / velocity,
            Some(rule) => match rule.rule {
                LevelRule::ConstantVelocity => 1e-3 * rule.value / velocity,
                // Amplitude pp k/f mm is a velocity of pi k mm/s peak.
                LevelRule::InverseFrequency => {
                    1e-3 * rule.value * 0.5 / frequency_hz * TAU * frequency_hz / velocity
                }
                LevelRule::ClampStrain => {
                    let mut locations: Vec<StrainLocation> = self
                        .setup
                        .channels
                        .iter()
                        .filter_map(|c| c.role.location())
                        .collect();
                    if locations.is_empty() {
                        locations = vec![StrainLocation::Damper, StrainLocation::End];
                    }
                    let largest = locations
                        .iter()
                        .map(|l| self.strain(steady, *l))
                        .fold(0.0, f64::max);
                    1e-6 * rule.value * 0.5 / largest
                }
            },
        };
        level * target
    }

    /// The settled part of the truth of a dwell; times, expectation and channel
    /// peaks are the performance's to fill in.
    pub(super) fn settled_truth(
        &self,
        steady: &Steady,
        frequency_hz: f64,
        resonance: &Resonance,
        force: f64,
    ) -> DwellTruth {
        let field = steady.field.clone().scaled(force.into());
        let velocity = |x: f64| {
            let [y, ..] = field.at(x);
            field.s * y
        };
        let cell = steady.cell * force;
        let antinode = velocity(steady.places.antinode_m);
        let node = velocity(steady.places.node_m);
        let drive = velocity(self.drive_m);
        let power_damper_w = self.damper_m.map_or(0.0, |x| {
            let v = velocity(x);
            power_w(self.model.damper.impedance(field.s) * v, v)
        });
        let phase = (antinode / cell).arg().to_degrees();
        let strain = |location| 2e6 * force * self.strain(steady, location);
        let strain_pp_um_m = BTreeMap::from([
            ("damper".to_owned(), strain(StrainLocation::Damper)),
            ("end".to_owned(), strain(StrainLocation::End)),
        ]);
        DwellTruth {
            recording: None,
            dwell: 0,
            start_s: 0.0,
            end_s: 0.0,
            transition_start_s: 0.0,
            faults: Vec::new(),
            expected: Expectation::Either,
            why: String::new(),
            settled_s: Vec::new(),
            frequency_hz,
            harmonic: resonance.harmonic,
            resonance_hz: resonance.frequency_hz,
            detuning_bandwidths: (frequency_hz - resonance.frequency_hz)
                / resonance.half_power_bandwidth_hz,
            half_power_bandwidth_hz: resonance.half_power_bandwidth_hz,
            time_constant_s: resonance.time_constant_s,
            antinode_velocity_mm_s: 1e3 * antinode.norm(),
            node_velocity_mm_s: 1e3 * node.norm(),
            iswr: node.norm() / antinode.norm(),
            power_past_node_w: power_past_w(&self.beam, &field, steady.places.node_m),
            power_damper_w,
            power_drive_w: power_w(cell, drive),
            drive_force_n: cell.norm(),
            drive_velocity_mm_s: 1e3 * drive.norm(),
            drive_phase_deg: phase - 180.0 * (phase / 180.0).round(),
            strain_pp_um_m,
            antinode_position_m: steady.places.antinode_m,
            node_position_m: steady.places.node_m,
            antinode_misplacement_mm: 0.0,
            node_misplacement_mm: 0.0,
            channel_peak: BTreeMap::new(),
        }
    }
}

/// What the length of a dwell allows.
#[derive(Debug, Clone, Copy)]
pub(super) struct Opportunity {
    /// Longest settled interval with the wait after the last change taken off, s.
    pub(super) settled_after_wait_s: f64,
    /// Longest interval in which transients are below 3 %, s.
    pub(super) nearly_settled_s: f64,
}

impl DwellTruth {
    /// Decides what is to be expected; `hold_s` is the least hold.
    pub(super) fn judge(&mut self, opportunity: Opportunity, hold_s: f64) {
        // The cause before its effect: what beats, say, never settles either.
        let mut verdicts = vec![self.judge_place()];
        for fault in &self.faults {
            verdicts.push(self.judge_fault(fault, hold_s));
        }
        verdicts.push(judge_length(opportunity, hold_s));
        let worst = verdicts
            .iter()
            .find(|(e, _)| *e == Expectation::NotHeld)
            .or_else(|| verdicts.iter().find(|(e, _)| *e == Expectation::Either));
        let (expected, why) = worst
            .cloned()
            .unwrap_or((Expectation::Held, "held on the peak, settled".into()));
        self.expected = expected;
        self.why = why;
    }

    fn judge_place(&self) -> (Expectation, String) {
        let off = self.detuning_bandwidths.abs();
        let why = format!("{off:.2} half-power bandwidths off the peak");
        let expected = graded(off, 0.12, 0.45);
        // Of a span so strongly damped that its modes overlap, force and motion stay in phase
        // far from any of them: the drive phase, which decides, calls that the peak.
        let in_phase = self.drive_phase_deg.abs() < IN_PHASE_DEG;
        if expected == Expectation::NotHeld && in_phase {
            (Expectation::Either, why)
        } else {
            (expected, why)
        }
    }

    fn judge_fault(&self, fault: &Disturbance, hold_s: f64) -> (Expectation, String) {
        let dwell_s = self.end_s - self.start_s;
        // Drift over the shortest hold, in bandwidths.
        let over_hold = |bandwidths: f64| bandwidths.abs() * (hold_s / dwell_s).min(1.0);
        match *fault {
            Disturbance::FrequencyDrift { bandwidths } => (
                graded(over_hold(bandwidths), 0.03, 0.2),
                "frequency drifts through the peak".into(),
            ),
            Disturbance::TensionDrift { percent } => (
                // f goes with the square root of the tension.
                graded(
                    over_hold(0.005 * percent * self.resonance_hz / self.half_power_bandwidth_hz),
                    0.03,
                    0.2,
                ),
                "tension and with it the resonance drifts".into(),
            ),
            Disturbance::Beat { depth, .. } => {
                (graded(depth, 0.002, 0.03), "a second tone beats".into())
            }
            Disturbance::AmplitudeWander { depth, period_s } => {
                // A slow wave is straight over one hold.
                let seen = depth * (2.0 * hold_s / period_s).min(1.0);
                (graded(seen, 0.002, 0.04), "the amplitude wanders".into())
            }
            Disturbance::Rattle { strength, .. } => {
                (graded(strength, 0.0, 0.3), "a sensor rattles".into())
            }
            Disturbance::Saturation { fraction, .. } => (
                graded(1.0 - fraction, 0.0, 0.4),
                "a channel saturates below full scale".into(),
            ),
            Disturbance::Clipping { ratio, .. } => (
                graded(ratio, 1.0, 1.01),
                "a channel is clipped at full scale".into(),
            ),
            // These leave settled intervals, or do not: the length decides.
            Disturbance::LevelStep { .. }
            | Disturbance::Impact { .. }
            | Disturbance::DriveCut { .. } => (Expectation::Held, String::new()),
        }
    }
}

fn judge_length(opportunity: Opportunity, hold_s: f64) -> (Expectation, String) {
    let why = "too short to settle and then hold".to_owned();
    if opportunity.settled_after_wait_s > 1.1 * hold_s + 2.0 {
        (Expectation::Held, why)
    } else if opportunity.nearly_settled_s < 0.9 * hold_s {
        (Expectation::NotHeld, why)
    } else {
        (Expectation::Either, why)
    }
}

/// Held up to `fine`, not held from `bad`, either between.
fn graded(value: f64, fine: f64, bad: f64) -> Expectation {
    if value <= fine {
        Expectation::Held
    } else if value >= bad {
        Expectation::NotHeld
    } else {
        Expectation::Either
    }
}
