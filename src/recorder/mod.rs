//! Messages → crash-safe recordings of what came in.
//!
//! In: the [`Message`]s of one source, before any analysis. Out: WAV files
//! that round nothing, each with its sidecar
//! ([`crate::ingest::sidecar`]). Touches one folder.
//!
//! Every file can be read at every moment: its header promises no more than
//! what is on disk, and is rewritten at each sync. A file is free of gaps; a
//! gap closes it, and the next one carries the new start index. Read back in
//! order, the files give the very stream that was recorded.

mod error;
mod file;
mod options;
mod repair;
mod replace;
mod space;
mod storage;

use std::path::PathBuf;
use std::sync::Arc;
use std::thread::{self, JoinHandle};
use std::time::Duration;

use jiff::SignedDuration;
use ndarray::{Axis, Slice};

pub use error::RecorderError;
pub use options::RecorderOptions;
pub use repair::{RepairReport, missing_recordings, repair, repair_on};
pub(crate) use replace::{folder_of, in_the_making};
pub use replace::{replace_file, replace_file_on};
pub use space::{SpaceForecast, forecast_space};
pub use storage::{OpenAs, Storage, StoredFile, SystemStorage};

use crate::ingest::sidecar::{SIDECAR_VERSION, Sidecar};
use crate::ingest::{Block, Gap, Message};
use file::{RecordingFile, io_error, seal, write_sidecar};

/// Files end well before 4 GiB, where the sizes of a WAV header end.
const MAX_FILE_BYTES: u64 = (4 << 30) - (16 << 20);

/// The length of a frame is a 16-bit field.
const MAX_FRAME_BYTES: usize = 65_535;

/// Writes one source to disk.
#[derive(Debug)]
pub struct Recorder {
    options: RecorderOptions,
    current: Option<RecordingFile>,
    /// Index that comes next; `None` before the first message.
    expected: Option<u64>,
    /// Everything before this index that arrived is synced.
    synced_to: u64,
    last_sync: Duration,
    /// Gaps since the last file.
    gaps: Vec<Gap>,
    /// The file whose hash is being taken.
    sealing: Option<JoinHandle<Result<(), RecorderError>>>,
    /// Sidecar of the last file closed, and its recording.
    last_closed: Option<(PathBuf, Sidecar)>,
    files: Vec<PathBuf>,
}

impl Recorder {
    /// A recorder that has written nothing yet. Call [`repair`] on the folder
    /// first.
    pub fn new(options: RecorderOptions) -> Result<Self, RecorderError> {
        if !options.dir.is_dir() {
            return Err(RecorderError::NoFolder { path: options.dir });
        }
        if options.frame_bytes() > MAX_FRAME_BYTES {
            return Err(RecorderError::TooWide {
                channels: options.format.channels,
                format: options.sample_format,
            });
        }
        Ok(Self {
            last_sync: options.clock.elapsed(),
            options,
            current: None,
            expected: None,
            synced_to: 0,
            gaps: Vec::new(),
            sealing: None,
            last_closed: None,
            files: Vec::new(),
        })
    }

    /// Records one message. When this returns, a block survives the death of
    /// this program; after the next sync, that of the machine.
    ///
    /// An error leaves what was recorded before as it is. Recording may go on
    /// if the cause is gone; what failed is then a gap.
    pub fn write(&mut self, message: &Message) -> Result<(), RecorderError> {
        match message {
            Message::Block(block) => self.write_block(block)?,
            Message::Encoded(encoded) => self.write_block(&Block::from(encoded.clone()))?,
            Message::Gap(gap) => self.write_gap(*gap)?,
            Message::End(_) => self.close_current()?,
        }
        self.sync_if_due()
    }

    /// Everything before this sample index that arrived is on disk.
    pub fn synced_to(&self) -> u64 {
        self.synced_to
    }

    /// Index one past the last frame that was recorded or is known to be
    /// missing; `None` before the first.
    pub fn reached(&self) -> Option<u64> {
        self.expected
    }

    /// The recordings begun so far, in order.
    pub fn files(&self) -> &[PathBuf] {
        &self.files
    }

    /// Syncs if the interval has passed. [`Recorder::write`] does so by
    /// itself; call this where no messages come in.
    pub fn sync_if_due(&mut self) -> Result<(), RecorderError> {
        let unsynced = self.options.clock.elapsed().saturating_sub(self.last_sync);
        if unsynced < self.options.sync_interval {
            return Ok(());
        }
        self.sync()
    }

    /// Syncs now.
    pub fn sync(&mut self) -> Result<(), RecorderError> {
        if let Some(file) = &mut self.current {
            file.sync()?;
            self.synced_to = file.end_index();
        } else if let Some(expected) = self.expected {
            // Whatever came is in files that are closed.
            self.synced_to = expected;
        }
        self.last_sync = self.options.clock.elapsed();
        Ok(())
    }

    /// Closes the last file and gives all recordings, in order.
    pub fn finish(mut self) -> Result<Vec<PathBuf>, RecorderError> {
        self.close_current()?;
        self.wait_for_seal()?;
        self.all_in_place()?;
        if let Some((path, sidecar)) = &mut self.last_closed
            && !self.gaps.is_empty()
        {
            // Nothing followed the last gap, so no later sidecar holds it.
            *sidecar = crate::ingest::sidecar::read_sidecar(path)
                .ok()
                .flatten()
                .unwrap_or_else(|| sidecar.clone());
            sidecar.gaps.append(&mut self.gaps);
            write_sidecar(&self.options.storage, path, sidecar)?;
        }
        Ok(std::mem::take(&mut self.files))
    }

    fn write_gap(&mut self, gap: Gap) -> Result<(), RecorderError> {
        self.close_current()?;
        self.gaps.push(gap);
        self.expected = Some(gap.first_sample.saturating_add(gap.missing));
        Ok(())
    }

    fn write_block(&mut self, block: &Block) -> Result<(), RecorderError> {
        if block.samples.nrows() != self.options.format.channels {
            return Err(RecorderError::Channels {
                source_name: self.options.source.clone(),
                expected: self.options.format.channels,
                got: block.samples.nrows(),
            });
        }
        let expected = self.expected.unwrap_or(block.first_sample);
        if block.first_sample < expected {
            return Err(RecorderError::Order {
                source_name: self.options.source.clone(),
                expected,
                got: block.first_sample,
            });
        }
        if block.first_sample > expected {
            self.write_gap(Gap {
                first_sample: expected,
                missing: block.first_sample - expected,
            })?;
        }
        let frames = block.samples.ncols();
        let mut done = 0;
        while done < frames {
            let index = block.first_sample + done as u64;
            let room = self.room_at(index)?;
            let take = usize::try_from(room)
                .unwrap_or(usize::MAX)
                .min(frames - done);
            let part = block
                .samples
                .slice_axis(Axis(1), Slice::from(done..done + take));
            if let Some(file) = &mut self.current {
                file.append(part)?;
            }
            done += take;
            self.expected = Some(index + take as u64);
            if take as u64 == room {
                self.close_current()?;
            }
        }
        Ok(())
    }

    /// How many frames the current file still takes, at least one; begins a
    /// file if there is none.
    fn room_at(&mut self, index: u64) -> Result<u64, RecorderError> {
        let limit = self.frames_per_file();
        if let Some(file) = &self.current {
            return Ok(limit.saturating_sub(file.frames()).max(1));
        }
        let file = RecordingFile::create(&self.options, self.sidecar_at(index))?;
        self.gaps.clear();
        self.files.push(file.path().to_owned());
        self.current = Some(file);
        Ok(limit)
    }

    fn frames_per_file(&self) -> u64 {
        let by_time = self.options.split_seconds * self.options.format.rate_hz;
        let by_size = MAX_FILE_BYTES / self.options.frame_bytes().max(1) as u64;
        (by_time as u64).clamp(1, by_size.max(1))
    }

    fn sidecar_at(&self, start_index: u64) -> Sidecar {
        let format = &self.options.format;
        let start_utc = format.start_utc.and_then(|start| {
            let offset =
                SignedDuration::try_from_secs_f64(start_index as f64 / format.rate_hz).ok()?;
            start.checked_add(offset).ok()
        });
        Sidecar {
            version: SIDECAR_VERSION,
            source: self.options.source.clone(),
            rate_hz: format.rate_hz,
            channels: format.channels,
            sample_format: self.options.sample_format,
            clip_level: format.clip_level.is_finite().then_some(format.clip_level),
            start_index,
            start_utc: start_utc.or_else(|| Some(self.options.clock.now_utc())),
            calibration: self.options.calibration.clone(),
            gaps: self.gaps.clone(),
            frames: None,
            blake3: None,
        }
    }

    fn close_current(&mut self) -> Result<(), RecorderError> {
        let Some(file) = self.current.take() else {
            return Ok(());
        };
        let end_index = file.end_index();
        let (path, sidecar) = file.close()?;
        self.synced_to = end_index;
        self.wait_for_seal()?;
        self.all_in_place()?;
        self.last_closed = Some((path.clone(), sidecar.clone()));
        if !self.options.seals_aside {
            return seal(&self.options.storage, &path, sidecar);
        }
        let storage = Arc::clone(&self.options.storage);
        self.sealing = Some(thread::spawn(move || seal(&storage, &path, sidecar)));
        Ok(())
    }

    /// That no recording of this session was taken away.
    fn all_in_place(&self) -> Result<(), RecorderError> {
        let gone = |path: &&PathBuf| !path.exists();
        self.files.iter().find(gone).map_or(Ok(()), |path| {
            Err(io_error(path, "go on without the recording")(
                std::io::ErrorKind::NotFound.into(),
            ))
        })
    }

    fn wait_for_seal(&mut self) -> Result<(), RecorderError> {
        match self.sealing.take().map(JoinHandle::join) {
            None => Ok(()),
            Some(Ok(sealed)) => sealed,
            Some(Err(panic)) => std::panic::resume_unwind(panic),
        }
    }
}
