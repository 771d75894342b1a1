//! Some seconds of every source, gathered whole.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use ndarray::{Array2, Axis, concatenate};

use super::Args;
use crate::commands::{Failure, terminal};
use crate::ingest::serial::{LinkMonitor, LinkStatistics};
use crate::ingest::stretches::{NamedFile, Stretches};
use crate::ingest::wav::WavReader;
use crate::ingest::{Block, IngestError, Message, StreamFormat};
use crate::pipeline::capture::{Devices as _, SerialDevices, announced::differences};
use crate::reprocessing::assign;
use crate::setup::Loaded;

/// Frames read from a recording at once.
const BLOCK_FRAMES: usize = 16_384;
/// Samples may come this much later than they should, s.
const LATE: Duration = Duration::from_secs(3);

/// What was heard of one source.
#[derive(Debug, Clone)]
pub struct Heard {
    /// What the source says of itself.
    pub format: StreamFormat,
    /// Channels × frames, digital full scale = 1; at least one frame.
    pub samples: Array2<f64>,
    /// Frames missing between them.
    pub missing_frames: u64,
    /// What the reader had to say.
    pub notes: Vec<String>,
}

/// One entry a source of the setup.
pub fn listen(args: &Args, loaded: &Loaded, stop: &Arc<AtomicBool>) -> Result<Vec<Heard>, Failure> {
    if args.files.is_empty() {
        return devices(args, loaded, stop);
    }
    let mut heard = Vec::new();
    let mut notes = Vec::new();
    let sources = assign(&loaded.setup, Path::new(""), &args.files, &mut notes);
    notes.iter().for_each(terminal::say);
    let sources = sources?;
    for (source, said) in sources.into_iter().zip(&loaded.setup.sources) {
        let files: Vec<NamedFile> = source.files.into_iter().map(NamedFile::from).collect();
        let stretches = Stretches::of(&files, said.continues).map_err(anyhow::Error::from)?;
        heard.push(recorded(args, &source.name, &stretches)?);
    }
    Ok(heard)
}

/// The first seconds of the recordings of a source, of one rate and width.
fn recorded(args: &Args, name: &str, stretches: &Stretches) -> anyhow::Result<Heard> {
    let mut heard: Option<(StreamFormat, Gathered)> = None;
    let mut notes = stretches.notes.clone();
    for files in &stretches.files {
        let mut reader = WavReader::open(files)?;
        let format = reader.format().clone();
        let (of_first, gathered) = heard.get_or_insert_with(|| {
            let wanted = f64::from(args.seconds) * format.rate_hz;
            (format.clone(), Gathered::new(wanted))
        });
        let is_like = of_first.channels == format.channels
            && of_first.rate_hz.total_cmp(&format.rate_hz).is_eq();
        if gathered.is_full() || !is_like {
            break;
        }
        notes.extend_from_slice(reader.notes());
        gathered.next = None;
        while !gathered.is_full()
            && let Some(block) = reader.next_block(BLOCK_FRAMES)?
        {
            gathered.add(block);
        }
    }
    let (format, gathered) = heard.ok_or(IngestError::NoFiles)?;
    gathered.into_heard(name, format, notes)
}

/// Blocks up to a number of frames.
struct Gathered {
    blocks: Vec<Array2<f64>>,
    wanted: usize,
    frames: usize,
    next: Option<u64>,
    missing_frames: u64,
}

impl Gathered {
    fn new(wanted: f64) -> Self {
        Self {
            blocks: Vec::new(),
            wanted: wanted.ceil() as usize,
            frames: 0,
            next: None,
            missing_frames: 0,
        }
    }

    fn is_full(&self) -> bool {
        self.frames >= self.wanted
    }

    fn add(&mut self, block: Block) {
        if let Some(next) = self.next {
            self.missing_frames += block.first_sample.saturating_sub(next);
        }
        self.next = Some(block.first_sample + block.samples.ncols() as u64);
        self.frames += block.samples.ncols();
        self.blocks.push(block.samples);
    }

    fn into_heard(
        self,
        source: &str,
        format: StreamFormat,
        notes: Vec<String>,
    ) -> anyhow::Result<Heard> {
        let views: Vec<_> = self.blocks.iter().map(|block| block.view()).collect();
        let samples = concatenate(Axis(1), &views)
            .ok()
            .filter(|samples| samples.ncols() > 0)
            .ok_or_else(|| anyhow::anyhow!("source \"{source}\": not one sample came"))?;
        Ok(Heard {
            format,
            samples: samples.as_standard_layout().into_owned(),
            missing_frames: self.missing_frames,
            notes,
        })
    }
}

/// Listens to all devices at once.
fn devices(args: &Args, loaded: &Loaded, stop: &Arc<AtomicBool>) -> Result<Vec<Heard>, Failure> {
    let patience = Duration::from_secs(args.connect_seconds.into());
    let devices = SerialDevices { patience }
        .connect(&loaded.setup, &[], stop)
        .map_err(|error| Failure::Device(error.into()))?;
    let until = Instant::now() + Duration::from_secs(u64::from(args.seconds)) + LATE;
    let mut gathered: Vec<Gathered> = devices
        .iter()
        .map(|device| Gathered::new(f64::from(args.seconds) * device.format.rate_hz))
        .collect();
    // Side by side: a queue nobody empties loses samples.
    thread::scope(|scope| {
        for (device, gathered) in devices.iter().zip(&mut gathered) {
            scope.spawn(move || {
                while !gathered.is_full() && !stop.load(Ordering::Relaxed) {
                    match device.messages.recv_deadline(until) {
                        Ok(Message::Block(block)) => gathered.add(block),
                        Ok(Message::Encoded(encoded)) => gathered.add(encoded.into()),
                        Ok(Message::Gap(_)) => {}
                        Ok(Message::End(_)) | Err(_) => break,
                    }
                }
            });
        }
    });
    stop.store(true, Ordering::Relaxed);
    let mut heard = Vec::new();
    for (number, (device, gathered)) in devices.into_iter().zip(gathered).enumerate() {
        let mut notes = Vec::new();
        if let Some(link) = device.monitor.as_ref().map(LinkMonitor::snapshot) {
            notes.extend(link_notes(&device.name, &link));
            if let Some(announcement) = &link.announcement {
                notes.extend(differences(&loaded.setup, number, announcement));
            }
        }
        // The reader ends once nobody listens.
        drop(device.messages);
        for thread in device.threads {
            let _ = thread.join();
        }
        let one = gathered.into_heard(&device.name, device.format, notes);
        heard.push(one.map_err(Failure::Device)?);
    }
    Ok(heard)
}

fn link_notes(source: &str, link: &LinkStatistics) -> Vec<String> {
    let mut notes = Vec::new();
    if link.corrupt > 0 {
        notes.push(format!(
            "source \"{source}\": {} stretches of bytes were no frame; check baud rate and cable",
            link.corrupt
        ));
    }
    if link.malformed + link.inconsistent > 0 {
        notes.push(format!(
            "source \"{source}\": {} frames say what cannot be or contradict those before them; \
             correct the device",
            link.malformed + link.inconsistent
        ));
    }
    if let Some(rate) = link.rate {
        notes.push(format!(
            "source \"{source}\": by this computer's clock its rate is off by {:.0} ppm ± {:.0} ppm \
             (k = 2)",
            rate.offset_ppm, rate.offset_u_ppm
        ));
    }
    notes
}
