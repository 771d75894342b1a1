//! `spanhold audit`: a run folder → the evidence, as text, HTML or JSON.

use std::path::PathBuf;

use anyhow::Context;
use clap::Args as ClapArgs;

use super::{Failure, Status};
use crate::ingest::StreamFormat;
use crate::ledger::{Run, SETUP_FILE, check_seal};
use crate::report::audit::case::Case;
use crate::report::audit::deep::{Deep, deep};
use crate::report::audit::{Audit, page, text};
use crate::report::recordings::Recordings;
use crate::setup::{self, Setup};
use crate::tone::TonePlan;

/// Arguments of `spanhold audit`.
#[derive(Debug, ClapArgs)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Only this point, with the raw waveforms and spectra of its hold
    #[arg(long)]
    point: Option<u64>,
    /// Write the evidence with its pictures into this one HTML file
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Print JSON instead of text
    #[arg(long)]
    json: bool,
}

/// Audits a run.
///
/// Exit code 1 where a file of the run has changed since it was made.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let run = Run::open(&args.run).map_err(anyhow::Error::from)?;
    let setup = setup::parse_with_matching(&run.setup_text, &args.run.join(SETUP_FILE))
        .map_err(anyhow::Error::from)?;
    let trace = run
        .trace(f64::NEG_INFINITY, f64::INFINITY)
        .map_err(anyhow::Error::from)?;
    let mut cases = Case::all(&run, &trace);
    if let Some(wanted) = args.point {
        cases.retain(|case| case.point.point == wanted);
        if cases.is_empty() {
            return Err(Failure::Input(no_such_point(&run, wanted)));
        }
    }
    let audit = Audit {
        run: &run,
        title: &setup.test.title,
        recordings: Recordings::check(&run),
        seal: check_seal(&args.run, None).map_err(anyhow::Error::from)?,
        trace: &trace,
        cases,
        window_s: window_s(&run, &setup),
    };
    let deep = match (args.point, audit.cases.first()) {
        (Some(_), Some(case)) => deep(case, &setup, &audit.recordings),
        _ => Deep::default(),
    };
    if let Some(file) = &args.html {
        std::fs::write(file, page::html(&audit, deep.html))
            .with_context(|| format!("{}: cannot be written", file.display()))?;
    }
    if args.json {
        let json = audit.json().map_err(anyhow::Error::from)?;
        super::print(&format!("{json}\n"))?;
    } else {
        super::print(&format!("{}{}", text::text(&audit), deep.text))?;
    }
    Ok(if audit.any_changed() {
        Status::CriterionNotMet
    } else {
        Status::Done
    })
}

fn no_such_point(run: &Run, wanted: u64) -> anyhow::Error {
    let folder = run.folder.display();
    match (run.points.first(), run.points.last()) {
        (Some(first), Some(last)) => anyhow::anyhow!(
            "{folder}: there is no point {wanted}; the run has points {} to {}",
            first.point,
            last.point
        ),
        _ => anyhow::anyhow!("{folder}: there is no point {wanted}; the run has no points"),
    }
}

/// Length of the analysis window of the source that carries the antinode, s.
fn window_s(run: &Run, setup: &Setup) -> Option<f64> {
    let (main, _) = setup.main_source()?;
    let record = run.record.sources.get(main)?;
    let format = StreamFormat {
        rate_hz: record.rate_hz,
        channels: record.channels,
        clip_level: f64::INFINITY,
        start_utc: None,
    };
    let plan = TonePlan::new(setup, main, &format).ok()?;
    Some(plan.window_seconds())
}
