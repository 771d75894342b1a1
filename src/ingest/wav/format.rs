//! The `fmt ` chunk: sampling rate, channels and how one sample is stored.
//!
//! In: the bytes of the chunk. Out: a [`WaveFormat`], or the text of what is
//! wrong with it. Layout: Microsoft's WAVEFORMATEX and WAVEFORMATEXTENSIBLE.

use crate::ingest::fields::FieldReader;
use crate::setup::{MAX_RATE_HZ, is_rate};

const TAG_INTEGER: u16 = 1;
const TAG_FLOAT: u16 = 3;
const TAG_EXTENSIBLE: u16 = 0xFFFE;

/// The last 14 bytes of the sub-format GUIDs that carry a plain format tag
/// (`xxxxxxxx-0000-0010-8000-00aa00389b71`).
const SUBFORMAT_TAIL: [u8; 14] = [
    0x00, 0x00, 0x00, 0x00, 0x10, 0x00, 0x80, 0x00, 0x00, 0xaa, 0x00, 0x38, 0x9b, 0x71,
];

/// How one sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleEncoding {
    /// Little-endian two's complement.
    Integer {
        /// Bytes of a sample, 2..=4.
        container_bytes: u8,
        /// Bits of them that carry the value, 9..=32.
        valid_bits: u8,
    },
    /// IEEE 754 single precision, little-endian.
    Float32,
    /// IEEE 754 double precision, little-endian.
    Float64,
}

impl SampleEncoding {
    /// Bytes of one sample.
    pub fn sample_bytes(self) -> usize {
        match self {
            Self::Integer {
                container_bytes, ..
            } => usize::from(container_bytes),
            Self::Float32 => 4,
            Self::Float64 => 8,
        }
    }

    /// The largest positive code as a fraction of full scale: a sample at or
    /// beyond it may have been clipped.
    pub fn clip_level(self) -> f64 {
        match self {
            Self::Integer { valid_bits, .. } => {
                let full_scale = (1_u64 << (valid_bits - 1)) as f64;
                (full_scale - 1.0) / full_scale
            }
            Self::Float32 | Self::Float64 => 1.0,
        }
    }
}

impl std::fmt::Display for SampleEncoding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Integer { valid_bits, .. } => write!(f, "{valid_bits}-bit integer"),
            Self::Float32 => f.write_str("32-bit float"),
            Self::Float64 => f.write_str("64-bit float"),
        }
    }
}

/// What a `fmt ` chunk says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct WaveFormat {
    /// Sampling rate, Hz, 1 to [`MAX_RATE_HZ`].
    pub rate_hz: u32,
    /// Number of channels, > 0.
    pub channels: usize,
    /// How one sample is stored.
    pub encoding: SampleEncoding,
    /// Bytes of one frame, > 0.
    pub frame_bytes: usize,
}

/// The first 16 bytes, common to all formats.
struct FormatFields {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    block_bytes: u16,
    bits: u16,
}

/// Parses the body of a `fmt ` chunk.
pub fn parse_format(bytes: &[u8]) -> Result<WaveFormat, String> {
    let mut fields = FieldReader(bytes);
    let common = parse_fields(&mut fields).ok_or_else(|| {
        format!(
            "'fmt ' chunk of {} bytes; at least 16 are right",
            bytes.len()
        )
    })?;
    if !is_rate(f64::from(common.rate_hz)) {
        return Err(format!(
            "sampling rate {} Hz in the header; 1 Hz to {MAX_RATE_HZ} Hz are right",
            common.rate_hz
        ));
    }
    if common.channels == 0 {
        return Err("0 channels in the header".into());
    }
    let (tag, valid_bits) = if common.tag == TAG_EXTENSIBLE {
        parse_extension(&mut fields, common.bits)?
    } else {
        (common.tag, common.bits)
    };
    let frame_bytes = usize::from(common.block_bytes);
    let channels = usize::from(common.channels);
    let sample_bytes = frame_bytes / channels;
    if sample_bytes == 0 || sample_bytes * channels != frame_bytes {
        return Err(format!(
            "frames of {frame_bytes} bytes do not divide into {channels} channels of {} bits",
            common.bits
        ));
    }
    Ok(WaveFormat {
        rate_hz: common.rate_hz,
        channels,
        encoding: encoding(tag, sample_bytes, valid_bits)?,
        frame_bytes,
    })
}

fn parse_fields(fields: &mut FieldReader<'_>) -> Option<FormatFields> {
    let tag = fields.u16()?;
    let channels = fields.u16()?;
    let rate_hz = fields.u32()?;
    let _bytes_per_second = fields.u32()?;
    Some(FormatFields {
        tag,
        channels,
        rate_hz,
        block_bytes: fields.u16()?,
        bits: fields.u16()?,
    })
}

/// Plain tag and valid bits out of the extensible part.
fn parse_extension(fields: &mut FieldReader<'_>, bits: u16) -> Result<(u16, u16), String> {
    let parsed = (|| {
        let _extension_bytes = fields.u16()?;
        let valid_bits = fields.u16()?;
        let _speakers = fields.u32()?;
        let tag = fields.u16()?;
        let tail: [u8; 14] = fields.take()?;
        Some((valid_bits, tag, tail))
    })();
    let Some((valid_bits, tag, tail)) = parsed else {
        return Err("extensible 'fmt ' chunk shorter than its 40 bytes".into());
    };
    if tail != SUBFORMAT_TAIL {
        return Err("a vendor's own sample format; export it as PCM or float".into());
    }
    // Some writers leave the valid bits at 0.
    Ok((tag, if valid_bits == 0 { bits } else { valid_bits }))
}

fn encoding(tag: u16, sample_bytes: usize, valid_bits: u16) -> Result<SampleEncoding, String> {
    match tag {
        TAG_INTEGER => integer_encoding(sample_bytes, valid_bits),
        TAG_FLOAT => match (sample_bytes, valid_bits) {
            (4, 32) => Ok(SampleEncoding::Float32),
            (8, 64) => Ok(SampleEncoding::Float64),
            _ => Err(format!(
                "float samples of {valid_bits} bits in {sample_bytes} bytes; 32 in 4 and 64 in 8 \
                 are read"
            )),
        },
        2 | 6 | 7 | 0x11 | 0x31 | 0x50 | 0x55 => Err(format!(
            "a lossy format (tag {tag}), which cannot carry a measurement; record as PCM or float"
        )),
        _ => Err(format!(
            "sample format with tag {tag:#06x}; PCM (1) and float (3) are read"
        )),
    }
}

fn integer_encoding(sample_bytes: usize, valid_bits: u16) -> Result<SampleEncoding, String> {
    if sample_bytes == 1 || valid_bits <= 8 {
        return Err(format!(
            "{valid_bits}-bit samples resolve too little for a measurement; record with 16 bits \
             or more"
        ));
    }
    let container_bits = sample_bytes.saturating_mul(8);
    if sample_bytes > 4 || usize::from(valid_bits) > container_bits {
        return Err(format!(
            "integer samples of {valid_bits} bits in {sample_bytes} bytes; 16, 24 and 32 bits are \
             read"
        ));
    }
    Ok(SampleEncoding::Integer {
        container_bytes: sample_bytes as u8,
        valid_bits: valid_bits as u8,
    })
}
