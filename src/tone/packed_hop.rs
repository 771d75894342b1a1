//! The samples of a hop in five bytes each instead of eight, for those that wait for the end
//! of a hold. Pure.
//!
//! What a decimation's filter gives is rounded to the grid of `grid_step`: half a step is 2⁻³⁸ of the
//! hop's largest value at most, a thirty-thousandth of a step of a 24-bit converter. Such
//! values are whole numbers of 40 bits times one number a channel, and come back bit for bit;
//! rows of others are kept as they are.

use std::borrow::Cow;

use ndarray::{Array2, ArrayView2, Axis, CowArray, Ix2};

use super::fit::contiguous;

/// The largest value of a hop has so many bits at most.
const BITS: u64 = 38;
const LARGEST: f64 = (1_u64 << BITS) as f64;
/// Bits of a 64-bit float's fraction, and what its exponent is counted from.
const FRACTION_BITS: u64 = 52;
const EXPONENT_BIAS: u64 = 1023;
/// Added to a number up to 2⁵¹ and taken off again, it leaves the nearest whole one.
const WHOLE: f64 = 1.5 * (1_u64 << FRACTION_BITS) as f64;
/// What one of the upper four bytes counts.
const UPPER: f64 = 256.0;

/// The step, a power of two, that values up to `largest` are rounded to; `None` where there
/// is nothing to round.
pub(super) fn grid_step(largest: f64) -> Option<f64> {
    let exponent = largest.abs().to_bits() >> FRACTION_BITS;
    let is_usual = (BITS + 1..2 * EXPONENT_BIAS).contains(&exponent);
    is_usual.then(|| f64::from_bits((exponent + 1 - BITS) << FRACTION_BITS))
}

/// The nearest whole number to one that is smaller than 2⁵¹.
#[inline]
pub(super) fn nearest_whole(x: f64) -> f64 {
    (x + WHOLE) - WHOLE
}

/// The samples of a hop, channels × samples, in SI.
#[derive(Debug)]
pub struct PackedHop {
    rows: Vec<Row>,
    samples: usize,
}

#[derive(Debug)]
enum Row {
    /// `(256 upper + lower) unit`.
    Packed {
        unit: f64,
        upper: Vec<i32>,
        lower: Vec<u8>,
    },
    Whole(Vec<f64>),
}

impl Row {
    /// Of values that are whole numbers times a power of two times `unit`.
    fn new(values: &[f64], unit: f64) -> Self {
        let largest = values.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
        let step = grid_step(largest / unit).unwrap_or(1.0);
        let unit = step * unit;
        let mut upper = Vec::with_capacity(values.len());
        let mut lower = Vec::with_capacity(values.len());
        for value in values {
            let whole = nearest_whole(value / unit);
            let comes_back = (whole * unit).to_bits() == value.to_bits();
            if whole.is_nan() || whole.abs() > LARGEST || !comes_back {
                return Self::Whole(values.to_vec());
            }
            // Both are in range: of 38 bits and a sign, eight are below.
            let high = (whole / UPPER).floor();
            upper.push(high as i32);
            lower.push((whole - UPPER * high) as u8);
        }
        Self::Packed { unit, upper, lower }
    }

    fn values(&self) -> Cow<'_, [f64]> {
        match self {
            Self::Packed { unit, upper, lower } => upper
                .iter()
                .zip(lower)
                .map(|(upper, lower)| (UPPER * f64::from(*upper) + f64::from(*lower)) * unit)
                .collect(),
            Self::Whole(values) => Cow::Borrowed(values),
        }
    }
}

impl PackedHop {
    /// `units`: what each channel's samples are a whole number of, but for a power of two.
    pub fn new(samples: ArrayView2<f64>, units: impl Iterator<Item = f64>) -> Self {
        let rows = samples.rows().into_iter().zip(units);
        Self {
            rows: rows
                .map(|(row, unit)| Row::new(&contiguous(row), unit))
                .collect(),
            samples: samples.ncols(),
        }
    }
}

/// The samples of a hop as they are kept.
#[derive(Debug, Clone, Copy)]
pub enum HopSamples<'a> {
    /// Channels × samples.
    Whole(ArrayView2<'a, f64>),
    /// The same, packed.
    Packed(&'a PackedHop),
}

impl<'a> HopSamples<'a> {
    /// Channels.
    pub fn nrows(&self) -> usize {
        match self {
            Self::Whole(samples) => samples.nrows(),
            Self::Packed(hop) => hop.rows.len(),
        }
    }

    /// Samples a channel.
    pub fn ncols(&self) -> usize {
        match self {
            Self::Whole(samples) => samples.ncols(),
            Self::Packed(hop) => hop.samples,
        }
    }

    /// The samples of a channel; none of one that is not there.
    pub fn row(&self, channel: usize) -> Cow<'a, [f64]> {
        match self {
            Self::Whole(samples) if channel < samples.nrows() => {
                contiguous(samples.index_axis_move(Axis(0), channel))
            }
            Self::Packed(hop) => hop.rows.get(channel).map_or_else(Cow::default, Row::values),
            Self::Whole(_) => Cow::default(),
        }
    }

    /// All of them.
    pub fn whole(&self) -> CowArray<'a, f64, Ix2> {
        match self {
            Self::Whole(samples) => CowArray::from(*samples),
            Self::Packed(hop) => {
                let mut whole = Array2::zeros((hop.rows.len(), hop.samples));
                for (mut row, packed) in whole.rows_mut().into_iter().zip(&hop.rows) {
                    row.iter_mut()
                        .zip(packed.values().iter())
                        .for_each(|(to, from)| *to = *from);
                }
                CowArray::from(whole)
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of all sizes, signs and units: what is on the grid comes back bit for bit in five
    /// bytes, what is not in eight.
    #[test]
    fn every_value_comes_back() {
        let mut state = 3_u64;
        let mut random = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        };
        for power in [-60, -23, 0, 1, 22, 31, 90] {
            for unit in [1.0, -9.81 / 8_388_608.0, 3e-7] {
                let size = f64::powi(2.0, power);
                let values: Vec<f64> = (0..100).map(|_| size * random()).collect();
                let largest = values.iter().fold(0.0_f64, |a, b| a.max(b.abs()));
                let step = grid_step(largest).unwrap();
                assert!(
                    step / largest <= f64::powi(2.0, -37) && step / largest > f64::powi(2.0, -39)
                );
                let rounded: Vec<f64> = values
                    .iter()
                    .map(|x| nearest_whole(x / step) * (step * unit))
                    .collect();
                let row = Row::new(&rounded, unit);
                assert!(matches!(row, Row::Packed { .. }), "{power} {unit}");
                let bits = |values: &[f64]| values.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
                assert_eq!(bits(&row.values()), bits(&rounded));
                let apart = values
                    .iter()
                    .zip(&rounded)
                    .map(|(x, y)| (x * unit - y).abs());
                assert!(apart.fold(0.0, f64::max) <= 0.51 * step * unit.abs());
                let row = Row::new(&values, 0.3 * unit);
                assert!(matches!(row, Row::Whole(_)), "{power} {unit}");
                assert_eq!(bits(&row.values()), bits(&values));
            }
        }
        // Whole numbers of 24 bits, silence, and what is no number.
        let codes: Vec<f64> = (0..100)
            .map(|i| f64::from(i * 83_886 - 4_194_300))
            .collect();
        assert!(matches!(Row::new(&codes, 1.0), Row::Packed { .. }));
        assert!(matches!(Row::new(&[0.0; 5], 2.0), Row::Packed { .. }));
        assert!(matches!(Row::new(&[f64::NAN, 1.0], 1.0), Row::Whole(_)));
        assert!(matches!(
            Row::new(&[f64::INFINITY, 1.0], 1.0),
            Row::Whole(_)
        ));
    }
}
