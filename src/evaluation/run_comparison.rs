//! Several runs against the first of them, harmonic by harmonic.
//!
//! In: setups and points of the runs, each with a label for what it belongs
//! to. Out: differences with uncertainty and E_n numbers, repeatability and
//! reproducibility, and what makes the runs hard to compare. Pure.

use serde::Serialize;

use super::comparison::{
    ComparedQuantity, HarmonicDifference, HarmonicPrecision, differences, precision_by_harmonic,
};
use crate::reduction::SettledPoint;
use crate::setup::{Setup, Verdict};

/// Settings of two benches that differ by more than this part are named.
const NOTABLE_DIFFERENCE: f64 = 0.01;

/// One run of the comparison.
#[derive(Debug, Clone, Copy)]
pub struct ComparedRun<'a> {
    /// What it belongs to; runs with one label are repeats.
    pub label: &'a str,
    /// The run, as it is named to people.
    pub name: &'a str,
    /// Its setup.
    pub setup: &'a Setup,
    /// Its points.
    pub points: &'a [SettledPoint],
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
    /// What makes the runs hard to compare.
    pub warnings: Vec<String>,
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
        .map(|other| {
            let differences = differences(reference.points, other.points, quantity, spacing_hz);
            AgainstReference {
                label: other.label.to_owned(),
                run: other.name.to_owned(),
                without_partner: with_value(reference.points, quantity)
                    .saturating_sub(differences.len()),
                disagreeing: disagreeing(&differences),
                differences,
            }
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
        precision: precision_by_harmonic(&cells(runs), quantity, spacing_hz),
        warnings: warnings(reference, others),
    })
}

fn with_value(points: &[SettledPoint], quantity: ComparedQuantity) -> usize {
    points
        .iter()
        .filter(|p| p.verdict != Verdict::Rejected)
        .filter(|p| p.frequency_hz.is_some() && quantity.of(p).is_some())
        .count()
}

fn disagreeing(differences: &[HarmonicDifference]) -> usize {
    differences
        .iter()
        .filter(|d| d.e_n.is_some_and(|e_n| e_n.abs() > 1.0))
        .count()
}

/// The runs by label, in the order in which the labels first occur.
fn cells<'a>(runs: &[ComparedRun<'a>]) -> Vec<Vec<&'a [SettledPoint]>> {
    let mut labels: Vec<&str> = Vec::new();
    for run in runs {
        if !labels.contains(&run.label) {
            labels.push(run.label);
        }
    }
    labels
        .iter()
        .map(|label| {
            runs.iter()
                .filter(|run| run.label == *label)
                .map(|run| run.points)
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
    if shares_references(reference, others) {
        out.push(
            "runs share a calibration reference: E_n takes them as independent and is too small; \
             their repeatability says more"
                .to_owned(),
        );
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

fn shares_references(reference: &ComparedRun, others: &[ComparedRun]) -> bool {
    let names = |run: &ComparedRun| -> Vec<String> {
        run.setup
            .channels
            .iter()
            .filter_map(|channel| channel.reference.as_ref())
            .map(|reference| reference.name.clone())
            .collect()
    };
    let first = names(reference);
    others
        .iter()
        .any(|other| names(other).iter().any(|name| first.contains(name)))
}
