//! The recorder's thread: what a live source sends is on disk before the
//! analysis sees it.
//!
//! In: the messages of one reader. Out: the same blocks, to the feed of the
//! analysis, as long as there is room; a block that finds none is left out
//! there, because it can be read from the recording. Touches what the
//! [`Recorder`] touches.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, TrySendError};

use crate::ingest::{End, Message};
use crate::recorder::{Recorder, RecorderError};

/// How often a source that sends nothing is left to sync what came before.
const IDLE: Duration = Duration::from_millis(100);

/// How far the recording of one source has come; shared with the feed and
/// with whoever watches.
#[derive(Debug, Default)]
pub struct Recorded {
    synced: AtomicU64,
    reached: AtomicU64,
    done: AtomicBool,
    wanted: AtomicBool,
}

impl Recorded {
    /// Everything before this index that arrived can be read from the disk.
    pub fn synced(&self) -> u64 {
        self.synced.load(Ordering::Acquire)
    }

    /// Index one past the last frame that arrived or is known to be missing.
    pub fn reached(&self) -> u64 {
        self.reached.load(Ordering::Acquire)
    }

    /// Asks for what has arrived to be synced at once.
    pub fn ask_for_sync(&self) {
        self.wanted.store(true, Ordering::Release);
    }

    /// Whether the recording is closed: nothing more will come.
    pub fn is_done(&self) -> bool {
        self.done.load(Ordering::Acquire)
    }
}

/// The recorder of one source, message by message.
pub struct RecorderStage {
    recorder: Recorder,
    feed: Sender<Message>,
    recorded: Arc<Recorded>,
    listened_to: bool,
}

impl RecorderStage {
    /// The source begins at `first_index`; whatever a run held before lies
    /// below it.
    pub fn new(recorder: Recorder, first_index: u64, feed: Sender<Message>) -> Self {
        let recorded = Arc::new(Recorded::default());
        recorded.reached.store(first_index, Ordering::Release);
        Self {
            recorder,
            feed,
            recorded,
            listened_to: true,
        }
    }

    /// How far it has come, to be shared.
    pub fn recorded(&self) -> Arc<Recorded> {
        Arc::clone(&self.recorded)
    }

    /// Records a message and hands it on. `Some`: the source has ended so.
    pub fn take(&mut self, message: Message) -> Result<Option<End>, RecorderError> {
        if let Message::End(end) = message {
            return Ok(Some(end));
        }
        self.recorder.write(&message)?;
        self.sync_if_asked()?;
        match message.decoded() {
            Message::Block(block) => {
                let reached = block.first_sample + block.samples.ncols() as u64;
                self.recorded.reached.store(reached, Ordering::Release);
                // Recording goes on when the analysis is gone.
                if self.listened_to {
                    self.listened_to = !matches!(
                        self.feed.try_send(Message::Block(block)),
                        Err(TrySendError::Disconnected(_))
                    );
                }
            }
            Message::Gap(gap) => {
                let reached = gap.first_sample.saturating_add(gap.missing);
                self.recorded.reached.store(reached, Ordering::Release);
            }
            // A device sends no frames of a recording.
            Message::Encoded(_) | Message::End(_) => {}
        }
        Ok(None)
    }

    /// Nothing came for a while: what came before is synced.
    pub fn idle(&mut self) -> Result<(), RecorderError> {
        self.recorder.sync_if_due()?;
        self.sync_if_asked()
    }

    fn sync_if_asked(&mut self) -> Result<(), RecorderError> {
        if self.recorded.wanted.swap(false, Ordering::AcqRel) {
            self.recorder.sync()?;
        }
        self.show_synced();
        Ok(())
    }

    /// Closes the recording, whatever ended it, and gives the last message for
    /// the feed; an error of the recorder is its text.
    pub fn leave(self, ended: Result<End, RecorderError>) -> (Message, Sender<Message>) {
        // What stands in the file of a message that failed half way belongs to
        // the run as well.
        if let Some(reached) = self.recorder.reached() {
            self.recorded.reached.fetch_max(reached, Ordering::AcqRel);
        }
        let shared = &self.recorded;
        let end = match (ended, self.recorder.finish()) {
            (Ok(end), Ok(_)) => {
                shared.synced.store(shared.reached(), Ordering::Release);
                end
            }
            // Whether the disk has what came last nobody knows.
            (Err(error), _) => End::Failed(format!("recording ended: {error}")),
            (Ok(end @ End::Failed(_)), Err(_)) => end,
            (Ok(_), Err(error)) => {
                End::Failed(format!("the recording could not be closed: {error}"))
            }
        };
        shared.done.store(true, Ordering::Release);
        (Message::End(end), self.feed)
    }

    fn show_synced(&self) {
        self.recorded
            .synced
            .store(self.recorder.synced_to(), Ordering::Release);
    }
}

/// Starts the thread. An error of the recorder ends the source with a text
/// that says so, and sets `stop`.
pub fn spawn_recorder(
    name: &str,
    mut stage: RecorderStage,
    incoming: Receiver<Message>,
    stop: Arc<AtomicBool>,
) -> std::io::Result<JoinHandle<()>> {
    thread::Builder::new()
        .name(format!("recorder of {name}"))
        .spawn(move || {
            let ended = record(&mut stage, &incoming);
            if ended.is_err() {
                stop.store(true, Ordering::Relaxed);
            }
            // The reader must never wait for a recorder that has gone.
            drop(incoming);
            let (last, feed) = stage.leave(ended);
            // Nobody to tell is no fault of the recorder.
            let _ = feed.send(last);
        })
}

fn record(stage: &mut RecorderStage, incoming: &Receiver<Message>) -> Result<End, RecorderError> {
    loop {
        match incoming.recv_timeout(IDLE) {
            Ok(message) => {
                if let Some(end) = stage.take(message)? {
                    return Ok(end);
                }
            }
            Err(RecvTimeoutError::Timeout) => stage.idle()?,
            Err(RecvTimeoutError::Disconnected) => {
                return Ok(End::Failed("its reader ended without a word".into()));
            }
        }
    }
}
