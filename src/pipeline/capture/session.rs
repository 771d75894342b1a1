//! One session of a capture, from the lock on the run folder to its closing.

use std::collections::VecDeque;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;

use anyhow::{Context as _, bail};
use crossbeam_channel::{Receiver, bounded};

use super::closing::{CaptureError, Captured, close};
use super::coverage::Coverage;
use super::links::Links;
use super::space::Space;
use super::surroundings::{Device, Surroundings};
use super::watch::Watch;
use crate::analysis::Event;
use crate::analysis::alarm::Alarms;
use crate::ingest::sidecar::calibration_of;
use crate::ingest::{Clock, Message, StreamFormat};
use crate::ledger::{
    Ledger, RECORDINGS_FOLDER, RunRecord, RunState, SourceRecord, carry_named_files,
};
use crate::pipeline::Messages;
use crate::pipeline::feed::{Feed, Recordings, recordings_of, spawn_feed};
use crate::pipeline::record::{RecorderStage, spawn_recorder};
use crate::pipeline::run::{Beforehand, Input, Options, Order, run};
use crate::recorder::{Recorder, RecorderOptions, Storage, repair_on};
use crate::reduction::SettledPoint;
use crate::setup::{Loaded, Setup, SourceKind};
use crate::tone::TonePlan;

/// Blocks between recorder and feed, and between feed and windows: seconds of
/// signal. Beyond that the analysis catches up from the recording.
pub(super) const CHANNEL_BLOCKS: usize = 64;

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
    /// Threads of the analysis in all; the results do not depend on it. None: the
    /// caller drives the stages step by step.
    pub threads: usize,
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
    surroundings: Surroundings,
    stop: &Arc<AtomicBool>,
) -> Result<Captured, CaptureError> {
    let Session {
        mut watch,
        lines,
        start_utc,
    } = begin(request, surroundings, stop)?;
    let inputs: std::io::Result<Vec<Input>> =
        lines.into_iter().map(|line| line.start(stop)).collect();
    let inputs = inputs
        .context("cannot start a thread")
        .map_err(CaptureError::Failed)?;
    let options = Options {
        threads: request.threads,
        order: Order::AsItComes,
    };
    let setup = &request.loaded.setup;
    let known = Beforehand {
        start_utc,
        ..Beforehand::default()
    };
    let outcome = run(setup, known, inputs, options, stop, &mut watch);
    close(watch, outcome)
}

/// A session that has begun: its devices deliver, and the stages behind them
/// stand ready.
pub(super) struct Session<'a> {
    pub watch: Watch<'a>,
    pub lines: Vec<LiveSource>,
    /// UTC label of sample 0 of the source that carries the antinode.
    pub start_utc: Option<jiff::Timestamp>,
}

/// One source from its device to the analysis.
pub(super) struct LiveSource {
    pub name: String,
    pub plan: TonePlan,
    pub incoming: Receiver<Message>,
    pub device_threads: Vec<JoinHandle<()>>,
    pub recorder: RecorderStage,
    pub to_feed: Receiver<Message>,
    pub feed: Feed,
}

impl LiveSource {
    fn start(self, stop: &Arc<AtomicBool>) -> std::io::Result<Input> {
        let (sender, messages) = bounded(CHANNEL_BLOCKS);
        let mut threads = self.device_threads;
        threads.push(spawn_recorder(
            &self.name,
            self.recorder,
            self.incoming,
            Arc::clone(stop),
        )?);
        threads.push(spawn_feed(self.feed, self.to_feed, sender)?);
        Ok(Input {
            name: self.name,
            plan: self.plan,
            messages: Messages::Sent(messages),
            threads,
        })
    }
}

/// Opens the run, connects the devices, and says that a session begins.
pub(super) fn begin<'a>(
    request: &CaptureRequest,
    surroundings: Surroundings<'a>,
    stop: &Arc<AtomicBool>,
) -> Result<Session<'a>, CaptureError> {
    let (mut ledger, points) = open(request, &surroundings)?;
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let begun = prepare(&surroundings, &folder).and_then(|()| {
        let mut starts = starts(&ledger, request, &surroundings, &folder)?;
        let first_indices: Vec<u64> = starts.iter().map(|start| start.first_index).collect();
        let devices = surroundings
            .devices
            .connect(&request.loaded.setup, &first_indices, stop)
            .map_err(|error| CaptureError::Failed(error.into()))?;
        put_down(&mut ledger, &devices, &mut starts)?;
        Ok((devices, starts))
    });
    let now_utc = surroundings.clock.now_utc();
    let begun = match begun {
        Ok((devices, starts)) => session(
            request,
            surroundings,
            stop,
            ledger,
            points,
            devices,
            &starts,
        ),
        Err(failure) => {
            // The folder says why nothing new is in it.
            let _ = ledger.close(RunState::Failed, Some(failure.to_string()), now_utc);
            Err(failure)
        }
    };
    if begun.is_err() {
        // Readers that are running leave.
        stop.store(true, Ordering::Relaxed);
    }
    begun
}

/// The run folder, new or gone on with, and the points it holds.
fn open(
    request: &CaptureRequest,
    surroundings: &Surroundings,
) -> anyhow::Result<(Ledger, Vec<SettledPoint>)> {
    let (loaded, folder) = (request.loaded, request.folder);
    let text = loaded.text.as_bytes();
    let goes_on = RunRecord::read(folder).is_ok_and(|record| record.is_capture());
    if goes_on {
        let (mut ledger, found) =
            Ledger::resume_on(Arc::clone(&surroundings.storage), folder, text)?;
        same_matching(loaded, &found.record)?;
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
    let mut ledger = Ledger::create_on(
        Arc::clone(&surroundings.storage),
        folder,
        text,
        record,
        false,
    )?;
    for note in carry_named_files(loaded, request.setup_file, &mut ledger)? {
        tracing::warn!("{note}");
    }
    Ok((ledger, Vec::new()))
}

/// The points of a run all rest on one matching.
fn same_matching(loaded: &Loaded, record: &RunRecord) -> anyhow::Result<()> {
    let now = loaded.matching_text.as_ref();
    let now = now.map(|text| blake3::hash(text.as_bytes()).to_hex().to_string());
    let then = record.matching.as_ref();
    if now != then.and_then(|matching| matching.blake3.clone()) {
        bail!(
            "the matching \"{}\" is not the one that the run was begun with: put that back (the run \
             folder has it), or begin a run of its own",
            loaded.setup.matching_file.as_deref().unwrap_or_default()
        );
    }
    Ok(())
}

/// The folder of the recordings, with what a crash left open closed.
fn prepare(surroundings: &Surroundings, folder: &Path) -> Result<(), CaptureError> {
    let storage = &surroundings.storage;
    storage
        .create_folder(folder)
        .with_context(|| format!("{}: cannot be created", folder.display()))
        .map_err(CaptureError::Failed)?;
    let report = repair_on(storage, folder).map_err(|error| CaptureError::Failed(error.into()))?;
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

fn session<'a>(
    request: &CaptureRequest,
    surroundings: Surroundings<'a>,
    stop: &Arc<AtomicBool>,
    ledger: Ledger,
    points: Vec<SettledPoint>,
    devices: Vec<Device>,
    starts: &[Start],
) -> Result<Session<'a>, CaptureError> {
    let Surroundings {
        clock,
        storage,
        disk,
        devices: _,
        listener,
    } = surroundings;
    let setup = &request.loaded.setup;
    let main = setup.main_source().map_or(0, |(number, _)| number);
    let main_start = starts.get(main).copied().unwrap_or_default();
    let mut coverage = Coverage::new(&request.planned);
    points.iter().for_each(|point| coverage.add(point));
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let (mut lines, mut feeds, mut recorded) = (Vec::new(), Vec::new(), Vec::new());
    let mut bytes_per_second = 0.0;
    let monitors = devices
        .iter()
        .map(|device| (device.name.clone(), device.monitor.clone()))
        .collect();
    let recordings = devices.get(main).map(|device| Recordings {
        folder: folder.clone(),
        source: device.name.clone(),
        rate_hz: device.format.rate_hz,
    });
    let surrounding = StageSurroundings {
        clock: &clock,
        storage: &storage,
        stop,
    };
    for (number, device) in devices.into_iter().enumerate() {
        let start = starts.get(number).copied().unwrap_or_default();
        let (line, line_bytes_per_second) =
            line(request, (number, device), start, &folder, &surrounding)?;
        bytes_per_second += line_bytes_per_second;
        feeds.push(line.feed.state());
        recorded.push(line.recorder.recorded());
        lines.push(line);
    }
    let plans: Vec<TonePlan> = lines.iter().map(|line| line.plan.clone()).collect();
    listener.sources(&plans);
    let now = clock.elapsed();
    let mut watch = Watch {
        main: (main, plans.get(main).map_or(1.0, |plan| plan.rate_hz)),
        looked: now,
        looked_at_s: 0.0,
        points,
        coverage,
        exclusions: Vec::new(),
        alarms: Alarms::new(setup, &plans),
        listener,
        stop_on_alarm: request.stop_on_alarm,
        recordings,
        feeds,
        stop: Arc::clone(stop),
        asked_because: None,
        clock,
        status_told: now,
        coverage_told: now,
        ledger,
        links: Links::new(setup, monitors, now),
        reached_s: 0.0,
        recorded,
        held_back: VecDeque::new(),
        space: Space::new(disk, folder, bytes_per_second, request.keep_free_bytes),
    };
    let at_s = plans
        .get(main)
        .map_or(0.0, |plan| main_start.first_index as f64 / plan.rate_hz);
    watch.begin(at_s).map_err(CaptureError::Failed)?;
    Ok(Session {
        watch,
        lines,
        start_utc: main_start.start_utc,
    })
}

/// What the stages of a line need of the world.
struct StageSurroundings<'a> {
    clock: &'a Arc<dyn Clock>,
    storage: &'a Arc<dyn Storage>,
    stop: &'a Arc<AtomicBool>,
}

/// The stages of one source, and the bytes a second that it records.
fn line(
    request: &CaptureRequest,
    (number, device): (usize, Device),
    start: Start,
    folder: &Path,
    surrounding: &StageSurroundings,
) -> Result<(LiveSource, f64), CaptureError> {
    let setup = &request.loaded.setup;
    let plan = TonePlan::new(setup, number, &device.format).map_err(anyhow::Error::from)?;
    let name = device.name;
    let format = StreamFormat {
        start_utc: start.start_utc,
        ..device.format
    };
    let rate_hz = format.rate_hz;
    let calibration = calibration_of(setup, number);
    let mut options =
        RecorderOptions::new(folder, &name, format, device.sample_format, calibration);
    options.split_seconds = request.split_seconds;
    options.storage = Arc::clone(surrounding.storage);
    options.clock = Arc::clone(surrounding.clock);
    options.seals_aside = request.threads > 0;
    let bytes_per_second = options.bytes_per_second();
    let recorder = Recorder::new(options).map_err(|error| CaptureError::Failed(error.into()))?;
    let (live, to_feed) = bounded(CHANNEL_BLOCKS);
    let recorder = RecorderStage::new(recorder, start.first_index, live);
    let recordings = Recordings {
        folder: folder.to_owned(),
        source: name.clone(),
        rate_hz,
    };
    let feed = Feed::new(
        recordings,
        recorder.recorded(),
        Arc::clone(surrounding.stop),
        Arc::clone(surrounding.clock),
    );
    let line = LiveSource {
        name,
        plan,
        incoming: device.messages,
        device_threads: device.threads,
        recorder,
        to_feed,
        feed,
    };
    Ok((line, bytes_per_second))
}
