//! The binary frames of the device protocol: encoder and incremental decoder.
//!
//! In and out: bytes and [`Frame`]s. Pure: no port, no clock. The layout is
//! written down for firmware authors in the guide, page "device protocol":
//!
#![doc = include_str!("../../guide/device-protocol.md")]

mod decode;
mod encode;

use crc::{CRC_32_ISO_HDLC, Crc, Table};

pub use decode::{Frame, FrameCounts, FrameDecoder, SampleFrame};
pub use encode::{FrameWriter, encode_announcement, encode_samples};

use crate::setup::SampleFormat;

/// Kind byte of a frame of samples: protocol 1, kind 1.
pub const KIND_SAMPLES: u8 = 0x11;

/// Kind byte of an announcement: protocol 1, kind 2.
pub const KIND_ANNOUNCEMENT: u8 = 0x12;

/// Bytes of a frame of samples before the samples.
pub const SAMPLES_HEADER_BYTES: usize = 36;

/// Most bytes of a frame before COBS, the CRC included.
pub const MAX_FRAME_BYTES: usize = 16_384;

/// The check sum at the end of every frame, little-endian.
const CRC: Crc<u32, Table<16>> = Crc::<u32, Table<16>>::new(&CRC_32_ISO_HDLC);

/// Bytes of the check sum.
pub const CRC_BYTES: usize = 4;

/// What every frame of samples says about itself.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SampleHeader {
    /// How a sample is stored: `i16`, `i24`, `i32`, `f32` or `f64`.
    pub sample_format: SampleFormat,
    /// Number of channels, > 0.
    pub channels: u16,
    /// A new random number whenever the device begins to count from 0.
    pub stream_id: u32,
    /// Sample counter of the first frame of samples in this frame.
    pub first_sample: u64,
    /// Device time at which that was taken, µs.
    pub device_time_us: u64,
    /// Nominal sampling rate, Hz, as [`is_rate`](crate::setup::is_rate) has it.
    pub rate_hz: f64,
    /// Counts the frames of samples, from 0, modulo 2³².
    pub sequence: u32,
}

/// What a device says about itself, once a second.
#[derive(Debug, Clone, PartialEq)]
pub struct Announcement {
    /// As in [`SampleHeader`].
    pub sample_format: SampleFormat,
    /// As in [`SampleHeader`].
    pub stream_id: u32,
    /// Nominal sampling rate, Hz.
    pub rate_hz: f64,
    /// Name or serial number of the device.
    pub device: String,
    /// The channels, in the order of their columns.
    pub channels: Vec<AnnouncedChannel>,
}

/// One channel as the device announces it.
#[derive(Debug, Clone, PartialEq)]
pub struct AnnouncedChannel {
    /// Name.
    pub name: String,
    /// Unit of `full_scale`, spelt as in the setup file.
    pub unit: String,
    /// Value in `unit` of digital full scale; for `f32`, of the number 1.
    pub full_scale: f64,
}

/// Code of a sample format in a frame.
fn format_code(format: SampleFormat) -> u8 {
    match format {
        SampleFormat::I16 => 1,
        SampleFormat::I24 => 2,
        SampleFormat::I32 => 3,
        SampleFormat::F32 => 4,
        SampleFormat::F64 => 5,
    }
}

fn format_of(code: u8) -> Option<SampleFormat> {
    match code {
        1 => Some(SampleFormat::I16),
        2 => Some(SampleFormat::I24),
        3 => Some(SampleFormat::I32),
        4 => Some(SampleFormat::F32),
        5 => Some(SampleFormat::F64),
        _ => None,
    }
}
