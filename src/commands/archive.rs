//! `spanhold reprocess --archive LIST --out DIR`: many runs with their setups.
//!
//! In: the list. Out: a run folder each and the table of all; the table or JSON on
//! standard output, failures with their reasons at the end on standard error.

use anyhow::{Context as _, anyhow};

use super::bar::ArchiveBar;
use super::reprocess::{Args, options};
use super::{Failure, Status, terminal};
use crate::evaluation::criteria::Outcome;
use crate::pipeline;
use crate::report::text_table::TextTable;
use crate::reprocessing::{ARCHIVE_FILE, ArchiveList, ArchivedRun, Completion, reprocess_archive};

/// Runs `reprocess` with a list.
pub fn run(args: &Args) -> Result<Status, Failure> {
    let list = args.archive.as_deref().context("no list is named")?;
    let list = ArchiveList::read(list).map_err(anyhow::Error::from)?;
    let stop = pipeline::on_signals().context("cannot listen for Ctrl-C")?;
    let bar = ArchiveBar::new(list.entries.len());
    let runs = reprocess_archive(&list, &args.out, options(args), &stop, &|progress| {
        bar.show(progress);
    });
    bar.clear();
    let runs = runs.map_err(anyhow::Error::from)?;
    let text = if args.json {
        serde_json::to_string_pretty(&runs).map_err(anyhow::Error::from)? + "\n"
    } else {
        let file = args.out.join(ARCHIVE_FILE);
        format!("{}\n{}\n", table(&runs), file.display())
    };
    super::print(&text)?;
    for run in &runs {
        for note in &run.notes {
            terminal::say(format_args!("{}: {note}", run.run));
        }
    }
    status(&runs)
}

fn table(runs: &[ArchivedRun]) -> String {
    TextTable::new(runs)
        .words("run", "", 0, |run| run.run.clone())
        .words("state", "", 0, |run| {
            let word = run.state.word();
            if run.unchanged && run.state == Completion::Done {
                format!("{word}, unchanged")
            } else {
                word.to_owned()
            }
        })
        .numbers("recordings", "", 3, |run| run.recordings.to_string())
        .numbers("recorded", "s", 4, |run| format!("{:.0}", run.recorded_s))
        .numbers("held", "", 1, |run| run.points.held.to_string())
        .numbers("steady", "", 1, |run| run.points.steady.to_string())
        .numbers("off-peak", "", 2, |run| run.points.off_peak.to_string())
        .numbers("rejected", "", 2, |run| run.points.rejected.to_string())
        .words("verdict", "", 0, |run| {
            run.verdict.map_or("", Outcome::word).to_owned()
        })
        .text(terminal::width())
}

/// What failed, each with its reason; then how the program ends.
fn status(runs: &[ArchivedRun]) -> Result<Status, Failure> {
    let failed: Vec<&ArchivedRun> = runs
        .iter()
        .filter(|run| run.state == Completion::Failed)
        .collect();
    for run in &failed {
        let reason = run.reason.as_deref().unwrap_or_default();
        terminal::say(format_args!("failed: {}: {reason}", run.run));
    }
    let open = runs
        .iter()
        .filter(|run| run.state == Completion::Open)
        .count();
    let all = runs.len();
    if open > 0 {
        return Err(Failure::Device(anyhow!(
            "it was asked to stop: {open} of {all} runs are open, {} failed; the same command goes \
             on with them",
            failed.len()
        )));
    }
    if !failed.is_empty() {
        let error = anyhow!("{} of {all} runs failed, the others are done", failed.len());
        return Err(if failed.iter().any(|run| run.device_failed) {
            Failure::Device(error)
        } else {
            Failure::Input(error)
        });
    }
    let not_met =
        |run: &ArchivedRun| matches!(run.verdict, Some(Outcome::Fail | Outcome::Inconclusive));
    Ok(if runs.iter().any(not_met) {
        Status::CriterionNotMet
    } else {
        Status::Done
    })
}
