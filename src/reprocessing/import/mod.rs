//! Time histories of other programs → recordings that a run is made from.
//!
//! In: a setup, and text tables or universal files (dataset 58). Out: a WAV file of
//! 64-bit floats each, with its sidecar, so that everything behind reads it as it reads
//! any recording. Reads and writes files.

mod request;
mod table;
mod target;
mod universal;

use std::path::{Path, PathBuf};

use anyhow::{Context as _, bail};
use ndarray::Axis;

use crate::ingest::sidecar::{calibration_of, sidecar_path};
use crate::ingest::time_history::TimeHistory;
use crate::ingest::{Block, End, Message, StreamFormat};
use crate::recorder::{Recorder, RecorderOptions};
use crate::setup::{self, SampleFormat, Setup};

pub use request::{ImportRequest, TableNumbers};
use target::Target;

/// Frames handed to the recorder at once.
const BLOCK_FRAMES: usize = 1 << 14;

/// A recording that was made.
#[derive(Debug, Clone, PartialEq)]
pub struct Imported {
    /// The recording.
    pub recording: PathBuf,
    /// What it holds, a sentence a channel, and what was taken for granted.
    pub notes: Vec<String>,
}

/// Makes a recording of every file, of a universal file one of each stretch. Nothing is
/// replaced.
///
/// # Errors
/// Where a file cannot be read or does not hold what the setup needs, and where a
/// recording cannot be written.
pub fn import(request: ImportRequest) -> anyhow::Result<Vec<Imported>> {
    let setup = setup::read_alone(request.setup)?.setup;
    let target = Target::new(&setup, request.source)?;
    std::fs::create_dir_all(request.out)
        .with_context(|| format!("{}: cannot be created", request.out.display()))?;
    let mut all = Vec::new();
    for file in request.files {
        let shown = file.display();
        let bytes = std::fs::read(file).with_context(|| format!("{shown}: cannot be read"))?;
        let mut notes = Vec::new();
        let histories = if is_universal(file, &bytes) {
            universal::from_universal(&bytes, &target, request.by_order, &mut notes)
        } else {
            table::from_table(&bytes, &target, request, &mut notes).map(|history| vec![history])
        };
        let histories = histories.with_context(|| shown.to_string())?;
        let several = histories.len() > 1;
        for (number, history) in (1..).zip(histories) {
            let stem = file.file_stem().unwrap_or_default().to_string_lossy();
            let name = if several {
                format!("{stem}-{number}.wav")
            } else {
                format!("{stem}.wav")
            };
            let mut notes = notes.clone();
            notes.extend(target.reach(&history).with_context(|| shown.to_string())?);
            let recording = request.out.join(name);
            write(&recording, &setup, &target, &history)?;
            all.push(Imported { recording, notes });
        }
    }
    Ok(all)
}

/// By its name, or by its first line, with which every dataset of a universal file begins.
fn is_universal(file: &Path, bytes: &[u8]) -> bool {
    let extension = file.extension().unwrap_or_default();
    let is_named = ["uff", "unv", "uf"]
        .iter()
        .any(|known| extension.eq_ignore_ascii_case(known));
    let first_line = bytes.split(|byte| *byte == b'\n').next();
    is_named || first_line.is_some_and(|line| line.trim_ascii() == b"-1")
}

fn write(
    recording: &Path,
    setup: &Setup,
    target: &Target,
    history: &TimeHistory,
) -> anyhow::Result<()> {
    let shown = recording.display();
    if recording.exists() || sidecar_path(recording).exists() {
        bail!("{shown}: it is there already; another folder with --out is right");
    }
    // Under another name until it is whole.
    let folder = recording.with_extension("import");
    if folder.exists() {
        bail!(
            "{}: an import was broken off here; remove it",
            folder.display()
        );
    }
    std::fs::create_dir(&folder)
        .with_context(|| format!("{}: cannot be created", folder.display()))?;
    let format = StreamFormat {
        rate_hz: history.rate_hz,
        channels: history.samples.nrows(),
        clip_level: f64::INFINITY,
        start_utc: None,
    };
    let calibration = calibration_of(setup, target.place);
    let mut options = RecorderOptions::new(
        &folder,
        &target.source.name,
        format,
        SampleFormat::F64,
        calibration,
    );
    options.split_seconds = f64::MAX;
    let mut recorder = Recorder::new(options)?;
    let mut first_sample = history.first_sample;
    for chunk in history.samples.axis_chunks_iter(Axis(1), BLOCK_FRAMES) {
        let samples = chunk.as_standard_layout().into_owned();
        let frames = samples.ncols() as u64;
        recorder.write(&Message::Block(Block {
            first_sample,
            samples,
        }))?;
        first_sample += frames;
    }
    recorder.write(&Message::End(End::Complete))?;
    let files = recorder.finish()?;
    let [file] = files.as_slice() else {
        bail!("{shown}: longer than a WAV file can be; import it in parts");
    };
    for (from, to) in [
        (sidecar_path(file), sidecar_path(recording)),
        (file.clone(), recording.to_owned()),
    ] {
        std::fs::rename(&from, &to)
            .with_context(|| format!("{}: cannot be written", to.display()))?;
    }
    std::fs::remove_dir(&folder).with_context(|| format!("{}: cannot be removed", folder.display()))
}
