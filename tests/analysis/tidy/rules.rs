//! The rules. Each reads a tree and says where it is broken.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::fmt;

use super::tree::{Mention, Tree};

/// The layers: a folder imports only from those before it. `maths` is the
/// arithmetic under all of them, a leaf as `span` is.
const LAYERS: [&str; 24] = [
    "maths",
    "span",
    "setup",
    "ingest",
    "recorder",
    "tone",
    "matching",
    "resonance",
    "reduction",
    "analysis",
    "ledger",
    "pipeline",
    "evaluation",
    "plan",
    "guidance",
    "rehearsal",
    "report",
    "verification",
    "export",
    "reprocessing",
    "live",
    "drive",
    "commands",
    "guide",
];

/// They know nothing of threads, files, clocks, devices and the environment.
const PURE: [&str; 10] = [
    "maths",
    "span",
    "tone",
    "matching",
    "resonance",
    "reduction",
    "analysis",
    "evaluation",
    "plan",
    "guidance",
];

/// The virtual span is the outside against which the analysis is tested: it
/// shares the setup with it and how sines are computed, and no physics.
const BEFORE_REHEARSAL: [&str; 2] = ["maths", "setup"];

/// What the rehearsal may import from `span` besides: types that only carry
/// data. None is needed today. `StrungConductor`, `BendingWire` and the like
/// are none: their methods are the physics that the rehearsal is to check.
const SPAN_DATA_TYPES: [&str; 0] = [];

/// The tests of any layer may use the virtual span as their bench.
const TEST_FIXTURES: [&str; 1] = ["rehearsal"];

/// Crates of pure computation. A crate that is not in this list may not be
/// named in a pure module: who adds one has looked what it touches.
const PURE_CRATES: [&str; 14] = [
    "std",
    "core",
    "alloc",
    "csv",
    "jiff",
    "libm",
    "ndarray",
    "num_complex",
    "pulp",
    "realfft",
    "rustfft",
    "serde",
    "statrs",
    "thiserror",
];

/// Parts of these crates that reach outside: threads, files, devices, clocks,
/// the environment, chance from the operating system.
const OUTSIDE: [&str; 27] = [
    "std::env",
    "std::fs",
    "std::io",
    "std::net",
    "std::os",
    "std::path",
    "std::process",
    "std::random",
    "std::sync::Barrier",
    "std::sync::Condvar",
    "std::sync::Mutex",
    "std::sync::RwLock",
    "std::sync::atomic",
    "std::sync::mpsc",
    "std::thread",
    "std::time::Instant",
    "std::time::SystemTime",
    // Their order comes from the operating system's chance.
    "std::collections::HashMap",
    "std::collections::HashSet",
    "std::hash::RandomState",
    "csv::Reader::from_path",
    "csv::ReaderBuilder::from_path",
    "csv::Writer::from_path",
    "jiff::Timestamp::now",
    "jiff::Zoned::now",
    "jiff::tz",
    "jiff::fmt::strtime",
];

/// Macros that reach outside: the terminal, the environment of the build.
const OUTSIDE_MACROS: [&str; 8] = [
    "println!",
    "print!",
    "eprintln!",
    "eprint!",
    "dbg!",
    "env!",
    "option_env!",
    "thread_local!",
];

/// Paths that make or are a queue without a bound.
const UNBOUNDED: [&str; 7] = [
    "crossbeam_channel::unbounded",
    "crossbeam::channel::unbounded",
    "std::sync::mpsc::channel",
    "std::sync::mpsc::Sender",
    "crossbeam_queue::SegQueue",
    "crossbeam::queue::SegQueue",
    "crossbeam_deque::Injector",
];

/// Words that say nothing of what a thing is.
const EMPTY_WORDS: [&str; 9] = [
    "util",
    "utils",
    "utility",
    "utilities",
    "helper",
    "helpers",
    "manager",
    "managers",
    "misc",
];

/// Macros that stand for work not done.
const NOT_DONE: [&str; 2] = ["todo!", "unimplemented!"];

/// Where a rule is broken.
#[derive(Debug)]
pub struct Finding {
    pub file: String,
    pub line: usize,
    /// The path or name at fault.
    pub about: String,
    pub wrong: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "src/{}:{}: `{}` {}",
            self.file, self.line, self.about, self.wrong
        )
    }
}

/// The folder of a file below `src/`, or a file's stem at the top: `maths.rs`
/// is as good as `maths/mod.rs`.
fn folder(file: &str) -> &str {
    file.split('/').next().unwrap().trim_end_matches(".rs")
}

fn at(mention: &Mention, wrong: impl Into<String>) -> Finding {
    Finding {
        file: mention.file.clone(),
        line: mention.line,
        about: mention.text(),
        wrong: wrong.into(),
    }
}

/// `path` is `start` or lies below it.
fn below(path: &[String], start: &str) -> bool {
    let mut segments = path.iter();
    start
        .split("::")
        .all(|part| segments.next().is_some_and(|segment| segment == part))
}

pub fn folders(tree: &Tree) -> Vec<Finding> {
    let mut seen = BTreeSet::new();
    tree.files()
        .map(|(file, _)| file)
        .filter(|file| !matches!(*file, "lib.rs" | "main.rs"))
        .filter(|file| !LAYERS.contains(&folder(file)))
        .filter(|file| seen.insert(folder(file).to_owned()))
        .map(|file| Finding {
            file: file.to_owned(),
            line: 1,
            about: folder(file).to_owned(),
            wrong: format!("is none of the layers: {}", LAYERS.join(", ")),
        })
        .collect()
}

pub fn named(tree: &Tree) -> Vec<Finding> {
    let named = tree.named_files();
    tree.files()
        .filter(|(file, _)| !named.contains(file))
        .map(|(file, _)| Finding {
            file: file.to_owned(),
            line: 1,
            about: file.to_owned(),
            wrong: "is compiled by nobody: no `mod` names it".to_owned(),
        })
        .collect()
}

fn rank(layer: &str) -> Option<usize> {
    LAYERS.iter().position(|l| *l == layer)
}

pub fn order(tree: &Tree) -> Vec<Finding> {
    let mut found = Vec::new();
    for mention in tree.mentions() {
        let from = folder(&mention.file);
        if mention.folder().is_none() || mention.file == "lib.rs" {
            continue;
        }
        // As written, and where it is defined: a re-export hides nothing.
        let defined = tree.defined(mention);
        let written = mention.path.get(1);
        let mut targets: Vec<&String> = written.into_iter().chain(defined.get(1)).collect();
        targets.dedup();
        for target in targets {
            let target = target.as_str();
            if target == from {
                continue;
            }
            if mention.file == "main.rs" {
                if target != "commands" {
                    found.push(at(
                        mention,
                        "is not for `main`, which only calls `commands`",
                    ));
                }
                continue;
            }
            let (Some(of), Some(to)) = (rank(from), rank(target)) else {
                found.push(at(mention, "leads to what is no layer"));
                continue;
            };
            if mention.test && TEST_FIXTURES.contains(&target) {
                continue;
            }
            if to > of {
                found.push(at(
                    mention,
                    format!("lies behind `{from}` in the order of the layers"),
                ));
            } else if from == "rehearsal" && !BEFORE_REHEARSAL.contains(&target) {
                let data = target == "span"
                    && defined
                        .last()
                        .is_some_and(|last| SPAN_DATA_TYPES.contains(&last.as_str()));
                if !data {
                    found.push(at(
                        mention,
                        "belongs to the analysis, which the rehearsal is to check",
                    ));
                }
            }
        }
    }
    found
}

/// One finding for each circle: the shortest way round from each file, each
/// set of files once.
pub fn circles(tree: &Tree) -> Vec<Finding> {
    let edges = tree.edges();
    let mut needs: BTreeMap<&str, BTreeMap<&str, usize>> = BTreeMap::new();
    for edge in &edges {
        needs
            .entry(&edge.from)
            .or_default()
            .entry(&edge.to)
            .or_insert(edge.line);
    }
    let none = BTreeMap::new();
    let mut seen = BTreeSet::new();
    let mut found = Vec::new();
    for start in needs.keys().copied() {
        let mut before: BTreeMap<&str, &str> = BTreeMap::new();
        let mut next = VecDeque::from([start]);
        'search: while let Some(file) = next.pop_front() {
            for to in needs.get(file).unwrap_or(&none).keys().copied() {
                if to == start || !before.contains_key(to) {
                    before.insert(to, file);
                    if to == start {
                        break 'search;
                    }
                    next.push_back(to);
                }
            }
        }
        if !before.contains_key(start) {
            continue;
        }
        let mut way = vec![start];
        let mut file = before[start];
        while file != start {
            way.push(file);
            file = before[file];
        }
        way[1..].reverse();
        if seen.insert(way.iter().copied().collect::<BTreeSet<_>>()) {
            let mut about = way[1..].join(" → ");
            about.push_str(" → ");
            about.push_str(start);
            found.push(Finding {
                file: start.to_owned(),
                line: needs[start][way.get(1).copied().unwrap_or(start)],
                about,
                wrong: "is a circle".to_owned(),
            });
        }
    }
    found
}

pub fn purity(tree: &Tree) -> Vec<Finding> {
    tree.mentions()
        .iter()
        .filter(|mention| !mention.test && PURE.contains(&folder(&mention.file)))
        .filter_map(|mention| {
            let first = mention.path.first()?.as_str();
            if first == "crate" {
                return None;
            }
            if mention.path.last()?.ends_with('!') && mention.path.len() == 1 {
                return OUTSIDE_MACROS
                    .contains(&first)
                    .then(|| at(mention, "reaches out of a pure module"));
            }
            let path: Vec<String> = std::iter::once(if first == "core" || first == "alloc" {
                "std".to_owned()
            } else {
                first.to_owned()
            })
            .chain(mention.path[1..].iter().cloned())
            .collect();
            if !PURE_CRATES.contains(&first) {
                return Some(at(mention, "is no crate known to be pure"));
            }
            OUTSIDE
                .iter()
                .any(|outside| below(&path, outside))
                .then(|| at(mention, "reaches out of a pure module"))
        })
        .collect()
}

pub fn bounded(tree: &Tree) -> Vec<Finding> {
    tree.mentions()
        .iter()
        .filter(|mention| UNBOUNDED.iter().any(|path| below(&mention.path, path)))
        .map(|mention| at(mention, "makes a channel without a bound"))
        .collect()
}

pub fn command_line(tree: &Tree) -> Vec<Finding> {
    tree.mentions()
        .iter()
        .filter(|mention| folder(&mention.file) != "commands")
        .filter(|mention| {
            matches!(
                mention.path.first().map(String::as_str),
                Some("clap" | "clap_complete" | "indicatif" | "console")
            )
        })
        .map(|mention| {
            at(
                mention,
                "belongs to the command line, which only `commands` knows",
            )
        })
        .collect()
}

/// The name of a type that files share has one meaning in the whole crate.
pub fn type_names(tree: &Tree) -> Vec<Finding> {
    let mut first: BTreeMap<&str, &str> = BTreeMap::new();
    let mut found = Vec::new();
    for given in tree.given().iter().filter(|given| given.is_shared_type) {
        let earlier = first.entry(&given.name).or_insert(&given.file);
        if *earlier != given.file {
            found.push(Finding {
                file: given.file.clone(),
                line: given.line,
                about: given.name.clone(),
                wrong: format!("is a type of src/{earlier} too: what does each mean?"),
            });
        }
    }
    found
}

/// `SpanManager` and `span_manager` are `span`, `manager`.
fn parts(name: &str) -> Vec<String> {
    let mut parts = vec![String::new()];
    for c in name.chars() {
        if c == '_' || c.is_uppercase() {
            parts.push(String::new());
        }
        if c != '_' {
            parts.last_mut().unwrap().extend(c.to_lowercase());
        }
    }
    parts
}

pub fn words(tree: &Tree) -> Vec<Finding> {
    let empty = |name: &str| {
        parts(name)
            .iter()
            .any(|part| EMPTY_WORDS.contains(&part.as_str()))
    };
    let files = tree
        .files()
        .filter(|(file, _)| file.trim_end_matches(".rs").split('/').any(empty))
        .map(|(file, _)| Finding {
            file: file.to_owned(),
            line: 1,
            about: file.to_owned(),
            wrong: "does not say what is in it".to_owned(),
        });
    let given = tree
        .given()
        .iter()
        .filter(|given| empty(&given.name))
        .map(|given| Finding {
            file: given.file.clone(),
            line: given.line,
            about: given.name.clone(),
            wrong: "does not say what it is".to_owned(),
        });
    let not_done = tree
        .mentions()
        .iter()
        .filter(|mention| {
            mention
                .path
                .last()
                .is_some_and(|last| NOT_DONE.contains(&last.as_str()))
        })
        .map(|mention| at(mention, "stands for work not done"));
    let marks = tree.files().flat_map(|(file, text)| {
        text.lines().enumerate().filter_map(move |(index, line)| {
            let mark = ["TODO", "FIXME", "XXX"].into_iter().find(|mark| {
                line.split(|c: char| !c.is_alphanumeric())
                    .any(|word| word == *mark)
            })?;
            Some(Finding {
                file: file.to_owned(),
                line: index + 1,
                about: mark.to_owned(),
                wrong: "is for an issue, not for the code".to_owned(),
            })
        })
    });
    files.chain(given).chain(not_done).chain(marks).collect()
}
