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
    /// What a hold allows of another tone, %.
    beat_pct: f64,
    pub outcomes: Vec<Outcome>,
}

impl Cell {
    /// Draw number `draw` of gains and noise.
    pub fn of(benches: &mut [Bare], constants: f64, phase_deg: f64, draw: u64) -> Self {
        let outcome = |bare: &mut Bare| {
            bare.redraw(draw);
            bare.dwell(bare.plain(constants, phase_deg))
        };
        Self {
            constants,
            phase_deg,
            beat_pct: benches[0].setup.hold.beat_pct,
            outcomes: benches.iter_mut().map(outcome).collect(),
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
        if outcome.neighbour_is_wrong() {
            return Some("the neighbour before it held on a wrong ratio");
        }
        if held && off_peak > PHASE_LIMIT_DEG + PHASE_DOUBT_DEG {
            return Some("held off the peak");
        }
        // Half a time constant less than the rule: what passed before the span
        // follows the new drive is not seen by anyone. Earlier than that the data
        // have to bound what is left; whether the uncertainty holds it is counted.
        if held && self.is_early() && outcome.ratio_error().is_none() {
            return Some("held before it was rung up, without a ratio");
        }
        if !held && self.constants >= 7.0 && off_peak < PHASE_LIMIT_DEG - PHASE_DOUBT_DEG {
            return Some("missed");
        }
        // The motion before this one may outlast what rings up: it then beats with it.
        let beats = 100.0 * outcome.old_motion > self.beat_pct && outcome.says(&["beat"]);
        let causes: &[&str] = match (
            self.constants < 7.0,
            off_peak > PHASE_LIMIT_DEG - PHASE_DOUBT_DEG,
        ) {
            (true, false) => &["not rung up", "too short", ENDED],
            (true, true) => &["not rung up", "too short", ENDED, "off resonance"],
            (false, _) => &["off resonance"],
        };
        if !held && !outcome.says(causes) && !beats {
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

    /// Whether these dwells ended before the rule calls a span rung up.
    pub fn is_early(&self) -> bool {
        self.constants < 4.0
    }

    pub fn coverage(&self) -> Coverage {
        Coverage::of(&self.outcomes)
    }

    /// Of the holds of the neighbours that the recordings begin with.
    pub fn coverage_of_neighbours(&self) -> Coverage {
        let all = self.outcomes.iter().flat_map(|o| o.of_neighbour.iter());
        all.copied().collect()
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

/// How the errors of held ratios stand to their stated uncertainty U (k = 2).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Coverage {
    pub all: u64,
    /// Within U.
    pub within: u64,
    /// Beyond 1.5 U.
    pub far: u64,
}

/// Shares of a normal distribution within two of its standard deviations and beyond
/// three, the latter rounded up as the design has it.
const WITHIN: f64 = 0.9545;
const FAR: f64 = 0.003;
/// What is less likely by chance is a finding.
const CHANCE: f64 = 1e-3;

impl Coverage {
    pub fn of(outcomes: &[Outcome]) -> Self {
        outcomes
            .iter()
            .filter(|outcome| outcome.verdict() == Some(Verdict::Held))
            .filter_map(Outcome::ratio_error)
            .collect()
    }

    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self {
            all: self.all + other.all,
            within: self.within + other.within,
            far: self.far + other.far,
        }
    }

    /// Why this is not what chance makes of a true uncertainty; of errors that have
    /// nothing to do with one another.
    pub fn objection(self) -> Option<String> {
        let Self { all, within, far } = self;
        if all == 0 {
            return None;
        }
        if Binomial::new(WITHIN, all).unwrap().cdf(within) < CHANCE {
            return Some(format!("only {within} of {all} ratios within k = 2"));
        }
        let beyond = Binomial::new(FAR, all).unwrap();
        (far > 0 && beyond.sf(far - 1) < CHANCE)
            .then(|| format!("{far} of {all} ratios beyond 1.5 U"))
    }
}

/// Of errors and their U.
impl FromIterator<(f64, f64)> for Coverage {
    fn from_iter<I: IntoIterator<Item = (f64, f64)>>(errors: I) -> Self {
        errors
            .into_iter()
            .map(|(error, u)| Self {
                all: 1,
                within: u64::from(error.abs() <= u),
                far: u64::from(error.abs() > 1.5 * u),
            })
            .fold(Self::default(), Self::and)
    }
}

#[test]
fn chance_is_told_from_an_uncertainty_that_is_too_small() {
    // Sums of the binomial terms, made elsewhere: at 0.9545 twelve or more of a hundred lie beyond U
    // with 0.0020, thirteen with 0.0006; at 0.003 three or more beyond 1.5 U with 0.0035, four 0.00025.
    let of = |all, within, far| Coverage { all, within, far };
    assert_eq!(of(0, 0, 0).objection(), None);
    assert_eq!(of(100, 88, 1).objection(), None);
    assert!(of(100, 87, 1).objection().is_some());
    assert_eq!(of(100, 95, 3).objection(), None);
    assert!(of(100, 95, 4).objection().is_some());
    assert_eq!(of(2, 0, 0).objection(), None);
}

/// The head of the guide's table.
pub const HEAD: &str = "\
| dwell, τ | drive phase, ° | held | not held | no ratio | error: median, % | error: worst, % | stated U (k = 2), % | causes named, dwells |
|---|---|---|---|---|---|---|---|---|";
