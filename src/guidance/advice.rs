//! The one thing to do now, typed; its sentence.

use std::fmt;

use serde::{Deserialize, Serialize};

/// What to do now. The order is that of urgency: of all that apply, the first is given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Advice {
    /// The capture has ended.
    Ended {
        /// How.
        how: String,
    },
    /// A source sends nothing.
    NoSamples {
        /// Its name.
        source: String,
        /// For how long, s.
        silent_s: f64,
    },
    /// A limit is passed, or cannot be watched.
    Limit {
        /// Which; a sentence.
        sentence: String,
    },
    /// What is seen is not what is: the analysis reads from the recording.
    CatchingUp {
        /// By how much it is behind, s.
        behind_s: f64,
    },
    /// No sample has been analysed yet.
    Waiting,
    /// No tone stands out, or what does is no drive.
    NoTone,
    /// The drive moves, or has only just stopped.
    LetStand,
    /// The drive stands below the peak.
    TurnUp {
        /// By how much, Hz; absent where only the side is known.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        by_hz: Option<f64>,
        /// Expanded uncertainty of that, k = 2, Hz.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        by_u_hz: Option<f64>,
    },
    /// The drive stands above the peak.
    TurnDown {
        /// By how much, Hz; absent where only the side is known.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        by_hz: Option<f64>,
        /// Expanded uncertainty of that, k = 2, Hz.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        by_u_hz: Option<f64>,
    },
    /// The span still rings up.
    RingUp {
        /// For how long, s; absent where that cannot be told yet.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        left_s: Option<f64>,
    },
    /// The level is beyond its tolerance.
    Level {
        /// How far above the target, %.
        deviation_pct: f64,
    },
    /// The node sensor stands beside the node.
    MoveNode {
        /// Where the node is, m from the drive-end clamp.
        node_from_drive_end_m: f64,
        /// Its expanded uncertainty, k = 2, mm.
        from_drive_end_u_mm: f64,
    },
    /// Something else keeps the dwell from counting.
    PutRight {
        /// What; a sentence.
        sentence: String,
    },
    /// Nothing shows whether the drive stands at the peak.
    PassOverPeak,
    /// All is met so far.
    Hold {
        /// Length of the hold, s.
        hold_s: f64,
        /// Shortest hold that counts, s.
        least_hold_s: f64,
    },
    /// The point of this dwell is excluded, and a dwell gives one.
    ComeBack,
    /// The hold is long enough, and resonance is shown.
    Done {
        /// Where the next harmonic is expected, Hz; absent where none remains.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        next_hz: Option<f64>,
    },
}

/// Decimals of a place in metres that is known so well, mm.
pub(super) fn place_decimals(u_mm: f64) -> usize {
    if u_mm < 10.0 { 3 } else { 2 }
}

impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Ended { how } => write!(f, "the capture has ended: {how}"),
            Self::NoSamples { source, silent_s } => write!(
                f,
                "no samples from \"{source}\" for {silent_s:.0} s: is the device on, and the cable in?"
            ),
            Self::CatchingUp { behind_s } => {
                write!(
                    f,
                    "wait: the analysis is {behind_s:.0} s behind the recording"
                )
            }
            Self::Waiting => f.write_str("wait for the first samples"),
            Self::NoTone => f.write_str("no tone stands out: turn the drive on, or up"),
            Self::LetStand => f.write_str("searching: the drive moves; let it stand near a peak"),
            Self::TurnUp { by_hz, .. } => turn(f, "up", *by_hz),
            Self::TurnDown { by_hz, .. } => turn(f, "down", *by_hz),
            Self::RingUp {
                left_s: Some(left_s),
            } => {
                write!(f, "wait {:.0} s for ring-up", left_s.ceil().max(1.0))
            }
            Self::RingUp { left_s: None } => f.write_str("wait for ring-up"),
            Self::Level { deviation_pct } => {
                let side = if *deviation_pct < 0.0 { "low" } else { "high" };
                write!(f, "level {:.0} % {side}", deviation_pct.abs())
            }
            Self::MoveNode {
                node_from_drive_end_m,
                from_drive_end_u_mm,
            } => write!(
                f,
                "node at {node_from_drive_end_m:.*} m from the drive-end clamp (± {from_drive_end_u_mm:.0} mm)",
                place_decimals(*from_drive_end_u_mm)
            ),
            Self::Limit { sentence } | Self::PutRight { sentence } => f.write_str(sentence),
            Self::PassOverPeak => f.write_str("pass over the peak"),
            Self::Hold {
                hold_s,
                least_hold_s,
            } => {
                write!(
                    f,
                    "holding, {:.0} of {:.0} s",
                    hold_s.floor(),
                    least_hold_s.ceil()
                )
            }
            Self::ComeBack => {
                f.write_str("excluded: leave this resonance and come back to it for another point")
            }
            Self::Done { next_hz: Some(hz) } => write!(f, "done; next about {hz:.1} Hz"),
            Self::Done { next_hz: None } => f.write_str("done; no harmonic of the plan remains"),
        }
    }
}

fn turn(f: &mut fmt::Formatter<'_>, way: &str, by_hz: Option<f64>) -> fmt::Result {
    match by_hz {
        Some(by_hz) => write!(f, "turn {way} by {} Hz", two_digits(by_hz)),
        None => write!(f, "turn {way}: the peak is farther off than can be told"),
    }
}

/// One leading digit of what is no better known than that; two where the first is 1.
fn two_digits(value: f64) -> String {
    let mut decimals = 0_usize;
    let mut scaled = value.abs();
    while scaled < 0.995 && decimals < 6 {
        scaled *= 10.0;
        decimals += 1;
    }
    if scaled < 1.95 {
        decimals += 1;
    }
    format!("{:.decimals$}", value.abs())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_distance_has_the_digits_that_are_known() {
        let texts = [0.043, 0.0123, 0.004, 0.42, 1.3, 0.0199].map(two_digits);
        assert_eq!(texts, ["0.04", "0.012", "0.004", "0.4", "1.3", "0.02"]);
    }
}
