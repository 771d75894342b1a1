//! Notes and exclusions of a run: what is said of a point by a person, with a name,
//! stands in the verdict and everywhere else, and nothing of it is ever taken out.

use std::io::Write as _;
use std::path::PathBuf;

use serde_json::Value;
use spanhold::analysis::NoteKind;
use spanhold::ledger::{NewNote, Run, write_note};
use spanhold::report::reduction::{ReadReduction, Stale, read_reduction};

use crate::bench::run_folder::{RunFolder, code, repository, stderr, stdout};

/// The demo, reduced: it passes with one point a resonance, 9 of them.
fn reduced() -> RunFolder {
    let bench = RunFolder::empty();
    for trial in ["bare-trial", "damped-trial"] {
        reprocess(&bench, trial, &[]);
    }
    assert_eq!(reduce(&bench).0, 0);
    bench
}

fn reprocess(bench: &RunFolder, trial: &str, more: &[&str]) {
    let path = |name: &str| repository(name).display().to_string();
    let (setup, recording) = (
        path(&format!("config/{trial}.toml")),
        path(&format!("recordings/{trial}.wav")),
    );
    let words = ["reprocess", &setup, &recording, "--out", trial];
    let output = bench.spanhold(&[&words[..], more].concat());
    assert_eq!(code(&output), 0, "{}", stderr(&output));
}

fn reduce(bench: &RunFolder) -> (i32, String, Value) {
    let words = ["reduce", "damped-trial", "--baseline", "bare-trial"];
    let table = bench.spanhold(&words);
    let json = bench.spanhold(&[&words[..], &["--json"]].concat());
    let said = stdout(&table);
    let json = serde_json::from_str(&stdout(&json)).unwrap();
    (code(&table), said, json)
}

const BY: [&str; 2] = ["--by", "A. Name"];

/// Exit status, and all that was said.
fn note(bench: &RunFolder, run: &str, words: &[&str]) -> (i32, String) {
    let output = bench.spanhold(&[&["note", run], words].concat());
    (code(&output), stdout(&output) + &stderr(&output))
}

fn noted(bench: &RunFolder, run: &str, words: &[&str]) -> String {
    let (code, said) = note(bench, run, &[&BY, words].concat());
    assert_eq!(code, 0, "{said}");
    said
}

/// The words without breaks of lines, as a table has them.
fn in_one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

#[test]
fn an_exclusion_stands_in_the_verdict_and_is_taken_back_by_another_line() {
    let bench = reduced();
    let before = bench.read("damped-trial", "reduction.json");
    let why = "the node sensor had slipped";
    let said = noted(&bench, "damped-trial", &["--point", "3", "--exclude", why]);
    assert!(said.contains("Point 3: excluded by A. Name on "), "{said}");
    assert!(said.contains("reduce the run once more"), "{said}");

    // Whoever takes the table elsewhere sees it there.
    let output = bench.spanhold(&["export", "damped-trial", "--format", "csv", "--out", "made"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let mut csv = csv::Reader::from_path(bench.path("made/points.csv")).unwrap();
    let heading = csv.headers().unwrap().clone();
    let place = |name: &str| heading.iter().position(|column| column == name).unwrap();
    for row in csv.records().map(Result::unwrap) {
        let is_excluded = &row[place("point")] == "3";
        let stands = if is_excluded {
            format!("A. Name: {why}")
        } else {
            String::new()
        };
        assert_eq!(row[place("excluded")], stands);
        assert_eq!(row[place("notes")].contains(why), is_excluded);
    }

    // What was made before does not know of it, and is not used.
    let run = bench.path("damped-trial");
    assert_eq!(
        read_reduction(&Run::open(&run).unwrap()).unwrap(),
        ReadReduction::Stale(Stale::Exclusions)
    );
    assert_eq!(code(&bench.spanhold(&["report", "damped-trial"])), 0);
    let report = bench.read("damped-trial", "report.html");
    assert!(report.contains("No verdict"), "no verdict");
    assert!(report.contains("Not counted: point 3 excluded by A. Name on "));
    let output = bench.spanhold(&["verify", "damped-trial"]);
    assert_eq!(code(&output), 1);
    let said = stdout(&output);
    assert!(
        said.contains("Points were excluded, or exclusions taken back, since"),
        "{said}"
    );

    let reason = format!("point 3 excluded by A. Name: {why}");
    let (status, table, json) = reduce(&bench);
    assert_eq!(status, 1, "{table}");
    let table = in_one_line(&table);
    assert!(table.contains("Verdict: INCONCLUSIVE"), "{table}");
    assert!(table.contains(&format!("({reason})")), "{table}");
    // Beside the verdict, and among what is signed.
    assert_eq!(table.matches("ot counted").count(), 2, "{table}");
    assert_eq!(json["outcome"], "inconclusive");
    assert_eq!(json["run"]["exclusions"][0]["point"], 3);
    assert_eq!(json["run"]["exclusions"][0]["by"], "A. Name");
    for judgement in json["judgements"].as_array().unwrap() {
        let judged = judgement["points"].as_array().unwrap().iter();
        let excluded = judged.clone().find(|point| point["point"] == 3).unwrap();
        assert_eq!(excluded["outcome"], "inconclusive");
        assert_eq!(excluded["reason"], reason);
        assert!(excluded["value"].is_number());
        let others = judged.filter(|point| point["point"] != 3);
        assert!(others.into_iter().all(|point| point["outcome"] == "pass"));
    }
    let checks = json["method_checks"].as_array().unwrap();
    assert!(checks.iter().all(|check| check["point"] != 3));
    assert_eq!(code(&bench.spanhold(&["report", "damped-trial"])), 0);
    let report = bench.read("damped-trial", "report.html");
    assert_eq!(
        report.matches("point 3 excluded by A. Name on ").count(),
        2,
        "beside the verdict and among what is signed"
    );
    let output = bench.spanhold(&["verify", "damped-trial"]);
    assert_eq!(code(&output), 0, "{}", stdout(&output));

    // What rests on single points says that one is left out.
    for words in [
        &["field", "damped-trial", "--span", "300"][..],
        &["compare", "damped-trial", "bare-trial"],
    ] {
        let output = bench.spanhold(words);
        assert!(code(&output) < 2, "{}", stderr(&output));
        assert!(
            stderr(&output).contains("point 3 excluded by A. Name on "),
            "{words:?}: {}",
            stderr(&output)
        );
        let output = bench.spanhold(&[words, &["--json"]].concat());
        let json: Value = serde_json::from_str(&stdout(&output)).unwrap();
        assert_eq!(json["exclusions"][0]["point"], 3, "{words:?}");
        if words[0] == "field" {
            let rows = json["rows"].as_array().unwrap();
            assert!(rows.iter().all(|row| row["point"] != 3));
        }
    }

    noted(
        &bench,
        "damped-trial",
        &["--point", "3", "--restore", "it was another sensor"],
    );
    assert_eq!(reduce(&bench).0, 0);
    assert_eq!(bench.read("damped-trial", "reduction.json"), before);
    assert_eq!(bench.read("damped-trial", "notes.jsonl").lines().count(), 2);
}

#[test]
fn a_note_stands_at_its_point_and_changes_nothing() {
    let bench = reduced();
    let before = bench.read("damped-trial", "reduction.json");
    assert_eq!(code(&bench.spanhold(&["report", "damped-trial"])), 0);
    let text = "it rained; <b>10 °C</b>";
    let said = noted(&bench, "damped-trial", &["--point", "2", text]);
    assert!(said.contains("write the report once more"), "{said}");
    assert!(!said.contains("reduce the run once more"), "{said}");
    // The report is what it was, and older than the note.
    let output = bench.spanhold(&["verify", "damped-trial"]);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    let said = stdout(&output);
    assert!(said.contains("before the last 1 of 1 notes"), "{said}");

    assert_eq!(reduce(&bench).0, 0);
    assert_eq!(bench.read("damped-trial", "reduction.json"), before);
    assert_eq!(code(&bench.spanhold(&["report", "damped-trial"])), 0);
    let report = bench.read("damped-trial", "report.html");
    assert!(report.contains("it rained; &lt;b&gt;10 °C&lt;/b&gt;"));
    let audit = stdout(&bench.spanhold(&["audit", "damped-trial"]));
    assert!(audit.contains("  - note by A. Name on "), "{audit}");
    let audit = bench.spanhold(&["audit", "damped-trial", "--json"]);
    let audit: Value = serde_json::from_str(&stdout(&audit)).unwrap();
    let point = &audit["points"][1];
    assert_eq!(point["excluded"], false);
    assert_eq!(point["notes"][0]["text"], text);
    assert_eq!(point["notes"][0]["source"], "bench");
    // 220 Hz: the first sample of the hold.
    let start_s = point["start_s"].as_f64().unwrap();
    assert_eq!(
        point["notes"][0]["start_sample"],
        (start_s * 220.0).round() as u64
    );
    let output = bench.spanhold(&["export", "damped-trial", "--format", "csv", "--out", "made"]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let mut csv = csv::Reader::from_path(bench.path("made/points.csv")).unwrap();
    let heading = csv.headers().unwrap().clone();
    let place = |name: &str| heading.iter().position(|column| column == name).unwrap();
    let rows: Vec<csv::StringRecord> = csv.records().map(Result::unwrap).collect();
    assert!(rows[1][place("notes")].contains(text));
    assert!(rows.iter().all(|row| row[place("excluded")].is_empty()));
}

/// A bare point that is excluded takes no part in the losses that are taken off.
#[test]
fn an_exclusion_of_the_bare_run_is_honoured_and_said() {
    let bench = reduced();
    let (_, _, before) = reduce(&bench);
    noted(
        &bench,
        "bare-trial",
        &["--point", "3", "--exclude", "somebody leant on the span"],
    );
    let (_, table, after) = reduce(&bench);
    let table = in_one_line(&table);
    assert!(
        table.contains("bare run: point 3 excluded by A. Name on "),
        "{table}"
    );
    assert_eq!(after["baseline"]["exclusions"][0]["point"], 3);
    let harmonics = |found: &Value| found["bare_losses"]["harmonics"].as_u64().unwrap();
    assert_eq!(harmonics(&after) + 1, harmonics(&before));
    assert_eq!(
        code(&bench.spanhold(&["verify", "damped-trial"])),
        0,
        "the bare run as it is now"
    );
}

#[test]
fn what_cannot_be_written_is_refused_with_what_would_be_right() {
    let bench = reduced();
    let run = "damped-trial";
    for (words, says) in [
        (
            &["--by", "A. Name", "--point", "99", "x"][..],
            "the run has points 1 to ",
        ),
        (
            &["--by", " ", "--point", "1", "x"],
            "the name of who says so is empty",
        ),
        (
            &["--by", "A. Name", "--point", "1", ""],
            "the text is empty",
        ),
        (
            &["--by", "A. Name", "--point", "1", "a\nVerdict: PASS"],
            "line breaks",
        ),
        (
            &["--by", "A\u{202e}", "--point", "1", "a"],
            "the direction of writing",
        ),
        (
            &["--by", "A", "--point", "1", "\u{1b}[2Ja"],
            "control characters",
        ),
        (
            &["--by", "A", "--point", "1", "--restore", "x"],
            "it counts",
        ),
        (&["--point", "1", "x"], "--by"),
        (&["--by", "A", "--point", "1"], "TEXT"),
    ] {
        let (status, said) = note(&bench, run, words);
        assert_eq!(status, 2, "{words:?}: {said}");
        assert!(said.contains(says), "{words:?}: {said}");
    }
    assert!(!bench.path("damped-trial/notes.jsonl").exists());
    noted(&bench, run, &["--point", "1", "--exclude", "first"]);
    let (status, said) = note(
        &bench,
        run,
        &["--by", "B", "--point", "1", "--exclude", "second"],
    );
    assert_eq!(status, 2);
    assert!(said.contains("excluded by A. Name on ") && said.contains("already"));
    let (status, said) = note(&bench, "no-run", &["--by", "B", "--point", "1", "x"]);
    assert_eq!(status, 2);
    assert!(
        said.contains("no-run") && !bench.path("no-run").exists(),
        "{said}"
    );
}

fn append(bench: &RunFolder, name: &str, text: &[u8]) {
    let path: PathBuf = bench.path(name);
    let mut file = std::fs::OpenOptions::new()
        .append(true)
        .create(true)
        .open(path)
        .unwrap();
    file.write_all(text).unwrap();
}

/// A writing that was broken off is refused by whoever reads, and cut by the next
/// note; what was acknowledged stays.
#[test]
fn a_note_that_was_broken_off_is_cut_by_the_next_one() {
    let bench = RunFolder::empty();
    reprocess(&bench, "bare-trial", &[]);
    let file = "bare-trial/notes.jsonl";
    let refused = || {
        let output = bench.spanhold(&["reduce", "bare-trial"]);
        assert_eq!(code(&output), 2);
        assert!(
            stderr(&output).contains("notes.jsonl"),
            "{}",
            stderr(&output)
        );
    };
    // The first of all; and one behind another, half of it and all but its place in
    // the log of results.
    append(&bench, file, b"{\"written_utc\":\"20");
    refused();
    let said = noted(&bench, "bare-trial", &["--point", "1", "one"]);
    assert!(said.contains("notes.jsonl:1: the writing of a note was broken off"));
    let one = bench.read("bare-trial", "notes.jsonl");
    append(&bench, file, b"{\"written_utc\":\"20");
    refused();
    let said = noted(&bench, "bare-trial", &["--point", "1", "two"]);
    assert!(said.contains("notes.jsonl:2: the writing of a note was broken off"));
    let two = bench.read("bare-trial", "notes.jsonl");
    assert!(two.starts_with(&one) && two.lines().count() == 2);
    // A line that fits, but was not put down: as the power left it between the two.
    let log = bench.read("bare-trial", "results.jsonl");
    noted(&bench, "bare-trial", &["--point", "1", "three"]);
    std::fs::write(bench.path("bare-trial/results.jsonl"), log).unwrap();
    refused();
    noted(&bench, "bare-trial", &["--point", "1", "four"]);
    let four = bench.read("bare-trial", "notes.jsonl");
    assert!(four.starts_with(&two) && !four.contains("three"));
    assert!(four.contains("four"));
    assert_eq!(code(&bench.spanhold(&["audit", "bare-trial"])), 0);
    // Two lines that nobody put down are no writing that was broken off.
    let lines: Vec<&str> = four.split_inclusive('\n').collect();
    std::fs::write(
        bench.path(file),
        [lines[0], lines[1], lines[2], lines[2], lines[2]].concat(),
    )
    .unwrap();
    let (status, said) = note(&bench, "bare-trial", &["--by", "A", "--point", "1", "x"]);
    assert_eq!(status, 2, "{said}");
}

/// Results that are made anew leave the notes where they are, and they hold for the
/// dwells that they were written of.
#[test]
fn a_run_made_anew_in_its_folder_keeps_its_notes() {
    let bench = RunFolder::empty();
    reprocess(&bench, "bare-trial", &[]);
    noted(
        &bench,
        "bare-trial",
        &["--point", "2", "--exclude", "somebody leant on the span"],
    );
    let before = bench.read("bare-trial", "notes.jsonl");
    reprocess(&bench, "bare-trial", &["--force"]);
    assert_eq!(bench.read("bare-trial", "notes.jsonl"), before);
    let run = Run::open(&bench.path("bare-trial")).unwrap();
    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
    assert_eq!(run.exclusions()[0].point, 2);

    // By another number, from a recording of another place in the run.
    let mut moved = run.clone();
    for point in &mut moved.points {
        point.point += 10;
        point.start_s += 1000.0;
        point.end_s += 1000.0;
    }
    let exclusions = moved.exclusions();
    assert_eq!((exclusions.len(), exclusions[0].point), (1, 12));
    // A dwell of another recording is another one, and that is said.
    for point in &mut moved.points {
        point.recording = Some("other.wav".into());
    }
    assert!(moved.exclusions().is_empty());
    let said = moved.notes_without_point();
    assert!(said[0].contains("point 2") && said[0].contains("no dwell of the run any more"));

    // What was altered is not made to stand by making the run anew.
    let altered = before.replace("A. Name", "B. Name");
    std::fs::write(bench.path("bare-trial/notes.jsonl"), altered).unwrap();
    let path = |name: &str| repository(name).display().to_string();
    let output = bench.spanhold(&[
        "reprocess",
        &path("config/bare-trial.toml"),
        &path("recordings/bare-trial.wav"),
        "--out",
        "bare-trial",
        "--force",
    ]);
    assert_eq!(code(&output), 2);
    assert!(
        stderr(&output).contains("notes.jsonl"),
        "{}",
        stderr(&output)
    );
    assert!(bench.path("bare-trial/points.jsonl").exists());
}

/// Many who write at once lose nothing of one another.
#[test]
fn notes_written_at_once_all_stand() {
    let bench = RunFolder::empty();
    reprocess(&bench, "bare-trial", &[]);
    let folder = bench.path("bare-trial");
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let folder = &folder;
            scope.spawn(move || {
                for number in 0..5 {
                    let text = format!("writer {writer}, note {number}");
                    let new = NewNote {
                        point: 1,
                        by: "A. Name",
                        text: &text,
                        kind: NoteKind::Note,
                    };
                    write_note(folder, new, jiff::Timestamp::UNIX_EPOCH).unwrap();
                    // Who reads in between finds all of it whole.
                    let run = Run::open(folder).unwrap();
                    assert!(run.alterations.is_empty(), "{:?}", run.alterations);
                }
            });
        }
    });
    assert_eq!(Run::open(&folder).unwrap().point_notes.len(), 20);
}
