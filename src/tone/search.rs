//! Where in the spectrum the tone stands: the FFT that gives the fit its
//! first guess.
//!
//! # Window
//! Hann, periodic (the form the DFT wants), zero-padded to at least four times
//! its length.
//!
//! # Combination
//! Each channel's power over its own median in the band, summed: a channel
//! counts by how far its line stands above its own noise, whatever its unit.

use crate::maths;
use ndarray::ArrayView2;
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::f64::consts::TAU;
use std::sync::Arc;

/// A line has to stand this much above the median power of the band. The
/// median of white noise's power is ln 2 of its mean, and of some hundred
/// bins the largest reaches ln(100) + 5 times the mean once in 150 windows;
/// 30 leaves a margin and is still 15 dB below any usable tone.
const STANDS_OUT: f64 = 30.0;

/// The transform, planned once for a window length.
pub struct Search {
    transform: Arc<dyn RealToComplex<f64>>,
    window: Vec<f64>,
    input: Vec<f64>,
    output: Vec<Complex64>,
    scratch: Vec<Complex64>,
    power: Vec<f64>,
    sorted: Vec<f64>,
    bin_hz: f64,
}

impl std::fmt::Debug for Search {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Search")
            .field("samples", &self.window.len())
            .finish_non_exhaustive()
    }
}

impl Search {
    /// Plans for windows of `samples` at `rate_hz`.
    pub fn new(samples: usize, rate_hz: f64) -> Self {
        let padded = (4 * samples).next_power_of_two();
        let transform = RealFftPlanner::new().plan_fft_forward(padded);
        Self {
            window: (0..samples)
                .map(|i| 0.5 - 0.5 * maths::cos(TAU * i as f64 / samples as f64))
                .collect(),
            input: transform.make_input_vec(),
            output: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            power: vec![0.0; padded / 2 + 1],
            sorted: Vec::with_capacity(padded / 2 + 1),
            bin_hz: rate_hz / padded as f64,
            transform,
        }
    }

    /// The frequency that stands out most in `low_hz..high_hz`, or `None`.
    /// `samples`: channels × window samples; only channels with `counts` are
    /// looked at.
    pub fn peak(
        &mut self,
        samples: ArrayView2<f64>,
        counts: &[bool],
        low_hz: f64,
        high_hz: f64,
    ) -> Option<f64> {
        let low = ((low_hz / self.bin_hz).floor() as usize).max(1);
        let high =
            ((high_hz / self.bin_hz).ceil() as usize).min(self.power.len().saturating_sub(2));
        if low >= high {
            return None;
        }
        self.power.fill(0.0);
        let mut found = false;
        for (row, _) in samples
            .rows()
            .into_iter()
            .zip(counts)
            .filter(|(_, counts)| **counts)
        {
            let mean = row.sum() / row.len().max(1) as f64;
            self.input.fill(0.0);
            for ((target, x), w) in self.input.iter_mut().zip(row).zip(&self.window) {
                *target = (x - mean) * w;
            }
            self.transform
                .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch)
                .ok()?;
            let band = self.output.get(low..=high)?;
            self.sorted.clear();
            self.sorted.extend(band.iter().map(Complex64::norm_sqr));
            let middle = self.sorted.len() / 2;
            let (_, median, _) = self.sorted.select_nth_unstable_by(middle, f64::total_cmp);
            if !(*median > 0.0 && median.is_finite()) {
                continue;
            }
            let weight = 1.0 / *median;
            found = true;
            let around = self.output.get(low - 1..=high + 1)?;
            for (sum, value) in self.power.iter_mut().skip(low - 1).zip(around) {
                *sum += weight * value.norm_sqr();
            }
        }
        if !found {
            return None;
        }
        let (top, value) = (low..=high)
            .filter_map(|bin| Some((bin, *self.power.get(bin)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        if value < STANDS_OUT {
            return None;
        }
        Some(self.bin_hz * (top as f64 + self.vertex(top)))
    }

    /// Where between the bins the parabola through the logarithms has its top.
    fn vertex(&self, top: usize) -> f64 {
        let log = |bin: usize| {
            self.power
                .get(bin)
                .map_or(f64::NEG_INFINITY, |p| maths::ln(*p))
        };
        let (left, middle, right) = (log(top - 1), log(top), log(top + 1));
        let curve = left - 2.0 * middle + right;
        let vertex = 0.5 * (left - right) / curve;
        if vertex.is_finite() {
            vertex.clamp(-0.5, 0.5)
        } else {
            0.0
        }
    }
}
