//! The program run as a user runs it, and a temporary folder to run it in.

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use spanhold::analysis::Evidence;
use spanhold::ledger::{Ledger, RunRecord, RunState};
use spanhold::reduction::SettledPoint;
use tempfile::TempDir;

/// A file of the repository.
pub fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(path)
}

fn program(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(assert_cmd::cargo::cargo_bin!("spanhold"));
    command
        .current_dir(folder)
        .args(arguments)
        .stdin(Stdio::null());
    command
}

/// The program at the top of the repository, to its end.
pub fn spanhold(arguments: &[&str]) -> Output {
    program(&repository(""), arguments).output().unwrap()
}

pub fn code(output: &Output) -> i32 {
    output.status.code().expect("it was ended by a signal")
}

pub fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

pub fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// A temporary folder, and the program run in it.
pub struct RunFolder {
    folder: TempDir,
}

impl RunFolder {
    pub fn empty() -> Self {
        let folder = tempfile::tempdir().unwrap();
        Self { folder }
    }

    /// A folder with a `setup.toml`.
    pub fn with_setup(setup: &str) -> Self {
        let new = Self::empty();
        std::fs::write(new.path("setup.toml"), setup).unwrap();
        new
    }

    pub fn root(&self) -> &Path {
        self.folder.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.root().join(name)
    }

    pub fn command(&self, arguments: &[&str]) -> Command {
        program(self.root(), arguments)
    }

    /// The program in this folder, to its end.
    pub fn spanhold(&self, arguments: &[&str]) -> Output {
        self.command(arguments).output().unwrap()
    }

    /// A file of a run, as text.
    pub fn read(&self, run: &str, name: &str) -> String {
        std::fs::read_to_string(self.path(run).join(name)).unwrap()
    }

    /// What the analysis gave is the same in both runs, byte for byte.
    #[track_caller]
    pub fn assert_same_results(&self, run: &str, other: &str) {
        for file in [
            "points.jsonl",
            "evidence.jsonl",
            "events.jsonl",
            "trace.csv",
            "points.csv",
        ] {
            assert_eq!(self.read(run, file), self.read(other, file), "{run} {file}");
        }
    }

    /// The points of a run, each as its line.
    pub fn points(&self, run: &str) -> Vec<String> {
        let text = self.read(run, "points.jsonl");
        text.lines().map(str::to_owned).collect()
    }

    /// Makes a finished run of these points; `NAME.toml` is its setup.
    pub fn finished_run(&self, name: &str, setup: &str, points: &[SettledPoint]) {
        let file = self.path(&format!("{name}.toml"));
        std::fs::write(&file, setup).unwrap();
        let record = RunRecord::begin("test", &file, setup.as_bytes(), jiff::Timestamp::now());
        let mut ledger = Ledger::create(&self.path(name), setup.as_bytes(), record, false).unwrap();
        for point in points {
            let evidence = Evidence {
                dwell_start_s: point.start_s,
                dwell_end_s: point.end_s,
                criteria: Vec::new(),
                uncertainty_budget: Vec::new(),
                fixed_sensors: None,
            };
            ledger.point(point.clone(), evidence).unwrap();
        }
        ledger
            .close(RunState::Done, None, jiff::Timestamp::now())
            .unwrap();
    }
}

/// Copies a folder with all that is in it.
pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

/// Makes a run folder as versions wrote it that chained nothing.
pub fn unchain(run: &Path) {
    for name in ["points.jsonl", "evidence.jsonl", "events.jsonl"] {
        let text = std::fs::read_to_string(run.join(name)).unwrap();
        let mut plain = String::new();
        for line in text.lines() {
            let (object, _) = line.rsplit_once(",\"chain\":\"").unwrap();
            plain += object;
            plain += "}\n";
        }
        std::fs::write(run.join(name), plain).unwrap();
    }
    let path = run.join("run.json");
    let text = std::fs::read(&path).unwrap();
    let mut record: serde_json::Value = serde_json::from_slice(&text).unwrap();
    for key in ["logs", "record_blake3"] {
        record.as_object_mut().unwrap().remove(key).unwrap();
    }
    std::fs::write(&path, serde_json::to_vec_pretty(&record).unwrap()).unwrap();
    let _ = std::fs::remove_file(run.join("results.jsonl"));
}

/// Points as the lines of `points.jsonl`.
pub fn lines(points: &[SettledPoint]) -> String {
    points
        .iter()
        .map(|point| serde_json::to_string(point).unwrap() + "\n")
        .collect()
}
