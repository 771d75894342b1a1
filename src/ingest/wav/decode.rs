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

    /// Decodes the leading frames of `bytes` into codes of 24 bits, lane i from column
    /// `columns[i]`, as many frames as `lanes` holds. Lanes without a column are zero.
    #[inline(always)]
    pub fn codes<const LANES: usize>(
        &self,
        bytes: &[u8],
        columns: &[usize],
        lanes: &mut [[i32; LANES]],
    ) {
        let frame_bytes = self.frame_bytes;
        let sample_bytes = self.encoding.sample_bytes();
        let slack = self.shift();
        // Four bytes with the sample in them, as far as the frame goes: they are moved
        // to the top of 32 bits, and what stands below them out of it.
        let (mut froms, mut above, mut mask) = ([0; LANES], [0_u32; LANES], [0_i32; LANES]);
        let places = froms.iter_mut().zip(&mut above).zip(&mut mask);
        for (((from, above), mask), column) in places.zip(columns) {
            let at = column * sample_bytes;
            *from = at.min(frame_bytes.saturating_sub(4));
            *above = 8 * (4 - sample_bytes as u32).saturating_sub((at - *from) as u32);
            *mask = -1_i32 << (32 - 8 * sample_bytes as u32);
        }
        let mut bytes = bytes;
        let mut lanes = lanes;
        if sample_bytes == 3 && slack == 0 && LANES <= 8 && is_a_run(columns) {
            let done = run_of_codes(bytes, frame_bytes, columns, lanes);
            bytes = bytes.get(done * frame_bytes..).unwrap_or_default();
            lanes = lanes.get_mut(done..).unwrap_or_default();
        }
        for (frame, lanes) in bytes.chunks_exact(frame_bytes.max(1)).zip(lanes) {
            let four: [i32; LANES] = if frame_bytes < 4 {
                let mut four = [0; 4];
                for (to, from) in four.iter_mut().zip(frame) {
                    *to = *from;
                }
                [i32::from_le_bytes(four); LANES]
            } else {
                froms.map(|from| {
                    let four = frame.get(from..).and_then(<[u8]>::first_chunk::<4>);
                    four.map_or(0, |four| i32::from_le_bytes(*four))
                })
            };
            let places = four.iter().zip(&above).zip(&mask);
            for (code, ((four, above), mask)) in lanes.iter_mut().zip(places) {
                *code = (((four << above) & mask) << slack) >> 8;
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

/// Whether columns follow one another.
fn is_a_run(columns: &[usize]) -> bool {
    let later = columns.iter().skip(1);
    columns.iter().zip(later).all(|(a, b)| *b == a + 1)
}

/// Codes of 24 bits in columns that follow one another, as long as more bytes follow than a
/// frame's; gives the number of frames decoded. The bytes of all lanes are read at once, as
/// words, and moved into their lanes.
#[expect(
    clippy::indexing_slicing,
    reason = "lanes of arrays whose length is the number of lanes"
)]
#[inline(always)]
fn run_of_codes<const LANES: usize>(
    bytes: &[u8],
    frame_bytes: usize,
    columns: &[usize],
    lanes: &mut [[i32; LANES]],
) -> usize {
    let Some(first) = columns.first() else {
        return 0;
    };
    let mut mask = [0; LANES];
    mask.iter_mut().take(columns.len()).for_each(|x| *x = -1);
    let mut done = 0;
    let mut from = 3 * first;
    for lanes in lanes {
        let Some(words) = bytes.get(from..).and_then(<[u8]>::first_chunk::<32>) else {
            break;
        };
        let words = words.as_chunks::<4>().0;
        let word = |i: usize| words.get(i).map_or(0, |word| u32::from_le_bytes(*word));
        // The three bytes of a lane begin in one word, and may end in the next.
        let low: [u32; LANES] = std::array::from_fn(|lane| word(3 * lane / 4));
        let high: [u32; LANES] = std::array::from_fn(|lane| word(3 * lane / 4 + 1));
        for lane in 0..LANES {
            let begun = 8 * (3 * lane as u32 % 4);
            let both = (low[lane] >> begun) | (high[lane] << 1 << (31 - begun));
            lanes[lane] = ((both << 8) as i32 >> 8) & mask[lane];
        }
        from += frame_bytes;
        done += 1;
    }
    done
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
