//! What the virtual bench does: a list of dwells, how it gets from one to the
//! next, and what goes wrong meanwhile. Values only.

use serde::{Deserialize, Serialize};

use super::RehearsalError;
use super::bench::Doubt;
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
    pub at: At,
    /// Level as a multiple of the setup's target; the drive is set so that the
    /// settled antinode reaches it.
    pub level: f64,
    /// Length of the dwell after the transition, s.
    pub duration_s: f64,
    /// How the bench gets here from the step before.
    pub transition: Transition,
    /// What goes wrong during the dwell.
    pub faults: Vec<Fault>,
}

impl Step {
    /// A faultless dwell at the target level, reached by a short sweep.
    pub fn new(at: At, duration_s: f64) -> Self {
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
    pub fn with(mut self, fault: Fault) -> Self {
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
pub enum At {
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

/// What can go wrong during a dwell. Times count from the dwell's start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    /// The frequency runs through the dwell's own by this many half-power
    /// bandwidths from start to end, half before and half behind.
    FrequencyDrift {
        /// Half-power bandwidths over the dwell.
        bandwidths: f64,
    },
    /// The tension changes by this much over the dwell, and with it every
    /// resonance; the drive stays where it is.
    TensionDrift {
        /// %, over the dwell.
        percent: f64,
    },
    /// A second tone, whose settled antinode motion is this part of the first's.
    Beat {
        /// Hz above the drive.
        offset_hz: f64,
        /// Antinode amplitude over that of the drive.
        depth: f64,
    },
    /// The antinode amplitude wanders sinusoidally by about this part.
    AmplitudeWander {
        /// s.
        period_s: f64,
        /// Peak deviation over mean.
        depth: f64,
    },
    /// A channel rattles: whenever it exceeds half its peak, a short ringing
    /// starts anew.
    Rattle {
        /// Row of the channel (its `index` in the setup).
        channel: usize,
        /// Ringing over the channel's settled peak.
        strength: f64,
    },
    /// A channel saturates below digital full scale: flat tops.
    Saturation {
        /// Row of the channel.
        channel: usize,
        /// Level of the flat tops over the channel's settled peak.
        fraction: f64,
    },
    /// A channel's range is too small: its peaks would be this many times
    /// digital full scale and are clipped there.
    Clipping {
        /// Row of the channel.
        channel: usize,
        /// Peak over digital full scale, > 1.
        ratio: f64,
    },
    /// The drive level changes.
    LevelStep {
        /// s.
        at_s: f64,
        /// New level over the step's.
        factor: f64,
    },
    /// Someone knocks against the span.
    Knock {
        /// s.
        at_s: f64,
        /// Size of the antinode's velocity just after, over its peak.
        strength: f64,
    },
    /// The drive is cut: free decay.
    DriveCut {
        /// s.
        at_s: f64,
    },
}

impl Fault {
    /// When it disturbs the settled state, s into the dwell.
    pub(super) fn disturbs_at_s(&self) -> Option<f64> {
        match *self {
            Self::LevelStep { at_s, .. } | Self::Knock { at_s, .. } | Self::DriveCut { at_s } => {
                Some(at_s)
            }
            _ => None,
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
                    let at = At::Resonance {
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
        let hold = &span.setup.hold;
        let lowest = resonances
            .iter()
            .map(|r| r.frequency_hz)
            .fold(f64::INFINITY, f64::min);
        let longest = hold.min_seconds.max(hold.min_cycles / lowest);
        Self::automatic(resonances, longest + 7.0)
    }

    /// All resonances of the sweep's range.
    pub fn whole_sweep(span: &VirtualSpan) -> Self {
        let sweep = span.setup.sweep;
        let inside: Vec<Resonance> = span
            .resonances()
            .iter()
            .copied()
            .filter(|r| r.frequency_hz >= sweep.low_hz && r.frequency_hz <= sweep.high_hz)
            .collect();
        Self::of(span, &inside)
    }

    /// Puts a doubtful dwell after each of the present ones in turn, at the
    /// same resonance and of the same length, until all are used; `antinode` is
    /// the row of the antinode channel.
    pub fn mix_in(
        &mut self,
        doubts: &[Doubt],
        span: &VirtualSpan,
        antinode: usize,
    ) -> Result<(), RehearsalError> {
        let sound = std::mem::take(&mut self.steps);
        let mut left = doubts.chunks(doubts.len().div_ceil(sound.len().max(1)).max(1));
        for step in sound {
            let (_, resonance) = step.at.resolve(span)?;
            let duration_s = step.duration_s;
            self.steps.push(step);
            for doubt in left.next().unwrap_or_default() {
                self.steps
                    .push(doubt.step(&resonance, duration_s, antinode));
            }
        }
        Ok(())
    }
}

impl At {
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
