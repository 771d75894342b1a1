//! The way from a reader that must not wait to a consumer that may be slow.

use std::time::Duration;

use crossbeam_channel::{SendTimeoutError, Sender, TrySendError};

use crate::ingest::{Block, End, Gap, Message};

/// How long the closing message waits.
const END_PATIENCE: Duration = Duration::from_secs(5);

/// The receiver is gone.
pub(super) struct NobodyListens;

/// Sends blocks, and a gap wherever the index jumps.
pub(super) struct Outbox {
    sender: Sender<Message>,
    port: String,
    /// How long a message waits for room.
    patience: Duration,
    /// Index after the last sample sent; `None` before the first.
    sent_to: Option<u64>,
    dropped_samples: u64,
}

impl Outbox {
    pub fn new(sender: Sender<Message>, port: String, patience: Duration) -> Self {
        Self {
            sender,
            port,
            patience,
            sent_to: None,
            dropped_samples: 0,
        }
    }

    /// Samples that found no room.
    pub fn dropped_samples(&self) -> u64 {
        self.dropped_samples
    }

    /// Sends a block, or drops it: then the next one comes after a gap.
    pub fn send_block(&mut self, block: Block) -> Result<(), NobodyListens> {
        let frames = block.samples.ncols() as u64;
        let first_sample = block.first_sample;
        let sent_to = self.sent_to.unwrap_or(first_sample);
        if first_sample > sent_to {
            let gap = Gap {
                first_sample: sent_to,
                missing: first_sample - sent_to,
            };
            if !self.send(Message::Gap(gap))? {
                self.drop_block(first_sample, frames);
                return Ok(());
            }
            tracing::warn!(
                port = self.port,
                first_sample = gap.first_sample,
                missing = gap.missing,
                "samples missing"
            );
            self.sent_to = Some(first_sample);
        }
        if self.send(Message::Block(block))? {
            self.sent_to = Some(first_sample + frames);
        } else {
            self.drop_block(first_sample, frames);
        }
        Ok(())
    }

    /// Sends the last message.
    pub fn send_end(self, end: End) {
        let _ = self.sender.send_timeout(Message::End(end), END_PATIENCE);
    }

    fn drop_block(&mut self, first_sample: u64, frames: u64) {
        self.sent_to.get_or_insert(first_sample);
        self.dropped_samples += frames;
        tracing::error!(
            port = self.port,
            first_sample,
            frames,
            "no room in the queue to the recorder; samples dropped"
        );
    }

    /// Whether the message found room.
    fn send(&self, message: Message) -> Result<bool, NobodyListens> {
        let message = match self.sender.try_send(message) {
            Ok(()) => return Ok(true),
            Err(TrySendError::Disconnected(_)) => return Err(NobodyListens),
            Err(TrySendError::Full(message)) => message,
        };
        match self.sender.send_timeout(message, self.patience) {
            Ok(()) => Ok(true),
            Err(SendTimeoutError::Timeout(_)) => Ok(false),
            Err(SendTimeoutError::Disconnected(_)) => Err(NobodyListens),
        }
    }
}
