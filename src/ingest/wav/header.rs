//! A WAV header: where the samples are, how many, and how they are stored.
//!
//! In: a seekable byte source and its length. Out: a [`WavHeader`], with a
//! note for each thing that was repaired or is missing. Reads RIFF, RF64 and
//! BW64 (EBU Tech 3306, ITU-R BS.2088: sizes in a `ds64` chunk).

use std::io::{Read, Seek, SeekFrom};
use std::path::Path;

use super::format::{SampleEncoding, WaveFormat, parse_format};
use crate::ingest::IngestError;

/// More chunks than this before the samples is no recording.
const CHUNK_LIMIT: usize = 4096;

/// A size field that says "not known yet" (RF64, and writers to a pipe).
const UNKNOWN_SIZE: u32 = u32::MAX;

/// Names of chunks that recorders write. They show that a pad byte was
/// forgotten, and that bytes behind the samples are no samples.
const KNOWN_CHUNKS: [&[u8; 4]; 22] = [
    b"fmt ", b"data", b"fact", b"LIST", b"JUNK", b"junk", b"PAD ", b"FLLR", b"bext", b"iXML",
    b"axml", b"chna", b"ds64", b"PEAK", b"cue ", b"smpl", b"inst", b"id3 ", b"ID3 ", b"_PMX",
    b"levl", b"acid",
];

/// What the header of one WAV file says.
#[derive(Debug, Clone, PartialEq)]
pub struct WavHeader {
    /// Sampling rate, Hz, > 0.
    pub rate_hz: u32,
    /// Number of channels, > 0.
    pub channels: usize,
    /// How one sample is stored.
    pub encoding: SampleEncoding,
    /// Bytes of one frame (all channels), > 0.
    pub frame_bytes: usize,
    /// Where the first frame starts.
    pub data_offset: u64,
    /// Whole frames in the file.
    pub frames: u64,
    /// What was repaired or is missing.
    pub notes: Vec<String>,
}

/// Reads the header of a file of `file_bytes` bytes; `path` is for messages.
pub fn read_header(
    source: &mut (impl Read + Seek),
    file_bytes: u64,
    path: &Path,
) -> Result<WavHeader, IngestError> {
    Scan {
        source,
        file_bytes,
        path,
        notes: Vec::new(),
    }
    .run()
}

/// The 64-bit sizes of a `ds64` chunk.
#[derive(Debug, Clone, Copy)]
struct LongSizes {
    riff_bytes: u64,
    data_bytes: u64,
}

/// The outermost chunk.
#[derive(Debug, Clone, Copy)]
struct RiffForm {
    riff_bytes: u32,
    is_long: bool,
}

/// A chunk behind the samples.
#[derive(Debug, Clone, Copy)]
struct Chunk {
    name: [u8; 4],
    /// Where it ends, without a pad byte.
    end: u64,
    /// Whether a pad byte has to follow.
    is_odd: bool,
    is_known: bool,
}

/// What stands behind the samples that the header promises.
enum Tail {
    /// Nothing, or chunks: the header accounts for every byte.
    Accounted,
    /// Samples that the first 'data' chunk does not hold.
    MoreSamples {
        /// What holds them.
        what: &'static str,
        /// Where, bytes.
        at: u64,
    },
    /// Bytes that no chunk explains.
    Unaccounted,
}

struct Scan<'a, S> {
    source: &'a mut S,
    file_bytes: u64,
    path: &'a Path,
    notes: Vec<String>,
}

impl<S: Read + Seek> Scan<'_, S> {
    fn run(mut self) -> Result<WavHeader, IngestError> {
        let form = self.read_form()?;
        let mut position = 12;
        let mut long_sizes = None;
        let mut format = None;
        for _ in 0..CHUNK_LIMIT {
            if self.file_bytes.saturating_sub(position) < 8 {
                let missing = if format.is_some() { "data" } else { "fmt" };
                return Err(self.damaged(format!(
                    "the file ends at byte {} before its '{missing}' chunk; copy it again from \
                     the recorder",
                    self.file_bytes
                )));
            }
            let head: [u8; 8] = self.read_at(position)?;
            let [a, b, c, d, size @ ..] = head;
            let (name, size) = ([a, b, c, d], u32::from_le_bytes(size));
            let body = position + 8;
            match &name {
                b"data" => {
                    let Some(format) = format else {
                        return Err(self.damaged(
                            "'data' comes before 'fmt '; the samples cannot be told apart".into(),
                        ));
                    };
                    return self.finish(format, form, long_sizes, body, size);
                }
                b"fmt " => format = Some(self.read_format(body, size)?),
                b"ds64" => long_sizes = Some(self.read_long_sizes(body, size)?),
                _ => {}
            }
            position = self.next_chunk(name, body, size)?;
        }
        Err(self.damaged(format!("more than {CHUNK_LIMIT} chunks before the samples")))
    }

    fn read_form(&mut self) -> Result<RiffForm, IngestError> {
        if self.file_bytes < 12 {
            return Err(self.damaged(format!(
                "{} bytes long, too short for a WAV header",
                self.file_bytes
            )));
        }
        let head: [u8; 12] = self.read_at(0)?;
        let [a, b, c, d, e, f, g, h, form @ ..] = head;
        let is_long = match &[a, b, c, d] {
            b"RIFF" => false,
            b"RF64" | b"BW64" => true,
            other => return Err(self.unsupported(foreign_format(*other))),
        };
        if &form != b"WAVE" {
            return Err(self.unsupported(format!(
                "a RIFF file of type '{}', not WAVE",
                form.escape_ascii()
            )));
        }
        Ok(RiffForm {
            riff_bytes: u32::from_le_bytes([e, f, g, h]),
            is_long,
        })
    }

    fn read_format(&mut self, body: u64, size: u32) -> Result<WaveFormat, IngestError> {
        let mut bytes = [0_u8; 40];
        let length = (size as usize).min(bytes.len());
        let taken = bytes.get_mut(..length).unwrap_or_default();
        self.fill_at(body, taken)?;
        parse_format(taken).map_err(|what| self.unsupported(what))
    }

    fn read_long_sizes(&mut self, body: u64, size: u32) -> Result<LongSizes, IngestError> {
        if size < 16 {
            return Err(self.damaged(format!("'ds64' chunk of {size} bytes; 28 are right")));
        }
        let bytes: [u8; 16] = self.read_at(body)?;
        let [a, b, c, d, e, f, g, h, data @ ..] = bytes;
        Ok(LongSizes {
            riff_bytes: u64::from_le_bytes([a, b, c, d, e, f, g, h]),
            data_bytes: u64::from_le_bytes(data),
        })
    }

    /// Where the chunk after this one starts. A chunk of odd length is
    /// followed by a pad byte; some writers forget it.
    fn next_chunk(&mut self, name: [u8; 4], body: u64, size: u32) -> Result<u64, IngestError> {
        let end = body + u64::from(size);
        if end > self.file_bytes {
            return Err(self.damaged(format!(
                "chunk '{}' claims {size} bytes, the file ends after {}; copy it again from the \
                 recorder",
                name.escape_ascii(),
                self.file_bytes - body
            )));
        }
        if size % 2 == 1 && self.file_bytes - end >= 4 {
            let next: [u8; 4] = self.read_at(end)?;
            if KNOWN_CHUNKS.contains(&&next) {
                self.notes.push(format!(
                    "chunk '{}' has no pad byte after its odd length; read on without it",
                    name.escape_ascii()
                ));
                return Ok(end);
            }
        }
        Ok(end + u64::from(size % 2))
    }

    fn finish(
        mut self,
        format: WaveFormat,
        form: RiffForm,
        long_sizes: Option<LongSizes>,
        data_offset: u64,
        size: u32,
    ) -> Result<WavHeader, IngestError> {
        let (declared, riff_bytes) = match long_sizes {
            Some(long) if form.is_long && size == UNKNOWN_SIZE => (
                (long.data_bytes != u64::MAX).then_some(long.data_bytes),
                long.riff_bytes,
            ),
            _ => (
                (size != UNKNOWN_SIZE).then_some(u64::from(size)),
                u64::from(form.riff_bytes),
            ),
        };
        let bytes = self.data_bytes(declared, data_offset, riff_bytes, format.frame_bytes)?;
        let frame_bytes = format.frame_bytes as u64;
        let ragged = bytes % frame_bytes;
        if ragged != 0 {
            self.notes.push(format!(
                "the last frame is cut off after {ragged} of {frame_bytes} bytes; it is left out"
            ));
        }
        Ok(WavHeader {
            rate_hz: format.rate_hz,
            channels: format.channels,
            encoding: format.encoding,
            frame_bytes: format.frame_bytes,
            data_offset,
            frames: bytes / frame_bytes,
            notes: self.notes,
        })
    }

    /// How many bytes of samples there are: what the header declares, unless
    /// the file shows that the header was never finished or the end is missing.
    fn data_bytes(
        &mut self,
        declared: Option<u64>,
        data_offset: u64,
        riff_bytes: u64,
        frame_bytes: usize,
    ) -> Result<u64, IngestError> {
        let rest = self.file_bytes - data_offset;
        let frame_bytes = frame_bytes as u64;
        let Some(declared) = declared else {
            self.notes.push(format!(
                "the header does not say how long the recording is; took all {} frames to the \
                 end of the file",
                rest / frame_bytes
            ));
            return Ok(rest);
        };
        if declared > rest {
            self.notes.push(format!(
                "the end is missing: the header promises {} frames, the file holds {}",
                declared / frame_bytes,
                rest / frame_bytes
            ));
            return Ok(rest);
        }
        let data_end = data_offset + declared;
        match self.tail(data_end, declared % 2 == 1)? {
            Tail::Accounted => return Ok(declared),
            Tail::MoreSamples { what, at } => {
                return Err(self.unsupported(format!(
                    "{what} at byte {at}: the samples of a recording stand in one 'data' chunk; \
                     export it again as one"
                )));
            }
            Tail::Unaccounted => {}
        }
        // No chunk explains the bytes behind the samples that are promised. A
        // recorder that was killed leaves both of its lengths behind what it
        // had written by then. Lengths that contradict one another were altered.
        let form_end = riff_bytes.saturating_add(8);
        let never_filled_in =
            declared == 0 || [0, u64::from(UNKNOWN_SIZE), u64::MAX].contains(&riff_bytes);
        if !never_filled_in && form_end > data_end + declared % 2 {
            return Err(self.damaged(format!(
                "its lengths contradict one another: 'data' ends at byte {data_end} after {} \
                 frames, the whole at byte {form_end}, and no chunk stands between; samples would \
                 be missing; copy it again from the recorder, or correct the length of 'data' \
                 (the file has room for {} frames)",
                declared / frame_bytes,
                rest / frame_bytes
            )));
        }
        self.notes.push(format!(
            "the header was not finished: it promises {} frames, the file holds {}; took all",
            declared / frame_bytes,
            rest / frame_bytes
        ));
        Ok(rest)
    }

    /// What stands behind samples that end at `data_end`, after an odd number
    /// of bytes or not.
    fn tail(&mut self, data_end: u64, is_odd: bool) -> Result<Tail, IngestError> {
        let mut position = self.behind(data_end, is_odd)?;
        let mut has_known = false;
        for _ in 0..CHUNK_LIMIT {
            if position >= self.file_bytes {
                return Ok(Tail::Accounted);
            }
            let Some(chunk) = self.chunk_at(position)? else {
                break;
            };
            let what = match &chunk.name {
                b"data" => Some("a second 'data' chunk"),
                b"RIFF" | b"RF64" | b"BW64" => Some("another WAV file"),
                _ => None,
            };
            if let Some(what) = what {
                return Ok(Tail::MoreSamples { what, at: position });
            }
            has_known |= chunk.is_known;
            position = self.behind(chunk.end, chunk.is_odd)?;
        }
        if has_known {
            self.notes.push(format!(
                "{} bytes behind its last chunk are left out",
                self.file_bytes - position
            ));
            return Ok(Tail::Accounted);
        }
        Ok(Tail::Unaccounted)
    }

    /// Where the next chunk stands: behind an odd number of bytes comes a pad
    /// byte, which some writers forget.
    fn behind(&mut self, end: u64, is_odd: bool) -> Result<u64, IngestError> {
        let is_forgotten = is_odd && self.chunk_at(end)?.is_some_and(|chunk| chunk.is_known);
        Ok(if is_odd && !is_forgotten {
            end + 1
        } else {
            end
        })
    }

    /// The chunk at `position`, if one that fits into the file may stand there.
    fn chunk_at(&mut self, position: u64) -> Result<Option<Chunk>, IngestError> {
        if self.file_bytes.saturating_sub(position) < 8 {
            return Ok(None);
        }
        let [a, b, c, d, size @ ..]: [u8; 8] = self.read_at(position)?;
        let name = [a, b, c, d];
        let end = position + 8 + u64::from(u32::from_le_bytes(size));
        let is_name = name.iter().all(|byte| matches!(byte, b' '..=b'~'));
        Ok((is_name && end <= self.file_bytes).then_some(Chunk {
            name,
            end,
            is_odd: (end - position) % 2 == 1,
            is_known: KNOWN_CHUNKS.contains(&&name),
        }))
    }

    fn read_at<const N: usize>(&mut self, position: u64) -> Result<[u8; N], IngestError> {
        let mut bytes = [0; N];
        self.fill_at(position, &mut bytes)?;
        Ok(bytes)
    }

    fn fill_at(&mut self, position: u64, bytes: &mut [u8]) -> Result<(), IngestError> {
        self.source
            .seek(SeekFrom::Start(position))
            .and_then(|_| self.source.read_exact(bytes))
            .map_err(|source| {
                if source.kind() == std::io::ErrorKind::UnexpectedEof {
                    self.damaged(format!("the header is cut off at byte {position}"))
                } else {
                    IngestError::Io {
                        path: self.path.to_owned(),
                        action: "read",
                        source,
                    }
                }
            })
    }

    fn damaged(&self, what: String) -> IngestError {
        IngestError::Damaged {
            path: self.path.to_owned(),
            what,
        }
    }

    fn unsupported(&self, what: String) -> IngestError {
        IngestError::Unsupported {
            path: self.path.to_owned(),
            what,
        }
    }
}

/// What a file that does not start with RIFF is, in words.
fn foreign_format(magic: [u8; 4]) -> String {
    let kind = match &magic {
        b"RIFX" => "a big-endian WAV file (RIFX)",
        b"riff" => "a Sony Wave64 file (W64)",
        b"fLaC" => "a FLAC file",
        b"OggS" => "an Ogg file",
        b"FORM" => "an AIFF file",
        b"caff" => "a Core Audio file (CAF)",
        other => {
            let starts = format!("starts with '{}', not a WAV file", other.escape_ascii());
            let is_text = |byte: &u8| byte.is_ascii_graphic() || byte.is_ascii_whitespace();
            return if other.iter().all(is_text) || other.starts_with(b"\xef\xbb\xbf") {
                format!(
                    "{starts}; `spanhold import` makes recordings of tables and universal files"
                )
            } else {
                starts
            };
        }
    };
    format!("{kind}, which is not read; convert it to WAV (RIFF or RF64)")
}
