//! A run against its bare run and its criteria.
//!
//! In: points and setup of a run, of the bare run where there is one, free
//! decays, the required curves. Out: reduced points, second methods,
//! judgements. Pure.

use super::bare::{BareLosses, Refusal, Subtraction, same_harmonic};
use super::compatibility::shared_standard;
use super::criteria::{Judgement, Outcome, RequiredCurve, judge};
use super::decay::Decay;
use super::end_motion::Basis;
use super::level_law::LevelLaw;
use super::methods::{MethodCheck, WholeSpanLosses, checks};
use super::node::NodeBasis;
use super::reduced_point::ReducedPoint;
use super::retained::{NoCorrection, Retained, RetainedLosses};
use super::unknown_stiffness;
use crate::analysis::Exclusion;
use crate::maths;
use crate::reduction::fields::PointValue;
use crate::reduction::measured::record;
use crate::reduction::{COVERAGE, Measured, PointRow as _, SettledPoint};
use crate::setup::{Role, Setup, Verdict};

/// A run as it is reduced: its points under its setup.
#[derive(Debug, Clone, Copy)]
pub struct RunPoints<'a> {
    /// Its setup.
    pub setup: &'a Setup,
    /// Its points.
    pub points: &'a [SettledPoint],
    /// Those of them that are not to count: they keep their values, and nothing rests
    /// on them.
    pub exclusions: &'a [Exclusion],
}

impl RunPoints<'_> {
    fn counts(&self, point: &SettledPoint) -> bool {
        !is_excluded(self.exclusions, point)
    }
}

/// Whether a point was excluded.
pub fn is_excluded(exclusions: &[Exclusion], point: &SettledPoint) -> bool {
    let mut excluded = exclusions.iter();
    excluded.any(|exclusion| exclusion.point == point.point)
}

/// Points without those that were excluded.
pub fn without_excluded(points: &[SettledPoint], exclusions: &[Exclusion]) -> Vec<SettledPoint> {
    let counting = points.iter().filter(|p| !is_excluded(exclusions, p));
    counting.cloned().collect()
}

record! {
    /// How the bare span's losses were found.
    #[derive(Debug, Clone, PartialEq)]
    pub struct BareStatement {
        /// Exponent l of the level in `(V/V_bare)^l`.
        level_exponent / level_exponent_u: Measured,
        /// Whether the bare run's levels gave it; else it is the default.
        level_exponent_fitted: bool,
        /// Harmonics of the bare run.
        harmonics: usize,
        /// From, Hz.
        low_hz: f64,
        /// To, Hz.
        high_hz: f64,
        /// Expanded uncertainty, k = 2, of the correction itself, % of the bare
        /// span's power: the largest of all points that have one.
        subtraction_u_pct: f64,
        /// Points for which the strain at the end clamp said what of the bare
        /// span's losses remains with the damper on.
        kept_by_strain: usize,
        /// For which the frequency and the damper's place did.
        kept_by_frequency: usize,
        /// For which nothing did: they have no corrected damper power.
        kept_unknown: usize,
        /// Expanded uncertainty, k = 2, that both runs' powers share, %.
        shared_u_pct: f64,
    }
}

record! {
    /// What the losses of the bare span were read at.
    #[derive(Debug, Clone, PartialEq)]
    #[allow(
        missing_docs,
        reason = "each field's name carries its quantity and unit, as in a settled point"
    )]
    pub struct BarePoint {
        point: u64,
        verdict: Verdict,
        harmonic: Option<u32>,
        frequency_hz / frequency_u_hz: Option<Measured>,
        antinode_velocity_mm_s / antinode_velocity_u_mm_s: Option<Measured>,
        iswr / iswr_u: Option<Measured>,
        power_total_w / power_total_u_w: Option<Measured>,
    }
}

impl BarePoint {
    /// The points of a bare run that count as settled.
    pub fn settled(points: &[SettledPoint]) -> Vec<Self> {
        points
            .iter()
            .filter(|point| point.verdict != Verdict::Rejected)
            .map(|point| Self {
                point: point.point,
                verdict: point.verdict,
                harmonic: point.harmonic,
                frequency_hz: point.frequency_hz,
                antinode_velocity_mm_s: point.antinode_velocity_mm_s,
                iswr: point.iswr,
                power_total_w: point.power_total_w,
            })
            .collect()
    }
}

impl BareStatement {
    /// How many points have a corrected damper power.
    pub fn corrected(&self) -> usize {
        self.kept_by_strain + self.kept_by_frequency
    }

    /// In words, by what it is known what of the losses remains with the
    /// damper on, and for how many points.
    pub fn basis(&self) -> String {
        let parts = [
            (self.kept_by_strain, "by the strain at the end clamp"),
            (self.kept_by_frequency, "by frequency and damper position"),
            (self.kept_unknown, "not known, no corrected power"),
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
    run: RunPoints,
    bare: Option<RunPoints>,
    decays: &[Decay],
    curves: &[Option<RequiredCurve>],
) -> Result<Reduced, Refusal> {
    let bare = bare.map(|bare| (bare.setup, without_excluded(bare.points, bare.exclusions)));
    let bare = bare.as_ref();
    let losses = bare
        .map(|(setup, points)| Losses::of(run.setup, setup, points))
        .transpose()?;
    let mut points: Vec<ReducedPoint> = run
        .points
        .iter()
        .map(|point| reduce_point(point, losses.as_ref()))
        .collect();
    scale_to_target(run, &mut points);
    for point in &mut points {
        mark_incomplete(point, bare.map(|(_, points)| points.as_slice()));
    }
    let counting = points.iter().filter(|point| run.counts(&point.point));
    let counting: Vec<ReducedPoint> = counting.cloned().collect();
    let settled: Vec<SettledPoint> = points.iter().map(|p| p.point.clone()).collect();
    let judgements: Vec<Judgement> = run
        .setup
        .criteria
        .iter()
        .enumerate()
        .map(|(n, criterion)| {
            let curve = curves.get(n).and_then(Option::as_ref);
            judge(run.setup, &settled, run.exclusions, criterion, curve)
        })
        .collect();
    let whole_span = losses.as_ref().and_then(|l| l.whole_span.as_ref());
    Ok(Reduced {
        checks: checks(run.setup, &counting, decays, whole_span),
        bare: losses.as_ref().and_then(|l| l.statement(&counting)),
        outcome: overall(&judgements),
        judgements,
        points,
    })
}

/// One failure fails the whole; a pass needs all to pass.
fn overall(judgements: &[Judgement]) -> Option<Outcome> {
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

/// Marks the powers that rest on a total power whose uncertainty is incomplete,
/// be it the point's own or those of the bare run.
fn mark_incomplete(reduced: &mut ReducedPoint, bare: Option<&[SettledPoint]>) {
    const TOTAL: &str = "power_total_w";
    let own = reduced.point.lacking(TOTAL, None).is_some();
    // The bare run's power is scaled to the level of this point.
    let own_level = reduced
        .point
        .lacking("antinode_velocity_mm_s", None)
        .is_some();
    let mut of_bare: Vec<String> = bare
        .into_iter()
        .flatten()
        .filter(|point| point.lacking(TOTAL, None).is_some())
        .flat_map(|point| &point.uncertainty_incomplete)
        .map(|what| format!("bare run: {what}"))
        .collect();
    of_bare.sort_unstable();
    of_bare.dedup();
    let keys: Vec<String> = reduced
        .cells()
        .into_iter()
        .filter(|cell| {
            matches!(cell.value, PointValue::Measured(Some(_)))
                && match cell.field.key {
                    "power_bare_w" | "power_taken_off_w" | "power_conductor_w" => {
                        own_level || !of_bare.is_empty()
                    }
                    key => key.starts_with("power_damper") && (own || !of_bare.is_empty()),
                }
        })
        .map(|cell| cell.field.key.to_owned())
        .collect();
    for key in keys {
        reduced.point.mark_incomplete(key);
    }
    if reduced.point.power_bare_w.is_some() {
        reduced.point.uncertainty_incomplete.extend(of_bare);
    }
}

struct Losses<'a> {
    run: &'a Setup,
    standard: BareLosses,
    stiffness: Option<BareLosses>,
    whole_span: Option<WholeSpanLosses>,
    retained: RetainedLosses,
    /// Relative standard uncertainty that both runs' powers share.
    shared_standard_u: f64,
}

impl<'a> Losses<'a> {
    fn of(run: &'a Setup, bare: &Setup, points: &[SettledPoint]) -> Result<Self, Refusal> {
        let shared_standard_u = shared_standard(run, bare, [Role::Antinode, Role::Node], true);
        let spacing_hz = bare.strung_conductor().string_harmonic_hz(1);
        let stiffness = BareLosses::by(points, spacing_hz, |p| p.power_total_stiffness_w);
        Ok(Self {
            run,
            standard: BareLosses::of(points, spacing_hz)?.sharing(shared_standard_u),
            stiffness: stiffness
                .ok()
                .map(|losses| losses.sharing(shared_standard_u)),
            whole_span: WholeSpanLosses::of(run, bare, points),
            retained: RetainedLosses::of(run, bare, points),
            shared_standard_u,
        })
    }

    /// What of the losses is still there with the damper on. The form with
    /// bending stiffness is what force and strain go with.
    fn retained(&self, point: &SettledPoint) -> Result<Retained, NoCorrection> {
        let node = self.stiffness.as_ref().unwrap_or(&self.standard);
        let whole = self.whole_span.as_ref().map(|whole| &whole.0);
        self.retained.at(point, node, whole)
    }

    fn statement(&self, points: &[ReducedPoint]) -> Option<BareStatement> {
        let (low_hz, high_hz) = self.standard.range_hz()?;
        let counted = points
            .iter()
            .filter(|p| p.point.verdict != Verdict::Rejected);
        let retained: Vec<Retained> = counted.clone().filter_map(|p| p.retained).collect();
        let largest_u = retained.iter().map(|r| r.part.u).fold(0.0, f64::max);
        let count = |basis| retained.iter().filter(|r| r.end.basis == basis).count();
        Some(BareStatement {
            level_exponent: self.standard.level_exponent(),
            level_exponent_fitted: self.standard.level_exponent_fitted(),
            harmonics: self.standard.harmonics(),
            low_hz,
            high_hz,
            subtraction_u_pct: 100.0 * largest_u,
            kept_by_strain: count(Basis::EndStrain),
            kept_by_frequency: count(Basis::Frequency),
            kept_unknown: counted.count() - retained.len(),
            shared_u_pct: 100.0 * COVERAGE * self.shared_standard_u,
        })
    }
}

fn reduce_point(point: &SettledPoint, losses: Option<&Losses>) -> ReducedPoint {
    let mut reduced = ReducedPoint::from(point.clone());
    if let Some(losses) = losses.filter(|_| point.verdict != Verdict::Rejected) {
        match plain(point, &losses.standard, point.power_total_w) {
            Ok(subtraction) => {
                enter(&mut reduced, subtraction, losses);
                correct(&mut reduced, losses);
            }
            Err(refusal) => reduced
                .point
                .reasons
                .push(format!("no damper power: {refusal}")),
        }
        reduced.damper.power_damper_stiffness_w = losses
            .stiffness
            .as_ref()
            .and_then(|losses| plain(point, losses, point.power_total_stiffness_w).ok())
            .map(|subtraction| subtraction.damper);
    }
    reduced
}

/// Total power less the bare span's, as a whole.
fn plain(
    point: &SettledPoint,
    losses: &BareLosses,
    total: Option<Measured>,
) -> Result<Subtraction, Refusal> {
    losses.subtracted(point, with_u(total)?, Measured::new(1.0, 0.0))
}

fn with_u(total: Option<Measured>) -> Result<Measured, Refusal> {
    let total = total.ok_or(Refusal::Missing("total power"))?;
    let missing = Refusal::Missing("uncertainty of the total power");
    total.has_u().then_some(total).ok_or(missing)
}

/// The standard's form into a point, with what is to be said of it.
fn enter(reduced: &mut ReducedPoint, subtraction: Subtraction, losses: &Losses) {
    let point = &mut reduced.point;
    point.power_bare_w = Some(subtraction.bare);
    point.power_damper_w = Some(subtraction.damper);
    let gap = point
        .frequency_hz
        .and_then(|f| losses.standard.wide_gap(f.value));
    if let Some((from_hz, to_hz)) = gap {
        point.reasons.push(format!(
            "the bare run has no point between {from_hz:.2} Hz and {to_hz:.2} Hz; its losses there \
             are a guess between the two"
        ));
    }
}

/// The corrected power beside the standard's, with what it rests on, or why
/// there is none.
fn correct(reduced: &mut ReducedPoint, losses: &Losses) {
    let found = losses.retained(&reduced.point).and_then(|retained| {
        let point = &reduced.point;
        let (bare, total) = match &losses.stiffness {
            Some(stiff) => (stiff, with_u(point.power_total_stiffness_w)?),
            None => (&losses.standard, with_u(point.power_total_w)?),
        };
        Ok((retained, bare.subtracted(point, total, retained.part)?))
    });
    match found {
        Ok((retained, subtraction)) => {
            let stiff = losses.stiffness.is_some();
            let damper = if stiff {
                subtraction.damper
            } else {
                unknown_stiffness::widened(losses.run, &reduced.point, subtraction.damper)
            };
            let values = &mut reduced.damper;
            values.power_taken_off_w = Some(subtraction.retained);
            values.power_conductor_w = Some(Measured::new(
                retained.conductor_part.value * subtraction.bare.value,
                maths::hypot(
                    retained.conductor_part.value * subtraction.bare.u,
                    retained.conductor_part.u * subtraction.bare.value,
                ),
            ));
            values.end_motion_ratio = Some(retained.end.r);
            values.node_to_damper_m = Some(retained.node_to_damper_m);
            values.correction_basis = Some(basis(&retained, stiff));
            reduced.point.power_damper_corrected_w = Some(damper);
            reduced.retained = Some(retained);
        }
        Err(none) => reduced
            .point
            .reasons
            .push(format!("no corrected damper power: {none}")),
    }
}

/// What a correction rests on, in words.
fn basis(retained: &Retained, stiff: bool) -> String {
    let end = match retained.end.basis {
        Basis::EndStrain => "motion of the end by the strain at the end clamp",
        Basis::Frequency => "motion of the end by frequency and damper position",
    };
    let node = match retained.node {
        NodeBasis::Place => "node by its place".to_owned(),
        NodeBasis::Number(number) => format!("node {number} from the damper"),
    };
    let stiffness = if stiff {
        "with bending stiffness"
    } else {
        "bending stiffness not given, in the uncertainty"
    };
    format!("{end}; {node}; {stiffness}")
}

/// Fills in the damper's power at the exact level, where a second level at the
/// same harmonic shows how it goes with the level.
fn scale_to_target(run: RunPoints, points: &mut [ReducedPoint]) {
    let Some(amplitude) = run.setup.amplitude else {
        return;
    };
    let laws: Vec<Option<LevelLaw>> = points
        .iter()
        .map(|p| {
            let levels: Vec<(f64, Measured)> = points
                .iter()
                .filter(|other| run.counts(&other.point) && same_harmonic(&p.point, &other.point))
                .filter_map(|other| level(&other.point))
                .collect();
            LevelLaw::of(&levels)
        })
        .collect();
    for (reduced, law) in points.iter_mut().zip(laws) {
        let (Some(law), Some((velocity, power))) = (law, level(&reduced.point)) else {
            continue;
        };
        reduced.damper.level_exponent = Some(law.exponent);
        // Under every rule motion and what the rule keeps go together.
        let target = reduced
            .point
            .target_deviation_pct
            .map(|pct| velocity / (1.0 + pct / 100.0));
        reduced.damper.power_damper_at_target_w =
            target.and_then(|to| law.scaled(power, velocity, to, amplitude.tolerance_pct));
    }
}

fn level(point: &SettledPoint) -> Option<(f64, Measured)> {
    let velocity = point.antinode_velocity_mm_s?.value;
    Some((velocity, point.power_damper_w.filter(Measured::has_u)?))
}
