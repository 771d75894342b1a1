//! A capture driven step by step, without a thread of its own.
//!
//! In: what [`capture`](super::capture) takes. Out: the same run folder. Which
//! stage goes on when is the caller's choice, so that a simulation can let a
//! disk hang or an analysis fall behind, and repeat it. What it leaves out is
//! how the threaded run waits for one of several sources.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use crossbeam_channel::{Receiver, Sender, TryRecvError, TrySendError};

use super::closing::{CaptureError, Captured, close};
use super::session::{CHANNEL_BLOCKS, CaptureRequest, LiveSource, Session, begin};
use super::surroundings::Surroundings;
use super::watch::Watch;
use crate::analysis::Learnt;
use crate::ingest::{End, Message};
use crate::pipeline::feed::{Feed, FeedTurn};
use crate::pipeline::record::RecorderStage;
use crate::pipeline::run::{Outcome, Progress, Sink as _, SourceOutcome};
use crate::pipeline::single_thread::SingleThread;
use crate::pipeline::stop::StopReason;
use crate::tone::TonePlan;

/// A session whose stages stand still until they are asked to go on.
pub struct Stepped<'a> {
    watch: Watch<'a>,
    lines: Vec<SteppedLine>,
    stages: SingleThread,
    stop: Arc<AtomicBool>,
    /// What the sink failed by.
    failed: Option<anyhow::Error>,
}

struct SteppedLine {
    name: String,
    incoming: Receiver<Message>,
    recorder: Recording,
    to_feed: Receiver<Message>,
    feed: Feed,
    /// On the way from the feed to the windows.
    ready: VecDeque<Message>,
    end: Option<End>,
}

enum Recording {
    Going(Box<RecorderStage>),
    /// Its last message waits for room.
    Leaving(Message, Sender<Message>),
    Gone,
}

impl<'a> Stepped<'a> {
    /// Opens the run or goes on with it, and connects the devices.
    ///
    /// # Errors
    /// As [`capture`](super::capture) has them.
    pub fn begin(
        request: &CaptureRequest,
        surroundings: Surroundings<'a>,
        stop: &Arc<AtomicBool>,
    ) -> Result<Self, CaptureError> {
        let request = CaptureRequest {
            threads: 0,
            ..request.clone()
        };
        let Session {
            watch,
            lines,
            start_utc,
        } = begin(&request, surroundings, stop)?;
        let plans: Vec<TonePlan> = lines.iter().map(|line| line.plan.clone()).collect();
        Ok(Self {
            watch,
            lines: lines.into_iter().map(SteppedLine::new).collect(),
            stages: SingleThread::new(&request.loaded.setup, &plans, start_utc),
            stop: Arc::clone(stop),
            failed: None,
        })
    }

    /// Records the next message of a source, or syncs what came before.
    /// Whether there was a message.
    pub fn record(&mut self, source: usize) -> bool {
        let stop = Arc::clone(&self.stop);
        let line = self.lines.get_mut(source);
        line.is_some_and(|line| line.record(&stop))
    }

    /// Lets the feed of a source do its next piece. Whether it did any.
    pub fn feed(&mut self, source: usize) -> bool {
        self.lines.get_mut(source).is_some_and(SteppedLine::feed)
    }

    /// Analyses the next message of a source. Whether there was one.
    pub fn analyse(&mut self, source: usize) -> bool {
        let Some(line) = self.lines.get_mut(source) else {
            return false;
        };
        let Some(message) = line.ready.pop_front() else {
            return false;
        };
        if let Message::End(end) = &message {
            line.end = Some(end.clone());
        }
        if self.failed.is_none() {
            let pushed = self.stages.push(source, message, &mut self.watch);
            self.note(pushed);
        }
        true
    }

    /// What the capture does several times a second whatever comes in.
    pub fn tick(&mut self) {
        let progress = Progress {
            frames: Vec::new(),
            analysed_s: Vec::new(),
        };
        if self.failed.is_none() {
            let told = self.watch.tick(&progress, self.stages.analysis());
            self.note(told);
        }
    }

    /// Messages that wait between two stages of a source.
    pub fn waiting(&self, source: usize) -> usize {
        let line = self.lines.get(source);
        line.map_or(0, |line| line.to_feed.len() + line.ready.len())
    }

    /// Whether every source has ended.
    pub fn is_done(&self) -> bool {
        let ended =
            |line: &SteppedLine| line.end.is_some() && matches!(line.recorder, Recording::Gone);
        self.lines.iter().all(ended)
    }

    /// Closes the run folder.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn close(self) -> Result<Captured, CaptureError> {
        let mut reason = StopReason::Complete;
        if let Some(error) = self.failed {
            reason.note(StopReason::SinkFailed(error));
        }
        let mut sources = Vec::new();
        for (number, line) in self.lines.into_iter().enumerate() {
            match &line.end {
                Some(End::Failed(what)) => reason.note(StopReason::SourceFailed {
                    name: line.name,
                    what: what.clone(),
                }),
                Some(End::Stopped) => reason.note(StopReason::Asked),
                Some(End::Complete) | None => {}
            }
            let (frames, missing_frames) = self.stages.frames(number);
            sources.push(SourceOutcome {
                frames,
                missing_frames,
                end: line.end,
            });
        }
        let outcome = Outcome {
            reason,
            learnt: Learnt::default(),
            sources,
        };
        close(self.watch, outcome)
    }

    fn note(&mut self, done: anyhow::Result<()>) {
        if let Err(error) = done {
            self.failed.get_or_insert(error);
            self.stop.store(true, Ordering::Relaxed);
        }
    }
}

impl SteppedLine {
    fn new(line: LiveSource) -> Self {
        Self {
            name: line.name,
            incoming: line.incoming,
            recorder: Recording::Going(Box::new(line.recorder)),
            to_feed: line.to_feed,
            feed: line.feed,
            ready: VecDeque::new(),
            end: None,
        }
    }

    fn record(&mut self, stop: &AtomicBool) -> bool {
        match std::mem::replace(&mut self.recorder, Recording::Gone) {
            Recording::Gone => false,
            Recording::Leaving(message, sender) => match sender.try_send(message) {
                Err(TrySendError::Full(message)) => {
                    self.recorder = Recording::Leaving(message, sender);
                    false
                }
                _ => true,
            },
            Recording::Going(mut stage) => {
                let (message, taken) = match self.incoming.try_recv() {
                    Ok(message) => (true, stage.take(message)),
                    Err(TryRecvError::Empty) => (false, stage.idle().map(|()| None)),
                    Err(TryRecvError::Disconnected) => {
                        let end = End::Failed("its reader ended without a word".into());
                        (true, Ok(Some(end)))
                    }
                };
                let ended = match taken {
                    Ok(None) => {
                        self.recorder = Recording::Going(stage);
                        return message;
                    }
                    Ok(Some(end)) => Ok(end),
                    Err(error) => {
                        stop.store(true, Ordering::Relaxed);
                        Err(error)
                    }
                };
                let (last, sender) = stage.leave(ended);
                self.recorder = Recording::Leaving(last, sender);
                true
            }
        }
    }

    fn feed(&mut self) -> bool {
        if self.ready.len() >= CHANNEL_BLOCKS {
            return false;
        }
        self.ready.extend(self.feed.ready());
        match self.feed.turn() {
            FeedTurn::Again => {}
            FeedTurn::Wait => return false,
            FeedTurn::Done => {
                self.ready.extend(self.feed.ready());
                return false;
            }
            FeedTurn::Listen => match self.to_feed.try_recv() {
                Ok(message) => self.feed.hear(Some(message)),
                Err(TryRecvError::Empty) => return false,
                Err(TryRecvError::Disconnected) => self.feed.hear(None),
            },
        }
        self.ready.extend(self.feed.ready());
        true
    }
}
