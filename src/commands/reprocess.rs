//! `spanhold reprocess SETUP FILE… --out RUN`: recordings, or a folder of them → a run folder; with
//! `--baseline BARE_RUN` to the verdict and the printable report. `--archive LIST --out DIR`: many
//! of them.
//!
//! The analysis is that of a live capture, sample for sample; block length and
//! number of threads make no difference to a single byte of the points.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use serde::Serialize;

use super::bar::Bar;
use super::points_table::{point_notes, points_table};
use super::{Failure, Status, archive, reduce, terminal};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ledger::{REPORT_FILE, Run, RunRecord, RunState};
use crate::pipeline::{self, ReplayOptions, StopReason};
use crate::reduction::SettledPoint;
use crate::report::reduction::Reduction;
use crate::report::report_file::write_report;
use crate::report::run_evaluation::{EvaluatedRun, EvaluationRequest};
use crate::reprocessing::{ReprocessRequest, ReprocessWatch, Reprocessed, reprocess};

/// Arguments of `reprocess`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file
    #[arg(required_unless_present = "archive")]
    setup: Option<PathBuf>,
    /// The recordings (WAV), or folders of recordings, in any order: they are
    /// taken by their start times, else by their names, and each stands for
    /// itself unless its times or `continues = true` say otherwise; with several
    /// sources NAME=FILE says whose each is
    #[arg(required_unless_present = "archive", value_name = "FILE")]
    files: Vec<String>,
    /// Instead of one run, all of a list: a CSV table `run,setup,baseline,recordings`,
    /// whose paths are seen from its folder; what was done and has not changed since is
    /// not done again
    #[arg(long, value_name = "LIST", conflicts_with_all = ["setup", "files", "baseline", "force"])]
    pub(super) archive: Option<PathBuf>,
    /// The run folder to make; with --archive the folder of the run folders
    #[arg(long, value_name = "RUN")]
    pub(super) out: PathBuf,
    /// The run of the bare span: go on to `reduce` and `report`, that is to the
    /// damper's power, the verdict and report.html in RUN
    #[arg(long, value_name = "BARE_RUN")]
    baseline: Option<PathBuf>,
    /// As for `reduce`: antinode velocities, mm/s peak, between which free
    /// decays are fitted
    #[arg(long, value_name = "LOW:HIGH", value_parser = reduce::decay_range, conflicts_with = "archive", requires = "baseline")]
    decay_range: Option<(f64, f64)>,
    /// Replace the results of an earlier reprocess in RUN; recordings and
    /// captures are never touched
    #[arg(long)]
    force: bool,
    /// Print the result as JSON instead of a table
    #[arg(long)]
    pub(super) json: bool,
    /// Threads that work on it, with --archive two runs at a time for each; makes no
    /// difference to the results
    /// [default: one a core]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=256))]
    threads: Option<u16>,
    /// Frames read at once; makes no difference to the results
    #[arg(long, value_name = "N", default_value_t = 16_384,
          value_parser = clap::value_parser!(u32).range(1..=16_777_216))]
    block_frames: u32,
}

/// What `--json` prints.
#[derive(Serialize)]
struct Summary<'a> {
    run: String,
    state: RunState,
    reason: Option<&'a str>,
    points: &'a [SettledPoint],
    /// With `--baseline`.
    #[serde(skip_serializing_if = "Option::is_none")]
    reduced: Option<Reduced<'a>>,
}

/// What `reduce` prints, and where the report is.
#[derive(Serialize)]
struct Reduced<'a> {
    reduction: &'a Reduction,
    points: &'a [ReducedPoint],
    report: String,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let Some(setup) = &args.setup else {
        return archive::run(args);
    };
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let request = ReprocessRequest {
        setup,
        recordings: &args.files,
        base: Path::new(""),
        baseline: args.baseline.as_deref(),
        out: &args.out,
        replace: args.force,
        options: options(args),
    };
    let mut watch = Terminal(None);
    let made = reprocess(request, &stop, &mut watch);
    if let Some(bar) = watch.0 {
        bar.clear();
    }
    let Reprocessed {
        record,
        points,
        reason,
    } = made?;
    // A reading that was cut short is no ground for a verdict.
    let whole = matches!(reason, StopReason::Complete);
    let concluded = match &args.baseline {
        Some(baseline) if whole => Some(conclude(args, baseline)?),
        _ => None,
    };
    print(args, &record, &points, concluded.as_ref())?;
    let status = verdict(reason)?;
    Ok(concluded.map_or(status, |concluded| reduce::status(&concluded)))
}

/// How recordings are read.
pub(super) fn options(args: &Args) -> ReplayOptions {
    ReplayOptions {
        threads: args
            .threads
            .map_or(ReplayOptions::default().threads, usize::from),
        block_frames: args.block_frames as usize,
    }
}

/// On to the verdict and the report, by the code of `reduce` and `report`.
fn conclude(args: &Args, baseline: &Path) -> Result<EvaluatedRun, Failure> {
    let evaluated = reduce::evaluate(EvaluationRequest {
        run: &args.out,
        baseline: Some(baseline),
        decay_range_mm_s: args.decay_range,
    })?;
    let now_utc = jiff::Timestamp::now();
    write_report(&args.out, &args.out.join(REPORT_FILE), now_utc).map_err(anyhow::Error::from)?;
    Ok(evaluated)
}

/// Who watches at a terminal.
struct Terminal(Option<Bar>);

impl ReprocessWatch for Terminal {
    fn note(&mut self, note: &str) {
        terminal::say(note);
    }

    fn begins(&mut self, frames: u64) {
        self.0 = Some(Bar::new(frames));
    }

    fn progress(&mut self, frames: u64, points: usize) {
        if let Some(bar) = &self.0 {
            bar.frames(frames);
            bar.points(points);
        }
    }
}

fn print(
    args: &Args,
    record: &RunRecord,
    points: &[SettledPoint],
    concluded: Option<&EvaluatedRun>,
) -> Result<(), Failure> {
    let report = args.out.join(REPORT_FILE).display().to_string();
    let text = if args.json {
        let summary = Summary {
            run: args.out.display().to_string(),
            state: record.state,
            reason: record.reason.as_deref(),
            points,
            reduced: concluded.map(|concluded| Reduced {
                reduction: &concluded.reduction,
                points: &concluded.points,
                report,
            }),
        };
        let mut text = serde_json::to_string_pretty(&summary).map_err(anyhow::Error::from)?;
        text.push('\n');
        text
    } else {
        let width = terminal::width();
        // Those of a run that was made anew in its folder are still there.
        let run = Run::open(&args.out).map_err(anyhow::Error::from)?;
        let table = points_table(points, width) + &point_notes(&run, width);
        match concluded {
            None => format!("{table}\n{}\n", args.out.display()),
            Some(concluded) => format!(
                "{table}\n{}\nTo print: {report}\n",
                reduce::table(concluded)
            ),
        }
    };
    super::print(&text)
}

fn verdict(reason: StopReason) -> Result<Status, Failure> {
    match reason {
        StopReason::Complete => Ok(Status::Done),
        StopReason::SourceFailed { .. } => Err(Failure::Input(anyhow::anyhow!(
            "{reason}; the points before that are in the run folder"
        ))),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        other => Err(Failure::Device(anyhow::anyhow!(
            "{other}; the points before that are in the run folder"
        ))),
    }
}
