//! Which harmonics of the plan are done, which remain, which failed and why.
//! Pure.

use std::fmt::Write as _;

use crate::plan::Plan;
use crate::reduction::SettledPoint;
use crate::report::text_table::wrap;
use crate::setup::Verdict;

/// How a harmonic stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Standing {
    /// Held at least once.
    Held,
    /// Steady at least once, never held.
    Steady,
    /// Tried, and nothing but rejected; the reasons of the last try.
    Failed(Vec<String>),
    /// Not tried.
    Open,
}

/// The plan against the points so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Coverage {
    /// Number, planned frequency (Hz) and standing of each harmonic.
    pub harmonics: Vec<(u32, f64, Standing)>,
}

impl Coverage {
    /// Nothing tried yet.
    pub fn new(plan: &Plan) -> Self {
        Self {
            harmonics: plan
                .harmonics
                .iter()
                .map(|harmonic| (harmonic.harmonic, harmonic.frequency_hz, Standing::Open))
                .collect(),
        }
    }

    /// Takes a point into account. A harmonic never stands worse than before.
    pub fn add(&mut self, point: &SettledPoint) {
        let found = self
            .harmonics
            .iter_mut()
            .find(|(number, ..)| Some(*number) == point.harmonic);
        let Some((_, _, standing)) = found else {
            return;
        };
        match (point.verdict, &standing) {
            (Verdict::Held, _) => *standing = Standing::Held,
            (Verdict::Steady, Standing::Open | Standing::Failed(_)) => *standing = Standing::Steady,
            (Verdict::Rejected, Standing::Open | Standing::Failed(_)) => {
                *standing = Standing::Failed(point.reasons.clone());
            }
            _ => {}
        }
    }

    fn numbers(&self, is: impl Fn(&Standing) -> bool) -> Vec<(u32, f64)> {
        self.harmonics
            .iter()
            .filter(|(.., standing)| is(standing))
            .map(|(number, frequency_hz, _)| (*number, *frequency_hz))
            .collect()
    }

    /// In one line.
    pub fn summary(&self) -> String {
        let count = |is: fn(&Standing) -> bool| self.numbers(is).len();
        format!(
            "{} of {} harmonics held, {} steady, {} failed, {} remain",
            count(|standing| *standing == Standing::Held),
            self.harmonics.len(),
            count(|standing| *standing == Standing::Steady),
            count(|standing| matches!(standing, Standing::Failed(_))),
            count(|standing| *standing == Standing::Open),
        )
    }

    /// In full, at most `width` columns wide.
    pub fn text(&self, width: usize) -> String {
        let mut text = format!("Against the plan: {}.\n", self.summary());
        for (title, standing) in [
            ("held", Standing::Held),
            ("steady", Standing::Steady),
            ("remain", Standing::Open),
        ] {
            let numbers = self.numbers(|other| *other == standing);
            if numbers.is_empty() {
                continue;
            }
            let mut line = format!("{title}:");
            for (number, frequency_hz) in numbers {
                // A number and its frequency stay on one line.
                let _ = write!(line, " {number}\u{a0}({frequency_hz:.1}\u{a0}Hz)");
            }
            text += &wrap(&line, width, "  ", "    ");
        }
        for (number, frequency_hz, standing) in &self.harmonics {
            if let Standing::Failed(reasons) = standing {
                let line = format!(
                    "failed: {number} ({frequency_hz:.1} Hz): {}",
                    reasons.join("; ")
                );
                text += &wrap(&line, width, "  ", "    ");
            }
        }
        text.replace('\u{a0}', " ")
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
                .map(|n| (n, f64::from(n) * 1.9, Standing::Open))
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
        let text = coverage.text(40);
        assert!(text.contains("failed: 9 (17.1 Hz): a beat"), "{text}");
        assert!(text.contains("remain: 10 (19.0 Hz)"), "{text}");
    }
}
