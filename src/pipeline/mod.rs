//! The stages joined by bounded channels; owns the threads.
//!
//! In: one [`Input`] a source, its reader already running. Out: findings, in
//! order, to a [`Sink`] on the calling thread. Touches threads, nothing else.
//!
//! ```text
//! reader → (recorder) → windows → estimator 0 → ┐
//!            a source     │    →  estimator 1 → ├→ analysis → sink
//!                         └    →  …           → ┘   the calling thread
//! ```
//!
//! Every arrow is a bounded channel with exactly one receiver: a stage that
//! ends, for whatever reason, closes its ends, and its neighbours end too.
//! The end of a source travels in the channels behind its last samples, so
//! that every stage finishes its work first.

pub mod analysis;
mod run;
mod stages;
mod stop;

pub use run::{Input, Options, Order, Outcome, Progress, Sink, SourceOutcome, run};
pub use stop::{StopReason, on_signals};

#[cfg(test)]
mod tests;
