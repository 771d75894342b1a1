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

    /// Whether the recording is closed: nothing more will come.
    pub fn is_done(&self) -> bool {
        self.done.load(Ordering::Acquire)
    }
}

/// Starts the thread. The source begins at `first_index`; whatever a run held
/// before lies below it. An error of the recorder ends the source with a text
/// that says so, and sets `stop`.
pub fn spawn_recorder(
    name: &str,
    mut recorder: Recorder,
    first_index: u64,
    incoming: Receiver<Message>,
    feed: Sender<Message>,
    stop: Arc<AtomicBool>,
) -> std::io::Result<(Arc<Recorded>, JoinHandle<()>)> {
    let recorded = Arc::new(Recorded::default());
    recorded.reached.store(first_index, Ordering::Release);
    let shared = Arc::clone(&recorded);
    let handle = thread::Builder::new()
        .name(format!("recorder of {name}"))
        .spawn(move || {
            let mut end = match record(&mut recorder, &incoming, &feed, &shared) {
                Ok(end) => end,
                Err(error) => {
                    stop.store(true, Ordering::Relaxed);
                    End::Failed(format!("recording ended: {error}"))
                }
            };
            // The reader must never wait for a recorder that has gone.
            drop(incoming);
            if let Err(error) = recorder.finish()
                && !matches!(end, End::Failed(_))
            {
                end = End::Failed(format!("the recording could not be closed: {error}"));
            }
            shared.synced.store(shared.reached(), Ordering::Release);
            shared.done.store(true, Ordering::Release);
            // Nobody to tell is no fault of the recorder.
            let _ = feed.send(Message::End(end));
        })?;
    Ok((recorded, handle))
}

fn record(
    recorder: &mut Recorder,
    incoming: &Receiver<Message>,
    feed: &Sender<Message>,
    recorded: &Recorded,
) -> Result<End, RecorderError> {
    let mut listened_to = true;
    loop {
        let message = match incoming.recv_timeout(IDLE) {
            Ok(message) => message,
            Err(RecvTimeoutError::Timeout) => {
                recorder.sync_if_due()?;
                recorded
                    .synced
                    .store(recorder.synced_to(), Ordering::Release);
                continue;
            }
            Err(RecvTimeoutError::Disconnected) => {
                return Ok(End::Failed("its reader ended without a word".into()));
            }
        };
        if let Message::End(end) = message {
            return Ok(end);
        }
        recorder.write(&message)?;
        recorded
            .synced
            .store(recorder.synced_to(), Ordering::Release);
        match message {
            Message::Block(block) => {
                let reached = block.first_sample + block.samples.ncols() as u64;
                recorded.reached.store(reached, Ordering::Release);
                // Recording goes on when the analysis is gone.
                if listened_to {
                    listened_to = !matches!(
                        feed.try_send(Message::Block(block)),
                        Err(TrySendError::Disconnected(_))
                    );
                }
            }
            Message::Gap(gap) => {
                let reached = gap.first_sample.saturating_add(gap.missing);
                recorded.reached.store(reached, Ordering::Release);
            }
            Message::End(_) => {}
        }
    }
}
