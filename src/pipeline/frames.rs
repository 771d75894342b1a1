//! Recordings → tone frames alone, for whoever needs no points.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use crossbeam_channel::bounded;

use super::RecordedRun;
use super::replay::CHANNEL_BLOCKS;
use super::stages::Intake;
use crate::ingest::End;
use crate::ingest::wav::spawn_wav;
use crate::tone::{Estimator, ToneMessage, TonePlan};

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
        let (sender, messages) = bounded(CHANNEL_BLOCKS);
        let reader = spawn_wav(recording.reader, block_frames, sender, Arc::clone(stop));
        let mut intake = Intake::new(plan.clone());
        let mut estimator = Estimator::new(plan.clone());
        each(RecordedTone::Begin);
        let ended = messages.iter().find_map(|message| {
            intake.take(message, |window| {
                each(RecordedTone::Tone(&plan, estimator.estimate(window)));
            })
        });
        let ended = ended.unwrap_or_else(|| End::Failed("its reader ended without a word".into()));
        drop(messages);
        // What it had to say, it has sent.
        let _ = reader.join();
        if !matches!(ended, End::Complete) {
            return ended;
        }
    }
    End::Complete
}
