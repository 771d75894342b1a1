//! What can be wrong with a source: in words that name the file or port.

use std::io;
use std::path::PathBuf;

/// Why a source cannot be read. Each text names the file, what is wrong and
/// what would be right.
#[derive(Debug, thiserror::Error)]
pub enum IngestError {
    /// The operating system refused.
    #[error("{}: cannot {action}: {source}", path.display())]
    Io {
        /// The file or port.
        path: PathBuf,
        /// What was tried: "open", "read".
        action: &'static str,
        /// What the operating system said.
        source: io::Error,
    },
    /// The file is of a kind, or uses a feature, that is not read.
    #[error("{}: {what}", path.display())]
    Unsupported {
        /// The file.
        path: PathBuf,
        /// What it is and what would be right.
        what: String,
    },
    /// The file contradicts itself so that no sample can be trusted.
    #[error("{}: damaged: {what}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What is wrong and what would be right.
        what: String,
    },
    /// The file does not continue the one before it.
    #[error("{}: does not continue {}: {what}", path.display(), before.display())]
    Mismatch {
        /// The file.
        path: PathBuf,
        /// The file before it.
        before: PathBuf,
        /// What differs and what would be right.
        what: String,
    },
    /// A serial device does not deliver what is needed.
    #[error("{port}: {what}")]
    Port {
        /// The port.
        port: String,
        /// What is wrong and what would be right.
        what: String,
    },
    /// Several files cannot be read.
    #[error("{} recordings cannot be read:{}", .0.len(), listed(.0))]
    Several(Vec<IngestError>),
    /// No file was named.
    #[error("no recording named: name at least one WAV file")]
    NoFiles,
}

/// Each on a line of its own.
fn listed(faults: &[IngestError]) -> String {
    let texts: Vec<String> = faults.iter().map(ToString::to_string).collect();
    format!("\n  {}", texts.join("\n  "))
}
