//! Where a performance goes: a recording, a device on a line, or both.
//! Touches the files and the port.

use std::path::{Path, PathBuf};
use std::sync::atomic::AtomicBool;

use anyhow::{Context, anyhow};
use indicatif::ProgressBar;

use super::Args;
use super::device::{Played, PlayedDevice, PlayedStream};
use crate::commands::Failure;
use crate::recorder::replace_file;
use crate::rehearsal::{DwellTruth, Performance, Recording, truth_lines};
use crate::setup::Setup;

/// Where a performance goes.
pub struct Outputs {
    /// The recording and the truth.
    pub paths: Option<(PathBuf, PathBuf)>,
    /// The recording in the making.
    pub recording: Option<Recording>,
    /// The device that plays.
    pub device: Option<PlayedDevice>,
}

impl Outputs {
    /// Opens what the arguments name.
    pub fn open(
        args: &Args,
        setup: &Setup,
        source: usize,
        performance: &Performance,
    ) -> Result<Self, Failure> {
        let paths = match &args.out {
            None => None,
            Some(folder) => Some((
                recording_path(&args.setup, folder, None)?,
                truth_path(&args.setup, folder)?,
            )),
        };
        let recording = match &paths {
            None => None,
            Some((path, _)) => Some(
                Recording::create(path, performance, args.format).map_err(anyhow::Error::from)?,
            ),
        };
        let stream = PlayedStream {
            setup,
            source,
            rate_hz: performance.rate_hz(),
            channels: performance.rows(),
            format: args.format,
            clock_ppm: args.clock_ppm,
        };
        let device = match &args.to {
            None => None,
            Some(port) => Some(PlayedDevice::open(port, &stream)?),
        };
        Ok(Self {
            paths,
            recording,
            device,
        })
    }

    /// Completes what was begun, the recording even when the line is lost.
    pub fn finish(
        &mut self,
        dwells: &[DwellTruth],
        stop: &AtomicBool,
        bar: &ProgressBar,
    ) -> Result<Option<Played>, Failure> {
        if let Some(recording) = self.recording.take() {
            recording.finish().map_err(anyhow::Error::from)?;
        }
        if let Some((_, truth)) = &self.paths {
            let text = truth_lines(dwells).map_err(anyhow::Error::from)?;
            replace_file(truth, &text)
                .with_context(|| format!("{}: the truth cannot be written", truth.display()))?;
        }
        let sent = self.device.take().map(|device| device.finish(stop, bar));
        sent.transpose().map_err(Failure::Device)
    }
}

/// Writes the truth of recordings that are complete; where it is.
pub fn write_truth(setup: &Path, folder: &Path, dwells: &[DwellTruth]) -> anyhow::Result<PathBuf> {
    let path = truth_path(setup, folder)?;
    let text = truth_lines(dwells)?;
    replace_file(&path, &text)
        .with_context(|| format!("{}: the truth cannot be written", path.display()))?;
    Ok(path)
}

/// The recording in `folder`, which is made; `number`: of one a resonance.
pub fn recording_path(
    setup: &Path,
    folder: &Path,
    number: Option<usize>,
) -> anyhow::Result<PathBuf> {
    let name = name_of(setup)?;
    std::fs::create_dir_all(folder)
        .with_context(|| format!("{}: the folder cannot be made", folder.display()))?;
    Ok(folder.join(match number {
        None => format!("{name}.wav"),
        Some(number) => format!("{name}-{number:02}.wav"),
    }))
}

fn truth_path(setup: &Path, folder: &Path) -> anyhow::Result<PathBuf> {
    Ok(folder.join(format!("{}.truth.jsonl", name_of(setup)?)))
}

fn name_of(setup: &Path) -> anyhow::Result<&str> {
    setup
        .file_stem()
        .and_then(|stem| stem.to_str())
        .ok_or_else(|| anyhow!("{}: not a file name", setup.display()))
}
