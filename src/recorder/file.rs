//! One recording while it is being written.
//!
//! The header is one write of less than a disk sector, so it is old or new
//! but never half. It is written after the samples it promises are synced.

use std::io::{self, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use ndarray::ArrayView2;

use super::error::RecorderError;
use super::options::RecorderOptions;
use super::replace::replace_file_on;
use super::storage::{OpenAs, Storage, StoredFile};
use crate::ingest::encode::encode;
use crate::ingest::sidecar::{Sidecar, hash_of_file, sidecar_path};

/// Length of the header that [`header_bytes`] lays out.
pub(super) const HEADER_BYTES: u64 = 80;

/// How many files of the same source and time may there be (a clock that was
/// set back) before giving up.
const NAME_ATTEMPTS: u32 = 1_000;

#[derive(Debug)]
pub(super) struct RecordingFile {
    path: PathBuf,
    file: StoredFile,
    sidecar: Sidecar,
    frame_bytes: u64,
    frames: u64,
    bytes: Vec<u8>,
}

impl RecordingFile {
    /// Begins a recording: its sidecar first, so that no recording is ever
    /// without one.
    pub fn create(options: &RecorderOptions, sidecar: Sidecar) -> Result<Self, RecorderError> {
        let path = free_name(&options.dir, &sidecar)?;
        write_sidecar(&options.storage, &path, &sidecar)?;
        let frame_bytes = options.frame_bytes() as u64;
        let file = (|| {
            let mut file = StoredFile::open(&options.storage, &path, OpenAs::New)?;
            file.write_all(&header_bytes(&sidecar, 0))?;
            file.sync()?;
            Ok(file)
        })()
        .map_err(io_error(&path, "begin a recording"))?;
        options
            .storage
            .sync_folder(&options.dir)
            .map_err(io_error(&options.dir, "sync the folder"))?;
        Ok(Self {
            path,
            file,
            sidecar,
            frame_bytes,
            frames: 0,
            bytes: Vec::new(),
        })
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Index one past the last frame.
    pub fn end_index(&self) -> u64 {
        self.sidecar.start_index + self.frames
    }

    /// Appends whole frames. On an error the file is as it was before.
    pub fn append(&mut self, samples: ArrayView2<'_, f64>) -> Result<(), RecorderError> {
        let format = self.sidecar.sample_format;
        encode(samples, format, &mut self.bytes).map_err(|at| RecorderError::NotLossless {
            path: self.path.clone(),
            channel: at.channel,
            sample: self.end_index() + at.frame as u64,
            value: samples
                .get((at.channel, at.frame))
                .copied()
                .unwrap_or(f64::NAN),
            format,
        })?;
        if let Err(source) = self.file.write_all(&self.bytes) {
            // A full disk takes part of a block; leave whole frames only.
            let _ = self.file.set_length(HEADER_BYTES + self.data_bytes());
            let _ = self.file.seek(SeekFrom::End(0));
            let _ = self.sync();
            return Err(io_error(&self.path, "record samples")(source));
        }
        self.frames += samples.ncols() as u64;
        Ok(())
    }

    /// Puts the samples on disk, then the header that promises them.
    pub fn sync(&mut self) -> Result<(), RecorderError> {
        let header = header_bytes(&self.sidecar, self.data_bytes());
        (|| {
            self.file.is_in_place()?;
            self.file.sync()?;
            self.file.seek(SeekFrom::Start(0))?;
            self.file.write_all(&header)?;
            self.file.seek(SeekFrom::End(0))?;
            Ok(())
        })()
        .map_err(io_error(&self.path, "sync the recording"))
    }

    /// Finishes the file; [`seal`] then completes its sidecar.
    pub fn close(mut self) -> Result<(PathBuf, Sidecar), RecorderError> {
        let pad = self.data_bytes() % 2 == 1;
        if pad {
            self.file
                .write_all(&[0])
                .map_err(io_error(&self.path, "close the recording"))?;
        }
        self.sync()?;
        self.file
            .sync()
            .map_err(io_error(&self.path, "close the recording"))?;
        self.sidecar.frames = Some(self.frames);
        Ok((self.path, self.sidecar))
    }

    fn data_bytes(&self) -> u64 {
        self.frames * self.frame_bytes
    }
}

/// Takes the hash of a closed recording and completes its sidecar.
pub(super) fn seal(
    storage: &Arc<dyn Storage>,
    path: &Path,
    mut sidecar: Sidecar,
) -> Result<(), RecorderError> {
    let hash = hash_of_file(path).map_err(io_error(path, "read back the recording"))?;
    sidecar.blake3 = Some(hash);
    write_sidecar(storage, path, &sidecar)
}

/// Writes the sidecar of `recording` so that it is the old or the new one
/// at every moment.
pub(super) fn write_sidecar(
    storage: &Arc<dyn Storage>,
    recording: &Path,
    sidecar: &Sidecar,
) -> Result<(), RecorderError> {
    let path = sidecar_path(recording);
    (|| {
        let mut text = serde_json::to_vec_pretty(sidecar)?;
        text.push(b'\n');
        replace_file_on(storage, &path, &text)
    })()
    .map_err(io_error(&path, "write the sidecar"))
}

/// A header for `data_bytes` bytes of samples: RIFF, `fmt ` (extensible),
/// `fact`, `data`.
pub(super) fn header_bytes(sidecar: &Sidecar, data_bytes: u64) -> Vec<u8> {
    let sample_bytes = sidecar.sample_format.sample_bytes() as u32;
    let frame_bytes = sample_bytes * sidecar.channels as u32;
    let rate_hz = sidecar.rate_hz.round().clamp(1.0, f64::from(u32::MAX)) as u32;
    let frames = data_bytes / u64::from(frame_bytes.max(1));
    let bits = (sample_bytes * 8) as u16;
    let tag = if sidecar.sample_format.is_float() {
        3_u16
    } else {
        1
    };
    let mut bytes = Vec::with_capacity(HEADER_BYTES as usize);
    bytes.extend(b"RIFF");
    let riff_bytes = HEADER_BYTES - 8 + data_bytes + data_bytes % 2;
    bytes.extend((riff_bytes as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(40_u32.to_le_bytes());
    bytes.extend(0xFFFE_u16.to_le_bytes());
    bytes.extend((sidecar.channels as u16).to_le_bytes());
    bytes.extend(rate_hz.to_le_bytes());
    bytes.extend(rate_hz.saturating_mul(frame_bytes).to_le_bytes());
    bytes.extend((frame_bytes as u16).to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(22_u16.to_le_bytes());
    bytes.extend(bits.to_le_bytes());
    bytes.extend(0_u32.to_le_bytes());
    bytes.extend(tag.to_le_bytes());
    bytes.extend([0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71]);
    bytes.extend(b"fact");
    bytes.extend(4_u32.to_le_bytes());
    bytes.extend((frames as u32).to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((data_bytes as u32).to_le_bytes());
    bytes
}

/// A name that no file in the folder has: UTC time of the first frame and
/// the source.
fn free_name(dir: &Path, sidecar: &Sidecar) -> Result<PathBuf, RecorderError> {
    let time = sidecar
        .start_utc
        .unwrap_or(jiff::Timestamp::UNIX_EPOCH)
        .strftime("%Y%m%dT%H%M%S.%3fZ")
        .to_string();
    let source: String = sidecar
        .source
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' {
                c
            } else {
                '_'
            }
        })
        .collect();
    for attempt in 0..NAME_ATTEMPTS {
        let suffix = if attempt == 0 {
            String::new()
        } else {
            format!("_{attempt:03}")
        };
        let path = dir.join(format!("{time}_{source}{suffix}.wav"));
        if !path.exists() && !sidecar_path(&path).exists() {
            return Ok(path);
        }
    }
    Err(io_error(
        &dir.join(format!("{time}_{source}.wav")),
        "find a free name",
    )(io::ErrorKind::AlreadyExists.into()))
}

pub(super) fn io_error(
    path: &Path,
    action: &'static str,
) -> impl FnOnce(io::Error) -> RecorderError {
    let path = path.to_owned();
    move |source| RecorderError::Io {
        path,
        action,
        source,
    }
}
