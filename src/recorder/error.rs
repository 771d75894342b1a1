//! What can keep samples from being recorded.

use std::io;
use std::path::PathBuf;

use crate::ingest::IngestError;
use crate::setup::SampleFormat;

/// Why nothing more is recorded. What was recorded before stays.
#[derive(Debug, thiserror::Error)]
pub enum RecorderError {
    /// The operating system refused.
    #[error("{}: cannot {action}: {source}{}", path.display(), remedy(source))]
    Io {
        /// The file or folder.
        path: PathBuf,
        /// What was tried.
        action: &'static str,
        /// What the operating system said.
        source: io::Error,
    },
    /// The folder for the recordings does not exist.
    #[error("{}: no such folder for recordings; create it or name another", path.display())]
    NoFolder {
        /// The folder.
        path: PathBuf,
    },
    /// A sample cannot be stored without rounding.
    #[error(
        "{}: channel {channel}, sample {sample}: {value} cannot be stored as {format} without \
         rounding; the source declared the wrong sample format", path.display()
    )]
    NotLossless {
        /// The recording.
        path: PathBuf,
        /// Column, from 0.
        channel: usize,
        /// Index of the frame.
        sample: u64,
        /// The value, digital full scale = 1.
        value: f64,
        /// How it was to be stored.
        format: SampleFormat,
    },
    /// A WAV header has no room for so many channels.
    #[error("{channels} channels of {format} do not fit into a WAV file")]
    TooWide {
        /// Number of channels.
        channels: usize,
        /// How a sample is stored.
        format: SampleFormat,
    },
    /// A block has another number of channels than the source declared.
    #[error("source '{source_name}': {got} channels in a block, {expected} were declared")]
    Channels {
        /// Name of the source.
        source_name: String,
        /// As declared.
        expected: usize,
        /// As it came.
        got: usize,
    },
    /// A block lies before samples that were already recorded.
    #[error("source '{source_name}': a block at sample {got} after samples up to {expected}")]
    Order {
        /// Name of the source.
        source_name: String,
        /// Index that was due.
        expected: u64,
        /// Index that came.
        got: u64,
    },
    /// A recording of an earlier run cannot be read.
    #[error(transparent)]
    Read(#[from] IngestError),
}

fn remedy(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
            "; what was recorded so far is kept; make room and start again"
        }
        io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
            "; give this user the right to write there, or name another folder"
        }
        io::ErrorKind::NotFound => "; the folder was removed or its disk unmounted",
        _ => "",
    }
}
