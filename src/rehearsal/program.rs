//! What the virtual bench does: a list of dwells, how it gets from one to the
//! next, and what goes wrong meanwhile. Values only.

use serde::{Deserialize, Serialize};

use super::disturbance::Disturbance;
use super::error::RehearsalError;
use super::resonances::Resonance;
use super::span::VirtualSpan;

/// A drive program.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Program {
    /// Silence before the first step, s.
    pub lead_in_s: f64,
    /// The dwells in order.
    pub steps: Vec<Step>,
    /// Time after the last dwell with the drive cut, s.
    pub lead_out_s: f64,
}

/// One dwell and the way to it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Frequency of the drive.
    pub at: DriveFrequency,
    /// Level as a multiple of the setup's target; the drive is set so that the
    /// settled antinode reaches it.
    pub level: f64,
    /// Length of the dwell after the transition, s.
    pub duration_s: f64,
    /// How the bench gets here from the step before.
    pub transition: Transition,
    /// What goes wrong during the dwell.
    pub faults: Vec<Disturbance>,
}

impl Step {
    /// A faultless dwell at the target level, reached by a short sweep.
    pub fn new(at: DriveFrequency, duration_s: f64) -> Self {
        Self {
            at,
            level: 1.0,
            duration_s,
            transition: Transition::Sweep { seconds: 3.0 },
            faults: Vec::new(),
        }
    }

    /// The same step with one more fault.
    #[must_use]
    pub fn with(mut self, fault: Disturbance) -> Self {
        self.faults.push(fault);
        self
    }

    /// The same step with another transition.
    #[must_use]
    pub fn reached_by(mut self, transition: Transition) -> Self {
        self.transition = transition;
        self
    }
}

/// Where a step dwells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DriveFrequency {
    /// At this frequency, Hz.
    Frequency(f64),
    /// At the resonance with this number of loops, off its peak by this many
    /// half-power bandwidths.
    Resonance {
        /// Number of loops.
        harmonic: u32,
        /// Detuning, in half-power bandwidths; 0 is on the peak.
        bandwidths: f64,
    },
    /// At the resonance nearest to a frequency, off its peak likewise.
    Nearest {
        /// Hz.
        frequency_hz: f64,
        /// Detuning, in half-power bandwidths.
        bandwidths: f64,
    },
}

/// From one dwell to the next. Motion sensors are carried to their new places
/// meanwhile.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Transition {
    /// Frequency and level jump; phase stays continuous.
    Jump,
    /// Frequency and level run to the new values in this many seconds.
    Sweep {
        /// s.
        seconds: f64,
    },
    /// The drive fades out, changes frequency, and fades in.
    Fade {
        /// s, both halves together.
        seconds: f64,
    },
    /// The recording was paused until the new state had settled; it continues
    /// there with a seam.
    Settled,
}

impl Transition {
    /// Length, s. A jump still takes the time to carry the sensors.
    pub(super) fn seconds(self) -> f64 {
        match self {
            Self::Jump => 0.25,
            Self::Sweep { seconds } | Self::Fade { seconds } => seconds.max(0.0),
            Self::Settled => 0.0,
        }
    }
}

impl Program {
    /// Steps through these resonances by itself: each dwell lasts seven time
    /// constants and `extra_s` more.
    pub fn automatic(resonances: &[Resonance], extra_s: f64) -> Self {
        Self {
            lead_in_s: 2.0,
            steps: resonances
                .iter()
                .map(|r| {
                    let at = DriveFrequency::Resonance {
                        harmonic: r.harmonic,
                        bandwidths: 0.0,
                    };
                    Step::new(at, 7.0 * r.time_constant_s + extra_s)
                })
                .collect(),
            lead_out_s: 2.0,
        }
    }

    /// Steps through these resonances with time to ring up and for the hold the
    /// setup asks for, at the lowest frequency of the list.
    pub fn of(span: &VirtualSpan, resonances: &[Resonance]) -> Self {
        let hold = &span.driven.setup.hold;
        let lowest = resonances
            .iter()
            .map(|r| r.frequency_hz)
            .fold(f64::INFINITY, f64::min);
        let longest = hold.min_seconds.max(hold.min_cycles / lowest);
        Self::automatic(resonances, longest + 7.0)
    }

    /// All resonances of the sweep's range.
    pub fn whole_sweep(span: &VirtualSpan) -> Self {
        let sweep = span.driven.setup.sweep;
        let inside: Vec<Resonance> = span
            .resonances()
            .iter()
            .copied()
            .filter(|r| r.frequency_hz >= sweep.low_hz && r.frequency_hz <= sweep.high_hz)
            .collect();
        Self::of(span, &inside)
    }
}

impl DriveFrequency {
    /// Frequency and detuning of a dwell, and the resonance it belongs to.
    pub(super) fn resolve(self, span: &VirtualSpan) -> Result<(f64, Resonance), RehearsalError> {
        match self {
            Self::Frequency(frequency_hz) => {
                if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
                    return Err(RehearsalError::Frequency(frequency_hz));
                }
                Ok((frequency_hz, span.nearest_resonance(frequency_hz)?))
            }
            Self::Resonance {
                harmonic,
                bandwidths,
            } => {
                let r = span.resonance(harmonic)?;
                Ok((r.frequency_hz + bandwidths * r.half_power_bandwidth_hz, r))
            }
            Self::Nearest {
                frequency_hz,
                bandwidths,
            } => {
                let r = span.nearest_resonance(frequency_hz)?;
                Ok((r.frequency_hz + bandwidths * r.half_power_bandwidth_hz, r))
            }
        }
    }
}
