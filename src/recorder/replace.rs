//! Small files that are replaced as a whole.
//!
//! In: the new content. Out: a file that is at every moment either the old or
//! the new one, also after a power cut. Touches the folder it stands in.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

/// What the name of the file in the making ends with.
pub(super) const IN_THE_MAKING: &str = ".new";

/// Replaces `path` by a file that holds `bytes`, or makes it.
///
/// The new content is written beside it and synced, then renamed, then the
/// folder is synced: without the last step a power cut may bring back the old
/// name, although the new content is on the disk. On an error the old file
/// stands unaltered.
pub fn replace_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut name: OsString = path.as_os_str().to_owned();
    name.push(IN_THE_MAKING);
    let new = PathBuf::from(name);
    let written = File::create(&new).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    if let Err(error) = written.and_then(|()| fs::rename(&new, path)) {
        // On a full disk the half-written file would only take room.
        let _ = fs::remove_file(&new);
        return Err(error);
    }
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => sync_folder(folder),
        _ => sync_folder(Path::new(".")),
    }
}

/// Whether a file that is being written still stands under its name: one that
/// was removed takes bytes without complaint, and nobody will ever read them.
pub fn is_in_place(path: &Path, file: &File) -> io::Result<()> {
    let here = fs::metadata(path)?;
    #[cfg(unix)]
    {
        use std::os::unix::fs::MetadataExt as _;
        let open = file.metadata()?;
        if (here.dev(), here.ino()) != (open.dev(), open.ino()) {
            return Err(io::Error::other("it was replaced by another file"));
        }
    }
    #[cfg(not(unix))]
    let _ = (here, file);
    Ok(())
}

/// Makes new, renamed and removed files of a folder survive a power cut.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    // Folders cannot be opened as files everywhere; where they cannot, the
    // system syncs names with their files.
    #[cfg(unix)]
    File::open(folder)?.sync_all()?;
    #[cfg(not(unix))]
    let _ = folder;
    Ok(())
}

#[cfg(test)]
mod tests {
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
