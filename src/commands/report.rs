//! `spanhold report`: a run folder → one self-contained HTML file; several → a
//! summary of these samples.

use std::path::PathBuf;

use anyhow::anyhow;

use super::{Failure, Status};
use crate::ledger::REPORT_FILE;
use crate::report::report_file::{write_report, write_summary};

/// Arguments of `report`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder; several, a sample each, for a summary of them
    #[arg(required = true, value_name = "RUN")]
    runs: Vec<PathBuf>,
    /// Where to write it [default: report.html in the run folder; a summary needs it]
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let out = match (args.runs.as_slice(), &args.out) {
        ([run], out) => {
            let out = out.clone().unwrap_or_else(|| run.join(REPORT_FILE));
            write_report(run, &out, jiff::Timestamp::now()).map_err(anyhow::Error::from)?;
            out
        }
        (runs, Some(out)) => {
            write_summary(runs, out).map_err(anyhow::Error::from)?;
            out.clone()
        }
        (_, None) => {
            return Err(anyhow!(
                "a summary of several runs belongs to none of their folders; say where to write it \
                 with --out FILE.html"
            )
            .into());
        }
    };
    super::print(&format!("{}\n", out.display()))?;
    Ok(Status::Done)
}
