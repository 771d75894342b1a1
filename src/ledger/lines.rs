//! Files of JSON lines: appended whole and synced, read back with a torn last
//! line left out and reported.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use serde::Serialize;
use serde::de::DeserializeOwned;

use super::LedgerError;
use super::chain::{Chain, ChainEnd};
use crate::recorder::{OpenAs, Storage, StoredFile, replace_file, replace_file_on};

/// A file that only grows.
#[derive(Debug)]
pub(super) struct LineFile {
    path: PathBuf,
    file: StoredFile,
    line: Vec<u8>,
    /// What the next line is chained to; `None` in a file begun without.
    chain: Option<ChainEnd>,
}

impl LineFile {
    /// Opens for appending to lines that end with `chain`; creates the file if
    /// it is not there.
    pub(crate) fn open(
        storage: &Arc<dyn Storage>,
        path: &Path,
        chain: Option<ChainEnd>,
    ) -> Result<Self, LedgerError> {
        let file = StoredFile::open(storage, path, OpenAs::Appended)
            .map_err(LedgerError::io(path, "create"))?;
        Ok(Self {
            path: path.to_owned(),
            file,
            line: Vec::new(),
            chain,
        })
    }

    /// Appends one object as one line, in one write.
    ///
    /// When the disk takes only a part of it, the part is taken back, so that
    /// the line before it stays the last.
    pub(crate) fn append(&mut self, value: &impl Serialize) -> Result<(), LedgerError> {
        self.line.clear();
        serde_json::to_writer(&mut self.line, value)
            .map_err(|error| LedgerError::io(&self.path, "write")(error.into()))?;
        let mut chain = self.chain.clone();
        if let Some(chain) = &mut chain {
            chain.chain(&mut self.line);
        }
        self.line.push(b'\n');
        let whole = self
            .file
            .length()
            .map_err(LedgerError::io(&self.path, "write"))?;
        self.file.write_all(&self.line).map_err(|error| {
            // If this fails too, the next reader finds a torn line and says so.
            let _ = self.file.set_length(whole);
            LedgerError::io(&self.path, "write")(error)
        })?;
        self.chain = chain;
        Ok(())
    }

    /// What the lines end with.
    pub(crate) fn end(&self) -> Option<&ChainEnd> {
        self.chain.as_ref()
    }

    /// Whether the file still stands where it was opened: one that was removed
    /// takes lines without complaint, and nobody will ever read them.
    pub(crate) fn is_in_place(&self) -> Result<(), LedgerError> {
        self.file
            .is_in_place()
            .map_err(LedgerError::io(&self.path, "go on with"))
    }

    /// Returns once the disk has everything appended.
    pub(crate) fn sync(&self) -> Result<(), LedgerError> {
        self.file
            .sync()
            .map_err(LedgerError::io(&self.path, "sync"))
    }
}

/// Objects as a file of lines holds them.
///
/// # Errors
/// Where one of them cannot be JSON.
pub fn json_lines<T: Serialize>(values: &[T]) -> serde_json::Result<Vec<u8>> {
    let mut text = Vec::new();
    for value in values {
        serde_json::to_writer(&mut text, value)?;
        text.push(b'\n');
    }
    Ok(text)
}

/// What a file of lines holds.
#[derive(Debug)]
pub(crate) struct Lines<T> {
    /// The objects, in order.
    pub(crate) values: Vec<T>,
    /// End of each object's line, bytes.
    pub(super) ends: Vec<u64>,
    /// Length of the file, bytes; beyond the last line's end it is torn.
    pub(super) length: u64,
    /// How the lines hang together.
    pub(super) chain: Chain,
    /// What was left out, if anything.
    pub(crate) note: Option<String>,
    /// What is wrong with a last line that was left out though its writing was not
    /// broken off: it has an end, and none of the zeros that a file system leaves after
    /// a cut of the power.
    damaged_end: Option<LedgerError>,
}

impl<T> Lines<T> {
    /// For a log that nobody writes to when it is read: takes a last line for torn only
    /// where its writing was broken off.
    ///
    /// # Errors
    /// Where the last line is damaged otherwise.
    pub(super) fn refuse_damaged_end(self) -> Result<Self, LedgerError> {
        match self.damaged_end {
            Some(damage) => Err(damage),
            None => Ok(self),
        }
    }

    /// What the next line is chained to, `None` where no line is chained.
    ///
    /// # Errors
    /// Where the lines do not hang together: nothing is added to such.
    pub(super) fn end(&self, path: &Path) -> Result<Option<ChainEnd>, LedgerError> {
        match &self.chain {
            Chain::Whole(end) => Ok(Some(end.clone())),
            Chain::None => Ok(None),
            Chain::Broken(line) => Err(LedgerError::Altered {
                path: path.to_owned(),
                what: format!("line {line} does not follow from the line before it"),
            }),
        }
    }
}

/// Reads a file of lines; a file that is not there is empty.
pub(crate) fn read<T: DeserializeOwned>(path: &Path) -> Result<Lines<T>, LedgerError> {
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Vec::new(),
        Err(error) => return Err(LedgerError::io(path, "read")(error)),
    };
    let mut lines = Lines {
        values: Vec::new(),
        ends: Vec::new(),
        length: bytes.len() as u64,
        chain: Chain::None,
        note: None,
        damaged_end: None,
    };
    let mut end = 0;
    for (number, line) in (1..).zip(bytes.split_inclusive(|&byte| byte == b'\n')) {
        end += line.len() as u64;
        let is_last = end == lines.length;
        let parsed = if line.ends_with(b"\n") {
            serde_json::from_slice(line).map_err(|error| error.to_string())
        } else {
            Err("it breaks off".to_owned())
        };
        match parsed {
            Ok(value) => {
                lines.values.push(value);
                lines.ends.push(end);
            }
            // A line that was being written when the power went was never
            // acknowledged; anywhere else it is damage.
            Err(what) if is_last => {
                let broke_off = !line.ends_with(b"\n") || line.contains(&0);
                lines.damaged_end = (!broke_off).then(|| LedgerError::Damaged {
                    path: path.to_owned(),
                    line: number,
                    what: what.clone(),
                });
                lines.note = Some(format!(
                    "{}:{number}: the last line is torn ({what}); left out",
                    path.display()
                ));
            }
            Err(what) => {
                return Err(LedgerError::Damaged {
                    path: path.to_owned(),
                    line: number,
                    what,
                });
            }
        }
    }
    let whole = lines.ends.last().map_or(0, |end| *end as usize);
    let whole = bytes.get(..whole).unwrap_or_default();
    lines.chain = Chain::of(
        whole
            .split_inclusive(|&byte| byte == b'\n')
            .map(|line| line.strip_suffix(b"\n").unwrap_or(line)),
    );
    Ok(lines)
}

/// Cuts a file back to `length` bytes and syncs it.
pub(crate) fn cut(storage: &Arc<dyn Storage>, path: &Path, length: u64) -> Result<(), LedgerError> {
    let mut file =
        StoredFile::open(storage, path, OpenAs::Existing).map_err(LedgerError::io(path, "open"))?;
    file.set_length(length)
        .and_then(|()| file.sync())
        .map_err(LedgerError::io(path, "cut the torn end of"))
}

/// Writes a file so that it is at every moment either the old or the new one.
pub(crate) fn replace(path: &Path, bytes: &[u8]) -> Result<(), LedgerError> {
    replace_file(path, bytes).map_err(LedgerError::io(path, "replace"))
}

/// The same on a storage that is handed in.
pub(super) fn replace_on(
    storage: &Arc<dyn Storage>,
    path: &Path,
    bytes: &[u8],
) -> Result<(), LedgerError> {
    replace_file_on(storage, path, bytes).map_err(LedgerError::io(path, "replace"))
}

/// Returns once the disk knows the names in a folder.
pub(super) fn sync_folder(storage: &Arc<dyn Storage>, folder: &Path) -> Result<(), LedgerError> {
    storage
        .sync_folder(folder)
        .map_err(LedgerError::io(folder, "sync"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_torn_last_line_is_left_out_and_told_anything_else_is_damage() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("numbers.jsonl");
        std::fs::write(&path, "1\n2\n3").unwrap();
        let lines = read::<u32>(&path).unwrap();
        assert_eq!((lines.values, lines.ends), (vec![1, 2], vec![2, 4]));
        assert!(lines.note.unwrap().contains(":3: the last line is torn"));

        assert!(lines.damaged_end.is_none());

        // A power cut leaves a beginning or zeros, no other characters.
        for (text, is_torn) in [("1\n2x\n", false), ("1\n2\0\n", true)] {
            std::fs::write(&path, text).unwrap();
            let lines = read::<u32>(&path).unwrap();
            assert!(lines.note.is_some(), "{text:?}");
            assert_eq!(lines.refuse_damaged_end().is_ok(), is_torn, "{text:?}");
        }

        std::fs::write(&path, "1\nx\n3\n").unwrap();
        let error = read::<u32>(&path).unwrap_err().to_string();
        assert!(error.contains("numbers.jsonl:2: "), "{error}");
    }

    #[test]
    fn a_file_that_is_not_there_is_empty() {
        let lines = read::<u32>(Path::new("/nowhere/numbers.jsonl")).unwrap();
        assert!(lines.values.is_empty() && lines.note.is_none());
    }
}
