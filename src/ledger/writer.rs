//! The one who writes a run folder.

use std::collections::HashSet;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::chain::ChainEnd;
use super::lines::{self, LineFile};
use super::locks::lock;
use super::notes;
use super::trace;
use super::{
    EVENTS_FILE, EVIDENCE_FILE, FileRecord, LOCK_FILE, LedgerError, LogEnds, NOTES_FILE, PAGE_FILE,
    POINTS_FILE, PointEvidence, RECORDINGS_FOLDER, REDUCED_FILE, REDUCED_TABLE_FILE,
    REDUCTION_FILE, REPORT_FILE, RESULTS_FILE, RESULTS_LOCK_FILE, RUN_FILE, RunRecord, RunState,
    SEAL_FILE, SEAL_SIGNATURE_FILE, SETUP_FILE, SourceRecord, TABLE_FILE, TRACE_FILE, points_csv,
};
use crate::analysis::{Event, Evidence, TraceRow};
use crate::ingest::sidecar::hash_of_file;
use crate::maths::ARITHMETIC_VERSION;
use crate::recorder::{OpenAs, Storage, StoredFile, SystemStorage, folder_of, in_the_making};
use crate::reduction::SettledPoint;

/// What a command makes anew, and may therefore remove when it replaces a
/// run. Recordings and notes are never among them.
const RESULTS: [&str; 14] = [
    RUN_FILE,
    SETUP_FILE,
    POINTS_FILE,
    EVIDENCE_FILE,
    EVENTS_FILE,
    TRACE_FILE,
    TABLE_FILE,
    REDUCED_FILE,
    REDUCED_TABLE_FILE,
    REDUCTION_FILE,
    REPORT_FILE,
    RESULTS_FILE,
    SEAL_FILE,
    SEAL_SIGNATURE_FILE,
];

/// A run folder, open for writing and locked against a second writer.
#[derive(Debug)]
pub struct Ledger {
    folder: PathBuf,
    storage: Arc<dyn Storage>,
    record: RunRecord,
    points: LineFile,
    evidence: LineFile,
    events: LineFile,
    trace: csv::Writer<StoredFile>,
    next_point: u64,
    /// What the run already held when it was gone on with.
    before: Before,
    /// Held, not read: the lock goes when the file is closed, also when the
    /// process is killed.
    _lock: File,
}

/// What a run held when it was gone on with.
#[derive(Debug, Default)]
struct Before {
    points_end_s: Option<f64>,
    trace_end_s: Option<f64>,
    events: HashSet<String>,
}

/// What was found in a run that is gone on with.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The points so far.
    pub points: Vec<SettledPoint>,
    /// The record as the last session left it.
    pub record: RunRecord,
    /// Torn lines that were cut off; they were never acknowledged.
    pub notes: Vec<String>,
}

impl Ledger {
    /// Begins a run in a folder that is new or empty.
    ///
    /// With `replace`, the results of an earlier `reprocess` there are
    /// removed first. A capture is never replaced.
    pub fn create(
        folder: &Path,
        setup_text: &[u8],
        record: RunRecord,
        replace: bool,
    ) -> Result<Self, LedgerError> {
        Self::create_on(SystemStorage::shared(), folder, setup_text, record, replace)
    }

    /// The same on a storage that is handed in.
    pub fn create_on(
        storage: Arc<dyn Storage>,
        folder: &Path,
        setup_text: &[u8],
        record: RunRecord,
        replace: bool,
    ) -> Result<Self, LedgerError> {
        make_folder(&storage, folder)?;
        let lock = lock(folder)?;
        if is_occupied(folder)? {
            may_replace(folder, replace)?;
            // What people said of the dwells stays, and stays put down.
            let notes = notes::kept(folder, record.started_utc)?;
            for name in RESULTS {
                let path = folder.join(name);
                if let (RESULTS_FILE, Some(log)) = (name, &notes) {
                    lines::replace_on(&storage, &path, log)?;
                    continue;
                }
                match storage.remove(&path) {
                    Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                        return Err(LedgerError::io(&path, "remove")(error));
                    }
                    _ => {}
                }
            }
        }
        // First of all, so that whatever happens next the folder says whose
        // it is.
        record.write(&storage, folder)?;
        lines::replace_on(&storage, &folder.join(SETUP_FILE), setup_text)?;
        let chains = [(); 3].map(|()| Some(ChainEnd::default()));
        Self::open_files(storage, folder, record, lock, 1, Before::default(), chains)
    }

    /// Keeps a required curve that the setup names at the same relative path in
    /// the folder.
    ///
    /// # Errors
    /// Where it cannot be written, and where it would take the place of a file
    /// of the run.
    pub fn carry(&mut self, relative: &str, text: &[u8]) -> Result<(), LedgerError> {
        self.keep(relative, text, "curve")?;
        self.know(relative, text)
    }

    /// The same of a picture.
    ///
    /// # Errors
    /// As [`Self::carry`].
    pub fn carry_picture(&mut self, relative: &str, bytes: &[u8]) -> Result<(), LedgerError> {
        self.keep(relative, bytes, "picture")?;
        self.know_picture(relative, bytes)
    }

    /// The same of the matching that the points rest on.
    ///
    /// # Errors
    /// As [`Self::carry`].
    pub fn carry_matching(&mut self, relative: &str, text: &[u8]) -> Result<(), LedgerError> {
        self.keep(relative, text, "matching")?;
        self.record.matching = Some(file_record(relative, text));
        self.record.write(&self.storage, &self.folder)
    }

    fn keep(&self, relative: &str, bytes: &[u8], what: &str) -> Result<(), LedgerError> {
        let path = self.folder().join(relative);
        let own = |name: &str| path == self.folder.join(name);
        if RESULTS
            .into_iter()
            .chain([
                LOCK_FILE,
                RESULTS_LOCK_FILE,
                NOTES_FILE,
                PAGE_FILE,
                RECORDINGS_FOLDER,
            ])
            .any(own)
        {
            return Err(LedgerError::Occupied {
                path,
                what: format!("a {what} of the setup has the name of a file of the run"),
                right: format!("give the {what} another name"),
            });
        }
        if let Some(parent) = path.parent() {
            self.storage
                .create_folder(parent)
                .map_err(LedgerError::io(parent, "create"))?;
        }
        lines::replace_on(&self.storage, &path, bytes)
    }

    /// Puts the hash of a required curve into the record.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn know(&mut self, curve: &str, text: &[u8]) -> Result<(), LedgerError> {
        put_hash(&mut self.record.curves, curve, text);
        self.record.write(&self.storage, &self.folder)
    }

    /// Puts the hash of a picture into the record.
    ///
    /// # Errors
    /// Where it cannot be written.
    pub fn know_picture(&mut self, picture: &str, bytes: &[u8]) -> Result<(), LedgerError> {
        put_hash(&mut self.record.pictures, picture, bytes);
        self.record.write(&self.storage, &self.folder)
    }

    /// Goes on with the run in a folder: torn last lines are cut off, points
    /// are numbered on, and nothing is written twice.
    pub fn resume(folder: &Path, setup_text: &[u8]) -> Result<(Self, Found), LedgerError> {
        Self::resume_on(SystemStorage::shared(), folder, setup_text)
    }

    /// The same on a storage that is handed in.
    pub fn resume_on(
        storage: Arc<dyn Storage>,
        folder: &Path,
        setup_text: &[u8],
    ) -> Result<(Self, Found), LedgerError> {
        let lock = lock(folder)?;
        let found_record = RunRecord::read(folder)?;
        same_setup(
            &storage,
            &folder.join(SETUP_FILE),
            setup_text,
            &found_record,
        )?;
        let mut notes = Vec::new();
        let points = lines::read::<SettledPoint>(&folder.join(POINTS_FILE))?;
        let last_point = points.values.last().map_or(0, |point| point.point);
        let points_end = points.ends.last().copied().unwrap_or(0);
        cut_torn(
            &storage,
            &folder.join(POINTS_FILE),
            points_end,
            points.length,
        )?;
        // Evidence whose point never reached the disk goes too: its number
        // will be given again.
        let evidence = lines::read::<PointEvidence>(&folder.join(EVIDENCE_FILE))?;
        let evidence_end = (evidence.values.iter().zip(&evidence.ends))
            .take_while(|(line, _)| line.point <= last_point)
            .last()
            .map_or(0, |(_, end)| *end);
        cut_torn(
            &storage,
            &folder.join(EVIDENCE_FILE),
            evidence_end,
            evidence.length,
        )?;
        let events = lines::read::<Event>(&folder.join(EVENTS_FILE))?;
        let events_end = events.ends.last().copied().unwrap_or(0);
        cut_torn(
            &storage,
            &folder.join(EVENTS_FILE),
            events_end,
            events.length,
        )?;
        // Of the evidence only what was kept.
        let kept = lines::read::<PointEvidence>(&folder.join(EVIDENCE_FILE))?;
        let chains = [
            points.end(&folder.join(POINTS_FILE))?,
            kept.end(&folder.join(EVIDENCE_FILE))?,
            events.end(&folder.join(EVENTS_FILE))?,
        ];
        notes.extend(
            [points.note, evidence.note, events.note]
                .into_iter()
                .flatten(),
        );

        let mut record = found_record.clone();
        record.state = RunState::Running;
        record.reason = None;
        record.ended_utc = None;
        record.sessions += 1;
        record.arithmetic = record.arithmetic.min(ARITHMETIC_VERSION);
        record.logs = None;
        record.points = super::PointCounts::default();
        points
            .values
            .iter()
            .for_each(|point| record.points.add(point.verdict));
        record.events = events.values.len() as u64;
        record.write(&storage, folder)?;
        let before = Before {
            points_end_s: points.values.last().map(|point| point.end_s),
            trace_end_s: cut_trace(&storage, &folder.join(TRACE_FILE))?,
            events: events.values.iter().filter_map(key).collect(),
        };
        let ledger = Self::open_files(
            storage,
            folder,
            record,
            lock,
            last_point + 1,
            before,
            chains,
        )?;
        let found = Found {
            points: points.values,
            record: found_record,
            notes,
        };
        Ok((ledger, found))
    }

    fn open_files(
        storage: Arc<dyn Storage>,
        folder: &Path,
        record: RunRecord,
        lock: File,
        next_point: u64,
        before: Before,
        [points, evidence, events]: [Option<ChainEnd>; 3],
    ) -> Result<Self, LedgerError> {
        let trace_path = folder.join(TRACE_FILE);
        let file = StoredFile::open(&storage, &trace_path, OpenAs::Appended)
            .map_err(LedgerError::io(&trace_path, "create"))?;
        let has_rows = file.length().is_ok_and(|length| length > 0);
        let ledger = Self {
            points: LineFile::open(&storage, &folder.join(POINTS_FILE), points)?,
            evidence: LineFile::open(&storage, &folder.join(EVIDENCE_FILE), evidence)?,
            events: LineFile::open(&storage, &folder.join(EVENTS_FILE), events)?,
            trace: trace::writer(file, has_rows),
            folder: folder.to_owned(),
            storage,
            record,
            next_point,
            before,
            _lock: lock,
        };
        lines::sync_folder(&ledger.storage, folder)?;
        Ok(ledger)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// The record as it stands.
    pub fn record(&self) -> &RunRecord {
        &self.record
    }

    /// Puts down what the sources are; on the disk when this returns.
    pub fn sources(&mut self, sources: Vec<SourceRecord>) -> Result<(), LedgerError> {
        self.record.sources = sources;
        self.record.write(&self.storage, &self.folder)
    }

    /// Gives a point its number and writes it. When this returns, the point
    /// and its evidence are on the disk and may be announced; those of a run that
    /// is made of recordings are on it when the run is closed.
    ///
    /// `None`: the run held this point already before it was gone on with.
    pub fn point(
        &mut self,
        point: SettledPoint,
        evidence: Evidence,
    ) -> Result<Option<SettledPoint>, LedgerError> {
        // Dwells come in order of time and never overlap.
        if self
            .before
            .points_end_s
            .is_some_and(|end_s| point.start_s < end_s)
        {
            return Ok(None);
        }
        let point = SettledPoint {
            point: self.next_point,
            ..point
        };
        self.evidence.append(&PointEvidence {
            point: point.point,
            evidence,
        })?;
        // What is made of recordings can be made again: it is synced at the end.
        let is_capture = self.record.is_capture();
        if is_capture {
            self.evidence.sync()?;
        }
        self.points.append(&point)?;
        if is_capture {
            self.points.sync()?;
        }
        self.points.is_in_place()?;
        self.next_point += 1;
        self.record.points.add(point.verdict);
        self.flush()?;
        Ok(Some(point))
    }

    /// Writes an event. Returns whether it is new to the run.
    pub fn event(&mut self, event: &Event) -> Result<bool, LedgerError> {
        if key(event).is_some_and(|key| self.before.events.contains(&key)) {
            return Ok(false);
        }
        self.events.append(event)?;
        self.record.events += 1;
        Ok(true)
    }

    /// Writes a row of the trace; buffered until the next point, [`Self::flush`]
    /// or the end.
    pub fn trace(&mut self, row: &TraceRow) -> Result<(), LedgerError> {
        if self
            .before
            .trace_end_s
            .is_some_and(|end_s| row.time_s <= end_s)
        {
            return Ok(());
        }
        self.trace
            .serialize(row)
            .map_err(|error| LedgerError::io(&self.folder.join(TRACE_FILE), "write")(error.into()))
    }

    /// Hands buffered trace rows to the system, and makes sure that the folder
    /// is still there.
    pub fn flush(&mut self) -> Result<(), LedgerError> {
        self.points.is_in_place()?;
        self.trace
            .flush()
            .map_err(LedgerError::io(&self.folder.join(TRACE_FILE), "write"))
    }

    /// Ends the run at `now_utc`: everything synced, `points.csv` and the last
    /// `run.json` written.
    pub fn close(
        mut self,
        state: RunState,
        reason: Option<String>,
        now_utc: jiff::Timestamp,
    ) -> Result<RunRecord, LedgerError> {
        self.flush()?;
        self.evidence.sync()?;
        self.points.sync()?;
        self.trace
            .get_ref()
            .sync()
            .map_err(LedgerError::io(&self.folder.join(TRACE_FILE), "sync"))?;
        self.events.sync()?;
        let table = self.folder.join(TABLE_FILE);
        let points = lines::read::<SettledPoint>(&self.folder.join(POINTS_FILE))?;
        let bytes = points_csv(&points.values)
            .map_err(|error| LedgerError::io(&table, "write")(error.into()))?;
        lines::replace_on(&self.storage, &table, &bytes)?;
        self.record.logs = self.log_ends()?;
        self.record.state = state;
        self.record.reason = reason;
        self.record.ended_utc = Some(now_utc);
        self.record.write(&self.storage, &self.folder)?;
        Ok(self.record)
    }

    /// What the logs end with; `None` where one was begun without chain values.
    fn log_ends(&self) -> Result<Option<LogEnds>, LedgerError> {
        let trace = self.folder.join(TRACE_FILE);
        let (Some(points), Some(evidence), Some(events)) =
            (self.points.end(), self.evidence.end(), self.events.end())
        else {
            return Ok(None);
        };
        Ok(Some(LogEnds {
            points: points.clone(),
            evidence: evidence.clone(),
            events: events.clone(),
            trace_blake3: hash_of_file(&trace).map_err(LedgerError::io(&trace, "read"))?,
        }))
    }
}

fn key(event: &Event) -> Option<String> {
    serde_json::to_string(event).ok()
}

fn make_folder(storage: &Arc<dyn Storage>, folder: &Path) -> Result<(), LedgerError> {
    if folder.is_dir() {
        return Ok(());
    }
    storage
        .create_folder(folder)
        .map_err(LedgerError::io(folder, "create the folder"))?;
    lines::sync_folder(storage, folder_of(folder))
}

fn is_occupied(folder: &Path) -> Result<bool, LedgerError> {
    for entry in std::fs::read_dir(folder).map_err(LedgerError::io(folder, "read"))? {
        let entry = entry.map_err(LedgerError::io(folder, "read"))?;
        // Where the power went before anything else, there is the beginning of
        // a record that never became one.
        let name = entry.file_name();
        if name != LOCK_FILE && name != in_the_making(RUN_FILE).as_str() {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Whether what is in the folder may be replaced; if not, says what to do.
fn may_replace(folder: &Path, replace: bool) -> Result<(), LedgerError> {
    let occupied = |what: String, right: &str| {
        Err(LedgerError::Occupied {
            path: folder.to_owned(),
            what,
            right: right.to_owned(),
        })
    };
    if !folder.join(RUN_FILE).exists() {
        return occupied(
            format!("the folder is not empty and holds no run ({RUN_FILE} is missing)"),
            "name a new or an empty folder",
        );
    }
    let record = RunRecord::read(folder)?;
    let counts = record.points;
    let what = format!(
        "the folder holds a run ({}, begun {}, {} points)",
        record.command,
        record.started_utc.strftime("%Y-%m-%d %H:%M:%S UTC"),
        counts.held + counts.steady + counts.off_peak + counts.rejected
    );
    if record.is_capture() {
        return occupied(
            what,
            "what a capture logged is never replaced: name another folder",
        );
    }
    if replace {
        return Ok(());
    }
    occupied(
        what,
        "name another folder, or give --force to replace its results",
    )
}

fn same_setup(
    storage: &Arc<dyn Storage>,
    path: &Path,
    setup_text: &[u8],
    record: &RunRecord,
) -> Result<(), LedgerError> {
    let before = match std::fs::read(path) {
        // The record of the run comes first: the power may have gone between.
        Err(error)
            if error.kind() == std::io::ErrorKind::NotFound
                && record.setup_blake3 == blake3::hash(setup_text).to_hex().as_str() =>
        {
            return lines::replace_on(storage, path, setup_text);
        }
        read => read.map_err(LedgerError::io(path, "read"))?,
    };
    if before == setup_text {
        return Ok(());
    }
    let same = before
        .split(|&byte| byte == b'\n')
        .zip(setup_text.split(|&byte| byte == b'\n'))
        .take_while(|(a, b)| a == b)
        .count();
    Err(LedgerError::OtherSetup {
        path: path.to_owned(),
        line: same + 1,
    })
}

fn cut_torn(
    storage: &Arc<dyn Storage>,
    path: &Path,
    end: u64,
    length: u64,
) -> Result<(), LedgerError> {
    if end < length {
        lines::cut(storage, path, end)?;
    }
    Ok(())
}

/// Cuts a torn last row off the trace; the time of its last whole row.
fn cut_trace(storage: &Arc<dyn Storage>, path: &Path) -> Result<Option<f64>, LedgerError> {
    let bytes = match std::fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(LedgerError::io(path, "read")(error)),
    };
    let end = bytes
        .iter()
        .rposition(|&byte| byte == b'\n')
        .map_or(0, |last| last + 1);
    cut_torn(storage, path, end as u64, bytes.len() as u64)?;
    let text = String::from_utf8_lossy(bytes.get(..end).unwrap_or_default());
    Ok(text
        .lines()
        .next_back()
        .and_then(|row| row.split(',').next())
        .and_then(|time_s| time_s.parse().ok()))
}

/// Puts the hash of a file that was carried along, or is only known, in its place.
fn put_hash(known: &mut Vec<FileRecord>, name: &str, bytes: &[u8]) {
    known.retain(|other| other.path != name);
    known.push(file_record(name, bytes));
}

fn file_record(name: &str, bytes: &[u8]) -> FileRecord {
    FileRecord {
        path: name.to_owned(),
        bytes: bytes.len() as u64,
        blake3: Some(blake3::hash(bytes).to_hex().to_string()),
        ..FileRecord::default()
    }
}
