//! The setup file: span, conductor, channels, hold rules, criteria.
//!
//! In: the text of a TOML file. Out: a checked [`Setup`] whose every number is
//! physically possible, or the list of all faults, each with file, line, key,
//! what is wrong and what would be right. Touches nothing but the file it is
//! given and the matching that this one names.
//!
//! ```
//! let faults = spanhold::setup::parse("[span]\nlength_m = -36", "bench.toml").unwrap_err();
//! let lines = faults.to_string();
//! assert!(lines.contains(
//!     "bench.toml:2: span.length_m: -36 is impossible; a length above 0 m is right"
//! ));
//! ```
#![doc = include_str!("../guide/setup.md")]

mod accept;
mod bounded_file;
mod build;
mod check;
mod choice;
mod draft;
mod explain;
mod fault;
mod hidden;
mod key;
mod key_tables;
mod level;
mod listing;
mod matching;
mod model;
mod picture_file;
mod placement;
mod read;
mod requirements;
mod role;
mod sampling;
mod table;
#[cfg(test)]
mod tests;
mod warnings;
mod words;

pub use accept::AcceptedVerdicts;
pub use bounded_file::is_plain_relative;
pub use draft::{Answer, Draft, Question};
pub use explain::explain;
pub use fault::{Fault, SetupFaults, Warning};
pub use hidden::is_hidden;
pub use key_tables::key_tables;
pub use level::Amplitude;
pub use listing::{ListedKey, Origin};
pub use matching::{
    MatchedChannel, MatchedRecording, MatchedRow, Matching, MatchingFault, RelativeResponse,
};
pub use model::{
    AlarmLimits, Channel, Conductor, HoldRules, Instrument, NamedPicture, Reference,
    ReportParticulars, Setup, Source, SourceKind, Span, Sweep, Test,
};
pub use picture_file::{PictureKind, read_picture};
pub use placement::{Placement, RecordedFile, SensorPositions};
pub use requirements::{Criterion, CriterionLevel, DecisionRule, PowerForm, Requirement};
pub use role::{Count, Role, RoleKind, RoleRow, SensorPlace, StrainLocation};
pub use sampling::{MAX_RATE_HZ, SampleFormat, is_rate};
pub use warnings::warnings;
pub use words::{LevelRule, Protocol, Quantity, Unit, Verdict};

use bounded_file::bytes_of;
use fault::{Log, Place};
use read::RawSetup;
use std::io;
use std::path::Path;
use std::sync::Arc;

/// The longest setup file that is read: 1 MiB. A setup has some kilobytes.
const LONGEST_BYTES: usize = 1 << 20;

/// A setup with the text it came from.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    /// What the text says.
    pub setup: Setup,
    /// The text, byte for byte: what goes into the run folder.
    pub text: String,
    /// The text of the matching that it names, byte for byte, once that was read.
    pub matching_text: Option<String>,
    /// The file, as it was named.
    pub file: String,
    /// What is possible but implausible, in line order.
    pub warnings: Vec<Warning>,
    /// What was taken, key by key, and which defaults apply.
    pub keys: Vec<ListedKey>,
}

impl Loaded {
    /// The same with the matching that it names, which is read from `folder`, that of the
    /// setup file.
    ///
    /// # Errors
    /// Where that file cannot be read, was altered, or is of other sensors.
    pub fn with_matching(mut self, folder: &Path) -> Result<Self, SetupFaults> {
        let Some(name) = &self.setup.matching_file else {
            return Ok(self);
        };
        let key = "matching";
        let listed = self.keys.iter().find(|listed| listed.key == key);
        let line = listed.and_then(|listed| match listed.origin {
            Origin::File(line) => Some(line),
            Origin::Default | Origin::NotGiven(_) => None,
        });
        let path = folder.join(name);
        let told = |fault: MatchingFault| Fault {
            line,
            key: key.to_owned(),
            wrong: match fault.line {
                Some(line) => format!("{}:{line}: {}", path.display(), fault.wrong),
                None => format!("{}: {}", path.display(), fault.wrong),
            },
            right: fault.right,
        };
        let faults = |faults: Vec<Fault>| SetupFaults {
            file: self.file.clone(),
            faults,
        };
        let read = read_small_text(&path).map_err(|error| MatchingFault {
            line: None,
            wrong: format!("the matching cannot be read: {error}"),
            right: "the file that `spanhold match` wrote, or no such key,".to_owned(),
        });
        let (text, (matching, lines)) = read
            .and_then(|text| Matching::parse(&text).map(|parsed| (text, parsed)))
            .map_err(|fault| faults(vec![told(fault)]))?;
        let (wrong, odd) = matching.fits(&self.setup, &lines);
        if !wrong.is_empty() {
            return Err(faults(wrong.into_iter().map(told).collect()));
        }
        self.warnings.extend(odd.into_iter().map(|text| Warning {
            line,
            key: key.to_owned(),
            text: format!("{}: {text}", path.display()),
        }));
        self.warnings.sort_by_key(|warning| warning.line);
        self.matching_text = Some(text);
        self.setup.matching = Some(Arc::new(matching));
        Ok(self)
    }
}

/// Reads and checks a setup file with the matching that it names, and keeps its text.
pub fn read(path: &Path) -> Result<Loaded, SetupFaults> {
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    read_alone(path)?.with_matching(folder)
}

/// The same without the matching, which may not be there yet: whoever makes it, or
/// rehearses the recording that it is made from, has no use for it.
pub fn read_alone(path: &Path) -> Result<Loaded, SetupFaults> {
    let file = path.display().to_string();
    let fault = |line, wrong: String, right: &str| SetupFaults {
        file: file.clone(),
        faults: vec![Fault {
            line,
            key: String::new(),
            wrong,
            right: right.to_owned(),
        }],
    };
    let bytes = bytes_of(path, LONGEST_BYTES).map_err(|error| {
        let wrong = format!("cannot be read: {error}");
        fault(None, wrong, "a readable setup file")
    })?;
    if bytes.len() > LONGEST_BYTES {
        let wrong = format!("is longer than {LONGEST_BYTES} bytes");
        return Err(fault(None, wrong, "a setup file"));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let whole = error.as_bytes().get(..error.utf8_error().valid_up_to());
        let newlines = whole.unwrap_or_default().iter().filter(|b| **b == b'\n');
        fault(
            Some(newlines.count() + 1),
            "the text is not UTF-8".to_owned(),
            "a file saved as UTF-8",
        )
    })?;
    examine(&text, &file)
}

/// A small text that a setup names, such as a required curve: a regular file of
/// up to 1 MiB.
pub fn read_small_text(path: &Path) -> io::Result<String> {
    let bytes = bytes_of(path, LONGEST_BYTES)?;
    if bytes.len() > LONGEST_BYTES {
        return Err(io::Error::other(
            "it is longer than 1 MiB; a file of some kilobytes is right",
        ));
    }
    String::from_utf8(bytes).map_err(|_| io::Error::other("it is no text in UTF-8"))
}

/// Checks the text of a setup file, and keeps it. `file` is the name to use in
/// messages.
pub fn examine(text: &str, file: &str) -> Result<Loaded, SetupFaults> {
    let mut log = Log::new(text);
    let Some(mut raw) = RawSetup::read(text, &mut log) else {
        return Err(log.into_faults(file));
    };
    check::check(&raw, &mut log);
    if log.has_faults() {
        return Err(log.into_faults(file));
    }
    build::computed_defaults(&mut raw);
    let Some(setup) = raw.build() else {
        // Reading logs a fault for whatever building would miss; should that
        // ever fail, the user still gets a message instead of a wrong setup.
        let place = Place {
            offset: 0,
            key: String::new(),
        };
        log.fault(&place, "the setup is incomplete", "a complete setup file");
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
        matching_text: None,
        file: file.to_owned(),
        warnings,
        keys: listing::listing(&raw, &log),
    })
}

/// The checked setup of a file. [`read`] gives its text and warnings as well.
pub fn load(path: &Path) -> Result<Setup, SetupFaults> {
    read(path).map(|loaded| loaded.setup)
}

/// The checked setup of a text that stands at `path`, with the matching that it names
/// and that stands beside it: that of a run folder.
///
/// # Errors
/// Where one of the two has faults.
pub fn parse_with_matching(text: &str, path: &Path) -> Result<Setup, SetupFaults> {
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let loaded = examine(text, &path.display().to_string())?.with_matching(folder)?;
    Ok(loaded.setup)
}

/// The checked setup of a text; `file` is the name to use in messages.
pub fn parse(text: &str, file: &str) -> Result<Setup, SetupFaults> {
    examine(text, file).map(|loaded| loaded.setup)
}
