//! Dwell length and drive phase against the error of the ratio and the verdict.

use spanhold::setup::Verdict;
use statrs::distribution::{Binomial, DiscreteCDF};
use std::fmt::Write as _;

use super::bench::{Bare, Outcome};

/// Dwell lengths, ring-up time constants after the change.
pub const LENGTHS: [f64; 6] = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0];
/// Drive phases, degrees: 0, 0.04, 0.09, 0.18 and 0.5 bandwidths off the peak.
pub const PHASES_DEG: [f64; 5] = [0.0, 5.0, 10.0, 20.0, 45.0];
/// The default of `hold.drive_phase_deg`, and what noise, the mean over a hold
/// and the definition of the peak may move it by.
const PHASE_LIMIT_DEG: f64 = 20.0;
const PHASE_DOUBT_DEG: f64 = 1.0;

/// What is said of a dwell into which the next change has reached.
const ENDED: &str = "the drive level was changed";

/// All dwells of one length and drive phase.
pub struct Cell {
    pub constants: f64,
    pub phase_deg: f64,
    pub outcomes: Vec<Outcome>,
}

impl Cell {
    pub fn of(benches: &[Bare], constants: f64, phase_deg: f64) -> Self {
        Self {
            constants,
            phase_deg,
            outcomes: benches
                .iter()
                .map(|bare| bare.dwell(bare.plain(constants, phase_deg)))
                .collect(),
        }
    }

    /// What was judged wrongly.
    pub fn wrong(&self) -> Vec<String> {
        self.outcomes
            .iter()
            .filter_map(|outcome| {
                let why = self.objection(outcome)?;
                Some(format!(
                    "{:.0} tau: {why}: {}",
                    self.constants,
                    outcome.line()
                ))
            })
            .collect()
    }

    fn objection(&self, outcome: &Outcome) -> Option<&'static str> {
        let off_peak = outcome.truth.drive_phase_deg.abs();
        let held = outcome.verdict() == Some(Verdict::Held);
        if !outcome.false_holds.is_empty() {
            return Some("held outside the dwell");
        }
        if held && off_peak > PHASE_LIMIT_DEG + PHASE_DOUBT_DEG {
            return Some("held off the peak");
        }
        // Half a time constant less than the rule: what passed before the span
        // follows the new drive is not seen by anyone. Earlier than that the data
        // have to bound what is left, and the uncertainty to hold it.
        let is_early = held && self.constants < 4.0;
        let is_within = |(error, u): (f64, f64)| error.abs() <= u;
        if is_early && !outcome.ratio_error().is_some_and(is_within) {
            return Some("held before it was rung up");
        }
        if !held && self.constants >= 7.0 && off_peak < PHASE_LIMIT_DEG - PHASE_DOUBT_DEG {
            return Some("missed");
        }
        let causes: &[&str] = match (
            self.constants < 7.0,
            off_peak > PHASE_LIMIT_DEG - PHASE_DOUBT_DEG,
        ) {
            (true, false) => &["not rung up", "too short", ENDED],
            (true, true) => &["not rung up", "too short", ENDED, "off resonance"],
            (false, _) => &["off resonance"],
        };
        if !held && !outcome.says(causes) {
            return Some("rejected without the true cause");
        }
        match outcome.ratio_error() {
            Some((error, u)) if held && error.abs() > 2.0 * u => Some("held on a wrong ratio"),
            // Just long enough, a hold may run into the change that ends it: then
            // no ratio is given, and a reason says so.
            None if held && (self.constants >= 7.0 || !outcome.says(&["too faint"])) => {
                Some("held without a ratio")
            }
            _ => None,
        }
    }

    /// Held ratios within their stated uncertainty, and all held ratios.
    pub fn within_stated(&self) -> (u64, u64) {
        self.held().fold((0, 0), |(within, all), (error, u)| {
            (within + u64::from(error.abs() <= u), all + 1)
        })
    }

    fn held(&self) -> impl Iterator<Item = (f64, f64)> {
        self.outcomes
            .iter()
            .filter(|outcome| outcome.verdict() == Some(Verdict::Held))
            .filter_map(Outcome::ratio_error)
    }

    fn count(&self, verdict: Verdict) -> usize {
        self.outcomes
            .iter()
            .filter(|outcome| outcome.verdict() == Some(verdict))
            .count()
    }

    /// A line of the guide's table.
    pub fn row(&self) -> String {
        let mut errors: Vec<(f64, f64)> = self
            .outcomes
            .iter()
            .filter_map(Outcome::ratio_error)
            .collect();
        errors.sort_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
        let median = errors.get(errors.len() / 2).map_or(f64::NAN, |e| e.0.abs());
        let worst = errors.last().map_or(f64::NAN, |e| e.0);
        errors.sort_by(|a, b| a.1.total_cmp(&b.1));
        let stated = errors.get(errors.len() / 2).map_or(f64::NAN, |e| e.1);
        format!(
            "| {:.0} | {:.0} | {} | {} | {} | {:.1} | {:+.1} | {:.1} | {} |",
            self.constants,
            self.phase_deg,
            self.count(Verdict::Held),
            self.outcomes.len() - self.count(Verdict::Held),
            self.outcomes.len() - errors.len(),
            100.0 * median,
            100.0 * worst,
            100.0 * stated,
            self.causes()
        )
    }

    /// The causes named, each with how many of the dwells it was named for.
    fn causes(&self) -> String {
        let mut out = String::new();
        for cause in [
            "not rung up",
            "too short",
            "beat",
            "drifted",
            "off resonance",
        ] {
            let named = self.outcomes.iter().filter(|o| o.says(&[cause])).count();
            if named > 0 {
                let gap = if out.is_empty() { "" } else { ", " };
                let _ = write!(out, "{gap}{cause} {named}");
            }
        }
        out
    }
}

/// Whether so many of all within their interval of k = 2 (95 %) are too few:
/// less than once in a thousand by chance.
pub fn too_few(within: u64, all: u64) -> bool {
    all > 0 && Binomial::new(0.95, all).unwrap().cdf(within) < 1e-3
}

/// The head of the guide's table.
pub const HEAD: &str = "\
| dwell, τ | drive phase, ° | held | not held | no ratio | error: median, % | error: worst, % | stated U (k = 2), % | causes named, dwells |
|---|---|---|---|---|---|---|---|---|";
