//! The list of an archive: which runs there are, with their setups, bare runs and
//! recordings.
//!
//! In: a CSV table (RFC 4180), UTF-8, comma-separated, with the heading
//! `run,setup,baseline,recordings`. Out: [`ArchiveList`], or every fault in it.
//! Touches the file it is given.
//!
//! | column | holds |
//! |---|---|
//! | `run` | name of the run folder to make |
//! | `setup` | the setup file |
//! | `baseline` | the run of the bare span: the `run` of another row, else a run folder; empty: none |
//! | `recordings`, and all further cells | recordings, and folders of them, as `reprocess` takes them |
//!
//! Paths are seen from the folder of the list. Lines that begin with `#` are left out.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

use crate::setup::read_small_text;

const HEADING: [&str; 4] = ["run", "setup", "baseline", "recordings"];

/// The runs of an archive, in the order of the list.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArchiveList {
    /// What the paths of recordings are seen from.
    pub base: PathBuf,
    /// The runs.
    pub entries: Vec<ArchiveEntry>,
}

/// One run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ArchiveEntry {
    /// Name of its folder.
    pub run: String,
    /// Its setup file.
    pub setup: PathBuf,
    /// Its bare run.
    pub baseline: Option<Baseline>,
    /// Its recordings, as they are named.
    pub recordings: Vec<String>,
}

/// Which run is the bare one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Baseline {
    /// Another of the list, by its place in it.
    Listed(usize),
    /// A run folder.
    Folder(PathBuf),
}

/// What is wrong with a list.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
#[error("{}", .0.join("\n"))]
pub struct ListFaults(pub Vec<String>);

impl ArchiveList {
    /// Reads a list.
    ///
    /// # Errors
    /// Every fault in it, each with its line.
    pub fn read(path: &Path) -> Result<Self, ListFaults> {
        let shown = path.display().to_string();
        let text = read_small_text(path)
            .map_err(|error| ListFaults(vec![format!("{shown}: cannot be read: {error}")]))?;
        // A folder of its own, so that a run can be found from anywhere later.
        let folder = path.parent().unwrap_or_else(|| Path::new(""));
        let base = std::path::absolute(folder.join(".")).unwrap_or_else(|_| folder.to_owned());
        Self::parse(&text, &shown, &base)
    }

    /// From its text; `file` is what faults name, `base` what paths are seen from.
    ///
    /// # Errors
    /// Every fault in it, each with its line.
    pub fn parse(text: &str, file: &str, base: &Path) -> Result<Self, ListFaults> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let mut csv = csv::ReaderBuilder::new()
            .flexible(true)
            .has_headers(false)
            .comment(Some(b'#'))
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let mut rows = csv.records();
        let heading = rows.next().and_then(Result::ok).unwrap_or_default();
        let said: Vec<&str> = heading.iter().filter(|cell| !cell.is_empty()).collect();
        if said != HEADING {
            return Err(ListFaults(vec![format!(
                "{file}: begins with \"{}\"; a heading \"{}\", separated by commas, is right",
                said.join(","),
                HEADING.join(",")
            )]));
        }
        let mut faults = Vec::new();
        let mut lines: Vec<(usize, Row)> = Vec::new();
        for row in rows {
            match row {
                Ok(row) if row.iter().all(str::is_empty) => {}
                Ok(row) => {
                    let line = row.position().map_or(0, csv::Position::line) as usize;
                    lines.push((line, Row::of(&row)));
                }
                Err(error) => faults.push(format!("{file}: {error}")),
            }
        }
        let places = places(&lines, file, &mut faults);
        let mut entries = Vec::new();
        for (place, (line, row)) in lines.iter().enumerate() {
            for wrong in row.faults() {
                faults.push(format!("{file}, line {line}: {wrong}"));
            }
            let baseline = match row.baseline.as_str() {
                "" => None,
                name => Some(match places.get(&name.to_lowercase()) {
                    Some(&bare) if bare == place => {
                        faults.push(format!(
                            "{file}, line {line}: run \"{name}\" is its own baseline; the run of the \
                             bare span is right"
                        ));
                        Baseline::Listed(bare)
                    }
                    Some(&bare) => Baseline::Listed(bare),
                    None => Baseline::Folder(base.join(name)),
                }),
            };
            if let Some(Baseline::Folder(folder)) = &baseline
                && !folder.is_dir()
            {
                faults.push(format!(
                    "{file}, line {line}: baseline \"{}\" is neither a run of this list nor a folder",
                    row.baseline
                ));
            }
            entries.push(ArchiveEntry {
                run: row.run.clone(),
                setup: base.join(&row.setup),
                baseline,
                recordings: row.recordings.clone(),
            });
        }
        if entries.is_empty() && faults.is_empty() {
            faults.push(format!("{file}: no run is listed; one a line is right"));
        }
        if faults.is_empty() {
            Ok(Self {
                base: base.to_owned(),
                entries,
            })
        } else {
            Err(ListFaults(faults))
        }
    }
}

/// The place of each run by its name, in small letters: folders that differ in nothing
/// else are one on some systems.
fn places(lines: &[(usize, Row)], file: &str, faults: &mut Vec<String>) -> HashMap<String, usize> {
    let mut places: HashMap<String, usize> = HashMap::new();
    for (place, (line, row)) in lines.iter().enumerate() {
        let key = row.run.to_lowercase();
        if let Some(first) = places.get(&key).and_then(|first| lines.get(*first)) {
            faults.push(format!(
                "{file}, line {line}: run \"{}\" is in line {} already; each run has a name of its own",
                row.run, first.0
            ));
            continue;
        }
        places.insert(key, place);
    }
    places
}

/// The cells of a line.
#[derive(Debug)]
struct Row {
    run: String,
    setup: String,
    baseline: String,
    recordings: Vec<String>,
}

impl Row {
    fn of(row: &csv::StringRecord) -> Self {
        let cell = |i: usize| row.get(i).unwrap_or_default().to_owned();
        let recordings = row.iter().skip(3).filter(|cell| !cell.is_empty());
        Self {
            run: cell(0),
            setup: cell(1),
            baseline: cell(2),
            recordings: recordings.map(str::to_owned).collect(),
        }
    }

    fn faults(&self) -> Vec<String> {
        let mut faults = Vec::new();
        let plain = |letter: char| letter.is_alphanumeric() || " ._-+".contains(letter);
        if self.run.is_empty() {
            faults.push("no run is named; the name of its folder is right".to_owned());
        } else if !self.run.starts_with(char::is_alphanumeric) || !self.run.chars().all(plain) {
            faults.push(format!(
                "run \"{}\": a name that begins with a letter or digit, of letters, digits, blanks and \
                 . _ - + is right",
                self.run
            ));
        } else if super::archive_folder::OWN_NAMES.contains(&self.run.to_lowercase().as_str()) {
            faults.push(format!(
                "run \"{}\": the archive has a file or folder of that name; another is right",
                self.run
            ));
        }
        if self.setup.is_empty() {
            faults.push("no setup is named; a setup file is right".to_owned());
        }
        if self.recordings.is_empty() {
            faults.push(
                "no recording is named; recordings, or a folder of them, are right".to_owned(),
            );
        }
        faults
    }
}
