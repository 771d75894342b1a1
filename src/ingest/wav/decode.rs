//! Bytes of whole frames → one contiguous `f64` row per channel.
//!
//! In: interleaved little-endian samples. Out: rows in fractions of digital
//! full scale. One pass over the bytes, no allocation.

// What is not inlined into the kernel of its caller is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::Array2;

use super::format::SampleEncoding;

/// Frames are taken in tiles of about this size, so that the strided second
/// and later channels find their bytes in the first-level cache.
const TILE_BYTES: usize = 16 << 10;

/// Every integer sample is moved to the top of 32 bits first.
const FULL_SCALE_32: f64 = 2_147_483_648.0;

/// Where in its container an integer of fewer bits sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::ingest) enum Justification {
    /// At the top, zeros below: what the format demands.
    Left,
    /// At the bottom: what some writers do all the same.
    Right,
}

/// How the frames of one file are turned into rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::ingest) struct Decoder {
    pub encoding: SampleEncoding,
    pub frame_bytes: usize,
    pub justification: Justification,
}

impl Decoder {
    /// Decodes `bytes` (whole frames) into `rows` (channels × frames).
    pub fn decode(&self, bytes: &[u8], rows: &mut Array2<f64>) {
        let frame_bytes = self.frame_bytes;
        let shift = self.shift();
        match (self.encoding, self.encoding.sample_bytes()) {
            (SampleEncoding::Float32, _) => fill(bytes, frame_bytes, rows, |sample| {
                f64::from(f32::from_le_bytes(sample))
            }),
            (SampleEncoding::Float64, _) => fill(bytes, frame_bytes, rows, f64::from_le_bytes),
            (SampleEncoding::Integer { .. }, 2) => fill(bytes, frame_bytes, rows, |[a, b]| {
                fraction([0, 0, a, b], shift)
            }),
            (SampleEncoding::Integer { .. }, 3) => fill(bytes, frame_bytes, rows, |[a, b, c]| {
                fraction([0, a, b, c], shift)
            }),
            (SampleEncoding::Integer { .. }, _) => {
                fill(bytes, frame_bytes, rows, |sample| fraction(sample, shift));
            }
        }
    }

    /// Whether its samples are integers of up to 24 bits.
    pub fn has_codes(&self) -> bool {
        matches!(self.encoding, SampleEncoding::Integer { valid_bits, .. } if valid_bits <= 24)
    }

    /// Decodes the leading samples of `bytes` into codes of 24 bits, all columns of a frame
    /// one behind the other, as many as `codes` holds.
    #[inline(always)]
    pub fn codes(&self, bytes: &[u8], codes: &mut [i32]) {
        let slack = self.shift();
        // The sample at the top of 32 bits, zeros below.
        let code = |top: u32| ((top << slack) as i32) >> 8;
        match self.encoding.sample_bytes() {
            2 => {
                for (to, sample) in codes.iter_mut().zip(bytes.as_chunks().0) {
                    *to = code(u32::from(u16::from_le_bytes(*sample)) << 16);
                }
            }
            3 => {
                let (fours, rest) = codes.as_chunks_mut();
                let (twelves, rest_bytes) =
                    bytes.split_at_checked(12 * fours.len()).unwrap_or_default();
                // Four samples lie in three words: so the compiler takes many at once.
                for (to, from) in fours.iter_mut().zip(twelves.as_chunks::<12>().0) {
                    let word = |i: usize| {
                        let four = from.get(i..).and_then(<[u8]>::first_chunk);
                        four.map_or(0, |four| u32::from_le_bytes(*four))
                    };
                    let (a, b, c) = (word(0), word(4), word(8));
                    *to = [
                        code(a << 8),
                        code(((a >> 16) & 0xff00) | (b << 16)),
                        code(((b >> 8) & 0x00ff_ff00) | (c << 24)),
                        code(c & 0xffff_ff00),
                    ];
                }
                for (to, [a, b, c]) in rest.iter_mut().zip(rest_bytes.as_chunks().0) {
                    *to = code(u32::from_le_bytes([0, *a, *b, *c]));
                }
            }
            _ => {
                for (to, sample) in codes.iter_mut().zip(bytes.as_chunks().0) {
                    *to = code(u32::from_le_bytes(*sample));
                }
            }
        }
    }

    /// Whether every bit outside the valid ones is as the justification
    /// demands; a file where it is not would be off by a power of two.
    pub fn slack_is_clean(&self, bytes: &[u8]) -> bool {
        let SampleEncoding::Integer {
            container_bytes,
            valid_bits,
        } = self.encoding
        else {
            return true;
        };
        let slack = u32::from(container_bytes) * 8 - u32::from(valid_bits);
        if slack == 0 {
            return true;
        }
        bytes
            .chunks_exact(usize::from(container_bytes))
            .all(|sample| {
                let mut top = [0; 4];
                for (to, from) in top.iter_mut().rev().zip(sample.iter().rev()) {
                    *to = *from;
                }
                let top = u32::from_le_bytes(top);
                match self.justification {
                    Justification::Left => top.trailing_zeros() >= 32 - u32::from(valid_bits),
                    Justification::Right => {
                        let extended = (((top << slack) as i32) >> slack) as u32;
                        top.leading_zeros() >= slack || top == extended
                    }
                }
            })
    }

    fn shift(&self) -> u32 {
        match (self.encoding, self.justification) {
            (
                SampleEncoding::Integer {
                    container_bytes,
                    valid_bits,
                },
                Justification::Right,
            ) => u32::from(container_bytes) * 8 - u32::from(valid_bits),
            _ => 0,
        }
    }
}

#[inline]
fn fraction(top: [u8; 4], shift: u32) -> f64 {
    f64::from((u32::from_le_bytes(top) << shift) as i32) / FULL_SCALE_32
}

fn fill<const N: usize>(
    bytes: &[u8],
    frame_bytes: usize,
    rows: &mut Array2<f64>,
    convert: impl Fn([u8; N]) -> f64,
) {
    let tile_frames = (TILE_BYTES / frame_bytes).max(1);
    let tiles = bytes.chunks(tile_frames * frame_bytes);
    for (tile_index, tile) in tiles.enumerate() {
        for (channel, mut row) in rows.rows_mut().into_iter().enumerate() {
            let samples = tile.get(channel * N..).unwrap_or_default();
            let values = row
                .as_slice_mut()
                .and_then(|row| row.get_mut(tile_index * tile_frames..))
                .unwrap_or_default();
            for (value, frame) in values.iter_mut().zip(samples.chunks(frame_bytes)) {
                if let Some(sample) = frame.first_chunk::<N>() {
                    *value = convert(*sample);
                }
            }
        }
    }
}
