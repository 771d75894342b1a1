//! The one table of channel roles: word, quantities, how many there may be,
//! what a role needs, and what is missing without it.
//!
//! In: nothing. Out: [`RoleKind::row`], which the reader, the checks, the
//! guide and the account of a setup use; and [`Role`], a role with what
//! belongs to it. A new role is entered in the three lists of this file.

use super::words::{Quantity, Unit};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a channel measures, with what belongs to that role alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(tag = "role", rename_all = "kebab-case")]
pub enum Role {
    /// Motion at an antinode.
    Antinode,
    /// Motion at the node next to it.
    Node,
    /// Force at the drive point.
    DriveForce,
    /// Motion at the drive point.
    DriveMotion,
    /// What the generator puts out: a reference of phase.
    DriveSignal,
    /// Dynamic bending strain at a clamp.
    ClampStrain {
        /// Which clamp.
        location: StrainLocation,
    },
    /// Motion at a fixed, known place: the channel has a `position_m`.
    Wave,
    /// Tension of the conductor.
    Tension,
    /// Recorded and looked at by `check`; in no result.
    Monitor,
}

/// A role without what belongs to it: the word at the key `role`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
#[allow(missing_docs, reason = "as the variants of `Role`")]
pub enum RoleKind {
    Antinode,
    Node,
    DriveForce,
    DriveMotion,
    DriveSignal,
    ClampStrain,
    Wave,
    Tension,
    Monitor,
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

impl StrainLocation {
    /// The word of the setup file and of the results.
    pub fn name(self) -> &'static str {
        match self {
            Self::Damper => "damper",
            Self::End => "end",
        }
    }

    /// The clamp in words: "damper clamp".
    pub fn clamp(self) -> &'static str {
        match self {
            Self::Damper => "damper clamp",
            Self::End => "span-end clamp",
        }
    }
}

/// How many channels of a role a setup may have.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Count {
    /// One or none.
    AtMostOne,
    /// Any number.
    Any,
}

/// Where the sensor of a role sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SensorPlace {
    /// At an antinode, moved from harmonic to harmonic.
    Antinode,
    /// At the node next to it, moved likewise.
    Node,
    /// At the drive point, which has one place.
    DrivePoint,
    /// At the clamp that the channel names.
    Clamp,
    /// At the `position_m` of the channel.
    Fixed,
    /// It does not matter where.
    Anywhere,
}

/// What is known of a role.
#[derive(Debug, Clone, Copy)]
pub struct RoleRow {
    /// The word of the setup file.
    pub word: &'static str,
    /// What it measures, in words.
    pub measures: &'static str,
    /// The quantities its unit may have.
    pub quantities: &'static [Quantity],
    /// How many channels of it there may be.
    pub count: Count,
    /// The key of `[[channel]]` that this role requires.
    pub needs: Option<&'static str>,
    /// Where its sensor sits.
    pub place: SensorPlace,
    /// Whether the phase of this channel against another one enters a result.
    /// Such channels must share one source: two devices are two clocks.
    pub bears_phase: bool,
    /// What the results lack without it.
    pub without: &'static str,
}

const MOTION: &[Quantity] = &[
    Quantity::Acceleration,
    Quantity::Velocity,
    Quantity::Displacement,
];

impl RoleKind {
    /// Every role, in the order they are listed to the user.
    pub const ALL: [Self; 9] = [
        Self::Antinode,
        Self::Node,
        Self::DriveForce,
        Self::DriveMotion,
        Self::DriveSignal,
        Self::ClampStrain,
        Self::Wave,
        Self::Tension,
        Self::Monitor,
    ];

    /// The row of the role in the table.
    pub const fn row(self) -> RoleRow {
        // What most roles have in common: motion somewhere, at most one.
        let motion = RoleRow {
            word: "",
            measures: "",
            quantities: MOTION,
            count: Count::AtMostOne,
            needs: None,
            place: SensorPlace::Anywhere,
            bears_phase: true,
            without: "–",
        };
        match self {
            Self::Antinode => RoleRow {
                word: "antinode",
                measures: "motion at an antinode",
                place: SensorPlace::Antinode,
                without: "two or more `wave` channels read antinode and node; without them nothing can be \
                          measured: a fault",
                ..motion
            },
            Self::Node => RoleRow {
                word: "node",
                measures: "motion at the node next to it",
                place: SensorPlace::Node,
                without: "no ratio, efficiency or power",
                ..motion
            },
            Self::DriveForce => RoleRow {
                word: "drive-force",
                measures: "force at the drive point",
                quantities: &[Quantity::Force],
                place: SensorPlace::DrivePoint,
                without: "resonance can be shown by a passage over the peak or by the span's free \
                          motion at a change only; other holds are `steady` at best",
                ..motion
            },
            Self::DriveMotion => RoleRow {
                word: "drive-motion",
                measures: "motion at the drive point",
                place: SensorPlace::DrivePoint,
                without: "no power at the drive as a cross-check",
                ..motion
            },
            Self::DriveSignal => RoleRow {
                word: "drive-signal",
                measures: "the generator's signal, as a reference of phase: neither unit nor calibration is needed",
                quantities: &[Quantity::Voltage],
                without: "without a force cell nothing says within a dwell how far the peak is",
                ..motion
            },
            Self::ClampStrain => RoleRow {
                word: "clamp-strain",
                measures: "dynamic bending strain at a clamp",
                place: SensorPlace::Clamp,
                quantities: &[Quantity::Strain],
                count: Count::Any,
                needs: Some("location"),
                bears_phase: false,
                without: "no strain, no `clamp-strain` level",
            },
            Self::Wave => RoleRow {
                word: "wave",
                measures: "motion at a fixed, known place between drive and damper. Two or more of them, without an \
                           antinode channel, read antinode and node by the two waves that they show; \
                           beside an antinode and a node channel they give `wave_iswr`",
                place: SensorPlace::Fixed,
                count: Count::Any,
                needs: Some("position_m"),
                ..motion
            },
            Self::Tension => RoleRow {
                word: "tension",
                measures: "tension of the conductor; its mean over each hold is the point's tension. It \
                           may hang on a slow source of its own",
                quantities: &[Quantity::Force],
                bears_phase: false,
                without: "`span.tension_kn` and its uncertainty stand for every point",
                ..motion
            },
            Self::Monitor => RoleRow {
                word: "monitor",
                measures: "recorded and looked at by `check`; in no result",
                quantities: &Quantity::ALL,
                count: Count::Any,
                bears_phase: false,
                ..motion
            },
        }
    }

    /// The units that a channel of this role may be scaled in.
    pub fn units(self) -> Vec<&'static str> {
        Unit::ALL
            .into_iter()
            .filter(|unit| self.accepts(unit.quantity()))
            .map(Unit::symbol)
            .collect()
    }

    /// Whether a channel of this role may be scaled in a unit of `quantity`.
    pub fn accepts(self, quantity: Quantity) -> bool {
        self.row().quantities.contains(&quantity)
    }
}

impl Role {
    /// The role without what belongs to it.
    pub const fn kind(self) -> RoleKind {
        match self {
            Self::Antinode => RoleKind::Antinode,
            Self::Node => RoleKind::Node,
            Self::DriveForce => RoleKind::DriveForce,
            Self::DriveMotion => RoleKind::DriveMotion,
            Self::DriveSignal => RoleKind::DriveSignal,
            Self::ClampStrain { .. } => RoleKind::ClampStrain,
            Self::Wave => RoleKind::Wave,
            Self::Tension => RoleKind::Tension,
            Self::Monitor => RoleKind::Monitor,
        }
    }

    /// The word of the setup file.
    pub fn name(self) -> &'static str {
        self.kind().row().word
    }

    /// Whether the phase of this channel against another one enters a result.
    pub fn bears_phase(self) -> bool {
        self.kind().row().bears_phase
    }

    /// Whether the span's tone is looked for by it, and a window without a value of
    /// it tells nothing: its phase enters a result, and it shows the span and not what the
    /// generator does.
    pub fn finds_tone(self) -> bool {
        self.bears_phase() && self != Self::DriveSignal
    }

    /// Whether it shows how the span moves.
    pub fn shows_motion(self) -> bool {
        matches!(
            self,
            Self::Antinode | Self::Node | Self::DriveMotion | Self::Wave | Self::ClampStrain { .. }
        )
    }

    /// Whether tones are measured on the channel.
    pub fn has_tone(self) -> bool {
        !matches!(self, Self::Tension | Self::Monitor)
    }

    /// Whether the channel is a strain gauge at a clamp, whichever.
    pub fn is_clamp_strain(self) -> bool {
        matches!(self, Self::ClampStrain { .. })
    }

    /// For a strain gauge: which clamp.
    pub fn location(self) -> Option<StrainLocation> {
        if let Self::ClampStrain { location } = self {
            Some(location)
        } else {
            None
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

impl fmt::Display for RoleKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.row().word)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The word of the table is the word that serde reads and writes.
    #[test]
    fn every_role_has_its_own_word() {
        for kind in RoleKind::ALL {
            let word = serde_json::to_value(kind).unwrap();
            assert_eq!(word, kind.row().word);
            assert_eq!(serde_json::from_value::<RoleKind>(word).unwrap(), kind);
        }
    }
}
