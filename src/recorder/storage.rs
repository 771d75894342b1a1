//! Where bytes are put: the files of this computer, or what a simulation makes
//! of them.
//!
//! Everything that a capture writes goes through here, write by write and sync
//! by sync, so that a test can fill the disk, tear a write or cut the power.
//! What is read is read from the files themselves.

use std::fmt::Debug;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// How a file is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OpenAs {
    /// Made; it may not be there yet.
    New,
    /// Made, or emptied.
    Emptied,
    /// Made, or gone on with at its end.
    Appended,
    /// There already, read and written anywhere.
    Existing,
}

/// What is done to files; by itself as the system does it.
pub trait Storage: Debug + Send + Sync {
    /// Opens a file.
    fn open(&self, path: &Path, how: OpenAs) -> io::Result<File> {
        let mut options = OpenOptions::new();
        match how {
            OpenAs::New => options.write(true).create_new(true),
            OpenAs::Emptied => options.write(true).create(true).truncate(true),
            OpenAs::Appended => options.append(true).create(true),
            OpenAs::Existing => options.read(true).write(true),
        };
        options.open(path)
    }

    /// Writes all of it where the file stands.
    fn write(&self, path: &Path, file: &mut File, bytes: &[u8]) -> io::Result<()> {
        let _ = path;
        file.write_all(bytes)
    }

    /// Cuts or extends the file.
    fn set_length(&self, path: &Path, file: &File, bytes: u64) -> io::Result<()> {
        let _ = path;
        file.set_len(bytes)
    }

    /// Returns once the disk has the file's bytes and its length.
    fn sync(&self, path: &Path, file: &File) -> io::Result<()> {
        let _ = path;
        // The length is part of it, times of access are not.
        file.sync_data()
    }

    /// Gives a file another name, in place of whatever had it.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        fs::rename(from, to)
    }

    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    /// Makes a folder and those above it.
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        fs::create_dir_all(path)
    }

    /// Makes new, renamed and removed files of a folder survive a power cut.
    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        // Folders cannot be opened as files everywhere; where they cannot, the
        // system syncs names with their files.
        #[cfg(unix)]
        File::open(path)?.sync_all()?;
        #[cfg(not(unix))]
        let _ = path;
        Ok(())
    }
}

/// The files of this computer.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemStorage;

impl Storage for SystemStorage {}

impl SystemStorage {
    /// To be handed on.
    pub fn shared() -> Arc<dyn Storage> {
        Arc::new(Self)
    }
}

/// An open file of a storage.
#[derive(Debug)]
pub struct StoredFile {
    path: PathBuf,
    file: File,
    storage: Arc<dyn Storage>,
}

impl StoredFile {
    /// Opens a file.
    pub fn open(storage: &Arc<dyn Storage>, path: &Path, how: OpenAs) -> io::Result<Self> {
        Ok(Self {
            path: path.to_owned(),
            file: storage.open(path, how)?,
            storage: Arc::clone(storage),
        })
    }

    /// Its length, bytes.
    pub fn length(&self) -> io::Result<u64> {
        Ok(self.file.metadata()?.len())
    }

    /// Some of its bytes; fewer where it ends before.
    pub fn bytes_at(&mut self, from: u64, count: u64) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        self.file.seek(SeekFrom::Start(from))?;
        (&self.file).take(count).read_to_end(&mut bytes)?;
        Ok(bytes)
    }

    /// Cuts or extends it.
    pub fn set_length(&mut self, bytes: u64) -> io::Result<()> {
        self.storage.set_length(&self.path, &self.file, bytes)
    }

    /// Where the next write goes.
    pub fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.file.seek(to)
    }

    /// Returns once the disk has its bytes and its length.
    pub fn sync(&self) -> io::Result<()> {
        self.storage.sync(&self.path, &self.file)
    }

    /// Whether it still stands under its name: a file that was removed takes
    /// bytes without complaint, and nobody will ever read them.
    pub fn is_in_place(&self) -> io::Result<()> {
        let here = fs::metadata(&self.path)?;
        #[cfg(unix)]
        {
            use std::os::unix::fs::MetadataExt as _;
            let open = self.file.metadata()?;
            if (here.dev(), here.ino()) != (open.dev(), open.ino()) {
                return Err(io::Error::other("it was replaced by another file"));
            }
        }
        #[cfg(not(unix))]
        let _ = here;
        Ok(())
    }
}

impl Write for StoredFile {
    /// All of it, or an error.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.storage.write(&self.path, &mut self.file, bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
