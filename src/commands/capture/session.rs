//! One session of a capture, from the lock on the run folder to its closing.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context as _, anyhow, bail};
use crossbeam_channel::bounded;
use sd_notify::NotifyState;

use super::Args;
use super::alarm::Hook;
use super::coverage::Coverage;
use super::links::Links;
use super::space::Space;
use super::watch::{Clock, Watch, notify};
use crate::analysis::alarm::Alarms;
use crate::commands::Failure;
use crate::commands::curves;
use crate::commands::device::{Device, connect};
use crate::ingest::StreamFormat;
use crate::ingest::sidecar::{calibration_of, read_sidecar};
use crate::ledger::{FileRecord, Ledger, RECORDINGS_FOLDER, RunRecord, RunState, SourceRecord};
use crate::pipeline::{
    self, FeedState, Input, Options, Order, Outcome, Recordings, StopReason, recordings_of,
    spawn_feed, spawn_recorder,
};
use crate::plan::{Assumptions, Plan};
use crate::recorder::{Recorder, RecorderOptions, repair};
use crate::reduction::SettledPoint;
use crate::setup::{Loaded, Role};
use crate::tone::TonePlan;

/// Blocks between recorder and feed, and between feed and windows: seconds of
/// signal. Beyond that the analysis catches up from the recording.
const CHANNEL_BLOCKS: usize = 64;

/// How a session ended.
#[derive(Debug)]
pub struct Ended {
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

/// Where a source goes on.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Start {
    /// Index of the first sample of this session.
    first_index: u64,
    /// UTC label of sample 0 of the run; `None`: it begins with this session.
    start_utc: Option<jiff::Timestamp>,
}

/// Opens the run, connects the devices, runs until asked to stop or something
/// fails, closes the run.
pub fn run(args: &Args, loaded: &Loaded, stop: &Arc<AtomicBool>) -> Result<Ended, Failure> {
    let (mut ledger, points) = open(args, loaded)?;
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let begun = prepare(&folder).and_then(|()| {
        let mut starts = starts(&ledger, loaded, &folder)?;
        let first_indices: Vec<u64> = starts.iter().map(|start| start.first_index).collect();
        let patience = Duration::from_secs(args.connect_seconds.into());
        let devices = connect(&loaded.setup, &first_indices, patience, stop)?;
        put_down(&mut ledger, &devices, &mut starts)?;
        Ok((devices, starts))
    });
    match begun {
        Ok((devices, starts)) => capture(args, loaded, stop, ledger, points, devices, &starts),
        Err(failure) => {
            // Readers that are running leave, and the folder says why nothing
            // new is in it.
            stop.store(true, Ordering::Relaxed);
            let _ = ledger.close(RunState::Failed, Some(failure.to_string()));
            Err(failure)
        }
    }
}

/// The run folder, new or gone on with, and the points it holds.
fn open(args: &Args, loaded: &Loaded) -> Result<(Ledger, Vec<SettledPoint>), Failure> {
    let text = loaded.text.as_bytes();
    let goes_on = RunRecord::read(&args.out).is_ok_and(|record| record.command == "capture");
    let (ledger, points) = if goes_on {
        let (ledger, found) = Ledger::resume(&args.out, text).map_err(anyhow::Error::from)?;
        for note in &found.notes {
            tracing::warn!("{note}");
        }
        tracing::info!(
            points = found.points.len(),
            session = ledger.record().sessions,
            "Going on with the run."
        );
        (ledger, found.points)
    } else {
        let record = RunRecord::begin("capture", &args.setup, text);
        let ledger = Ledger::create(&args.out, text, record, false).map_err(anyhow::Error::from)?;
        curves::carry(&loaded.setup, &args.setup, &ledger)?;
        (ledger, Vec::new())
    };
    Ok((ledger, points))
}

/// The folder of the recordings, with what a crash left open closed.
fn prepare(folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder)
        .with_context(|| format!("{}: cannot be created", folder.display()))
        .map_err(Failure::Device)?;
    let report = repair(folder).map_err(|error| Failure::Device(error.into()))?;
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
fn starts(ledger: &Ledger, loaded: &Loaded, folder: &Path) -> anyhow::Result<Vec<Start>> {
    let before = &ledger.record().sources;
    let sources = loaded.setup.sources.iter().enumerate();
    sources
        .map(|(number, source)| {
            let end = end_of(folder, &source.name)?;
            let Some(before) = before.get(number).filter(|_| end > 0) else {
                return Ok(Start::default());
            };
            let elapsed_s = before.start_utc.map_or(0.0, |then| {
                jiff::Timestamp::now().duration_since(then).as_secs_f64()
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

fn capture(
    args: &Args,
    loaded: &Loaded,
    stop: &Arc<AtomicBool>,
    ledger: Ledger,
    points: Vec<SettledPoint>,
    devices: Vec<Device>,
    starts: &[Start],
) -> Result<Ended, Failure> {
    let setup = &loaded.setup;
    let plans = devices
        .iter()
        .enumerate()
        .map(|(number, device)| TonePlan::new(setup, number, &device.format))
        .collect::<Result<Vec<_>, _>>()
        .map_err(anyhow::Error::from)?;
    let main = setup
        .channel(Role::Antinode)
        .map_or(0, |(_, channel)| channel.source);
    let main_start = starts.get(main).copied();
    let mut coverage = Coverage::new(&Plan::of(setup, Assumptions::default()));
    points.iter().for_each(|point| coverage.add(point));
    let alarms = Alarms::new(setup, &plans);
    let folder = ledger.folder().join(RECORDINGS_FOLDER);
    let (mut inputs, mut feeds, mut bytes_per_second) = (Vec::new(), Vec::new(), 0.0);
    let monitors = devices
        .iter()
        .map(|device| (device.name.clone(), device.monitor.clone()))
        .collect();
    for (number, (device, plan)) in devices.into_iter().zip(plans).enumerate() {
        let start = starts.get(number).copied().unwrap_or_default();
        let started = start_source(args, loaded, number, device, plan, start, &folder, stop)?;
        bytes_per_second += started.bytes_per_second;
        feeds.push(started.feed);
        inputs.push(started.input);
    }
    let mut watch = Watch {
        points,
        coverage,
        alarms,
        hook: args.on_alarm.clone().map(Hook::new),
        stop_on_alarm: args.stop_on_alarm,
        feeds,
        stop: Arc::clone(stop),
        asked_because: None,
        clock: Clock::start(),
        ledger,
        links: Links::new(setup, monitors),
        space: Space::new(folder, bytes_per_second, args.keep_free_mb * 1_000_000),
    };
    let begun = watch.begin(
        main_start.map_or(0.0, |start| start.first_index as f64),
        &inputs,
        main,
    );
    begun.map_err(Failure::Device)?;
    let options = Options {
        threads: usize::from(args.threads),
        order: Order::AsItComes,
    };
    let start_utc = main_start.and_then(|start| start.start_utc);
    let outcome = pipeline::run(setup, start_utc, inputs, options, stop, &mut watch);
    notify(&[NotifyState::Stopping]);
    close(watch, outcome)
}

/// One source whose recorder and feed are running.
struct Started {
    input: Input,
    feed: Arc<FeedState>,
    bytes_per_second: f64,
}

#[expect(
    clippy::too_many_arguments,
    reason = "everything one source is made of"
)]
fn start_source(
    args: &Args,
    loaded: &Loaded,
    number: usize,
    device: Device,
    plan: TonePlan,
    start: Start,
    folder: &Path,
    stop: &Arc<AtomicBool>,
) -> Result<Started, Failure> {
    let name = device.name;
    let format = StreamFormat {
        start_utc: start.start_utc,
        ..device.format
    };
    let rate_hz = format.rate_hz;
    let calibration = calibration_of(&loaded.setup, number);
    let mut options =
        RecorderOptions::new(folder, &name, format, device.sample_format, calibration);
    options.split_seconds = f64::from(args.split_seconds);
    let bytes_per_second = options.bytes_per_second();
    let recorder = Recorder::new(options).map_err(|error| Failure::Device(error.into()))?;
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
    .map_err(Failure::Device)?;
    let (feed, feeder) = spawn_feed(recordings, to_feed, recorded, sender, Arc::clone(stop))
        .context("cannot start a thread")
        .map_err(Failure::Device)?;
    Ok(Started {
        input: Input {
            name,
            plan,
            messages,
            threads: vec![device.thread, recorder, feeder],
        },
        feed,
        bytes_per_second,
    })
}

/// Says how it ended, and closes the run folder.
fn close(mut watch: Watch, outcome: Outcome) -> Result<Ended, Failure> {
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
    tracing::info!("{}", watch.coverage.text(usize::MAX).trim_end());
    let mut sources = watch.ledger.record().sources.clone();
    let folder = watch.ledger.folder().join(RECORDINGS_FOLDER);
    for (record, ended) in sources.iter_mut().zip(&outcome.sources) {
        record.frames = ended.frames;
        record.missing_frames = ended.missing_frames;
        record.files = files(&folder, &record.name);
    }
    let closed = watch
        .ledger
        .sources(sources)
        .and_then(|()| watch.ledger.close(state, text));
    let record = match (closed, &reason) {
        (Ok(record), _) => record,
        // The first fault is the one to tell; this one follows from it.
        (Err(error), StopReason::SinkFailed(_)) => {
            tracing::error!(%error, "The run folder could not be closed.");
            return Err(Failure::Device(anyhow!("{reason}")));
        }
        (Err(error), _) => return Err(Failure::Device(error.into())),
    };
    Ok(Ended {
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
        })
        .collect()
}
