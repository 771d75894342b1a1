//! `spanhold note RUN --point N --by NAME TEXT`: what a person says of a point.
//!
//! In: a run folder, be it of a capture that goes on. Out: a line in its
//! `notes.jsonl`; what was written on standard output.

use std::path::PathBuf;

use anyhow::Context as _;

use super::{Failure, Status, terminal};
use crate::analysis::NoteKind;
use crate::ledger::{NewNote, REPORT_FILE, SEAL_FILE, write_note};

/// Arguments of `note`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The run folder; a capture may be going on in it
    run: PathBuf,
    /// The point, by its number
    #[arg(long, value_name = "N")]
    point: u64,
    /// Who says so
    #[arg(long, value_name = "NAME")]
    by: String,
    /// What; of an exclusion the reason
    text: String,
    /// Do not count the point: a requirement that loses it is inconclusive
    #[arg(long, conflicts_with = "restore")]
    exclude: bool,
    /// Take its exclusion back
    #[arg(long)]
    restore: bool,
    /// Print the note as JSON
    #[arg(long)]
    json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let kind = match (args.exclude, args.restore) {
        (true, _) => NoteKind::Exclude,
        (_, true) => NoteKind::Restore,
        _ => NoteKind::Note,
    };
    let new = NewNote {
        point: args.point,
        by: &args.by,
        text: &args.text,
        kind,
    };
    let written =
        write_note(&args.run, new, jiff::Timestamp::now()).map_err(anyhow::Error::from)?;
    if let Some(mended) = &written.mended {
        terminal::say(mended);
    }
    for file in &written.outdated {
        let again = match *file {
            SEAL_FILE => "seal the run once more: its seal does not cover this",
            REPORT_FILE => "write the report once more: it does not say this",
            _ => "reduce the run once more: its verdict does not know of this",
        };
        terminal::say(format_args!("{}: {again}", args.run.join(file).display()));
    }
    let text = if args.json {
        serde_json::to_string_pretty(&written.note).context("the note as JSON")?
    } else {
        format!("Point {}: {}", written.note.point, written.note.sentence())
    };
    super::print(&format!("{text}\n"))?;
    Ok(Status::Done)
}
