//! Which recordings belong to which source of the setup.

use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};

use crate::ingest::sidecar::{hash_of_file, read_sidecar};
use crate::ledger::RepeatedFile;
use crate::setup::Setup;

/// The recordings of one source, in the order in which they were named.
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
    /// Keeps of recordings with the same bytes the first one: read twice, its
    /// dwells would count twice.
    fn drop_repeats(&mut self) -> anyhow::Result<()> {
        let mut kept: Vec<PathBuf> = Vec::new();
        for path in std::mem::take(&mut self.files) {
            let mut first = None;
            for other in &kept {
                if same_bytes(&path, other)? {
                    first = Some(other.display().to_string());
                    break;
                }
            }
            match first {
                Some(same_as) => self.repeated.push(RepeatedFile {
                    path: path.display().to_string(),
                    same_as,
                }),
                None => kept.push(path),
            }
        }
        self.files = kept;
        Ok(())
    }
}

/// Whether two files hold the same bytes. Only files of one length are read.
fn same_bytes(a: &Path, b: &Path) -> anyhow::Result<bool> {
    let length = |path: &Path| path.metadata().ok().map(|metadata| metadata.len());
    // A file that cannot be looked at is reported by whoever opens it.
    let (Some(length_a), Some(length_b)) = (length(a), length(b)) else {
        return Ok(false);
    };
    if length_a != length_b {
        return Ok(false);
    }
    let hash = |path: &Path| {
        hash_of_file(path).with_context(|| format!("{}: cannot be read", path.display()))
    };
    Ok(hash(a)? == hash(b)?)
}

/// One entry a source of the setup, in its order.
///
/// `NAME=FILE` decides first, then the source that the recording's sidecar
/// names; with a single source every other file is its.
pub fn assign(setup: &Setup, arguments: &[String]) -> anyhow::Result<Vec<SourceFiles>> {
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
    for argument in arguments {
        let named = argument
            .split_once('=')
            .filter(|(name, _)| assigned.iter().any(|source| source.name == *name));
        let path = PathBuf::from(named.map_or(argument.as_str(), |(_, path)| path));
        let name = match named {
            Some((name, _)) => Some(name.to_owned()),
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
                "{argument}: {}; write NAME=FILE with one of: {}",
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
