//! Channel-major rows → interleaved little-endian bytes, without rounding.
//!
//! In: rows in fractions of digital full scale. Out: bytes as a recording or
//! a device frame carries them, or the place of the first sample that the
//! format cannot hold exactly. A value that is missing is NaN in either float
//! format; integers cannot hold it. Infinity is recorded as it came, and is a
//! missing value to whoever reads it.

use ndarray::ArrayView2;

use crate::setup::SampleFormat;

/// The first sample that the format cannot hold exactly.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Inexact {
    /// Row, from 0.
    pub channel: usize,
    /// Column, from 0.
    pub frame: usize,
}

/// Encodes whole frames into `bytes`, which is cleared first.
pub fn encode(
    samples: ArrayView2<'_, f64>,
    format: SampleFormat,
    bytes: &mut Vec<u8>,
) -> Result<(), Inexact> {
    let frame_bytes = samples.nrows() * format.sample_bytes();
    bytes.clear();
    bytes.resize(samples.ncols() * frame_bytes, 0);
    match format {
        SampleFormat::I16 => interleave(samples, bytes, |value| {
            let [a, b, ..] = code(value, 15)?.to_le_bytes();
            Some([a, b])
        }),
        SampleFormat::I24 => interleave(samples, bytes, |value| {
            let [a, b, c, _] = code(value, 23)?.to_le_bytes();
            Some([a, b, c])
        }),
        SampleFormat::I32 => {
            interleave(samples, bytes, |value| Some(code(value, 31)?.to_le_bytes()))
        }
        SampleFormat::F32 => interleave(samples, bytes, |value| {
            let single = value as f32;
            let is_exact = value.is_nan() || f64::from(single).to_bits() == value.to_bits();
            is_exact.then(|| single.to_le_bytes())
        }),
        SampleFormat::F64 => interleave(samples, bytes, |value| Some(value.to_le_bytes())),
    }
}

/// The integer code of `value` with `bits` bits beside the sign.
#[inline]
fn code(value: f64, bits: u32) -> Option<i32> {
    let full_scale = f64::from(1_u32 << bits);
    let scaled = value * full_scale;
    let code = scaled as i32;
    let is_exact = (f64::from(code) - scaled).abs() <= 0.0;
    let is_in_range = scaled >= -full_scale && scaled < full_scale;
    (is_exact && is_in_range).then_some(code)
}

fn interleave<const N: usize>(
    samples: ArrayView2<'_, f64>,
    bytes: &mut [u8],
    convert: impl Fn(f64) -> Option<[u8; N]>,
) -> Result<(), Inexact> {
    let frame_bytes = samples.nrows() * N;
    for (channel, row) in samples.rows().into_iter().enumerate() {
        let places = bytes.get_mut(channel * N..).unwrap_or_default();
        let frames = places.chunks_mut(frame_bytes.max(1));
        for (frame, (value, place)) in row.iter().zip(frames).enumerate() {
            let encoded = convert(*value).ok_or(Inexact { channel, frame })?;
            if let Some(place) = place.first_chunk_mut::<N>() {
                *place = encoded;
            }
        }
    }
    Ok(())
}
