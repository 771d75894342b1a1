//! The reader thread of a recording: blocks and gaps into a bounded channel.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use crossbeam_channel::{SendTimeoutError, Sender};

use super::{StoredFrames, WavReader};
use crate::ingest::{End, Gap, Message};

/// How often a full channel is left to look at the stop flag.
const STOP_POLL: Duration = Duration::from_millis(50);

/// How long the closing [`End`] waits for room in the channel once `stop` is set.
const END_PATIENCE: Duration = Duration::from_secs(5);

/// Sends all of `reader` as blocks of at most `block_frames` frames, with a
/// [`Gap`] where frames are missing and an [`End`] as the last message.
///
/// The thread ends when everything is sent, when `stop` is set, or when the
/// receiver is gone; it never waits for a receiver that does not come back
/// once `stop` is set.
pub fn spawn_wav(
    reader: WavReader,
    block_frames: usize,
    sender: Sender<Message>,
    stop: Arc<AtomicBool>,
) -> JoinHandle<()> {
    thread::spawn(move || {
        let end = send_all(reader, block_frames, &sender, &stop);
        // However long the fit of a hold takes on a slow machine. Where nobody receives any
        // more, there is nothing to report.
        if send(&sender, Message::End(end.clone()), &stop).is_err() {
            let _ = sender.send_timeout(Message::End(end), END_PATIENCE);
        }
    })
}

fn send_all(
    mut reader: WavReader,
    block_frames: usize,
    sender: &Sender<Message>,
    stop: &AtomicBool,
) -> End {
    let mut expected = reader.first_sample();
    loop {
        let stored = match reader.next_stored(block_frames) {
            Ok(stored) => stored,
            Err(error) => return End::Failed(error.to_string()),
        };
        let (next, frames) = match &stored {
            Some(StoredFrames::Block(block)) => (block.first_sample, block.samples.ncols()),
            Some(StoredFrames::Encoded(encoded)) => (encoded.first_sample(), encoded.frames()),
            None => (reader.total_frames().unwrap_or(expected), 0),
        };
        if next > expected {
            let gap = Gap {
                first_sample: expected,
                missing: next - expected,
            };
            if send(sender, Message::Gap(gap), stop).is_err() {
                return End::Stopped;
            }
        }
        let message = match stored {
            Some(StoredFrames::Block(block)) => Message::Block(block),
            Some(StoredFrames::Encoded(encoded)) => Message::Encoded(encoded),
            None => return End::Complete,
        };
        expected = next + frames as u64;
        if send(sender, message, stop).is_err() {
            return End::Stopped;
        }
    }
}

/// The reader ends: it was asked to, or nobody receives any more.
struct Leave;

fn send(sender: &Sender<Message>, mut message: Message, stop: &AtomicBool) -> Result<(), Leave> {
    while !stop.load(Ordering::Relaxed) {
        match sender.send_timeout(message, STOP_POLL) {
            Ok(()) => return Ok(()),
            Err(SendTimeoutError::Timeout(unsent)) => message = unsent,
            Err(SendTimeoutError::Disconnected(_)) => break,
        }
    }
    Err(Leave)
}
