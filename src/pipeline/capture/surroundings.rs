//! What a capture needs of the world around it, handed in: a test or a
//! simulation brings its own clock, disk and devices.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use std::thread::JoinHandle;

use crossbeam_channel::Receiver;

use super::coverage::Coverage;
use super::links::LinkHealth;
use crate::analysis::{Analysis, Event, Exclusion};
use crate::ingest::serial::LinkMonitor;
use crate::ingest::{Clock, IngestError, Message, StreamFormat};
use crate::recorder::{RecorderError, SpaceForecast, Storage, forecast_space};
use crate::reduction::SettledPoint;
use crate::setup::{SampleFormat, Setup};
use crate::tone::{ToneMessage, TonePlan};

/// Tells how much room is left.
pub trait DiskSpace {
    /// How long a folder's disk lasts at this rate, with so much kept free.
    ///
    /// # Errors
    /// Where the system does not know.
    fn forecast(
        &self,
        folder: &Path,
        bytes_per_second: f64,
        reserve_bytes: u64,
    ) -> Result<SpaceForecast, RecorderError>;
}

/// The disk of this computer.
#[derive(Debug, Default)]
pub struct SystemDisk;

impl DiskSpace for SystemDisk {
    fn forecast(
        &self,
        folder: &Path,
        bytes_per_second: f64,
        reserve_bytes: u64,
    ) -> Result<SpaceForecast, RecorderError> {
        forecast_space(folder, bytes_per_second, reserve_bytes)
    }
}

/// One connected source.
#[derive(Debug)]
pub struct Device {
    /// Name of the source.
    pub name: String,
    /// Rate, channels, clip level, UTC label of sample 0.
    pub format: StreamFormat,
    /// How its samples are kept without rounding.
    pub sample_format: SampleFormat,
    /// What it sends.
    pub messages: Receiver<Message>,
    /// Its reader.
    pub threads: Vec<JoinHandle<()>>,
    /// The counts of its link, where it has one.
    pub monitor: Option<LinkMonitor>,
}

/// Brings the sources of a setup to life.
pub trait Devices {
    /// Opens every source of the setup and waits until each has said what it
    /// sends. `first_indices`: where each source's samples are counted from, 0
    /// where none is given. A reader leaves when `stop` is set.
    ///
    /// # Errors
    /// What is wrong with the first that cannot be opened; then none is left
    /// running.
    fn connect(
        &self,
        setup: &Setup,
        first_indices: &[u64],
        stop: &Arc<AtomicBool>,
    ) -> Result<Vec<Device>, IngestError>;
}

/// How a capture stands at one moment.
pub struct CaptureMoment<'a> {
    /// The analysis, to be asked.
    pub analysis: &'a Analysis,
    /// All points of the run.
    pub points: &'a [SettledPoint],
    /// The plan against them.
    pub coverage: &'a Coverage,
    /// A sentence for each limit that is passed, or cannot be watched.
    pub alarms: &'a [String],
    /// The sources.
    pub links: &'a [LinkHealth],
    /// The disk, as it was last looked at.
    pub space: Option<SpaceForecast>,
    /// How far the analysis is behind the recording, s.
    pub behind_s: f64,
    /// Whether it reads from the recording to catch up.
    pub catches_up: bool,
    /// Number of the session.
    pub session: u32,
    /// The time, as a label.
    pub now_utc: jiff::Timestamp,
}

/// Hears how a capture goes: a service manager, a page, a person. Whatever it
/// does with it, the capture goes on.
pub trait Listener {
    /// The capture has begun.
    fn ready(&mut self) {}

    /// The capture is alive; told several times a second.
    fn alive(&mut self) {}

    /// What will be done with each source; told once, before anything is heard.
    fn sources(&mut self, plans: &[TonePlan]) {
        let _ = plans;
    }

    /// Hears a message of a source before the analysis does.
    fn heard(&mut self, source: usize, message: &ToneMessage) {
        let _ = (source, message);
    }

    /// How all stands; told several times a second.
    fn look(&mut self, look: &CaptureMoment) {
        let _ = look;
    }

    /// The points that are not to count, where that is another list than when it was last
    /// asked: somebody may exclude one while the capture goes on.
    fn exclusions(&mut self, points: &[SettledPoint]) -> Option<Vec<Exclusion>> {
        let _ = points;
        None
    }

    /// Something new happened.
    fn event(&mut self, event: &Event) {
        let _ = event;
    }

    /// How far it has come, in one line; told every few seconds.
    fn status(&mut self, line: &str) {
        let _ = line;
    }

    /// A point is on the disk, and is announced.
    fn point(&mut self, point: &SettledPoint) {
        let _ = point;
    }

    /// A limit of the setup was passed.
    fn alarm(&mut self, message: &str) {
        let _ = message;
    }

    /// The capture is about to end.
    fn stopping(&mut self) {}
}

/// Nobody listens.
#[derive(Debug, Default)]
pub struct Nobody;

impl Listener for Nobody {}

/// All of it together.
pub struct Surroundings<'a> {
    /// The time.
    pub clock: Arc<dyn Clock>,
    /// Where the run is written.
    pub storage: Arc<dyn Storage>,
    /// The room that is left.
    pub disk: &'a dyn DiskSpace,
    /// The sources.
    pub devices: &'a dyn Devices,
    /// Who hears of it.
    pub listener: &'a mut dyn Listener,
}
