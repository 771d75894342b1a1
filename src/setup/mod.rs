//! The setup file: span, conductor, channels, hold rules, criteria.
//!
//! In: the text of a TOML file. Out: a checked [`Setup`] whose every number is
//! physically possible, or the list of all faults. Touches nothing but the
//! file it is given.

use serde::{Deserialize, Serialize};

/// A checked setup. Whoever holds one may rely on the invariants written at
/// its fields; the parser refuses everything else.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Setup {
    /// What is being tested, for the record.
    pub test: Test,
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
    /// The sample sources; never empty.
    pub sources: Vec<Source>,
    /// The channels; exactly one `antinode`, at most one each of `node`,
    /// `drive-force`, `drive-motion`; never empty.
    pub channels: Vec<Channel>,
}

/// `[test]`
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Test {
    /// Title of the run.
    pub title: String,
    /// The damper; `None` for a bare-span run.
    pub damper: Option<String>,
    /// Who runs it.
    pub operator: Option<String>,
}

/// `[conductor]`
#[derive(Debug, Clone, PartialEq, Serialize)]
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
}

/// `[span]`
#[derive(Debug, Clone, PartialEq, Serialize)]
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
}

/// `[sweep]`; default 0.18/d to 1.4/d Hz with d in m (IEC 61897).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sweep {
    /// Lowest frequency of interest, Hz.
    pub low_hz: f64,
    /// Highest frequency of interest, Hz.
    pub high_hz: f64,
}

/// `[amplitude]`
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Amplitude {
    /// Which quantity is kept.
    pub rule: LevelRule,
    /// Its value, in the unit the rule names.
    pub value: f64,
    /// How far a point may be off, %.
    pub tolerance_pct: f64,
}

/// The three level rules.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LevelRule {
    /// Value: antinode velocity, mm/s peak.
    ConstantVelocity,
    /// Value: k in mm Hz; antinode amplitude peak-to-peak = k/f.
    InverseFrequency,
    /// Value: clamp strain, µm/m peak-to-peak, at the largest gauge.
    ClampStrain,
}

/// `[hold]`: when a resonance counts as held. Each default is derived in the
/// guide, page "tolerances".
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoldRules {
    /// Shortest hold, s. Default 8.
    pub min_seconds: f64,
    /// Shortest hold in cycles of the drive. Default 100.
    pub min_cycles: f64,
    /// A hold is closed and logged at this length, s. Default 60.
    pub max_seconds: f64,
    /// Least wait since frequency or level last changed, in ring-up time
    /// constants 1/(pi df). Default 4.
    pub ring_up_time_constants: f64,
    /// Largest |phase| between drive force and antinode velocity, degrees,
    /// taken modulo 180. Default 20.
    pub drive_phase_deg: f64,
    /// Largest change of the detuning over the hold, in half-power
    /// bandwidths. Default 0.1.
    pub drift_bandwidths: f64,
    /// Largest trend of the antinode amplitude over the hold, %. Default 1.
    pub amplitude_drift_pct: f64,
    /// Largest deviation of the antinode amplitude from its mean, %. Default 1.5.
    pub amplitude_variation_pct: f64,
    /// Largest line in the spectrum of the antinode envelope, % of the
    /// amplitude. Default 0.7.
    pub beat_pct: f64,
    /// Largest distortion of the antinode signal, %. Default 10.
    pub distortion_pct: f64,
    /// Least signal-to-noise ratio at the antinode, dB. Default 20.
    pub min_snr_db: f64,
    /// The drive phase is no evidence where |sin(k x_drive)| is below this.
    /// Default 0.15.
    pub drive_node_sine: f64,
}

/// `[[source]]`
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Source {
    /// Unique name.
    pub name: String,
    /// Where its samples come from.
    pub kind: SourceKind,
    /// Expected sampling rate, Hz; checked against what arrives.
    pub rate_hz: Option<f64>,
    /// Expanded uncertainty (k = 2) of the sampling rate, parts per million.
    pub rate_uncertainty_ppm: f64,
}

/// What a source is.
#[derive(Debug, Clone, PartialEq, Serialize)]
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

/// How a serial device frames its samples (guide, page "device protocol").
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Protocol {
    /// Binary frames with COBS, CRC and sequence numbers.
    #[default]
    Frames,
    /// Lines of comma-separated numbers; needs `rate_hz`.
    Lines,
}

/// `[[channel]]`
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Channel {
    /// Unique name.
    pub name: String,
    /// What it measures.
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
    /// Expanded uncertainty (k = 2), %, of the reference that all channels
    /// with the same `reference` were calibrated against.
    pub reference_uncertainty_pct: f64,
    /// Name of that reference. Channels that share it err together.
    pub reference: Option<String>,
    /// Place of the sensor from the drive-end clamp, m.
    pub position_m: Option<f64>,
    /// For clamp-strain: which clamp.
    pub location: Option<StrainLocation>,
}

/// What a channel measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Motion at an antinode.
    Antinode,
    /// Motion at the node next to it.
    Node,
    /// Force at the drive point.
    DriveForce,
    /// Motion at the drive point.
    DriveMotion,
    /// Dynamic bending strain at a clamp.
    ClampStrain,
    /// Motion at a fixed, known place.
    Wave,
    /// Recorded and watched, not used.
    Monitor,
}

/// Units a channel may be scaled in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[allow(missing_docs, reason = "each variant is its unit")]
pub enum Unit {
    #[serde(rename = "m/s2")]
    MetrePerSecondSquared,
    #[serde(rename = "g")]
    StandardGravity,
    #[serde(rename = "mm/s")]
    MillimetrePerSecond,
    #[serde(rename = "m/s")]
    MetrePerSecond,
    #[serde(rename = "mm")]
    Millimetre,
    #[serde(rename = "um")]
    Micrometre,
    #[serde(rename = "um/m")]
    MicrometrePerMetre,
    #[serde(rename = "N")]
    Newton,
    #[serde(rename = "kN")]
    Kilonewton,
}

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs, reason = "each variant is its quantity")]
pub enum Quantity {
    Acceleration,
    Velocity,
    Displacement,
    Strain,
    Force,
}

impl Unit {
    /// The quantity this unit measures.
    pub fn quantity(self) -> Quantity {
        match self {
            Self::MetrePerSecondSquared | Self::StandardGravity => Quantity::Acceleration,
            Self::MillimetrePerSecond | Self::MetrePerSecond => Quantity::Velocity,
            Self::Millimetre | Self::Micrometre => Quantity::Displacement,
            Self::MicrometrePerMetre => Quantity::Strain,
            Self::Newton | Self::Kilonewton => Quantity::Force,
        }
    }

    /// Factor to the SI unit of the quantity: m/s², m/s, m, 1, N.
    pub fn to_si(self) -> f64 {
        match self {
            // Standard acceleration of gravity, exact (CGPM 1901; ISO 80000-3).
            Self::StandardGravity => 9.806_65,
            Self::MetrePerSecondSquared | Self::MetrePerSecond | Self::Newton => 1.0,
            Self::MillimetrePerSecond | Self::Millimetre => 1e-3,
            Self::Micrometre | Self::MicrometrePerMetre => 1e-6,
            Self::Kilonewton => 1e3,
        }
    }
}

/// Which clamp a strain gauge sits at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum StrainLocation {
    /// The damper clamp.
    Damper,
    /// The span-end clamp.
    End,
}

impl Setup {
    /// Wave impedance sqrt(T m), N s/m (IEEE 664).
    pub fn wave_impedance_n_s_per_m(&self) -> f64 {
        (self.span.tension_kn * 1e3 * self.conductor.mass_kg_per_m).sqrt()
    }

    /// Wave speed sqrt(T/m), m/s.
    pub fn wave_speed_m_s(&self) -> f64 {
        (self.span.tension_kn * 1e3 / self.conductor.mass_kg_per_m).sqrt()
    }

    /// The channel of a role that occurs at most once.
    pub fn channel(&self, role: Role) -> Option<(usize, &Channel)> {
        self.channels
            .iter()
            .enumerate()
            .find(|(_, c)| c.role == role)
    }
}
