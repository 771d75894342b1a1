//! What can go wrong during a dwell of the virtual bench. Values only.

use serde::{Deserialize, Serialize};

/// What can go wrong during a dwell. Times count from the dwell's start.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Disturbance {
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
    /// starts again.
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
    /// An impact: something hits the span at the antinode.
    Impact {
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

impl Disturbance {
    /// When it disturbs the settled state, s into the dwell.
    pub(super) fn disturbs_at_s(&self) -> Option<f64> {
        match *self {
            Self::LevelStep { at_s, .. } | Self::Impact { at_s, .. } | Self::DriveCut { at_s } => {
                Some(at_s)
            }
            _ => None,
        }
    }
}
