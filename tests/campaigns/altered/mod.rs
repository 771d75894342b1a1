//! Every file of a run altered, one place at a time: who rests on it has to
//! notice.
//!
//! The places are found by reading the files as what they are, the files by
//! looking into the folders: a new key, a new column or a new file is tried
//! without a word here, and a file that stands in no row of the table is an
//! error.

mod bench;
mod changes;
mod commands;

use std::collections::BTreeMap;
use std::path::Path;

use crate::share;
use bench::Bench;
use changes::{Change, changes};
use commands::Command::{self, Audit, Compare, Field, Reduce, Report, Verify};

/// What reads a run folder.
const ALL: &[Command] = &[Reduce, Report, Audit, Compare, Field, Verify];
/// What reads a reduction.
const OF_THE_REDUCTION: &[Command] = &[Report, Compare, Field, Verify];

/// Which commands rest on which file, by the beginning of its name and its end.
/// Whoever reads a run checks all that the run itself wrote; the recordings are
/// told of by `audit` and recomputed by `verify`; tables and report are read by
/// people, and `verify` alone says whether they are true.
const RESTS_ON: [(&str, &str, &[Command]); 20] = [
    ("run.json", "", ALL),
    ("setup.toml", "", ALL),
    ("points.jsonl", "", ALL),
    ("evidence.jsonl", "", ALL),
    ("events.jsonl", "", ALL),
    ("trace.csv", "", ALL),
    ("curves/", ".csv", ALL),
    ("pictures/", "", ALL),
    ("sensors.match", "", ALL),
    ("points.csv", "", &[Verify]),
    ("reduced.jsonl", "", OF_THE_REDUCTION),
    ("reduced.csv", "", &[Verify]),
    ("reduction.json", "", OF_THE_REDUCTION),
    // It says of the notes, too, whether they are what was written.
    ("results.jsonl", "", ALL),
    ("notes.jsonl", "", ALL),
    ("report.html", "", &[Verify]),
    ("recordings/", "", &[Audit, Verify]),
    // Where the live page is, and its token; nothing of the run.
    ("page.json", "", &[]),
    // Empty; held while a program writes.
    ("run.lock", "", &[]),
    ("results.lock", "", &[]),
];

/// Of the run of the bare span: what stands on it of the run that rests on it.
const OF_THE_BARE_RUN: &[Command] = &[Reduce, Verify];

fn resting_on(file: &str) -> &'static [Command] {
    let row = RESTS_ON
        .iter()
        .find(|(begins, ends, _)| file.starts_with(begins) && file.ends_with(ends));
    row.unwrap_or_else(|| panic!("{file}: which commands rest on it?"))
        .2
}

/// One file, and what is tried of it.
struct Trial {
    /// Of which run.
    run: &'static str,
    file: String,
    commands: Vec<Command>,
    changes: Vec<Change>,
}

/// What is tried of all files of a run.
fn trials(bench: &Bench, run: &'static str) -> Vec<Trial> {
    let mut trials = Vec::new();
    for file in bench::files(&bench.path(run)) {
        let commands = match run {
            // Who reads the bare run reads what it itself wrote.
            "bare" if resting_on(&file) == ALL => OF_THE_BARE_RUN,
            "bare" => &[],
            // Of a run without notes only what was made of it is named there.
            "captured" | "matched" if file == "results.jsonl" => OF_THE_REDUCTION,
            _ => resting_on(&file),
        };
        // There is no damper on a captured run, and nothing to compare it and the matched one with.
        let commands = commands
            .iter()
            .filter(|command| run == "run" || run == "bare" || !matches!(command, Compare | Field));
        let bytes = std::fs::read(bench.path(run).join(&file)).unwrap();
        trials.push(Trial {
            run,
            commands: commands.copied().collect(),
            changes: changes(&file, &bytes),
            file,
        });
    }
    trials
}

/// What is tried of all files that a command rests on, of the four runs.
fn all_trials(bench: &Bench) -> Vec<Trial> {
    ["run", "bare", "captured", "matched"]
        .into_iter()
        .flat_map(|run| trials(bench, run))
        .filter(|trial| !trial.commands.is_empty())
        .collect()
}

/// Tries these changes; a sentence for each that somebody did not notice.
fn tried(bench: &Bench, trial: &Trial, changes: &[&Change]) -> Vec<String> {
    let path = bench.path(trial.run).join(&trial.file);
    let before = std::fs::read(&path).unwrap();
    let mut unnoticed = Vec::new();
    for change in changes {
        change.make(&path, &before);
        // The log of results goes on: what is cut off its end is missed where the
        // file is looked at that was told of there. Where all that was cut off stands
        // before it too, what is left is the log of an earlier moment, and whole.
        let cut = (trial.file == "results.jsonl")
            .then(|| change.of(&before).and_then(|left| cut_off(&before, &left)))
            .flatten();
        if cut.as_ref().is_some_and(|cut| cut.tells_nothing_new) {
            continue;
        }
        let is_cut = cut.is_some_and(|cut| cut.leaves_a_reduction);
        for command in &trial.commands {
            if is_cut && *command != Verify {
                continue;
            }
            if let Err(said) = command.notices(bench, trial.run, &trial.file) {
                unnoticed.push(format!(
                    "{}/{}: {}: {command:?} did not notice: {said}",
                    trial.run, trial.file, change.what
                ));
            }
        }
        std::fs::write(&path, &before).unwrap();
    }
    unnoticed
}

/// What was cut off the end of a log of results.
struct CutOff {
    leaves_a_reduction: bool,
    tells_nothing_new: bool,
}

/// `None` where the log was not only cut.
fn cut_off(before: &[u8], left: &[u8]) -> Option<CutOff> {
    let whole = left.iter().rposition(|byte| *byte == b'\n');
    let whole = &left[..whole.map_or(0, |at| at + 1)];
    let cut = before.strip_prefix(whole)?;
    let named = |lines: &[u8]| -> BTreeMap<String, String> {
        let lines = std::str::from_utf8(lines).unwrap().lines();
        lines
            .map(|line| {
                let line: serde_json::Value = serde_json::from_str(line).unwrap();
                let word = |key: &str| line[key].as_str().unwrap_or_default().to_owned();
                (word("file"), word("blake3"))
            })
            .collect()
    };
    let (kept, lost) = (named(whole), named(cut));
    Some(CutOff {
        leaves_a_reduction: kept.contains_key("reduction.json"),
        // A line that is torn is told of all the same.
        tells_nothing_new: whole == left
            && lost.iter().all(|(file, hash)| kept.get(file) == Some(hash)),
    })
}

fn judge(bench: &Bench, trials: &[(&Trial, Vec<&Change>)]) {
    let mut unnoticed = Vec::new();
    let (mut tries, mut asked) = (0, 0);
    for (trial, changes) in trials {
        tries += changes.len();
        asked += changes.len() * trial.commands.len();
        unnoticed.extend(tried(bench, trial, changes));
        println!(
            "{}/{}: {} changes, {} commands asked of each",
            trial.run,
            trial.file,
            changes.len(),
            trial.commands.len()
        );
    }
    println!(
        "{tries} changes, {asked} commands asked, {} unnoticed",
        unnoticed.len()
    );
    assert!(unnoticed.is_empty(), "{}", unnoticed.join("\n"));
}

/// As it was made nothing is wrong: otherwise all that follows says nothing.
fn stands(bench: &Bench) {
    for run in ["run", "captured", "matched"] {
        for file in bench::files(&bench.path(run)) {
            for command in ALL {
                if run == "run" || !matches!(command, Compare | Field) {
                    let said = command.notices(bench, run, &file);
                    assert!(said.is_err(), "{run}: {command:?} complains of {file}");
                }
            }
        }
        break_off_unless_all_is_well(&bench.path(run));
    }
}

fn break_off_unless_all_is_well(run: &Path) {
    let opened = spanhold::ledger::Run::open(run).unwrap();
    assert!(opened.alterations.is_empty() && opened.notes.is_empty());
}

/// Of every file of each kind a few places, and the file taken away.
#[test]
fn a_change_in_any_file_is_noticed_by_every_command_that_rests_on_it() {
    let bench = Bench::new();
    stands(&bench);
    let trials = all_trials(&bench);
    let few: Vec<(&Trial, Vec<&Change>)> = trials
        .iter()
        .map(|trial| {
            let all = &trial.changes;
            // The last one takes the file away.
            let some = [all.len() / 3, all.len() - 1].map(|at| &all[at]);
            (trial, some.to_vec())
        })
        .collect();
    judge(&bench, &few);
}

/// All of it: every place of every file.
#[test]
#[ignore = "takes half an hour: every value of every file of four runs"]
fn every_change_in_any_file_is_noticed_by_every_command_that_rests_on_it() {
    let bench = Bench::new();
    stands(&bench);
    let trials = all_trials(&bench);
    // A share of each file.
    let all: Vec<(&Trial, Vec<&Change>)> = trials
        .iter()
        .map(|trial| (trial, share::of(&trial.changes)))
        .collect();
    judge(&bench, &all);
}

/// A run of a version that chained nothing is used, and every command says so.
#[test]
fn a_run_made_before_there_were_chains_is_said_to_be_not_chained() {
    let bench = Bench::new();
    crate::bench::run_folder::unchain(&bench.path("run"));
    for command in ALL {
        let said = command.said(&bench, "run");
        assert!(said.contains("not chained"), "{command:?}: {said}");
    }
}
