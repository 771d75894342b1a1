//! What a checked setup holds.
//!
//! Plain data: nothing here reads or checks. The fields bear the names of the
//! keys in [`super::table`], which says what each means, may be and is where it
//! is not given. The invariants written at the fields are kept by
//! [`super::parse`], the only way to make a [`Setup`] from outside text.

use super::accept::AcceptedVerdicts;
use super::level::Amplitude;
use super::matching::Matching;
use super::placement::{Placement, RecordedFile, SensorPositions};
use super::requirements::{Criterion, Requirement};
use super::role::Role;
use super::words::{Protocol, Unit};
use crate::span::StrungConductor;
use serde::Deserialize;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A checked setup. Whoever holds one may rely on the invariants written at
/// its fields; the parser refuses everything else.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// What is being tested, for the record.
    pub test: Test,
    /// What a report states besides results.
    pub report: ReportParticulars,
    /// The instruments used; may be empty.
    pub instruments: Vec<Instrument>,
    /// The pictures that the report shows; may be empty.
    pub pictures: Vec<NamedPicture>,
    /// The conductor of the span.
    pub conductor: Conductor,
    /// The span as strung.
    pub span: Span,
    /// The frequency range of the sweep.
    pub sweep: Sweep,
    /// The level at which points are to be taken, if one was set.
    pub amplitude: Option<Amplitude>,
    /// When a resonance counts as held.
    pub hold: HoldRules,
    /// What a capture raises an alarm at.
    pub limits: AlarmLimits,
    /// The sample sources; never empty.
    pub sources: Vec<Source>,
    /// The channels; exactly one `antinode`, at most one each of `node`,
    /// `drive-force`, `drive-motion`; never empty.
    pub channels: Vec<Channel>,
    /// Where sensors that are moved stood; may be empty.
    pub placements: Vec<Placement>,
    /// What the run is held against; may be empty.
    pub criteria: Vec<Criterion>,
    /// The file of the matching of the `wave` channels, seen from the setup file: a
    /// plain relative path.
    pub matching_file: Option<String>,
    /// What that file says. `None` where none is named, and where a text was read
    /// without its folder ([`super::parse`]): see [`super::Loaded::with_matching`].
    pub matching: Option<Arc<Matching>>,
}

/// `[test]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Test {
    /// Title of the run.
    pub title: String,
    /// The damper; `None` for a bare-span run.
    pub damper: Option<String>,
    /// Who runs it.
    pub operator: Option<String>,
}

/// `[report]`: what a report states besides results; nothing is computed from
/// it.
#[derive(Debug, Clone, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReportParticulars {
    /// Who tests.
    pub laboratory: Option<String>,
    /// The laboratory's address, on one line.
    pub laboratory_address: Option<String>,
    /// For whom.
    pub client: Option<String>,
    /// The client's address, on one line.
    pub client_address: Option<String>,
    /// Identification of the report.
    pub number: Option<String>,
    /// Date of the test.
    pub date: Option<jiff::civil::Date>,
    /// Standard and clause that the test follows.
    pub standard: Option<String>,
    /// Deviations from the method.
    pub deviations: Option<String>,
    /// Serial number or mark of the sample.
    pub damper_serial: Option<String>,
    /// Torque at the bolt of the damper's clamp, N m.
    pub damper_torque_n_m: Option<f64>,
    /// Temperature beside the span, °C.
    pub temperature_c: Option<f64>,
}

/// `[[instrument]]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Instrument {
    /// What it is, with the maker's type.
    pub name: String,
    /// Serial number.
    pub serial: String,
    /// Until when its calibration holds.
    pub calibration_due: Option<jiff::civil::Date>,
}

/// `[[picture]]`
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NamedPicture {
    /// Its path, seen from the setup file.
    pub file: String,
    /// What it shows.
    pub caption: String,
}

/// `[conductor]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Conductor {
    /// Trade designation.
    pub designation: String,
    /// Outer diameter, mm, > 0.
    pub diameter_mm: f64,
    /// Mass per length, kg/m, > 0.
    pub mass_kg_per_m: f64,
    /// Expanded uncertainty (k = 2) of the mass per length, %.
    pub mass_uncertainty_pct: f64,
    /// Rated strength, kN.
    pub rated_strength_kn: Option<f64>,
    /// Bending stiffness EI, N m²; enables the stiffness correction.
    pub bending_stiffness_n_m2: Option<f64>,
    /// Expanded uncertainty (k = 2) of EI, %.
    pub bending_stiffness_uncertainty_pct: f64,
    /// Loss factor of what the tension stores, %.
    pub loss_factor_pct: f64,
    /// Loss factor of what bending stores, %.
    pub bending_loss_factor_pct: f64,
    /// Expanded uncertainty (k = 2) of both, %.
    pub loss_uncertainty_pct: f64,
    /// Diameter of an outer wire, mm, not above the conductor's: with the next
    /// one it predicts clamp strain.
    pub outer_wire_diameter_mm: Option<f64>,
    /// Bending stiffness with every wire bending by itself, N m², not above
    /// EI.
    pub least_bending_stiffness_n_m2: Option<f64>,
}

/// `[span]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Span {
    /// Free length between the clamps, m, > 0.
    pub length_m: f64,
    /// Expanded uncertainty (k = 2) of the length, mm.
    pub length_uncertainty_mm: f64,
    /// Tension, kN, > 0 and below the rated strength.
    pub tension_kn: f64,
    /// Expanded uncertainty (k = 2) of the tension, %.
    pub tension_uncertainty_pct: f64,
    /// Damper clamp from the damper-end clamp, m; `None` for a bare span.
    pub damper_position_m: Option<f64>,
    /// Drive point from the drive-end clamp, m.
    pub drive_position_m: Option<f64>,
    /// What moves with the drive besides the conductor, kg; with it goes
    /// `drive_position_m`.
    pub drive_mass_kg: Option<f64>,
    /// Expanded uncertainty (k = 2) of that mass, %.
    pub drive_mass_uncertainty_pct: f64,
    /// Which node is read, counted from the damper towards the drive: 1 is the
    /// first one clear of the damper's near field. On a bare span the first one
    /// from the damper-end clamp.
    pub node_from_damper: Option<u32>,
}

/// `[sweep]`; default 0.18/d to 1.4/d Hz with d in m (IEC 61897).
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Sweep {
    /// Lowest frequency of interest, Hz.
    pub low_hz: f64,
    /// Highest frequency of interest, Hz.
    pub high_hz: f64,
}

/// `[limits]`: a capture raises an alarm above these. They are those of the
/// test specification; no interlock rests on them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AlarmLimits {
    /// Dynamic strain at any gauge, µm/m peak-to-peak.
    pub strain_pp_um_m: Option<f64>,
    /// Antinode amplitude, mm peak-to-peak.
    pub antinode_amplitude_mm_pp: Option<f64>,
    /// Antinode velocity, mm/s peak.
    pub antinode_velocity_mm_s: Option<f64>,
}

/// `[hold]`: when a resonance counts as held. Each default is derived in the
/// guide, page "tolerances".
#[derive(Debug, Clone, Copy, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoldRules {
    /// Shortest hold, s.
    pub min_seconds: f64,
    /// Shortest hold in cycles of the drive.
    pub min_cycles: f64,
    /// A hold is closed and logged at this length, s.
    pub max_seconds: f64,
    /// Least wait since frequency or level last changed, in ring-up time
    /// constants 1/(pi df).
    pub ring_up_time_constants: f64,
    /// Largest |phase| between drive force and antinode velocity, degrees,
    /// taken modulo 180.
    pub drive_phase_deg: f64,
    /// Largest change of the detuning over the hold, in half-power
    /// bandwidths.
    pub drift_bandwidths: f64,
    /// Largest trend of the antinode amplitude over the hold, %.
    pub amplitude_drift_pct: f64,
    /// Largest deviation of the antinode amplitude from its mean, %.
    pub amplitude_variation_pct: f64,
    /// Largest trend of the node's quadrature part over the hold, %.
    pub node_drift_pct: f64,
    /// Largest departure of the node's quadrature part from its mean, %.
    pub node_variation_pct: f64,
    /// Largest line in the spectrum of the antinode envelope, % of the
    /// amplitude.
    pub beat_pct: f64,
    /// Largest distortion of the antinode signal, %.
    pub distortion_pct: f64,
    /// Least signal-to-noise ratio at the antinode, dB.
    pub min_snr_db: f64,
    /// The drive phase is no evidence where [`Setup::drive_sine`] is below this.
    pub drive_node_sine: f64,
    /// The verdicts that count for a criterion.
    pub accept: AcceptedVerdicts,
}

/// `[[source]]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Source {
    /// Unique name.
    pub name: String,
    /// Where its samples come from.
    #[serde(flatten)]
    pub kind: SourceKind,
    /// Expected sampling rate, Hz; checked against what arrives.
    pub rate_hz: Option<f64>,
    /// Expanded uncertainty (k = 2) of the sampling rate, parts per million.
    pub rate_uncertainty_ppm: f64,
    /// Whether each recording continues the one before it.
    #[serde(default)]
    pub continues: bool,
    /// By how much the clock of the recorder was ahead of UTC, `+05:30`.
    pub utc_offset: Option<String>,
}

impl Source {
    /// By how much the clock of the recorder was ahead of UTC, where it is stated.
    pub fn ahead_of_utc(&self) -> Option<jiff::tz::Offset> {
        self.utc_offset.as_deref().and_then(offset_of)
    }
}

/// `+05:30`, up to 14 hours either side.
pub(super) fn offset_of(text: &str) -> Option<jiff::tz::Offset> {
    let (sign, rest) = match text.split_at_checked(1)? {
        ("+", rest) => (1, rest),
        ("-", rest) => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = rest.split_once(':')?;
    let part = |digits: &str, most: i32| {
        let is_plain = digits.len() == 2 && digits.bytes().all(|byte| byte.is_ascii_digit());
        let number: Option<i32> = digits.parse().ok().filter(|number| *number <= most);
        number.filter(|_| is_plain)
    };
    let seconds: i32 = part(hours, 14)? * 3600 + part(minutes, 59)? * 60;
    jiff::tz::Offset::from_seconds(sign * seconds).ok()
}

/// What a source is.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum SourceKind {
    /// A serial device.
    Serial {
        /// Device path.
        port: String,
        /// Baud rate.
        baud: u32,
        /// How its samples are framed.
        protocol: Protocol,
    },
    /// WAV recordings, named on the command line.
    Wav,
}

/// `[[channel]]`
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Channel {
    /// Unique name.
    pub name: String,
    /// What it measures.
    #[serde(flatten)]
    pub role: Role,
    /// Index into [`Setup::sources`].
    pub source: usize,
    /// Column in that source, from 0.
    pub index: usize,
    /// Unit of `full_scale`.
    pub unit: Unit,
    /// Value in `unit` of digital full scale; for text lines, of the number 1.
    pub full_scale: f64,
    /// Expanded uncertainty (k = 2) of the calibration, %: the part of this
    /// channel alone. `None`: not stated, and then said so with every result.
    pub uncertainty_pct: Option<f64>,
    /// Expanded uncertainty (k = 2) of the channel's phase against the other
    /// channels of its source, degrees. `None`: not stated.
    pub phase_uncertainty_deg: Option<f64>,
    /// Serial number of the sensor.
    pub serial: Option<String>,
    /// What it was calibrated against, if stated.
    #[serde(flatten)]
    pub reference: Option<Reference>,
    /// Place of the sensor from the drive-end clamp, m. Every `wave` channel
    /// has one.
    pub position_m: Option<f64>,
    /// Expanded uncertainty (k = 2) of that place, mm; for a sensor that is
    /// moved, of its place from the antinode or node it is put on.
    pub position_uncertainty_mm: f64,
    /// Of a drive-force channel: what the cell carries besides the conductor,
    /// kg. Its inertia is taken off with the drive motion.
    pub moving_mass_kg: Option<f64>,
    /// Expanded uncertainty (k = 2) of that mass, %.
    pub moving_mass_uncertainty_pct: Option<f64>,
}

/// Uncertainty of a moving mass that is not stated, %: scales weigh better,
/// but how much of the cell itself moves is not on its data sheet (common
/// practice, no source).
const MOVING_MASS_UNCERTAINTY_PCT: f64 = 5.0;

impl Channel {
    /// The [`Channel::index`] of a channel that is worked out from others: no column of
    /// the source is its own.
    pub const WORKED_OUT: usize = usize::MAX;

    /// Whether it is worked out from other channels.
    pub fn is_worked_out(&self) -> bool {
        self.index == Self::WORKED_OUT
    }

    /// Expanded uncertainty (k = 2) of the moving mass, %.
    pub fn moving_mass_uncertainty_pct(&self) -> f64 {
        self.moving_mass_uncertainty_pct
            .unwrap_or(MOVING_MASS_UNCERTAINTY_PCT)
    }
}

/// What a channel was calibrated against. Channels with the same reference err
/// together.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Reference {
    /// Its name.
    #[serde(rename = "reference")]
    pub name: String,
    /// Expanded uncertainty (k = 2) of the reference, %; the same wherever it
    /// is named.
    #[serde(rename = "reference_uncertainty_pct")]
    pub uncertainty_pct: f64,
}

impl Sweep {
    /// Reduced frequencies f d of the aeolian range, m/s (IEC 61897).
    pub const AEOLIAN_RANGE_M_S: (f64, f64) = (0.18, 1.4);

    /// The aeolian range of a conductor: 0.18/d to 1.4/d (IEC 61897).
    pub fn aeolian(diameter_mm: f64) -> Self {
        let (low, high) = Self::AEOLIAN_RANGE_M_S;
        Self {
            low_hz: low * 1e3 / diameter_mm,
            high_hz: high * 1e3 / diameter_mm,
        }
    }

    /// Least sampling rate, Hz, at which the sweep can be measured: four times
    /// its upper end, so that the sine stays clear of the anti-alias filter of
    /// the converter and its second harmonic is told apart from it.
    pub fn least_rate_hz(&self) -> f64 {
        4.0 * self.high_hz
    }

    /// Sampling rate, Hz, from which on the third harmonic is seen over the
    /// whole sweep, so that distortion means what it says.
    pub fn harmonics_rate_hz(&self) -> f64 {
        8.0 * self.high_hz
    }
}

impl Setup {
    /// The curves that criteria name: number of the criterion, from 1, the curve as it is
    /// named, and where it lies, the name being seen from the setup file.
    pub fn curve_files<'a>(
        &'a self,
        setup_file: &'a Path,
    ) -> impl Iterator<Item = (usize, &'a str, PathBuf)> {
        let folder = setup_file.parent().unwrap_or_else(|| Path::new(""));
        (1..)
            .zip(&self.criteria)
            .filter_map(move |(number, criterion)| match &criterion.requirement {
                Requirement::EfficiencyCurve { curve } => {
                    Some((number, curve.as_str(), folder.join(curve)))
                }
                _ => None,
            })
    }

    /// The pictures for the report, each with where it lies, its name being seen from the
    /// setup file.
    pub fn picture_files<'a>(
        &'a self,
        setup_file: &'a Path,
    ) -> impl Iterator<Item = (&'a NamedPicture, PathBuf)> {
        let folder = setup_file.parent().unwrap_or_else(|| Path::new(""));
        let pictures = self.pictures.iter();
        pictures.map(move |picture| (picture, folder.join(&picture.file)))
    }

    /// Wave impedance sqrt(T m), N s/m (IEEE 664).
    pub fn wave_impedance_n_s_per_m(&self) -> f64 {
        (self.span.tension_kn * 1e3 * self.conductor.mass_kg_per_m).sqrt()
    }

    /// Wave speed sqrt(T/m), m/s.
    pub fn wave_speed_m_s(&self) -> f64 {
        (self.span.tension_kn * 1e3 / self.conductor.mass_kg_per_m).sqrt()
    }

    /// First resonance of the span as a plain string, c/(2 L), Hz.
    pub fn string_fundamental_hz(&self) -> f64 {
        self.wave_speed_m_s() / (2.0 * self.span.length_m)
    }

    /// The same under a measured tension, kN, with its expanded uncertainty, k = 2, %; the
    /// stated one stands where that is not known.
    #[must_use]
    pub fn under_tension(&self, tension_kn: f64, uncertainty_pct: Option<f64>) -> Self {
        let mut setup = self.clone();
        setup.span.tension_kn = tension_kn;
        if let Some(pct) = uncertainty_pct {
            setup.span.tension_uncertainty_pct = pct;
        }
        setup
    }

    /// The conductor as strung; without EI a string.
    pub fn strung_conductor(&self) -> StrungConductor {
        StrungConductor {
            tension_n: self.span.tension_kn * 1e3,
            mass_kg_per_m: self.conductor.mass_kg_per_m,
            bending_stiffness_n_m2: self.conductor.bending_stiffness_n_m2.unwrap_or(0.0),
            length_m: self.span.length_m,
        }
    }

    /// Motion of the drive point as a part of the antinode's, 0..1: |sin(k x)|,
    /// x from the clamp less its end correction
    /// ([`StrungConductor::motion_near_clamp`]). 0 where the drive sits on a node
    /// of its own; `None` when the setup does not say where the drive is.
    pub fn drive_sine(&self, frequency_hz: f64) -> Option<f64> {
        let conductor = self.strung_conductor();
        let drive_m = self.span.drive_position_m?;
        Some(conductor.motion_near_clamp(frequency_hz, drive_m).abs())
    }

    /// The number of the harmonic that a measured frequency belongs to: the bare
    /// span's nearest. A damper shifts its span's resonances by up to half a
    /// spacing, so there every frequency has a number, which half way between two
    /// may be one off; on a bare span such a frequency has none
    /// ([`StrungConductor::harmonic_of`]). `None` also when the frequency is no
    /// positive number.
    pub fn harmonic_of(&self, frequency_hz: f64) -> Option<u32> {
        self.harmonic_by(&self.strung_conductor(), frequency_hz)
    }

    /// The same by a conductor whose wave speed is known better than tension and mass
    /// state it.
    pub fn harmonic_by(&self, conductor: &StrungConductor, frequency_hz: f64) -> Option<u32> {
        match self.span.damper_position_m {
            Some(_) => conductor.nearest_harmonic(frequency_hz, 0.5),
            None => conductor.harmonic_of(frequency_hz),
        }
    }

    /// The same setup with what is known of the recordings of its main source.
    #[must_use]
    pub fn with_recordings(&self, files: &[RecordedFile]) -> Self {
        let mut setup = self.clone();
        for placement in &mut setup.placements {
            placement.find_recording(files);
        }
        setup
    }

    /// Where the sensors stood at a hold: by `[[place]]`, else by the channels.
    /// `hold_s`: begin and end, s from sample 0 of the main source.
    pub fn sensor_positions(&self, frequency_hz: f64, hold_s: (f64, f64)) -> SensorPositions {
        let mut placed = self.placements.iter();
        let placed = placed.find(|placement| placement.holds(frequency_hz, hold_s));
        let fixed = |role| {
            self.channel(role)
                .and_then(|(_, channel)| channel.position_m)
        };
        SensorPositions {
            node_m: placed
                .and_then(|placed| placed.node_position_m)
                .or_else(|| fixed(Role::Node)),
            antinode_m: placed
                .and_then(|placed| placed.antinode_position_m)
                .or_else(|| fixed(Role::Antinode)),
        }
    }

    /// The source that carries the antinode, or the fixed sensors that stand for it, and
    /// with it every channel whose phase counts.
    pub fn main_source(&self) -> Option<(usize, &Source)> {
        let (_, channel) = self
            .channel(Role::Antinode)
            .or_else(|| self.channel(Role::Wave))?;
        Some((channel.source, self.sources.get(channel.source)?))
    }

    /// The fixed sensors, each with its place from the drive-end clamp, m.
    pub fn fixed_sensors(&self) -> impl Iterator<Item = (&Channel, f64)> {
        let fixed = |channel: &&Channel| channel.role == Role::Wave;
        let channels = self.channels.iter().filter(fixed);
        channels.filter_map(|channel| Some((channel, channel.position_m?)))
    }

    /// The channel whose calibration the antinode's motion rests on: its own, or that of the
    /// first of the fixed sensors that it is read by.
    pub fn antinode_or_fixed(&self) -> Option<&Channel> {
        let antinode = self.channel(Role::Antinode).map(|(_, channel)| channel);
        antinode.or_else(|| self.channel(Role::Wave).map(|(_, channel)| channel))
    }

    /// Whether antinode and node are read by fixed sensors alone.
    pub fn reads_by_fixed_sensors(&self) -> bool {
        self.channel(Role::Antinode).is_none() && self.fixed_sensors().count() >= 2
    }

    /// The channel of a role that occurs at most once.
    pub fn channel(&self, role: Role) -> Option<(usize, &Channel)> {
        self.channels
            .iter()
            .enumerate()
            .find(|(_, c)| c.role == role)
    }
}
