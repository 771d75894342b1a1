//! A recording as messages: blocks, gaps and how it ends.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use super::{StoredFrames, WavReader};
use crate::ingest::{End, Gap, Message};

/// All of a reader as blocks, with a [`Gap`] where frames are missing and an [`End`] as the
/// last message. It is read on the thread that asks for the next one: what was just read and
/// hashed is still in the processor's cache when it is used.
#[derive(Debug)]
pub struct WavMessages {
    reader: WavReader,
    block_frames: usize,
    stop: Arc<AtomicBool>,
    /// Index that comes next.
    expected: u64,
    /// What comes behind a gap.
    behind: Option<Message>,
    has_ended: bool,
}

impl WavMessages {
    /// In blocks of at most `block_frames` frames; ends early once `stop` is set.
    pub fn new(reader: WavReader, block_frames: usize, stop: Arc<AtomicBool>) -> Self {
        Self {
            expected: reader.first_sample(),
            reader,
            block_frames,
            stop,
            behind: None,
            has_ended: false,
        }
    }

    /// Takes a message back that is not needed any more: its memory serves for the next.
    pub fn reuse(&mut self, message: Message) {
        if let Message::Encoded(block) = message {
            self.reader.reuse(block);
        }
    }

    fn read(&mut self) -> Message {
        if self.stop.load(Ordering::Relaxed) {
            return Message::End(End::Stopped);
        }
        let stored = match self.reader.next_stored(self.block_frames) {
            Ok(stored) => stored,
            Err(error) => return Message::End(End::Failed(error.to_string())),
        };
        let (first, frames, message) = match stored {
            Some(StoredFrames::Block(block)) => {
                let frames = block.samples.ncols();
                (block.first_sample, frames, Message::Block(block))
            }
            Some(StoredFrames::Encoded(block)) => {
                let frames = block.frames();
                (block.first_sample(), frames, Message::Encoded(block))
            }
            None => {
                let end = self.reader.total_frames().unwrap_or(self.expected);
                (end, 0, Message::End(End::Complete))
            }
        };
        let missing = first.saturating_sub(self.expected);
        let gap = Gap {
            first_sample: self.expected,
            missing,
        };
        self.expected = first + frames as u64;
        if missing > 0 {
            self.behind = Some(message);
            return Message::Gap(gap);
        }
        message
    }
}

impl Iterator for WavMessages {
    type Item = Message;

    fn next(&mut self) -> Option<Message> {
        if self.has_ended {
            return None;
        }
        let message = self.behind.take().unwrap_or_else(|| self.read());
        self.has_ended = matches!(message, Message::End(_));
        Some(message)
    }
}
