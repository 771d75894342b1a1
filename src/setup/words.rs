//! The closed lists of words a setup may use: units, level rules, protocols.
//! The roles of channels are in [`super::role`].
//!
//! In: nothing. Out: the words, their meaning and their conversion to SI.

use super::choice::choose;
use serde::{Deserialize, Serialize};
use std::fmt;

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

impl LevelRule {
    /// The unit by the word of the setup file.
    pub(super) fn unit_of(word: &str) -> &'static str {
        choose(word).map_or("–", Self::unit)
    }

    /// The word of the setup file.
    pub fn name(self) -> &'static str {
        match self {
            Self::ConstantVelocity => "constant-velocity",
            Self::InverseFrequency => "inverse-frequency",
            Self::ClampStrain => "clamp-strain",
        }
    }

    /// The unit of the rule's value.
    pub fn unit(self) -> &'static str {
        match self {
            Self::ConstantVelocity => "mm/s peak",
            Self::InverseFrequency => "mm Hz peak-to-peak",
            Self::ClampStrain => "um/m peak-to-peak",
        }
    }
}

/// Whether a dwell counts.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Steady and shown to be at resonance.
    Held,
    /// Steady; resonance neither shown nor excluded.
    Steady,
    /// Steady, and shown to be off the peak of the resonance: the ratio is good, the
    /// drive does not stand where it gives the most.
    OffPeak,
    /// Looked like a dwell; the reasons say why it does not count.
    #[default]
    Rejected,
}

impl Verdict {
    /// Its word in files.
    pub fn word(self) -> &'static str {
        match self {
            Self::Held => "held",
            Self::Steady => "steady",
            Self::OffPeak => "off-peak",
            Self::Rejected => "rejected",
        }
    }

    /// How many of each, in words: `31 held, 2 steady, 4 rejected`; those off the
    /// peak where there are any.
    pub fn counts(verdicts: impl Iterator<Item = Self>) -> String {
        let [mut held, mut steady, mut off_peak, mut rejected] = [0_usize; 4];
        for verdict in verdicts {
            *match verdict {
                Self::Held => &mut held,
                Self::Steady => &mut steady,
                Self::OffPeak => &mut off_peak,
                Self::Rejected => &mut rejected,
            } += 1;
        }
        let off_peak = if off_peak > 0 {
            format!(", {off_peak} off the peak")
        } else {
            String::new()
        };
        format!("{held} held, {steady} steady{off_peak}, {rejected} rejected")
    }
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
    #[serde(rename = "V")]
    Volt,
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
    Voltage,
}

impl Quantity {
    /// Every quantity.
    pub const ALL: [Self; 6] = [
        Self::Acceleration,
        Self::Velocity,
        Self::Displacement,
        Self::Strain,
        Self::Force,
        Self::Voltage,
    ];
}

impl Unit {
    /// The symbol as it stands in the list of units.
    pub(super) fn listed(word: &str) -> &'static str {
        Self::ALL
            .into_iter()
            .map(Self::symbol)
            .find(|symbol| *symbol == word)
            .unwrap_or("–")
    }

    /// Every unit, in the order they are listed to the user.
    pub const ALL: [Self; 10] = [
        Self::MetrePerSecondSquared,
        Self::StandardGravity,
        Self::MillimetrePerSecond,
        Self::MetrePerSecond,
        Self::Millimetre,
        Self::Micrometre,
        Self::MicrometrePerMetre,
        Self::Newton,
        Self::Kilonewton,
        Self::Volt,
    ];

    /// The word of the setup file.
    pub fn symbol(self) -> &'static str {
        match self {
            Self::MetrePerSecondSquared => "m/s2",
            Self::StandardGravity => "g",
            Self::MillimetrePerSecond => "mm/s",
            Self::MetrePerSecond => "m/s",
            Self::Millimetre => "mm",
            Self::Micrometre => "um",
            Self::MicrometrePerMetre => "um/m",
            Self::Newton => "N",
            Self::Kilonewton => "kN",
            Self::Volt => "V",
        }
    }

    /// The quantity this unit measures.
    pub fn quantity(self) -> Quantity {
        match self {
            Self::MetrePerSecondSquared | Self::StandardGravity => Quantity::Acceleration,
            Self::MillimetrePerSecond | Self::MetrePerSecond => Quantity::Velocity,
            Self::Millimetre | Self::Micrometre => Quantity::Displacement,
            Self::MicrometrePerMetre => Quantity::Strain,
            Self::Newton | Self::Kilonewton => Quantity::Force,
            Self::Volt => Quantity::Voltage,
        }
    }

    /// Factor to the SI unit of the quantity: m/s², m/s, m, 1, N, V.
    pub fn to_si(self) -> f64 {
        match self {
            // Standard acceleration of gravity, exact (CGPM 1901; ISO 80000-3).
            Self::StandardGravity => 9.806_65,
            Self::MetrePerSecondSquared | Self::MetrePerSecond | Self::Newton | Self::Volt => 1.0,
            Self::MillimetrePerSecond | Self::Millimetre => 1e-3,
            Self::Micrometre | Self::MicrometrePerMetre => 1e-6,
            Self::Kilonewton => 1e3,
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol())
    }
}
