//! A run folder in which something was altered, and the commands that rest on
//! it: without the recordings, the chains of the logs and the hashes in
//! `run.json` and `results.jsonl` have to notice it.

use std::path::Path;

use spanhold::ledger::Run;
use spanhold::report::loaded_run::LoadedRun;
use spanhold::report::reduction::read_reduction;
use spanhold::report::report_file::write_report;

use crate::bench::json_leaves::{leaves, other};
use crate::bench::run_folder::{
    RunFolder, code, copy_folder, repository, spanhold, stderr, stdout, unchain,
};
use crate::tampering::finished;

/// Puts `text` in place of a file of the run for as long as `look` takes.
fn with(run: &Path, name: &str, text: &str, look: impl FnOnce()) {
    let path = run.join(name);
    let before = std::fs::read(&path).unwrap();
    std::fs::write(&path, text).unwrap();
    look();
    std::fs::write(&path, before).unwrap();
}

fn copy() -> (tempfile::TempDir, std::path::PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("run");
    copy_folder(&finished().run(), &run);
    (folder, run)
}

/// The file with each of its values altered in turn, line by line.
fn each_altered(text: &str, mut look: impl FnMut(&str, &str)) {
    let mut begin = 0;
    let lines: Vec<&str> = if text.starts_with("{\n") {
        vec![text]
    } else {
        text.split_inclusive('\n').collect()
    };
    for line in lines {
        for leaf in leaves(line) {
            let place = begin + leaf.place.start..begin + leaf.place.end;
            let mut altered = text.to_owned();
            altered.replace_range(place.clone(), &other(&text[place]));
            look(&leaf.path, &altered);
        }
        begin += line.len();
    }
}

#[test]
fn every_value_of_every_log_is_noticed_when_the_run_is_read() {
    let (_folder, run) = copy();
    LoadedRun::open(&run).unwrap();
    let mut values = 0;
    for name in [
        "points.jsonl",
        "evidence.jsonl",
        "events.jsonl",
        "notes.jsonl",
        "results.jsonl",
        "run.json",
    ] {
        let text = std::fs::read_to_string(run.join(name)).unwrap();
        each_altered(&text, |path, altered| {
            values += 1;
            with(&run, name, altered, || {
                let said = match LoadedRun::open(&run) {
                    Ok(_) => panic!("{name}: {path} was altered unseen"),
                    Err(error) => error.to_string(),
                };
                assert!(said.contains(name), "{name}: {path}: {said}");
            });
        });
    }
    assert!(values > 400, "{values}");
}

#[test]
fn every_byte_of_setup_curve_and_trace_is_noticed() {
    let (_folder, run) = copy();
    for (name, step) in [
        ("setup.toml", 1),
        ("curves/example-curve.csv", 1),
        ("trace.csv", 997),
    ] {
        let text = std::fs::read(run.join(name)).unwrap();
        for place in (0..text.len()).step_by(step) {
            let mut altered = text.clone();
            altered[place] ^= 1;
            std::fs::write(run.join(name), &altered).unwrap();
            // Bytes that are no text any more cannot even be read.
            let noticed = Run::open(&run)
                .is_ok_and(|run| run.alterations.len() == 1 && run.alterations[0].contains(name));
            assert!(
                noticed || name == "setup.toml" && Run::open(&run).is_err(),
                "{name}: {place}"
            );
        }
        std::fs::write(run.join(name), text).unwrap();
    }
}

#[test]
fn every_value_of_the_reduction_is_noticed_by_the_report() {
    let (folder, run) = copy();
    let out = folder.path().join("report.html");
    let now_utc = jiff::Timestamp::UNIX_EPOCH;
    for name in ["reduction.json", "results.jsonl"] {
        let text = std::fs::read_to_string(run.join(name)).unwrap();
        each_altered(&text, |path, altered| {
            with(&run, name, altered, || {
                let said = match write_report(&run, &out, now_utc) {
                    Ok(()) => panic!("{name}: {path} was altered unseen"),
                    Err(error) => error.to_string(),
                };
                assert!(said.contains(name), "{name}: {path}: {said}");
            });
        });
    }
    assert!(read_reduction(&Run::open(&run).unwrap()).is_ok() && !out.exists());
}

/// Without the line that put it down a reduction is anybody's.
#[test]
fn a_reduction_that_the_log_of_results_does_not_name_is_refused() {
    let (folder, run) = copy();
    let out = folder.path().join("report.html");
    let log = std::fs::read_to_string(run.join("results.jsonl")).unwrap();
    std::fs::remove_file(run.join("results.jsonl")).unwrap();
    let refused = write_report(&run, &out, jiff::Timestamp::UNIX_EPOCH);
    let said = refused.unwrap_err().to_string();
    assert!(said.contains("results.jsonl has no line of it"), "{said}");
    std::fs::write(run.join("results.jsonl"), log).unwrap();
    write_report(&run, &out, jiff::Timestamp::UNIX_EPOCH).unwrap();
}

#[test]
fn lines_cut_off_added_or_moved_are_noticed() {
    let (_folder, run) = copy();
    for name in ["points.jsonl", "evidence.jsonl", "notes.jsonl"] {
        let text = std::fs::read_to_string(run.join(name)).unwrap();
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let last = lines.len() - 1;
        let doubled = [&lines[..], &lines[last..]].concat();
        let moved = [&lines[1..2], &lines[..1], &lines[2..]].concat();
        for altered in [&lines[..last], &lines[1..], &doubled, &moved, &[]] {
            with(&run, name, &altered.concat(), || {
                let said = LoadedRun::open(&run).unwrap_err().to_string();
                assert!(said.contains(name), "{said}");
            });
        }
    }
}

/// Through the command line: who rests on a run refuses it, who shows it says so.
#[test]
fn commands_refuse_what_was_altered_or_say_so() {
    let (folder, run) = copy();
    let bare = folder.path().join("bare");
    copy_folder(&finished().run().with_file_name("bare"), &bare);
    let [run_name, bare_name] = [&run, &bare].map(|path| path.display().to_string());
    let refuses = |arguments: &[&str]| {
        let output = spanhold(arguments);
        assert_eq!(code(&output), 2, "{arguments:?}: {}", stdout(&output));
        let said = stderr(&output);
        assert!(
            said.contains("points.jsonl: line 1 ") || said.contains("points.jsonl: line 2 "),
            "{said}"
        );
        assert!(said.contains("nothing may rest on it"), "{said}");
    };
    let raised = |run: &Path| {
        let text = std::fs::read_to_string(run.join("points.jsonl")).unwrap();
        text.replacen("\"efficiency_pct\":", "\"efficiency_pct\":1", 1)
    };
    with(&run, "points.jsonl", &raised(&run), || {
        refuses(&["reduce", &run_name, "--baseline", &bare_name]);
        refuses(&["report", &run_name]);
        refuses(&["compare", &run_name, &bare_name]);
        refuses(&["field", &run_name, "--span", "300"]);
        let output = spanhold(&["audit", &run_name]);
        assert_eq!(code(&output), 1);
        assert!(
            stdout(&output).contains("NOT WHAT THE RUN WROTE: "),
            "{}",
            stdout(&output)
        );
    });
    with(&bare, "points.jsonl", &raised(&bare), || {
        refuses(&["reduce", &run_name, "--baseline", &bare_name]);
    });
    // One that never was chained is used, and said to be so.
    unchain(&bare);
    let output = spanhold(&["reduce", &run_name, "--baseline", &bare_name]);
    assert!(code(&output) < 2, "{}", stderr(&output));
    assert!(
        stderr(&output).contains("not chained"),
        "{}",
        stderr(&output)
    );
}

/// A curve that is named by a path out of reach of the run folder is not carried
/// along; the run knows its hash.
#[test]
fn a_curve_elsewhere_that_was_altered_is_refused_by_reduce() {
    let bench = RunFolder::empty();
    let curve = bench.path("lowered.csv");
    let text = std::fs::read_to_string(repository("config/curves/example-curve.csv")).unwrap();
    std::fs::write(&curve, &text).unwrap();
    let setup = std::fs::read_to_string(repository("config/damped-trial.toml")).unwrap();
    let named = format!("curve = {:?}", curve.display().to_string());
    let setup = setup.replace("curve = \"curves/example-curve.csv\"", &named);
    assert!(setup.contains(&named));
    let recording = repository("recordings/damped-trial.wav");
    std::fs::write(bench.path("setup.toml"), setup).unwrap();
    let made = bench
        .command(&["reprocess", "setup.toml", "--out", "run"])
        .arg(recording)
        .output()
        .unwrap();
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    assert!(code(&bench.spanhold(&["reduce", "run"])) < 2);
    let last = text.rfind(|letter: char| letter.is_ascii_digit()).unwrap();
    let mut lowered = text.clone();
    lowered.replace_range(
        last..=last,
        if &text[last..=last] == "0" { "1" } else { "0" },
    );
    std::fs::write(&curve, lowered).unwrap();
    let refused = bench.spanhold(&["reduce", "run"]);
    assert_eq!(code(&refused), 2, "{}", stdout(&refused));
    let said = stderr(&refused);
    assert!(
        said.contains("lowered.csv: it is not the curve that the run was begun with"),
        "{said}"
    );
}
