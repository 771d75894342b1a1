//! A run against its bare run and its criteria.
//!
//! In: points and setup of a run, of the bare run where there is one, free
//! decays, the required curves. Out: reduced points, second methods,
//! judgements. Pure.

use serde::{Deserialize, Serialize};

use super::bare::{BareLosses, Power, Refusal, SAME_HARMONIC, TakenOff};
use super::criteria::{Judgement, Outcome, RequiredCurve, judge};
use super::decay::Decay;
use super::kept::{Basis, Kept, KeptLosses};
use super::level_law::LevelLaw;
use super::methods::{MethodCheck, WholeSpanLosses, checks};
use super::reduced_point::ReducedPoint;
use super::together::shared_standard;
use crate::reduction::SettledPoint;
use crate::setup::{Role, Setup, Verdict};

/// A run as the reduction takes it.
#[derive(Debug, Clone, Copy)]
pub struct Taken<'a> {
    /// Its setup.
    pub setup: &'a Setup,
    /// Its points.
    pub points: &'a [SettledPoint],
}

/// How the bare span's losses were found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BareStatement {
    /// Exponent l of the level in `(V/V_bare)^l`.
    pub level_exponent: f64,
    /// Its expanded uncertainty, k = 2.
    pub level_exponent_u: f64,
    /// Whether the bare run's levels gave it; else it is the default.
    pub level_exponent_fitted: bool,
    /// Harmonics of the bare run.
    pub harmonics: usize,
    /// From, Hz.
    pub low_hz: f64,
    /// To, Hz.
    pub high_hz: f64,
    /// Expanded uncertainty, k = 2, of the subtraction itself, % of the bare
    /// span's power: the largest of all points.
    pub subtraction_u_pct: f64,
    /// Points for which the strain at the end clamp said what of the bare
    /// span's losses remains with the damper on.
    pub kept_by_strain: usize,
    /// For which the frequency and the damper's place did.
    pub kept_by_frequency: usize,
    /// For which nothing did, and all of them were taken off.
    pub kept_unknown: usize,
    /// Expanded uncertainty, k = 2, that both runs' powers share, %.
    pub shared_u_pct: f64,
}

impl BareStatement {
    /// In words, by what it is known what of the losses remains with the
    /// damper on, and for how many points.
    pub fn basis(&self) -> String {
        let parts = [
            (self.kept_by_strain, "by the strain at the end clamp"),
            (self.kept_by_frequency, "by frequency and damper position"),
            (self.kept_unknown, "not known, all taken off"),
        ];
        let said: Vec<String> = parts
            .iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, how)| format!("{how} ({count} points)"))
            .collect();
        said.join(", ")
    }
}

/// What came of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Reduced {
    /// The points, in the run's order.
    pub points: Vec<ReducedPoint>,
    /// How the bare losses were found, where they were.
    pub bare: Option<BareStatement>,
    /// Second methods.
    pub checks: Vec<MethodCheck>,
    /// One a criterion, in the setup's order.
    pub judgements: Vec<Judgement>,
    /// Of all criteria together; `None` without any.
    pub outcome: Option<Outcome>,
}

/// Reduces a run. `curves[i]` belongs to the setup's criterion i; the decays
/// are those of the run. Fails when the bare run has nothing to go by.
pub fn reduce(
    run: Taken,
    bare: Option<Taken>,
    decays: &[Decay],
    curves: &[Option<RequiredCurve>],
) -> Result<Reduced, Refusal> {
    let losses = bare.map(|bare| Losses::of(run.setup, bare)).transpose()?;
    let mut points: Vec<ReducedPoint> = run
        .points
        .iter()
        .map(|point| reduce_point(point, losses.as_ref()))
        .collect();
    scale_to_target(run.setup, &mut points);
    let settled: Vec<SettledPoint> = points.iter().map(|p| p.point.clone()).collect();
    let judgements: Vec<Judgement> = run
        .setup
        .criteria
        .iter()
        .enumerate()
        .map(|(n, criterion)| {
            let curve = curves.get(n).and_then(Option::as_ref);
            judge(run.setup, &settled, criterion, curve)
        })
        .collect();
    let whole_span = losses.as_ref().and_then(|l| l.whole_span.as_ref());
    Ok(Reduced {
        checks: checks(run.setup, &points, decays, whole_span),
        bare: losses.as_ref().and_then(|l| l.statement(&points)),
        outcome: together(&judgements),
        judgements,
        points,
    })
}

/// One failure fails the whole; a pass needs all to pass.
fn together(judgements: &[Judgement]) -> Option<Outcome> {
    let any = |outcome| judgements.iter().any(|j| j.outcome == outcome);
    if judgements.is_empty() {
        None
    } else if any(Outcome::Fail) {
        Some(Outcome::Fail)
    } else if any(Outcome::Inconclusive) {
        Some(Outcome::Inconclusive)
    } else {
        Some(Outcome::Pass)
    }
}

struct Losses {
    standard: BareLosses,
    stiffness: Option<BareLosses>,
    whole_span: Option<WholeSpanLosses>,
    kept: KeptLosses,
    shared: f64,
}

impl Losses {
    fn of(run: &Setup, bare: Taken) -> Result<Self, Refusal> {
        let shared = shared_standard(run, bare.setup, [Role::Antinode, Role::Node], true);
        let spacing_hz = bare.setup.strung_conductor().string_harmonic_hz(1);
        let stiffness = BareLosses::by(bare.points, spacing_hz, |p| {
            p.power_total_stiffness_w.zip(p.power_total_stiffness_u_w)
        });
        Ok(Self {
            standard: BareLosses::of(bare.points, spacing_hz)?.sharing(shared),
            stiffness: stiffness.ok().map(|losses| losses.sharing(shared)),
            whole_span: WholeSpanLosses::of(run, bare.setup, bare.points),
            kept: KeptLosses::of(run, bare.setup, bare.points),
            shared,
        })
    }

    /// What of the losses is still there with the damper on. The form with
    /// bending stiffness is what force and strain go with.
    fn kept(&self, point: &SettledPoint) -> Kept {
        let node = self.stiffness.as_ref().unwrap_or(&self.standard);
        let whole = self.whole_span.as_ref().map(|whole| &whole.0);
        self.kept.at(point, node, whole)
    }

    fn statement(&self, points: &[ReducedPoint]) -> Option<BareStatement> {
        let (level_exponent, standard, level_exponent_fitted) = self.standard.level_exponent();
        let (low_hz, high_hz) = self.standard.range_hz()?;
        let kept: Vec<Kept> = points.iter().filter_map(|p| p.kept).collect();
        let largest = kept.iter().map(|k| k.node.standard).fold(0.0, f64::max);
        let count = |basis| kept.iter().filter(|k| k.basis == basis).count();
        Some(BareStatement {
            level_exponent,
            level_exponent_u: 2.0 * standard,
            level_exponent_fitted,
            harmonics: self.standard.harmonics(),
            low_hz,
            high_hz,
            subtraction_u_pct: 200.0 * largest,
            kept_by_strain: count(Basis::EndStrain),
            kept_by_frequency: count(Basis::Frequency),
            kept_unknown: count(Basis::Unknown),
            shared_u_pct: 200.0 * self.shared,
        })
    }
}

fn reduce_point(point: &SettledPoint, losses: Option<&Losses>) -> ReducedPoint {
    let mut reduced = ReducedPoint {
        point: point.clone(),
        ..ReducedPoint::default()
    };
    if let Some(losses) = losses.filter(|_| point.verdict != Verdict::Rejected) {
        let kept = losses.kept(point);
        reduced.kept = Some(kept);
        match standard_form(point, losses, kept) {
            Ok(taken) => enter(&mut reduced, taken, losses, kept),
            Err(refusal) => reduced
                .point
                .reasons
                .push(format!("no damper power: {refusal}")),
        }
        let total = power(
            point.power_total_stiffness_w,
            point.power_total_stiffness_u_w,
        );
        let damper = losses
            .stiffness
            .as_ref()
            .zip(total)
            .and_then(|(losses, total)| losses.taken_off(point, total, kept.node).ok())
            .map(|taken| taken.damper);
        reduced.power_damper_stiffness_w = damper.map(|d| d.power_w);
        reduced.power_damper_stiffness_u_w = damper.map(|d| d.power_u_w);
    }
    reduced
}

fn power(value: Option<f64>, u: Option<f64>) -> Option<Power> {
    let (power_w, power_u_w) = (value?, u?);
    Some(Power { power_w, power_u_w })
}

fn standard_form(point: &SettledPoint, losses: &Losses, kept: Kept) -> Result<TakenOff, Refusal> {
    let total = Power {
        power_w: point.power_total_w.ok_or(Refusal::Missing("total power"))?,
        power_u_w: point
            .power_total_u_w
            .ok_or(Refusal::Missing("uncertainty of the total power"))?,
    };
    losses.standard.taken_off(point, total, kept.node)
}

/// The standard's form into a point, with what is to be said of it.
fn enter(reduced: &mut ReducedPoint, taken: TakenOff, losses: &Losses, kept: Kept) {
    reduced.power_taken_off_w = Some(taken.off.power_w);
    reduced.power_taken_off_u_w = Some(taken.off.power_u_w);
    let point = &mut reduced.point;
    point.power_bare_w = Some(taken.bare.power_w);
    point.power_bare_u_w = Some(taken.bare.power_u_w);
    point.power_damper_w = Some(taken.damper.power_w);
    point.power_damper_u_w = Some(taken.damper.power_u_w);
    let gap = point.frequency_hz.and_then(|f| losses.standard.wide_gap(f));
    if let Some((from_hz, to_hz)) = gap {
        point.reasons.push(format!(
            "the bare run has no point between {from_hz:.2} Hz and {to_hz:.2} Hz; its losses there \
             are a guess between the two"
        ));
    }
    if kept.basis == Basis::Unknown {
        point.reasons.push(
            "all of the bare power is taken off, too much as a rule: what of it remains with the \
             damper on is not known without the strain at the end clamp in both runs or \
             damper_position_m"
                .to_owned(),
        );
    }
}

/// Fills in the damper's power at the exact level, where a second level at the
/// same harmonic shows how it goes with the level.
fn scale_to_target(setup: &Setup, points: &mut [ReducedPoint]) {
    let Some(amplitude) = setup.amplitude else {
        return;
    };
    let laws: Vec<Option<LevelLaw>> = points
        .iter()
        .map(|p| {
            let levels: Vec<(f64, Power)> = points
                .iter()
                .filter(|other| same_harmonic(&p.point, &other.point))
                .filter_map(|other| level(&other.point))
                .collect();
            LevelLaw::of(&levels)
        })
        .collect();
    for (reduced, law) in points.iter_mut().zip(laws) {
        let (Some(law), Some((velocity, power))) = (law, level(&reduced.point)) else {
            continue;
        };
        reduced.level_exponent = Some(law.exponent);
        reduced.level_exponent_u = Some(law.exponent_u);
        // Under every rule motion and what the rule keeps go together.
        let target = reduced
            .point
            .target_deviation_pct
            .map(|pct| velocity / (1.0 + pct / 100.0));
        let scaled = target.and_then(|to| law.scaled(power, velocity, to, amplitude.tolerance_pct));
        reduced.power_damper_at_target_w = scaled.map(|p| p.power_w);
        reduced.power_damper_at_target_u_w = scaled.map(|p| p.power_u_w);
    }
}

fn level(point: &SettledPoint) -> Option<(f64, Power)> {
    let power = Power {
        power_w: point.power_damper_w?,
        power_u_w: point.power_damper_u_w?,
    };
    Some((point.antinode_velocity_mm_s?, power))
}

fn same_harmonic(a: &SettledPoint, b: &SettledPoint) -> bool {
    let counted = |p: &SettledPoint| p.verdict != Verdict::Rejected;
    let near = a
        .frequency_hz
        .zip(b.frequency_hz)
        .is_some_and(|(a, b)| (a - b).abs() <= SAME_HARMONIC * a);
    let other = a.harmonic.zip(b.harmonic).is_some_and(|(a, b)| a != b);
    counted(a) && counted(b) && near && !other
}
