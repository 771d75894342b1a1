//! A matching from recordings with all `wave` channels at one place.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::Context as _;

use super::assigned::assign;
use super::run::ReprocessError;
use crate::ingest::End;
use crate::ingest::stretches::NamedFile;
use crate::ledger::FileRecord;
use crate::matching::{MatchedWindows, match_channels};
use crate::maths::ARITHMETIC_VERSION;
use crate::pipeline::{RecordedRun, RecordedTone, tone_frames};
use crate::recorder::replace_file;
use crate::setup::{self, MatchedRecording, Matching, Role, Setup};

/// Places of `wave` channels that differ by more are not one place, m.
const ONE_PLACE_M: f64 = 0.005;

/// What is to be matched.
#[derive(Debug, Clone, Copy)]
pub struct MatchRequest<'a> {
    /// The setup file; a matching that it names is not looked at.
    pub setup: &'a Path,
    /// Recordings and folders of them, as [`assign`] takes them.
    pub recordings: &'a [String],
    /// The file to write.
    pub out: &'a Path,
    /// Whether a file that is there may be replaced.
    pub replace: bool,
    /// Frames read at once; makes no difference to the result.
    pub block_frames: usize,
}

/// A matching that was written.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchMade {
    /// What it says.
    pub matching: Matching,
    /// What whoever uses it has to know; sentences.
    pub notes: Vec<String>,
}

/// Makes a matching from recordings and writes it. `now_utc` is its date.
///
/// # Errors
/// Where setup or recordings cannot be read, where the recordings are no matching (every reason is
/// told, and nothing is written), and where the file cannot be written.
pub fn match_recordings(
    request: MatchRequest,
    now_utc: jiff::Timestamp,
    stop: &Arc<AtomicBool>,
) -> Result<MatchMade, ReprocessError> {
    let out = request.out.display();
    if !request.replace && request.out.exists() {
        return Err(anyhow::anyhow!(
            "{out}: a file is there already; name another, or say --force to replace it"
        )
        .into());
    }
    let loaded = setup::read_alone(request.setup).map_err(anyhow::Error::from)?;
    let setup = &loaded.setup;
    let mut windows = MatchedWindows::new(setup)
        .with_context(|| format!("{}: cannot be matched with", loaded.file))?;
    let mut notes: Vec<String> = one_place(setup).into_iter().collect();
    let assigned = assign(setup, Path::new(""), request.recordings, &mut notes)?;
    let files: Vec<Vec<NamedFile>> = assigned
        .into_iter()
        .map(|source| source.files.into_iter().map(NamedFile::from).collect())
        .collect();
    let mut recorded = RecordedRun::open(setup, &files).map_err(anyhow::Error::from)?;
    notes.extend_from_slice(&recorded.notes);
    let hashes = recorded.hash_files();
    let source = source_of_waves(setup);
    let sources = recorded.sources();
    let read = sources.get(source).map_or(&[][..], |read| &read.files);
    let read: Vec<FileRecord> = read.to_vec();
    let ended = tone_frames(
        recorded,
        source,
        request.block_frames,
        stop,
        &mut |heard| match heard {
            RecordedTone::Begin => windows.begin(),
            RecordedTone::Tone(plan, message) => windows.take(plan, &message),
        },
    );
    let whole = match ended {
        End::Complete => Ok(()),
        End::Stopped => Err(anyhow::anyhow!("it was asked to stop")),
        End::Failed(why) => Err(anyhow::anyhow!(why)),
    };
    whole.with_context(|| format!("{out} was not written"))?;
    let matched = match_channels(setup, &windows)
        .with_context(|| format!("{out} was not written, the recordings are no matching"))?;
    notes.extend(matched.notes);
    let recordings = read.iter().map(|file| {
        let path = PathBuf::from(&file.path);
        let blake3 = hashes.of(&path);
        Ok(MatchedRecording {
            file: file.path.clone(),
            blake3: blake3.with_context(|| format!("{}: has no hash", file.path))?,
            begun: file.begun.clone(),
        })
    });
    let matching = Matching {
        program: format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
        arithmetic: ARITHMETIC_VERSION,
        // To the second, as people date files.
        made_utc: jiff::Timestamp::from_second(now_utc.as_second()).unwrap_or(now_utc),
        setup_file: loaded.file.clone(),
        setup_blake3: blake3::hash(loaded.text.as_bytes()).to_hex().to_string(),
        recordings: recordings.collect::<anyhow::Result<_>>()?,
        channels: matched.channels,
    };
    replace_file(request.out, matching.text().as_bytes())
        .with_context(|| format!("{out}: cannot be written"))
        .map_err(ReprocessError::Device)?;
    Ok(MatchMade { matching, notes })
}

/// The source that carries the `wave` channels: the checks of a setup let it be but one.
fn source_of_waves(setup: &Setup) -> usize {
    let mut channels = setup.channels.iter();
    let first = channels.find(|channel| channel.role == Role::Wave);
    first.map_or(0, |channel| channel.source)
}

/// A sentence where the setup states different places for sensors that ought to be at one.
fn one_place(setup: &Setup) -> Option<String> {
    let waves = setup.channels.iter().filter(|c| c.role == Role::Wave);
    let places = waves.filter_map(|channel| channel.position_m);
    let (low, high) = places.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), m| {
        (low.min(m), high.max(m))
    });
    (high - low > ONE_PLACE_M).then(|| {
        format!(
            "the setup has the wave channels from {low} to {high} m; for a matching all stand at one \
             place, whatever it says, and a setup of its own would say so"
        )
    })
}
