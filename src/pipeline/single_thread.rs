//! The stages of a run driven step by step, without a thread of their own.
//!
//! In: the messages of the sources, in whatever order the caller hands them
//! over. Out: what each of them leads to, to a [`Sink`], before the call
//! returns. The stages are those of the threaded run, so the same messages
//! give the same points. Touches nothing.

use super::Sink;
use super::run::deliver;
use super::stages::{Estimated, Estimates, Intake};
use crate::analysis::Analysis;
use crate::ingest::{End, Message};
use crate::setup::Setup;
use crate::tone::TonePlan;

/// All stages of a run between its sources and its sink.
pub struct SingleThread {
    sources: Vec<SourceStages>,
    analysis: Analysis,
}

struct SourceStages {
    intake: Intake,
    estimates: Estimates,
    end: Option<End>,
}

impl SingleThread {
    /// At the start of a run. `plans`: one a source, in the order of the setup;
    /// `start_utc` labels sample 0 of the source that carries the antinode.
    pub fn new(setup: &Setup, plans: &[TonePlan], start_utc: Option<jiff::Timestamp>) -> Self {
        Self {
            sources: plans
                .iter()
                .map(|plan| SourceStages {
                    intake: Intake::new(plan),
                    estimates: Estimates::new(plan),
                    end: None,
                })
                .collect(),
            analysis: Analysis::new(setup, plans, start_utc),
        }
    }

    /// Takes the next message of a source. Messages of one source come in
    /// order; after its end a source is heard no more.
    ///
    /// # Errors
    /// What the sink answers; the message is then used up, and what it led to
    /// beyond that is lost.
    pub fn push(
        &mut self,
        source: usize,
        message: Message,
        sink: &mut dyn Sink,
    ) -> anyhow::Result<()> {
        let Some(stages) = self.sources.get_mut(source) else {
            return Ok(());
        };
        if stages.end.is_some() {
            return Ok(());
        }
        let (estimates, analysis) = (&mut stages.estimates, &mut self.analysis);
        let mut delivered = Ok(());
        let end = stages.intake.take(&message, |hop| {
            if delivered.is_ok()
                && let Some(tone) = estimates.take(hop)
            {
                delivered = deliver(analysis, source, Estimated::Tone(tone), sink);
            }
        });
        delivered?;
        if let Some(end) = end {
            stages.end = Some(end.clone());
            deliver(&mut self.analysis, source, Estimated::End(end), sink)?;
        }
        Ok(())
    }

    /// The analysis, to be asked how it stands.
    pub fn analysis(&self) -> &Analysis {
        &self.analysis
    }

    /// Whether every source has ended.
    pub fn is_done(&self) -> bool {
        self.sources.iter().all(|source| source.end.is_some())
    }

    /// Frames of a source used, and frames known to be missing, so far.
    pub fn frames(&self, source: usize) -> (u64, u64) {
        self.sources.get(source).map_or((0, 0), |source| {
            let tally = source.intake.tally;
            (tally.frames, tally.missing_frames)
        })
    }
}
