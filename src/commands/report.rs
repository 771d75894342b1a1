//! `spanhold report`: a run folder → one self-contained HTML file.

use std::path::PathBuf;

use super::{Failure, Status};
use crate::ledger::REPORT_FILE;
use crate::report::report_file::write_report;

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder
    run: PathBuf,
    /// Where to write the report [default: report.html in the run folder]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| args.run.join(REPORT_FILE));
    write_report(&args.run, &out, jiff::Timestamp::now()).map_err(anyhow::Error::from)?;
    super::print(&format!("{}\n", out.display()))?;
    Ok(Status::Done)
}
