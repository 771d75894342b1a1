//! `spanhold verify RUN`: everything computed anew from the recordings with
//! the stored setup; do the points stand, byte for byte?

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::thread;

use anyhow::Context as _;
use crossbeam_channel::bounded;
use serde::Serialize;

use super::{Failure, Status};
use crate::analysis::{Finding, TraceRow};
use crate::ingest::wav::{WavReader, spawn_wav};
use crate::ledger::{
    EVIDENCE_FILE, POINTS_FILE, PointEvidence, Run, RunState, SETUP_FILE, TRACE_FILE,
};
use crate::pipeline::{self, Input, Options, Order, Progress, Sink, StopReason};
use crate::reduction::SettledPoint;
use crate::report::difference::first_difference;
use crate::report::recordings::{Checked, Recordings, Standing};
use crate::setup::{self, Setup};
use crate::tone::TonePlan;

/// Frames read at once; makes no difference to the results.
const BLOCK_FRAMES: usize = 16_384;
/// Blocks a reader may be ahead of the analysis.
const CHANNEL_BLOCKS: usize = 4;

/// Arguments of `verify`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Print the result as JSON
    #[arg(long)]
    json: bool,
}

/// What `--json` prints.
#[derive(Debug, Serialize)]
struct Verification {
    run: String,
    stands: bool,
    made_by: String,
    verified_by: String,
    points: usize,
    recordings: Recordings,
    findings: Vec<String>,
}

/// Runs the command.
///
/// Exit code 1 where the result does not stand, 2 where what it was made from
/// is missing.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let run = Run::open(&args.run).map_err(anyhow::Error::from)?;
    let setup_file = args.run.join(SETUP_FILE).display().to_string();
    let setup = setup::parse(&run.setup_text, &setup_file).map_err(anyhow::Error::from)?;
    let recordings = Recordings::check(&run);
    let inputs = inputs(&run, &setup, &recordings)?;
    let anew = recompute(&setup, inputs)?;
    let mut findings: Vec<String> = recordings
        .all()
        .filter(|file| matches!(file.standing, Standing::Changed { .. }))
        .map(Checked::sentence)
        .collect();
    findings.extend(differences(&run, &anew)?);
    let verification = Verification {
        run: args.run.display().to_string(),
        stands: findings.is_empty(),
        made_by: format!("{} {}", run.record.program, run.record.version),
        verified_by: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        points: run.points.len(),
        recordings,
        findings,
    };
    let text = if args.json {
        serde_json::to_string_pretty(&verification).map_err(anyhow::Error::from)? + "\n"
    } else {
        text(&run, &verification)
    };
    super::print(&text)?;
    Ok(if verification.stands {
        Status::Done
    } else {
        Status::CriterionNotMet
    })
}

fn text(run: &Run, verification: &Verification) -> String {
    let mut lines = Vec::new();
    if verification.made_by != verification.verified_by {
        lines.push(format!(
            "The run was made by {}; this is {}, whose numbers may differ.",
            verification.made_by, verification.verified_by
        ));
    }
    let unhashed = verification
        .recordings
        .all()
        .filter(|file| file.standing == Standing::Unhashed);
    lines.extend(unhashed.map(Checked::sentence));
    if run.record.state != RunState::Done {
        lines.push(
            "The run was broken off: what it logged is compared with the beginning of what comes out, \
             its last point left out if it ended with the run."
                .to_owned(),
        );
    }
    lines.extend(verification.findings.iter().cloned());
    lines.push(if verification.stands {
        format!(
            "{} stands: {} points come out of the recordings again, byte for byte.",
            verification.run, verification.points
        )
    } else {
        format!("{} DOES NOT STAND.", verification.run)
    });
    lines.join("\n") + "\n"
}

/// One reader a source, opened; a fault where anything is missing.
fn inputs(
    run: &Run,
    setup: &Setup,
    recordings: &Recordings,
) -> Result<Vec<(String, WavReader, TonePlan)>, Failure> {
    let absent: Vec<String> = recordings
        .all()
        .filter(|file| {
            matches!(
                file.standing,
                Standing::Missing | Standing::Unreadable { .. }
            )
        })
        .map(Checked::sentence)
        .collect();
    if !absent.is_empty() {
        return Err(Failure::Input(anyhow::anyhow!(
            "{}: nothing can be verified. {}",
            run.folder.display(),
            absent.join(" ")
        )));
    }
    let mut inputs = Vec::new();
    for (number, source) in setup.sources.iter().enumerate() {
        let files: Vec<PathBuf> = recordings
            .sources
            .get(number)
            .map_or(&[][..], Vec::as_slice)
            .iter()
            .filter_map(|file| file.found.clone())
            .collect();
        if files.is_empty() {
            return Err(Failure::Input(anyhow::anyhow!(
                "{}: run.json names no recording of source {}; nothing can be verified",
                run.folder.display(),
                source.name
            )));
        }
        let reader = WavReader::open(&files).map_err(anyhow::Error::from)?;
        let plan = TonePlan::new(setup, number, reader.format()).map_err(anyhow::Error::from)?;
        inputs.push((source.name.clone(), reader, plan));
    }
    Ok(inputs)
}

/// What came out anew.
#[derive(Default)]
struct Anew {
    points: Vec<u8>,
    evidence: Vec<u8>,
    trace: Vec<TraceRow>,
    count: u64,
}

impl Sink for Anew {
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        match finding {
            Finding::Point(point, evidence) => {
                self.count += 1;
                let point = SettledPoint {
                    point: self.count,
                    ..*point
                };
                let evidence = PointEvidence {
                    point: self.count,
                    evidence,
                };
                serde_json::to_writer(&mut self.points, &point)?;
                self.points.push(b'\n');
                serde_json::to_writer(&mut self.evidence, &evidence)?;
                self.evidence.push(b'\n');
            }
            Finding::Trace(row) => self.trace.push(row),
            Finding::Event(_) => {}
        }
        Ok(())
    }

    fn tick(&mut self, _: &Progress) -> anyhow::Result<()> {
        Ok(())
    }
}

fn recompute(setup: &Setup, sources: Vec<(String, WavReader, TonePlan)>) -> Result<Anew, Failure> {
    let main = setup.main_source().map_or(0, |(source, _)| source);
    let start_utc = sources
        .get(main)
        .and_then(|(_, reader, _)| reader.format().start_utc);
    let stop = Arc::new(AtomicBool::new(false));
    let inputs = sources
        .into_iter()
        .map(|(name, reader, plan)| {
            let (sender, messages) = bounded(CHANNEL_BLOCKS);
            Input {
                name,
                plan,
                messages,
                threads: vec![spawn_wav(reader, BLOCK_FRAMES, sender, Arc::clone(&stop))],
            }
        })
        .collect();
    let options = Options {
        threads: thread::available_parallelism().map_or(1, usize::from),
        order: Order::ByTime,
    };
    let mut anew = Anew::default();
    let outcome = pipeline::run(setup, start_utc, inputs, options, &stop, &mut anew);
    match outcome.reason {
        StopReason::Complete => Ok(anew),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        reason @ StopReason::SourceFailed { .. } => Err(Failure::Input(anyhow::anyhow!(
            "{reason}; nothing can be verified"
        ))),
        reason => Err(Failure::Device(anyhow::anyhow!("{reason}"))),
    }
}

/// A sentence for each file that does not come out again.
fn differences(run: &Run, anew: &Anew) -> Result<Vec<String>, Failure> {
    let mut findings = Vec::new();
    for (name, anew) in [(POINTS_FILE, &anew.points), (EVIDENCE_FILE, &anew.evidence)] {
        let path = run.folder.join(name);
        let logged =
            std::fs::read(&path).with_context(|| format!("{}: cannot be read", path.display()))?;
        let difference = if run.record.state == RunState::Done {
            first_difference(&logged, anew)
        } else {
            let (logged, anew) = as_far_as_logged(&logged, anew);
            first_difference(logged, anew)
        };
        findings.extend(
            difference.map(|difference| {
                format!("{name}, line {}: {}.", difference.line, difference.what)
            }),
        );
    }
    findings.extend(trace_difference(run, &anew.trace)?);
    Ok(findings)
}

/// Both files cut to the lines that a run that was broken off had finished,
/// the last one left out: its dwell may have ended with the run.
fn as_far_as_logged<'a>(logged: &'a [u8], anew: &'a [u8]) -> (&'a [u8], &'a [u8]) {
    let lines = logged.split_inclusive(|byte| *byte == b'\n').count();
    let upto = |bytes: &'a [u8]| {
        let length = bytes
            .split_inclusive(|byte| *byte == b'\n')
            .take(lines.saturating_sub(1))
            .map(<[u8]>::len)
            .sum::<usize>();
        bytes.get(..length).unwrap_or(bytes)
    };
    (upto(logged), upto(anew))
}

/// The figures of an audit rest on the trace: it has to come out as well.
fn trace_difference(run: &Run, anew: &[TraceRow]) -> Result<Option<String>, Failure> {
    let logged = run
        .trace(f64::NEG_INFINITY, f64::INFINITY)
        .map_err(anyhow::Error::from)?;
    let parts = logged
        .iter()
        .zip(anew)
        .position(|(logged, anew)| logged != anew);
    let whole = run.record.state != RunState::Done || logged.len() == anew.len();
    Ok(match parts {
        // Line 1 is the heading.
        Some(row) => Some(format!(
            "{TRACE_FILE}, line {}: the row at {} s does not come out of the recordings again.",
            row + 2,
            logged.get(row).map_or(f64::NAN, |row| row.time_s)
        )),
        None if !whole => Some(format!(
            "{TRACE_FILE}: it has {} rows, and {} come out of the recordings.",
            logged.len(),
            anew.len()
        )),
        None => None,
    })
}
