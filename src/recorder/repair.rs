//! Recordings that a crash left open are closed on the next start.

use std::fs;
use std::io::{SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::error::RecorderError;
use super::file::{HEADER_BYTES, header_bytes, io_error, seal};
use super::replace::IN_THE_MAKING;
use super::storage::{OpenAs, Storage, StoredFile, SystemStorage};
use crate::ingest::sidecar::{Sidecar, read_sidecar, sidecar_path};

/// What was found in a folder of recordings.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct RepairReport {
    /// All recordings with a sidecar that hold frames, in the order of their
    /// names.
    pub recordings: Vec<PathBuf>,
    /// Those of them that had been left open, with the frames they hold.
    pub repaired: Vec<(PathBuf, u64)>,
    /// Recordings begun that held no frame and were removed.
    pub removed: Vec<PathBuf>,
    /// Closed recordings that are not there any more.
    pub missing: Vec<PathBuf>,
}

/// Closes every recording in `dir` that was left open: cuts off a frame that
/// is not whole, completes header and sidecar. Files without a sidecar of
/// ours, and closed ones, are not touched.
pub fn repair(dir: &Path) -> Result<RepairReport, RecorderError> {
    repair_on(&SystemStorage::shared(), dir)
}

/// The same on a storage that is handed in.
pub fn repair_on(storage: &Arc<dyn Storage>, dir: &Path) -> Result<RepairReport, RecorderError> {
    let mut names = Vec::new();
    for entry in fs::read_dir(dir).map_err(io_error(dir, "list the folder"))? {
        names.push(entry.map_err(io_error(dir, "list the folder"))?.path());
    }
    names.sort();
    let mut report = RepairReport::default();
    // Closing a recording writes such a file itself: remove the old ones first.
    let half_written = format!(".wav.json{IN_THE_MAKING}");
    for name in &names {
        if name.to_string_lossy().ends_with(&half_written) {
            storage.remove(name).map_err(io_error(name, "remove"))?;
        }
    }
    for name in &names {
        if name.to_string_lossy().ends_with(".wav.json") {
            repair_one(storage, &name.with_extension(""), &mut report)?;
        }
    }
    storage
        .sync_folder(dir)
        .map_err(io_error(dir, "sync the folder"))?;
    Ok(report)
}

/// The recordings of a folder that have a sidecar and are not there themselves,
/// in the order of their names.
pub fn missing_recordings(dir: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(dir).into_iter().flatten().flatten();
    let mut missing: Vec<PathBuf> = entries
        .map(|entry| entry.path())
        .filter(|path| path.to_string_lossy().ends_with(".wav.json"))
        .map(|path| path.with_extension(""))
        .filter(|path| !path.exists())
        .collect();
    missing.sort();
    missing
}

fn repair_one(
    storage: &Arc<dyn Storage>,
    path: &Path,
    report: &mut RepairReport,
) -> Result<(), RecorderError> {
    let Some(sidecar) = read_sidecar(path)? else {
        return Ok(());
    };
    if !path.exists() {
        // Killed between sidecar and recording, or taken away later.
        if sidecar.frames.is_none() {
            remove(storage, path, report)?;
        } else {
            report.missing.push(path.to_owned());
        }
        return Ok(());
    }
    if sidecar.blake3.is_some() {
        report.recordings.push(path.to_owned());
        return Ok(());
    }
    let frames =
        close_file(storage, path, &sidecar).map_err(io_error(path, "repair the recording"))?;
    if frames == 0 {
        return remove(storage, path, report);
    }
    let sidecar = Sidecar {
        frames: Some(frames),
        ..sidecar
    };
    seal(storage, path, sidecar)?;
    report.recordings.push(path.to_owned());
    report.repaired.push((path.to_owned(), frames));
    Ok(())
}

/// Cuts the file to whole frames and rewrites its header; gives the frames.
///
/// What the header promises is on the disk. Behind it stands what the system
/// had taken: whole after a kill, but after a cut of the power it may end in
/// zeros that nobody wrote, where the file system had given room and no bytes
/// yet. They are no samples.
fn close_file(storage: &Arc<dyn Storage>, path: &Path, sidecar: &Sidecar) -> std::io::Result<u64> {
    let mut file = StoredFile::open(storage, path, OpenAs::Existing)?;
    let frame_bytes = sidecar
        .channels
        .saturating_mul(sidecar.sample_format.sample_bytes())
        .max(1) as u64;
    let stored = file.length()?.saturating_sub(HEADER_BYTES);
    // A pad byte is never a frame: frames of odd length have three or more.
    let mut frames = stored / frame_bytes;
    let promised = file.bytes_at(HEADER_BYTES - 4, 4)?;
    let promised: [u8; 4] = promised.try_into().unwrap_or_default();
    let promised = u64::from(u32::from_le_bytes(promised)) / frame_bytes;
    if promised < frames {
        let length = (frames - promised) * frame_bytes;
        let behind = file.bytes_at(HEADER_BYTES + promised * frame_bytes, length)?;
        let written = behind
            .iter()
            .rposition(|&byte| byte != 0)
            .map_or(0, |last| last as u64 + 1);
        frames = promised + written / frame_bytes;
    }
    let data_bytes = frames * frame_bytes;
    file.set_length(HEADER_BYTES + data_bytes + data_bytes % 2)?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&header_bytes(sidecar, data_bytes))?;
    file.sync()?;
    Ok(frames)
}

fn remove(
    storage: &Arc<dyn Storage>,
    path: &Path,
    report: &mut RepairReport,
) -> Result<(), RecorderError> {
    for path in [path.to_owned(), sidecar_path(path)] {
        match storage.remove(&path) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(io_error(&path, "remove an empty recording")(error));
            }
            _ => {}
        }
    }
    report.removed.push(path.to_owned());
    Ok(())
}
