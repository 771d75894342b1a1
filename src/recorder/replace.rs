//! Small files that are replaced as a whole.
//!
//! In: the new content. Out: a file that is at every moment either the old or
//! the new one, also after a power cut. Touches the folder it stands in.

use std::ffi::OsString;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::storage::{OpenAs, Storage, StoredFile, SystemStorage};

/// What the name of the file in the making ends with.
pub(super) const IN_THE_MAKING: &str = ".new";

/// Replaces `path` by a file that holds `bytes`, or makes it.
///
/// The new content is written beside it and synced, then renamed, then the
/// folder is synced: without the last step a power cut may bring back the old
/// name, although the new content is on the disk. On an error the old file
/// stands unaltered.
pub fn replace_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    replace_file_on(&SystemStorage::shared(), path, bytes)
}

/// The same on a storage that is handed in.
pub fn replace_file_on(storage: &Arc<dyn Storage>, path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(IN_THE_MAKING);
    let new = PathBuf::from(name);
    let written = StoredFile::open(storage, &new, OpenAs::Emptied).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync()
    });
    if let Err(error) = written.and_then(|()| storage.rename(&new, path)) {
        // On a full disk the half-written file would only take room.
        let _ = storage.remove(&new);
        return Err(error);
    }
    storage.sync_folder(folder_of(path))
}

/// The name of a file while it is being written.
pub(crate) fn in_the_making(name: &str) -> String {
    format!("{name}{IN_THE_MAKING}")
}

/// The folder that a file stands in.
pub(crate) fn folder_of(path: &Path) -> &Path {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder,
        _ => Path::new("."),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn the_file_is_the_new_one_and_nothing_else_is_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.json");
        for text in ["the first, which is the longer one", "the second"] {
            replace_file(&path, text.as_bytes()).unwrap();
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[cfg(target_os = "linux")]
    #[test]
    fn a_full_disk_leaves_the_old_file() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.json");
        replace_file(&path, b"old").unwrap();
        // /dev/full answers every write as a full disk does.
        std::os::unix::fs::symlink("/dev/full", folder.path().join("a.json.new")).unwrap();
        let error = replace_file(&path, b"new").unwrap_err();
        assert_eq!(error.kind(), io::ErrorKind::StorageFull);
        assert_eq!(fs::read_to_string(&path).unwrap(), "old");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
