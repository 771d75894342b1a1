//! Replay: recordings → findings, exactly as a live capture finds them.
//!
//! In: the setup, and the opened recordings of a run. Out: the
//! findings, in order, to a [`Sink`] on the calling thread. Touches the
//! recordings, to read them, and threads.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::thread;

use super::{
    Beforehand, Input, Messages, Options, Order, Outcome, Progress, RecordedRun, RecordedSource,
    Sink, StopReason, run,
};
use crate::analysis::{Analysis, Finding, Learnt, TraceRow};
use crate::ingest::wav::WavMessages;
use crate::setup::{RecordedFile, Setup};
use crate::tone::ToneMessage;

/// How a replay is done; the results do not depend on it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReplayOptions {
    /// Threads in all, that of the analysis among them. The results do not depend on it.
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
            let stop = Arc::clone(stop);
            let messages = WavMessages::new(source.reader, options.block_frames, stop);
            Input {
                name: source.name,
                plan: source.plan,
                messages: Messages::Read(Box::new(messages)),
                threads: Vec::new(),
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

    fn tick(&mut self, progress: &Progress, analysis: &Analysis) -> anyhow::Result<()> {
        self.sink.tick(progress, analysis)
    }
}
