//! The stages of one source between its reader and the analysis.
//!
//! Windows go to the estimators in turn, and are fetched from them in turn:
//! the order is that of the samples whatever the number of estimators and
//! however long each takes. On few threads several stages share one.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{self, JoinHandle};

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::ingest::wav::WavMessages;
use crate::ingest::{End, Message};
use crate::tone::{Estimator, ToneMessage, TonePlan, WindowMessage, Windows};

/// Messages a channel between two stages holds: some seconds of signal, so
/// that a stage that stumbles does not stop its neighbours at once.
const CHANNEL_MESSAGES: usize = 16;
/// Windows of a recording that go to an estimator together: to wake a thread costs as much as
/// some windows do. Those of a device go as soon as they are whole.
const TOGETHER: usize = 8;
/// Such messages in a channel.
const CHANNEL_TOGETHER: usize = 4;

/// A recording whose rate is divided by this or more is read ahead by a thread of its own.
const READ_AHEAD_DECIMATION: usize = 8;
/// Blocks that are read ahead: what was just read is still in a cache that all cores share.
const BLOCKS_AHEAD: usize = 4;

/// Where the messages of a source come from.
#[derive(Debug)]
pub enum Messages {
    /// Another thread sends them.
    Sent(Receiver<Message>),
    /// They are read when they are wanted.
    Read(Box<WavMessages>),
    /// A thread of their own reads them ahead, and takes back what is not needed any more.
    Ahead(Receiver<Message>, Sender<Message>),
}

impl Messages {
    fn next(&mut self) -> Message {
        let next = match self {
            Self::Sent(receiver) | Self::Ahead(receiver, _) => receiver.recv().ok(),
            Self::Read(messages) => messages.next(),
        };
        next.unwrap_or_else(|| Message::End(End::Failed("its reader ended without a word".into())))
    }

    /// Whether the next message is there for the reading.
    fn are_at_hand(&self) -> bool {
        !matches!(self, Self::Sent(_))
    }

    /// Those of a recording read ahead by a thread of their own, if there is much to read for
    /// each hop.
    fn ahead(self, name: &str, plan: &TonePlan) -> io::Result<(Self, Option<JoinHandle<()>>)> {
        let mut reader = match self {
            Self::Read(reader) if plan.decimation >= READ_AHEAD_DECIMATION => reader,
            other => return Ok((other, None)),
        };
        let (sender, ahead) = bounded(BLOCKS_AHEAD);
        let (spent, returned) = bounded(BLOCKS_AHEAD + 2);
        let thread = thread::Builder::new()
            .name(format!("reader of {name}"))
            .spawn(move || {
                while let Some(message) = reader.next() {
                    if sender.send(message).is_err() {
                        return;
                    }
                    returned
                        .try_iter()
                        .for_each(|message| reader.reuse(message));
                }
            })?;
        Ok((Self::Ahead(ahead, spent), Some(thread)))
    }

    /// Takes a message back that is not needed any more.
    fn reuse(&mut self, message: Message) {
        match self {
            Self::Sent(_) => {}
            Self::Read(messages) => messages.reuse(message),
            // A reader that has ended takes nothing back.
            Self::Ahead(_, spent) => drop(spent.try_send(message)),
        }
    }
}

/// To an estimator: windows, and how the source ended behind them.
struct Job {
    windows: Vec<WindowMessage>,
    end: Option<End>,
}

/// From an estimator.
pub(super) enum Estimated {
    Tone(ToneMessage),
    End(End),
}

/// What went through the windows stage.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    pub frames: u64,
    pub missing_frames: u64,
    /// Index one past the last frame taken in.
    pub reached: u64,
}

/// The windows stage: blocks and gaps of one source → windows, counted.
#[derive(Debug)]
pub(super) struct Intake {
    windows: Windows,
    pub tally: Tally,
}

impl Intake {
    /// At the start of a source.
    pub(super) fn new(plan: TonePlan) -> Self {
        Self {
            windows: Windows::new(plan),
            tally: Tally::default(),
        }
    }

    /// Takes a message; hands each window on that it completes. `Some`: the
    /// source has ended.
    pub(super) fn take(
        &mut self,
        message: &Message,
        hand_on: impl FnMut(WindowMessage),
    ) -> Option<End> {
        match message {
            Message::Block(block) => {
                let frames = block.samples.ncols() as u64;
                let missing = self.windows.block(block, hand_on);
                self.tally.frames += frames - missing;
                self.tally.missing_frames += missing;
                self.tally.reached = block.first_sample + frames;
                None
            }
            Message::Encoded(block) => {
                let frames = block.frames() as u64;
                self.windows.encoded(block, hand_on);
                self.tally.frames += frames;
                self.tally.reached = block.first_sample() + frames;
                None
            }
            Message::Gap(gap) => {
                self.tally.missing_frames = self.tally.missing_frames.saturating_add(gap.missing);
                self.windows.gap(*gap, hand_on);
                self.tally.reached = gap.first_sample.saturating_add(gap.missing);
                None
            }
            Message::End(end) => {
                self.windows.end(hand_on);
                Some(end.clone())
            }
        }
    }
}

/// The running stages of one source.
pub(super) struct Stages {
    /// What has been estimated and not heard yet.
    pending: VecDeque<Estimated>,
    /// Index one past the last frame taken in.
    pub reached: Arc<AtomicU64>,
    work: Work,
}

/// Who does the work.
enum Work {
    /// Whoever asks for the next message.
    Here(Box<Here>),
    Threads(Threads),
}

struct Here {
    messages: Messages,
    intake: Intake,
    estimator: Estimator,
    has_ended: bool,
}

struct Threads {
    /// What is estimated; taken from in turn.
    lanes: Vec<Receiver<Vec<Estimated>>>,
    turn: usize,
    windows: JoinHandle<Tally>,
    estimators: Vec<JoinHandle<()>>,
}

/// Stages on their way to the end.
pub(super) enum Closed {
    /// They have ended.
    Ended(Tally),
    /// Their threads, to be joined: that of the windows and those of the estimators.
    Ending(JoinHandle<Tally>, Vec<JoinHandle<()>>),
}

impl Stages {
    /// Starts what is to be done on `threads`, that of the analysis among them: all of it there
    /// if it is one and the source is a recording; windows and estimates on a thread of their own;
    /// or these on one each, and on all that are left.
    pub(super) fn start(
        name: &str,
        plan: &TonePlan,
        messages: Messages,
        threads: usize,
    ) -> io::Result<Self> {
        let reached = Arc::new(AtomicU64::new(0));
        let work = if threads <= 1 && messages.are_at_hand() {
            Work::Here(Box::new(Here {
                messages,
                intake: Intake::new(plan.clone()),
                estimator: Estimator::new(plan.clone()),
                has_ended: false,
            }))
        } else {
            Work::Threads(Threads::start(name, plan, messages, threads, &reached)?)
        };
        Ok(Self {
            pending: VecDeque::new(),
            reached,
            work,
        })
    }

    /// The next message, if it is there or can be had here.
    pub(super) fn next(&mut self) -> Option<Estimated> {
        if let Work::Here(here) = &mut self.work {
            while self.pending.is_empty() && !here.has_ended {
                here.go_on(&mut self.pending);
                let reached = here.intake.tally.reached;
                self.reached.store(reached, Ordering::Relaxed);
            }
        }
        self.pending.pop_front()
    }

    /// Where more come from once there is no next one. What was taken goes to [`Self::take`].
    pub(super) fn next_lane(&self) -> Option<&Receiver<Vec<Estimated>>> {
        match &self.work {
            Work::Here(_) => None,
            Work::Threads(threads) => threads.lanes.get(threads.turn),
        }
    }

    /// Takes what came from the lane.
    pub(super) fn take(&mut self, messages: Vec<Estimated>) {
        self.pending.extend(messages);
        if let Work::Threads(threads) = &mut self.work {
            threads.turn = (threads.turn + 1) % threads.lanes.len().max(1);
        }
    }

    /// Closes the channels to the analysis.
    pub(super) fn close(self) -> Closed {
        match self.work {
            Work::Here(here) => Closed::Ended(here.intake.tally),
            Work::Threads(threads) => Closed::Ending(threads.windows, threads.estimators),
        }
    }
}

impl Here {
    /// Takes a message in; puts what it leads to behind the rest.
    fn go_on(&mut self, pending: &mut VecDeque<Estimated>) {
        let message = self.messages.next();
        let end = self.intake.take(&message, |window| {
            pending.push_back(Estimated::Tone(self.estimator.estimate(window)));
        });
        self.messages.reuse(message);
        self.has_ended = end.is_some();
        pending.extend(end.map(Estimated::End));
    }
}

impl Threads {
    fn start(
        name: &str,
        plan: &TonePlan,
        messages: Messages,
        threads: usize,
        reached: &Arc<AtomicU64>,
    ) -> io::Result<Self> {
        let capacity = if messages.are_at_hand() {
            CHANNEL_TOGETHER
        } else {
            CHANNEL_MESSAGES
        };
        let mut workers = Vec::new();
        let mut lanes = Vec::new();
        let (messages, reader) = if threads > 2 {
            messages.ahead(name, plan)?
        } else {
            (messages, None)
        };
        let mut handles: Vec<JoinHandle<()>> = reader.into_iter().collect();
        for number in 0..threads.saturating_sub(2) {
            let (job_sender, job_receiver) = bounded(capacity);
            let (sender, receiver) = bounded(capacity);
            let mut estimator = Estimator::new(plan.clone());
            workers.push(Worker::Elsewhere(job_sender));
            lanes.push(receiver);
            handles.push(
                thread::Builder::new()
                    .name(format!("estimator {number} of {name}"))
                    .spawn(move || {
                        for job in job_receiver {
                            if sender.send(estimated(&mut estimator, job)).is_err() {
                                return;
                            }
                        }
                    })?,
            );
        }
        if workers.is_empty() {
            let (sender, receiver) = bounded(capacity);
            workers.push(Worker::Here(Box::new(Estimator::new(plan.clone())), sender));
            lanes.push(receiver);
        }
        let shared = Arc::clone(reached);
        let plan = plan.clone();
        let windows = thread::Builder::new()
            .name(format!("windows of {name}"))
            .spawn(move || window(plan, messages, workers, &shared))?;
        Ok(Self {
            lanes,
            turn: 0,
            windows,
            estimators: handles,
        })
    }
}

/// Who estimates what the windows stage hands on.
enum Worker {
    /// The same thread.
    Here(Box<Estimator>, Sender<Vec<Estimated>>),
    /// Another.
    Elsewhere(Sender<Job>),
}

impl Worker {
    /// Whether anyone was there to take it.
    fn take(&mut self, job: Job) -> bool {
        match self {
            Self::Here(estimator, out) => out.send(estimated(estimator, job)).is_ok(),
            Self::Elsewhere(jobs) => jobs.send(job).is_ok(),
        }
    }
}

fn estimated(estimator: &mut Estimator, job: Job) -> Vec<Estimated> {
    let tones = job.windows.into_iter();
    let tones = tones.map(|window| Estimated::Tone(estimator.estimate(window)));
    tones.chain(job.end.map(Estimated::End)).collect()
}

/// Blocks → windows → the workers in turn.
fn window(
    plan: TonePlan,
    mut messages: Messages,
    mut workers: Vec<Worker>,
    reached: &AtomicU64,
) -> Tally {
    let mut intake = Intake::new(plan);
    let mut turn = 0;
    let mut hand_on = |job| {
        let taken = workers.get_mut(turn).is_some_and(|worker| worker.take(job));
        turn = (turn + 1) % workers.len().max(1);
        taken
    };
    let mut whole = Vec::new();
    loop {
        let message = messages.next();
        let mut end = intake.take(&message, |window| whole.push(window));
        messages.reuse(message);
        reached.store(intake.tally.reached, Ordering::Relaxed);
        let waits = messages.are_at_hand() && end.is_none();
        while whole.len() >= TOGETHER || (!waits && (!whole.is_empty() || end.is_some())) {
            let windows: Vec<_> = whole.drain(..whole.len().min(TOGETHER)).collect();
            let end = if whole.is_empty() { end.take() } else { None };
            let has_ended = end.is_some();
            // Whether anyone is left to hear of the end makes no difference now.
            if !hand_on(Job { windows, end }) || has_ended {
                return intake.tally;
            }
        }
    }
}
