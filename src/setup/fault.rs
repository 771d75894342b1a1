//! Faults and warnings: how what is wrong with a setup is told.
//!
//! In: places in the text and words. Out: [`SetupFaults`], sorted by line.

use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;

/// One thing that is wrong in a setup file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// Line in the file, from 1. `None` only when the file could not be read.
    /// A key or section that is missing is reported at its section's header, a
    /// missing section at line 1.
    pub line: Option<usize>,
    /// The key with its section, `span.tension_kn` or `channel[node].unit`;
    /// empty for a fault of the file as a whole.
    pub key: String,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
}

/// Everything that is wrong in a setup file, in line order; never empty.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, thiserror::Error)]
pub struct SetupFaults {
    /// The file, as it was named.
    pub file: String,
    /// The faults.
    pub faults: Vec<Fault>,
}

impl fmt::Display for SetupFaults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (n, fault) in self.faults.iter().enumerate() {
            if n > 0 {
                writeln!(f)?;
            }
            place(f, &self.file, fault.line, &fault.key)?;
            write!(f, "{}; {} is right", fault.wrong, fault.right)?;
        }
        Ok(())
    }
}

/// Something possible but implausible, or something that will be missing from
/// the results.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Warning {
    /// Line in the file, from 1, where known.
    pub line: Option<usize>,
    /// The key with its section.
    pub key: String,
    /// What is odd, and what it means for the results.
    pub text: String,
}

impl Warning {
    /// The warning as one line, in the layout of the faults.
    pub fn in_file<'a>(&'a self, file: &'a str) -> impl fmt::Display + 'a {
        fmt::from_fn(move |f| {
            place(f, file, self.line, &self.key)?;
            write!(f, "warning: {}", self.text)
        })
    }
}

fn place(f: &mut fmt::Formatter<'_>, file: &str, line: Option<usize>, key: &str) -> fmt::Result {
    write!(f, "{file}")?;
    if let Some(line) = line {
        write!(f, ":{line}")?;
    }
    write!(f, ": ")?;
    if !key.is_empty() {
        write!(f, "{key}: ")?;
    }
    Ok(())
}

/// Where a fault is.
#[derive(Debug, Clone)]
pub(super) struct Place {
    /// Byte offset in the text.
    pub(super) offset: usize,
    /// The key with its section.
    pub(super) key: String,
}

/// So many unknown keys or syntax faults are told one by one; a file that is
/// something else altogether has a hundred thousand.
const TOLD_ONE_BY_ONE: usize = 50;

/// Collects faults while a text is read, and remembers where each key stood.
#[derive(Debug)]
pub(super) struct Log {
    line_starts: Vec<usize>,
    faults: Vec<(usize, Fault)>,
    places: BTreeMap<String, usize>,
    /// Unknown keys and syntax faults, told or not.
    unknown: usize,
    /// Where the first of them stands that is not told.
    first_untold: Option<usize>,
}

impl Log {
    pub(super) fn new(text: &str) -> Self {
        let after_newlines = text.match_indices('\n').map(|(at, _)| at + 1);
        Self {
            line_starts: std::iter::once(0).chain(after_newlines).collect(),
            faults: Vec::new(),
            places: BTreeMap::new(),
            unknown: 0,
            first_untold: None,
        }
    }

    /// Line, from 1, of a byte offset.
    pub(super) fn line(&self, offset: usize) -> usize {
        self.line_starts.partition_point(|&start| start <= offset)
    }

    pub(super) fn fault(
        &mut self,
        place: &Place,
        wrong: impl Into<String>,
        right: impl Into<String>,
    ) {
        let fault = Fault {
            line: Some(self.line(place.offset)),
            key: place.key.clone(),
            wrong: wrong.into(),
            right: right.into(),
        };
        self.faults.push((place.offset, fault));
    }

    /// Counts an unknown key or a syntax fault at `offset`. Whether that is all:
    /// enough of them are told.
    pub(super) fn counts_only(&mut self, offset: usize) -> bool {
        self.unknown += 1;
        let enough = self.unknown > TOLD_ONE_BY_ONE;
        if enough {
            let first = self.first_untold.unwrap_or(offset).min(offset);
            self.first_untold = Some(first);
        }
        enough
    }

    pub(super) fn remember(&mut self, key: &str, offset: usize) {
        self.places.insert(key.to_owned(), offset);
    }

    /// Line of a key, or of the section it would stand in.
    pub(super) fn line_of(&self, key: &str) -> Option<usize> {
        let at = self.places.get(key).or_else(|| {
            let (section, _) = key.rsplit_once('.')?;
            self.places.get(section)
        })?;
        Some(self.line(*at))
    }

    pub(super) fn has_faults(&self) -> bool {
        !self.faults.is_empty()
    }

    pub(super) fn into_faults(mut self, file: &str) -> SetupFaults {
        if let Some(offset) = self.first_untold {
            let untold = self.unknown - TOLD_ONE_BY_ONE;
            let place = Place {
                offset,
                key: String::new(),
            };
            self.fault(
                &place,
                format!("{untold} more faults of the same kind begin here"),
                "a setup file as the guide, page \"setup\", describes it",
            );
        }
        // Stable: faults at one place keep the order they were found in.
        self.faults.sort_by_key(|(offset, _)| *offset);
        SetupFaults {
            file: file.to_owned(),
            faults: self.faults.into_iter().map(|(_, fault)| fault).collect(),
        }
    }
}
