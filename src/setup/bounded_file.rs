//! A file that a setup names: of no more than some length, and where it lies.

use std::fs::File;
use std::io::{self, Read as _};
use std::path::{Component, Path};

/// The bytes of a file, up to one more than the longest that is taken. A pipe or a device,
/// which may never end, is not opened.
pub(super) fn bytes_of(path: &Path, longest_bytes: usize) -> io::Result<Vec<u8>> {
    if !std::fs::metadata(path)?.is_file() {
        return Err(io::Error::other("it is no regular file"));
    }
    let mut bytes = Vec::new();
    let file = File::open(path)?;
    file.take(longest_bytes as u64 + 1)
        .read_to_end(&mut bytes)?;
    Ok(bytes)
}

/// Whether a file that a setup names can be carried along in a run folder at the same
/// path: whether its name is a plain relative one.
pub fn is_plain_relative(name: &str) -> bool {
    Path::new(name)
        .components()
        .all(|part| matches!(part, Component::Normal(_) | Component::CurDir))
}
