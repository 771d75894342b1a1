//! `spanhold reduce RUN --baseline BARE_RUN`: the damper's power, a second
//! method beside it, and the verdict.
//!
//! In: the run folder and that of the bare span. Out: `reduced.jsonl`,
//! `reduced.csv` and `reduction.json` in the run folder, a table or JSON on
//! standard output.

use std::path::PathBuf;

use anyhow::{Context as _, anyhow};
use serde::Serialize;

use super::reduction_table::reduction_table;
use super::{Failure, Status, terminal};
use crate::evaluation::criteria::Outcome;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::report::reduction::Reduction;
use crate::report::run_evaluation::{
    EvaluatedRun, EvaluationRequest, RunEvaluationError, evaluate_run,
};

/// Arguments of `reduce`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// The run of the bare span, whose losses are taken off; without it powers
    /// of the damper and criteria on them stay open
    #[arg(long, value_name = "BARE_RUN")]
    baseline: Option<PathBuf>,
    /// Antinode velocities, mm/s peak, between which free decays are fitted
    /// [default: all there is]
    #[arg(long, value_name = "LOW:HIGH", value_parser = decay_range)]
    decay_range: Option<(f64, f64)>,
    /// Print the result as JSON instead of a table
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Debug, Serialize)]
struct Printed<'a> {
    #[serde(flatten)]
    reduction: &'a Reduction,
    points: &'a [ReducedPoint],
}

/// `LOW:HIGH` in mm/s peak.
pub fn decay_range(text: &str) -> Result<(f64, f64), String> {
    let right = "two velocities in mm/s peak such as 50:100, the lower first, are right";
    let (low, high) = text.split_once(':').ok_or(right)?;
    let number = |text: &str| text.trim().parse::<f64>().map_err(|_| right.to_owned());
    let (low, high) = (number(low)?, number(high)?);
    if low >= 0.0 && high.is_finite() && low < high {
        Ok((low, high))
    } else {
        Err(right.to_owned())
    }
}

/// The table with the verdict, ready to be signed.
pub fn table(evaluated: &EvaluatedRun) -> String {
    let EvaluatedRun {
        reduction,
        points,
        setup,
        ..
    } = evaluated;
    reduction_table(reduction, points, setup, terminal::width())
}

/// Done, or a criterion not met.
pub fn status(evaluated: &EvaluatedRun) -> Status {
    match evaluated.reduction.outcome {
        None | Some(Outcome::Pass) => Status::Done,
        Some(Outcome::Fail | Outcome::Inconclusive) => Status::CriterionNotMet,
    }
}

/// Runs `reduce`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let evaluated = evaluate(EvaluationRequest {
        run: &args.run,
        baseline: args.baseline.as_deref(),
        decay_range_mm_s: args.decay_range,
    })?;
    let text = if args.json {
        let printed = Printed {
            reduction: &evaluated.reduction,
            points: &evaluated.points,
        };
        serde_json::to_string_pretty(&printed).context("the result as JSON")? + "\n"
    } else {
        table(&evaluated)
    };
    super::print(&text)?;
    Ok(status(&evaluated))
}

/// Evaluates a run folder and leaves the result in it.
pub fn evaluate(request: EvaluationRequest) -> Result<EvaluatedRun, Failure> {
    let mut evaluated = evaluate_run(request).map_err(|error| match error {
        RunEvaluationError::Decays { folder, .. } => anyhow!(
            "--decay-range: the trace of \"{}\" holds no free decay in this range; a decay needs \
             the drive's force on record, its end, and a fall to two thirds within the range",
            folder.display()
        ),
        other => other.into(),
    })?;
    for note in &evaluated.torn {
        terminal::say(note);
    }
    evaluated
        .write(request.run, jiff::Timestamp::now())
        .map_err(anyhow::Error::from)?;
    Ok(evaluated)
}
