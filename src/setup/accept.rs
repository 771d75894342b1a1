//! Which verdicts count for a requirement: the laboratory's rule.

use serde::{Deserialize, Serialize};

use super::words::Verdict;

/// A verdict that a laboratory may let count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum CountingVerdict {
    Held,
    Steady,
    OffPeak,
}

/// The verdicts that count: `held` always, and what the laboratory adds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(from = "Vec<CountingVerdict>")]
pub struct AcceptedVerdicts {
    /// Points whose resonance was neither shown nor excluded.
    pub steady: bool,
    /// Points shown to be off the peak.
    pub off_peak: bool,
}

impl From<Vec<CountingVerdict>> for AcceptedVerdicts {
    fn from(words: Vec<CountingVerdict>) -> Self {
        Self {
            steady: words.contains(&CountingVerdict::Steady),
            off_peak: words.contains(&CountingVerdict::OffPeak),
        }
    }
}

impl AcceptedVerdicts {
    /// Why points of this verdict do not count; `None` where they do.
    pub fn obstacle(self, verdict: Verdict) -> Option<&'static str> {
        match verdict {
            Verdict::Held => None,
            Verdict::Steady => (!self.steady).then_some("steady, but resonance was not shown"),
            Verdict::OffPeak => {
                (!self.off_peak).then_some("steady, but the drive stood off the peak")
            }
            Verdict::Rejected => Some("rejected"),
        }
    }

    /// What else counts than points shown to be at resonance, and what that
    /// leaves open; `None` where nothing else does.
    pub fn statement(self) -> Option<String> {
        let also = match (self.steady, self.off_peak) {
            (false, false) => return None,
            (true, false) => "steady points, whose resonance was neither shown nor excluded,",
            (false, true) => "points off the peak of the resonance",
            (true, true) => {
                "steady points, whose resonance was neither shown nor excluded, and points off the \
                 peak of the resonance"
            }
        };
        Some(format!(
            "besides held points, {also} count by the laboratory's rule (hold.accept). The ratio of \
             node to antinode does not depend on the drive standing at the peak; the level at a given \
             force and what is a tunable harmonic do"
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn held_counts_always_and_rejected_never() {
        for words in [
            vec![],
            vec![CountingVerdict::Held],
            vec![CountingVerdict::Steady, CountingVerdict::OffPeak],
        ] {
            let accepted = AcceptedVerdicts::from(words);
            assert_eq!(accepted.obstacle(Verdict::Held), None);
            assert!(accepted.obstacle(Verdict::Rejected).is_some());
        }
        let accepted =
            AcceptedVerdicts::from(vec![CountingVerdict::Held, CountingVerdict::OffPeak]);
        assert_eq!(accepted.obstacle(Verdict::OffPeak), None);
        assert!(accepted.obstacle(Verdict::Steady).is_some());
        assert!(AcceptedVerdicts::default().statement().is_none());
        assert!(accepted.statement().unwrap().contains("off the peak"));
    }
}
