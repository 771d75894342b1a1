//! The run folder: the append-only log of settled points and events.
//!
//! In: points with their evidence, events, trace rows. Out: the files of a
//! run, each point synced to the disk before [`Ledger::point`] returns, and
//! read back whole by [`Run::open`]. Touches the run folder and nothing else.
//! Records never travel through the log (`tracing`), which may lose lines.
//!
//! | file | holds |
//! |---|---|
//! | `setup.toml` | the setup as used, byte for byte |
//! | `run.json` | program version, target, arithmetic version, hashes, start, counts, how it ended |
//! | `points.jsonl` | one settled point a line |
//! | `evidence.jsonl` | what each point's verdict rests on, a line a point, written before the point |
//! | `events.jsonl` | gaps, holds, faults, a line each |
//! | `trace.csv` | one row a hop |
//! | `recordings/` | what came in (capture only) |
//! | `points.csv` | the points as a table, at the end |
//! | `reduced.jsonl`, `reduced.csv` | the points with the damper's power, written by `reduce` |
//! | `reduction.json` | what they and the verdict rest on |
//! | `notes.jsonl` | what people said of points, and which of them are not to count |
//! | `results.jsonl` | when which reduction, report and note was made, with their hashes |
//! | `seal.json`, `seal.json.sig` | every file with its hash, and the laboratory's signature of that, written by `seal` |
//! | `page.json` | where the live page of a capture is, and its token; no part of the record |
//! | `run.lock` | empty; locked while a program writes to the folder |
//! | `results.lock` | empty; locked while a line of `notes.jsonl` or `results.jsonl` is written |

mod alterations;
mod chain;
mod error;
pub(crate) mod lines;
mod locks;
mod named_files;
mod note_writer;
mod noted_points;
mod notes;
mod read;
mod record;
mod results;
mod seal;
mod self_hash;
mod table;
mod trace;
mod writer;

pub use chain::ChainEnd;
pub(crate) use chain::{chain_lines, unchain_lines};
pub use error::LedgerError;
pub use lines::json_lines;
pub(crate) use locks::lock;
pub use named_files::carry_named_files;
pub use note_writer::{NewNote, WrittenNote, write_note};
pub use noted_points::read_exclusions;
pub use notes::read_notes;
pub use read::{PointEvidence, Run};
pub(crate) use record::is_carried;
pub use record::{
    FileRecord, LogEnds, PointCounts, RepeatedFile, RunRecord, RunState, SourceRecord, target,
};
pub use results::{ResultRecord, check_result, log_result};
pub use seal::{CheckedSeal, SEAL_NAMESPACE, check_seal, seal};
pub use table::points_csv;
pub use trace::trace_csv;
pub use writer::{Found, Ledger};

/// The setup as used.
pub const SETUP_FILE: &str = "setup.toml";
/// Program version, hashes, start, counts, end.
pub const RUN_FILE: &str = "run.json";
/// The settled points.
pub const POINTS_FILE: &str = "points.jsonl";
/// What the verdicts rest on.
pub const EVIDENCE_FILE: &str = "evidence.jsonl";
/// What happened.
pub const EVENTS_FILE: &str = "events.jsonl";
/// One row a hop.
pub const TRACE_FILE: &str = "trace.csv";
/// The points as a table.
pub const TABLE_FILE: &str = "points.csv";
/// What came in.
pub const RECORDINGS_FOLDER: &str = "recordings";
/// The report, written by another command and out of date once the points change.
pub const REPORT_FILE: &str = "report.html";
/// The points with the damper's power.
pub const REDUCED_FILE: &str = "reduced.jsonl";
/// The same as a table.
pub const REDUCED_TABLE_FILE: &str = "reduced.csv";
/// What the reduced points and the verdict rest on.
pub const REDUCTION_FILE: &str = "reduction.json";
/// What people said of points.
pub const NOTES_FILE: &str = "notes.jsonl";
/// When which reduction, report and note was made, with their hashes.
pub const RESULTS_FILE: &str = "results.jsonl";
/// Every file of the folder with its hash, to be signed.
pub const SEAL_FILE: &str = "seal.json";
/// The signature of that list.
pub const SEAL_SIGNATURE_FILE: &str = "seal.json.sig";
/// Where the live page of a capture is; no part of the record, and not sealed.
pub const PAGE_FILE: &str = "page.json";
/// Locked while a program writes to the folder.
pub const LOCK_FILE: &str = "run.lock";
/// Locked while a line of the notes or of the log of results is written.
pub const RESULTS_LOCK_FILE: &str = "results.lock";

#[cfg(test)]
mod tests;
