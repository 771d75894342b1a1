//! Frames of a recording as they were stored: what the tone stage takes straight from
//! the bytes. Pure.

// What is not inlined into the kernel of its caller is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::Array2;

use super::decode::Decoder;

/// Digital full scale in codes: samples of up to 24 bits are whole numbers below it.
pub const CODE_FULL_SCALE: f64 = 8_388_608.0;

/// Consecutive frames of integer samples of up to 24 bits.
#[derive(Debug, Clone, PartialEq)]
pub struct EncodedBlock {
    first_sample: u64,
    bytes: Vec<u8>,
    decoder: Decoder,
}

impl EncodedBlock {
    /// `bytes` are whole frames; the decoder is one that [`Decoder::has_codes`].
    pub(super) fn new(first_sample: u64, bytes: Vec<u8>, decoder: Decoder) -> Self {
        Self {
            first_sample,
            bytes,
            decoder,
        }
    }

    /// Frames of 24-bit codes, `channels` of each frame one behind the other.
    #[cfg(test)]
    pub(crate) fn from_codes(first_sample: u64, channels: usize, codes: &[i32]) -> Self {
        let encoding = super::SampleEncoding::Integer {
            container_bytes: 3,
            valid_bits: 24,
        };
        let bytes = codes.iter().flat_map(|code| {
            let [a, b, c, _] = code.to_le_bytes();
            [a, b, c]
        });
        let decoder = Decoder {
            encoding,
            frame_bytes: 3 * channels,
            justification: super::decode::Justification::Left,
        };
        Self::new(first_sample, bytes.collect(), decoder)
    }

    /// Its memory.
    pub(super) fn into_bytes(self) -> Vec<u8> {
        self.bytes
    }

    /// Index of the first frame since the source started.
    pub fn first_sample(&self) -> u64 {
        self.first_sample
    }

    /// Number of frames.
    pub fn frames(&self) -> usize {
        self.bytes.len() / self.decoder.frame_bytes.max(1)
    }

    /// Number of columns.
    pub fn channels(&self) -> usize {
        self.decoder.frame_bytes / self.decoder.encoding.sample_bytes().max(1)
    }

    /// The codes of the frames from number `from` on, all columns of a frame one behind the
    /// other, as many as `codes` holds.
    #[inline(always)]
    pub fn codes(&self, from: usize, codes: &mut [i32]) {
        let bytes = self.bytes.get(from * self.decoder.frame_bytes..);
        self.decoder.codes(bytes.unwrap_or_default(), codes);
    }

    /// The same frames as fractions of full scale, channels × frames.
    pub fn decoded(&self) -> Array2<f64> {
        let mut samples = Array2::zeros((self.channels(), self.frames()));
        self.decoder.decode(&self.bytes, &mut samples);
        samples
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ingest::wav::SampleEncoding;
    use crate::ingest::wav::decode::Justification;

    /// Every way of storing a code, against the fractions that the other decoder gives.
    #[test]
    fn codes_are_the_fractions_times_full_scale() {
        for (container_bytes, valid_bits, justification) in [
            (2, 16, Justification::Left),
            (2, 12, Justification::Left),
            (3, 24, Justification::Left),
            (3, 20, Justification::Right),
            (4, 24, Justification::Left),
            (4, 24, Justification::Right),
        ] {
            for channels in [1_usize, 2, 5, 9] {
                let encoding = SampleEncoding::Integer {
                    container_bytes,
                    valid_bits,
                };
                let frame_bytes = channels * usize::from(container_bytes);
                let decoder = Decoder {
                    encoding,
                    frame_bytes,
                    justification,
                };
                assert!(decoder.has_codes());
                let container_bits = 8 * u32::from(container_bytes);
                let slack = container_bits - u32::from(valid_bits);
                let mut bytes = Vec::new();
                for i in 0..channels * 30 {
                    let mixed = (i as u32 + 1).wrapping_mul(2_654_435_761) as i32;
                    let value = mixed >> (32 - u32::from(valid_bits));
                    let value = match justification {
                        Justification::Left => value << slack,
                        Justification::Right => value,
                    };
                    bytes.extend(&value.to_le_bytes()[..usize::from(container_bytes)]);
                }
                let block = EncodedBlock::new(7, bytes, decoder);
                let decoded = block.decoded();
                assert_eq!(
                    (block.frames(), decoded.ncols(), block.first_sample()),
                    (30, 30, 7)
                );
                // From the middle to the end, and less than there is.
                for frames in [20, 13] {
                    let mut codes = vec![0; channels * frames];
                    block.codes(10, &mut codes);
                    for (i, code) in codes.iter().enumerate() {
                        let right = decoded[(i % channels, i / channels + 10)] * CODE_FULL_SCALE;
                        assert_eq!(f64::from(*code).to_bits(), right.to_bits());
                    }
                }
            }
        }
    }
}
