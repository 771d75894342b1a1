//! What `reduce` adds to a run folder: `reduced.jsonl`, `reduced.csv`,
//! `reduction.json`. The settled points themselves are never altered.
//!
//! `reduction.json` is written last and holds the hash of the points it was
//! made from and of the lines it goes with, so that a reader can tell a
//! reduction that is whole and up to date from one that is not.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::analysis::Exclusion;
use crate::evaluation::criteria::{Judgement, Outcome};
use crate::evaluation::decay::Decay;
use crate::evaluation::fixed_sweep::FixedSweep;
use crate::evaluation::methods::MethodCheck;
use crate::evaluation::reduced::{BarePoint, BareStatement, Reduced};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::ingest::sidecar::hash_of_file;
use crate::ledger::{
    FileRecord, LedgerError, POINTS_FILE, REDUCED_FILE, REDUCED_TABLE_FILE, REDUCTION_FILE, Run,
    RunState, check_result, json_lines, lines, lock, log_result, points_csv, target,
};
use crate::maths::ARITHMETIC_VERSION;
use crate::setup::Setup;

/// `reduction.json`: what the reduced points and the verdict rest on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reduction {
    /// This program's name.
    pub program: String,
    /// Its version.
    pub version: String,
    /// What it was built for; absent in reductions older than this key.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub target: Option<String>,
    /// Its arithmetic; 1 in reductions older than this key.
    #[serde(default = "first_arithmetic")]
    pub arithmetic: u32,
    /// The run that was reduced.
    pub run: RunIdentity,
    /// The bare run whose losses were taken off.
    pub baseline: Option<RunIdentity>,
    /// How the bare losses were found.
    pub bare_losses: Option<BareStatement>,
    /// The points of the bare run that count as settled; empty without a bare run,
    /// and in reductions older than this key.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub bare_points: Vec<BarePoint>,
    /// What all points by fixed sensors together say; absent where no ratio rests on them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed_sensors: Option<FixedSweep>,
    /// The required curves, one entry a criterion that has one.
    pub curves: Vec<CurveRecord>,
    /// One a criterion, in the setup's order, each with its decision rule.
    pub judgements: Vec<Judgement>,
    /// Of all criteria together.
    pub outcome: Option<Outcome>,
    /// Points by a second method.
    pub method_checks: Vec<MethodCheck>,
    /// Antinode velocities, mm/s peak, between which free decays were fitted,
    /// where a range was asked for.
    #[serde(default)]
    pub decay_range_mm_s: Option<(f64, f64)>,
    /// Free decays found in the trace.
    pub decays: Vec<Decay>,
    /// What the reader must know besides.
    pub notes: Vec<String>,
    /// BLAKE3 of `reduced.jsonl`, hexadecimal.
    pub reduced_blake3: String,
}

fn first_arithmetic() -> u32 {
    1
}

/// Which run it was.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunIdentity {
    /// The folder as it was named.
    pub folder: String,
    /// Its title.
    pub title: String,
    /// Its damper.
    pub damper: Option<String>,
    /// Version of the program that made the points.
    pub version: String,
    /// How the run ended.
    pub state: RunState,
    /// BLAKE3 of its setup file.
    pub setup_blake3: String,
    /// BLAKE3 of its `points.jsonl`.
    pub points_blake3: String,
    /// Its recordings, with their hashes.
    pub recordings: Vec<FileRecord>,
    /// The points of it that were not to count.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub exclusions: Vec<Exclusion>,
}

/// A required curve as it was used.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CurveRecord {
    /// Number of the criterion, from 1.
    pub criterion: usize,
    /// The file it was read from.
    pub file: String,
    /// BLAKE3 of the file.
    pub blake3: String,
    /// The file itself, so that the verdict can be repeated without it.
    pub text: String,
}

impl RunIdentity {
    /// Of a run that was read, under its setup, with its points as they stand
    /// in the folder.
    ///
    /// # Errors
    /// Where they cannot be read.
    pub fn of(run: &Run, setup: &Setup) -> Result<Self, LedgerError> {
        let points_blake3 = hash_of(&run.folder.join(POINTS_FILE))?;
        Ok(Self::with_points(run, setup, points_blake3))
    }

    /// Of a run whose `points.jsonl` has this BLAKE3 hash, hexadecimal.
    pub fn with_points(run: &Run, setup: &Setup, points_blake3: String) -> Self {
        Self {
            folder: run.folder.display().to_string(),
            title: setup.test.title.clone(),
            damper: setup.test.damper.clone(),
            version: run.record.version.clone(),
            state: run.record.state,
            setup_blake3: blake3::hash(run.setup_text.as_bytes()).to_hex().to_string(),
            points_blake3,
            recordings: run
                .record
                .sources
                .iter()
                .flat_map(|source| source.files.clone())
                .collect(),
            exclusions: run.exclusions(),
        }
    }

    /// Whether the two runs were read from the same recording.
    pub fn shares_recording(&self, other: &Self) -> bool {
        self.recordings.iter().any(|ours| {
            ours.blake3.is_some() && other.recordings.iter().any(|o| o.blake3 == ours.blake3)
        })
    }
}

fn hash_of(path: &Path) -> Result<String, LedgerError> {
    hash_of_file(path).map_err(LedgerError::io(path, "read"))
}

/// Begins the record of a reduction that is about to be written.
pub fn reduction(run: RunIdentity, baseline: Option<RunIdentity>, reduced: &Reduced) -> Reduction {
    Reduction {
        program: env!("CARGO_PKG_NAME").to_owned(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        target: Some(target()),
        arithmetic: ARITHMETIC_VERSION,
        run,
        baseline,
        bare_losses: reduced.bare.clone(),
        bare_points: Vec::new(),
        fixed_sensors: None,
        curves: Vec::new(),
        judgements: reduced.judgements.clone(),
        outcome: reduced.outcome,
        method_checks: reduced.checks.clone(),
        decay_range_mm_s: None,
        decays: Vec::new(),
        notes: Vec::new(),
        reduced_blake3: String::new(),
    }
}

/// Puts a reduction into a run folder and notes it in the log of results; each
/// file is at every moment the old or the new one. Fails while another program writes to the folder.
pub fn write_reduction(
    folder: &Path,
    points: &[ReducedPoint],
    reduction: &mut Reduction,
    written_utc: jiff::Timestamp,
) -> Result<(), LedgerError> {
    let _lock = lock(folder)?;
    let path = folder.join(REDUCED_FILE);
    let text = json_lines(points).map_err(|error| LedgerError::io(&path, "write")(error.into()))?;
    lines::replace(&path, &text)?;
    let table = folder.join(REDUCED_TABLE_FILE);
    let bytes =
        points_csv(points).map_err(|error| LedgerError::io(&table, "write")(error.into()))?;
    lines::replace(&table, &bytes)?;
    reduction.reduced_blake3 = blake3::hash(&text).to_hex().to_string();
    let record = folder.join(REDUCTION_FILE);
    let mut json = serde_json::to_vec_pretty(reduction)
        .map_err(|error| LedgerError::io(&record, "write")(error.into()))?;
    json.push(b'\n');
    lines::replace(&record, &json)?;
    log_result(folder, REDUCTION_FILE, written_utc)
}

/// A reduction read back.
#[derive(Debug, Clone, PartialEq)]
pub enum ReadReduction {
    /// The run was never reduced.
    None,
    /// It was, but what it rests on has changed since: `reduce` has to be run again.
    Stale(Stale),
    /// It was, and holds.
    Whole(Box<Reduction>, Vec<ReducedPoint>),
}

/// What a reduction does not know of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stale {
    /// The points are others.
    Points,
    /// Points were excluded, or exclusions taken back.
    Exclusions,
}

impl Stale {
    /// In a sentence.
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Points => "The points have changed since the run was reduced.",
            Self::Exclusions => {
                "Points were excluded, or exclusions taken back, since the run was reduced."
            }
        }
    }
}

/// Reads the reduction of a run folder; `run`: the same folder, as it was read.
///
/// # Errors
/// Where a file of it cannot be read, is gone, or is not what `reduce` wrote.
pub fn read_reduction(run: &Run) -> Result<ReadReduction, LedgerError> {
    let folder = run.folder.as_path();
    let path = folder.join(REDUCTION_FILE);
    let text = match std::fs::read(&path) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            // If there ever was one, it has to be there.
            check_result(folder, REDUCTION_FILE)?;
            return Ok(ReadReduction::None);
        }
        Err(error) => return Err(LedgerError::io(&path, "read")(error)),
    };
    check_result(folder, REDUCTION_FILE)?;
    let reduction: Reduction =
        serde_json::from_slice(&text).map_err(|error| LedgerError::Damaged {
            line: error.line().max(1),
            path,
            what: error.to_string(),
        })?;
    let reduced = folder.join(REDUCED_FILE);
    if hash_of(&folder.join(POINTS_FILE))? != reduction.run.points_blake3 {
        return Ok(ReadReduction::Stale(Stale::Points));
    }
    if hash_of(&reduced)? != reduction.reduced_blake3 {
        return Err(LedgerError::Altered {
            path: reduced,
            what: format!("it is not what {REDUCTION_FILE} was written with; reduce the run again"),
        });
    }
    if run.exclusions() != reduction.run.exclusions {
        return Ok(ReadReduction::Stale(Stale::Exclusions));
    }
    let points = lines::read::<ReducedPoint>(&reduced)?;
    Ok(ReadReduction::Whole(Box::new(reduction), points.values))
}
