//! spanhold: from a vibrating conductor span to settled points.
//!
//! The modules stand in the order the data flows; a module imports only from
//! those above it.
//!
//! | module | comes in | goes out | may touch |
//! |---|---|---|---|
//! | [`maths`] | numbers | sine, exponential and their like, the same bits on every machine | nothing: pure |
//! | [`span`] | conductor and span as plain numbers | wave speed, harmonics, strain, wind power | nothing: pure |
//! | [`setup`] | a TOML file | a checked [`setup::Setup`], or every fault in it | the file it is given, the matching that it names |
//! | [`ingest`] | WAV recordings, serial devices | [`ingest::Message`]: blocks, gaps, end | files, devices, one thread a source |
//! | [`recorder`] | the same messages | crash-safe recordings | files |
//! | [`tone`] | blocks | one [`tone::ToneFrame`] a hop: frequency and complex amplitude of every channel | nothing: pure |
//! | [`matching`] | tone frames of a recording with all fixed sensors at one place | gain and phase of each relative to their mean | nothing: pure |
//! | [`resonance`] | tone frames | holds, and dwells that do not count, with reasons | nothing: pure |
//! | [`reduction`] | a hold | a [`reduction::SettledPoint`] with uncertainty | nothing: pure |
//! | [`analysis`] | tone messages of all sources | points with their evidence, events, trace rows | nothing: pure |
//! | [`ledger`] | points and events | the run folder, synced before anything is announced | files |
//! | [`pipeline`] | sources | the stages above joined by bounded channels | threads |
//! | [`evaluation`] | points of a run and of its bare run | damper power, second methods, requirements, verdict, comparison | nothing: pure |
//! | [`plan`] | a setup | the harmonics to visit, sensor places, ranges | nothing: pure |
//! | [`guidance`] | the analysis at one moment, points, plan, devices | the state of a capture, and what to do now | nothing: pure |
//! | [`rehearsal`] | a setup | recordings of a virtual span and the truth beside them | what it writes |
//! | [`report`] | a run folder | tables, plots, HTML | files |
//! | [`verification`] | a run folder, its recordings | how the run stands, file by file | files, to read them |
//! | [`export`] | a run folder | its tables and recordings in formats that other programs read | files, to read them |
//! | [`reprocessing`] | setups and recordings, one run or an archive of them | run folders, reduced | files, threads |
//! | [`live`] | the state, several times a second | the live page, over HTTP | sockets, threads, one file in the run folder |
//! | [`commands`] | arguments | an exit code | everything, through the modules above |
//!
//! A recording becomes points without a command line:
//!
//! ```
//! use std::path::PathBuf;
//! use std::sync::Arc;
//! use std::sync::atomic::AtomicBool;
//!
//! use spanhold::pipeline::{Collected, RecordedRun, ReplayOptions, replay};
//! use spanhold::setup::Verdict;
//!
//! let setup = spanhold::setup::load("config/damped-trial.toml".as_ref())?;
//! let files = [vec![PathBuf::from("recordings/damped-trial.wav").into()]];
//! let recorded = RecordedRun::open(&setup, &files)?;
//! let stop = Arc::new(AtomicBool::new(false));
//! let mut found = Collected::default();
//! let outcome = replay(&setup, recorded, ReplayOptions::default(), &stop, &mut found);
//! assert_eq!(outcome.reason.to_string(), "all input was used");
//!
//! let (first, evidence) = &found.points[0];
//! assert_eq!(first.verdict, Verdict::Held);
//! assert!(evidence.criteria.iter().all(|result| result.met == Some(true)));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! Longer texts: [`guide`].
//!
//! The pure modules know nothing of threads, files or clocks, take their
//! functions from [`maths`] and sum in fixed order: the same samples give the
//! same points, bit for bit, whatever the processor.

// Results are the same bits on every machine (clippy.toml says what is banned);
// unit tests, as all tests, may compute what they expect as they like.
#![cfg_attr(not(test), warn(clippy::disallowed_methods, clippy::disallowed_types))]

pub mod analysis;
pub mod commands;
pub mod evaluation;
pub mod export;
pub mod guidance;
pub mod guide;
pub mod ingest;
pub mod ledger;
pub mod live;
pub mod matching;
pub mod maths;
pub mod pipeline;
pub mod plan;
pub mod recorder;
pub mod reduction;
pub mod rehearsal;
pub mod report;
pub mod reprocessing;
pub mod resonance;
pub mod setup;
pub mod span;
pub mod tone;
pub mod verification;
