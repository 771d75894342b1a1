//! The setup file: span, conductor, channels, hold rules, criteria.
//!
//! In: the text of a TOML file. Out: a checked [`Setup`] whose every number is
//! physically possible, or the list of all faults, each with file, line, key,
//! what is wrong and what would be right. Touches nothing but the file it is
//! given.
//!
//! ```
//! let faults = spanhold::setup::parse("[span]\nlength_m = -36", "bench.toml").unwrap_err();
//! let lines = faults.to_string();
//! assert!(lines.contains(
//!     "bench.toml:2: span.length_m: -36 is impossible; a length above 0 m is right"
//! ));
//! ```
#![doc = include_str!("../guide/setup.md")]

mod check;
mod explain;
mod fault;
pub mod level;
mod model;
mod read;
mod requirements;
mod role;
mod sample_format;
mod warnings;
mod words;

pub use explain::explain;
pub use fault::{Fault, SetupFaults, Warning};
pub use model::{
    AlarmLimits, Amplitude, Channel, Conductor, HoldRules, Reference, Setup, Source, SourceKind,
    Span, Sweep, Test,
};
pub use requirements::{Criterion, DecisionRule, Requirement};
pub use role::{Count, Role, RoleKind, RoleRow, StrainLocation};
pub use sample_format::SampleFormat;
pub use warnings::warnings;
pub use words::{LevelRule, Protocol, Quantity, Unit, Verdict};

use fault::Log;
use read::RawSetup;
use std::path::Path;

/// A setup with the text it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// What the text says.
    pub setup: Setup,
    /// The text, byte for byte: what goes into the run folder.
    pub text: String,
    /// The file, as it was named.
    pub file: String,
    /// What is possible but implausible, in line order.
    pub warnings: Vec<Warning>,
}

/// Reads and checks a setup file, and keeps its text.
pub fn read(path: &Path) -> Result<Loaded, SetupFaults> {
    let file = path.display().to_string();
    let bytes = std::fs::read(path).map_err(|error| SetupFaults {
        file: file.clone(),
        faults: vec![Fault {
            line: None,
            key: String::new(),
            wrong: format!("cannot be read: {error}"),
            right: "a readable setup file".to_owned(),
        }],
    })?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let whole = error.as_bytes().get(..error.utf8_error().valid_up_to());
        let newlines = whole.unwrap_or_default().iter().filter(|b| **b == b'\n');
        SetupFaults {
            file: file.clone(),
            faults: vec![Fault {
                line: Some(newlines.count() + 1),
                key: String::new(),
                wrong: "the text is not UTF-8".to_owned(),
                right: "a file saved as UTF-8".to_owned(),
            }],
        }
    })?;
    examine(&text, &file)
}

/// Checks the text of a setup file, and keeps it. `file` is the name to use in
/// messages.
pub fn examine(text: &str, file: &str) -> Result<Loaded, SetupFaults> {
    let mut log = Log::new(text);
    let Some(raw) = RawSetup::read(text, &mut log) else {
        return Err(log.into_faults(file));
    };
    check::check(&raw, &mut log);
    if log.has_faults() {
        return Err(log.into_faults(file));
    }
    let Some(setup) = raw.build() else {
        // Reading logs a fault for whatever building would miss; should that
        // ever fail, the user still gets a message instead of a wrong setup.
        log.fault(0, "", "the setup is incomplete", "a complete setup file");
        return Err(log.into_faults(file));
    };
    let mut warnings = warnings(&setup);
    for warning in &mut warnings {
        warning.line = log.line_of(&warning.key);
    }
    warnings.sort_by_key(|warning| warning.line);
    Ok(Loaded {
        setup,
        text: text.to_owned(),
        file: file.to_owned(),
        warnings,
    })
}

/// The checked setup of a file. [`read`] gives its text and warnings as well.
pub fn load(path: &Path) -> Result<Setup, SetupFaults> {
    read(path).map(|loaded| loaded.setup)
}

/// The checked setup of a text; `file` is the name to use in messages.
pub fn parse(text: &str, file: &str) -> Result<Setup, SetupFaults> {
    examine(text, file).map(|loaded| loaded.setup)
}
