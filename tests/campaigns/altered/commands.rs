//! The commands that read a run, and whether they notice.

use spanhold::verification::{Conclusion, Stored, compare};

use super::bench::Bench;
use crate::bench::run_folder::{code, spanhold, stderr, stdout};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Command {
    Reduce,
    Report,
    Audit,
    Compare,
    Field,
    Verify,
}

/// Sequences that act on a terminal.
const ACTS: [char; 2] = ['\u{1b}', '\u{202e}'];

impl Command {
    fn arguments(self, bench: &Bench, run: &str) -> Vec<String> {
        let path = |name: &str| bench.path(name).display().to_string();
        // What is made of it goes elsewhere: the run stays as it is.
        let made = path("made.html");
        let words: &[&str] = match self {
            Self::Reduce => &["reduce", "--json"],
            Self::Report => &["report", "--out", &made],
            Self::Audit => &["audit"],
            Self::Compare => &["compare", &path("bare")],
            Self::Field => &["field", "--span", "300"],
            Self::Verify => &["verify"],
        };
        let mut words: Vec<String> = words.iter().map(|word| (*word).to_owned()).collect();
        words.push(path(run));
        if self == Self::Reduce && run == "run" {
            words.extend(["--baseline".to_owned(), path("bare")]);
        }
        words
    }

    fn run(self, bench: &Bench, run: &str) -> (i32, String) {
        // The bare run is read as part of the run that rests on it.
        let read = if run == "bare" { "run" } else { run };
        let words = self.arguments(bench, read);
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let output = spanhold(&words);
        (code(&output), stderr(&output) + &stdout(&output))
    }

    /// All that it says of a run.
    pub fn said(self, bench: &Bench, run: &str) -> String {
        let (_, said) = self.run(bench, run);
        if self == Self::Report {
            return said + &std::fs::read_to_string(bench.path("made.html")).unwrap_or_default();
        }
        said
    }

    /// Whether it says of this file that something is wrong with it, and draws
    /// the consequence: what rests on it is refused, what shows it says so.
    pub fn notices(self, bench: &Bench, run: &str, file: &str) -> Result<(), String> {
        let (code, said) = match self {
            // As the command has it, but what comes out of the recordings of the
            // run is known: they are not altered.
            Self::Verify if matches!(run, "run" | "bare") => verified(bench),
            _ => self.run(bench, run),
        };
        let short = || said.chars().take(600).collect::<String>();
        if said.contains(ACTS) {
            return Err(format!("it passes on what acts on a terminal: {}", short()));
        }
        let name = file.rsplit('/').next().unwrap_or(file);
        // A sidecar is told of with its recording.
        let name = name.strip_suffix(".wav.json").unwrap_or(name);
        let is_told =
            said.contains(name) || run == "bare" && said.contains("The run of the bare span");
        let refuses = match self {
            Self::Reduce | Self::Report | Self::Compare | Self::Field => code == 2,
            Self::Audit => code == 2 || code == 1 || said.contains("is missing"),
            // A report may be elsewhere, and a last line torn; then it is told.
            Self::Verify => code != 0 || said.contains("it is gone") || said.contains("is torn"),
        };
        if is_told && refuses {
            Ok(())
        } else {
            Err(format!("exit {code}: {}", short()))
        }
    }
}

/// What `verify` would end with and print.
fn verified(bench: &Bench) -> (i32, String) {
    let verification =
        Stored::read(&bench.path("run")).and_then(|stored| compare(&stored, &bench.recomputed));
    match verification {
        Ok(verification) => {
            let code = match verification.conclusion {
                Conclusion::Identical | Conclusion::LastDigits => 0,
                Conclusion::DoesNotStand => 1,
                Conclusion::Incomplete => 2,
            };
            let said = [
                verification.findings,
                verification.missing,
                verification.notes,
            ];
            // What goes to a terminal is made harmless on its way.
            (code, said.concat().join("\n").replace(ACTS, "?"))
        }
        Err(error) => (2, error.to_string().replace(ACTS, "?")),
    }
}
