//! Several runs against the first of them, harmonic by harmonic.
//!
//! In: setups and points of the runs, each with a label for what it belongs
//! to. Out: differences with uncertainty and E_n numbers, repeatability and
//! reproducibility, and what makes the runs hard to compare. Pure.

use serde::Serialize;

use super::comparison::{
    ComparedQuantity, HarmonicDifference, HarmonicPrecision, PairedPoints, Pairing, differences,
    precision_by_harmonic,
};
use super::compatibility::{shared_clock_standard, shared_ratio_standard, shared_standard};
use crate::analysis::Exclusion;
use crate::reduction::{COVERAGE, SettledPoint};
use crate::setup::{LevelRule, Role, Setup, Verdict};

/// Settings of two benches that differ by more than this part are named.
const NOTABLE_DIFFERENCE: f64 = 0.01;

/// How far the levels of two points may be apart where neither setup states a
/// tolerance, %: the default of `[amplitude]`.
const LEVEL_TOLERANCE_PCT: f64 = 10.0;

/// One run of the comparison.
#[derive(Debug, Clone, Copy)]
pub struct ComparedRun<'a> {
    /// What it belongs to; runs with one label are repeats.
    pub label: &'a str,
    /// The run, as it is named to people.
    pub name: &'a str,
    /// Its setup.
    pub setup: &'a Setup,
    /// Its points that count.
    pub points: &'a [SettledPoint],
    /// Those of its points that were excluded, and are not among these.
    pub exclusions: &'a [Exclusion],
    /// Hashes of the recordings that they were read from.
    pub recordings: &'a [&'a str],
}

/// A run against the reference.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AgainstReference {
    /// What it belongs to.
    pub label: String,
    /// The run.
    pub run: String,
    /// Harmonic by harmonic.
    pub differences: Vec<HarmonicDifference>,
    /// Points of the reference without a partner in this run.
    pub without_partner: usize,
    /// How many of the differences have |E_n| above 1.
    pub disagreeing: usize,
    /// How many are between points at different levels.
    pub at_other_level: usize,
    /// Expanded uncertainty, k = 2, that both runs share and that is not in
    /// that of their differences, % of the value.
    pub shared_u_pct: f64,
    /// The run that this one is no repeat of, because both were read from one
    /// recording.
    pub same_recording_as: Option<String>,
    /// What has to be known to read the differences.
    pub statements: Vec<String>,
}

/// Several runs against the first of them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunComparison {
    /// What is compared.
    pub quantity: ComparedQuantity,
    /// Its unit.
    pub unit: &'static str,
    /// The first run.
    pub reference: String,
    /// The others.
    pub runs: Vec<AgainstReference>,
    /// Over all runs.
    pub precision: Vec<HarmonicPrecision>,
    /// The points that were left out, run by run.
    pub exclusions: Vec<LeftOut>,
    /// What makes the runs hard to compare.
    pub warnings: Vec<String>,
}

/// A point of a run that was left out because it was excluded.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct LeftOut {
    /// The run.
    pub run: String,
    /// The point, and who excluded it why.
    #[serde(flatten)]
    pub exclusion: Exclusion,
}

/// Why runs cannot be compared.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoComparison {
    /// Nothing to compare.
    #[error("two run folders or more are right")]
    OneRun,
    /// Nothing in common.
    #[error(
        "no harmonic of the reference run \"{0}\" with a value of this quantity occurs in another \
         run"
    )]
    NothingInCommon(String),
}

/// Compares runs with the first of them.
pub fn compare(
    runs: &[ComparedRun],
    quantity: ComparedQuantity,
) -> Result<RunComparison, NoComparison> {
    let Some((reference, others)) = runs.split_first() else {
        return Err(NoComparison::OneRun);
    };
    let spacing_hz = reference.setup.strung_conductor().string_harmonic_hz(1);
    let against: Vec<AgainstReference> = others
        .iter()
        .zip(1..)
        .map(|(other, place)| {
            let earlier = runs.get(..place).unwrap_or_default();
            against(reference, other, earlier, quantity)
        })
        .collect();
    if against.iter().all(|run| run.differences.is_empty()) {
        return Err(NoComparison::NothingInCommon(reference.name.to_owned()));
    }
    Ok(RunComparison {
        quantity,
        unit: quantity.unit(),
        reference: reference.name.to_owned(),
        runs: against,
        precision: precision_by_harmonic(&cells(runs, quantity), quantity, spacing_hz),
        exclusions: runs.iter().flat_map(left_out).collect(),
        warnings: warnings(reference, others),
    })
}

fn left_out<'a>(run: &'a ComparedRun) -> impl Iterator<Item = LeftOut> + use<'a> {
    run.exclusions.iter().map(|exclusion| LeftOut {
        run: run.name.to_owned(),
        exclusion: exclusion.clone(),
    })
}

/// One run against the reference; `earlier` are the runs named before it.
fn against(
    reference: &ComparedRun,
    run: &ComparedRun,
    earlier: &[ComparedRun],
    quantity: ComparedQuantity,
) -> AgainstReference {
    let spacing_hz = reference.setup.strung_conductor().string_harmonic_hz(1);
    let pairing = pairing(reference.setup, run.setup, quantity);
    let differences = differences(reference.points, run.points, quantity, spacing_hz, pairing);
    let mut against = AgainstReference {
        label: run.label.to_owned(),
        run: run.name.to_owned(),
        without_partner: with_value(reference.points, quantity).saturating_sub(differences.len()),
        disagreeing: disagreeing(&differences),
        at_other_level: differences.iter().filter(|d| d.at_other_level).count(),
        shared_u_pct: 100.0 * COVERAGE * pairing.shared_standard_u,
        same_recording_as: same_recording(run, earlier).map(|other| other.name.to_owned()),
        differences,
        statements: Vec::new(),
    };
    against.statements = statements(&against, pairing);
    against
}

/// The first of the runs that was read from one of this run's recordings.
fn same_recording<'a>(
    run: &ComparedRun,
    earlier: &'a [ComparedRun<'a>],
) -> Option<&'a ComparedRun<'a>> {
    earlier.iter().find(|other| {
        run.recordings
            .iter()
            .any(|hash| other.recordings.contains(hash))
    })
}

/// What both runs share in this quantity, and which levels may be compared.
fn pairing(reference: &Setup, run: &Setup, quantity: ComparedQuantity) -> Pairing {
    let motions = [Role::Node, Role::Antinode];
    let shared_standard_u = match quantity {
        ComparedQuantity::Efficiency => shared_ratio_standard(reference, run, motions),
        ComparedQuantity::PowerTotal | ComparedQuantity::PowerDamper => {
            let same_conductor = reference.conductor.designation == run.conductor.designation;
            shared_standard(reference, run, motions, same_conductor)
        }
        ComparedQuantity::Frequency => shared_clock_standard(reference, run),
    };
    let levels = [reference.amplitude, run.amplitude];
    let tolerances = levels.iter().flatten().map(|level| level.tolerance_pct);
    Pairing {
        shared_standard_u,
        level_by_strain: levels
            .iter()
            .all(|level| level.is_some_and(|level| level.rule == LevelRule::ClampStrain)),
        level_tolerance_pct: tolerances.reduce(f64::max).unwrap_or(LEVEL_TOLERANCE_PCT),
    }
}

/// What has to be known to read the differences of a run.
fn statements(run: &AgainstReference, pairing: Pairing) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(other) = &run.same_recording_as {
        out.push(format!(
            "this run and \"{other}\" were read from the same recording: it is no repeat, and is left \
             out of repeatability and reproducibility"
        ));
    }
    if run.at_other_level > 0 {
        let ratios = || {
            run.differences
                .iter()
                .filter(|d| d.at_other_level)
                .filter_map(|d| d.level_ratio)
        };
        let (low, high) = (
            ratios().fold(f64::INFINITY, f64::min),
            ratios().fold(0.0, f64::max),
        );
        out.push(format!(
            "at {} of {} harmonics the two runs were taken at different levels ({low:.2} to {high:.2} \
             times that of the reference; {} % are allowed): there the difference is one between \
             levels, has no E_n, and is left out of repeatability and reproducibility",
            run.at_other_level,
            run.differences.len(),
            pairing.level_tolerance_pct
        ));
    }
    if run.shared_u_pct > 0.0 {
        out.push(format!(
            "what both runs share, {:.2} % of the value (k = 2: calibration of channels with the same \
             name, full scale, uncertainty and reference in both setups; of power also mass and \
             tension), is not in the uncertainty of their differences",
            run.shared_u_pct
        ));
    }
    if run.differences.iter().any(|d| d.uncertainty_incomplete) {
        out.push(
            "an uncertainty marked * lacks a calibration that a setup does not state: E_n is too \
             large there"
                .to_owned(),
        );
    }
    out
}

fn with_value(points: &[SettledPoint], quantity: ComparedQuantity) -> usize {
    points
        .iter()
        .filter(|p| matches!(p.verdict, Verdict::Held | Verdict::Steady))
        .filter(|p| p.frequency_hz.is_some() && quantity.of(p).is_some())
        .count()
}

fn disagreeing(differences: &[HarmonicDifference]) -> usize {
    differences
        .iter()
        .filter(|d| d.e_n.is_some_and(|e_n| e_n.abs() > 1.0))
        .count()
}

/// The runs by label, in the order in which the labels first occur; a
/// recording counts once.
fn cells<'a>(runs: &[ComparedRun<'a>], quantity: ComparedQuantity) -> Vec<Vec<PairedPoints<'a>>> {
    let Some(reference) = runs.first() else {
        return Vec::new();
    };
    let once: Vec<&ComparedRun> = runs
        .iter()
        .enumerate()
        .filter(|(place, run)| {
            let earlier = runs.get(..*place).unwrap_or_default();
            same_recording(run, earlier).is_none()
        })
        .map(|(_, run)| run)
        .collect();
    let mut labels: Vec<&str> = Vec::new();
    for run in &once {
        if !labels.contains(&run.label) {
            labels.push(run.label);
        }
    }
    labels
        .iter()
        .map(|label| {
            once.iter()
                .filter(|run| run.label == *label)
                .map(|run| (run.points, pairing(reference.setup, run.setup, quantity)))
                .collect()
        })
        .collect()
}

fn warnings(reference: &ComparedRun, others: &[ComparedRun]) -> Vec<String> {
    let mut out = Vec::new();
    for other in others {
        for (name, ours, theirs) in settings(other.setup, reference.setup) {
            if (ours / theirs - 1.0).abs() > NOTABLE_DIFFERENCE {
                out.push(format!(
                    "\"{}\" was taken with {name} = {ours}, the reference with {theirs}",
                    other.name
                ));
            }
        }
    }
    out
}

fn settings(ours: &Setup, theirs: &Setup) -> Vec<(&'static str, f64, f64)> {
    let mut all = vec![
        (
            "conductor.mass_kg_per_m",
            ours.conductor.mass_kg_per_m,
            theirs.conductor.mass_kg_per_m,
        ),
        (
            "conductor.diameter_mm",
            ours.conductor.diameter_mm,
            theirs.conductor.diameter_mm,
        ),
        ("span.length_m", ours.span.length_m, theirs.span.length_m),
        (
            "span.tension_kn",
            ours.span.tension_kn,
            theirs.span.tension_kn,
        ),
    ];
    if let Some((a, b)) = ours
        .span
        .damper_position_m
        .zip(theirs.span.damper_position_m)
    {
        all.push(("span.damper_position_m", a, b));
    }
    if let Some((a, b)) = ours.amplitude.zip(theirs.amplitude)
        && a.rule == b.rule
    {
        all.push(("amplitude.value", a.value, b.value));
    }
    all
}
