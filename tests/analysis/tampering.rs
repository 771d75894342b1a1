//! A finished, reduced and reported run in which one field after the other is
//! altered: `verify` has to name the file and the field, each time.
//!
//! The run is computed once; what the library compares is the altered folder
//! against that. What the recordings cannot tell is listed, with the reason.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::OnceLock;

use serde_json::{Value, json};
use spanhold::ledger::LedgerError;
use spanhold::verification::difference::Agreement;
use spanhold::verification::{
    Conclusion, Recomputed, Stored, Verification, compare, recompute, verify,
};
use tempfile::TempDir;

use crate::bench::finished_run;
use crate::bench::json_leaves::{Leaf, leaves, other, other_text};
use crate::bench::run_folder::{code, copy_folder, spanhold, stderr, stdout, unchain};

/// What the recordings cannot tell, by file and path, and why: there the chains
/// and hashes of the run folder have to notice it.
const NOT_RECOMPUTABLE: [(&str, &str, &str); 30] = [
    ("points.jsonl", "chain", "a chain value"),
    ("evidence.jsonl", "chain", "a chain value"),
    ("run.json", "record_blake3", "the file's own hash"),
    ("run.json", "logs.points.lines", "an end of a log"),
    ("run.json", "logs.points.chain", "an end of a log"),
    ("run.json", "logs.evidence.lines", "an end of a log"),
    ("run.json", "logs.evidence.chain", "an end of a log"),
    ("run.json", "logs.events.lines", "an end of a log"),
    ("run.json", "logs.events.chain", "an end of a log"),
    ("run.json", "logs.trace_blake3", "an end of a log"),
    ("run.json", "curves.path", "a hash of the carried curve"),
    ("run.json", "curves.bytes", "a hash of the carried curve"),
    ("run.json", "curves.blake3", "a hash of the carried curve"),
    ("run.json", "pictures.path", "a hash of the carried picture"),
    (
        "run.json",
        "pictures.bytes",
        "a hash of the carried picture",
    ),
    (
        "run.json",
        "pictures.blake3",
        "a hash of the carried picture",
    ),
    ("run.json", "version", "a label: which program made it"),
    (
        "run.json",
        "target",
        "a label: for which machine it was built",
    ),
    (
        "run.json",
        "arithmetic",
        "a label: how exactly it is compared",
    ),
    ("run.json", "command", "a label: which command made it"),
    ("run.json", "started_utc", "a clock time"),
    ("run.json", "ended_utc", "a clock time"),
    ("run.json", "setup_file", "a path, as it was named"),
    (
        "run.json",
        "sources.files.path",
        "a path; the hash says which file",
    ),
    (
        "reduction.json",
        "version",
        "a label: which program made it",
    ),
    (
        "reduction.json",
        "target",
        "a label: for which machine it was built",
    ),
    (
        "reduction.json",
        "arithmetic",
        "a label: how exactly it is compared",
    ),
    ("reduction.json", "run.folder", "a path, as it was named"),
    (
        "reduction.json",
        "baseline.folder",
        "a path, as it was named",
    ),
    ("reduction.json", "curves.file", "a path, as it was named"),
];

/// The same in the report, by the heading beside which it stands: a label that
/// says which program wrote it.
const NOT_RECOMPUTABLE_IN_REPORT: &str = "Report by";

/// A finished run beside that of its bare span, and what comes out of it.
pub struct Finished {
    folder: TempDir,
    recomputed: Recomputed,
}

impl Finished {
    pub fn run(&self) -> PathBuf {
        self.folder.path().join("run")
    }

    fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.run().join(name)).unwrap()
    }
}

pub fn finished() -> &'static Finished {
    static FINISHED: OnceLock<Finished> = OnceLock::new();
    FINISHED.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        finished_run::make(folder.path());
        let stored = Stored::read(&folder.path().join("run")).unwrap();
        let recomputed = recompute(&stored).unwrap();
        Finished { folder, recomputed }
    })
}

/// A copy of the finished run to alter, its bare run and recordings left where
/// they are.
struct Copy {
    folder: TempDir,
}

impl Copy {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        copy_folder(&finished().run(), &folder.path().join("run"));
        Self { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join("run").join(name)
    }

    /// How the run stands with `text` in place of a file, which is put back.
    fn with(&self, name: &str, text: &[u8]) -> Verification {
        self.tried(name, text).unwrap()
    }

    /// The same; an error where the folder is no run any more.
    fn tried(&self, name: &str, text: &[u8]) -> Result<Verification, LedgerError> {
        std::fs::write(self.path(name), text).unwrap();
        let stored = Stored::read(&self.folder.path().join("run"));
        let verification = stored.and_then(|stored| compare(&stored, &finished().recomputed));
        std::fs::copy(finished().run().join(name), self.path(name)).unwrap();
        verification
    }
}

/// What is said of a file, if it does not stand.
fn said_of(verification: &Verification, file: &str) -> Option<String> {
    let standings = verification.files.iter();
    let mut said = standings.filter(|standing| standing.file == file);
    said.find_map(|standing| match &standing.agreement {
        Agreement::Differs(difference) => Some(difference.sentence(file)),
        Agreement::Identical | Agreement::LastDigits => None,
    })
}

fn spliced(text: &str, place: Range<usize>, by: &str) -> String {
    let mut text = text.to_owned();
    text.replace_range(place, by);
    text
}

/// Another value of the same kind; for what is absent a number, or a text.
fn others(value: &str) -> Vec<String> {
    match value {
        "null" => ["1.0", "\"x\"", "[10.0,90.0]"].map(str::to_owned).to_vec(),
        "[]" => ["[1.0]", "[\"x\"]"].map(str::to_owned).to_vec(),
        value => vec![other(value)],
    }
}

fn not_recomputable(file: &str, leaf: &Leaf) -> bool {
    let kind = leaf.kind();
    NOT_RECOMPUTABLE
        .iter()
        .any(|(other, path, _)| *other == file && *path == kind)
}

/// Alters each kind of leaf of a file once, in the first of its lines (or in
/// the whole text) that has one with a value; returns how many there were.
fn alter_each(file: &str, by_lines: bool) -> usize {
    let copy = Copy::new();
    let text = finished().read(file);
    let mut all: Vec<(usize, Leaf)> = Vec::new();
    if by_lines {
        let mut begin = 0;
        for (number, line) in (1..).zip(text.split_inclusive('\n')) {
            all.extend(leaves(line).into_iter().map(|leaf| {
                let place = leaf.place.start + begin..leaf.place.end + begin;
                (number, Leaf { place, ..leaf })
            }));
            begin += line.len();
        }
    } else {
        all = leaves(&text).into_iter().map(|leaf| (1, leaf)).collect();
    }
    // Values first: an absent one is altered only where no line has it.
    all.sort_by_key(|(_, leaf)| &text[leaf.place.clone()] == "null");
    let mut done = BTreeSet::new();
    for (line, leaf) in all {
        if !done.insert(leaf.kind()) {
            continue;
        }
        let (value, verification) = others(&text[leaf.place.clone()])
            .into_iter()
            .find_map(|value| {
                let altered = spliced(&text, leaf.place.clone(), &value);
                assert_ne!(altered, text);
                let verification = copy.tried(file, altered.as_bytes()).ok()?;
                let said = said_of(&verification, file).unwrap_or_default();
                (!said.contains("it is no reduction")).then_some((value, verification))
            })
            .unwrap_or_else(|| panic!("{file}: {} cannot be read with another value", leaf.path));
        let said = said_of(&verification, file);
        assert_eq!(
            verification.conclusion,
            Conclusion::DoesNotStand,
            "{file}: {} as {value}",
            leaf.path
        );
        if not_recomputable(file, &leaf) {
            assert_eq!(said, None, "{file}: strike {} out of the list", leaf.path);
            let findings = verification.findings.iter();
            let named = findings.filter(|finding| finding.contains(file)).count();
            assert_ne!(named, 0, "{file}: {} as {value}", leaf.path);
            continue;
        }
        let said = said.unwrap_or_else(|| {
            panic!(
                "{file}: {} as {value}: {:?}",
                leaf.path, verification.findings
            )
        });
        if leaf.path == "decay_range_mm_s" {
            // What was asked for; what comes of it is compared.
            assert!(said.contains("decay"), "{said}");
            continue;
        }
        let entry = format!("{}[0] is logged as ", leaf.path);
        assert!(
            (said.contains(&format!("{} is logged as ", leaf.path)) || said.contains(&entry))
                && (!by_lines || said.contains(&format!("line {line}: "))),
            "{file}: {} as {value}: {said}",
            leaf.path
        );
    }
    done.len()
}

#[test]
fn the_run_stands_as_it_is() {
    let verification = verify(&finished().run()).unwrap();
    assert_eq!(
        verification.conclusion,
        Conclusion::Identical,
        "{:?}",
        verification.findings
    );
    let files: Vec<&str> = verification.files.iter().map(|f| f.file.as_str()).collect();
    for file in [
        "run.json",
        "points.jsonl",
        "evidence.jsonl",
        "events.jsonl",
        "trace.csv",
        "points.csv",
        "reduced.jsonl",
        "reduced.csv",
        "reduction.json",
        "report.html",
    ] {
        assert!(files.contains(&file), "{file} was not compared: {files:?}");
    }
    // The run is one in which everything occurs.
    let reduction: Value = serde_json::from_str(&finished().read("reduction.json")).unwrap();
    assert!(!reduction["decays"].as_array().unwrap().is_empty());
    assert_eq!(reduction["judgements"].as_array().unwrap().len(), 2);
    assert!(finished().read("events.jsonl").contains("\"gap\""));
}

#[test]
fn every_key_of_the_points_is_named() {
    let keys = alter_each("points.jsonl", true);
    assert!(keys > 40, "only {keys} keys");
}

#[test]
fn every_key_of_the_evidence_is_named() {
    let keys = alter_each("evidence.jsonl", true);
    assert!(keys >= 9, "only {keys} keys");
}

#[test]
fn every_key_of_the_reduced_points_is_named() {
    let keys = alter_each("reduced.jsonl", true);
    assert!(keys > 50, "only {keys} keys");
}

#[test]
fn every_key_of_the_events_is_named() {
    let copy = Copy::new();
    let text = finished().read("events.jsonl");
    let found = leaves(&text);
    assert_eq!(found.len(), 4);
    for leaf in found.into_iter().filter(|leaf| leaf.path != "chain") {
        let altered = spliced(&text, leaf.place.clone(), &other(&text[leaf.place.clone()]));
        let verification = copy.with("events.jsonl", altered.as_bytes());
        let said = said_of(&verification, "events.jsonl").unwrap();
        assert!(
            said.contains(&format!("{} is logged as ", leaf.path)),
            "{said}"
        );
    }
}

#[test]
fn every_key_of_the_reduction_is_named() {
    let keys = alter_each("reduction.json", false);
    assert!(keys > 70, "only {keys} keys");
}

#[test]
fn every_key_of_the_run_is_named() {
    let keys = alter_each("run.json", false);
    assert!(keys >= 25, "only {keys} keys");
}

#[test]
fn every_column_of_every_table_is_named() {
    let copy = Copy::new();
    for file in ["trace.csv", "points.csv", "reduced.csv"] {
        let text = finished().read(file);
        let mut rows = text.split_inclusive('\n');
        let heading: Vec<&str> = rows.next().unwrap().trim_end().split(',').collect();
        // Reasons are quoted and hold commas: such a row is left alone.
        let rows: Vec<(usize, Vec<&str>)> = (2..)
            .zip(rows)
            .filter(|(_, row)| !row.contains('"'))
            .map(|(line, row)| (line, row.trim_end().split(',').collect()))
            .collect();
        assert!(!rows.is_empty(), "{file}");
        for (column, name) in heading.iter().enumerate() {
            let filled = rows.iter().find(|(_, row)| !row[column].is_empty());
            let (line, row) = filled.unwrap_or(&rows[0]);
            let mut cells: Vec<String> = row.iter().map(|&cell| cell.to_owned()).collect();
            let cell = cells[column].clone();
            cells[column] = match cell.parse::<f64>() {
                Ok(number) if cell.contains('.') => {
                    json!(f64::from_bits(number.to_bits() ^ 1)).to_string()
                }
                Ok(number) => format!("{}", number + 1.0),
                Err(_) => other_text(&cell),
            };
            let mut lines: Vec<String> = text.split_inclusive('\n').map(str::to_owned).collect();
            lines[line - 1] = cells.join(",") + "\n";
            let verification = copy.with(file, lines.concat().as_bytes());
            let said = said_of(&verification, file).unwrap_or_else(|| panic!("{file}: {name}"));
            assert!(
                said.starts_with(&format!("{file}, line {line}: {name} is logged as ")),
                "{name}: {said}"
            );
        }
    }
}

#[test]
fn lines_left_out_added_or_exchanged_are_named() {
    let copy = Copy::new();
    for file in [
        "points.jsonl",
        "evidence.jsonl",
        "reduced.jsonl",
        "trace.csv",
        "points.csv",
        "reduced.csv",
    ] {
        let text = finished().read(file);
        let lines: Vec<&str> = text.split_inclusive('\n').collect();
        let last = lines.len() - 1;
        let mut exchanged = lines.clone();
        exchanged.swap(last, last - 1);
        let altered = [
            lines[..last].concat(),
            [&lines[..], &lines[last..]].concat().concat(),
            exchanged.concat(),
            String::new(),
        ];
        for altered in altered {
            let verification = copy.with(file, altered.as_bytes());
            assert!(said_of(&verification, file).is_some(), "{file}: {altered}");
        }
    }
    let verification = copy.with("events.jsonl", b"");
    assert!(said_of(&verification, "events.jsonl").is_some());
}

#[test]
fn every_number_of_the_setup_is_named() {
    let copy = Copy::new();
    let text = finished().read("setup.toml");
    let mut altered = 0;
    let mut begin = 0;
    for line in text.split_inclusive('\n') {
        let value = line.split('#').next().unwrap().split_once(" = ");
        if let Some((key, value)) = value
            && let Some(digit) = value.find(|letter: char| letter.is_ascii_digit())
        {
            let at = begin + key.len() + 3 + digit;
            let by = if text.as_bytes()[at] == b'1' {
                "2"
            } else {
                "1"
            };
            let verification = copy.with("setup.toml", spliced(&text, at..at + 1, by).as_bytes());
            assert_eq!(verification.conclusion, Conclusion::DoesNotStand);
            let said = verification.findings.join("\n");
            assert!(said.contains("setup.toml HAS CHANGED"), "{key}: {said}");
            assert!(
                said.contains("run.json: setup_blake3 is logged as "),
                "{key}: {said}"
            );
            altered += 1;
        }
        begin += line.len();
    }
    assert!(altered > 40, "only {altered} numbers");
}

/// Every number that a reader of the report sees, and every tenth of those
/// that only place a line in a picture.
#[test]
fn every_number_of_the_report_is_named() {
    let copy = Copy::new();
    let text = finished().read("report.html");
    let style = text.find("</style>").unwrap();
    let mut line = text[..style].matches('\n').count() + 1;
    let (mut seen, mut placing, mut altered) = (false, 0, 0);
    let mut in_tag = false;
    let mut before = ' ';
    for (at, letter) in text.char_indices().skip_while(|(at, _)| *at < style) {
        match letter {
            '<' => in_tag = true,
            '>' => in_tag = false,
            '\n' => line += 1,
            _ => {}
        }
        let begins = letter.is_ascii_digit() && !before.is_ascii_digit() && before != '.';
        before = letter;
        if !begins || beside(&text, NOT_RECOMPUTABLE_IN_REPORT).contains(&at) {
            continue;
        }
        if in_tag {
            placing += 1;
            if placing % 10 != 1 {
                continue;
            }
        } else {
            seen = true;
        }
        let by = if letter == '1' { "2" } else { "1" };
        let verification = copy.with("report.html", spliced(&text, at..at + 1, by).as_bytes());
        let said = said_of(&verification, "report.html");
        let said = said.unwrap_or_else(|| panic!("line {line}: {:?}", text.get(at..at + 20)));
        assert!(
            said.starts_with(&format!("report.html, line {line}: ")),
            "{said}"
        );
        altered += 1;
    }
    assert!(seen && altered > 500, "only {altered} numbers");
}

/// Where the text beside a heading of the report stands.
fn beside(text: &str, heading: &str) -> Range<usize> {
    let opening = format!("<dt>{heading}</dt><dd>");
    let begin = text.find(&opening).unwrap() + opening.len();
    begin..begin + text[begin..].find("</dd>").unwrap()
}

#[test]
fn what_a_report_says_of_its_making_is_its_own_matter() {
    let copy = Copy::new();
    let text = finished().read("report.html");
    let place = beside(&text, NOT_RECOMPUTABLE_IN_REPORT);
    let verification = copy.with("report.html", spliced(&text, place, "another").as_bytes());
    // It comes out again; that it was altered the log of results knows.
    assert_eq!(said_of(&verification, "report.html"), None);
    assert_eq!(
        verification.findings.len(),
        1,
        "{:?}",
        verification.findings
    );
    assert!(verification.findings[0].contains("report.html: it is not what was written on "));
}

#[test]
fn the_curve_carried_along_is_held_against_the_one_that_was_used() {
    let copy = Copy::new();
    let name = "curves/example-curve.csv";
    let text = finished().read(name);
    let at = text.rfind(|letter: char| letter.is_ascii_digit()).unwrap();
    let by = if text.as_bytes()[at] == b'1' {
        "2"
    } else {
        "1"
    };
    let verification = copy.with(name, spliced(&text, at..at + 1, by).as_bytes());
    assert!(
        said_of(&verification, name).is_some(),
        "{:?}",
        verification.findings
    );
    // The reduction itself is what it was.
    assert_eq!(said_of(&verification, "reduction.json"), None);
}

/// A few through the command line, with all that this recomputes: a forger who
/// puts the hashes right as well is found out by the numbers.
#[test]
fn the_command_says_so_too() {
    let copy = Copy::new();
    let run = copy.path("").display().to_string();
    let output = spanhold(&["verify", &run]);
    assert_eq!(code(&output), 0, "{}{}", stdout(&output), stderr(&output));
    assert!(
        stdout(&output).contains("stands: identical"),
        "{}",
        stdout(&output)
    );

    let doubted = |name: &str, from: &str, to: &str, says: &[&str]| {
        let text = std::fs::read_to_string(copy.path(name)).unwrap();
        assert!(text.contains(from), "{name}: {from}");
        std::fs::write(copy.path(name), text.replacen(from, to, 1)).unwrap();
        let output = spanhold(&["verify", &run]);
        assert_eq!(code(&output), 1, "{}{}", stdout(&output), stderr(&output));
        let text = stdout(&output);
        assert!(text.contains("DOES NOT STAND"), "{text}");
        for said in says {
            assert!(text.contains(said), "{said}: {text}");
        }
        std::fs::copy(finished().run().join(name), copy.path(name)).unwrap();
    };
    let reduction: Value = serde_json::from_str(&finished().read("reduction.json")).unwrap();
    let outcome = reduction["outcome"].to_string();
    let named = format!("reduction.json: outcome is logged as {}", other(&outcome));
    doubted(
        "reduction.json",
        &format!("\n  \"outcome\": {outcome}"),
        &format!("\n  \"outcome\": {}", other(&outcome)),
        &[&named],
    );
    doubted(
        "report.html",
        "<h1>",
        "<h1>An altered ",
        &["report.html, line "],
    );
    doubted(
        "setup.toml",
        "full_scale = ",
        "full_scale = 1",
        &[
            "setup.toml HAS CHANGED",
            "points.jsonl, line 1: ",
            "trace.csv, line ",
        ],
    );
    // A setup that is none any more.
    doubted(
        "setup.toml",
        "tension_kn = ",
        "tension_kn = -",
        &["setup.toml HAS CHANGED", "tension_kn"],
    );

    let setup = std::fs::read_to_string(copy.path("setup.toml")).unwrap();
    let forged = setup.replacen("full_scale = ", "full_scale = 1", 1);
    let hash = |text: &str| blake3::hash(text.as_bytes()).to_hex().to_string();
    for name in ["run.json", "reduction.json"] {
        let text = std::fs::read_to_string(copy.path(name)).unwrap();
        std::fs::write(copy.path(name), text.replace(&hash(&setup), &hash(&forged))).unwrap();
    }
    std::fs::write(copy.path("setup.toml"), &forged).unwrap();
    let output = spanhold(&["verify", &run, "--json"]);
    assert_eq!(code(&output), 1);
    let found: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(found["conclusion"], "does-not-stand");
    assert_eq!(found["stands"], false);
    let said = found["findings"].to_string();
    assert!(!said.contains("HAS CHANGED"), "{said}");
    assert!(said.contains("points.jsonl, line 1: "), "{said}");
}

/// The bare run's folder is part of what a reduction rests on.
#[test]
fn without_its_bare_run_a_reduction_is_not_verified_and_with_another_it_does_not_stand() {
    let folder = tempfile::tempdir().unwrap();
    let (run, bare) = (folder.path().join("run"), folder.path().join("bare"));
    copy_folder(&finished().run(), &run);
    // A reduction put down as it stands: only what it rests on speaks against it.
    let path = run.join("reduction.json");
    let put_down = |text: &str| {
        std::fs::write(&path, text).unwrap();
        std::fs::remove_file(run.join("results.jsonl")).unwrap();
        for file in ["notes.jsonl", "reduction.json", "report.html"] {
            if run.join(file).exists() {
                let now_utc = jiff::Timestamp::UNIX_EPOCH;
                spanhold::ledger::log_result(&run, file, now_utc).unwrap();
            }
        }
    };
    let text = std::fs::read_to_string(&path).unwrap();
    let named = finished().folder.path().join("bare").display().to_string();
    assert!(text.contains(&named));
    put_down(&text.replace(&named, "/nowhere/bare"));
    let name = run.display().to_string();
    let output = spanhold(&["verify", &name]);
    assert_eq!(code(&output), 2);
    assert!(
        stderr(&output).contains("\"/nowhere/bare\", is gone"),
        "{}",
        stderr(&output)
    );
    assert!(stdout(&output).contains("not everything could be verified"));

    // Beside the run it is found again; the report names it where it was.
    copy_folder(&finished().folder.path().join("bare"), &bare);
    put_down(&text);
    let output = spanhold(&["verify", &name]);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    put_down(&text.replace(&named, "/nowhere/bare"));
    unchain(&bare);
    let points = bare.join("points.jsonl");
    let logged = std::fs::read_to_string(&points).unwrap();
    let lines: Vec<&str> = logged.split_inclusive('\n').collect();
    std::fs::write(&points, lines[1..].concat()).unwrap();
    let output = spanhold(&["verify", &name]);
    assert_eq!(code(&output), 1);
    let said = "reduction.json: bare_losses.harmonics is logged as ";
    assert!(stdout(&output).contains(said), "{}", stdout(&output));
}

/// A run of an older arithmetic: its numbers are off by their last digits, and
/// everything that follows was made from these.
#[test]
fn another_arithmetic_has_to_agree_to_the_last_digits() {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("run");
    copy_folder(&finished().run(), &run);
    let bare = finished().folder.path().join("bare").display().to_string();
    let name = run.display().to_string();
    unchain(&run);
    let plain = ["points.jsonl", "evidence.jsonl"]
        .map(|file| (file, std::fs::read_to_string(run.join(file)).unwrap()));
    let older = |part: f64| {
        for (file, text) in &plain {
            let mut altered = String::new();
            for line in text.lines() {
                altered += &off_by(line, part);
                altered.push('\n');
            }
            assert_ne!(&altered, text);
            std::fs::write(run.join(file), altered).unwrap();
        }
        let points = std::fs::read_to_string(run.join("points.jsonl")).unwrap();
        let points: Vec<spanhold::reduction::SettledPoint> = points
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        let table = spanhold::ledger::points_csv(&points).unwrap();
        std::fs::write(run.join("points.csv"), table).unwrap();
        assert!(code(&spanhold(&["reduce", &name, "--baseline", &bare])) < 2);
        assert_eq!(code(&spanhold(&["report", &name])), 0);
    };
    older(1e-13);
    let output = spanhold(&["verify", &name]);
    assert_eq!(
        code(&output),
        1,
        "the present arithmetic gives every bit again"
    );

    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    let version = format!("\"arithmetic\": {}", spanhold::maths::ARITHMETIC_VERSION);
    assert!(record.contains(&version));
    std::fs::write(
        run.join("run.json"),
        record.replace(&version, "\"arithmetic\": 1"),
    )
    .unwrap();
    let output = spanhold(&["verify", &name]);
    let said = "agrees to the last digits (other arithmetic version)";
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    assert!(stdout(&output).contains(said), "{}", stdout(&output));
    let output = spanhold(&["verify", &name, "--json"]);
    let found: Value = serde_json::from_str(&stdout(&output)).unwrap();
    assert_eq!(found["conclusion"], "last-digits");

    older(1e-7);
    let output = spanhold(&["verify", &name]);
    assert_eq!(code(&output), 1);
    assert!(
        stdout(&output).contains("points.jsonl, line 1: "),
        "{}",
        stdout(&output)
    );
}

/// A line with every number that is not whole larger by this part of it.
fn off_by(line: &str, part: f64) -> String {
    let mut line = line.to_owned();
    for leaf in leaves(&line.clone()).into_iter().rev() {
        let value: Value = serde_json::from_str(&line[leaf.place.clone()]).unwrap();
        if let Some(number) = value.as_f64().filter(|_| value.is_f64()) {
            let number = json!(number * (1.0 + part)).to_string();
            line.replace_range(leaf.place, &number);
        }
    }
    line
}
