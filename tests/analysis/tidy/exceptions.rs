//! What breaks a rule and may, each with its reason.

use super::rules::Finding;

pub struct Exception {
    pub rule: &'static str,
    /// The file, or a folder of them with a `/` at its end.
    pub file: &'static str,
    /// How the path or name at fault begins.
    pub about: &'static str,
    /// Why it may.
    #[allow(dead_code, reason = "for the reader of this list")]
    pub reason: &'static str,
}

impl Exception {
    pub fn covers(&self, finding: &Finding) -> bool {
        let file = if self.file.ends_with('/') {
            finding.file.starts_with(self.file)
        } else {
            finding.file == self.file
        };
        file && finding.about.starts_with(self.about)
    }
}

pub const EXCEPTIONS: &[Exception] = &[
    Exception {
        rule: "circles",
        file: "commands/",
        about: "commands/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "plan/",
        about: "plan/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "recorder/",
        about: "recorder/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "report/document/",
        about: "report/document/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "resonance/tracker/",
        about: "resonance/tracker/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "setup/check/",
        about: "setup/check/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "setup/read/",
        about: "setup/read/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "circles",
        file: "span/wind/",
        about: "span/wind/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "command line",
        file: "evaluation/comparison.rs",
        about: "clap::ValueEnum",
        reason: "for now: the kind of comparison is parsed where it is defined",
    },
    Exception {
        rule: "purity",
        file: "evaluation/comparison.rs",
        about: "clap::ValueEnum",
        reason: "for now: see 'command line'",
    },
];
