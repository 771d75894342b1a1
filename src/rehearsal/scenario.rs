//! Fault scenarios: dwells that must not count although they look like a hold,
//! and borderline ones. Values only, all invented.

use super::disturbance::Disturbance;
use super::error::RehearsalError;
use super::program::{DriveFrequency, Program, Step, Transition};
use super::resonances::Resonance;
use super::span::VirtualSpan;

/// A dwell in which something goes wrong. Most must not count as a hold although
/// they look like one; a few are borderline.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "each variant names what goes wrong")]
pub enum FaultScenario {
    OffPeak,
    TooShort,
    FrequencyDrift,
    TensionDrift,
    Beat,
    AmplitudeWander,
    Rattle,
    Clipping,
    LevelStep,
    Impact,
    DriveCut,
}

impl FaultScenario {
    /// All of them.
    pub const ALL: [Self; 11] = [
        Self::OffPeak,
        Self::TooShort,
        Self::FrequencyDrift,
        Self::TensionDrift,
        Self::Beat,
        Self::AmplitudeWander,
        Self::Rattle,
        Self::Clipping,
        Self::LevelStep,
        Self::Impact,
        Self::DriveCut,
    ];

    /// A dwell of about `duration_s` at a resonance in which this goes wrong;
    /// `antinode` is the row of the antinode channel.
    pub fn step(self, resonance: &Resonance, duration_s: f64, antinode: usize) -> Step {
        let at = |bandwidths| DriveFrequency::Resonance {
            harmonic: resonance.harmonic,
            bandwidths,
        };
        let middle = 0.5 * duration_s;
        let fault = match self {
            Self::OffPeak => return Step::new(at(0.8), duration_s),
            Self::TooShort => {
                let short = (0.2 * duration_s).min(6.0);
                return Step::new(at(0.0), short).reached_by(Transition::Jump);
            }
            Self::FrequencyDrift => Disturbance::FrequencyDrift { bandwidths: 2.0 },
            Self::TensionDrift => Disturbance::TensionDrift { percent: 3.0 },
            Self::Beat => Disturbance::Beat {
                offset_hz: 0.35,
                depth: 0.1,
            },
            Self::AmplitudeWander => Disturbance::AmplitudeWander {
                period_s: 7.0,
                depth: 0.08,
            },
            Self::Rattle => Disturbance::Rattle {
                channel: antinode,
                strength: 0.6,
            },
            Self::Clipping => Disturbance::Clipping {
                channel: antinode,
                ratio: 1.15,
            },
            Self::LevelStep => Disturbance::LevelStep {
                at_s: middle,
                factor: 0.7,
            },
            Self::Impact => Disturbance::Impact {
                at_s: middle,
                strength: 0.3,
            },
            Self::DriveCut => Disturbance::DriveCut { at_s: middle },
        };
        Step::new(at(0.0), duration_s).with(fault)
    }

    /// Its name, as the command line and the guide have it.
    pub fn name(self) -> &'static str {
        match self {
            Self::OffPeak => "off-peak",
            Self::TooShort => "too-short",
            Self::FrequencyDrift => "frequency-drift",
            Self::TensionDrift => "tension-drift",
            Self::Beat => "beat",
            Self::AmplitudeWander => "amplitude-wander",
            Self::Rattle => "rattle",
            Self::Clipping => "clipping",
            Self::LevelStep => "level-step",
            Self::Impact => "impact",
            Self::DriveCut => "drive-cut",
        }
    }
}

/// Puts a dwell of each scenario after the present ones in turn, at the same
/// resonance and of the same length, until all are used; `antinode` is the row
/// of the antinode channel.
pub fn mix_in(
    program: &mut Program,
    scenarios: &[FaultScenario],
    span: &VirtualSpan,
    antinode: usize,
) -> Result<(), RehearsalError> {
    let sound = std::mem::take(&mut program.steps);
    let a_dwell = scenarios.len().div_ceil(sound.len().max(1)).max(1);
    let mut left = scenarios.chunks(a_dwell);
    for step in sound {
        let (_, resonance) = step.at.resolve(span)?;
        let duration_s = step.duration_s;
        program.steps.push(step);
        for scenario in left.next().unwrap_or_default() {
            let faulty = scenario.step(&resonance, duration_s, antinode);
            program.steps.push(faulty);
        }
    }
    Ok(())
}
