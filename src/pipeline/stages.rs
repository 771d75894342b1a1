//! The stages of one source between its reader and the analysis.
//!
//! Windows go to the estimators in turn, and are fetched from them in turn:
//! the order is that of the samples whatever the number of estimators and
//! however long each takes. On few threads several stages share one: the bytes of
//! a recording then stay in the cache of one core from the reading to the hop.

use std::collections::VecDeque;
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::{self, JoinHandle};

use crossbeam_channel::{Receiver, Sender, bounded};

use crate::ingest::wav::WavMessages;
use crate::ingest::{End, Message};
use crate::tone::{Estimator, HopMessage, HopWindows, Hops, ToneMessage, TonePlan, WindowMessage};

/// Messages a channel between two stages holds: some seconds of signal, so
/// that a stage that stumbles does not stop its neighbours at once.
const CHANNEL_MESSAGES: usize = 16;
/// Hops or windows of a recording that go to the next thread together: to wake it costs as much
/// as some windows do. Those of a device go as soon as they are whole.
const TOGETHER: usize = 8;
/// Such messages in a channel.
const CHANNEL_TOGETHER: usize = 4;

/// In a recording whose rate is divided by this or more, to read and decimate it is most of the
/// work.
const MUCH_DECIMATION: usize = 8;
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

    /// Those of a recording read ahead by a thread of their own.
    fn ahead(self, name: &str) -> io::Result<(Self, Option<JoinHandle<()>>)> {
        let Self::Read(mut reader) = self else {
            return Ok((self, None));
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

/// From the thread that reads a source's messages, or from one that estimates.
pub(super) enum Sent {
    /// A hop of which whoever hears the stages makes the estimate.
    Hop(HopMessage),
    Estimated(Estimated),
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

/// What was taken in.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Tally {
    pub frames: u64,
    pub missing_frames: u64,
    /// Index one past the last frame taken in.
    pub reached: u64,
}

/// Blocks and gaps of one source → hops, counted.
#[derive(Debug)]
pub(super) struct Intake {
    hops: Hops,
    pub tally: Tally,
}

impl Intake {
    /// At the start of a source.
    pub(super) fn new(plan: &TonePlan) -> Self {
        Self {
            hops: Hops::new(plan),
            tally: Tally::default(),
        }
    }

    /// Takes a message; hands each hop on that it completes. `Some`: the
    /// source has ended.
    pub(super) fn take(
        &mut self,
        message: &Message,
        hand_on: impl FnMut(HopMessage),
    ) -> Option<End> {
        match message {
            Message::Block(block) => {
                let frames = block.samples.ncols() as u64;
                let missing = self.hops.block(block, hand_on);
                self.tally.frames += frames - missing;
                self.tally.missing_frames += missing;
                self.tally.reached = block.first_sample + frames;
                None
            }
            Message::Encoded(block) => {
                let frames = block.frames() as u64;
                self.hops.encoded(block, hand_on);
                self.tally.frames += frames;
                self.tally.reached = block.first_sample() + frames;
                None
            }
            Message::Gap(gap) => {
                self.tally.missing_frames = self.tally.missing_frames.saturating_add(gap.missing);
                self.hops.gap(*gap, hand_on);
                self.tally.reached = gap.first_sample.saturating_add(gap.missing);
                None
            }
            Message::End(end) => {
                self.hops.end(hand_on);
                Some(end.clone())
            }
        }
    }
}

/// Hops of one source → estimates, one after the other.
#[derive(Debug)]
pub(super) struct Estimates {
    windows: HopWindows,
    estimator: Estimator,
}

impl Estimates {
    /// At the start of a source.
    pub(super) fn new(plan: &TonePlan) -> Self {
        Self {
            windows: HopWindows::new(plan),
            estimator: Estimator::new(plan.clone()),
        }
    }

    /// Takes the next hop, or a gap.
    pub(super) fn take(&mut self, hop: HopMessage) -> Option<ToneMessage> {
        let window = self.windows.take(hop)?;
        Some(self.estimator.estimate(window))
    }
}

/// The running stages of one source.
pub(super) struct Stages {
    /// What has come and was not heard yet.
    pending: VecDeque<Sent>,
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
    estimates: Estimates,
    has_ended: bool,
}

struct Threads {
    /// What comes from them; taken from in turn.
    lanes: Vec<Receiver<Vec<Sent>>>,
    /// For hops that come as they are.
    estimates: Option<Box<Estimates>>,
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
    /// if it is one and the source is a recording; windows and estimates on a thread of their own,
    /// or but the hops where they are most of the work; or all on one each, and estimates on
    /// all that are left.
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
                intake: Intake::new(plan),
                estimates: Estimates::new(plan),
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
        loop {
            let tone = match (self.pending.pop_front(), &mut self.work) {
                (Some(Sent::Estimated(estimated)), _) => return Some(estimated),
                (Some(Sent::Hop(hop)), Work::Here(here)) => here.estimates.take(hop),
                (Some(Sent::Hop(hop)), Work::Threads(threads)) => {
                    let estimates = threads.estimates.as_deref_mut();
                    estimates.and_then(|estimates| estimates.take(hop))
                }
                (None, Work::Here(here)) if !here.has_ended => {
                    here.go_on(&mut self.pending);
                    let reached = here.intake.tally.reached;
                    self.reached.store(reached, Ordering::Relaxed);
                    None
                }
                (None, _) => return None,
            };
            if let Some(tone) = tone {
                return Some(Estimated::Tone(tone));
            }
        }
    }

    /// Where more come from once there is no next one. What was taken goes to [`Self::take`].
    pub(super) fn next_lane(&self) -> Option<&Receiver<Vec<Sent>>> {
        match &self.work {
            Work::Here(_) => None,
            Work::Threads(threads) => threads.lanes.get(threads.turn),
        }
    }

    /// Takes what came from the lane.
    pub(super) fn take(&mut self, messages: Vec<Sent>) {
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
    fn go_on(&mut self, pending: &mut VecDeque<Sent>) {
        let message = self.messages.next();
        let end = self
            .intake
            .take(&message, |hop| pending.push_back(Sent::Hop(hop)));
        self.messages.reuse(message);
        self.has_ended = end.is_some();
        pending.extend(end.map(|end| Sent::Estimated(Estimated::End(end))));
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
        let (is_at_hand, is_much) = (messages.are_at_hand(), plan.decimation >= MUCH_DECIMATION);
        let capacity = if is_at_hand {
            CHANNEL_TOGETHER
        } else {
            CHANNEL_MESSAGES
        };
        let mut lanes = Vec::new();
        let mut handles: Vec<JoinHandle<()>> = Vec::new();
        let mut estimators = Vec::new();
        for number in 0..threads.saturating_sub(2) {
            let (job_sender, job_receiver) = bounded::<Job>(capacity);
            let (sender, receiver) = bounded(capacity);
            let mut estimator = Estimator::new(plan.clone());
            estimators.push(job_sender);
            lanes.push(receiver);
            handles.push(
                thread::Builder::new()
                    .name(format!("estimator {number} of {name}"))
                    .spawn(move || {
                        for Job { windows, end } in job_receiver {
                            let tones = windows.into_iter().map(|window| {
                                Sent::Estimated(Estimated::Tone(estimator.estimate(window)))
                            });
                            if sender.send(together(tones, end)).is_err() {
                                return;
                            }
                        }
                    })?,
            );
        }
        let mut estimates = None;
        let mut messages = messages;
        let onward = if estimators.is_empty() {
            let (sender, receiver) = bounded(capacity);
            lanes.push(receiver);
            let made = Box::new(Estimates::new(plan));
            if is_at_hand && is_much {
                estimates = Some(made);
                Onward::Hops(sender)
            } else {
                Onward::Tones(made, sender)
            }
        } else {
            if is_much {
                let (ahead, reader) = messages.ahead(name)?;
                messages = ahead;
                handles.extend(reader);
            }
            Onward::Windows(Box::new(HopWindows::new(plan)), estimators)
        };
        let shared = Arc::clone(reached);
        let intake = Intake::new(plan);
        let windows = thread::Builder::new()
            .name(format!("windows of {name}"))
            .spawn(move || onward.feed(messages, intake, &shared))?;
        Ok(Self {
            lanes,
            estimates,
            turn: 0,
            windows,
            estimators: handles,
        })
    }
}

/// What becomes of the hops on the thread that takes the messages in.
enum Onward {
    /// They are sent as they are.
    Hops(Sender<Vec<Sent>>),
    /// They are estimated there.
    Tones(Box<Estimates>, Sender<Vec<Sent>>),
    /// They become windows for estimators, in turn.
    Windows(Box<HopWindows>, Vec<Sender<Job>>),
}

impl Onward {
    fn feed(self, messages: Messages, intake: Intake, reached: &AtomicU64) -> Tally {
        match self {
            Self::Hops(out) => feed(messages, intake, reached, Some, |hops, end| {
                let hops = hops.into_iter().map(Sent::Hop);
                out.send(together(hops, end)).is_ok()
            }),
            Self::Tones(mut estimates, out) => {
                let make = |hop| estimates.take(hop);
                feed(messages, intake, reached, make, |tones, end| {
                    let tones = tones.into_iter();
                    let tones = tones.map(|tone| Sent::Estimated(Estimated::Tone(tone)));
                    out.send(together(tones, end)).is_ok()
                })
            }
            Self::Windows(mut windows, estimators) => {
                let make = |hop| windows.take(hop);
                let mut turn = 0;
                feed(messages, intake, reached, make, |windows, end| {
                    let estimator = estimators.get(turn);
                    turn = (turn + 1) % estimators.len().max(1);
                    estimator.is_some_and(|jobs| jobs.send(Job { windows, end }).is_ok())
                })
            }
        }
    }
}

fn together(sent: impl Iterator<Item = Sent>, end: Option<End>) -> Vec<Sent> {
    let end = end.map(|end| Sent::Estimated(Estimated::End(end)));
    sent.chain(end).collect()
}

/// Messages → hops → what `make` makes of them, some at a time to `hand_on`, which says whether
/// anyone was there to take it.
fn feed<T>(
    mut messages: Messages,
    mut intake: Intake,
    reached: &AtomicU64,
    mut make: impl FnMut(HopMessage) -> Option<T>,
    mut hand_on: impl FnMut(Vec<T>, Option<End>) -> bool,
) -> Tally {
    let mut whole = Vec::new();
    loop {
        let message = messages.next();
        let mut end = intake.take(&message, |hop| whole.extend(make(hop)));
        messages.reuse(message);
        reached.store(intake.tally.reached, Ordering::Relaxed);
        let waits = messages.are_at_hand() && end.is_none();
        while whole.len() >= TOGETHER || (!waits && (!whole.is_empty() || end.is_some())) {
            let part: Vec<_> = whole.drain(..whole.len().min(TOGETHER)).collect();
            let end = if whole.is_empty() { end.take() } else { None };
            let has_ended = end.is_some();
            // Whether anyone is left to hear of the end makes no difference now.
            if !hand_on(part, end) || has_ended {
                return intake.tally;
            }
        }
    }
}
