//! Which harmonics of the plan are done, which remain, which failed and why.
//! Pure.

use std::fmt::Write as _;

use crate::analysis::Exclusion;
use crate::reduction::SettledPoint;
use crate::setup::Verdict;

/// How a harmonic stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum HarmonicState {
    /// Held at least once.
    Held,
    /// Steady at least once, never held.
    Steady,
    /// Steady at least once, and then shown to be off the peak.
    OffPeak,
    /// Tried, and nothing but rejected; the reasons of the last try.
    Failed(Vec<String>),
    /// Not tried.
    Open,
}

/// The plan against the points so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// Number, planned frequency (Hz) and state of each harmonic.
    pub harmonics: Vec<(u32, f64, HarmonicState)>,
}

impl Coverage {
    /// Nothing tried yet of these harmonics, each with its planned frequency,
    /// Hz.
    pub fn new(planned: &[(u32, f64)]) -> Self {
        Self {
            harmonics: planned
                .iter()
                .map(|(number, frequency_hz)| (*number, *frequency_hz, HarmonicState::Open))
                .collect(),
        }
    }

    /// Takes a point into account. A harmonic never stands worse than before.
    pub fn add(&mut self, point: &SettledPoint) {
        let found = self
            .harmonics
            .iter_mut()
            .find(|(number, ..)| Some(*number) == point.harmonic);
        let Some((_, _, state)) = found else {
            return;
        };
        match (point.verdict, &state) {
            (Verdict::Held, _) => *state = HarmonicState::Held,
            (
                Verdict::Steady,
                HarmonicState::Open | HarmonicState::Failed(_) | HarmonicState::OffPeak,
            ) => {
                *state = HarmonicState::Steady;
            }
            (Verdict::OffPeak, HarmonicState::Open | HarmonicState::Failed(_)) => {
                *state = HarmonicState::OffPeak;
            }
            (Verdict::Rejected, HarmonicState::Open | HarmonicState::Failed(_)) => {
                *state = HarmonicState::Failed(point.reasons.clone());
            }
            _ => {}
        }
    }

    /// How the plan stands without the points that are excluded: a harmonic that no other
    /// point was read at is open again.
    #[must_use]
    pub fn without(&self, exclusions: &[Exclusion], points: &[SettledPoint]) -> Self {
        let planned = self.harmonics.iter().map(|(number, hz, _)| (*number, *hz));
        let mut counted = Self::new(&planned.collect::<Vec<_>>());
        let is_excluded = |point: &&SettledPoint| exclusions.iter().any(|e| e.point == point.point);
        let counts = points.iter().filter(|point| !is_excluded(point));
        counts.for_each(|point| counted.add(point));
        counted
    }

    fn numbers(&self, is: impl Fn(&HarmonicState) -> bool) -> Vec<(u32, f64)> {
        self.harmonics
            .iter()
            .filter(|(.., state)| is(state))
            .map(|(number, frequency_hz, _)| (*number, *frequency_hz))
            .collect()
    }

    /// In one line.
    pub fn summary(&self) -> String {
        let count = |is: fn(&HarmonicState) -> bool| self.numbers(is).len();
        let off_peak = match count(|state| *state == HarmonicState::OffPeak) {
            0 => String::new(),
            some => format!(", {some} off the peak"),
        };
        format!(
            "{} of {} harmonics held, {} steady{off_peak}, {} failed, {} remain",
            count(|state| *state == HarmonicState::Held),
            self.harmonics.len(),
            count(|state| *state == HarmonicState::Steady),
            count(|state| matches!(state, HarmonicState::Failed(_))),
            count(|state| *state == HarmonicState::Open),
        )
    }

    /// In full: the summary, then a line a state, and a line a harmonic that
    /// failed. What belongs on one line is joined by spaces that do not break
    /// (U+00A0).
    pub fn lines(&self) -> Vec<String> {
        let mut lines = vec![format!("Against the plan: {}.", self.summary())];
        for (title, state) in [
            ("held", HarmonicState::Held),
            ("steady", HarmonicState::Steady),
            ("off the peak", HarmonicState::OffPeak),
            ("remain", HarmonicState::Open),
        ] {
            let numbers = self.numbers(|other| *other == state);
            if numbers.is_empty() {
                continue;
            }
            let mut line = format!("{title}:");
            for (number, frequency_hz) in numbers {
                let _ = write!(line, " {number}\u{a0}({frequency_hz:.1}\u{a0}Hz)");
            }
            lines.push(line);
        }
        for (number, frequency_hz, state) in &self.harmonics {
            if let HarmonicState::Failed(reasons) = state {
                lines.push(format!(
                    "failed: {number} ({frequency_hz:.1} Hz): {}",
                    reasons.join("; ")
                ));
            }
        }
        lines
    }

    /// The same as one text, a line under the other.
    pub fn text(&self) -> String {
        self.lines().join("\n  ").replace('\u{a0}', " ")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(harmonic: Option<u32>, verdict: Verdict) -> SettledPoint {
        let fields = serde_json::json!({
            "point": 1, "verdict": verdict, "reasons": ["a beat"], "harmonic": harmonic,
            "start_s": 0.0, "end_s": 1.0, "strain_pp_um_m": {}, "strain_pp_u_um_m": {},
            "clipped_samples": 0, "missing_samples": 0
        });
        serde_json::from_value(fields).unwrap()
    }

    #[test]
    fn a_harmonic_never_stands_worse_than_before() {
        let mut coverage = Coverage {
            harmonics: (7..11)
                .map(|n| (n, f64::from(n) * 1.9, HarmonicState::Open))
                .collect(),
        };
        for (harmonic, verdict) in [
            (Some(7), Verdict::Rejected),
            (Some(7), Verdict::Held),
            (Some(7), Verdict::Rejected),
            (Some(8), Verdict::Steady),
            (Some(8), Verdict::Rejected),
            (Some(9), Verdict::Rejected),
            (Some(99), Verdict::Held),
            (None, Verdict::Held),
        ] {
            coverage.add(&point(harmonic, verdict));
        }
        assert_eq!(
            coverage.summary(),
            "1 of 4 harmonics held, 1 steady, 1 failed, 1 remain"
        );
        let text = coverage.text();
        assert!(text.contains("failed: 9 (17.1 Hz): a beat"), "{text}");
        assert!(text.contains("remain: 10 (19.0 Hz)"), "{text}");
    }
}
