//! The run: starts the stages, fetches what they find, leaves in order.

use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use crossbeam_channel::{RecvTimeoutError, Select};

use super::stages::{Closed, Estimated, Messages, Stages, Tally};
use super::stop::StopReason;
use crate::analysis::{Analysis, Finding, Learnt};
use crate::ingest::End;
use crate::setup::Setup;
use crate::tone::{ToneMessage, TonePlan};

/// How often the sink hears of a run that finds nothing.
const TICK: Duration = Duration::from_millis(200);

/// How far one live source may run ahead of another in sample time, s, as
/// long as the other delivers at all: the analysis keeps what runs ahead.
const LEAD_S: f64 = 60.0;

/// After this long without a message from the source that is behind, the
/// others go on without it.
const PATIENCE: Duration = Duration::from_secs(2);

/// One source, ready to be read.
#[derive(Debug)]
pub struct Input {
    /// Name of the source.
    pub name: String,
    /// What is to be done with it.
    pub plan: TonePlan,
    /// What it has to say.
    pub messages: Messages,
    /// The reader and whatever stands between it and here.
    pub threads: Vec<JoinHandle<()>>,
}

/// Which source is heard next where there are several.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Order {
    /// The one that is behind, however long it takes: from recordings.
    ByTime,
    /// Whichever has something, but none far ahead of another: live.
    AsItComes,
}

/// How a run is done.
#[derive(Debug, Clone, Copy)]
pub struct Options {
    /// Threads in all, that of the analysis among them; at least one a source beside it where
    /// the source is a device. The results do not depend on it.
    pub threads: usize,
    /// Which source is heard next.
    pub order: Order,
}

/// How far a run has come.
#[derive(Debug, Clone, PartialEq)]
pub struct Progress {
    /// Per source: index one past the last frame taken in.
    pub frames: Vec<u64>,
    /// Per source: sample time up to which the analysis has come, s.
    pub analysed_s: Vec<f64>,
}

/// Where findings go. An error ends the run.
pub trait Sink {
    /// Hears a message of a source before the analysis does.
    fn heard(&mut self, source: usize, message: &ToneMessage) -> anyhow::Result<()> {
        let _ = (source, message);
        Ok(())
    }

    /// Takes a finding.
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()>;

    /// Is told several times a second how far the run has come; `analysis` may be
    /// asked how it stands.
    fn tick(&mut self, progress: &Progress, analysis: &Analysis) -> anyhow::Result<()> {
        let _ = (progress, analysis);
        Ok(())
    }
}

/// What is known before the first sample.
#[derive(Debug, Clone, Default)]
pub struct Beforehand {
    /// UTC label of sample 0 of the main source.
    pub start_utc: Option<jiff::Timestamp>,
    /// What other recordings of the bench showed.
    pub learnt: Learnt,
}

/// How a run ended.
#[derive(Debug)]
pub struct Outcome {
    /// Why.
    pub reason: StopReason,
    /// What the dwells showed of the bench.
    pub learnt: Learnt,
    /// One entry a source.
    pub sources: Vec<SourceOutcome>,
}

/// How one source ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceOutcome {
    /// Frames used.
    pub frames: u64,
    /// Frames known to be missing.
    pub missing_frames: u64,
    /// How it ended; `None` when the run ended first.
    pub end: Option<End>,
}

impl Outcome {
    /// Adds how the next stretch of the same sources ended.
    pub(super) fn add(&mut self, next: Self) {
        self.reason = next.reason;
        self.learnt = next.learnt;
        if self.sources.is_empty() {
            self.sources = next.sources;
            return;
        }
        for (sum, next) in self.sources.iter_mut().zip(next.sources) {
            sum.frames += next.frames;
            sum.missing_frames = sum.missing_frames.saturating_add(next.missing_frames);
            sum.end = next.end;
        }
    }
}

struct Live {
    name: String,
    hop_seconds: f64,
    stages: Stages,
    readers: Vec<JoinHandle<()>>,
    reached_s: f64,
    end: Option<End>,
    heard: Instant,
}

/// Runs until every source has ended or the sink fails. When `stop` is set
/// the readers end, and with them everything after them, in order.
pub fn run(
    setup: &Setup,
    known: Beforehand,
    inputs: Vec<Input>,
    options: Options,
    stop: &AtomicBool,
    sink: &mut dyn Sink,
) -> Outcome {
    let plans: Vec<TonePlan> = inputs.iter().map(|input| input.plan.clone()).collect();
    let threads = options.threads / plans.len().max(1);
    let mut reason = StopReason::Unknown;
    let mut learnt = Learnt::default();
    let mut sources = Vec::new();
    for input in inputs {
        match Stages::start(&input.name, &input.plan, input.messages, threads) {
            Ok(stages) => sources.push(Live {
                hop_seconds: input.plan.hop_seconds(),
                name: input.name,
                stages,
                readers: input.threads,
                reached_s: 0.0,
                end: None,
                heard: Instant::now(),
            }),
            Err(error) => reason.note(StopReason::SinkFailed(
                anyhow::Error::from(error).context("cannot start a thread"),
            )),
        }
    }
    if matches!(reason, StopReason::Unknown) {
        let mut analysis = Analysis::new(setup, &plans, known.start_utc);
        analysis.reckon_with(known.learnt);
        while let Some(ended) = step(&mut sources, options.order, &mut analysis, sink) {
            if let Err(fault) = ended {
                reason.note(fault);
                break;
            }
        }
        learnt = analysis.learnt();
    }
    if matches!(reason, StopReason::Unknown) {
        reason.note(StopReason::Complete);
    }
    let (reason, sources) = leave(sources, stop, reason);
    Outcome {
        reason,
        learnt,
        sources,
    }
}

/// Hears the next message. `None`: every source has ended.
fn step(
    sources: &mut [Live],
    order: Order,
    analysis: &mut Analysis,
    sink: &mut dyn Sink,
) -> Option<Result<(), StopReason>> {
    if sources.iter().all(|source| source.end.is_some()) {
        return None;
    }
    let heard = match order {
        Order::ByTime => hear(sources, &behind(sources)),
        Order::AsItComes => hear(sources, &not_far_ahead(sources)),
    };
    let delivered = match heard {
        Heard::Nothing => Ok(()),
        Heard::Closed(number) => {
            let name = sources.get(number).map_or_else(String::new, |source| {
                format!("estimator or windows of {}", source.name)
            });
            return Some(Err(StopReason::StageDied { name }));
        }
        Heard::Message(number, message) => {
            if let Some(source) = sources.get_mut(number) {
                source.note(&message);
            }
            deliver(analysis, number, message, sink)
        }
    };
    let told = delivered.and_then(|()| sink.tick(&progress(sources), analysis));
    Some(told.map_err(StopReason::SinkFailed))
}

/// What a source's stages made of its next samples, to the analysis, and what
/// that finds to the sink.
pub(super) fn deliver(
    analysis: &mut Analysis,
    source: usize,
    message: Estimated,
    sink: &mut dyn Sink,
) -> anyhow::Result<()> {
    let findings = match message {
        Estimated::Tone(tone) => {
            sink.heard(source, &tone)?;
            analysis.push(source, tone)
        }
        Estimated::End(_) => analysis.source_ended(source),
    };
    findings
        .into_iter()
        .try_for_each(|finding| sink.finding(finding))
}

enum Heard {
    Nothing,
    Closed(usize),
    Message(usize, Estimated),
}

/// Waits for one of the `candidates`, for a tick at most.
fn hear(sources: &mut [Live], candidates: &[usize]) -> Heard {
    for &number in candidates {
        let next = sources
            .get_mut(number)
            .and_then(|source| source.stages.next());
        if let Some(message) = next {
            return Heard::Message(number, message);
        }
    }
    let lanes: Vec<_> = candidates
        .iter()
        .filter_map(|&number| Some((number, sources.get(number)?.stages.next_lane()?)))
        .collect();
    let (number, messages) = if let [(number, lane)] = lanes.as_slice() {
        match lane.recv_timeout(TICK) {
            Ok(messages) => (*number, messages),
            Err(RecvTimeoutError::Timeout) => return Heard::Nothing,
            Err(RecvTimeoutError::Disconnected) => return Heard::Closed(*number),
        }
    } else {
        let mut select = Select::new();
        for (_, lane) in &lanes {
            select.recv(lane);
        }
        let Ok(ready) = select.select_timeout(TICK) else {
            return Heard::Nothing;
        };
        let Some((number, lane)) = lanes.get(ready.index()) else {
            return Heard::Nothing;
        };
        match ready.recv(lane) {
            Ok(messages) => (*number, messages),
            Err(_) => return Heard::Closed(*number),
        }
    };
    let Some(source) = sources.get_mut(number) else {
        return Heard::Nothing;
    };
    source.heard = Instant::now();
    source.stages.take(messages);
    source
        .stages
        .next()
        .map_or(Heard::Nothing, |message| Heard::Message(number, message))
}

fn running(sources: &[Live]) -> impl Iterator<Item = (usize, &Live)> {
    sources
        .iter()
        .enumerate()
        .filter(|(_, source)| source.end.is_none())
}

/// The source that is behind all others; of several the first.
fn behind(sources: &[Live]) -> Vec<usize> {
    running(sources)
        .min_by(|(_, a), (_, b)| a.reached_s.total_cmp(&b.reached_s))
        .map(|(number, _)| number)
        .into_iter()
        .collect()
}

/// The sources that are not far ahead of one that still delivers.
fn not_far_ahead(sources: &[Live]) -> Vec<usize> {
    let limit_s = running(sources)
        .filter(|(_, source)| source.heard.elapsed() < PATIENCE)
        .map(|(_, source)| source.reached_s + LEAD_S)
        .fold(f64::INFINITY, f64::min);
    running(sources)
        .filter(|(_, source)| source.reached_s <= limit_s)
        .map(|(number, _)| number)
        .collect()
}

impl Live {
    /// How far the source has come, or how it ended.
    fn note(&mut self, message: &Estimated) {
        match message {
            Estimated::Tone(ToneMessage::Frame(frame)) => {
                self.reached_s = (frame.hop + 1) as f64 * self.hop_seconds;
            }
            Estimated::Tone(ToneMessage::Gap(gap)) => {
                self.reached_s = gap.at_s.max(self.reached_s);
            }
            Estimated::End(end) => self.end = Some(end.clone()),
        }
    }
}

fn progress(sources: &[Live]) -> Progress {
    Progress {
        frames: sources
            .iter()
            .map(|source| source.stages.reached.load(Ordering::Relaxed))
            .collect(),
        analysed_s: sources.iter().map(|source| source.reached_s).collect(),
    }
}

/// Closes what is still open, waits for every thread, and says how it ended.
fn leave(
    sources: Vec<Live>,
    stop: &AtomicBool,
    mut reason: StopReason,
) -> (StopReason, Vec<SourceOutcome>) {
    if !matches!(reason, StopReason::Complete) {
        // Readers of idle devices look at the flag, not at their channel.
        stop.store(true, Ordering::Relaxed);
    }
    let mut outcomes = Vec::new();
    let mut joins = Vec::new();
    for source in sources {
        match &source.end {
            Some(End::Failed(what)) => reason.note(StopReason::SourceFailed {
                name: source.name.clone(),
                what: what.clone(),
            }),
            Some(End::Stopped) => reason.note(StopReason::Asked),
            Some(End::Complete) | None => {}
        }
        joins.push((
            source.name,
            source.end,
            source.stages.close(),
            source.readers,
        ));
    }
    for (name, end, stages, readers) in joins {
        let mut died = |stage: &str| {
            reason.note(StopReason::StageDied {
                name: format!("{stage} of {name}"),
            });
        };
        let tally = match stages {
            Closed::Ended(tally) => tally,
            Closed::Ending(windows, estimators) => {
                let tally = windows.join().unwrap_or_else(|_| {
                    died("windows");
                    Tally::default()
                });
                for handle in estimators {
                    if handle.join().is_err() {
                        died("estimator");
                    }
                }
                tally
            }
        };
        for handle in readers {
            if handle.join().is_err() {
                died("reader");
            }
        }
        outcomes.push(SourceOutcome {
            frames: tally.frames,
            missing_frames: tally.missing_frames,
            end,
        });
    }
    (reason, outcomes)
}
