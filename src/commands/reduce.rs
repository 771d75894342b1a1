//! `spanhold reduce RUN --baseline BARE_RUN`: the damper's power, a second
//! method beside it, and the verdict.
//!
//! In: the run folder and that of the bare span. Out: `reduced.jsonl`,
//! `reduced.csv` and `reduction.json` in the run folder, a table or JSON on
//! standard output.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, anyhow};
use serde::Serialize;

use super::opened_run::OpenedRun;
use super::reduction_table::reduction_table;
use super::{Failure, Status, terminal};
use crate::analysis::TraceRow;
use crate::evaluation::compatibility::incompatibilities;
use crate::evaluation::criteria::{Outcome, RequiredCurve};
use crate::evaluation::decay::{Decay, EnvelopeRow, decays};
use crate::evaluation::reduced::{RunPoints, reduce};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ledger::RunState;
use crate::report::reduction::CurveRecord;
use crate::report::reduction::Reduction;
use crate::report::reduction::RunIdentity;
use crate::report::reduction::reduction;
use crate::report::reduction::write_reduction;
use crate::setup::Requirement;
use crate::setup::Setup;

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

/// What is reduced, against what.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    /// The run folder.
    pub run: &'a Path,
    /// The run of the bare span.
    pub baseline: Option<&'a Path>,
    /// Antinode velocities, mm/s peak, between which free decays are fitted.
    pub decay_range_mm_s: Option<(f64, f64)>,
}

/// A run that has been reduced, as it now stands in its folder.
#[derive(Debug)]
pub struct Concluded {
    /// What the verdict rests on.
    pub record: Reduction,
    /// The points, with what the reduction adds.
    pub points: Vec<ReducedPoint>,
    setup: Setup,
}

impl Concluded {
    /// The table with the verdict, ready to be signed.
    pub fn table(&self) -> String {
        reduction_table(&self.record, &self.points, &self.setup, terminal::width())
    }

    /// Done, or a criterion not met.
    pub fn status(&self) -> Status {
        match self.record.outcome {
            None | Some(Outcome::Pass) => Status::Done,
            Some(Outcome::Fail | Outcome::Inconclusive) => Status::CriterionNotMet,
        }
    }
}

/// Runs `reduce`.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let concluded = conclude(Asked {
        run: &args.run,
        baseline: args.baseline.as_deref(),
        decay_range_mm_s: args.decay_range,
    })?;
    let text = if args.json {
        let printed = Printed {
            reduction: &concluded.record,
            points: &concluded.points,
        };
        serde_json::to_string_pretty(&printed).context("the result as JSON")? + "\n"
    } else {
        concluded.table()
    };
    super::print(&text)?;
    Ok(concluded.status())
}

/// Reduces a run folder and leaves the result in it.
pub fn conclude(asked: Asked) -> Result<Concluded, Failure> {
    let opened = OpenedRun::open(asked.run)?;
    let identity = identity(&opened)?;
    let baseline = asked
        .baseline
        .map(|folder| baseline(&opened, &identity, asked.run, folder))
        .transpose()?;
    let curves = curves(&opened)?;
    let mut notes = notes(&identity);
    let decays = free_decays(&opened, asked.decay_range_mm_s, &mut notes)?;
    let parsed: Vec<Option<RequiredCurve>> = curves.iter().map(|c| c.1.clone()).collect();
    let reduced = reduce(
        run_points(&opened),
        baseline.as_ref().map(|(bare, _)| run_points(bare)),
        &decays,
        &parsed,
    )
    .with_context(|| baseline_name(asked))?;
    let bare_identity = baseline.map(|(_, identity)| identity);
    notes.extend(bare_identity.as_ref().map(self::notes).unwrap_or_default());
    if opened.setup.criteria.is_empty() {
        notes.push("the setup has no [[criteria]]: nothing is judged".to_owned());
    }
    let mut record = reduction(identity, bare_identity, &reduced);
    record.curves = curves.into_iter().filter_map(|c| c.0).collect();
    record.decays = decays;
    record.notes = notes;
    write_reduction(asked.run, &reduced.points, &mut record).map_err(anyhow::Error::from)?;
    Ok(Concluded {
        record,
        points: reduced.points,
        setup: opened.setup,
    })
}

/// Says before a recording is read why a bare run cannot be its baseline, as
/// far as the setups show it.
pub fn check_baseline(setup: &Setup, folder: &Path) -> Result<(), Failure> {
    let bare = OpenedRun::open(folder)?;
    refuse(folder, incompatibilities(setup, &bare.setup))
}

fn run_points(opened: &OpenedRun) -> RunPoints<'_> {
    RunPoints {
        setup: &opened.setup,
        points: &opened.run.points,
    }
}

fn baseline_name(asked: Asked) -> String {
    asked
        .baseline
        .map_or_else(String::new, |folder| folder.display().to_string())
}

fn identity(opened: &OpenedRun) -> Result<RunIdentity, Failure> {
    let identity = RunIdentity::of(&opened.run, &opened.setup);
    Ok(identity.map_err(anyhow::Error::from)?)
}

/// Opens the baseline, or says why it may not be one.
fn baseline(
    opened: &OpenedRun,
    identity: &RunIdentity,
    run: &Path,
    folder: &Path,
) -> Result<(OpenedRun, RunIdentity), Failure> {
    let bare = OpenedRun::open(folder)?;
    let same = run
        .canonicalize()
        .ok()
        .zip(folder.canonicalize().ok())
        .is_some_and(|(a, b)| a == b);
    let theirs = self::identity(&bare)?;
    let mut faults = Vec::new();
    if same {
        faults.push("it is the run itself; the folder of the bare span's run is right".to_owned());
    } else {
        faults.extend(incompatibilities(&opened.setup, &bare.setup));
        if identity.shares_recording(&theirs) {
            faults.push(
                "both runs were read from the same recording; one of the bare span is right"
                    .to_owned(),
            );
        }
    }
    refuse(folder, faults)?;
    Ok((bare, theirs))
}

/// Every fault of a baseline in one failure, none in success.
fn refuse(folder: &Path, faults: Vec<String>) -> Result<(), Failure> {
    if faults.is_empty() {
        return Ok(());
    }
    let name = folder.display();
    let lines: Vec<String> = faults.iter().map(|f| format!("{name}: {f}")).collect();
    Err(anyhow!("{}", lines.join("\n")).into())
}

/// What the reader must know about how a run ended.
fn notes(identity: &RunIdentity) -> Vec<String> {
    let folder = &identity.folder;
    match identity.state {
        RunState::Done => Vec::new(),
        RunState::Stopped => vec![format!("{folder}: the run was stopped before its end")],
        RunState::Failed => vec![format!("{folder}: the run was ended by a fault")],
        RunState::Running => vec![format!(
            "{folder}: the run is still going on, or was broken off; more points may follow"
        )],
    }
}

/// For every criterion its curve, if it has one.
type Curves = Vec<(Option<CurveRecord>, Option<RequiredCurve>)>;

fn curves(opened: &OpenedRun) -> Result<Curves, Failure> {
    opened
        .setup
        .criteria
        .iter()
        .zip(1..)
        .map(|(criterion, number)| match &criterion.requirement {
            Requirement::EfficiencyCurve { curve } => {
                let (record, curve) = read_curve(opened, number, curve)?;
                Ok((Some(record), Some(curve)))
            }
            _ => Ok((None, None)),
        })
        .collect()
}

/// The curve's path is seen from the setup file the run was begun with; the
/// run folder is looked into first, so that a run can carry its curve along.
fn read_curve(
    opened: &OpenedRun,
    criterion: usize,
    curve: &str,
) -> Result<(CurveRecord, RequiredCurve), Failure> {
    let beside = Path::new(&opened.run.record.setup_file)
        .parent()
        .map_or_else(|| PathBuf::from(curve), |folder| folder.join(curve));
    let tried = [opened.run.folder.join(curve), beside];
    let path = tried.iter().find(|path| path.is_file()).ok_or_else(|| {
        anyhow!(
            "criteria[{criterion}].curve: \"{curve}\" is neither at \"{}\" nor at \"{}\"; put the \
             file at one of them",
            tried[0].display(),
            tried[1].display()
        )
    })?;
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path).with_context(|| file.clone())?;
    let parsed = RequiredCurve::parse(&text, &file).map_err(anyhow::Error::from)?;
    let record = CurveRecord {
        criterion,
        file,
        blake3: blake3::hash(text.as_bytes()).to_hex().to_string(),
        text,
    };
    Ok((record, parsed))
}

/// The free decays of a run. A run without a usable trace has none, and says so.
fn free_decays(
    opened: &OpenedRun,
    range_mm_s: Option<(f64, f64)>,
    notes: &mut Vec<String>,
) -> Result<Vec<Decay>, Failure> {
    let everything = (f64::NEG_INFINITY, f64::INFINITY);
    let rows = match opened.run.trace(everything.0, everything.1) {
        Ok(rows) => rows,
        Err(error) => {
            notes.push(format!("no free decays were looked for: {error}"));
            return Ok(Vec::new());
        }
    };
    let envelope: Vec<EnvelopeRow> = rows.iter().filter_map(envelope_row).collect();
    let mut found = decays(&envelope, range_mm_s);
    for decay in &mut found {
        decay.harmonic = opened.setup.harmonic_of(decay.frequency_hz);
    }
    if range_mm_s.is_some() && found.is_empty() {
        return Err(anyhow!(
            "--decay-range: the trace of \"{}\" holds no free decay in this range; a decay needs \
             the drive's force on record, its end, and a fall to two thirds within the range",
            opened.run.folder.display()
        )
        .into());
    }
    Ok(found)
}

fn envelope_row(row: &TraceRow) -> Option<EnvelopeRow> {
    Some(EnvelopeRow {
        time_s: row.time_s,
        frequency_hz: row.frequency_hz?,
        antinode_velocity_mm_s: row.antinode_velocity_mm_s?,
        drive_force_n: row.drive_force_n?,
    })
}
