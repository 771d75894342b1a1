//! The feed of a live analysis: blocks as they come, and from the recording
//! wherever the analysis was not there in time.
//!
//! In: the blocks that the recorder hands on, and the recordings themselves.
//! Out: every frame that was recorded, once and in order, with a gap wherever
//! the recording has one: what a reader of the recordings would send.
//! Touches the recordings, to read them.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender};
use ndarray::{Axis, Slice};

use super::record::Recorded;
use crate::ingest::sidecar::read_sidecar;
use crate::ingest::wav::WavReader;
use crate::ingest::{Block, Clock, End, Gap, IngestError, Message};
use crate::setup::RecordedFile;

/// Frames read from a recording at once.
const BLOCK_FRAMES: usize = 16_384;
/// How often a recording that is not synced yet is looked at again.
const POLL: Duration = Duration::from_millis(20);
/// Once asked to stop, how long the analysis may take to catch up before it
/// leaves the rest to the next start.
const GRACE: Duration = Duration::from_secs(10);
/// A lag shorter than this is not worth a word, s.
const LAG_WORTH_SAYING_S: f64 = 2.0;

/// The recordings of one source.
#[derive(Debug, Clone)]
pub struct Recordings {
    /// Their folder.
    pub folder: PathBuf,
    /// Name of the source.
    pub source: String,
    /// Its sampling rate, Hz.
    pub rate_hz: f64,
}

impl Recordings {
    /// Those there are, with the times at which they begin.
    ///
    /// # Errors
    /// Where the folder or a sidecar in it cannot be read.
    pub fn begun(&self) -> Result<Vec<RecordedFile>, IngestError> {
        let files = recordings_of(&self.folder, &self.source)?;
        let begun = files.into_iter().map(|(start, path)| RecordedFile {
            name: path
                .file_name()
                .map(|name| name.to_string_lossy().into_owned())
                .unwrap_or_default(),
            start_s: start as f64 / self.rate_hz,
            end_s: f64::INFINITY,
        });
        Ok(begun.collect())
    }
}

/// What became of a feed.
#[derive(Debug, Default)]
pub struct FeedState {
    lagging: AtomicBool,
    left_behind: AtomicBool,
}

impl FeedState {
    /// Whether the analysis is reading from the recording at the moment.
    pub fn is_lagging(&self) -> bool {
        self.lagging.load(Ordering::Relaxed)
    }

    /// Whether the run was stopped before the analysis had caught up. The
    /// dwell in hand is then not whole, and must not be taken for one.
    pub fn is_left_behind(&self) -> bool {
        self.left_behind.load(Ordering::Acquire)
    }
}

/// The feed of one source, turn by turn: from sample 0 of the run, whatever was
/// recorded before this start included.
pub struct Feed {
    recordings: Recordings,
    recorded: Arc<Recorded>,
    stop: Arc<AtomicBool>,
    clock: Arc<dyn Clock>,
    /// Since when the stop flag is known to be set.
    asked: Option<Duration>,
    state: Arc<FeedState>,
    /// Index that comes next; `None` before the first frame of the run.
    next: Option<u64>,
    doing: Doing,
    /// To be sent before the next turn.
    ready: Vec<Message>,
}

enum Doing {
    /// It waits for what the recorder hands on.
    Listening,
    /// It reads what was recorded before `to` and not sent yet.
    CatchingUp(CatchUp),
    Done,
}

struct CatchUp {
    to: u64,
    /// What joins on then.
    then: Then,
    /// Whether the lag is worth a word.
    says: bool,
    reader: Option<Box<WavReader>>,
}

enum Then {
    Block(Block),
    End(End),
}

/// How catching up ended.
enum Caught {
    Up,
    LeftBehind,
    Failed(IngestError),
}

/// What a turn of a feed came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FeedTurn {
    /// It wants the recorder's next message.
    Listen,
    /// It waits for the disk.
    Wait,
    /// It has more to do.
    Again,
    /// Nothing more will come.
    Done,
}

impl Feed {
    /// At the start of a session.
    pub fn new(
        recordings: Recordings,
        recorded: Arc<Recorded>,
        stop: Arc<AtomicBool>,
        clock: Arc<dyn Clock>,
    ) -> Self {
        Self {
            recordings,
            recorded,
            stop,
            clock,
            asked: None,
            state: Arc::default(),
            next: None,
            doing: Doing::Listening,
            ready: Vec::new(),
        }
    }

    /// What becomes of it, to be shared.
    pub fn state(&self) -> Arc<FeedState> {
        Arc::clone(&self.state)
    }

    /// Takes what the recorder hands on; `None`: it has gone without a word.
    pub fn hear(&mut self, message: Option<Message>) {
        match message {
            Some(Message::Block(block)) => self.catch_up(block.first_sample, Then::Block(block)),
            Some(Message::Encoded(encoded)) => {
                let block = Block::from(encoded);
                self.catch_up(block.first_sample, Then::Block(block));
            }
            // Places and counts come from the indices of the blocks, as for a
            // reader of the recordings.
            Some(Message::Gap(_)) => {}
            Some(Message::End(end)) => self.catch_up(self.recorded.reached(), Then::End(end)),
            None => self.end(End::Failed("its recorder ended without a word".into())),
        }
    }

    /// What is to be sent, in order.
    pub fn ready(&mut self) -> impl Iterator<Item = Message> {
        self.ready.drain(..)
    }

    /// Goes on; send what is ready first.
    pub fn turn(&mut self) -> FeedTurn {
        let gives_up = self.gives_up();
        let Doing::CatchingUp(catching_up) = &mut self.doing else {
            return match self.doing {
                Doing::Done => FeedTurn::Done,
                _ => FeedTurn::Listen,
            };
        };
        let to = catching_up.to;
        let caught = if gives_up {
            Some(Caught::LeftBehind)
        } else if let Some(reader) = &mut catching_up.reader {
            match reader.next_block(BLOCK_FRAMES) {
                Ok(Some(block)) if block.first_sample < to => {
                    if let Some(block) = part(block, self.next.unwrap_or(0), to) {
                        self.gap_to(block.first_sample);
                        self.block(block);
                    }
                    None
                }
                Ok(_) => Some(Caught::Up),
                Err(error) => Some(Caught::Failed(error)),
            }
        } else if self.recorded.synced() < to && !self.recorded.is_done() {
            return FeedTurn::Wait;
        } else {
            match files_within(&self.recordings, self.next.unwrap_or(0), to) {
                Ok(files) if files.is_empty() => Some(Caught::Up),
                Ok(files) => match WavReader::open(&files) {
                    Ok(reader) => {
                        catching_up.reader = Some(Box::new(reader));
                        None
                    }
                    Err(error) => Some(Caught::Failed(error)),
                },
                Err(error) => Some(Caught::Failed(error)),
            }
        };
        if let Some(caught) = caught {
            self.caught(caught);
        }
        FeedTurn::Again
    }

    fn end(&mut self, end: End) {
        self.ready.push(Message::End(end));
        self.doing = Doing::Done;
    }

    fn block(&mut self, block: Block) {
        self.next = Some(block.first_sample + block.samples.ncols() as u64);
        self.ready.push(Message::Block(block));
    }

    fn gap_to(&mut self, index: u64) {
        if let Some(next) = self.next.filter(|next| *next < index) {
            self.ready.push(Message::Gap(Gap {
                first_sample: next,
                missing: index - next,
            }));
            self.next = Some(index);
        }
    }

    fn then(&mut self, then: Then) {
        match then {
            Then::Block(block) => {
                self.doing = Doing::Listening;
                self.block(block);
            }
            Then::End(end) => self.end(end),
        }
    }

    /// All that was recorded before `to` and not sent yet comes first.
    fn catch_up(&mut self, to: u64, then: Then) {
        if self.next.unwrap_or(0) >= to {
            return self.then(then);
        }
        let behind_s = (to - self.next.unwrap_or(0)) as f64 / self.recordings.rate_hz;
        let says = behind_s > LAG_WORTH_SAYING_S;
        self.state.lagging.store(true, Ordering::Relaxed);
        if says {
            let source = &self.recordings.source;
            tracing::warn!(%source, behind_s, "The analysis is behind: catching up from the recording.");
        }
        self.doing = Doing::CatchingUp(CatchUp {
            to,
            then,
            says,
            reader: None,
        });
    }

    fn caught(&mut self, caught: Caught) {
        let Doing::CatchingUp(catching_up) = std::mem::replace(&mut self.doing, Doing::Done) else {
            return;
        };
        let CatchUp { to, then, says, .. } = catching_up;
        self.state.lagging.store(false, Ordering::Relaxed);
        let source = &self.recordings.source;
        match caught {
            Caught::Up => {
                if says {
                    tracing::info!(%source, "The analysis has caught up.");
                }
                self.gap_to(to);
                self.then(then);
            }
            Caught::LeftBehind => {
                self.state.left_behind.store(true, Ordering::Release);
                let behind_s = (to - self.next.unwrap_or(0)) as f64 / self.recordings.rate_hz;
                tracing::warn!(
                    %source, behind_s,
                    "Stopped before the analysis had caught up; the recording is whole, and the \
                     next start goes on there."
                );
                self.end(End::Stopped);
            }
            Caught::Failed(error) => {
                self.state.left_behind.store(true, Ordering::Release);
                self.end(End::Failed(format!(
                    "the analysis could not catch up from the recording: {error}"
                )));
            }
        }
    }

    /// Asked to stop, and the time for it is over.
    fn gives_up(&mut self) -> bool {
        if !self.stop.load(Ordering::Relaxed) {
            return false;
        }
        let now = self.clock.elapsed();
        now.saturating_sub(*self.asked.get_or_insert(now)) > GRACE
    }
}

/// Starts the thread.
pub fn spawn_feed(
    mut feed: Feed,
    live: Receiver<Message>,
    out: Sender<Message>,
) -> std::io::Result<JoinHandle<()>> {
    let name = format!("feed of {}", feed.recordings.source);
    thread::Builder::new().name(name).spawn(move || {
        loop {
            for message in feed.ready() {
                if out.send(message).is_err() {
                    // Nobody listens any more: the recorder goes on without us.
                    return;
                }
            }
            match feed.turn() {
                FeedTurn::Listen => feed.hear(live.recv().ok()),
                FeedTurn::Wait => thread::sleep(POLL),
                FeedTurn::Again => {}
                FeedTurn::Done => return,
            }
        }
    })
}

/// The frames of `block` within `from..to`; `None` if there are none.
fn part(block: Block, from: u64, to: u64) -> Option<Block> {
    let end = block.first_sample + block.samples.ncols() as u64;
    let (first, last) = (block.first_sample.max(from), end.min(to));
    if first >= last {
        return None;
    }
    if first == block.first_sample && last == end {
        return Some(block);
    }
    let frames =
        Slice::from((first - block.first_sample) as usize..(last - block.first_sample) as usize);
    Some(Block {
        first_sample: first,
        // A copy in standard layout: later stages want contiguous rows.
        samples: block
            .samples
            .slice_axis(Axis(1), frames)
            .as_standard_layout()
            .into_owned(),
    })
}

/// The recordings of a source that hold frames within `from..to`, in order. A
/// file that begins later may be so new that it has no header yet.
fn files_within(recordings: &Recordings, from: u64, to: u64) -> Result<Vec<PathBuf>, IngestError> {
    let files = recordings_of(&recordings.folder, &recordings.source)?;
    // The last file that begins at or before `from`, and those after it.
    let first = files
        .partition_point(|(start, _)| *start <= from)
        .saturating_sub(1);
    let last = files.partition_point(|(start, _)| *start < to);
    let within = files.get(first..last).unwrap_or_default();
    Ok(within.iter().map(|(_, path)| path.clone()).collect())
}

/// The recordings of one source in a folder, with the index each starts at,
/// in order.
pub fn recordings_of(folder: &Path, source: &str) -> Result<Vec<(u64, PathBuf)>, IngestError> {
    let io = |error| IngestError::Io {
        path: folder.to_owned(),
        action: "list",
        source: error,
    };
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(io)? {
        let path = entry.map_err(io)?.path();
        if path.extension().is_some_and(|extension| extension == "wav")
            && let Some(sidecar) = read_sidecar(&path)?
            && sidecar.source == source
        {
            files.push((sidecar.start_index, path));
        }
    }
    files.sort();
    Ok(files)
}
