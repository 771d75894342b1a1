//! Bytes as they come → whole frames. Any split of the bytes gives the same
//! frames; after any damage the next delimiter starts afresh.

use super::{
    AnnouncedChannel, Announcement, CRC, CRC_BYTES, KIND_ANNOUNCEMENT, KIND_SAMPLES,
    MAX_FRAME_BYTES, SampleHeader, format_of,
};
use crate::ingest::fields::Fields;
use crate::setup::SampleFormat;

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
            Some(body) if self.overflow_bytes == 0 => match parse(body) {
                Some(frame) => {
                    self.counts.accepted += 1;
                    take(frame);
                }
                None => self.counts.malformed += 1,
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

/// Undoes COBS in place and checks the CRC; gives the body without it.
fn check(bytes: &mut [u8]) -> Option<&[u8]> {
    let length = cobs::decode_in_place(bytes).ok()?;
    let (body, crc) = bytes.get(..length)?.split_last_chunk::<CRC_BYTES>()?;
    (CRC.checksum(body) == u32::from_le_bytes(*crc)).then_some(body)
}

/// Format, channels and stream: common to both kinds.
struct Common {
    sample_format: SampleFormat,
    channels: u16,
    stream_id: u32,
}

fn parse(body: &[u8]) -> Option<Frame<'_>> {
    let mut fields = Fields(body);
    let [kind, code] = fields.take()?;
    let common = Common {
        sample_format: format_of(code)?,
        channels: fields.u16().filter(|n| *n > 0)?,
        stream_id: fields.u32()?,
    };
    match kind {
        KIND_SAMPLES => parse_samples(fields, &common).map(Frame::Samples),
        KIND_ANNOUNCEMENT => parse_announcement(fields, &common).map(Frame::Announcement),
        _ => None,
    }
}

fn parse_samples<'a>(mut fields: Fields<'a>, common: &Common) -> Option<SampleFrame<'a>> {
    let header = SampleHeader {
        sample_format: common.sample_format,
        channels: common.channels,
        stream_id: common.stream_id,
        first_sample: fields.u64()?,
        device_time_us: fields.u64()?,
        rate_hz: fields.f64().filter(|rate_hz| is_rate(*rate_hz))?,
        sequence: fields.u32()?,
    };
    let frame = SampleFrame {
        header,
        samples: fields.0,
    };
    let frame_bytes = usize::from(header.channels) * header.sample_format.sample_bytes();
    let is_whole = !frame.samples.is_empty() && frame.samples.len().is_multiple_of(frame_bytes);
    // The counter must not run over within a frame.
    let is_countable = header.first_sample.checked_add(frame.frames()).is_some();
    (is_whole && is_countable).then_some(frame)
}

fn parse_announcement(mut fields: Fields<'_>, common: &Common) -> Option<Announcement> {
    let rate_hz = fields.f64().filter(|rate_hz| is_rate(*rate_hz))?;
    let device = fields.text()?;
    let mut channels = Vec::new();
    for _ in 0..common.channels {
        channels.push(AnnouncedChannel {
            name: fields.text()?,
            unit: fields.text()?,
            full_scale: fields.f64()?,
        });
    }
    fields.0.is_empty().then_some(Announcement {
        sample_format: common.sample_format,
        stream_id: common.stream_id,
        rate_hz,
        device,
        channels,
    })
}

fn is_rate(rate_hz: f64) -> bool {
    rate_hz.is_finite() && rate_hz > 0.0
}
