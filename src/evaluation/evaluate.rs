//! A run, and its bare run, as they were read → damper power, second methods,
//! judgements.
//!
//! In: setup, points and trace of a run, setup and points of the bare run, the
//! requirements. Out: an [`Evaluation`], or why there is none. Pure.

use super::bare::Refusal;
use super::compatibility::incompatibilities;
use super::criteria::RequiredCurve;
use super::decay::{Decay, EnvelopeRow, decays};
use super::fixed_sweep::{FixedSweep, SweepFitError, refined};
use super::reduced::{Reduced, reduce};
use super::run_values::RunValues;
use crate::analysis::TraceRow;
use crate::reduction::SettledPoint;
use crate::setup::Setup;

/// What a run is held against, beside the criteria of its setup.
#[derive(Debug, Clone, Copy, Default)]
pub struct Requirements<'a> {
    /// For each criterion of the setup its required curve, where it has one.
    pub curves: &'a [Option<RequiredCurve>],
    /// Antinode velocities, mm/s peak, between which free decays are fitted;
    /// `None`: all there is.
    pub decay_range_mm_s: Option<(f64, f64)>,
}

/// What came of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Evaluation {
    /// Points with the damper's power, second methods, judgements, outcome.
    pub reduced: Reduced,
    /// The free decays in the run's trace.
    pub decays: Vec<Decay>,
    /// The points of the bare run as its losses were read from them; empty without one.
    pub bare_points: Vec<SettledPoint>,
    /// What all points by fixed sensors together say, or why each stands alone; `None` where
    /// there are none.
    pub fixed_sweep: Option<Result<FixedSweep, SweepFitError>>,
}

/// Why a run cannot be evaluated.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EvaluationError {
    /// The losses of this bare run may not be taken off this run: each reason.
    #[error("{}", .0.join("\n"))]
    Incompatible(Vec<String>),
    /// The range of velocities that was asked for holds no free decay.
    #[error(
        "the trace holds no free decay between {low_mm_s} mm/s and {high_mm_s} mm/s peak; a decay \
         needs the drive's force on record, its end, and a fall to two thirds within the range"
    )]
    NoDecay {
        /// Lower end of the range, mm/s peak.
        low_mm_s: f64,
        /// Upper end of the range, mm/s peak.
        high_mm_s: f64,
    },
    /// The bare run has nothing to go by.
    #[error(transparent)]
    Refused(#[from] Refusal),
}

/// Evaluates a run against its bare run and its requirements.
///
/// # Errors
/// Where the bare run does not belong to the run or has no losses to take off,
/// and where decays were asked for in a range that has none.
pub fn evaluate(
    run: RunValues,
    bare: Option<RunValues>,
    requirements: Requirements,
) -> Result<Evaluation, EvaluationError> {
    let reasons = bare.map_or_else(Vec::new, |bare| incompatibilities(run.setup, bare.setup));
    if !reasons.is_empty() {
        return Err(EvaluationError::Incompatible(reasons));
    }
    let decays = match run.trace {
        Some(trace) => free_decays(run.setup, trace, requirements.decay_range_mm_s)?,
        None => Vec::new(),
    };
    let refined = refined(run, bare);
    let mut reduced = reduce(
        run.with(&refined.points),
        bare.zip(refined.bare.as_ref())
            .map(|(bare, points)| bare.with(points)),
        &decays,
        requirements.curves,
    )?;
    for point in &mut reduced.points {
        point.damper.iswr_alone = refined.alone.get(&point.point.point).copied();
    }
    Ok(Evaluation {
        reduced,
        decays,
        bare_points: refined.bare.unwrap_or_default(),
        fixed_sweep: refined.sweep,
    })
}

fn free_decays(
    setup: &Setup,
    trace: &[TraceRow],
    range_mm_s: Option<(f64, f64)>,
) -> Result<Vec<Decay>, EvaluationError> {
    let envelope: Vec<EnvelopeRow> = trace.iter().filter_map(envelope_row).collect();
    let mut found = decays(&envelope, range_mm_s);
    for decay in &mut found {
        decay.harmonic = setup.harmonic_of(decay.frequency_hz);
    }
    match range_mm_s {
        Some((low_mm_s, high_mm_s)) if found.is_empty() => Err(EvaluationError::NoDecay {
            low_mm_s,
            high_mm_s,
        }),
        _ => Ok(found),
    }
}

fn envelope_row(row: &TraceRow) -> Option<EnvelopeRow> {
    Some(EnvelopeRow {
        time_s: row.time_s,
        frequency_hz: row.frequency_hz?,
        antinode_velocity_mm_s: row.antinode_velocity_mm_s?,
        drive_force_n: row.drive_force_n?,
    })
}
