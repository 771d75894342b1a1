//! What breaks a rule and may, each with its reason.

use super::rules::Finding;

pub struct Exception {
    pub rule: &'static str,
    /// The file; with a `/` at its end a folder of them; empty for all.
    pub file: &'static str,
    /// The path or name at fault; with a `/` at its end only how it begins.
    pub about: &'static str,
    /// Why it may.
    pub reason: &'static str,
}

impl Exception {
    pub fn covers(&self, finding: &Finding) -> bool {
        let begins = |text: &str, with: &str| with.ends_with('/') && text.starts_with(with);
        let (file, about) = (&finding.file, &finding.about);
        (self.file.is_empty() || file == self.file || begins(file, self.file))
            && (about == self.about || begins(about, self.about))
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
        file: "span/wind/",
        about: "span/wind/",
        reason: "for now: files of one folder and its `mod.rs` need each other",
    },
    Exception {
        rule: "type names",
        file: "commands/",
        about: "Args",
        reason: "every command has its arguments; nothing else imports them",
    },
    Exception {
        rule: "type names",
        file: "",
        about: "Checked",
        reason: "for now: one of both is to be renamed",
    },
    Exception {
        rule: "type names",
        file: "",
        about: "Judgement",
        reason: "for now: one of both is to be renamed",
    },
    Exception {
        rule: "type names",
        file: "",
        about: "Outcome",
        reason: "for now: one of both is to be renamed",
    },
    Exception {
        rule: "type names",
        file: "",
        about: "Recordings",
        reason: "for now: one of both is to be renamed",
    },
];
