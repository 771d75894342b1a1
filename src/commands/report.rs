//! `spanhold report`: a run folder → one self-contained HTML file.

use std::path::PathBuf;

use anyhow::Context as _;

use super::{Failure, Status};
use crate::ledger::{REPORT_FILE, Run, SETUP_FILE, read_reduction};
use crate::report::document::Document;
use crate::report::recordings::Recordings;

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
    let run = Run::open(&args.run).map_err(anyhow::Error::from)?;
    let setup_file = args.run.join(SETUP_FILE).display().to_string();
    let setup = crate::setup::parse(&run.setup_text, &setup_file).map_err(anyhow::Error::from)?;
    let recordings = Recordings::check(&run);
    let reduction = read_reduction(&args.run).map_err(anyhow::Error::from)?;
    let html = Document {
        run: &run,
        setup: &setup,
        recordings: &recordings,
        reduction: &reduction,
    }
    .html();
    let out = args
        .out
        .clone()
        .unwrap_or_else(|| args.run.join(REPORT_FILE));
    std::fs::write(&out, html).with_context(|| {
        format!(
            "{}: cannot be written; name another place with --out",
            out.display()
        )
    })?;
    super::print(&format!("{}\n", out.display()))?;
    Ok(Status::Done)
}
