//! The stages joined by bounded channels; owns the threads.
//!
//! In: one [`Input`] a source. Out: findings, in order, to a [`Sink`] on the calling
//! thread. Touches threads, nothing else.
//!
//! ```text
//! reader → (recorder) → windows → estimator 0 → ┐
//!            a source     │    →  estimator 1 → ├→ analysis → sink
//!                         └    →  …           → ┘   the calling thread
//! ```
//!
//! A recording has no thread of its own: the thread of the windows reads it, so that its
//! bytes go from the disk's cache to decimated samples within one processor's cache.
//! On two threads windows and estimates share one beside the analysis, and on one a recording
//! is read, windowed and estimated by whoever asks for what comes next.
//! Live, a recorder and a feed stand between reader and windows; the feed takes
//! blocks from the recorder as they come, and from the recording where the
//! analysis was too slow or not there.
//!
//! Every arrow is a bounded channel with exactly one receiver: a stage that
//! ends, for whatever reason, closes its ends, and its neighbours end too.
//! The end of a source travels in the channels behind its last samples, so
//! that every stage finishes its work first.

pub mod capture;
mod collected;
mod feed;
mod frames;
mod record;
mod recorded;
mod replay;
mod run;
mod single_thread;
mod stages;
mod stop;

pub use collected::Collected;
pub use feed::{Feed, FeedState, FeedTurn, Recordings, recordings_of, spawn_feed};
pub use frames::{RecordedTone, tone_frames};
pub use record::{Recorded, RecorderStage, spawn_recorder};
pub use recorded::{RecordedRun, RecordedSource, ReplayError, rate_agrees};
pub use replay::{ReplayOptions, replay};
pub use run::{Beforehand, Input, Options, Order, Outcome, Progress, Sink, SourceOutcome, run};
pub use single_thread::SingleThread;
pub use stages::Messages;
pub use stop::{StopReason, in_one_line, on_signals};

#[cfg(test)]
mod live_tests;
#[cfg(test)]
mod tests;
