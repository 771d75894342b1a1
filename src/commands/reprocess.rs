//! `spanhold reprocess SETUP FILE… --out RUN`: recordings, or a folder of them → a run folder; with
//! `--baseline BARE_RUN` to the verdict and the printable report.
//!
//! The analysis is that of a live capture, sample for sample; block length and
//! number of threads make no difference to a single byte of the points.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::Context as _;
use serde::Serialize;

use super::assign::{self, SourceFiles};
use super::bar::Bar;
use super::points_table::points_table;
use super::{Failure, Status, reduce, terminal};
use crate::analysis::{Event, Finding};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ingest::sidecar::{hash_of_file, hash_of_sidecar};
use crate::ingest::stretches::{NamedFile, OrderedBy};
use crate::ledger::{Ledger, REPORT_FILE, RunRecord, RunState, SourceRecord, carry_curves};
use crate::pipeline::{
    self, Outcome, Progress, RecordedRun, RecordedSource, ReplayOptions, Sink, StopReason, replay,
};
use crate::reduction::SettledPoint;
use crate::report::reduction::Reduction;
use crate::report::report_file::write_report;
use crate::report::run_evaluation::{EvaluatedRun, EvaluationRequest, check_baseline};
use crate::setup::{self, Loaded};

/// Arguments of `reprocess`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The setup file
    setup: PathBuf,
    /// The recordings (WAV), or folders of recordings, in any order: they are
    /// taken by their start times, else by their names, and each stands for
    /// itself unless its times or `continues = true` say otherwise; with several
    /// sources NAME=FILE says whose each is
    #[arg(required = true, value_name = "FILE")]
    files: Vec<String>,
    /// The run folder to make
    #[arg(long, value_name = "RUN")]
    out: PathBuf,
    /// The run of the bare span: go on to `reduce` and `report`, that is to the
    /// damper's power, the verdict and report.html in RUN
    #[arg(long, value_name = "BARE_RUN")]
    baseline: Option<PathBuf>,
    /// As for `reduce`: antinode velocities, mm/s peak, between which free
    /// decays are fitted
    #[arg(long, value_name = "LOW:HIGH", value_parser = reduce::decay_range, requires = "baseline")]
    decay_range: Option<(f64, f64)>,
    /// Replace the results of an earlier reprocess in RUN; recordings and
    /// captures are never touched
    #[arg(long)]
    force: bool,
    /// Print the result as JSON instead of a table
    #[arg(long)]
    json: bool,
    /// Threads for the estimates; makes no difference to the results
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
    let loaded = setup::read(&args.setup).map_err(anyhow::Error::from)?;
    for warning in &loaded.warnings {
        terminal::say(warning.in_file(&loaded.file));
    }
    if let Some(folder) = &args.baseline {
        check_baseline(&loaded.setup, folder).map_err(anyhow::Error::from)?;
    }
    let assigned = assign::assign(&loaded.setup, &args.files)?;
    let recorded = open(&loaded, &assigned)?;
    let mut record = RunRecord::begin(
        "reprocess",
        &args.setup,
        loaded.text.as_bytes(),
        jiff::Timestamp::now(),
    );
    record.sources = source_records(&recorded, &assigned);
    let repeated: Vec<Event> = record
        .sources
        .iter()
        .filter_map(SourceRecord::repeated_event)
        .collect();
    let mut ledger = Ledger::create(&args.out, loaded.text.as_bytes(), record, args.force)
        .map_err(anyhow::Error::from)?;
    for event in &repeated {
        terminal::say(format_args!("warning: {}", event.message));
        ledger.event(event).map_err(anyhow::Error::from)?;
    }
    let notes =
        carry_curves(&loaded.setup, &args.setup, &mut ledger).map_err(anyhow::Error::from)?;
    notes.iter().for_each(terminal::say);
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let (ledger, points, outcome) = analyse(args, &loaded, recorded, ledger, &stop);
    let record = finish(ledger, &outcome)?;
    // A reading that was cut short is no ground for a verdict.
    let whole = matches!(outcome.reason, StopReason::Complete);
    let concluded = match &args.baseline {
        Some(baseline) if whole => Some(conclude(args, baseline)?),
        _ => None,
    };
    print(args, &record, &points, concluded.as_ref())?;
    let status = verdict(outcome.reason)?;
    Ok(concluded.map_or(status, |concluded| reduce::status(&concluded)))
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

fn open(loaded: &Loaded, assigned: &[SourceFiles]) -> anyhow::Result<RecordedRun> {
    let files: Vec<Vec<NamedFile>> = assigned
        .iter()
        .map(|source| source.files.iter().cloned().map(NamedFile::from).collect())
        .collect();
    let recorded = RecordedRun::open(&loaded.setup, &files)?;
    recorded.notes.iter().for_each(terminal::say);
    if recorded.stretches.len() > 1 {
        let by = match recorded.ordered_by.first() {
            Some(OrderedBy::StartTime) => "start times",
            Some(OrderedBy::Name) | None => "names",
        };
        terminal::say(format_args!(
            "{} recordings, each for itself, in the order of their {by}",
            recorded.stretches.len()
        ));
    }
    Ok(recorded)
}

/// What is known of the sources before they are read.
fn source_records(recorded: &RecordedRun, assigned: &[SourceFiles]) -> Vec<SourceRecord> {
    let mut records = recorded.sources();
    for (record, source) in records.iter_mut().zip(assigned) {
        record.repeated.clone_from(&source.repeated);
        for file in &mut record.files {
            let bytes = Path::new(&file.path).metadata();
            file.bytes = bytes.map_or(0, |metadata| metadata.len());
        }
    }
    records
}

/// Everything between the readers and the ledger. The points come back for
/// the table.
fn analyse(
    args: &Args,
    loaded: &Loaded,
    recorded: RecordedRun,
    ledger: Ledger,
    stop: &Arc<AtomicBool>,
) -> (Ledger, Vec<SettledPoint>, Outcome) {
    let mut sink = Keep {
        ledger,
        points: Vec::new(),
        bar: Bar::new(recorded.frames()),
        firsts: recorded
            .stretches
            .first()
            .into_iter()
            .flatten()
            .map(RecordedSource::first_sample)
            .collect(),
    };
    let options = ReplayOptions {
        threads: args
            .threads
            .map_or(ReplayOptions::default().threads, usize::from),
        block_frames: args.block_frames as usize,
    };
    let outcome = replay(&loaded.setup, recorded, options, stop, &mut sink);
    sink.bar.clear();
    (sink.ledger, sink.points, outcome)
}

/// Findings → ledger, progress → bar.
struct Keep {
    ledger: Ledger,
    points: Vec<SettledPoint>,
    bar: Bar,
    firsts: Vec<u64>,
}

impl Sink for Keep {
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        match finding {
            Finding::Point(point, evidence) => {
                if let Some(point) = self.ledger.point(*point, evidence)? {
                    self.points.push(point);
                    self.bar.points(self.points.len());
                }
            }
            Finding::Event(event) => {
                self.ledger.event(&event)?;
            }
            Finding::Trace(row) => self.ledger.trace(&row)?,
        }
        Ok(())
    }

    fn tick(&mut self, progress: &Progress) -> anyhow::Result<()> {
        let frames = progress.frames.iter().zip(&self.firsts);
        self.bar
            .frames(frames.map(|(at, first)| at.saturating_sub(*first)).sum());
        Ok(())
    }
}

/// Counts and hashes into the record, and the run closed.
fn finish(mut ledger: Ledger, outcome: &Outcome) -> Result<RunRecord, Failure> {
    let mut sources = ledger.record().sources.clone();
    for (record, ended) in sources.iter_mut().zip(&outcome.sources) {
        record.frames = ended.frames;
        record.missing_frames = ended.missing_frames;
        for file in &mut record.files {
            let path = Path::new(&file.path);
            let again = || format!("{}: cannot be read again for its hash", file.path);
            file.blake3 = Some(hash_of_file(path).with_context(again)?);
            file.sidecar_blake3 = hash_of_sidecar(path).with_context(again)?;
        }
    }
    let (state, reason) = match &outcome.reason {
        StopReason::Complete => (RunState::Done, None),
        StopReason::Asked => (RunState::Stopped, Some(outcome.reason.to_string())),
        other => (RunState::Failed, Some(other.to_string())),
    };
    ledger
        .sources(sources)
        .and_then(|()| ledger.close(state, reason, jiff::Timestamp::now()))
        .map_err(|error| Failure::Device(error.into()))
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
        let table = points_table(points, terminal::width());
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
