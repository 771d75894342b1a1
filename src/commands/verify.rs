//! `spanhold verify RUN`: everything computed anew from the recordings with
//! the stored setup; do the points stand, byte for byte?

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::Context as _;
use serde::Serialize;

use super::{Failure, Status};
use crate::analysis::TraceRow;
use crate::ledger::{
    EVIDENCE_FILE, POINTS_FILE, PointEvidence, Run, RunState, SETUP_FILE, TRACE_FILE,
};
use crate::pipeline::{Collected, RecordedSource, ReplayOptions, StopReason, replay};
use crate::report::difference::first_difference;
use crate::report::recordings::{Checked, Recordings, Standing};
use crate::setup::{self, Setup};

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
    let sources = sources(&run, &setup, &recordings)?;
    let anew = recompute(&setup, sources)?;
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
fn sources(
    run: &Run,
    setup: &Setup,
    recordings: &Recordings,
) -> Result<Vec<RecordedSource>, Failure> {
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
    let mut sources = Vec::new();
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
        let source = RecordedSource::open(setup, number, &files).map_err(anyhow::Error::from)?;
        sources.push(source);
    }
    Ok(sources)
}

/// What came out anew, as the lines of a run folder.
struct Anew {
    points: Vec<u8>,
    evidence: Vec<u8>,
    trace: Vec<TraceRow>,
}

fn recompute(setup: &Setup, sources: Vec<RecordedSource>) -> Result<Anew, Failure> {
    let stop = Arc::new(AtomicBool::new(false));
    let mut found = Collected::default();
    let outcome = replay(setup, sources, ReplayOptions::default(), &stop, &mut found);
    match outcome.reason {
        StopReason::Complete => Ok(written(found)?),
        StopReason::SinkFailed(error) => Err(Failure::Device(error)),
        reason @ StopReason::SourceFailed { .. } => Err(Failure::Input(anyhow::anyhow!(
            "{reason}; nothing can be verified"
        ))),
        reason => Err(Failure::Device(anyhow::anyhow!("{reason}"))),
    }
}

fn written(found: Collected) -> anyhow::Result<Anew> {
    let (mut points, mut lines) = (Vec::new(), Vec::new());
    for (point, evidence) in found.points {
        let number = point.point;
        serde_json::to_writer(&mut points, &point)?;
        points.push(b'\n');
        let evidence = PointEvidence {
            point: number,
            evidence,
        };
        serde_json::to_writer(&mut lines, &evidence)?;
        lines.push(b'\n');
    }
    Ok(Anew {
        points,
        evidence: lines,
        trace: found.trace,
    })
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
