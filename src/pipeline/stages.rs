//! The stages of one source between its reader and the analysis.
//!
//! Windows go to the estimators in turn, and are fetched from them in turn:
//! the order is that of the samples whatever the number of estimators and
//! however long each takes.

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

/// Where the messages of a source come from.
#[derive(Debug)]
pub enum Messages {
    /// Another thread sends them.
    Sent(Receiver<Message>),
    /// They are read when they are wanted.
    Read(Box<WavMessages>),
}

impl Messages {
    fn next(&mut self) -> Message {
        let next = match self {
            Self::Sent(receiver) => receiver.recv().ok(),
            Self::Read(messages) => messages.next(),
        };
        next.unwrap_or_else(|| Message::End(End::Failed("its reader ended without a word".into())))
    }

    /// Whether the next message is there for the reading.
    fn are_at_hand(&self) -> bool {
        matches!(self, Self::Read(_))
    }

    /// Takes a message back that is not needed any more.
    fn reuse(&mut self, message: Message) {
        if let Self::Read(messages) = self {
            messages.reuse(message);
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
    /// One an estimator; taken from in turn.
    lanes: Vec<Receiver<Vec<Estimated>>>,
    turn: usize,
    /// Taken, and not heard yet.
    pending: VecDeque<Estimated>,
    /// Index one past the last frame taken in.
    pub reached: Arc<AtomicU64>,
    windows: JoinHandle<Tally>,
    estimators: Vec<JoinHandle<()>>,
}

impl Stages {
    /// Starts one windows thread and `estimators` estimator threads.
    pub(super) fn start(
        name: &str,
        plan: &TonePlan,
        messages: Messages,
        estimators: usize,
    ) -> io::Result<Self> {
        let capacity = if messages.are_at_hand() {
            CHANNEL_TOGETHER
        } else {
            CHANNEL_MESSAGES
        };
        let mut jobs = Vec::new();
        let mut lanes = Vec::new();
        let mut handles = Vec::new();
        for number in 0..estimators.max(1) {
            let (job_sender, job_receiver) = bounded(capacity);
            let (sender, receiver) = bounded(capacity);
            let estimator = Estimator::new(plan.clone());
            jobs.push(job_sender);
            lanes.push(receiver);
            handles.push(
                thread::Builder::new()
                    .name(format!("estimator {number} of {name}"))
                    .spawn(move || estimate(estimator, &job_receiver, &sender))?,
            );
        }
        let reached = Arc::new(AtomicU64::new(0));
        let shared = Arc::clone(&reached);
        let plan = plan.clone();
        let windows = thread::Builder::new()
            .name(format!("windows of {name}"))
            .spawn(move || window(plan, messages, &jobs, &shared))?;
        Ok(Self {
            lanes,
            turn: 0,
            pending: VecDeque::new(),
            reached,
            windows,
            estimators: handles,
        })
    }

    /// The next message that has come.
    pub(super) fn next(&mut self) -> Option<Estimated> {
        self.pending.pop_front()
    }

    /// Where more come from once there is no next one. What was taken goes to [`Self::take`].
    pub(super) fn next_lane(&self) -> Option<&Receiver<Vec<Estimated>>> {
        self.lanes.get(self.turn)
    }

    /// Takes what came from the lane.
    pub(super) fn take(&mut self, messages: Vec<Estimated>) {
        self.pending.extend(messages);
        self.turn = (self.turn + 1) % self.lanes.len().max(1);
    }

    /// Closes the channels to the analysis; the threads, to be joined, end.
    pub(super) fn close(self) -> (JoinHandle<Tally>, Vec<JoinHandle<()>>) {
        (self.windows, self.estimators)
    }
}

/// Blocks → windows → the estimators in turn.
fn window(
    plan: TonePlan,
    mut messages: Messages,
    jobs: &[Sender<Job>],
    reached: &AtomicU64,
) -> Tally {
    let mut intake = Intake::new(plan);
    let mut turns = jobs.iter().cycle();
    let mut hand_on = |job| match turns.next() {
        Some(jobs) => jobs.send(job).is_ok(),
        None => false,
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

fn estimate(mut estimator: Estimator, jobs: &Receiver<Job>, out: &Sender<Vec<Estimated>>) {
    for Job { windows, end } in jobs {
        let tones = windows.into_iter();
        let tones = tones.map(|window| Estimated::Tone(estimator.estimate(window)));
        if out
            .send(tones.chain(end.map(Estimated::End)).collect())
            .is_err()
        {
            return;
        }
    }
}
