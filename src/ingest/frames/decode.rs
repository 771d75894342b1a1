//! Bytes as they come → whole frames. Any split of the bytes gives the same
//! frames; after any damage decoding begins again at the next delimiter.

use super::{
    AnnouncedChannel, Announcement, CRC, CRC_BYTES, KIND_ANNOUNCEMENT, KIND_SAMPLES,
    MAX_FRAME_BYTES, SampleHeader, format_of,
};
use crate::ingest::fields::FieldReader;
use crate::setup::{SampleFormat, is_rate};

/// The longest encoded frame, without its delimiter.
const MAX_ENCODED_BYTES: usize = cobs::max_encoding_length(MAX_FRAME_BYTES);

/// A whole frame whose check sum is right.
#[derive(Debug, Clone, PartialEq)]
pub enum Frame<'a> {
    /// Samples.
    Samples(SampleFrame<'a>),
    /// Names, units and scales.
    Announcement(Announcement),
}

/// A frame of samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleFrame<'a> {
    /// What the frame says about itself.
    pub header: SampleHeader,
    /// Its check sum: another one for other content.
    pub check_sum: u32,
    /// Interleaved little-endian samples, whole frames, at least one.
    pub samples: &'a [u8],
}

impl SampleFrame<'_> {
    /// Number of frames of samples.
    pub fn frames(&self) -> u64 {
        let frame_bytes =
            usize::from(self.header.channels) * self.header.sample_format.sample_bytes();
        (self.samples.len() / frame_bytes.max(1)) as u64
    }
}

/// What the decoder has seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct FrameCounts {
    /// Frames accepted.
    pub accepted: u64,
    /// Stretches between delimiters that were no frame: cut short, altered,
    /// or too long.
    pub corrupt: u64,
    /// Bytes of them.
    pub corrupt_bytes: u64,
    /// Frames with a right check sum that say what cannot be.
    pub malformed: u64,
}

/// Takes bytes in any portions.
#[derive(Debug, Clone, Default)]
pub struct FrameDecoder {
    bytes: Vec<u8>,
    /// The stretch since the last delimiter is too long to be a frame.
    overflow_bytes: u64,
    counts: FrameCounts,
    refused_rate_hz: Option<f64>,
}

impl FrameDecoder {
    /// Takes the bytes that came next and hands each whole frame to `take`.
    pub fn push(&mut self, mut bytes: &[u8], mut take: impl FnMut(Frame<'_>)) {
        while let Some(end) = bytes.iter().position(|byte| *byte == 0) {
            let (stretch, rest) = bytes.split_at(end);
            self.append(stretch);
            self.finish_stretch(&mut take);
            bytes = rest.get(1..).unwrap_or_default();
        }
        self.append(bytes);
    }

    /// Forgets an unfinished stretch, as after the line was cut.
    pub fn reset(&mut self) {
        let open = self.bytes.len() as u64 + self.overflow_bytes;
        if open > 0 {
            self.count_corrupt(open);
        }
        self.bytes.clear();
        self.overflow_bytes = 0;
    }

    /// What was seen so far.
    pub fn counts(&self) -> FrameCounts {
        self.counts
    }

    /// The last sampling rate, Hz, for which a frame was refused: none that a
    /// device can have.
    pub fn refused_rate_hz(&self) -> Option<f64> {
        self.refused_rate_hz
    }

    fn append(&mut self, stretch: &[u8]) {
        if self.overflow_bytes == 0 && self.bytes.len() + stretch.len() <= MAX_ENCODED_BYTES {
            self.bytes.extend_from_slice(stretch);
        } else {
            self.overflow_bytes += (self.bytes.len() + stretch.len()) as u64;
            self.bytes.clear();
        }
    }

    fn finish_stretch(&mut self, take: &mut impl FnMut(Frame<'_>)) {
        let length = self.bytes.len() as u64 + self.overflow_bytes;
        let mut bytes = std::mem::take(&mut self.bytes);
        match check(&mut bytes) {
            // Nothing between two delimiters is no loss.
            _ if length == 0 => {}
            Some((body, check_sum)) if self.overflow_bytes == 0 => match parse(body, check_sum) {
                Ok(frame) => {
                    self.counts.accepted += 1;
                    take(frame);
                }
                Err(malformed) => {
                    self.counts.malformed += 1;
                    if let Malformed::Rate(rate_hz) = malformed {
                        self.refused_rate_hz = Some(rate_hz);
                    }
                }
            },
            _ => self.count_corrupt(length),
        }
        bytes.clear();
        self.bytes = bytes;
        self.overflow_bytes = 0;
    }

    fn count_corrupt(&mut self, bytes: u64) {
        self.counts.corrupt += 1;
        self.counts.corrupt_bytes += bytes;
    }
}

/// Undoes COBS in place and checks the CRC; gives the body and its CRC.
fn check(bytes: &mut [u8]) -> Option<(&[u8], u32)> {
    let length = cobs::decode_in_place(bytes).ok()?;
    let (body, crc) = bytes.get(..length)?.split_last_chunk::<CRC_BYTES>()?;
    let check_sum = CRC.checksum(body);
    (check_sum == u32::from_le_bytes(*crc)).then_some((body, check_sum))
}

/// Why a frame whose check sum is right is none.
enum Malformed {
    /// A sampling rate, Hz, that cannot be.
    Rate(f64),
    /// Too few bytes, an unknown kind or format, or a counter that runs over.
    Layout,
}

/// Format, channels and stream: common to both kinds.
struct BodyStart {
    sample_format: SampleFormat,
    channels: u16,
    stream_id: u32,
}

fn parse(body: &[u8], check_sum: u32) -> Result<Frame<'_>, Malformed> {
    let mut fields = FieldReader(body);
    let (kind, common) = parse_start(&mut fields).ok_or(Malformed::Layout)?;
    match kind {
        KIND_SAMPLES => parse_samples(fields, &common, check_sum).map(Frame::Samples),
        KIND_ANNOUNCEMENT => parse_announcement(fields, &common).map(Frame::Announcement),
        _ => Err(Malformed::Layout),
    }
}

fn parse_start(fields: &mut FieldReader<'_>) -> Option<(u8, BodyStart)> {
    let [kind, code] = fields.take()?;
    let common = BodyStart {
        sample_format: format_of(code)?,
        channels: fields.u16().filter(|n| *n > 0)?,
        stream_id: fields.u32()?,
    };
    Some((kind, common))
}

fn parse_samples<'a>(
    mut fields: FieldReader<'a>,
    common: &BodyStart,
    check_sum: u32,
) -> Result<SampleFrame<'a>, Malformed> {
    let header = parse_header(&mut fields, common).ok_or(Malformed::Layout)?;
    let frame = SampleFrame {
        header,
        check_sum,
        samples: fields.0,
    };
    let frame_bytes = usize::from(header.channels) * header.sample_format.sample_bytes();
    let is_whole = !frame.samples.is_empty() && frame.samples.len().is_multiple_of(frame_bytes);
    // The counter must not run over within a frame.
    let is_countable = header.first_sample.checked_add(frame.frames()).is_some();
    if !(is_whole && is_countable) {
        return Err(Malformed::Layout);
    }
    rate(header.rate_hz)?;
    Ok(frame)
}

fn parse_header(fields: &mut FieldReader<'_>, common: &BodyStart) -> Option<SampleHeader> {
    Some(SampleHeader {
        sample_format: common.sample_format,
        channels: common.channels,
        stream_id: common.stream_id,
        first_sample: fields.u64()?,
        device_time_us: fields.u64()?,
        rate_hz: fields.f64()?,
        sequence: fields.u32()?,
    })
}

fn parse_announcement(
    mut fields: FieldReader<'_>,
    common: &BodyStart,
) -> Result<Announcement, Malformed> {
    let announcement = parse_texts(&mut fields, common).ok_or(Malformed::Layout)?;
    if !fields.0.is_empty() {
        return Err(Malformed::Layout);
    }
    rate(announcement.rate_hz)?;
    Ok(announcement)
}

fn parse_texts(fields: &mut FieldReader<'_>, common: &BodyStart) -> Option<Announcement> {
    let rate_hz = fields.f64()?;
    let device = fields.text()?;
    let mut channels = Vec::new();
    for _ in 0..common.channels {
        channels.push(AnnouncedChannel {
            name: fields.text()?,
            unit: fields.text()?,
            full_scale: fields.f64()?,
        });
    }
    Some(Announcement {
        sample_format: common.sample_format,
        stream_id: common.stream_id,
        rate_hz,
        device,
        channels,
    })
}

fn rate(rate_hz: f64) -> Result<(), Malformed> {
    if is_rate(rate_hz) {
        Ok(())
    } else {
        Err(Malformed::Rate(rate_hz))
    }
}
