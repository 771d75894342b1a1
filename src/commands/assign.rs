//! Which recordings belong to which source of the setup.

use std::path::PathBuf;

use anyhow::{Context as _, bail};

use crate::ingest::sidecar::read_sidecar;
use crate::setup::Setup;

/// The recordings of one source, in the order in which they were named.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFiles {
    /// The source.
    pub name: String,
    /// Its recordings; never empty.
    pub files: Vec<PathBuf>,
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
    Ok(assigned)
}
