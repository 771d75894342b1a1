//! Hashes of recordings, made of the bytes as they are read, so that nothing has to be
//! read again for them.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, copy};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// BLAKE3 of the recordings that were read from their first byte to their last.
#[derive(Debug, Clone, Default)]
pub struct FileHashes(Arc<Mutex<BTreeMap<PathBuf, String>>>);

impl FileHashes {
    /// The hash of a recording; `None` where it was not read to its end.
    pub fn of(&self, path: &Path) -> Option<String> {
        let hashes = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        hashes.get(path).cloned()
    }
}

/// The hash of a recording that is being read.
#[derive(Debug)]
pub(super) struct FileHash {
    hasher: blake3::Hasher,
    hashes: FileHashes,
}

impl FileHash {
    /// Takes what stands before the samples; leaves the file behind it.
    pub fn begin(hashes: &FileHashes, file: &mut File, data_offset: u64) -> io::Result<Self> {
        let mut hasher = blake3::Hasher::new();
        copy(&mut file.take(data_offset), &mut hasher)?;
        Ok(Self {
            hasher,
            hashes: hashes.clone(),
        })
    }

    /// Takes samples.
    pub fn take(&mut self, bytes: &[u8]) {
        self.hasher.update(bytes);
    }

    /// Takes what stands behind the samples, and puts the hash down. Where that cannot be
    /// read there is none.
    pub fn end(mut self, path: &Path, file: &mut File) {
        if copy(file, &mut self.hasher).is_ok() {
            let hash = self.hasher.finalize().to_hex().to_string();
            let mut hashes = self.hashes.0.lock().unwrap_or_else(PoisonError::into_inner);
            hashes.insert(path.to_owned(), hash);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::WavReader;
    use super::*;

    /// 16-bit mono at 1000 Hz, and a chunk behind the samples.
    fn recording() -> Vec<u8> {
        let samples: Vec<u8> = (0..600_u16).flat_map(|i| (i * 37).to_le_bytes()).collect();
        let mut bytes = b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
        bytes.extend([1000_u32, 2000].map(u32::to_le_bytes).concat());
        bytes.extend(b"\x02\0\x10\0data");
        bytes.extend((samples.len() as u32).to_le_bytes());
        bytes.extend(samples);
        bytes.extend(b"LIST\x04\0\0\0INFO");
        let length = (bytes.len() as u32 - 8).to_le_bytes();
        bytes[4..8].copy_from_slice(&length);
        bytes
    }

    #[test]
    fn the_hash_is_that_of_all_bytes_of_a_file_read_to_its_end() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.wav");
        std::fs::write(&path, recording()).unwrap();
        for whole in [true, false] {
            let hashes = FileHashes::default();
            let mut reader = WavReader::open(std::slice::from_ref(&path)).unwrap();
            reader.hash_into(hashes.clone());
            reader.next_block(77).unwrap().unwrap();
            assert_eq!(hashes.of(&path), None);
            while whole && reader.next_block(77).unwrap().is_some() {}
            let right = blake3::hash(&recording()).to_hex().to_string();
            assert_eq!(hashes.of(&path), whole.then_some(right));
        }
    }
}
