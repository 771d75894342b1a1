//! `spanhold report`: a run folder → one self-contained HTML file.

use std::path::{Path, PathBuf};

use anyhow::Context as _;

use super::{Failure, Status};
use crate::ledger::{REPORT_FILE, Run, SETUP_FILE};
use crate::report::document::Document;
use crate::report::recordings::Recordings;
use crate::report::reduction::read_reduction;

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
    write(&args.run, &out)?;
    super::print(&format!("{}\n", out.display()))?;
    Ok(Status::Done)
}

/// Writes the report of a run folder to `out`.
pub fn write(folder: &Path, out: &Path) -> Result<(), Failure> {
    let run = Run::open(folder).map_err(anyhow::Error::from)?;
    let setup_file = folder.join(SETUP_FILE).display().to_string();
    let setup = crate::setup::parse(&run.setup_text, &setup_file).map_err(anyhow::Error::from)?;
    let recordings = Recordings::check(&run);
    let reduction = read_reduction(folder).map_err(anyhow::Error::from)?;
    let html = Document {
        run: &run,
        setup: &setup,
        recordings: &recordings,
        reduction: &reduction,
    }
    .html();
    std::fs::write(out, html).with_context(|| {
        format!(
            "{}: cannot be written; name another place with --out",
            out.display()
        )
    })?;
    Ok(())
}
