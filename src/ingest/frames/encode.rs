//! What a device does: samples → bytes on the line.

use ndarray::ArrayView2;

use super::{
    Announcement, CRC, CRC_BYTES, KIND_ANNOUNCEMENT, KIND_SAMPLES, SAMPLES_HEADER_BYTES,
    SampleHeader, format_code,
};
use crate::ingest::encode::{Inexact, encode};
use crate::setup::SampleFormat;

/// Appends one frame of samples to `line`. `samples` are interleaved,
/// little-endian, whole frames; a frame longer than
/// [`MAX_FRAME_BYTES`](super::MAX_FRAME_BYTES) would be dropped by the receiver.
pub fn encode_samples(header: &SampleHeader, samples: &[u8], line: &mut Vec<u8>) {
    let mut body = Vec::with_capacity(SAMPLES_HEADER_BYTES + samples.len() + CRC_BYTES);
    body.push(KIND_SAMPLES);
    body.push(format_code(header.sample_format));
    body.extend(header.channels.to_le_bytes());
    body.extend(header.stream_id.to_le_bytes());
    body.extend(header.first_sample.to_le_bytes());
    body.extend(header.device_time_us.to_le_bytes());
    body.extend(header.rate_hz.to_le_bytes());
    body.extend(header.sequence.to_le_bytes());
    body.extend(samples);
    finish(body, line);
}

/// Appends one announcement to `line`. Texts are cut to 255 bytes.
pub fn encode_announcement(announcement: &Announcement, line: &mut Vec<u8>) {
    let mut body = Vec::new();
    body.push(KIND_ANNOUNCEMENT);
    body.push(format_code(announcement.sample_format));
    body.extend((announcement.channels.len() as u16).to_le_bytes());
    body.extend(announcement.stream_id.to_le_bytes());
    body.extend(announcement.rate_hz.to_le_bytes());
    push_text(&announcement.device, &mut body);
    for channel in &announcement.channels {
        push_text(&channel.name, &mut body);
        push_text(&channel.unit, &mut body);
        body.extend(channel.full_scale.to_le_bytes());
    }
    finish(body, line);
}

fn push_text(text: &str, body: &mut Vec<u8>) {
    let mut length = text.len().min(255);
    while !text.is_char_boundary(length) {
        length -= 1;
    }
    body.push(length as u8);
    body.extend(text.bytes().take(length));
}

fn finish(mut body: Vec<u8>, line: &mut Vec<u8>) {
    let crc = CRC.checksum(&body);
    body.extend(crc.to_le_bytes());
    line.extend(cobs::encode_vec(&body));
    line.push(0);
}

/// Keeps the counters that a device keeps.
#[derive(Debug, Clone)]
pub struct FrameWriter {
    header: SampleHeader,
    bytes: Vec<u8>,
}

impl FrameWriter {
    /// A stream that starts at sample 0 with a new id.
    pub fn new(sample_format: SampleFormat, channels: u16, rate_hz: f64, stream_id: u32) -> Self {
        Self {
            header: SampleHeader {
                sample_format,
                channels,
                stream_id,
                first_sample: 0,
                device_time_us: 0,
                rate_hz,
                sequence: 0,
            },
            bytes: Vec::new(),
        }
    }

    /// Appends `samples` (channels × frames, digital full scale = 1) to
    /// `line` as one frame and counts on. At most
    /// as many as fit into [`MAX_FRAME_BYTES`](super::MAX_FRAME_BYTES); the format must hold them exactly.
    pub fn write(
        &mut self,
        samples: ArrayView2<'_, f64>,
        line: &mut Vec<u8>,
    ) -> Result<(), Inexact> {
        encode(samples, self.header.sample_format, &mut self.bytes)?;
        let seconds = self.header.first_sample as f64 / self.header.rate_hz;
        self.header.device_time_us = (seconds * 1e6) as u64;
        encode_samples(&self.header, &self.bytes, line);
        self.skip(samples.ncols() as u64);
        Ok(())
    }

    /// Counts on as if a frame with so many frames of samples had been sent.
    pub fn skip(&mut self, frames: u64) {
        self.header.first_sample = self.header.first_sample.saturating_add(frames);
        self.header.sequence = self.header.sequence.wrapping_add(1);
    }

    /// The header that the next frame will have.
    pub fn header(&self) -> &SampleHeader {
        &self.header
    }
}
