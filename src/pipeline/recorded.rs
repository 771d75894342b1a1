//! The recordings of a run, opened: the stretches that its samples make.
//!
//! In: the setup and the recordings of each of its sources. Out: what a replay
//! reads, stretch by stretch, each with its place in the time of the run.
//! Touches the recordings, to read their headers and sidecars.
//!
//! A stretch is read for itself, with nothing of another: its tone stages and
//! its analysis begin afresh. In the time of the run the stretches stand one
//! behind the other, in the order in which they were recorded, with at least a
//! sample between them, each on the grid of hops of its own first sample.

use std::path::PathBuf;

use crate::analysis::Event;
use crate::ingest::stretches::{NamedFile, OrderedBy, Stretches};
use crate::ingest::wav::{Begun, FileHashes, WavReader};
use crate::ingest::{IngestError, StreamFormat};
use crate::ledger::{FileRecord, SourceRecord};
use crate::setup::{RecordedFile, Setup, Source};
use crate::tone::{PlanError, TonePlan};

/// Why recordings cannot be replayed.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// A recording cannot be read.
    #[error(transparent)]
    Recording(#[from] IngestError),
    /// A recording does not carry what the setup wants to analyse.
    #[error("{}: {fault}", path.display())]
    Plan {
        /// The recording.
        path: PathBuf,
        /// What it lacks.
        fault: PlanError,
    },
    /// A recording has not the rate that the setup states.
    #[error(
        "{}: source \"{source_name}\": its samples come at {rate_hz} Hz, the setup says rate_hz = \
         {stated_hz}; correct whichever is wrong",
        path.display()
    )]
    Rate {
        /// The recording.
        path: PathBuf,
        /// The source.
        source_name: String,
        /// Rate of the recording, Hz.
        rate_hz: f64,
        /// Rate that the setup states, Hz.
        stated_hz: f64,
    },
    /// The recordings of two sources cannot be put together.
    #[error(
        "source \"{first}\" has {first_count} recordings that stand for themselves, source \
         \"{second}\" has {second_count}; they are read together one by one, in their order: name as \
         many of each, or say `continues = true` at the source whose recordings continue one another"
    )]
    Unmatched {
        /// One source.
        first: String,
        /// Its stretches.
        first_count: usize,
        /// The other.
        second: String,
        /// Its stretches.
        second_count: usize,
    },
    /// The setup has no source of this number.
    #[error("the setup has no source number {0}, counted from 0")]
    NoSuchSource(usize),
}

/// Starts of the recordings of two sources that are read together may differ by
/// this before it is worth a word, s.
const TOGETHER_S: f64 = 2.0;

/// One source within one stretch; its samples are read during the replay.
#[derive(Debug)]
pub struct RecordedSource {
    pub(super) name: String,
    pub(super) reader: WavReader,
    pub(super) plan: TonePlan,
}

impl RecordedSource {
    /// Opens recordings of source `number` of the setup that continue one
    /// another, in the order in which they were recorded.
    fn open(setup: &Setup, number: usize, files: &[PathBuf]) -> Result<Self, ReplayError> {
        let source = setup.sources.get(number);
        let source = source.ok_or(ReplayError::NoSuchSource(number))?;
        let mut reader = WavReader::open(files)?;
        if let Some(offset) = source.ahead_of_utc() {
            reader.label(offset);
        }
        // A rate other than the stated one is the cause to tell.
        check_rate(source, &reader)?;
        let plan = TonePlan::new(setup, number, reader.format());
        let plan = plan.map_err(|fault| ReplayError::Plan {
            path: first_file(&reader),
            fault,
        })?;
        Ok(Self {
            name: source.name.clone(),
            reader,
            plan,
        })
    }

    /// Name of the source.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Rate, columns and start of what was recorded.
    pub fn format(&self) -> &StreamFormat {
        self.reader.format()
    }

    /// What the tone stage will do with it.
    pub fn plan(&self) -> &TonePlan {
        &self.plan
    }

    /// The recordings, in their order, with the times of the run that they cover.
    pub fn files(&self) -> Vec<RecordedFile> {
        self.reader.files()
    }

    /// When it was begun, by its header.
    pub fn begun(&self) -> Option<Begun> {
        self.reader.begun()
    }

    /// Index of the first frame in the run.
    pub fn first_sample(&self) -> u64 {
        self.reader.first_sample()
    }

    /// Frames from the first to the last, missing ones included.
    pub fn frames(&self) -> u64 {
        self.end().saturating_sub(self.reader.first_sample())
    }

    /// What `run.json` says of its files but for their lengths and hashes.
    fn records(&self) -> Vec<FileRecord> {
        let files = self.reader.files_read();
        files
            .map(|(path, begun, start_s)| FileRecord {
                path: path.display().to_string(),
                start_s: Some(start_s),
                begun: begun.map(|begun| begun.to_string()),
                ..FileRecord::default()
            })
            .collect()
    }

    fn end(&self) -> u64 {
        self.reader.total_frames().unwrap_or(0)
    }

    fn end_s(&self) -> f64 {
        self.end() as f64 / self.format().rate_hz
    }

    pub(super) fn start_s(&self) -> f64 {
        self.first_sample() as f64 / self.format().rate_hz
    }
}

/// Whether samples may come at this rate by what the setup states, as far as it states one.
pub fn rate_agrees(source: &Source, rate_hz: f64) -> bool {
    source.rate_hz.is_none_or(|stated_hz| {
        // A WAV header holds whole Hz.
        (rate_hz - stated_hz).abs() <= 0.5 + stated_hz * source.rate_uncertainty_ppm * 1e-6
    })
}

fn check_rate(source: &Source, reader: &WavReader) -> Result<(), ReplayError> {
    let rate_hz = reader.format().rate_hz;
    match source.rate_hz {
        Some(stated_hz) if !rate_agrees(source, rate_hz) => Err(ReplayError::Rate {
            path: first_file(reader),
            source_name: source.name.clone(),
            rate_hz,
            stated_hz,
        }),
        _ => Ok(()),
    }
}

fn first_file(reader: &WavReader) -> PathBuf {
    let first = reader.files_read().next();
    first.map_or_else(PathBuf::new, |(path, ..)| path.to_owned())
}

/// All recordings of a run.
#[derive(Debug)]
pub struct RecordedRun {
    /// The stretches in the order of the run; in each one entry a source of the
    /// setup.
    pub stretches: Vec<Vec<RecordedSource>>,
    /// What puts the recordings of each source in order.
    pub ordered_by: Vec<OrderedBy>,
    /// What was repaired, is missing, was left out or is odd; each names its
    /// file.
    pub notes: Vec<String>,
}

impl RecordedRun {
    /// Opens the recordings of a run; `files`: one entry a source of the setup,
    /// its recordings in any order.
    ///
    /// # Errors
    /// When a recording cannot be read, when recordings that are said to
    /// continue one another do not, when one lacks a column or the rate that the
    /// setup needs, or when the sources have not the same number of stretches.
    pub fn open(setup: &Setup, files: &[Vec<NamedFile>]) -> Result<Self, ReplayError> {
        let mut of_sources = Vec::with_capacity(files.len());
        let (mut ordered_by, mut notes) = (Vec::new(), Vec::new());
        for (number, files) in files.iter().enumerate() {
            let source = setup.sources.get(number);
            let source = source.ok_or(ReplayError::NoSuchSource(number))?;
            let ordered = Stretches::of(files, source.continues)?;
            ordered_by.push(ordered.ordered_by);
            notes.extend(ordered.notes);
            let opened: Result<Vec<_>, _> = ordered
                .files
                .iter()
                .map(|files| RecordedSource::open(setup, number, files))
                .collect();
            of_sources.push(opened?);
        }
        let mut run = Self {
            stretches: together(of_sources)?,
            ordered_by,
            notes,
        };
        for source in run.stretches.iter().flatten() {
            run.notes.extend_from_slice(source.reader.notes());
        }
        run.notes
            .extend(run.stretches.iter().filter_map(|s| apart(s)));
        run.place(setup);
        Ok(run)
    }

    /// Gives every stretch behind the first its place in the time of the run.
    fn place(&mut self, setup: &Setup) {
        let main = setup.main_source().map_or(0, |(number, _)| number);
        let mut reached_s = 0.0_f64;
        for (nth, stretch) in self.stretches.iter_mut().enumerate() {
            if nth > 0 {
                let shift_s = shift_s(stretch, main, reached_s);
                for source in stretch.iter_mut() {
                    let by = (shift_s * source.format().rate_hz).round() as i64;
                    source.reader.shift(by);
                }
            }
            let end_s = stretch.iter().map(RecordedSource::end_s);
            reached_s = end_s.fold(reached_s, f64::max);
        }
    }

    /// Has the recordings hashed while they are read.
    pub fn hash_files(&mut self) -> FileHashes {
        let hashes = FileHashes::default();
        for source in self.stretches.iter_mut().flatten() {
            source.reader.hash_into(hashes.clone());
        }
        hashes
    }

    /// Frames of all sources, missing ones included.
    pub fn frames(&self) -> u64 {
        self.stretches
            .iter()
            .flatten()
            .map(RecordedSource::frames)
            .sum()
    }

    /// What `run.json` says of each source before its samples are read; the
    /// lengths and hashes of its files are left out.
    pub fn sources(&self) -> Vec<SourceRecord> {
        let of_sources = self.ordered_by.iter().enumerate();
        let records = of_sources.map(|(number, ordered_by)| {
            let stretches = || self.stretches.iter().filter_map(|s| s.get(number));
            let first = stretches().next();
            SourceRecord {
                name: first.map_or_else(String::new, |source| source.name.clone()),
                rate_hz: first.map_or(0.0, |source| source.format().rate_hz),
                channels: first.map_or(0, |source| source.format().channels),
                start_utc: first.and_then(|source| source.format().start_utc),
                ordered_by: Some(ordered_by.word().to_owned()),
                files: stretches().flat_map(RecordedSource::records).collect(),
                ..SourceRecord::default()
            }
        });
        records.collect()
    }

    /// What the log says of where each recording stands in the run; nothing
    /// where there is but one stretch.
    pub fn events(&self, setup: &Setup) -> Vec<Event> {
        let main = setup.main_source().map_or(0, |(number, _)| number);
        if self.stretches.len() < 2 {
            return Vec::new();
        }
        let begins = |source: &RecordedSource| {
            let names: Vec<String> = source.files().into_iter().map(|file| file.name).collect();
            let begun = match (source.format().start_utc, source.begun()) {
                (Some(_), _) | (None, None) => String::new(),
                (None, Some(begun)) => format!(", begun {begun} by its recorder's clock"),
            };
            Event {
                at_s: source.start_s(),
                kind: "recording".to_owned(),
                message: format!(
                    "{} begins here, {} frames{begun}; what was before it does not join on.",
                    names.join(" with "),
                    source.frames()
                ),
            }
        };
        let main_sources = self
            .stretches
            .iter()
            .filter_map(|stretch| stretch.get(main));
        main_sources.map(begins).collect()
    }
}

/// By how much a stretch has to move so that it begins behind `reached_s`: whole
/// hops of its main source.
fn shift_s(stretch: &[RecordedSource], main: usize, reached_s: f64) -> f64 {
    let hop_s = stretch
        .get(main)
        .or(stretch.first())
        .map_or(1.0, |source| source.plan.hop_seconds());
    let first_s = stretch
        .iter()
        .map(RecordedSource::start_s)
        .fold(f64::INFINITY, f64::min);
    let sample_s = stretch
        .iter()
        .map(|source| 1.0 / source.format().rate_hz)
        .fold(0.0, f64::max);
    ((reached_s + sample_s - first_s) / hop_s).ceil() * hop_s
}

/// The stretches of the sources, put together in their order.
fn together(of_sources: Vec<Vec<RecordedSource>>) -> Result<Vec<Vec<RecordedSource>>, ReplayError> {
    let mut stretches: Vec<Vec<RecordedSource>> = Vec::new();
    let mut first: Option<(String, usize)> = None;
    for source in of_sources {
        let name = source.first().map_or_else(String::new, |s| s.name.clone());
        match &first {
            None => first = Some((name, source.len())),
            Some((first, count)) if *count != source.len() => {
                return Err(ReplayError::Unmatched {
                    first: first.clone(),
                    first_count: *count,
                    second: name,
                    second_count: source.len(),
                });
            }
            Some(_) => {}
        }
        for (nth, recorded) in source.into_iter().enumerate() {
            match stretches.get_mut(nth) {
                Some(stretch) => stretch.push(recorded),
                None => stretches.push(vec![recorded]),
            }
        }
    }
    Ok(stretches)
}

/// A sentence where recordings that are read together were not begun together.
fn apart(stretch: &[RecordedSource]) -> Option<String> {
    let (first, rest) = stretch.split_first()?;
    let name = |source: &RecordedSource| {
        let file = source.files().into_iter().next();
        file.map_or_else(String::new, |file| file.name)
    };
    let start = |source: &RecordedSource| source.format().start_utc;
    rest.iter().find_map(|other| {
        let apart_s = start(other)?.duration_since(start(first)?).as_secs_f64();
        (apart_s.abs() > TOGETHER_S).then(|| {
            format!(
                "{} and {} are read together, but by their start times {:.1} s lie between them",
                name(first),
                name(other),
                apart_s.abs()
            )
        })
    })
}
