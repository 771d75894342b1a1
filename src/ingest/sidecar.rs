//! The JSON file beside a recording: what a WAV header has no room for.
//!
//! In and out: `FILE.json` beside `FILE` (`a.wav` has `a.wav.json`). The
//! recorder writes it; the WAV reader takes start index, start time, exact
//! rate and clipping level from it, so that a recording gives the very stream
//! that was recorded.

use std::io::{self, Read};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::regular::open_regular;
use super::{Gap, IngestError};
use crate::setup::{RoleKind, SampleFormat, Setup, Unit};

/// Version of the sidecar's layout, written into each.
pub const SIDECAR_VERSION: u32 = 1;

/// A larger file was not written by this program.
const SIDECAR_LIMIT_BYTES: u64 = 64 << 20;

/// What the recorder says about one recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sidecar {
    /// Layout version, [`SIDECAR_VERSION`].
    pub version: u32,
    /// Name of the source in the setup.
    pub source: String,
    /// Sampling rate, Hz. The WAV header holds it rounded to whole Hz.
    pub rate_hz: f64,
    /// Number of channels.
    pub channels: usize,
    /// How a sample is stored.
    pub sample_format: SampleFormat,
    /// Fraction of digital full scale at which a sample counts as clipped;
    /// `null` where the source has no full scale.
    pub clip_level: Option<f64>,
    /// Index of the first frame since the source started.
    pub start_index: u64,
    /// UTC label of the first frame, if known.
    pub start_utc: Option<jiff::Timestamp>,
    /// Calibration of each channel, from the setup.
    pub calibration: Vec<ChannelCalibration>,
    /// The gaps that touch this recording: before its first frame, and after
    /// its last if nothing followed. The recording itself has none, for a gap
    /// closes it.
    #[serde(default)]
    pub gaps: Vec<Gap>,
    /// Number of frames, once the file was closed.
    pub frames: Option<u64>,
    /// BLAKE3 hash of the whole WAV file, hexadecimal, once it was closed.
    pub blake3: Option<String>,
}

/// The calibration of one channel as it stood in the setup.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChannelCalibration {
    /// Column of the recording, from 0.
    pub index: usize,
    /// Name of the channel.
    pub name: String,
    /// What it measures.
    pub role: RoleKind,
    /// Unit of `full_scale`.
    pub unit: Unit,
    /// Value in `unit` of digital full scale.
    pub full_scale: f64,
    /// Expanded uncertainty (k = 2), %, if stated.
    pub uncertainty_pct: Option<f64>,
}

/// BLAKE3 hash of a file, as sidecars and run folders state it.
pub fn hash_of_file(path: &Path) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(open_regular(path)?)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// The calibration of the channels of one source (an index into
/// [`Setup::sources`]).
pub fn calibration_of(setup: &Setup, source: usize) -> Vec<ChannelCalibration> {
    setup
        .channels
        .iter()
        .filter(|channel| channel.source == source)
        .map(|channel| ChannelCalibration {
            index: channel.index,
            name: channel.name.clone(),
            role: channel.role.kind(),
            unit: channel.unit,
            full_scale: channel.full_scale,
            uncertainty_pct: channel.uncertainty_pct,
        })
        .collect()
}

/// The hash of the sidecar of `recording`; `None` if there is none.
pub fn hash_of_sidecar(recording: &Path) -> io::Result<Option<String>> {
    match hash_of_file(&sidecar_path(recording)) {
        Ok(hash) => Ok(Some(hash)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(error),
    }
}

/// Where the sidecar of `recording` is.
pub fn sidecar_path(recording: &Path) -> PathBuf {
    let mut name = recording.as_os_str().to_owned();
    name.push(".json");
    PathBuf::from(name)
}

/// Reads the sidecar of `recording`; `None` if there is none.
pub fn read_sidecar(recording: &Path) -> Result<Option<Sidecar>, IngestError> {
    let path = sidecar_path(recording);
    let file = match open_regular(&path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(source) => {
            return Err(IngestError::Io {
                path,
                action: "open",
                source,
            });
        }
    };
    let mut text = Vec::new();
    if let Err(source) = file.take(SIDECAR_LIMIT_BYTES).read_to_end(&mut text) {
        return Err(IngestError::Io {
            path,
            action: "read",
            source,
        });
    }
    let sidecar: Sidecar = serde_json::from_slice(&text).map_err(|error| IngestError::Damaged {
        path: path.clone(),
        what: format!(
            "not a sidecar of this program ({error}); restore it, or move it away to read the \
             recording without it"
        ),
    })?;
    if sidecar.version != SIDECAR_VERSION {
        return Err(IngestError::Unsupported {
            path,
            what: format!(
                "sidecar version {}; this program reads version {SIDECAR_VERSION}",
                sidecar.version
            ),
        });
    }
    Ok(Some(sidecar))
}
