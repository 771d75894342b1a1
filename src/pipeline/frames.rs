//! Recordings → tone frames alone, for whoever needs no points.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use super::RecordedRun;
use super::stages::{Estimates, Intake};
use crate::ingest::End;
use crate::ingest::wav::WavMessages;
use crate::tone::{ToneMessage, TonePlan};

/// What comes out of a recording.
#[derive(Debug)]
pub enum RecordedTone<'a> {
    /// A recording begins that does not join on to the one before.
    Begin,
    /// The next message of the tone stage, and the stage's plan.
    Tone(&'a TonePlan, ToneMessage),
}

/// Runs the tone stage of source number `source` over its recordings, on the calling thread.
/// Out: how it ended, [`End::Complete`] where all was read.
pub fn tone_frames(
    recorded: RecordedRun,
    source: usize,
    block_frames: usize,
    stop: &Arc<AtomicBool>,
    each: &mut dyn FnMut(RecordedTone),
) -> End {
    for stretch in recorded.stretches {
        let Some(recording) = stretch.into_iter().nth(source) else {
            continue;
        };
        let plan = recording.plan;
        let mut messages = WavMessages::new(recording.reader, block_frames, Arc::clone(stop));
        let mut intake = Intake::new(&plan);
        let mut estimates = Estimates::new(&plan);
        each(RecordedTone::Begin);
        let mut ended = None;
        while ended.is_none()
            && let Some(message) = messages.next()
        {
            ended = intake.take(&message, |hop| {
                if let Some(tone) = estimates.take(hop) {
                    each(RecordedTone::Tone(&plan, tone));
                }
            });
            messages.reuse(message);
        }
        let ended = ended.unwrap_or_else(|| End::Failed("its reader ended without a word".into()));
        if !matches!(ended, End::Complete) {
            return ended;
        }
    }
    End::Complete
}
