//! One session of a capture, from the lock on the run folder to its closing.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use anyhow::{Context as _, anyhow, bail};
use crossbeam_channel::bounded;

use super::coverage::Coverage;
use super::links::Links;
use super::space::Space;
use super::surroundings::{Device, Surroundings};
use super::watch::Watch;
use crate::analysis::Event;
use crate::analysis::alarm::Alarms;
use crate::ingest::StreamFormat;
use crate::ingest::sidecar::{calibration_of, read_sidecar};
use crate::ledger::{
    FileRecord, Ledger, RECORDINGS_FOLDER, RunRecord, RunState, SourceRecord, carry_curves,
};
use crate::pipeline::feed::{FeedState, Recordings, recordings_of, spawn_feed};
use crate::pipeline::record::spawn_recorder;
use crate::pipeline::run::{Beforehand, Input, Options, Order, Outcome, run};
use crate::pipeline::stop::{StopReason, in_one_line};
use crate::recorder::{Recorder, RecorderOptions, repair};
use crate::reduction::SettledPoint;
use crate::setup::{Loaded, Setup, SourceKind};
use crate::tone::TonePlan;

/// Blocks between recorder and feed, and between feed and windows: seconds of
/// signal. Beyond that the analysis catches up from the recording.
const CHANNEL_BLOCKS: usize = 64;

/// What is to be captured, and how.
#[derive(Debug, Clone)]
pub struct CaptureRequest<'a> {
    /// The setup, with its text.
    pub loaded: &'a Loaded,
    /// The setup's file, as it was named.
    pub setup_file: &'a Path,
    /// The run folder to make, or to go on with.
    pub folder: &'a Path,
    /// The harmonics to visit, each with its planned frequency, Hz.
    pub planned: Vec<(u32, f64)>,
    /// Length of one recording before the next is begun, s.
    pub split_seconds: f64,
    /// The capture stops before the disk has less than this left.
    pub keep_free_bytes: u64,
    /// Whether an alarm ends the capture.
    pub stop_on_alarm: bool,
    /// Estimator threads in all; the results do not depend on it.
    pub threads: usize,
}

/// How a session ended.
#[derive(Debug)]
pub struct Captured {
    /// Why.
    pub reason: StopReason,
    /// The record as it was left.
    pub record: RunRecord,
    /// All points of the run, earlier sessions included.
    pub points: Vec<SettledPoint>,
    /// The plan against them.
    pub coverage: Coverage,
    /// Whether a limit was passed.
    pub alarmed: bool,
}

/// Why a session did not begin, or how it failed.
#[derive(Debug, thiserror::Error)]
pub enum CaptureError {
    /// The setup or the run folder does not allow it.
    #[error("{}", in_one_line(.0))]
    Refused(anyhow::Error),
    /// A device or the disk failed.
    #[error("{}", in_one_line(.0))]
    Failed(anyhow::Error),
}

impl From<anyhow::Error> for CaptureError {
    fn from(error: anyhow::Error) -> Self {
        Self::Refused(error)
    }
}

/// Where a source goes on.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Start {
    /// Index of the first sample of this session.
    first_index: u64,
    /// UTC label of sample 0 of the run; `None`: it begins with this session.
    start_utc: Option<jiff::Timestamp>,
}

/// What a setup must have, and must not have, to be captured with.
///
/// # Errors
/// What is wrong with it.
pub fn fits_capture(setup: &Setup) -> anyhow::Result<()> {
    for source in &setup.sources {
        if matches!(source.kind, SourceKind::Wav) {
            bail!(
                "source \"{}\" is of kind \"wav\": capture listens to devices, kind = \"serial\" is \
                 right; for recordings use `spanhold reprocess`",
                source.name
            );
        }
    }
    if setup.limits.strain_pp_um_m.is_some()
        && !setup.channels.iter().any(|c| c.role.is_clamp_strain())
    {
        bail!(
            "limits.strain_pp_um_m is set, but no channel has the role \"clamp-strain\": nothing \
             would be watched; add the gauge or remove the limit"
        );
    }
    Ok(())
}

/// One session of a capture: opens the run or goes on with it, connects the
/// devices, runs until `stop` is set or something fails, closes the run.
///
/// A run that was broken off, by whatever, is gone on with: what was recorded
/// and not analysed yet is analysed first. How the session ended is in
/// [`Captured::reason`]; the run folder is closed then.
///
/// # Errors
/// [`CaptureError::Refused`] where the setup, the run folder or a device that
/// is not the run's do not allow it; [`CaptureError::Failed`] where a device
/// cannot be opened or the run folder cannot be written.
pub fn capture(
    request: &CaptureRequest,
    mut surroundings: Surroundings,
    stop: &Arc<AtomicBool>,
) -> Result<Captured, CaptureError> {
    let (mut ledger, points) = open(request, &surroundings)?;
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let begun = prepare(&folder).and_then(|()| {
        let mut starts = starts(&ledger, request, &surroundings, &folder)?;
        let first_indices: Vec<u64> = starts.iter().map(|start| start.first_index).collect();
        let devices = surroundings
            .devices
            .connect(&request.loaded.setup, &first_indices, stop)
            .map_err(|error| CaptureError::Failed(error.into()))?;
        put_down(&mut ledger, &devices, &mut starts)?;
        Ok((devices, starts))
    });
    match begun {
        Ok((devices, starts)) => session(
            request,
            &mut surroundings,
            stop,
            ledger,
            points,
            devices,
            &starts,
        ),
        Err(failure) => {
            // Readers that are running leave, and the folder says why nothing
            // new is in it.
            stop.store(true, Ordering::Relaxed);
            let now_utc = surroundings.clock.now_utc();
            let _ = ledger.close(RunState::Failed, Some(failure.to_string()), now_utc);
            Err(failure)
        }
    }
}

/// The run folder, new or gone on with, and the points it holds.
fn open(
    request: &CaptureRequest,
    surroundings: &Surroundings,
) -> anyhow::Result<(Ledger, Vec<SettledPoint>)> {
    let (loaded, folder) = (request.loaded, request.folder);
    let text = loaded.text.as_bytes();
    let goes_on = RunRecord::read(folder).is_ok_and(|record| record.command == "capture");
    if goes_on {
        let (mut ledger, found) = Ledger::resume(folder, text)?;
        let at_s = found.points.last().map_or(0.0, |point| point.end_s);
        for note in &found.notes {
            tracing::warn!("{note}");
            ledger.event(&Event {
                at_s,
                kind: "repair".into(),
                message: format!("After the session before had broken off: {note}."),
            })?;
        }
        tracing::info!(
            points = found.points.len(),
            session = ledger.record().sessions,
            "Going on with the run."
        );
        return Ok((ledger, found.points));
    }
    let now_utc = surroundings.clock.now_utc();
    let record = RunRecord::begin("capture", request.setup_file, text, now_utc);
    let mut ledger = Ledger::create(folder, text, record, false)?;
    for note in carry_curves(&loaded.setup, request.setup_file, &mut ledger)? {
        tracing::warn!("{note}");
    }
    Ok((ledger, Vec::new()))
}

/// The folder of the recordings, with what a crash left open closed.
fn prepare(folder: &Path) -> Result<(), CaptureError> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("{}: cannot be created", folder.display()))
        .map_err(CaptureError::Failed)?;
    let report = repair(folder).map_err(|error| CaptureError::Failed(error.into()))?;
    for (path, frames) in &report.repaired {
        tracing::warn!(file = %path.display(), frames, "A recording had been left open; closed it.");
    }
    for path in &report.removed {
        tracing::warn!(file = %path.display(), "A recording without a frame was removed.");
    }
    for path in &report.missing {
        tracing::warn!(file = %path.display(), "A recording is gone; its samples count as missing.");
    }
    Ok(())
}

/// Where each source of the setup goes on. Samples are numbered on as if the
/// device had run all the time; at least one is missing, so that nothing joins
/// on across the break.
fn starts(
    ledger: &Ledger,
    request: &CaptureRequest,
    surroundings: &Surroundings,
    folder: &Path,
) -> anyhow::Result<Vec<Start>> {
    let before = &ledger.record().sources;
    let sources = request.loaded.setup.sources.iter().enumerate();
    sources
        .map(|(number, source)| {
            let end = end_of(folder, &source.name)?;
            let Some(before) = before.get(number).filter(|_| end > 0) else {
                return Ok(Start::default());
            };
            let elapsed_s = before.start_utc.map_or(0.0, |then| {
                surroundings
                    .clock
                    .now_utc()
                    .duration_since(then)
                    .as_secs_f64()
            });
            let by_clock = (elapsed_s * before.rate_hz).max(0.0).round() as u64;
            Ok(Start {
                first_index: by_clock.max(end + 1),
                start_utc: before.start_utc,
            })
        })
        .collect()
}

/// Compares the devices with the run, and puts them down in it.
fn put_down(ledger: &mut Ledger, devices: &[Device], starts: &mut [Start]) -> anyhow::Result<()> {
    let before = ledger.record().sources.clone();
    let mut sources = Vec::new();
    for (number, (device, start)) in devices.iter().zip(starts).enumerate() {
        let begun = before.get(number).filter(|_| start.first_index > 0);
        if let Some(before) = begun {
            same_stream(before, device)?;
        } else {
            start.start_utc = device.format.start_utc;
        }
        sources.push(SourceRecord {
            name: device.name.clone(),
            rate_hz: device.format.rate_hz,
            channels: device.format.channels,
            start_utc: start.start_utc,
            ..begun.cloned().unwrap_or_default()
        });
    }
    ledger.sources(sources)?;
    Ok(())
}

fn same_stream(before: &SourceRecord, device: &Device) -> anyhow::Result<()> {
    let rate_changed = (before.rate_hz - device.format.rate_hz).abs() > 0.0;
    if rate_changed || before.channels != device.format.channels {
        bail!(
            "source \"{}\": it now sends {} channels at {} Hz, the run was begun with {} channels \
             at {} Hz; set the device as it was, or begin a new run folder",
            before.name,
            device.format.channels,
            device.format.rate_hz,
            before.channels,
            before.rate_hz
        );
    }
    Ok(())
}

/// Index one past the last frame recorded of a source.
fn end_of(folder: &Path, source: &str) -> anyhow::Result<u64> {
    let files = recordings_of(folder, source)?;
    let Some((_, last)) = files.last() else {
        return Ok(0);
    };
    let reader = crate::ingest::wav::WavReader::open(std::slice::from_ref(last))?;
    Ok(reader.total_frames().unwrap_or(0))
}

fn session(
    request: &CaptureRequest,
    surroundings: &mut Surroundings,
    stop: &Arc<AtomicBool>,
    ledger: Ledger,
    points: Vec<SettledPoint>,
    devices: Vec<Device>,
    starts: &[Start],
) -> Result<Captured, CaptureError> {
    let setup = &request.loaded.setup;
    let plans = devices
        .iter()
        .enumerate()
        .map(|(number, device)| TonePlan::new(setup, number, &device.format))
        .collect::<Result<Vec<_>, _>>()
        .map_err(anyhow::Error::from)?;
    let main = setup.main_source().map_or(0, |(number, _)| number);
    let main_start = starts.get(main).copied();
    let mut coverage = Coverage::new(&request.planned);
    points.iter().for_each(|point| coverage.add(point));
    let alarms = Alarms::new(setup, &plans);
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let (mut inputs, mut feeds, mut bytes_per_second) = (Vec::new(), Vec::new(), 0.0);
    let monitors = devices
        .iter()
        .map(|device| (device.name.clone(), device.monitor.clone()))
        .collect();
    let recordings = devices.get(main).map(|device| Recordings {
        folder: folder.clone(),
        source: device.name.clone(),
        rate_hz: device.format.rate_hz,
    });
    for (number, (device, plan)) in devices.into_iter().zip(plans).enumerate() {
        let start = starts.get(number).copied().unwrap_or_default();
        let recording = LiveSource {
            number,
            device,
            plan,
            start,
        };
        let started = start_source(request, recording, &folder, stop)?;
        bytes_per_second += started.bytes_per_second;
        feeds.push(started.feed);
        inputs.push(started.input);
    }
    let clock = surroundings.clock;
    let mut watch = Watch {
        points,
        coverage,
        alarms,
        listener: &mut *surroundings.listener,
        stop_on_alarm: request.stop_on_alarm,
        recordings,
        feeds,
        stop: Arc::clone(stop),
        asked_because: None,
        clock,
        status_told: clock.elapsed(),
        coverage_told: clock.elapsed(),
        ledger,
        links: Links::new(setup, monitors, clock.elapsed()),
        reached_s: 0.0,
        space: Space::new(
            surroundings.disk,
            folder,
            bytes_per_second,
            request.keep_free_bytes,
        ),
    };
    let begun = watch.begin(
        main_start.map_or(0.0, |start| start.first_index as f64),
        &inputs,
        main,
    );
    begun.map_err(CaptureError::Failed)?;
    let options = Options {
        threads: request.threads,
        order: Order::AsItComes,
    };
    let known = Beforehand {
        start_utc: main_start.and_then(|start| start.start_utc),
        ..Beforehand::default()
    };
    let outcome = run(setup, known, inputs, options, stop, &mut watch);
    watch.listener.stopping();
    close(watch, outcome)
}

/// One source about to be recorded.
struct LiveSource {
    number: usize,
    device: Device,
    plan: TonePlan,
    start: Start,
}

/// One source whose recorder and feed are running.
struct Started {
    input: Input,
    feed: Arc<FeedState>,
    bytes_per_second: f64,
}

fn start_source(
    request: &CaptureRequest,
    source: LiveSource,
    folder: &Path,
    stop: &Arc<AtomicBool>,
) -> Result<Started, CaptureError> {
    let LiveSource {
        number,
        device,
        plan,
        start,
    } = source;
    let name = device.name;
    let format = StreamFormat {
        start_utc: start.start_utc,
        ..device.format
    };
    let rate_hz = format.rate_hz;
    let calibration = calibration_of(&request.loaded.setup, number);
    let mut options =
        RecorderOptions::new(folder, &name, format, device.sample_format, calibration);
    options.split_seconds = request.split_seconds;
    let bytes_per_second = options.bytes_per_second();
    let recorder = Recorder::new(options).map_err(|error| CaptureError::Failed(error.into()))?;
    let (live, to_feed) = bounded(CHANNEL_BLOCKS);
    let (sender, messages) = bounded(CHANNEL_BLOCKS);
    let recordings = Recordings {
        folder: folder.to_owned(),
        source: name.clone(),
        rate_hz,
    };
    let (recorded, recorder) = spawn_recorder(
        &name,
        recorder,
        start.first_index,
        device.messages,
        live,
        Arc::clone(stop),
    )
    .context("cannot start a thread")
    .map_err(CaptureError::Failed)?;
    let (feed, feeder) = spawn_feed(recordings, to_feed, recorded, sender, Arc::clone(stop))
        .context("cannot start a thread")
        .map_err(CaptureError::Failed)?;
    let mut threads = device.threads;
    threads.extend([recorder, feeder]);
    Ok(Started {
        input: Input {
            name,
            plan,
            messages,
            threads,
        },
        feed,
        bytes_per_second,
    })
}

/// Says how it ended, and closes the run folder.
fn close(mut watch: Watch, outcome: Outcome) -> Result<Captured, CaptureError> {
    let reason = match (outcome.reason, watch.asked_because.take()) {
        (StopReason::Complete | StopReason::Asked, Some(why)) if !watch.stop_on_alarm => {
            StopReason::SinkFailed(anyhow!(why))
        }
        (reason, _) => reason,
    };
    let (state, text) = match &reason {
        StopReason::Complete => (RunState::Done, None),
        StopReason::Asked => (RunState::Stopped, Some(reason.to_string())),
        other => (RunState::Failed, Some(other.to_string())),
    };
    watch.links.sum_up();
    tracing::info!("{}", watch.coverage.text());
    let mut sources = watch.ledger.record().sources.clone();
    let folder = watch.ledger.folder().join(RECORDINGS_FOLDER);
    for (record, ended) in sources.iter_mut().zip(&outcome.sources) {
        record.frames = ended.frames;
        record.missing_frames = ended.missing_frames;
        record.files = files(&folder, &record.name);
    }
    let now_utc = watch.clock.now_utc();
    let closed = watch
        .ledger
        .sources(sources)
        .and_then(|()| watch.ledger.close(state, text, now_utc));
    let record = match (closed, &reason) {
        (Ok(record), _) => record,
        // The first fault is the one to tell; this one follows from it.
        (Err(error), StopReason::SinkFailed(_)) => {
            tracing::error!(%error, "The run folder could not be closed.");
            return Err(CaptureError::Failed(anyhow!("{reason}")));
        }
        (Err(error), _) => return Err(CaptureError::Failed(error.into())),
    };
    Ok(Captured {
        reason,
        record,
        points: watch.points,
        coverage: watch.coverage,
        alarmed: watch.alarms.ever_raised(),
    })
}

/// The recordings of a source with their hashes, as far as they are known.
fn files(folder: &Path, source: &str) -> Vec<FileRecord> {
    let recordings = recordings_of(folder, source).unwrap_or_default();
    recordings
        .into_iter()
        .map(|(_, path)| FileRecord {
            bytes: path.metadata().map_or(0, |metadata| metadata.len()),
            blake3: read_sidecar(&path)
                .ok()
                .flatten()
                .and_then(|sidecar| sidecar.blake3),
            path: path.file_name().map_or_else(String::new, |name| {
                format!("{RECORDINGS_FOLDER}/{}", name.to_string_lossy())
            }),
            ..FileRecord::default()
        })
        .collect()
}
