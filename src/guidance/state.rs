//! The state, typed: what `GET /state` gives and every view shows.
//!
//! Peak values unless a name says `pp`; the unit is in the name; an uncertainty is the same
//! name with `_u` before the unit, expanded, k = 2. A value that is not known is left out,
//! and `absent` says why. The guide's page on operation has the table of all keys.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::advice::Advice;
use crate::setup::Verdict;

/// Everything that a capture shows of itself at one moment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaptureState {
    /// Version of this form.
    pub version: u32,
    /// The run.
    pub run: RunInHand,
    /// What to do now, typed.
    pub advice: Advice,
    /// The same as a sentence.
    pub now: String,
    /// What is worth knowing beside it; sentences.
    pub also: Vec<String>,
    /// What is missing for the proof that this resonance is held; sentences.
    pub missing: Vec<String>,
    /// What the sensors read.
    pub reading: ReadingState,
    /// Where the drive stands against the peak.
    pub peak: PeakState,
    /// The dwell in hand.
    pub dwell: DwellState,
    /// The gauges.
    pub strain: Vec<StrainState>,
    /// The tension channel.
    pub tension: TensionState,
    /// Where the sensors belong at this frequency.
    pub place: PlaceState,
    /// The harmonics of the plan.
    pub harmonics: Vec<HarmonicMark>,
    /// The next of them.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub next: Option<NextHarmonic>,
    /// The points so far.
    pub points: Vec<PointState>,
    /// The required efficiency, a curve each.
    pub required: Vec<RequiredEfficiency>,
    /// Limits that are passed, or cannot be watched; sentences.
    pub alarms: Vec<String>,
    /// What happened last, the newest last; sentences.
    pub events: Vec<String>,
    /// The sources.
    pub devices: Vec<DeviceState>,
    /// Recording and analysis.
    pub recording: RecordingState,
    /// Why a value is left out, by its place: `reading.node_velocity_mm_s`.
    pub absent: BTreeMap<String, String>,
}

macro_rules! optional_values {
    ($(#[$outer:meta])* pub struct $name:ident { $($(#[$inner:meta])* $field:ident: $type:ty,)+ }) => {
        $(#[$outer])*
        #[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
        pub struct $name {
            $(
                $(#[$inner])*
                #[serde(skip_serializing_if = "Option::is_none", default)]
                pub $field: Option<$type>,
            )+
        }
    };
}

/// The run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RunInHand {
    /// Title of the test.
    pub title: String,
    /// Name of the run folder.
    pub folder: String,
    /// Whether it is being captured now.
    pub capturing: bool,
    /// Number of the session.
    pub session: u32,
    /// Time by this computer's clock, a label.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub utc: Option<jiff::Timestamp>,
    /// How far the analysis has come, s from sample 0.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub at_s: Option<f64>,
}

optional_values! {
    /// What the sensors read.
    pub struct ReadingState {
        /// Whether the span has rung up: before that velocities and ratio are still
        /// those of a motion that changes.
        settled: bool,
        /// Frequency of the drive.
        frequency_hz: f64,
        /// Its uncertainty, that of the sampling rate included.
        frequency_u_hz: f64,
        /// Antinode velocity, peak.
        antinode_velocity_mm_s: f64,
        /// Its uncertainty.
        antinode_velocity_u_mm_s: f64,
        /// Antinode amplitude, peak-to-peak.
        antinode_amplitude_mm_pp: f64,
        /// Node velocity, peak, by the part in quadrature with the antinode.
        node_velocity_mm_s: f64,
        /// Its uncertainty.
        node_velocity_u_mm_s: f64,
        /// Inverse standing wave ratio.
        iswr: f64,
        /// Its uncertainty.
        iswr_u: f64,
        /// Efficiency, 100 times that.
        efficiency_pct: f64,
        /// How far the node sensor seems to stand beside the node.
        node_offset_mm: f64,
        /// Antinode velocity that the level asks for, peak.
        target_velocity_mm_s: f64,
        /// How far the level is from its target.
        target_deviation_pct: f64,
        /// How far it may be.
        target_tolerance_pct: f64,
    }
}

optional_values! {
    /// Where the drive stands against the peak.
    pub struct PeakState {
        /// Whether it stands at the peak; absent where neither is shown.
        on_peak: bool,
        /// What shows it: `drive-force`, `drive-signal`, `free-motion`, `node-pattern` or `passage`.
        shown_by: String,
        /// How far above the peak the drive stands.
        detuning_hz: f64,
        /// Its uncertainty.
        detuning_u_hz: f64,
        /// The same in half-power bandwidths.
        detuning_bandwidths: f64,
        /// Its uncertainty.
        detuning_u_bandwidths: f64,
        /// Half-power bandwidth.
        bandwidth_hz: f64,
        /// Phase of the antinode's velocity against the drive force.
        drive_phase_deg: f64,
    }
}

optional_values! {
    /// The dwell in hand.
    pub struct DwellState {
        /// When frequency or level last changed, s from sample 0.
        since_s: f64,
        /// Time until the span has rung up.
        ring_up_left_s: f64,
        /// Length of the hold so far.
        hold_s: f64,
        /// Shortest hold that counts.
        least_hold_s: f64,
        /// Whether the dwell has its point already.
        has_point: bool,
    }
}

optional_values! {
    /// One gauge.
    pub struct StrainState {
        /// Name of its channel.
        channel: String,
        /// The clamp: `damper` or `end`.
        location: String,
        /// Dynamic strain, peak-to-peak.
        strain_pp_um_m: f64,
        /// The limit of the setup, peak-to-peak.
        limit_pp_um_m: f64,
    }
}

optional_values! {
    /// The tension.
    pub struct TensionState {
        /// As measured, mean over a second.
        tension_kn: f64,
        /// Its uncertainty.
        tension_u_kn: f64,
        /// That of the setup.
        setup_tension_kn: f64,
    }
}

optional_values! {
    /// Where the sensors belong at this frequency.
    pub struct PlaceState {
        /// The node that the setup has read, from the drive-end clamp.
        node_from_drive_end_m: f64,
        /// The antinode beside it.
        antinode_from_drive_end_m: f64,
        /// Uncertainty of both.
        from_drive_end_u_mm: f64,
        /// By what they are known: `waves`, those that the fixed sensors show, or `tension`,
        /// mass and stiffness as the setup or the bare run has them.
        by: String,
        /// Loops of the span without a damper at this frequency, by the wave number that
        /// the fixed sensors show.
        loops: f64,
        /// Its uncertainty.
        loops_u: f64,
    }
}

/// One harmonic of the plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct HarmonicMark {
    /// Its number.
    pub harmonic: u32,
    /// Where the plan has it, Hz.
    pub planned_hz: f64,
    /// Where it was found, Hz.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub found_hz: Option<f64>,
    /// `held`, `steady`, `off-peak`, `failed` or `open`.
    pub state: String,
    /// Whether that is enough by the setup's rule.
    pub done: bool,
    /// Whether the drive is at it.
    pub current: bool,
    /// Why it does not count; sentences.
    pub reasons: Vec<String>,
}

/// The next harmonic.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NextHarmonic {
    /// Its number.
    pub harmonic: u32,
    /// Where it is expected, Hz: where the plan has it, moved by as much as its nearest
    /// neighbour that was found.
    pub expected_hz: f64,
}

/// A point in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PointState {
    /// Its number.
    pub point: u64,
    /// Its verdict.
    pub verdict: Verdict,
    /// Begin of its hold by the clock of the recording.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub start_utc: Option<String>,
    /// Number of the harmonic.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub harmonic: Option<u32>,
    /// Frequency.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub frequency_hz: Option<f64>,
    /// Antinode velocity, peak.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub antinode_velocity_mm_s: Option<f64>,
    /// Efficiency; the losses of the bare span are in it.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub efficiency_pct: Option<f64>,
    /// Its uncertainty; absent where a part of it is not stated.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub efficiency_u_pct: Option<f64>,
    /// What is to be said of it; sentences.
    pub reasons: Vec<String>,
}

/// A required efficiency over frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RequiredEfficiency {
    /// The curve's file.
    pub curve: String,
    /// Corners, Hz.
    pub frequency_hz: Vec<f64>,
    /// The value at each, %.
    pub efficiency_pct: Vec<f64>,
}

/// One source.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceState {
    /// Its name.
    pub source: String,
    /// Whether samples come.
    pub sends: bool,
    /// Time since the last one, s.
    pub silent_s: f64,
    /// Sampling rate by this computer's clock, Hz.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub rate_hz: Option<f64>,
    /// How far that is from the nominal one, parts per million.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub offset_ppm: Option<f64>,
    /// Its uncertainty.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub offset_u_ppm: Option<f64>,
    /// Samples that did not arrive.
    pub lost_samples: u64,
    /// Stretches of bytes that were no frame.
    pub corrupt: u64,
    /// Restarts of the device.
    pub restarts: u64,
    /// Times the port was lost.
    pub disconnects: u64,
}

optional_values! {
    /// Recording and analysis.
    pub struct RecordingState {
        /// How far the analysis is behind the recording.
        behind_s: f64,
        /// Whether it reads from the recording to catch up.
        catches_up: bool,
        /// Free on the disk.
        disk_free_mb: u64,
        /// How long the disk lasts.
        disk_lasts_s: f64,
    }
}
