//! Which recordings belong to which source of the setup.

use std::collections::HashMap;
use std::collections::hash_map::Entry;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

use crate::ingest::sidecar::{hash_of_file, read_sidecar};
use crate::ingest::stretches::natural;
use crate::ledger::RepeatedFile;
use crate::setup::Setup;

/// The recordings of one source, in the order of their names.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFiles {
    /// The source.
    pub name: String,
    /// Its recordings; never empty.
    pub files: Vec<PathBuf>,
    /// Recordings that were named and hold the same bytes as one of `files`.
    pub repeated: Vec<RepeatedFile>,
}

impl SourceFiles {
    /// Keeps of recordings with the same bytes the first one by name: read twice,
    /// its dwells would count twice.
    fn drop_repeats(&mut self) -> anyhow::Result<()> {
        self.files.sort_by(|a, b| natural(a, b));
        // A file that cannot be looked at is reported by whoever opens it.
        let length = |path: &Path| path.metadata().ok().map(|metadata| metadata.len());
        let mut of_length: HashMap<Option<u64>, usize> = HashMap::new();
        for path in &self.files {
            *of_length.entry(length(path)).or_default() += 1;
        }
        let mut firsts: HashMap<String, String> = HashMap::new();
        for path in std::mem::take(&mut self.files) {
            let length = length(&path);
            // Only files of one length may hold the same bytes; each of them is
            // read once.
            if length.is_none() || of_length.get(&length) < Some(&2) {
                self.files.push(path);
                continue;
            }
            let name = path.display().to_string();
            let hash = hash_of_file(&path).with_context(|| format!("{name}: cannot be read"))?;
            match firsts.entry(hash) {
                Entry::Occupied(first) => self.repeated.push(RepeatedFile {
                    path: name,
                    same_as: first.get().clone(),
                }),
                Entry::Vacant(place) => {
                    place.insert(name);
                    self.files.push(path);
                }
            }
        }
        Ok(())
    }
}

/// Whether a file of a folder is one of its recordings, by its name.
pub(super) fn is_recording(path: &Path) -> bool {
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    let is_wav = path
        .extension()
        .is_some_and(|extension| extension.eq_ignore_ascii_case("wav"));
    is_wav && !name.starts_with('.')
}

/// The recordings in a folder: its files whose names end in `.wav`, those of its
/// own folders left out, in the order of their names.
fn recordings_in(folder: &Path, notes: &mut Vec<String>) -> anyhow::Result<Vec<PathBuf>> {
    let shown = folder.display();
    let (mut files, mut others, mut folders) = (Vec::new(), 0, 0);
    let entries = folder
        .read_dir()
        .with_context(|| format!("{shown}: cannot be listed"))?;
    for entry in entries {
        let path = entry
            .with_context(|| format!("{shown}: cannot be listed"))?
            .path();
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        if path.is_dir() {
            folders += 1;
        } else if is_recording(&path) {
            files.push(path);
        } else if !name.to_lowercase().ends_with(".wav.json") {
            others += 1;
        }
    }
    files.sort_by(|a, b| natural(a, b));
    let left_out: Vec<String> = [
        (
            others,
            "file that is no recording (*.wav)",
            "files that are no recordings (*.wav)",
        ),
        (folders, "folder in it", "folders in it"),
    ]
    .into_iter()
    .filter(|(count, ..)| *count > 0)
    .map(|(count, one, many)| format!("{count} {}", if count == 1 { one } else { many }))
    .collect();
    if files.is_empty() {
        bail!(
            "{shown}: no recording (*.wav) in this folder{}; name the folder that holds them, or make \
             recordings of tables and universal files with `spanhold import`",
            if left_out.is_empty() {
                String::new()
            } else {
                format!(", only {}", left_out.join(" and "))
            }
        );
    }
    if !left_out.is_empty() {
        notes.push(format!("{shown}: left out: {}", left_out.join(" and ")));
    }
    Ok(files)
}

/// One entry a source of the setup, in its order; paths are seen from `base`. A
/// folder stands for the recordings in it, and a note says what of it was left out.
///
/// `NAME=FILE` decides first, then the source that the recording's sidecar
/// names; with a single source every other file is its.
///
/// # Errors
/// Where a file cannot be read, and where it is not clear whose it is.
pub fn assign(
    setup: &Setup,
    base: &Path,
    arguments: &[String],
    notes: &mut Vec<String>,
) -> anyhow::Result<Vec<SourceFiles>> {
    let mut assigned: Vec<SourceFiles> = setup
        .sources
        .iter()
        .map(|source| SourceFiles {
            name: source.name.clone(),
            files: Vec::new(),
            repeated: Vec::new(),
        })
        .collect();
    let names = || {
        let names: Vec<_> = setup.sources.iter().map(|source| &*source.name).collect();
        names.join(", ")
    };
    let mut all: Vec<(Option<String>, PathBuf)> = Vec::new();
    for argument in arguments {
        let named = argument
            .split_once('=')
            .filter(|(name, _)| assigned.iter().any(|source| source.name == *name));
        let path = base.join(named.map_or(argument.as_str(), |(_, path)| path));
        let files = if path.is_dir() {
            recordings_in(&path, notes)?
        } else {
            vec![path]
        };
        let name = named.map(|(name, _)| name.to_owned());
        all.extend(files.into_iter().map(|file| (name.clone(), file)));
    }
    for (named, path) in all {
        let name = match named {
            Some(name) => Some(name),
            None => read_sidecar(&path)?.map(|sidecar| sidecar.source),
        };
        let single = assigned.len() == 1;
        let source = match &name {
            Some(name) => assigned.iter_mut().find(|source| source.name == *name),
            None => None,
        };
        match source {
            Some(source) => source.files.push(path),
            // A recording of a source that was renamed since is still the
            // only source's.
            None if single => assigned
                .first_mut()
                .context("the setup has no source")?
                .files
                .push(path),
            None => bail!(
                "{}: {}; write NAME=FILE with one of: {}",
                path.display(),
                match name {
                    Some(name) => format!(
                        "its sidecar names source \"{name}\", which the setup does not have"
                    ),
                    None => "it is not clear which source this recording is of".to_owned(),
                },
                names()
            ),
        }
    }
    if let Some(source) = assigned.iter().find(|source| source.files.is_empty()) {
        bail!(
            "source \"{0}\": no recording was named; add {0}=FILE, or name one whose sidecar says \
             \"{0}\"",
            source.name
        );
    }
    for source in &mut assigned {
        source.drop_repeats()?;
    }
    Ok(assigned)
}
