//! The recordings a run was made from: where they are now, and whether they
//! are still what they were.

use std::fs::File;
use std::path::{Path, PathBuf};

use serde::Serialize;

use crate::ingest::sidecar::{hash_of_file, hash_of_sidecar};
use crate::ledger::{FileRecord, RECORDINGS_FOLDER, Run, RunRecord, SETUP_FILE};

/// How one file stands against what `run.json` says of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase", tag = "standing")]
pub enum Standing {
    /// Same length, same hash.
    Unchanged,
    /// It is not the file that was read.
    Changed {
        /// What differs.
        what: String,
    },
    /// It is in none of the places where it could be.
    Missing,
    /// The run has no hash of it: the run was broken off.
    Unhashed,
    /// It is there and cannot be read.
    Unreadable {
        /// What the operating system said.
        what: String,
    },
}

impl Standing {
    /// One word or two.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Unchanged => "unchanged",
            Self::Changed { .. } => "CHANGED",
            Self::Missing => "missing",
            Self::Unhashed => "no hash",
            Self::Unreadable { .. } => "unreadable",
        }
    }
}

/// One file of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Checked {
    /// As the run names it.
    pub named: String,
    /// Where it was found.
    pub found: Option<PathBuf>,
    /// Hash that the run recorded, hexadecimal BLAKE3.
    pub blake3: Option<String>,
    /// Begin in the time of the run, s, where the run says it.
    #[serde(skip)]
    pub start_s: Option<f64>,
    /// Begin by its header, where it says one.
    #[serde(skip)]
    pub begun: Option<String>,
    /// How it stands.
    #[serde(flatten)]
    pub standing: Standing,
}

impl Checked {
    /// Whether this file can be relied upon.
    pub fn is_unchanged(&self) -> bool {
        self.standing == Standing::Unchanged
    }

    /// One sentence.
    pub fn sentence(&self) -> String {
        let name = &self.named;
        match &self.standing {
            Standing::Unchanged => format!("{name} is unchanged (BLAKE3 hash agrees)."),
            Standing::Changed { what } => {
                format!("{name} HAS CHANGED since the run was made: {what}.")
            }
            Standing::Missing => format!(
                "{name} is missing: put it into the run folder or its {RECORDINGS_FOLDER}/ folder, or where it was."
            ),
            Standing::Unhashed => format!(
                "{name} is there, but the run has no hash of it (it was broken off): nobody can say whether it changed."
            ),
            Standing::Unreadable { what } => format!("{name} cannot be read: {what}."),
        }
    }
}

/// All files of a run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Recordings {
    /// The setup as used.
    pub setup: Checked,
    /// The recordings, those of each source in order.
    pub sources: Vec<Vec<Checked>>,
}

impl Recordings {
    /// Looks every file of a run up and hashes it.
    pub fn check(run: &Run) -> Self {
        Self::of(&run.folder, &run.record, &run.setup_text)
    }

    /// Looks every file up that the record of a run folder names, and hashes
    /// it.
    pub fn of(folder: &Path, record: &RunRecord, setup_text: &str) -> Self {
        let setup_record = FileRecord {
            path: SETUP_FILE.to_owned(),
            bytes: setup_text.len() as u64,
            blake3: Some(record.setup_blake3.clone()),
            ..FileRecord::default()
        };
        Self {
            setup: check(folder, &setup_record),
            sources: record
                .sources
                .iter()
                .map(|source| {
                    source
                        .files
                        .iter()
                        .map(|file| check(folder, file))
                        .collect()
                })
                .collect(),
        }
    }

    /// The same files as if none had been touched since the run was made.
    #[must_use]
    pub fn unchanged(&self) -> Self {
        let mut files = self.clone();
        let sources = files.sources.iter_mut().flatten();
        for file in std::iter::once(&mut files.setup).chain(sources) {
            if file.blake3.is_some() {
                file.standing = Standing::Unchanged;
            }
        }
        files
    }

    /// Every file, the setup first.
    pub fn all(&self) -> impl Iterator<Item = &Checked> {
        std::iter::once(&self.setup).chain(self.sources.iter().flatten())
    }

    /// Whether a file is known to have changed.
    pub fn any_changed(&self) -> bool {
        self.all()
            .any(|file| matches!(file.standing, Standing::Changed { .. }))
    }

    /// Whether everything is there and unchanged.
    pub fn all_unchanged(&self) -> bool {
        self.all().all(Checked::is_unchanged)
    }

    /// What to say in one line when all is well, else a line each fault.
    pub fn sentences(&self) -> Vec<String> {
        let recordings = self.sources.iter().flatten().count();
        if self.all_unchanged() {
            return vec![format!(
                "The setup and {recordings} recording{} are unchanged since the run was made (BLAKE3 hashes agree).",
                if recordings == 1 { "" } else { "s" }
            )];
        }
        self.all()
            .filter(|file| !file.is_unchanged())
            .map(Checked::sentence)
            .collect()
    }
}

/// Where a file may be now: as named, from the run folder first, then by its
/// bare name in the run folder, should the whole folder have moved.
fn places(folder: &Path, named: &str) -> Vec<PathBuf> {
    let path = Path::new(named);
    let mut places = vec![folder.join(path)];
    if path.is_relative() {
        places.push(path.to_owned());
    }
    if let Some(name) = path.file_name() {
        places.push(folder.join(RECORDINGS_FOLDER).join(name));
        places.push(folder.join(name));
    }
    places
}

fn check(folder: &Path, record: &FileRecord) -> Checked {
    let mut checked = Checked {
        named: record.path.clone(),
        found: None,
        blake3: record.blake3.clone(),
        start_s: record.start_s,
        begun: record.begun.clone(),
        standing: Standing::Missing,
    };
    for place in places(folder, &record.path) {
        if !place.is_file() {
            continue;
        }
        let standing = compare(&place, record);
        let better = checked.found.is_none() || standing == Standing::Unchanged;
        if better {
            checked.found = Some(place);
            checked.standing = standing;
        }
        if checked.is_unchanged() {
            break;
        }
    }
    checked
}

fn compare(path: &Path, record: &FileRecord) -> Standing {
    let unreadable = |error: std::io::Error| Standing::Unreadable {
        what: error.to_string(),
    };
    let bytes = match File::open(path).and_then(|file| file.metadata()) {
        Ok(metadata) => metadata.len(),
        Err(error) => return unreadable(error),
    };
    let Some(recorded) = &record.blake3 else {
        return Standing::Unhashed;
    };
    if bytes != record.bytes {
        return Standing::Changed {
            what: format!("it had {} bytes and has {bytes}", record.bytes),
        };
    }
    let found = match hash_of_file(path) {
        Ok(found) => found,
        Err(error) => return unreadable(error),
    };
    if found != *recorded {
        return Standing::Changed {
            what: format!("its BLAKE3 hash was {recorded} and is {found}"),
        };
    }
    let Some(recorded) = &record.sidecar_blake3 else {
        return Standing::Unchanged;
    };
    match hash_of_sidecar(path) {
        Ok(Some(found)) if found == *recorded => Standing::Unchanged,
        Ok(Some(_)) => Standing::Changed {
            what: "the .json file beside it, with its rate and start, is another".to_owned(),
        },
        Ok(None) => Standing::Changed {
            what: "the .json file beside it, with its rate and start, is gone".to_owned(),
        },
        Err(error) => unreadable(error),
    }
}
