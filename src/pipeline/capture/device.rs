//! The devices of a setup, each with its reader running.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

use crossbeam_channel::bounded;

use super::surroundings::{Device, Devices};
use crate::ingest::IngestError;
use crate::ingest::serial::{PortLink, SerialOptions, SerialReader, spawn_serial};
use crate::setup::{Setup, SourceKind};

/// Blocks between a reader and what follows it. Readers make blocks of about
/// 50 ms: ten seconds, which a disk may take to come back.
const READER_BLOCKS: usize = 200;

/// The serial devices of this computer.
#[derive(Debug, Clone, Copy)]
pub struct SerialDevices {
    /// A device that has not said what it sends after this time is given up.
    pub patience: Duration,
}

impl Devices for SerialDevices {
    /// All at once: each may take its time.
    fn connect(
        &self,
        setup: &Setup,
        first_indices: &[u64],
        stop: &Arc<AtomicBool>,
    ) -> Result<Vec<Device>, IngestError> {
        let opened: Vec<Result<Device, IngestError>> = thread::scope(|scope| {
            let threads: Vec<_> = (0..setup.sources.len())
                .map(|number| {
                    let first_index = first_indices.get(number).copied().unwrap_or(0);
                    scope.spawn(move || open(setup, number, first_index, self.patience, stop))
                })
                .collect();
            threads
                .into_iter()
                .map(|thread| {
                    thread
                        .join()
                        .unwrap_or_else(|panic| std::panic::resume_unwind(panic))
                })
                .collect()
        });
        let devices: Result<Vec<Device>, IngestError> = opened.into_iter().collect();
        if devices.is_err() {
            stop.store(true, Ordering::Relaxed);
        }
        devices
    }
}

fn open(
    setup: &Setup,
    number: usize,
    first_index: u64,
    patience: Duration,
    stop: &Arc<AtomicBool>,
) -> Result<Device, IngestError> {
    let source = setup.sources.get(number).ok_or(IngestError::NoFiles)?;
    let SourceKind::Serial {
        port,
        baud,
        protocol,
    } = &source.kind
    else {
        return Err(IngestError::Port {
            port: source.name.clone(),
            what: "its kind is \"wav\", and devices are listened to; kind = \"serial\" is right, \
                   or name its recordings"
                .into(),
        });
    };
    let highest = setup
        .channels
        .iter()
        .filter(|channel| channel.source == number)
        .map(|channel| channel.index + 1)
        .max();
    let mut options = SerialOptions::new(*protocol, source.rate_hz, highest.unwrap_or(1));
    options.first_index = first_index;
    options.start_deadline = patience;
    let link = PortLink {
        port: port.clone(),
        baud: *baud,
    };
    let reader = SerialReader::open(Box::new(link), &options)?;
    let (sender, messages) = bounded(READER_BLOCKS);
    Ok(Device {
        name: source.name.clone(),
        format: reader.format().clone(),
        sample_format: reader.sample_format(),
        monitor: Some(reader.monitor()),
        messages,
        threads: vec![spawn_serial(reader, sender, Arc::clone(stop))],
    })
}
