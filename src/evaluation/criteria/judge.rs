//! A run against one criterion.
//!
//! In: setup, points, criterion, curve. Out: a [`Judgement`]. Pure.

use serde::{Deserialize, Serialize};

use super::coverage::{CoverageGap, coverage_gaps};
use super::curve::RequiredCurve;
use super::decide::{Demand, Outcome, decide};
use super::level;
use crate::analysis::Exclusion;
use crate::maths;
use crate::reduction::measured::record;
use crate::reduction::{Gauge, Measured, SettledPoint};
use crate::setup::{
    Criterion, DecisionRule, PowerForm, Requirement, Setup, StrainLocation, Verdict,
};
use crate::span::wind::WindFunction;

record! {
    /// One point against one criterion. Value and requirement are in `unit`.
    #[derive(Debug, Clone, PartialEq)]
    pub struct PointJudgement {
        /// The point's number in the run.
        point: u64,
        /// Its frequency, Hz.
        frequency_hz: f64,
        /// The measured value. Its uncertainty has that of the requirement in
        /// it where the requirement follows from the measured amplitude.
        value / value_u: Option<Measured>,
        /// What is required.
        required: Option<f64>,
        /// What came of it.
        outcome: Outcome,
        /// Why it is inconclusive.
        reason: Option<String>,
        /// Whether the value's uncertainty lacks a calibration that the setup
        /// does not state.
        uncertainty_incomplete @ default: bool,
    }
}

/// A run against one criterion.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judgement {
    /// What was required, in words.
    pub criterion: String,
    /// The decision rule, in words.
    pub decision_rule: String,
    /// The level of the points that were judged, in words; empty in
    /// reductions older than this key.
    #[serde(default)]
    pub level: String,
    /// Which points count besides those held, in words; empty where none do, and
    /// in reductions older than this key.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub accepted: String,
    /// Unit of value and requirement.
    pub unit: String,
    /// The points inside the criterion's range.
    pub points: Vec<PointJudgement>,
    /// Stretches of the range without a judged point.
    #[serde(rename = "holes")]
    pub gaps: Vec<CoverageGap>,
    /// The range that has to be covered, Hz.
    pub range_hz: (f64, f64),
    /// Pass only if every point passes and nothing is missing.
    pub outcome: Outcome,
}

/// What one point is held against.
struct Comparison {
    value: Option<Measured>,
    required: Option<f64>,
    /// Why value or requirement is missing, or may not be used.
    obstacle: Option<String>,
}

/// Judges the points of a run. Rejected dwells are passed over, and points off the
/// peak unless the laboratory's rule lets them count; a point whose resonance is
/// not shown is inconclusive unless that rule does. One that was excluded is inconclusive
/// with the reason, and so is the whole unless another point at the same resonance is judged.
/// `curve` is needed by an efficiency curve; without it every point is inconclusive.
pub fn judge(
    setup: &Setup,
    points: &[SettledPoint],
    exclusions: &[Exclusion],
    criterion: &Criterion,
    curve: Option<&RequiredCurve>,
) -> Judgement {
    let range_hz = range_hz(setup, criterion, curve);
    let in_range: Vec<(&SettledPoint, f64)> = points
        .iter()
        .filter(|point| is_judged(setup, point.verdict))
        .filter_map(|point| Some((point, point.frequency_hz?.value)))
        .filter(|&(_, f)| f >= range_hz.0 && f <= range_hz.1)
        .collect();
    let judged: Vec<PointJudgement> = in_range
        .iter()
        .map(|&(point, f)| match of_point(exclusions, point) {
            None => judge_point(setup, point, f, criterion, curve),
            Some(exclusion) => PointJudgement {
                outcome: Outcome::Inconclusive,
                reason: Some(exclusion.reason()),
                ..judge_point(setup, point, f, criterion, curve)
            },
        })
        .collect();
    let counted: Vec<(&SettledPoint, Outcome)> = in_range
        .iter()
        .zip(&judged)
        .map(|(&(point, _), judged)| (point, judged.outcome))
        .collect();
    let inconclusive = counted.iter().any(|&(point, outcome)| {
        let replaceable = of_point(exclusions, point).is_some()
            || level::obstacle(setup, criterion, point).is_some();
        outcome == Outcome::Inconclusive
            && !(replaceable && level::judged_by_another(point, &counted))
    });
    let frequencies: Vec<f64> = judged
        .iter()
        .filter(|j| j.outcome != Outcome::Inconclusive)
        .map(|j| j.frequency_hz)
        .collect();
    let span = setup.strung_conductor();
    let spacing_hz = |f: f64| span.group_speed_m_s(f) / (2.0 * span.length_m);
    let gaps = coverage_gaps(&frequencies, range_hz, spacing_hz);
    let outcome = if judged.iter().any(|j| j.outcome == Outcome::Fail) {
        Outcome::Fail
    } else if judged.is_empty() || inconclusive || !gaps.is_empty() {
        Outcome::Inconclusive
    } else {
        Outcome::Pass
    };
    Judgement {
        criterion: criterion.statement(),
        decision_rule: criterion.decision_rule.statement().to_owned(),
        level: level::statement(setup, criterion),
        accepted: setup.hold.accept.statement().unwrap_or_default(),
        unit: match criterion.requirement {
            Requirement::EfficiencyCurve { .. } => "%",
            Requirement::WindPower { .. } => "W",
            Requirement::StrainLimit { .. } => "um/m peak-to-peak",
        }
        .to_owned(),
        points: judged,
        gaps,
        range_hz,
        outcome,
    }
}

fn of_point<'a>(exclusions: &'a [Exclusion], point: &SettledPoint) -> Option<&'a Exclusion> {
    exclusions
        .iter()
        .find(|exclusion| exclusion.point == point.point)
}

/// Whether a point is held against a criterion at all. One off the peak is another
/// reading than the one that was wanted, and passed over unless it may count;
/// one whose resonance is not shown may be the one that was wanted.
fn is_judged(setup: &Setup, verdict: Verdict) -> bool {
    match verdict {
        Verdict::Held | Verdict::Steady => true,
        Verdict::OffPeak => setup.hold.accept.obstacle(verdict).is_none(),
        Verdict::Rejected => false,
    }
}

/// The sweep's range, cut to where the curve requires something.
fn range_hz(setup: &Setup, criterion: &Criterion, curve: Option<&RequiredCurve>) -> (f64, f64) {
    let sweep = (setup.sweep.low_hz, setup.sweep.high_hz);
    match (&criterion.requirement, curve) {
        (Requirement::EfficiencyCurve { .. }, Some(curve)) => {
            let (low, high) = curve.range_hz(setup.conductor.diameter_mm);
            (sweep.0.max(low), sweep.1.min(high))
        }
        _ => sweep,
    }
}

fn judge_point(
    setup: &Setup,
    point: &SettledPoint,
    frequency_hz: f64,
    criterion: &Criterion,
    curve: Option<&RequiredCurve>,
) -> PointJudgement {
    let (demand, comparison) = match &criterion.requirement {
        Requirement::EfficiencyCurve { .. } => (
            Demand::AtLeast,
            efficiency(setup, point, frequency_hz, curve),
        ),
        Requirement::WindPower {
            wind,
            span_length_m,
            dampers,
            antinode_velocity_mm_s,
            power: form,
            ..
        } => {
            let demand = WindDemand {
                wind,
                length_m: *span_length_m,
                dampers: f64::from(*dampers),
                level_mm_s: *antinode_velocity_mm_s,
                form: *form,
            };
            (Demand::AtLeast, power(setup, point, frequency_hz, &demand))
        }
        Requirement::StrainLimit {
            limit_pp_um_m,
            location,
        } => (
            Demand::AtMost,
            strain(setup, point, *limit_pp_um_m, *location),
        ),
    };
    let obstacle = level::obstacle(setup, criterion, point)
        .or_else(|| comparison.obstacle.clone())
        .or_else(|| setup.hold.accept.obstacle(point.verdict).map(str::to_owned));
    let lacking = comparison
        .value
        .and_then(|_| lacking(point, &criterion.requirement));
    // A guard band as wide as what is known of the error is too narrow.
    let obstacle = obstacle.or_else(|| {
        let guarded = criterion.decision_rule == DecisionRule::GuardBand;
        let lacking = lacking.as_ref().filter(|_| guarded)?;
        Some(format!(
            "the uncertainty is incomplete ({lacking}): no guard band can be drawn"
        ))
    });
    let outcome = match (&obstacle, comparison.value, comparison.required) {
        (None, Some(value), Some(required)) => decide(
            criterion.decision_rule,
            demand,
            value.value,
            value.stated_u(),
            required,
        ),
        _ => Outcome::Inconclusive,
    };
    let reason = obstacle.or_else(|| {
        (outcome == Outcome::Inconclusive).then(|| {
            match comparison.value.and_then(Measured::stated_u) {
                Some(_) => "within its uncertainty of the limit".to_owned(),
                None => "the point has no uncertainty".to_owned(),
            }
        })
    });
    PointJudgement {
        point: point.point,
        frequency_hz,
        value: comparison.value,
        required: comparison.required,
        outcome,
        reason,
        uncertainty_incomplete: lacking.is_some(),
    }
}

/// What the uncertainty of the judged value lacks, if anything.
fn lacking(point: &SettledPoint, requirement: &Requirement) -> Option<String> {
    match requirement {
        Requirement::EfficiencyCurve { .. } => point.lacking("efficiency_pct", None),
        Requirement::WindPower { power, .. } => {
            let key = match power {
                PowerForm::Standard => "power_damper_w",
                PowerForm::Corrected => "power_damper_corrected_w",
            };
            point.lacking(key, None)
        }
        Requirement::StrainLimit { location, .. } => largest_strain(point, *location)
            .and_then(|(gauge, _)| point.lacking("strain_pp_um_m", Some(gauge))),
    }
}

/// The gauge with the largest strain, of all or at one clamp.
fn largest_strain(
    point: &SettledPoint,
    location: Option<StrainLocation>,
) -> Option<(&Gauge, Measured)> {
    point
        .strain_pp_um_m
        .iter()
        .filter(|(gauge, _)| location.is_none_or(|location| gauge.location == location))
        .map(|(gauge, strain)| (gauge, *strain))
        .max_by(|a, b| a.1.value.total_cmp(&b.1.value))
}

fn efficiency(
    setup: &Setup,
    point: &SettledPoint,
    frequency_hz: f64,
    curve: Option<&RequiredCurve>,
) -> Comparison {
    let required = curve.and_then(|c| c.required_pct(frequency_hz, setup.conductor.diameter_mm));
    let obstacle = if point.efficiency_pct.is_none() {
        Some("the point has no efficiency".to_owned())
    } else if curve.is_none() {
        Some("the required curve was not read".to_owned())
    } else {
        None
    };
    Comparison {
        value: point.efficiency_pct,
        required,
        obstacle,
    }
}

/// What a wind power criterion asks for.
struct WindDemand {
    wind: &'static WindFunction,
    length_m: f64,
    dampers: f64,
    level_mm_s: Option<f64>,
    form: PowerForm,
}

impl WindDemand {
    fn wind_power_w(&self, setup: &Setup, frequency_hz: f64, velocity_mm_s: f64) -> Option<f64> {
        let amplitude_mm = velocity_mm_s / (std::f64::consts::TAU * frequency_hz);
        self.wind
            .power_w_per_m(frequency_hz, amplitude_mm, setup.conductor.diameter_mm)
            .map(|p| p * self.length_m)
    }
}

fn power(
    setup: &Setup,
    point: &SettledPoint,
    frequency_hz: f64,
    demand: &WindDemand,
) -> Comparison {
    let damper = match demand.form {
        PowerForm::Standard => point.power_damper_w,
        PowerForm::Corrected => point.power_damper_corrected_w,
    };
    let value = damper.map(|p| p.times(demand.dampers));
    let velocity = point.antinode_velocity_mm_s;
    let level = demand.level_mm_s.or(velocity.map(|v| v.value));
    let required = level.and_then(|v| demand.wind_power_w(setup, frequency_hz, v));
    let obstacle = if value.is_none() {
        Some(match (demand.form, point.power_damper_w) {
            (PowerForm::Corrected, Some(_)) => {
                "the criterion asks for the corrected damper power and the point has none; its \
                 remarks say why"
                    .to_owned()
            }
            _ => "the bare span's losses have not been taken off".to_owned(),
        })
    } else if level.is_none() || velocity.is_none() {
        Some("the point has no antinode velocity".to_owned())
    } else if required.is_none() {
        let (low, high) = demand.wind.valid_peak_over_diameter();
        Some(format!(
            "the amplitude is outside the wind function's range, Y peak/d from {low} to {high}"
        ))
    } else {
        None
    };
    // At the point's own level the requirement is uncertain with the measured
    // velocity. Power and requirement rise together with it, so adding the
    // squares overstates the uncertainty of their difference.
    let level_u = match (demand.level_mm_s, velocity) {
        (None, Some(v)) => v.stated_u().and_then(|u| {
            let above = demand.wind_power_w(setup, frequency_hz, v.value + u);
            let below = demand.wind_power_w(setup, frequency_hz, v.value - u);
            match (above, below, required) {
                (Some(a), Some(b), _) => Some(0.5 * (a - b).abs()),
                (Some(a), None, Some(r)) | (None, Some(a), Some(r)) => Some((a - r).abs()),
                _ => None,
            }
        }),
        _ => Some(0.0),
    };
    Comparison {
        value: value.map(|power| {
            let level_u = level_u.unwrap_or(f64::INFINITY);
            Measured::new(power.value, maths::hypot(power.u, level_u))
        }),
        required,
        obstacle,
    }
}

fn strain(
    setup: &Setup,
    point: &SettledPoint,
    limit_pp_um_m: f64,
    location: Option<StrainLocation>,
) -> Comparison {
    let largest = largest_strain(point, location).map(|(_, strain)| strain);
    let asked = |at: StrainLocation| location.is_none_or(|location| at == location);
    let gauges = setup
        .channels
        .iter()
        .filter_map(|channel| channel.role.location())
        .filter(|at| asked(*at))
        .count();
    let read = point.strain_pp_um_m.keys();
    let read = read.filter(|gauge| asked(gauge.location)).count();
    let obstacle = match largest {
        None => Some("the point has no strain at such a gauge".to_owned()),
        // The gauge that is silent may be the one with the largest strain.
        Some(largest) if read < gauges && largest.value <= limit_pp_um_m => Some(format!(
            "{} of {gauges} gauges gave no strain; the remarks of the point say why",
            gauges - read
        )),
        Some(_) => None,
    };
    Comparison {
        value: largest,
        required: Some(limit_pp_um_m),
        obstacle,
    }
}
