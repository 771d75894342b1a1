//! WAV recordings → blocks, in sample order, from one or several files that
//! continue one another.
//!
//! In: RIFF, RF64 and BW64 files with 16-, 24- or 32-bit integer or 32- or
//! 64-bit float samples, plain or extensible, and their sidecars. Out:
//! [`Block`]s with digital full scale = 1. Touches the files it is given and
//! reads them once, front to back. What can be repaired is repaired, with a
//! note ([`WavReader::notes`]); what cannot be is an [`IngestError`].

mod begun;
pub(in crate::ingest) mod decode;
mod encoded;
mod format;
mod hashes;
mod header;
mod messages;

use crate::setup::RecordedFile;
use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};

use ndarray::Array2;

pub use begun::Begun;
pub use encoded::{CODE_FULL_SCALE, EncodedBlock};
pub use format::SampleEncoding;
pub use hashes::FileHashes;
pub use header::{WavHeader, read_header};
pub use messages::WavMessages;

use super::gaps::{any_value, runs_with_values, values_missing};
use super::regular::open_regular;
use super::sidecar::{Sidecar, read_sidecar};
use super::{Block, IngestError, MAX_SAMPLE_INDEX, StreamFormat};
use begun::find_begun;
use decode::{Decoder, Justification};
use hashes::FileHash;

/// Most bytes read at once, whatever block length is asked for.
const READ_LIMIT_BYTES: usize = 4 << 20;

/// Where it can be, a read ends at a multiple of this: BLAKE3 is a tree over powers of two, and
/// takes what is given it in pieces of such as many parts at once as registers hold.
const HASH_BYTES: u64 = 64 << 10;

/// How much of a file is looked at to see how its integers are justified.
const PROBE_BYTES: u64 = 1 << 20;

/// Reads recordings that continue one another as one stream.
#[derive(Debug)]
pub struct WavReader {
    format: StreamFormat,
    segments: Vec<Segment>,
    /// Index one past the last frame, read or known to be missing.
    end_index: u64,
    notes: Vec<String>,
    /// The file being read.
    current: Option<Open>,
    /// Number of segments opened so far.
    opened: usize,
    /// What was read but not handed out yet.
    pending: VecDeque<StoredFrames>,
    /// Where the hashes go, if there are to be any.
    hashes: Option<FileHashes>,
    /// Memory for the next block.
    spare: Vec<u8>,
}

/// Frames as they are handed out.
#[derive(Debug)]
pub enum StoredFrames {
    /// Integers of up to 24 bits.
    Encoded(EncodedBlock),
    /// Any other samples.
    Block(Block),
}

/// One file of the stream.
#[derive(Debug)]
struct Segment {
    path: PathBuf,
    header: WavHeader,
    decoder: Decoder,
    start_index: u64,
    rate_hz: f64,
    begun: Option<Begun>,
}

/// What a recording says of itself before its samples.
#[derive(Debug, Clone, PartialEq)]
pub struct WavStart {
    /// Sampling rate, Hz, > 0.
    pub rate_hz: f64,
    /// Number of channels, > 0.
    pub channels: usize,
    /// How one sample is stored.
    pub encoding: SampleEncoding,
    /// Whole frames.
    pub frames: u64,
    /// When it was begun.
    pub begun: Option<Begun>,
}

/// Reads what a recording says of itself.
///
/// # Errors
/// Where it is no recording that can be read.
pub fn read_start(path: &Path) -> Result<WavStart, IngestError> {
    let io_error = |source| IngestError::Io {
        path: path.to_owned(),
        action: "open",
        source,
    };
    let mut file = open_regular(path).map_err(io_error)?;
    let file_bytes = file.metadata().map_err(io_error)?.len();
    let header = read_header(&mut file, file_bytes, path)?;
    let rate_hz = f64::from(header.rate_hz);
    Ok(WavStart {
        rate_hz,
        channels: header.channels,
        encoding: header.encoding,
        frames: header.frames,
        begun: find_begun(&mut file, file_bytes, rate_hz),
    })
}

#[derive(Debug)]
struct Open {
    segment: usize,
    file: File,
    /// Where in the file it is read next.
    position: u64,
    /// Bytes of a frame whose others come with the next read.
    begun: Vec<u8>,
    frames_done: u64,
    /// Whether the log has said that values are missing in this file.
    has_said_missing: bool,
    hash: Option<FileHash>,
}

impl WavReader {
    /// Opens recordings that continue one another, in this order. All headers
    /// are read and compared now, samples later.
    pub fn open(paths: &[PathBuf]) -> Result<Self, IngestError> {
        let mut segments: Vec<Segment> = Vec::with_capacity(paths.len());
        let mut notes = Vec::new();
        let mut format = None;
        let mut end_index = 0;
        for path in paths {
            let sidecar = read_sidecar(path)?;
            let segment = Segment::open(path, sidecar.as_ref(), segments.last(), &mut notes)?;
            if format.is_none() {
                format = Some(stream_format(&segment, sidecar.as_ref()));
            }
            let gaps = sidecar.map(|sidecar| sidecar.gaps).unwrap_or_default();
            end_index = gaps
                .iter()
                .map(|gap| gap.first_sample.saturating_add(gap.missing))
                .fold(segment.end_index(), u64::max);
            segments.push(segment);
        }
        Ok(Self {
            format: format.ok_or(IngestError::NoFiles)?,
            segments,
            end_index,
            notes,
            current: None,
            opened: 0,
            pending: VecDeque::new(),
            hashes: None,
            spare: Vec::new(),
        })
    }

    /// Rate, channels and clipping level of the stream.
    pub fn format(&self) -> &StreamFormat {
        &self.format
    }

    /// Index one past the last frame, read or known to be missing. A stream
    /// of files without sidecars starts at 0, so this is the number of frames.
    pub fn total_frames(&self) -> Option<u64> {
        Some(self.end_index)
    }

    /// Index of the first frame.
    pub fn first_sample(&self) -> u64 {
        self.segments.first().map_or(0, |first| first.start_index)
    }

    /// Moves the count of samples, so that the first one has another index; its
    /// place in time stays. `by` may be negative, but no index.
    pub fn shift(&mut self, by: i64) {
        for segment in &mut self.segments {
            segment.start_index = segment.start_index.saturating_add_signed(by);
        }
        self.end_index = self.end_index.saturating_add_signed(by);
        let later = jiff::SignedDuration::try_from_secs_f64(by as f64 / self.format.rate_hz);
        self.format.start_utc = self
            .format
            .start_utc
            .zip(later.ok())
            .and_then(|(start, later)| start.checked_sub(later).ok());
    }

    /// When the first recording was begun, by its header.
    pub fn begun(&self) -> Option<Begun> {
        self.segments.first()?.begun
    }

    /// Labels the samples by the time in the header, of a clock that is
    /// `ahead_of_utc` of UTC, where no sidecar does.
    pub fn label(&mut self, ahead_of_utc: jiff::tz::Offset) {
        let label = |at: jiff::civil::DateTime| {
            let start_utc = ahead_of_utc.to_timestamp(at).ok()?;
            let before_s = self.first_sample() as f64 / self.format.rate_hz;
            let before = jiff::SignedDuration::try_from_secs_f64(before_s).ok()?;
            start_utc.checked_sub(before).ok()
        };
        if self.format.start_utc.is_none() {
            self.format.start_utc = self.begun().and_then(|begun| begun.at()).and_then(label);
        }
    }

    /// The files in their order, with the times that they cover.
    pub fn files(&self) -> Vec<RecordedFile> {
        self.segments
            .iter()
            .map(|segment| RecordedFile {
                name: segment
                    .path
                    .file_name()
                    .map(|name| name.to_string_lossy().into_owned())
                    .unwrap_or_default(),
                start_s: segment.start_index as f64 / segment.rate_hz,
                end_s: segment.end_index() as f64 / segment.rate_hz,
            })
            .collect()
    }

    /// Each file in its order: where it is, when it was begun by its header, and
    /// its first sample, s.
    pub fn files_read(&self) -> impl Iterator<Item = (&Path, Option<Begun>, f64)> {
        self.segments.iter().map(|segment| {
            let start_s = segment.start_index as f64 / segment.rate_hz;
            (segment.path.as_path(), segment.begun, start_s)
        })
    }

    /// From the next file on, puts down the hash of each that is read to its end.
    pub fn hash_into(&mut self, hashes: FileHashes) {
        self.hashes = Some(hashes);
    }

    /// What was repaired, is missing or was left out; each names its file.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// The next block of at most `frames` frames (at least one is taken);
    /// `None` after the last. A block never spans two files. Where frames are
    /// missing (a gap between files, or frames in which no channel has a value)
    /// the next block's `first_sample` jumps.
    pub fn next_block(&mut self, frames: usize) -> Result<Option<Block>, IngestError> {
        Ok(self.next_stored(frames)?.map(|stored| match stored {
            StoredFrames::Encoded(encoded) => Block::from(encoded),
            StoredFrames::Block(block) => block,
        }))
    }

    /// The same as they are stored, where the tone stage can take them so.
    pub fn next_stored(&mut self, frames: usize) -> Result<Option<StoredFrames>, IngestError> {
        loop {
            if let Some(stored) = self.pending.pop_front() {
                return Ok(Some(stored));
            }
            let open = match self.current.take() {
                Some(open) => open,
                None => match self.open_next()? {
                    Some(open) => open,
                    None => return Ok(None),
                },
            };
            self.read_frames(open, frames)?;
        }
    }

    /// Takes a block back that is not needed any more: its memory serves for the next.
    pub fn reuse(&mut self, block: EncodedBlock) {
        self.spare = block.into_bytes();
    }

    fn open_next(&mut self) -> Result<Option<Open>, IngestError> {
        let Some(segment) = self.segments.get(self.opened) else {
            return Ok(None);
        };
        let io_error = |action| {
            move |source| IngestError::Io {
                path: segment.path.clone(),
                action,
                source,
            }
        };
        let mut file = open_regular(&segment.path).map_err(io_error("open"))?;
        let data_offset = segment.header.data_offset;
        let hash = match &self.hashes {
            Some(hashes) => FileHash::begin(hashes, &mut file, data_offset).map(Some),
            None => Ok(None),
        };
        let hash = hash.map_err(io_error("read"))?;
        file.seek(SeekFrom::Start(data_offset))
            .map_err(io_error("read"))?;
        let open = Open {
            segment: self.opened,
            file,
            position: data_offset,
            begun: Vec::new(),
            frames_done: 0,
            has_said_missing: false,
            hash,
        };
        self.opened += 1;
        Ok(Some(open))
    }

    /// Reads the next frames of `open` into `pending`, and keeps `open` for
    /// the next call unless it is used up.
    fn read_frames(&mut self, mut open: Open, frames: usize) -> Result<(), IngestError> {
        let Some(segment) = self.segments.get(open.segment) else {
            return Ok(());
        };
        let frame_bytes = segment.header.frame_bytes;
        let left = segment.header.frames - open.frames_done;
        let frames = frames
            .clamp(1, (READ_LIMIT_BYTES / frame_bytes).max(1))
            .min(usize::try_from(left).unwrap_or(usize::MAX));
        if frames == 0 {
            return Ok(());
        }
        let begun = open.begun.len();
        let mut wanted = frames * frame_bytes - begun;
        if open.hash.is_some() {
            let beyond = (open.position + wanted as u64) % HASH_BYTES;
            let less = wanted.saturating_sub(beyond as usize);
            if begun + less >= frame_bytes {
                wanted = less;
            }
        }
        let mut bytes = std::mem::take(&mut self.spare);
        bytes.resize(begun + wanted, 0);
        let (before, fresh) = bytes.split_at_mut(begun);
        before.copy_from_slice(&open.begun);
        open.file
            .read_exact(fresh)
            .map_err(|error| segment.read_fault(error))?;
        open.position += wanted as u64;
        if let Some(hash) = &mut open.hash {
            hash.take(fresh);
        }
        let frames = bytes.len() / frame_bytes;
        open.begun = bytes.split_off(frames * frame_bytes);
        if !segment.decoder.slack_is_clean(&bytes) {
            return Err(segment.slack_fault(open.frames_done));
        }
        let first_sample = segment.start_index + open.frames_done;
        if segment.decoder.has_codes() {
            let encoded = EncodedBlock::new(first_sample, bytes, segment.decoder);
            self.pending.push_back(StoredFrames::Encoded(encoded));
        } else {
            let mut samples = Array2::zeros((segment.header.channels, frames));
            segment.decoder.decode(&bytes, &mut samples);
            let block = Block {
                first_sample,
                samples,
            };
            if !open.has_said_missing && values_missing(&block) > 0 {
                open.has_said_missing = true;
                tracing::warn!(
                    file = %segment.path.display(),
                    first_sample = block.first_sample,
                    "A channel has no value at some instants (no finite number)."
                );
            }
            let runs = runs_with_values(block, any_value);
            self.pending
                .extend(runs.into_iter().map(StoredFrames::Block));
        }
        open.frames_done += frames as u64;
        if open.frames_done < segment.header.frames {
            self.current = Some(open);
        } else if let Some(hash) = open.hash {
            hash.end(&segment.path, &mut open.file);
        }
        Ok(())
    }
}

impl Segment {
    fn open(
        path: &Path,
        sidecar: Option<&Sidecar>,
        before: Option<&Segment>,
        notes: &mut Vec<String>,
    ) -> Result<Self, IngestError> {
        let io_error = |action| {
            move |source| IngestError::Io {
                path: path.to_owned(),
                action,
                source,
            }
        };
        let mut file = open_regular(path).map_err(io_error("open"))?;
        let file_bytes = file.metadata().map_err(io_error("open"))?.len();
        let mut header = read_header(&mut file, file_bytes, path)?;
        let decoder = probe(&mut file, &mut header, path)?;
        check_sidecar(path, &mut header, sidecar)?;
        notes.extend(
            header
                .notes
                .iter()
                .map(|note| format!("{}: {note}", path.display())),
        );
        let segment = Self {
            path: path.to_owned(),
            begun: find_begun(&mut file, file_bytes, f64::from(header.rate_hz)),
            decoder,
            start_index: sidecar
                .map(|sidecar| sidecar.start_index)
                .or(before.map(Segment::end_index))
                .unwrap_or(0),
            rate_hz: sidecar.map_or(f64::from(header.rate_hz), |sidecar| sidecar.rate_hz),
            header,
        };
        let gaps = sidecar.map_or(&[][..], |sidecar| &sidecar.gaps);
        let ends = gaps
            .iter()
            .map(|gap| gap.first_sample.checked_add(gap.missing))
            .chain([segment.start_index.checked_add(segment.header.frames)]);
        for end in ends {
            if end.is_none_or(|end| end > MAX_SAMPLE_INDEX) {
                return Err(IngestError::Damaged {
                    path: path.to_owned(),
                    what: format!(
                        "its sidecar counts samples beyond {MAX_SAMPLE_INDEX}; restore the \
                         sidecar, or move it away to read the recording without it"
                    ),
                });
            }
        }
        if let Some(before) = before {
            segment.check_continues(before)?;
        }
        Ok(segment)
    }

    fn end_index(&self) -> u64 {
        self.start_index + self.header.frames
    }

    fn check_continues(&self, before: &Segment) -> Result<(), IngestError> {
        let (a, b) = (&before.header, &self.header);
        let what = if (self.rate_hz - before.rate_hz).abs() > 0.0 {
            format!("{} Hz after {} Hz", self.rate_hz, before.rate_hz)
        } else if a.channels != b.channels {
            format!("{} channels after {}", b.channels, a.channels)
        } else if a.encoding != b.encoding {
            format!("{} after {}", b.encoding, a.encoding)
        } else if self.start_index < before.end_index() {
            format!(
                "it starts at sample {}, the other ends at {}; name the files in the order in \
                 which they were recorded",
                self.start_index,
                before.end_index()
            )
        } else {
            return Ok(());
        };
        Err(IngestError::Mismatch {
            path: self.path.clone(),
            before: before.path.clone(),
            what,
        })
    }

    fn read_fault(&self, source: io::Error) -> IngestError {
        if source.kind() == io::ErrorKind::UnexpectedEof {
            return IngestError::Damaged {
                path: self.path.clone(),
                what: "the file became shorter while it was read".into(),
            };
        }
        IngestError::Io {
            path: self.path.clone(),
            action: "read",
            source,
        }
    }

    fn slack_fault(&self, frames_done: u64) -> IngestError {
        IngestError::Damaged {
            path: self.path.clone(),
            what: format!(
                "the header declares {}, but after frame {frames_done} other bits are in use; \
                 the samples' scale cannot be trusted",
                self.header.encoding
            ),
        }
    }
}

/// Finds out how the integers of a file sit in their containers.
fn probe(file: &mut File, header: &mut WavHeader, path: &Path) -> Result<Decoder, IngestError> {
    let mut decoder = Decoder {
        encoding: header.encoding,
        frame_bytes: header.frame_bytes,
        justification: Justification::Left,
    };
    let SampleEncoding::Integer {
        container_bytes,
        valid_bits,
    } = header.encoding
    else {
        return Ok(decoder);
    };
    if container_bytes * 8 == valid_bits {
        return Ok(decoder);
    }
    let mut bytes = Vec::new();
    file.seek(SeekFrom::Start(header.data_offset))
        .and_then(|_| file.take(PROBE_BYTES).read_to_end(&mut bytes))
        .map_err(|source| IngestError::Io {
            path: path.to_owned(),
            action: "read",
            source,
        })?;
    if decoder.slack_is_clean(&bytes) {
        return Ok(decoder);
    }
    decoder.justification = Justification::Right;
    if decoder.slack_is_clean(&bytes) {
        header.notes.push(format!(
            "{valid_bits}-bit samples sit at the bottom of their {container_bytes} bytes, against \
             the format; read so"
        ));
        return Ok(decoder);
    }
    Err(IngestError::Damaged {
        path: path.to_owned(),
        what: format!(
            "the header declares {valid_bits} valid bits, but the samples use more; their scale \
             cannot be trusted"
        ),
    })
}

/// Whether a sidecar belongs to its recording.
fn check_sidecar(
    path: &Path,
    header: &mut WavHeader,
    sidecar: Option<&Sidecar>,
) -> Result<(), IngestError> {
    let Some(sidecar) = sidecar else {
        return Ok(());
    };
    let fault = |what| IngestError::Damaged {
        path: path.to_owned(),
        what,
    };
    if sidecar.channels != header.channels {
        return Err(fault(format!(
            "{} channels, its sidecar says {}",
            header.channels, sidecar.channels
        )));
    }
    // The header holds the rate in whole Hz, at least 1.
    let rate_error_hz = (sidecar.rate_hz - f64::from(header.rate_hz)).abs();
    if sidecar.rate_hz <= 0.0 || !rate_error_hz.is_finite() || rate_error_hz >= 1.0 {
        return Err(fault(format!(
            "{} Hz, its sidecar says {} Hz",
            header.rate_hz, sidecar.rate_hz
        )));
    }
    if let Some(frames) = sidecar.frames
        && frames != header.frames
    {
        header.notes.push(format!(
            "holds {} frames, its sidecar says {frames}",
            header.frames
        ));
    }
    Ok(())
}

fn stream_format(segment: &Segment, sidecar: Option<&Sidecar>) -> StreamFormat {
    StreamFormat {
        rate_hz: segment.rate_hz,
        channels: segment.header.channels,
        clip_level: sidecar.map_or(segment.header.encoding.clip_level(), |sidecar| {
            sidecar.clip_level.unwrap_or(f64::INFINITY)
        }),
        start_utc: sidecar.and_then(|sidecar| {
            let seconds = sidecar.start_index as f64 / segment.rate_hz;
            let before = jiff::SignedDuration::try_from_secs_f64(seconds).ok()?;
            sidecar.start_utc?.checked_sub(before).ok()
        }),
    }
}
