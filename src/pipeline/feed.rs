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
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, Sender};
use ndarray::{Axis, Slice};

use super::record::Recorded;
use crate::ingest::sidecar::read_sidecar;
use crate::ingest::wav::WavReader;
use crate::ingest::{Block, End, Gap, IngestError, Message};
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

/// Starts the thread: from sample 0 of the run, whatever was recorded before
/// this start included.
pub fn spawn_feed(
    recordings: Recordings,
    live: Receiver<Message>,
    recorded: Arc<Recorded>,
    out: Sender<Message>,
    stop: Arc<AtomicBool>,
) -> std::io::Result<(Arc<FeedState>, JoinHandle<()>)> {
    let state = Arc::new(FeedState::default());
    let shared = Arc::clone(&state);
    let name = format!("feed of {}", recordings.source);
    let handle = thread::Builder::new().name(name).spawn(move || {
        let mut feed = Feed {
            recordings,
            recorded,
            out,
            stop,
            asked: None,
            state: shared,
            next: None,
        };
        // Nobody listens any more: the recorder goes on without us.
        let _ = feed.run(&live);
    })?;
    Ok((state, handle))
}

struct Feed {
    recordings: Recordings,
    recorded: Arc<Recorded>,
    out: Sender<Message>,
    stop: Arc<AtomicBool>,
    /// Since when the stop flag is known to be set.
    asked: Option<Instant>,
    state: Arc<FeedState>,
    /// Index that comes next; `None` before the first frame of the run.
    next: Option<u64>,
}

/// The analysis is gone.
struct Gone;

/// How catching up ended.
enum Caught {
    Up,
    LeftBehind,
    Failed(IngestError),
}

impl Feed {
    fn run(&mut self, live: &Receiver<Message>) -> Result<(), Gone> {
        for message in live {
            match message {
                Message::Block(block) => {
                    if let Some(end) = self.catch_up(block.first_sample)? {
                        return self.send(Message::End(end));
                    }
                    self.block(block)?;
                }
                // Places and counts come from the indices of the blocks, as
                // for a reader of the recordings.
                Message::Gap(_) => {}
                Message::End(end) => {
                    let failed = self.catch_up(self.recorded.reached())?;
                    return self.send(Message::End(failed.unwrap_or(end)));
                }
            }
        }
        self.send(Message::End(End::Failed(
            "its recorder ended without a word".into(),
        )))
    }

    fn send(&self, message: Message) -> Result<(), Gone> {
        self.out.send(message).map_err(|_| Gone)
    }

    fn block(&mut self, block: Block) -> Result<(), Gone> {
        self.next = Some(block.first_sample + block.samples.ncols() as u64);
        self.send(Message::Block(block))
    }

    fn gap_to(&mut self, index: u64) -> Result<(), Gone> {
        if let Some(next) = self.next.filter(|next| *next < index) {
            self.send(Message::Gap(Gap {
                first_sample: next,
                missing: index - next,
            }))?;
            self.next = Some(index);
        }
        Ok(())
    }

    /// Sends all that was recorded before `to` and not sent yet; afterwards a
    /// block at `to` joins on. `Some`: how the source has to end instead.
    fn catch_up(&mut self, to: u64) -> Result<Option<End>, Gone> {
        if self.next.unwrap_or(0) >= to {
            return Ok(None);
        }
        let behind_s = (to - self.next.unwrap_or(0)) as f64 / self.recordings.rate_hz;
        let says = behind_s > LAG_WORTH_SAYING_S;
        self.state.lagging.store(true, Ordering::Relaxed);
        let source = &self.recordings.source;
        if says {
            tracing::warn!(%source, behind_s, "The analysis is behind: catching up from the recording.");
        }
        let caught = self.read(to)?;
        self.state.lagging.store(false, Ordering::Relaxed);
        let source = &self.recordings.source;
        match caught {
            Caught::Up => {
                if says {
                    tracing::info!(%source, "The analysis has caught up.");
                }
                self.gap_to(to)?;
                Ok(None)
            }
            Caught::LeftBehind => {
                self.state.left_behind.store(true, Ordering::Release);
                let behind_s = (to - self.next.unwrap_or(0)) as f64 / self.recordings.rate_hz;
                tracing::warn!(
                    %source, behind_s,
                    "Stopped before the analysis had caught up; the recording is whole, and the \
                     next start goes on there."
                );
                Ok(Some(End::Stopped))
            }
            Caught::Failed(error) => {
                self.state.left_behind.store(true, Ordering::Release);
                Ok(Some(End::Failed(format!(
                    "the analysis could not catch up from the recording: {error}"
                ))))
            }
        }
    }

    fn read(&mut self, to: u64) -> Result<Caught, Gone> {
        while self.recorded.synced() < to && !self.recorded.is_done() {
            if self.gives_up() {
                return Ok(Caught::LeftBehind);
            }
            thread::sleep(POLL);
        }
        let files = match files_within(&self.recordings, self.next.unwrap_or(0), to) {
            Ok(files) if files.is_empty() => return Ok(Caught::Up),
            Ok(files) => files,
            Err(error) => return Ok(Caught::Failed(error)),
        };
        let mut reader = match WavReader::open(&files) {
            Ok(reader) => reader,
            Err(error) => return Ok(Caught::Failed(error)),
        };
        loop {
            if self.gives_up() {
                return Ok(Caught::LeftBehind);
            }
            let block = match reader.next_block(BLOCK_FRAMES) {
                Ok(Some(block)) => block,
                Ok(None) => return Ok(Caught::Up),
                Err(error) => return Ok(Caught::Failed(error)),
            };
            if block.first_sample >= to {
                return Ok(Caught::Up);
            }
            if let Some(block) = part(block, self.next.unwrap_or(0), to) {
                self.gap_to(block.first_sample)?;
                self.block(block)?;
            }
        }
    }

    /// Asked to stop, and the time for it is over.
    fn gives_up(&mut self) -> bool {
        if !self.stop.load(Ordering::Relaxed) {
            return false;
        }
        self.asked.get_or_insert_with(Instant::now).elapsed() > GRACE
    }
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
