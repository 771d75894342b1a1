//! Replay: recordings → findings, exactly as a live capture finds them.
//!
//! In: the setup, and the opened recordings of a run. Out: the
//! findings, in order, to a [`Sink`] on the calling thread. Touches the
//! recordings, to read them, and threads.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::thread;

use crossbeam_channel::bounded;

use super::{
    Beforehand, Input, Options, Order, Outcome, Progress, RecordedRun, RecordedSource, Sink,
    StopReason, run,
};
use crate::analysis::{Finding, Learnt, TraceRow};
use crate::ingest::IngestError;
use crate::ingest::wav::spawn_wav;
use crate::setup::{RecordedFile, Setup};
use crate::tone::{PlanError, ToneMessage};

/// Blocks a reader may be ahead of the analysis.
const CHANNEL_BLOCKS: usize = 4;

/// Why recordings cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A recording cannot be read.
    #[error(transparent)]
    Recording(#[from] IngestError),
    /// A recording does not carry what the setup wants to analyse.
    #[error("{}: {fault}", path.display())]
    Plan {
        /// The recording.
        path: PathBuf,
        /// What it lacks.
        fault: PlanError,
    },
    /// A recording has not the rate that the setup states.
    #[error(
        "{}: source \"{source_name}\": its samples come at {rate_hz} Hz, the setup says rate_hz = \
         {stated_hz}; correct whichever is wrong",
        path.display()
    )]
    Rate {
        /// The recording.
        path: PathBuf,
        /// The source.
        source_name: String,
        /// Rate of the recording, Hz.
        rate_hz: f64,
        /// Rate that the setup states, Hz.
        stated_hz: f64,
    },
    /// The recordings of two sources cannot be put together.
    #[error(
        "source \"{first}\" has {first_count} recordings that stand for themselves, source \
         \"{second}\" has {second_count}; they are read together one by one, in their order: name as \
         many of each, or say `continues = true` at the source whose recordings continue one another"
    )]
    Unmatched {
        /// One source.
        first: String,
        /// Its stretches.
        first_count: usize,
        /// The other.
        second: String,
        /// Its stretches.
        second_count: usize,
    },
    /// The setup has no source of this number.
    #[error("the setup has no source number {0}, counted from 0")]
    NoSuchSource(usize),
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

/// Replays recordings: what a live capture of the same samples would have
/// found goes to the sink, stretch by stretch.
///
/// Returns when every recording was used, when `stop` is set, or when a
/// recording or the sink fails; [`Outcome::reason`] says which.
pub fn replay(
    setup: &Setup,
    recorded: RecordedRun,
    options: ReplayOptions,
    stop: &Arc<AtomicBool>,
    sink: &mut dyn Sink,
) -> Outcome {
    let mut whole = Outcome {
        reason: StopReason::Complete,
        learnt: Learnt::default(),
        sources: Vec::new(),
    };
    let begun = recorded
        .events(setup)
        .into_iter()
        .try_for_each(|event| sink.finding(Finding::Event(event)));
    if let Err(error) = begun {
        whole.reason = StopReason::SinkFailed(error);
        return whole;
    }
    let main = setup.main_source().map_or(0, |(number, _)| number);
    for (nth, sources) in recorded.stretches.into_iter().enumerate() {
        let first = sources.get(main).map(RecordedSource::start_s);
        if let Some(time_s) = first.filter(|_| nth > 0) {
            // So that no curve runs on over the seam.
            let seam = TraceRow {
                time_s,
                ..TraceRow::default()
            };
            if let Err(error) = sink.finding(Finding::Trace(seam)) {
                whole.reason = StopReason::SinkFailed(error);
                return whole;
            }
        }
        let learnt = std::mem::take(&mut whole.learnt);
        let outcome = stretch(setup, (sources, learnt), options, stop, sink);
        whole.add(outcome);
        if !matches!(whole.reason, StopReason::Complete) {
            break;
        }
    }
    whole
}

/// Replays one stretch. Of those before it it knows but what they learnt of the bench:
/// mains hum, which a resonance near the mains frequency cannot tell by itself, and the
/// numbers of harmonics that are given.
fn stretch(
    setup: &Setup,
    (sources, learnt): (Vec<RecordedSource>, Learnt),
    options: ReplayOptions,
    stop: &Arc<AtomicBool>,
    sink: &mut dyn Sink,
) -> Outcome {
    let main = setup.main_source().map_or(0, |(number, _)| number);
    let files = sources
        .get(main)
        .map(RecordedSource::files)
        .unwrap_or_default();
    let setup = &setup.with_recordings(&files);
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
    let mut named = Named { files, sink };
    let known = Beforehand { start_utc, learnt };
    run(setup, known, inputs, options, stop, &mut named)
}

/// Tells every point the recording that it was read from.
struct Named<'a> {
    files: Vec<RecordedFile>,
    sink: &'a mut dyn Sink,
}

impl Sink for Named<'_> {
    fn heard(&mut self, source: usize, message: &ToneMessage) -> anyhow::Result<()> {
        self.sink.heard(source, message)
    }

    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        self.sink.finding(match finding {
            Finding::Point(point, evidence) => {
                Finding::Point(Box::new(point.in_recording(&self.files)), evidence)
            }
            other => other,
        })
    }

    fn tick(&mut self, progress: &Progress) -> anyhow::Result<()> {
        self.sink.tick(progress)
    }
}
