//! The text of a first setup file.

use std::fmt::Write as _;

use super::answers::Answers;
use super::questions::{QUESTIONS, Question};

/// The file: every key that was asked for, those without an answer as comments,
/// and where to read on.
pub(super) fn text(answers: &Answers) -> String {
    let mut file = File {
        answers,
        text: String::new(),
        columns: 0,
    };
    file.bench();
    file.samples();
    file.rest();
    file.text
}

/// The question called so.
fn question(name: &str) -> Option<&'static Question> {
    QUESTIONS.iter().find(|question| question.name == name)
}

/// The file as far as it is written.
struct File<'a> {
    answers: &'a Answers,
    text: String,
    /// Columns of the source that channels have taken.
    columns: u32,
}

impl File<'_> {
    fn line(&mut self, line: &str) {
        self.text.push_str(line);
        self.text.push('\n');
    }

    /// A key by the answer to a question; as a comment where there is none.
    fn key(&mut self, name: &str, key: &str, comment: &str) {
        let Some(question) = question(name) else {
            return;
        };
        let line = match self.value(question) {
            Some(value) => format!("{key} = {value}"),
            None => format!("# {key} ="),
        };
        let _ = if comment.is_empty() {
            writeln!(self.text, "{line}")
        } else {
            writeln!(self.text, "{line:<34} # {comment}")
        };
    }

    /// What stands for a question in the file.
    fn value(&self, question: &Question) -> Option<String> {
        let answer = match self.answers.get(question) {
            Some("") => return None,
            Some(answer) => answer,
            None => question.typical,
        };
        let is_number = !question.unit.is_empty();
        Some(if is_number {
            answer.to_owned()
        } else {
            toml::Value::String(answer.to_owned()).to_string()
        })
    }

    fn answered(&self, name: &str, word: &str) -> bool {
        self.answers.given(name) == Some(word)
    }

    fn bench(&mut self) {
        self.line("# A setup of spanhold. What is not given has a default: the guide, page \"Setup file\",");
        self.line("# has every key, and `spanhold plan` and `spanhold check` say what follows from these.");
        self.line("\n[test]");
        self.key("title", "title", "on every report");
        self.key("damper", "damper", "without it a bare-span run");
        self.line("# operator =                       # who runs the bench");
        self.line("\n[conductor]");
        self.key("designation", "designation", "trade designation");
        self.key("diameter", "diameter_mm", "outer diameter");
        self.key("mass", "mass_kg_per_m", "mass per length");
        let rated = "a tension at or above it is a fault";
        self.key("rated strength", "rated_strength_kn", rated);
        let stiffness = "EI, for the power with bending stiffness";
        self.key("stiffness", "bending_stiffness_n_m2", stiffness);
        self.line("\n[span]");
        self.key("length", "length_m", "free length between the clamps");
        self.key("tension", "tension_kn", "");
        self.line("# tension_uncertainty_pct = 2.0    # k = 2; this is the default");
        if question("damper position").is_some_and(|asked| self.answers.ask_for(asked)) {
            let place = "from the damper-end clamp";
            self.key("damper position", "damper_position_m", place);
        }
        let place = "from the drive-end clamp";
        self.key("drive position", "drive_position_m", place);
        let node = "1 is the nearest to the damper";
        self.key("node", "node_from_damper", node);
        self.line("\n# [sweep]                          # default: 0.18/d to 1.4/d (IEC 61897)");
        self.line("# low_hz =\n# high_hz =");
        if question("level").is_some_and(|level| self.value(level).is_some()) {
            self.line("\n[amplitude]                        # the level of the points");
            self.line("rule = \"constant-velocity\"");
            self.key("level", "value", "antinode velocity, mm/s peak");
        } else {
            self.line("\n# [amplitude]                      # the level of the points");
            self.line("# rule = \"constant-velocity\"");
            self.line("# value =                          # antinode velocity, mm/s peak");
        }
    }

    fn samples(&mut self) {
        self.line("\n[[source]]\nname = \"bench\"");
        self.key("source", "kind", "wav: recordings; serial: a device");
        if self.answered("source", "serial") {
            self.key("port", "port", "the device");
            self.key("baud", "baud", "line speed");
        }
        for role in ["antinode", "node"] {
            self.channel(role, role);
            self.motion();
        }
        if self.answered("force", "yes") {
            self.channel("force", "drive-force");
            self.line("unit = \"N\"");
            self.key(
                "force full scale",
                "full_scale",
                "peak, at digital full scale",
            );
            self.channel("drive", "drive-motion");
            self.motion();
        }
        for (end, question) in [
            ("damper", "strain at the damper"),
            ("end", "strain at the end"),
        ] {
            if self.answered("gauges", end) || self.answered("gauges", "both") {
                self.channel(&format!("strain-{end}"), "clamp-strain");
                self.line("unit = \"um/m\"");
                self.key(question, "full_scale", "peak, at digital full scale");
                let _ = writeln!(self.text, "location = \"{end}\"");
            }
        }
    }

    fn channel(&mut self, name: &str, role: &str) {
        let _ = writeln!(
            self.text,
            "\n[[channel]]\nname = \"{name}\"\nrole = \"{role}\"\nsource = \"bench\"\n{:<34} # column \
             in the source, from 0",
            format!("index = {}", self.columns)
        );
        self.columns += 1;
    }

    fn motion(&mut self) {
        self.key("unit", "unit", "");
        self.key("full scale", "full_scale", "peak, at digital full scale");
        let certificate = "k = 2, from the calibration certificate";
        self.key("uncertainty", "uncertainty_pct", certificate);
    }

    fn rest(&mut self) {
        self.line(
            "\n# What the run is held against. Required values come from the licensed text of the",
        );
        self.line("# standard in force and from the responsible engineer.");
        self.line("# [[criteria]]");
        self.line("# kind = \"efficiency-curve\"");
        self.line("# curve =                          # a CSV file: frequency_hz,efficiency_pct");
        self.line("# [[criteria]]");
        self.line("# kind = \"strain-limit\"");
        self.line("# limit_pp_um_m =                  # peak-to-peak");
    }
}
