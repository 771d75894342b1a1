//! The runs of a list, several at a time.
//!
//! In: an [`ArchiveList`]. Out: a run folder each, reduced where a bare run is named,
//! its tables as Parquet, and what came of each in the order of the list. A run that
//! fails is told and does not stop the rest; what is done and has not changed since is not
//! done again. First all runs are made, then those with a bare run are reduced: the order
//! of the list need not say who needs whom.

use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;

use serde::Serialize;

use super::archive_folder::{ARCHIVE_FILE, drop_other_tables, has_tables, write_tables};
use super::archive_list::{ArchiveEntry, ArchiveList, Baseline};
use super::assigned::is_recording;
use super::run::{ReprocessError, ReprocessRequest, ReprocessWatch, Reprocessed, reprocess};
use super::unchanged::{standing_reduction, unchanged_run};
use crate::evaluation::criteria::Outcome;
use crate::ledger::{LedgerError, PointCounts, REPORT_FILE, RunRecord, SourceRecord, lines, lock};
use crate::pipeline::{ReplayOptions, StopReason, in_one_line};
use crate::report::report_file::write_report;
use crate::report::run_evaluation::{EvaluationRequest, evaluate_run};

/// How far it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ArchiveProgress {
    /// Bytes of recordings read.
    pub bytes: u64,
    /// Bytes of recordings to read; less once a run turns out to be done.
    pub total_bytes: u64,
    /// Runs ended.
    pub runs: usize,
    /// Of these, failed.
    pub failed: usize,
}

/// How a run of an archive stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Completion {
    /// Made from all its recordings, and reduced where a bare run is named.
    Done,
    /// Ended by a fault; what came before is in its folder.
    Failed,
    /// Stopped on request, or not begun by then.
    Open,
}

impl Completion {
    /// As the table has it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::Failed => "failed",
            Self::Open => "open",
        }
    }
}

/// What came of one run.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ArchivedRun {
    /// Its name in the list.
    pub run: String,
    /// How it stands.
    pub state: Completion,
    /// Why it failed.
    pub reason: Option<String>,
    /// Whether it had been made before and nothing has changed since.
    pub unchanged: bool,
    /// Its recordings.
    pub recordings: usize,
    /// What they hold, s, those of the first source.
    pub recorded_s: f64,
    /// Its points by verdict.
    pub points: PointCounts,
    /// Of all criteria together.
    pub verdict: Option<Outcome>,
    /// What whoever reads it has to know.
    pub notes: Vec<String>,
    /// Whether a device was at fault rather than the input.
    #[serde(skip)]
    pub device_failed: bool,
}

impl ArchivedRun {
    fn open(entry: &ArchiveEntry) -> Self {
        Self {
            run: entry.run.clone(),
            state: Completion::Open,
            reason: None,
            unchanged: false,
            recordings: 0,
            recorded_s: 0.0,
            points: PointCounts::default(),
            verdict: None,
            notes: Vec::new(),
            device_failed: false,
        }
    }

    fn counted(mut self, record: &RunRecord) -> Self {
        self.points = record.points;
        self.recordings = record.sources.iter().map(|source| source.files.len()).sum();
        let seconds = |source: &SourceRecord| source.frames as f64 / source.rate_hz;
        self.recorded_s = record.sources.first().map_or(0.0, seconds);
        self
    }

    fn failed(mut self, reason: String, device_failed: bool) -> Self {
        self.state = Completion::Failed;
        self.reason = Some(reason);
        self.device_failed = device_failed;
        self
    }
}

/// So many runs are under way for each thread: while one waits for the disk to have taken a point,
/// another reckons.
const RUNS_A_THREAD: usize = 2;

/// Works through a list, two runs at a time for each of `options.threads`. Back comes what came of
/// each run, in the order of the list, which is also in [`ARCHIVE_FILE`].
///
/// # Errors
/// Where the archive's folder cannot be made or written, or another program works on it.
pub fn reprocess_archive(
    list: &ArchiveList,
    out: &Path,
    options: ReplayOptions,
    stop: &Arc<AtomicBool>,
    watch: &(dyn Fn(ArchiveProgress) + Sync),
) -> Result<Vec<ArchivedRun>, LedgerError> {
    std::fs::create_dir_all(out).map_err(LedgerError::io(out, "create the folder"))?;
    let _lock = lock(out)?;
    let sizes: Vec<u64> = list
        .entries
        .iter()
        .map(|entry| recorded_bytes(&list.base, entry))
        .collect();
    let shared = Shared {
        bytes: AtomicU64::new(0),
        total_bytes: AtomicU64::new(sizes.iter().sum()),
        runs: AtomicUsize::new(0),
        failed: AtomicUsize::new(0),
        watch,
    };
    let work = Work {
        list,
        out,
        // More threads than runs go into the runs.
        options: ReplayOptions {
            threads: (options.threads / list.entries.len().max(1)).max(1),
            ..options
        },
        stop,
        shared: &shared,
    };
    // The longest first, so that none of them is left for the end.
    let mut order: Vec<(usize, &ArchiveEntry, u64)> = (0..)
        .zip(&list.entries)
        .zip(sizes)
        .map(|((place, entry), bytes)| (place, entry, bytes))
        .collect();
    order.sort_by_key(|(_, _, bytes)| std::cmp::Reverse(*bytes));

    let mut runs: Vec<ArchivedRun> = list.entries.iter().map(ArchivedRun::open).collect();
    let at_once = RUNS_A_THREAD * options.threads;
    let made = in_turns(at_once, &order, stop, |(place, entry, bytes)| {
        (*place, work.make(entry, *bytes))
    });
    put(&mut runs, made);
    let concluded = in_turns(at_once, &order, stop, |(place, entry, _)| {
        (*place, work.conclude(entry, *place, &runs))
    });
    let is_concluded: Vec<usize> = concluded.iter().map(|(place, _)| *place).collect();
    put(&mut runs, concluded);
    for (place, run) in runs.iter_mut().enumerate() {
        if run.state == Completion::Done && !is_concluded.contains(&place) {
            run.state = Completion::Open;
        }
    }

    let done = runs.iter().filter(|run| run.state == Completion::Done);
    drop_other_tables(out, &done.map(|run| run.run.as_str()).collect())?;
    let path = out.join(ARCHIVE_FILE);
    let table =
        archive_csv(&runs).map_err(|error| LedgerError::io(&path, "write")(error.into()))?;
    lines::replace(&path, &table)?;
    Ok(runs)
}

fn put(runs: &mut [ArchivedRun], results: Vec<(usize, ArchivedRun)>) {
    for (place, result) in results {
        if let Some(run) = runs.get_mut(place) {
            *run = result;
        }
    }
}

/// Does `work` on each item, on several threads, begun in their order; what was begun by
/// the time of a stop comes back, in any order.
fn in_turns<Item: Sync, Done: Send>(
    threads: usize,
    items: &[Item],
    stop: &AtomicBool,
    work: impl Fn(&Item) -> Done + Sync,
) -> Vec<Done> {
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(items.len()));
    thread::scope(|scope| {
        for _ in 0..threads.clamp(1, items.len().max(1)) {
            scope.spawn(|| {
                while !stop.load(Ordering::Relaxed)
                    && let Some(item) = items.get(next.fetch_add(1, Ordering::Relaxed))
                {
                    let result = work(item);
                    done.lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push(result);
                }
            });
        }
    });
    done.into_inner().unwrap_or_else(PoisonError::into_inner)
}

/// Bytes of the recordings that a row names, as far as they are found.
fn recorded_bytes(base: &Path, entry: &ArchiveEntry) -> u64 {
    let bytes = |path: &Path| path.metadata().map_or(0, |metadata| metadata.len());
    let named = entry.recordings.iter().map(|argument| {
        let path = base.join(argument);
        match argument.split_once('=') {
            Some((_, file)) if !path.exists() => base.join(file),
            _ => path,
        }
    });
    named
        .map(|path| match path.read_dir() {
            Ok(files) => files
                .flatten()
                .map(|file| file.path())
                .filter(|file| is_recording(file))
                .map(|file| bytes(&file))
                .sum(),
            Err(_) => bytes(&path),
        })
        .sum()
}

/// What the threads share.
struct Shared<'a> {
    bytes: AtomicU64,
    total_bytes: AtomicU64,
    runs: AtomicUsize,
    failed: AtomicUsize,
    watch: &'a (dyn Fn(ArchiveProgress) + Sync),
}

impl Shared<'_> {
    fn tell(&self) {
        (self.watch)(ArchiveProgress {
            bytes: self.bytes.load(Ordering::Relaxed),
            total_bytes: self.total_bytes.load(Ordering::Relaxed),
            runs: self.runs.load(Ordering::Relaxed),
            failed: self.failed.load(Ordering::Relaxed),
        });
    }
}

struct Work<'a> {
    list: &'a ArchiveList,
    out: &'a Path,
    options: ReplayOptions,
    stop: &'a Arc<AtomicBool>,
    shared: &'a Shared<'a>,
}

impl Work<'_> {
    /// Makes a run folder, unless what is there is what would come out.
    fn make(&self, entry: &ArchiveEntry, bytes: u64) -> ArchivedRun {
        let folder = self.out.join(&entry.run);
        let begun = ArchivedRun::open(entry);
        let run = if let Some(record) = unchanged_run(entry, &self.list.base, &folder) {
            self.shared.total_bytes.fetch_sub(bytes, Ordering::Relaxed);
            ArchivedRun {
                state: Completion::Done,
                unchanged: true,
                ..begun.counted(&record)
            }
        } else {
            let mut watch = OneOfMany {
                notes: Vec::new(),
                frames: 0,
                bytes,
                told: 0,
                shared: self.shared,
            };
            let request = ReprocessRequest {
                setup: &entry.setup,
                recordings: &entry.recordings,
                base: &self.list.base,
                baseline: None,
                out: &folder,
                replace: true,
                options: self.options,
            };
            let made = reprocess(request, self.stop, &mut watch);
            watch.tell(bytes);
            let run = match made {
                Ok(Reprocessed { record, reason, .. }) => {
                    let run = begun.counted(&record);
                    match reason {
                        StopReason::Complete => ArchivedRun {
                            state: Completion::Done,
                            ..run
                        },
                        StopReason::Asked => run,
                        StopReason::SourceFailed { .. } => run.failed(reason.to_string(), false),
                        _ => run.failed(reason.to_string(), true),
                    }
                }
                Err(error) => {
                    let device_failed = matches!(error, ReprocessError::Device(_));
                    begun.failed(error.to_string(), device_failed)
                }
            };
            ArchivedRun {
                notes: watch.notes,
                ..run
            }
        };
        self.shared.runs.fetch_add(1, Ordering::Relaxed);
        let failed = usize::from(run.state == Completion::Failed);
        self.shared.failed.fetch_add(failed, Ordering::Relaxed);
        self.shared.tell();
        run
    }

    /// Reduces a run that was made against its bare run, and writes its tables.
    fn conclude(&self, entry: &ArchiveEntry, place: usize, made: &[ArchivedRun]) -> ArchivedRun {
        let run = made.get(place).cloned();
        let run = run.unwrap_or_else(|| ArchivedRun::open(entry));
        if run.state != Completion::Done {
            return run;
        }
        match self.reduced(entry, &run, made) {
            Ok((verdict, is_new)) => {
                let folder = self.out.join(&entry.run);
                let run = ArchivedRun { verdict, ..run };
                if run.unchanged && !is_new && has_tables(self.out, &entry.run) {
                    return run;
                }
                match write_tables(self.out, &entry.run, &folder) {
                    Ok(()) => run,
                    Err(error) => run.failed(in_one_line(&error), true),
                }
            }
            Err(error) => run.failed(in_one_line(&error), false),
        }
    }

    /// The verdict, and whether it was found just now.
    fn reduced(
        &self,
        entry: &ArchiveEntry,
        run: &ArchivedRun,
        made: &[ArchivedRun],
    ) -> anyhow::Result<(Option<Outcome>, bool)> {
        let bare: PathBuf = match &entry.baseline {
            None => return Ok((None, false)),
            Some(Baseline::Folder(folder)) => folder.clone(),
            Some(Baseline::Listed(place)) => {
                let bare = made.get(*place);
                let bare = bare
                    .filter(|bare| bare.state == Completion::Done)
                    .ok_or_else(|| {
                        let name = self.list.entries.get(*place).map_or("", |entry| &entry.run);
                        anyhow::anyhow!(
                            "its bare run \"{name}\" was not made: see there; the points stand"
                        )
                    })?;
                self.out.join(&bare.run)
            }
        };
        let folder = self.out.join(&entry.run);
        if run.unchanged
            && let Some(reduction) = standing_reduction(&folder, &bare)
        {
            return Ok((reduction.outcome, false));
        }
        let mut evaluated = evaluate_run(EvaluationRequest {
            run: &folder,
            baseline: Some(&bare),
            decay_range_mm_s: None,
        })?;
        evaluated.write(&folder, jiff::Timestamp::now())?;
        write_report(&folder, &folder.join(REPORT_FILE), jiff::Timestamp::now())?;
        Ok((evaluated.reduction.outcome, true))
    }
}

/// Counts the bytes of one run among those of all.
struct OneOfMany<'a> {
    notes: Vec<String>,
    frames: u64,
    bytes: u64,
    told: u64,
    shared: &'a Shared<'a>,
}

impl OneOfMany<'_> {
    fn tell(&mut self, bytes: u64) {
        let more = bytes.min(self.bytes).saturating_sub(self.told);
        self.told += more;
        self.shared.bytes.fetch_add(more, Ordering::Relaxed);
        self.shared.tell();
    }
}

impl ReprocessWatch for OneOfMany<'_> {
    fn note(&mut self, note: &str) {
        self.notes.push(note.to_owned());
    }

    fn begins(&mut self, frames: u64) {
        self.frames = frames;
    }

    fn progress(&mut self, frames: u64, _points: usize) {
        let share = frames as f64 / self.frames.max(1) as f64;
        self.tell((share * self.bytes as f64) as u64);
    }
}

/// The table of an archive: a row a run, the same whether it was made now or before.
///
/// # Errors
/// Where a row cannot be written.
pub fn archive_csv(runs: &[ArchivedRun]) -> Result<Vec<u8>, csv::Error> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    csv.write_record([
        "run",
        "state",
        "reason",
        "recordings",
        "recorded_s",
        "held",
        "steady",
        "off_peak",
        "rejected",
        "verdict",
    ])?;
    for run in runs {
        csv.write_record([
            run.run.clone(),
            run.state.word().to_owned(),
            run.reason.clone().unwrap_or_default(),
            run.recordings.to_string(),
            run.recorded_s.to_string(),
            run.points.held.to_string(),
            run.points.steady.to_string(),
            run.points.off_peak.to_string(),
            run.points.rejected.to_string(),
            run.verdict.map_or("", Outcome::word).to_lowercase(),
        ])?;
    }
    csv.into_inner()
        .map_err(|error| csv::Error::from(error.into_error()))
}
