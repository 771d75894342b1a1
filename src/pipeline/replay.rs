//! Replay: recordings → findings, exactly as a live capture finds them.
//!
//! In: the setup, and the opened recordings of each of its sources. Out: the
//! findings, in order, to a [`Sink`] on the calling thread. Touches the
//! recordings, to read them, and threads.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::thread;

use crossbeam_channel::bounded;

use super::{Input, Options, Order, Outcome, Sink, run};
use crate::ingest::wav::{WavReader, spawn_wav};
use crate::ingest::{IngestError, StreamFormat};
use crate::setup::{RecordedFile, Setup};
use crate::tone::{PlanError, TonePlan};

/// Blocks a reader may be ahead of the analysis.
const CHANNEL_BLOCKS: usize = 4;

/// Why recordings cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A recording cannot be read.
    #[error(transparent)]
    Recording(#[from] IngestError),
    /// A recording does not carry what the setup wants to analyse.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// A recording has not the rate that the setup states.
    #[error(
        "source \"{source_name}\": its samples come at {rate_hz} Hz, the setup says rate_hz = \
         {stated_hz}; correct whichever is wrong"
    )]
    Rate {
        /// The source.
        source_name: String,
        /// Rate of the recording, Hz.
        rate_hz: f64,
        /// Rate that the setup states, Hz.
        stated_hz: f64,
    },
    /// The setup has no source of this number.
    #[error("the setup has no source number {0}, counted from 0")]
    NoSuchSource(usize),
}

/// The recordings of one source, opened and planned; their samples are read
/// during the replay.
#[derive(Debug)]
pub struct RecordedSource {
    name: String,
    reader: WavReader,
    plan: TonePlan,
}

impl RecordedSource {
    /// Opens the recordings of source `number` of the setup, in the order in
    /// which they were recorded.
    ///
    /// # Errors
    /// When a recording cannot be read, when they do not continue one another,
    /// or when they lack a column or the rate that the setup needs.
    pub fn open(setup: &Setup, number: usize, files: &[PathBuf]) -> Result<Self, ReplayError> {
        let source = setup.sources.get(number);
        let reader = WavReader::open(files)?;
        let plan = TonePlan::new(setup, number, reader.format());
        // A rate other than the stated one is the cause to tell.
        let plan = plan.or_else(|fault| {
            check_rate(setup, number, reader.format())?;
            Err(ReplayError::from(fault))
        })?;
        Ok(Self {
            name: source
                .ok_or(ReplayError::NoSuchSource(number))?
                .name
                .clone(),
            reader,
            plan,
        })
    }

    /// Name of the source.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Rate, columns and start of what was recorded.
    pub fn format(&self) -> &StreamFormat {
        self.reader.format()
    }

    /// What the tone stage will do with it.
    pub fn plan(&self) -> &TonePlan {
        &self.plan
    }

    /// What was repaired, is missing or was left out; each names its file.
    pub fn notes(&self) -> &[String] {
        self.reader.notes()
    }

    /// The recordings, in their order, with the times that they cover.
    pub fn files(&self) -> Vec<RecordedFile> {
        self.reader.files()
    }

    /// Index of the first frame.
    pub fn first_sample(&self) -> u64 {
        self.reader.first_sample()
    }

    /// Frames from the first to the last, missing ones included.
    pub fn frames(&self) -> u64 {
        let end = self.reader.total_frames().unwrap_or(0);
        end.saturating_sub(self.reader.first_sample())
    }
}

/// How a replay is done; the results do not depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReplayOptions {
    /// Estimator threads in all, at least one a source.
    pub threads: usize,
    /// Frames read at once.
    pub block_frames: usize,
}

impl Default for ReplayOptions {
    /// One thread a core.
    fn default() -> Self {
        Self {
            threads: thread::available_parallelism().map_or(1, usize::from),
            block_frames: 16_384,
        }
    }
}

/// Whether source `number` samples at the rate that the setup states, as far
/// as it states one.
///
/// # Errors
/// [`ReplayError::Rate`] where it does not.
pub fn check_rate(setup: &Setup, number: usize, format: &StreamFormat) -> Result<(), ReplayError> {
    let source = setup.sources.get(number);
    let Some((source, stated_hz)) = source.and_then(|source| Some((source, source.rate_hz?)))
    else {
        return Ok(());
    };
    // A WAV header holds whole Hz.
    let allowed_hz = 0.5 + stated_hz * source.rate_uncertainty_ppm * 1e-6;
    if (format.rate_hz - stated_hz).abs() > allowed_hz {
        return Err(ReplayError::Rate {
            source_name: source.name.clone(),
            rate_hz: format.rate_hz,
            stated_hz,
        });
    }
    Ok(())
}

/// Replays recordings: what a live capture of the same samples would have
/// found goes to the sink. `sources`: one a source of the setup, in its order.
///
/// Returns when every recording was used, when `stop` is set, or when a
/// recording or the sink fails; [`Outcome::reason`] says which.
pub fn replay(
    setup: &Setup,
    sources: Vec<RecordedSource>,
    options: ReplayOptions,
    stop: &Arc<AtomicBool>,
    sink: &mut dyn Sink,
) -> Outcome {
    let main = setup.main_source().map_or(0, |(number, _)| number);
    let files = sources.get(main).map(RecordedSource::files);
    let setup = &setup.with_recordings(&files.unwrap_or_default());
    let start_utc = sources
        .get(main)
        .and_then(|source| source.format().start_utc);
    let inputs = sources
        .into_iter()
        .map(|source| {
            let (sender, messages) = bounded(CHANNEL_BLOCKS);
            let reader = spawn_wav(
                source.reader,
                options.block_frames,
                sender,
                Arc::clone(stop),
            );
            Input {
                name: source.name,
                plan: source.plan,
                messages,
                threads: vec![reader],
            }
        })
        .collect();
    let options = Options {
        threads: options.threads,
        order: Order::ByTime,
    };
    run(setup, start_utc, inputs, options, stop, sink)
}
