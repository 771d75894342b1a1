//! One simulated capture, from its first session to its last.

use std::cell::RefCell;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use crossbeam_channel::{Receiver, Sender, bounded};
use rand::RngExt as _;
use rand_chacha::ChaCha8Rng;
use spanhold::ingest::serial::{
    LinkMonitor, LinkStatistics, SendingReader, SerialOptions, SerialReader, Turn,
};
use spanhold::ingest::{Clock as _, IngestError, Message};
use spanhold::pipeline::capture::{
    CaptureError, CaptureRequest, Captured, Devices, Listener, Stepped, Surroundings,
};
use spanhold::recorder::Storage;
use spanhold::reduction::SettledPoint;
use spanhold::setup::{Loaded, Protocol, SampleFormat, Setup};

use super::clock::VirtualClock;
use super::device::{CHANNELS, Device, RATE_HZ, SimulatedLink};
use super::disk::{SimulatedDisk, chance};
use super::faults::{Fault, LAST_FAULT_S, schedule};
use super::mistakes::Mistake;
use crate::memory::resident_kb;

/// Blocks between a reader and what follows it, as a capture has it.
const READER_BLOCKS: usize = 512;
/// More messages than this never wait between two stages of a source.
const MOST_WAITING: usize = 64 + 64 + 2;
/// The process is looked at so often, s of virtual time.
const READING_S: u64 = 900;
/// A capture that was asked to stop, or has failed, ends within this.
const ENDS_WITHIN: Duration = Duration::from_secs(40);

/// How one session ended.
#[derive(Debug)]
pub struct SessionEnd {
    /// Index that its first sample was to have.
    pub first_index: u64,
    /// Counts of its link.
    pub statistics: LinkStatistics,
    /// Where the device's list of frames stood when it began, and ended.
    pub sent: (usize, usize),
    /// `None`: killed, or it never began.
    pub closed: Option<Captured>,
}

/// What a process holds while it captures.
#[derive(Debug, Clone, Copy)]
pub struct Reading {
    pub virtual_s: f64,
    pub resident_kb: u64,
    pub files: usize,
    /// Messages between two stages.
    pub waiting: usize,
}

/// What a whole simulation left behind.
pub struct Outcome {
    pub run: PathBuf,
    pub loaded: Loaded,
    pub sessions: Vec<SessionEnd>,
    /// Every point that was announced, as it was.
    pub announced: Vec<serde_json::Value>,
    pub device: Arc<Mutex<Device>>,
    /// Whether something was taken away for good.
    pub is_destroyed: bool,
    pub virtual_s: f64,
    /// One a quarter of an hour.
    pub readings: Vec<Reading>,
}

#[derive(Default)]
struct Announcements(Arc<Mutex<Vec<serde_json::Value>>>);

impl Listener for Announcements {
    fn point(&mut self, point: &SettledPoint) {
        let point = serde_json::to_value(point).unwrap();
        self.0.lock().unwrap().push(point);
    }
}

/// The one device of a simulation, and the reader of the session.
struct Bench {
    device: Arc<Mutex<Device>>,
    clock: Arc<VirtualClock>,
    mistake: Option<Mistake>,
    reader: RefCell<Option<SendingReader>>,
    monitor: RefCell<LinkMonitor>,
    first_index: RefCell<u64>,
    /// Where a mistake is made between reader and recorder.
    between: RefCell<Option<(Receiver<Message>, Sender<Message>)>>,
}

impl Devices for Bench {
    fn connect(
        &self,
        setup: &Setup,
        first_indices: &[u64],
        _stop: &Arc<AtomicBool>,
    ) -> Result<Vec<spanhold::pipeline::capture::Device>, IngestError> {
        let mut options =
            SerialOptions::new(Protocol::Frames, Some(RATE_HZ), usize::from(CHANNELS));
        options.first_index = first_indices.first().copied().unwrap_or(0);
        options.start_deadline = Duration::from_mins(1);
        let reads_take_time = Arc::new(AtomicBool::new(true));
        let link = SimulatedLink {
            device: Arc::clone(&self.device),
            clock: Arc::clone(&self.clock),
            reads_take_time: Arc::clone(&reads_take_time),
        };
        let clock: Arc<dyn spanhold::ingest::Clock> = self.clock.clone();
        let reader = SerialReader::open_by(Box::new(link), &options, clock)?;
        reads_take_time.store(false, Ordering::Relaxed);
        let (sender, mut messages) = bounded(READER_BLOCKS);
        let (format, sample_format) = (reader.format().clone(), reader.sample_format());
        let monitor = reader.monitor();
        self.monitor.replace(monitor.clone());
        self.first_index.replace(options.first_index);
        self.reader
            .replace(Some(SendingReader::new(reader, sender, Duration::ZERO)));
        if self.mistake.is_some() {
            let (changed, behind) = bounded(READER_BLOCKS);
            let before = std::mem::replace(&mut messages, behind);
            self.between.replace(Some((before, changed)));
        }
        Ok(vec![spanhold::pipeline::capture::Device {
            name: setup.sources[0].name.clone(),
            format,
            sample_format,
            messages,
            threads: Vec::new(),
            monitor: Some(monitor),
        }])
    }
}

impl Bench {
    /// Hands on what the reader sent, with the mistake that is to be found.
    fn make_mistakes(&self) {
        let mut between = self.between.borrow_mut();
        if let (Some(mistake), Some((from, to))) = (&self.mistake, &mut *between) {
            while let Ok(message) = from.try_recv() {
                if let Some(message) = mistake.of(message) {
                    let _ = to.try_send(message);
                }
            }
        }
    }
}

/// How a session is to go.
struct Orders {
    faults: Vec<(Duration, Fault)>,
    /// When it is asked to stop in any case.
    until: Duration,
}

enum Ending {
    Closed(Box<Result<Captured, CaptureError>>),
    Killed { power: bool },
}

pub struct World {
    chance: ChaCha8Rng,
    clock: Arc<VirtualClock>,
    disk: Arc<SimulatedDisk>,
    device: Arc<Mutex<Device>>,
    bench: Bench,
    run: PathBuf,
    loaded: Loaded,
    announced: Arc<Mutex<Vec<serde_json::Value>>>,
    mistake: Option<Mistake>,
    /// When the last session is asked to stop.
    last_stop: Duration,
    readings: Vec<Reading>,
}

/// Waits until nobody holds the lock of a run: a child that another test of this process has
/// forked holds a copy of the lock of the session before until it runs its own program.
fn await_lock(run: &Path) {
    for _ in 0..500 {
        match std::fs::File::open(run.join(spanhold::ledger::LOCK_FILE)) {
            Ok(lock) if lock.try_lock().is_err() => std::thread::sleep(Duration::from_millis(10)),
            _ => return,
        }
    }
}

impl World {
    pub fn new(seed: u64, folder: &Path, setup: &str, mistake: Option<Mistake>) -> Self {
        let setup_file = folder.join("setup.toml");
        std::fs::write(&setup_file, setup).unwrap();
        let loaded = spanhold::setup::read(&setup_file).unwrap();
        let mut draws = chance(seed, 0);
        let formats = [SampleFormat::I24, SampleFormat::I32, SampleFormat::F32];
        let mut device = Device::new(chance(seed, 1), formats[draws.random_range(0..3_usize)]);
        device.ppm = draws.random_range(-200.0..200.0);
        let clock = Arc::new(VirtualClock::default());
        let device = Arc::new(Mutex::new(device));
        let disk = Arc::new(SimulatedDisk::default());
        if let Some(Mistake::NeverSyncs(name)) = mistake {
            disk.never_sync(name);
        }
        Self {
            chance: draws,
            bench: Bench {
                device: Arc::clone(&device),
                clock: Arc::clone(&clock),
                mistake: mistake.clone(),
                reader: RefCell::default(),
                monitor: RefCell::default(),
                first_index: RefCell::default(),
                between: RefCell::default(),
            },
            clock,
            disk,
            device,
            run: folder.join("run"),
            loaded,
            announced: Arc::default(),
            mistake,
            last_stop: Duration::from_secs_f64(LAST_FAULT_S + 40.0),
            readings: Vec::new(),
        }
    }

    /// Nothing happens for so long but a bench that goes on.
    pub fn last(&mut self, length: Duration) {
        self.last_stop = length;
        self.device.lock().unwrap().keeps_list = false;
    }

    /// What is to happen.
    pub fn schedule(&mut self) -> Vec<(Duration, Fault)> {
        schedule(&mut self.chance)
    }

    /// Lives through all sessions of a seed.
    pub fn live(mut self, faults: &[(Duration, Fault)]) -> Result<Outcome, String> {
        let mut left = faults.to_vec();
        let mut sessions = Vec::new();
        let mut is_destroyed = false;
        loop {
            let began = self.clock.elapsed();
            let is_last = left.is_empty();
            let until = self.last_stop.max(began + Duration::from_secs(40));
            let orders = Orders {
                faults: std::mem::take(&mut left),
                until,
            };
            await_lock(&self.run);
            let (ended, after, destroyed) = self.session(orders)?;
            left = after;
            let is_closed = ended.as_ref().is_some_and(|end| end.closed.is_some());
            sessions.extend(ended);
            if destroyed {
                is_destroyed = true;
                break;
            }
            if is_last && is_closed {
                break;
            }
            if sessions.len() > 20 {
                return Err("more sessions than faults".into());
            }
            self.disk.leave_room(None, false);
            self.disk.fail_next_sync(false);
            let pause = Duration::from_secs_f64(self.chance.random_range(0.0..20.0));
            self.clock.advance(pause);
            let now = self.clock.elapsed();
            let mut device = self.device.lock().unwrap();
            // Nobody starts a capture with the cable out.
            let plugged_in = device.is_unplugged_until().max(now);
            self.clock.advance(plugged_in.saturating_sub(now));
            device.run_to(plugged_in);
            device.nobody_reads();
            device.lies.clear();
        }
        let announced = self.announced.lock().unwrap().clone();
        Ok(Outcome {
            run: self.run,
            loaded: self.loaded,
            sessions,
            announced,
            device: self.device,
            is_destroyed,
            virtual_s: self.clock.elapsed().as_secs_f64(),
            readings: self.readings,
        })
    }

    /// One session. Back come how it ended, the faults still to come, and
    /// whether something was destroyed.
    #[allow(clippy::type_complexity, reason = "told apart by their types")]
    fn session(
        &mut self,
        orders: Orders,
    ) -> Result<(Option<SessionEnd>, Vec<(Duration, Fault)>, bool), String> {
        let sent_before = self.device.lock().unwrap().sent.len();
        let stop = Arc::new(AtomicBool::new(false));
        let request = CaptureRequest {
            loaded: &self.loaded,
            setup_file: Path::new("setup.toml"),
            folder: &self.run.clone(),
            planned: Vec::new(),
            split_seconds: f64::from(self.chance.random_range(3..40_u32)),
            keep_free_bytes: 1000,
            stop_on_alarm: false,
            threads: 1,
        };
        if self.chance.random_bool(0.05) && !orders.faults.is_empty() {
            self.disk.cut_power_after(self.chance.random_range(0..60));
        }
        let mut listener = Announcements(Arc::clone(&self.announced));
        let storage: Arc<dyn Storage> = self.disk.clone();
        let disk = Arc::clone(&self.disk);
        let clock: Arc<dyn spanhold::ingest::Clock> = self.clock.clone();
        let bench = &self.bench;
        let surroundings = Surroundings {
            clock,
            storage,
            disk: &*disk,
            devices: bench,
            listener: &mut listener,
        };
        let stepped = match Stepped::begin(&request, surroundings, &stop) {
            Ok(stepped) => stepped,
            Err(error) if disk.is_off() => {
                let _ = error;
                self.bench.reader.replace(None);
                self.bench.between.replace(None);
                disk.lose_unsynced(&mut self.chance);
                disk.set_power(true);
                return Ok((None, orders.faults, false));
            }
            Err(error) => return Err(format!("a session could not begin: {error}")),
        };
        let mut session = Session {
            chance: &mut self.chance,
            clock: &self.clock,
            disk: &self.disk,
            device: &self.device,
            bench,
            run: &self.run,
            stop: &stop,
            faults: orders.faults.into_iter().collect(),
            happened: Vec::new(),
            until: orders.until,
            reader_hangs: Duration::ZERO,
            disk_hangs: Duration::ZERO,
            analysis_hangs: Duration::ZERO,
            quiet_from: None,
            asked: None,
            readings: &mut self.readings,
            hangs_for_ever: matches!(self.mistake, Some(Mistake::HangsForEver)),
        };
        let ending = session.live(stepped)?;
        let happened = session.happened;
        let left = session.faults;
        let statistics = self.bench.monitor.borrow().snapshot();
        let first_index = *self.bench.first_index.borrow();
        self.bench.reader.replace(None);
        self.bench.between.replace(None);
        let destroyed = happened.iter().any(Fault::destroys);
        let closed = match ending {
            Ending::Killed { power } => {
                if !power {
                    self.disk.lose_unsynced(&mut self.chance);
                }
                self.disk.set_power(true);
                None
            }
            Ending::Closed(closed) => {
                let by_itself = !stop_was_asked(&happened, &self.clock, orders.until);
                let caused = happened.iter().any(Fault::may_end_it);
                match *closed {
                    Ok(captured) => {
                        if by_itself && !caused {
                            return Err(format!("it ended by itself: {}", captured.reason));
                        }
                        Some(captured)
                    }
                    Err(error) if caused => {
                        let _ = error;
                        None
                    }
                    Err(error) => return Err(format!("it could not be closed: {error}")),
                }
            }
        };
        let sent = (sent_before, self.device.lock().unwrap().sent.len());
        let end = SessionEnd {
            first_index,
            statistics,
            sent,
            closed,
        };
        Ok((Some(end), left, destroyed))
    }
}

fn stop_was_asked(happened: &[Fault], clock: &VirtualClock, until: Duration) -> bool {
    happened.iter().any(|fault| matches!(fault, Fault::Stop)) || clock.elapsed() >= until
}

/// A session while it lives.
struct Session<'a> {
    chance: &'a mut ChaCha8Rng,
    clock: &'a Arc<VirtualClock>,
    disk: &'a Arc<SimulatedDisk>,
    device: &'a Arc<Mutex<Device>>,
    bench: &'a Bench,
    run: &'a Path,
    stop: &'a Arc<AtomicBool>,
    faults: Vec<(Duration, Fault)>,
    happened: Vec<Fault>,
    until: Duration,
    reader_hangs: Duration,
    disk_hangs: Duration,
    analysis_hangs: Duration,
    /// When the line is clean again.
    quiet_from: Option<Duration>,
    /// Since when it is known that it is to end.
    asked: Option<Duration>,
    readings: &'a mut Vec<Reading>,
    hangs_for_ever: bool,
}

impl Session<'_> {
    fn live(&mut self, mut stepped: Stepped) -> Result<Ending, String> {
        loop {
            let now = self.clock.elapsed();
            while self.faults.first().is_some_and(|(at, _)| *at <= now) {
                let (_, fault) = self.faults.remove(0);
                self.happened.push(fault);
                if let Some(ending) = self.befall(fault) {
                    self.disk.set_power(false);
                    drop(stepped);
                    self.bench.reader.replace(None);
                    return Ok(ending);
                }
            }
            // A fault may have let time go by.
            let now = self.clock.elapsed();
            if self.quiet_from.is_some_and(|from| from <= now) {
                self.quiet_from = None;
                self.device.lock().unwrap().noise = super::device::Noise::default();
            }
            if now >= self.until {
                self.stop.store(true, Ordering::Relaxed);
            }
            if self.stop.load(Ordering::Relaxed) {
                let asked = *self.asked.get_or_insert(now);
                // What hangs is not what is asked about here.
                self.reader_hangs = self.reader_hangs.min(asked);
                self.disk_hangs = self.disk_hangs.min(asked);
                self.analysis_hangs = self.analysis_hangs.min(asked + ENDS_WITHIN / 2);
                if now > asked + ENDS_WITHIN {
                    return Err("it did not end after it was asked to stop".into());
                }
            }
            self.stages(&mut stepped, now);
            if self.disk.is_off() {
                drop(stepped);
                return Ok(Ending::Killed { power: false });
            }
            if stepped.waiting(0) > MOST_WAITING {
                return Err(format!("{} messages wait", stepped.waiting(0)));
            }
            if stepped.is_done() {
                self.bench.reader.replace(None);
                let closed = stepped.close();
                if self.disk.is_off() {
                    return Ok(Ending::Killed { power: false });
                }
                return Ok(Ending::Closed(Box::new(closed)));
            }
            if now.as_secs() / READING_S >= self.readings.len() as u64 {
                self.readings.push(Reading {
                    virtual_s: now.as_secs_f64(),
                    resident_kb: resident_kb(),
                    files: std::fs::read_dir("/proc/self/fd").map_or(0, Iterator::count),
                    waiting: stepped.waiting(0),
                });
            }
            let pause = self.chance.random_range(5..90);
            self.clock.advance(Duration::from_millis(pause));
        }
    }

    /// Each stage that does not hang gets on, in any order.
    fn stages(&mut self, stepped: &mut Stepped, now: Duration) {
        if now >= self.reader_hangs {
            self.read();
            self.bench.make_mistakes();
        }
        let mut turns = [0, 1, 2];
        turns.swap(0, self.chance.random_range(0..3));
        turns.swap(1, self.chance.random_range(1..3));
        for turn in turns {
            let most = self.chance.random_range(1..60);
            match turn {
                0 if now >= self.disk_hangs => {
                    (0..most).all(|_| stepped.record(0));
                }
                1 if now >= self.analysis_hangs => {
                    (0..most).all(|_| stepped.feed(0));
                }
                2 if now >= self.analysis_hangs && !self.hangs_for_ever => {
                    (0..most).all(|_| stepped.analyse(0));
                }
                _ => {}
            }
        }
        stepped.tick();
    }

    fn read(&mut self) {
        let mut slot = self.bench.reader.borrow_mut();
        let Some(mut reader) = slot.take() else {
            return;
        };
        if self.stop.load(Ordering::Relaxed) {
            reader.end(None);
            return;
        }
        for _ in 0..50 {
            match reader.turn() {
                Turn::Again => {}
                Turn::Pause => break,
                Turn::Ended(end) => {
                    reader.end(Some(end));
                    return;
                }
            }
            if !self.device.lock().unwrap().has_bytes() {
                break;
            }
        }
        *slot = Some(reader);
    }

    /// Lets a fault happen. `Some`: the session is over at once.
    fn befall(&mut self, fault: Fault) -> Option<Ending> {
        let now = self.clock.elapsed();
        let mut device = self.device.lock().unwrap();
        match fault {
            Fault::Stop => self.stop.store(true, Ordering::Relaxed),
            Fault::Kill => return Some(Ending::Killed { power: true }),
            Fault::PowerCut => return Some(Ending::Killed { power: false }),
            Fault::PowerCutAfter(things) => self.disk.cut_power_after(things),
            Fault::Noise(noise, length) => {
                device.noise = noise;
                self.quiet_from = Some(now + length);
            }
            Fault::Unplug(length) => device.unplug(now + length),
            Fault::Silence(length) => device.be_silent(now + length),
            Fault::Restart { keeps_id, dead } => device.restart(now, keeps_id, dead),
            Fault::Lie(lie) => device.lies.push(lie),
            Fault::ReaderHangs(length) => self.reader_hangs = now + length,
            Fault::DiskHangs(length) => self.disk_hangs = now + length,
            Fault::AnalysisHangs(length) => self.analysis_hangs = now + length,
            Fault::Suspend(length) => {
                self.clock.advance(length.min(Duration::from_mins(2)));
                // Who sleeps cannot end.
                self.asked = None;
            }
            Fault::ClockStep(seconds) => self.clock.step_s(seconds),
            Fault::DiskFull { bytes, is_known } => self.disk.leave_room(Some(bytes), is_known),
            Fault::SyncFails => self.disk.fail_next_sync(true),
            Fault::RemoveRecording => {
                let folder = self.run.join("recordings");
                let entries = std::fs::read_dir(folder).into_iter().flatten();
                let mut names: Vec<PathBuf> = entries
                    .map(|entry| entry.unwrap().path())
                    .filter(|path| path.extension().is_some_and(|end| end == "wav"))
                    .collect();
                names.sort();
                // There may be none yet, or somebody else was here before.
                if names
                    .pop()
                    .is_none_or(|last| std::fs::remove_file(last).is_err())
                {
                    self.happened.pop();
                }
            }
            Fault::RemovePoints => {
                let _ = std::fs::remove_file(self.run.join("points.jsonl"));
            }
            Fault::RemoveFolder => {
                let _ = std::fs::remove_dir_all(self.run);
            }
        }
        None
    }
}
