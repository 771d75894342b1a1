//! One dwell with all that speaks for or against it: its point, its criteria
//! with their margins, its stretch of the trace, the gaps in it.

use std::fmt::Write as _;

use serde::Serialize;

use crate::analysis::{Event, NoteKind, PointNote, TraceRow};
use crate::ledger::Run;
use crate::reduction::{BudgetLine, SettledPoint};
use crate::report::number::{ABSENT, against, plain, significant};
use crate::resonance::{CriterionResult, HoldCriterion};
use crate::setup::Verdict;

/// Least and largest stretch of approach that is shown before a dwell, s.
const APPROACH_S: (f64, f64) = (20.0, 300.0);

/// A dwell under audit.
#[derive(Debug, Clone)]
pub struct Case<'a> {
    /// The point that was logged for it.
    pub point: &'a SettledPoint,
    /// When frequency or level last changed before it, and when it ended, s.
    pub dwell_s: (f64, f64),
    /// Every criterion; empty where the evidence is lost.
    pub criteria: &'a [CriterionResult],
    /// What each cause contributes to its uncertainties; empty where the dwell
    /// does not count.
    pub budget: &'a [BudgetLine],
    /// The trace from the approach to the end of the dwell.
    pub rows: &'a [TraceRow],
    /// Gaps within the same stretch, and the one that ended the dwell.
    pub gaps: Vec<&'a Event>,
    /// What people said of it, in the order in which it was written.
    pub notes: Vec<&'a PointNote>,
}

/// How a criterion came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// Met.
    Pass,
    /// Neither shown nor excluded.
    Open,
    /// Not met.
    Fail,
}

impl Outcome {
    /// As it is printed.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Open => "open",
            Self::Fail => "FAIL",
        }
    }

    /// The page's class for it.
    pub fn class(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Open => "open",
            Self::Fail => "fail",
        }
    }
}

/// A criterion with what is left to its limit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Judgement {
    /// Its name.
    pub name: &'static str,
    /// What was found, in `unit`.
    pub value: Option<f64>,
    /// The limit, in `unit`.
    pub limit: f64,
    /// Unit of value, limit and margin.
    pub unit: &'static str,
    /// Whether the limit is an upper one, on the value's size.
    pub at_most: bool,
    /// Distance to the limit, positive where it is kept, in `unit`.
    pub margin: Option<f64>,
    /// Share of the limit that is used up: 1 at the limit. `None` where the
    /// limit is zero and the value is not.
    pub used: Option<f64>,
    /// How it came out.
    pub outcome: Outcome,
}

impl Judgement {
    /// Works the margin out.
    pub fn new(result: &CriterionResult) -> Self {
        let (criterion, limit) = (result.criterion, result.limit);
        let value = result.value.filter(|value| value.is_finite());
        let (margin, used) = if criterion.at_most() {
            let used = value.and_then(|value| {
                let size = value.abs();
                if limit > 0.0 {
                    Some(size / limit)
                } else {
                    (size == 0.0).then_some(0.0)
                }
            });
            (value.map(|value| limit - value.abs()), used)
        } else {
            let used = value.map(|value| {
                if value > 0.0 {
                    limit / value
                } else {
                    f64::INFINITY
                }
            });
            (value.map(|value| value - limit), used)
        };
        Self {
            name: criterion.name(),
            value,
            limit,
            unit: criterion.unit(),
            at_most: criterion.at_most(),
            margin,
            used: used.filter(|used| used.is_finite()),
            outcome: match result.met {
                Some(true) => Outcome::Pass,
                Some(false) => Outcome::Fail,
                None => Outcome::Open,
            },
        }
    }

    /// Met although the bare value is past the limit: noise, or one hop of
    /// length, makes up the rest.
    pub fn within_allowance(&self) -> bool {
        self.outcome == Outcome::Pass && self.margin.is_some_and(|margin| margin < 0.0)
    }

    /// The value as text, without its unit.
    pub fn value_text(&self) -> String {
        self.value
            .map_or_else(|| ABSENT.to_owned(), |value| against(value, self.limit))
    }

    /// The limit as text, without its unit.
    pub fn limit_text(&self) -> String {
        let bound = if self.at_most { "≤" } else { "≥" };
        format!("{bound} {}", plain(self.limit, 4))
    }

    /// The margin as text, without its unit.
    pub fn margin_text(&self) -> String {
        self.margin.map_or_else(
            || ABSENT.to_owned(),
            |margin| {
                let sign = if margin > 0.0 { "+" } else { "" };
                format!("{sign}{}", against(margin, self.limit))
            },
        )
    }
}

impl<'a> Case<'a> {
    /// Every point of a run, in order. `trace` holds the run's whole trace.
    pub fn all(run: &'a Run, trace: &'a [TraceRow]) -> Vec<Self> {
        run.points
            .iter()
            .map(|point| Self::new(run, trace, point))
            .collect()
    }

    fn new(run: &'a Run, trace: &'a [TraceRow], point: &'a SettledPoint) -> Self {
        let evidence = run.evidence_of(point.point);
        let dwell_s = evidence.map_or((point.start_s, point.end_s), |evidence| {
            (evidence.dwell_start_s, evidence.dwell_end_s)
        });
        let approach_s = (dwell_s.1 - dwell_s.0).clamp(APPROACH_S.0, APPROACH_S.1);
        let from_s = dwell_s.0 - approach_s;
        let first = trace.partition_point(|row| row.time_s <= from_s);
        let last = trace.partition_point(|row| row.time_s <= dwell_s.1 + 1e-6);
        let gaps = run
            .events
            .iter()
            .filter(|event| event.kind == "gap")
            .filter(|event| event.at_s > from_s && event.at_s <= dwell_s.1 + 0.5)
            .collect();
        Self {
            point,
            dwell_s,
            criteria: evidence.map_or(&[], |evidence| &evidence.criteria),
            budget: evidence.map_or(&[], |evidence| &evidence.uncertainty_budget),
            rows: trace.get(first..last).unwrap_or_default(),
            gaps,
            notes: run.notes_of(point),
        }
    }

    /// Whether it was taken out of the verdict, by the last word on that.
    pub fn is_excluded(&self) -> bool {
        let last = self.notes.iter().rfind(|note| note.kind != NoteKind::Note);
        last.is_some_and(|note| note.kind == NoteKind::Exclude)
    }

    /// The criteria with their margins.
    pub fn judgements(&self) -> Vec<Judgement> {
        self.criteria.iter().map(Judgement::new).collect()
    }

    /// The result of a criterion, if it was judged.
    pub fn result(&self, criterion: HoldCriterion) -> Option<&'a CriterionResult> {
        self.criteria
            .iter()
            .find(|result| result.criterion == criterion)
    }

    /// The limit of a criterion, if it was judged.
    pub fn limit(&self, criterion: HoldCriterion) -> Option<f64> {
        self.result(criterion).map(|result| result.limit)
    }

    /// Rows of the hold, or of what was judged in its place.
    pub fn hold_rows(&self) -> &'a [TraceRow] {
        self.rows_within(self.point.start_s, self.point.end_s)
    }

    /// Rows before the hold: approach and ring-up.
    pub fn approach_rows(&self) -> &'a [TraceRow] {
        self.rows_within(f64::NEG_INFINITY, self.point.start_s)
    }

    fn rows_within(&self, after_s: f64, to_s: f64) -> &'a [TraceRow] {
        let first = self
            .rows
            .partition_point(|row| row.time_s <= after_s + 1e-6);
        let last = self.rows.partition_point(|row| row.time_s <= to_s + 1e-6);
        self.rows.get(first..last).unwrap_or_default()
    }

    /// The largest size of a traced quantity during the hold.
    pub fn largest(&self, quantity: impl Fn(&TraceRow) -> Option<f64>) -> Option<f64> {
        self.hold_rows()
            .iter()
            .filter_map(quantity)
            .map(f64::abs)
            .filter(|value| value.is_finite())
            .max_by(f64::total_cmp)
    }

    /// Mean antinode velocity during the hold, mm/s peak.
    pub fn mean_velocity_mm_s(&self) -> Option<f64> {
        let velocities: Vec<f64> = self
            .hold_rows()
            .iter()
            .filter_map(|row| row.antinode_velocity_mm_s)
            .collect();
        (!velocities.is_empty())
            .then(|| velocities.iter().sum::<f64>() / velocities.len() as f64)
            .filter(|mean| *mean > 0.0)
    }

    /// `Point 7, harmonic 9, 16.71 Hz`.
    pub fn name(&self) -> String {
        let mut name = format!("Point {}", self.point.point);
        if let Some(harmonic) = self.point.harmonic {
            let _ = write!(name, ", harmonic {harmonic}");
        }
        if let Some(frequency) = self.point.frequency_hz {
            let _ = write!(name, ", {} Hz", significant(frequency.value, 4));
        }
        name
    }

    /// The reasons that are to be listed: the sentence of a dwell that does
    /// not count says the first one already.
    pub fn unsaid_reasons(&self) -> &'a [String] {
        match (self.point.verdict, self.point.reasons.as_slice()) {
            (Verdict::Held, all) => all,
            (_, [_, rest @ ..]) => rest,
            (_, []) => &[],
        }
    }

    /// What a verdict is called, and the page's class for it.
    pub fn verdict(&self) -> (&'static str, &'static str) {
        match self.point.verdict {
            Verdict::Held => ("held", "pass"),
            Verdict::Steady => ("steady", "open"),
            Verdict::OffPeak => ("off-peak", "open"),
            Verdict::Rejected => ("rejected", "fail"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn result(
        criterion: HoldCriterion,
        value: f64,
        limit: f64,
        met: Option<bool>,
    ) -> CriterionResult {
        CriterionResult {
            criterion,
            value: Some(value),
            limit,
            met,
        }
    }

    #[test]
    fn the_margin_counts_from_the_side_that_is_allowed() {
        let phase = result(HoldCriterion::DrivePhase, -15.0, 20.0, Some(true));
        let judged = Judgement::new(&phase);
        assert_eq!((judged.margin, judged.used), (Some(5.0), Some(0.75)));
        let noise = result(HoldCriterion::SignalToNoise, 40.0, 20.0, Some(true));
        let judged = Judgement::new(&noise);
        assert_eq!((judged.margin, judged.used), (Some(20.0), Some(0.5)));
        let clipped = result(HoldCriterion::ClippedSamples, 3.0, 0.0, Some(false));
        let judged = Judgement::new(&clipped);
        assert_eq!((judged.margin, judged.used), (Some(-3.0), None));
    }

    #[test]
    fn a_value_past_its_limit_that_was_let_pass_is_marked() {
        let allowed = |value: f64, met: bool| {
            let drift = result(HoldCriterion::FrequencyDrift, value, 0.1, Some(met));
            Judgement::new(&drift).within_allowance()
        };
        assert!(allowed(0.101, true));
        assert!(!allowed(0.101, false));
        assert!(!allowed(0.09, true));
    }
}
