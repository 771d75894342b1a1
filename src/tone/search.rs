//! Where in the spectrum the tone stands: the FFT that gives the fit its
//! first guess.
//!
//! # Window
//! Hann, periodic (the form the DFT wants), zero-padded to at least twice its length: a line
//! between two bins loses a third of a decibel at most (the window's transform, sinc x/(1 − x²), at
//! a quarter of a line).
//!
//! # Combination
//! Each channel's power over its own median in the band, summed: a channel
//! counts by how far its line stands above its own noise, whatever its unit.
//!
//! # The same bits on every machine
//! The library's transform chooses its kernels by the processor and takes its
//! sines from the C library, so the last bits of a spectrum differ between
//! machines. Nothing leaves it here but numbers of bins, and those only as
//! candidates; every value that decides is recomputed by `rotated_sum`, whose
//! order is fixed and whose sines come from [`maths`].
//!
//! Let δ bound how far the modulus of a bin from any transform may lie from the
//! recomputed one (`modulus_bound`). Then
//! - the median moduli of both differ by at most δ, since ordered values that
//!   each move by at most δ keep their places within δ. A bin that lies more
//!   than 2 δ below the transform's median lies below the recomputed median
//!   too, and likewise above. The bins between are recomputed, and the median is
//!   the one among them that as many lie below as are missing;
//! - the root of the combined power is the length of a vector of the channels'
//!   moduli, each over the root of its median, and differs by at most
//!   ε = √(Σ δ²/median), the length of the vector of their errors. The highest
//!   bin of the recomputed powers therefore lies within 2 ε of the transform's
//!   highest. The bins that do are recomputed, and the highest of them, by bin
//!   number where they are equal, is the top;
//! - whether the top stands out, and where between the bins the line stands, is
//!   decided on recomputed values alone.
//!
//! So the result is a function of recomputed values, whichever transform found
//! the candidates, as long as the transform keeps to the bound.

#![expect(
    clippy::disallowed_types,
    reason = "only candidates leave the transform, as said above"
)]

use ndarray::{ArrayView1, ArrayView2};
use num_complex::Complex64;
use realfft::{RealFftPlanner, RealToComplex};
use std::borrow::Cow;
use std::f64::consts::TAU;
use std::sync::Arc;

use super::fit::contiguous;
use super::fourier::rotated_sum;
use crate::maths;

/// A line has to stand this much above the median power of the band. The
/// median of white noise's power is ln 2 of its mean, and of some hundred
/// bins the largest reaches ln(100) + 5 times the mean once in 150 windows;
/// 30 leaves a margin and is still 15 dB below any usable tone.
pub(super) const STANDS_OUT: f64 = 30.0;
/// Most bins that the median is taken of, evenly spread over the band. Beyond
/// some hundred more would not change it, and in a spectrum that is flat to
/// the last digits each of them has to be recomputed.
const MEDIAN_BINS: usize = 2048;
/// Samples after which a recomputed sum takes its rotation from the sine again.
const CHUNK: usize = 256;
/// And samples of the window after which its cosine is.
const TURNED_ON: usize = 64;
/// A row whose sum of squares lies outside of this overflows or underflows on
/// the way; no sensor delivers it.
const ENERGY: std::ops::Range<f64> = 1e-200..1e200;

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

/// A row that counts.
struct Row<'a> {
    samples: Cow<'a, [f64]>,
    mean: f64,
    /// 1 over the median power.
    weight: f64,
}

impl Search {
    /// Plans for windows of `samples` at `rate_hz`.
    pub fn new(samples: usize, rate_hz: f64) -> Self {
        Self::planned(&mut RealFftPlanner::new(), samples, rate_hz)
    }

    /// The same with a planner that remembers the lengths it has planned for.
    pub(super) fn planned(planner: &mut RealFftPlanner<f64>, samples: usize, rate_hz: f64) -> Self {
        Self::with(planner.plan_fft_forward(padded(samples)), samples, rate_hz)
    }

    /// The same for windows of another length, its memory and, where it serves, its transform kept.
    pub(super) fn resized(self, planner: &mut RealFftPlanner<f64>, samples: usize) -> Self {
        let rate_hz = self.bin_hz * self.transform.len() as f64;
        if padded(samples) != self.transform.len() {
            return Self::planned(planner, samples, rate_hz);
        }
        Self {
            window: hann(samples),
            ..self
        }
    }

    fn with(transform: Arc<dyn RealToComplex<f64>>, samples: usize, rate_hz: f64) -> Self {
        let padded = transform.len();
        Self {
            window: hann(samples),
            input: transform.make_input_vec(),
            output: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            power: vec![0.0; padded / 2 + 1],
            sorted: Vec::with_capacity(MEDIAN_BINS),
            bin_hz: rate_hz / padded as f64,
            transform,
        }
    }

    /// Samples of the window that it is planned for.
    pub(super) fn samples(&self) -> usize {
        self.window.len()
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
        if low >= high || samples.ncols() != self.window.len() {
            return None;
        }
        self.power.get_mut(low..=high)?.fill(0.0);
        let mut rows = Vec::with_capacity(counts.len());
        let mut doubt = 0.0;
        let chosen = samples.rows().into_iter().zip(counts);
        for samples in chosen.filter_map(|(row, counts)| counts.then_some(row)) {
            let mean = samples.sum() / samples.len().max(1) as f64;
            let Some(bound) = self.transform(samples, mean) else {
                continue;
            };
            let mut row = Row {
                samples: contiguous(samples),
                mean,
                weight: 0.0,
            };
            let Some(median) = self.median(&row, low, high, bound) else {
                continue;
            };
            row.weight = 1.0 / median;
            doubt += row.weight * bound * bound;
            let band = self.output.get(low..=high)?;
            for (sum, value) in self.power.iter_mut().skip(low).zip(band) {
                *sum += row.weight * value.norm_sqr();
            }
            rows.push(row);
        }
        let (top, value) = self.top(&rows, low, high, doubt.sqrt())?;
        if value < STANDS_OUT {
            return None;
        }
        Some(self.bin_hz * (top as f64 + self.vertex(&rows, top, value)))
    }

    /// Transforms a row into `output`; the bound on the error of its moduli, or
    /// `None` where the row holds nothing that can be transformed.
    fn transform(&mut self, samples: ArrayView1<f64>, mean: f64) -> Option<f64> {
        let (targets, padding) = self.input.split_at_mut_checked(self.window.len())?;
        padding.fill(0.0);
        let samples = contiguous(samples);
        for ((target, x), w) in targets.iter_mut().zip(&*samples).zip(&self.window) {
            *target = (x - mean) * w;
        }
        let energy = maths::wide!(maths::sum_of(targets, maths::square));
        if !ENERGY.contains(&energy) {
            return None;
        }
        self.transform
            .process_with_scratch(&mut self.input, &mut self.output, &mut self.scratch)
            .ok()?;
        Some(modulus_bound(
            energy,
            self.window.len(),
            self.transform.len(),
        ))
    }

    /// The median power of the row just transformed in the band, recomputed.
    fn median(&mut self, row: &Row, low: usize, high: usize, bound: f64) -> Option<f64> {
        let stride = (high - low + 1).div_ceil(MEDIAN_BINS);
        let bins = || (low..=high).step_by(stride);
        let power = |bin: usize| self.output.get(bin).map_or(f64::NAN, Complex64::norm_sqr);
        self.sorted.clear();
        self.sorted.extend(bins().map(power));
        let middle = self.sorted.len() / 2;
        let (_, median, _) = self.sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let modulus = median.sqrt();
        let below = maths::square((modulus - 2.0 * bound).max(0.0));
        let above = maths::square(modulus + 2.0 * bound);
        let surely_below = bins().filter(|&bin| power(bin) < below).count();
        let mut candidates: Vec<f64> = bins()
            .filter(|&bin| (below..=above).contains(&power(bin)))
            .map(|bin| self.power_of(row, bin))
            .collect();
        candidates.sort_unstable_by(f64::total_cmp);
        candidates
            .get(middle.checked_sub(surely_below)?)
            .copied()
            .filter(|median| *median > 0.0)
    }

    /// The bin of the highest combined power and that power, recomputed.
    /// `doubt`: how far the root of a combined power of the transform may lie
    /// from the recomputed one.
    fn top(&self, rows: &[Row], low: usize, high: usize, doubt: f64) -> Option<(usize, f64)> {
        let band = self.power.get(low..=high)?;
        let highest = band.iter().copied().fold(0.0, f64::max).sqrt();
        // Spares the sums where nothing can stand out: a flat spectrum.
        if maths::square(highest + doubt) < STANDS_OUT {
            return None;
        }
        let least = maths::square((highest - 2.0 * doubt).max(0.0));
        (low..=high)
            .zip(band)
            .filter(|(_, power)| **power >= least)
            .map(|(bin, _)| (bin, self.combined(rows, bin)))
            .max_by(|a, b| a.1.total_cmp(&b.1))
    }

    /// The combined power at a bin, recomputed.
    fn combined(&self, rows: &[Row], bin: usize) -> f64 {
        rows.iter()
            .map(|row| row.weight * self.power_of(row, bin))
            .sum()
    }

    /// The power of a row at a bin, recomputed.
    fn power_of(&self, row: &Row, bin: usize) -> f64 {
        let padded = self.transform.len();
        // Whole turns are left out in whole numbers: the angle is exact.
        let rotation =
            |sample: usize| maths::cis(-TAU * ((bin * sample) % padded) as f64 / padded as f64);
        let step = rotation(1);
        let mut windowed = [0.0; CHUNK];
        let mut sum = Complex64::ZERO;
        let chunks = row.samples.chunks(CHUNK).zip(self.window.chunks(CHUNK));
        for (start, (samples, window)) in (0..).step_by(CHUNK).zip(chunks) {
            let filled = windowed.iter_mut().zip(samples).zip(window);
            let count = filled
                .map(|((target, x), w)| *target = (x - row.mean) * w)
                .count();
            let (windowed, _) = windowed.split_at(count);
            sum += rotated_sum(windowed, rotation(start), step);
        }
        sum.norm_sqr()
    }

    /// Where between the bins the parabola through the logarithms has its top.
    fn vertex(&self, rows: &[Row], top: usize, value: f64) -> f64 {
        let log = |bin: usize| maths::ln(self.combined(rows, bin));
        let (left, middle, right) = (log(top - 1), maths::ln(value), log(top + 1));
        let curve = left - 2.0 * middle + right;
        let vertex = 0.5 * (left - right) / curve;
        if vertex.is_finite() {
            vertex.clamp(-0.5, 0.5)
        } else {
            0.0
        }
    }
}

/// The window. Its cosine is turned on by multiplication and taken from the sine again so often
/// that the error stays below 1e-14.
fn hann(samples: usize) -> Vec<f64> {
    let angle = |i: usize| TAU * i as f64 / samples.max(1) as f64;
    let step = maths::cis(angle(1));
    let mut rising = Vec::with_capacity(samples);
    let mut turn = Complex64::ONE;
    for i in 0..=samples / 2 {
        if i.is_multiple_of(TURNED_ON) {
            turn = maths::cis(angle(i));
        }
        rising.push(0.5 - 0.5 * turn.re);
        turn *= step;
    }
    // The middle of an even number stands in both halves.
    let falling = rising.len() - usize::from(samples.is_multiple_of(2));
    rising.extend_from_within(1..falling.max(1));
    if let Some(falling) = rising.get_mut(samples / 2 + 1..) {
        falling.reverse();
    }
    rising.truncate(samples);
    rising
}

/// Points of the transform of so many samples: a power of two, or three times one.
fn padded(samples: usize) -> usize {
    let least = 2 * samples.max(1);
    let power = least.next_power_of_two();
    let between = 3 * (power / 4);
    if between.is_multiple_of(2) && between >= least {
        between
    } else {
        power
    }
}

/// How far the modulus of a bin may differ between a transform of `padded`
/// points and the recomputed sum over `samples` values whose squares add up to
/// `energy`.
///
/// With u = 2⁻⁵³: a transform errs in all bins together by at most
/// 7 u (log₂ n + 1) of the root of their summed power, √(n · energy), whatever
/// its radix (Higham, 'Accuracy and Stability of Numerical Algorithms', 2nd
/// edition, theorem 24.2, from memory). The recomputed sum errs in each
/// rotation by at most 110 u at the end of a chunk and in adding up by
/// (40 + samples/256) u, both of Σ |x| ≤ √(samples · energy), which is at most
/// half of √(n · energy). For n up to 2²⁴ the two together stay below
/// (250 + samples/512) u; more than half as much again is added.
fn modulus_bound(energy: f64, samples: usize, padded: usize) -> f64 {
    let units = 400.0 + samples as f64 / 256.0;
    0.5 * f64::EPSILON * units * (padded as f64 * energy).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;
    use realfft::FftError;
    use std::sync::atomic::{AtomicU64, Ordering};

    const FRAMES: usize = 512;
    const RATE_HZ: f64 = 512.0;

    /// Knuth's MMIX generator, −1…1.
    fn random(state: &mut u64) -> f64 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    /// A transform on another machine: every bin moved by up to the whole error
    /// that Higham's bound allows all bins together.
    struct OtherMachine {
        inner: Arc<dyn RealToComplex<f64>>,
        state: AtomicU64,
    }

    impl RealToComplex<f64> for OtherMachine {
        fn process(&self, input: &mut [f64], output: &mut [Complex64]) -> Result<(), FftError> {
            let mut scratch = self.make_scratch_vec();
            self.process_with_scratch(input, output, &mut scratch)
        }
        fn process_with_scratch(
            &self,
            input: &mut [f64],
            output: &mut [Complex64],
            scratch: &mut [Complex64],
        ) -> Result<(), FftError> {
            let energy: f64 = input.iter().map(|x| x * x).sum();
            let n = self.len() as f64;
            let size = 3.5 * f64::EPSILON * (n.log2() + 1.0) * (n * energy).sqrt();
            self.inner.process_with_scratch(input, output, scratch)?;
            let mut state = self.state.load(Ordering::Relaxed);
            for bin in output {
                *bin += Complex64::from_polar(size * random(&mut state), 3.0 * random(&mut state));
            }
            self.state.store(state, Ordering::Relaxed);
            Ok(())
        }
        fn get_scratch_len(&self) -> usize {
            self.inner.get_scratch_len()
        }
        fn len(&self) -> usize {
            self.inner.len()
        }
        fn make_input_vec(&self) -> Vec<f64> {
            self.inner.make_input_vec()
        }
        fn make_output_vec(&self) -> Vec<Complex64> {
            self.inner.make_output_vec()
        }
        fn make_scratch_vec(&self) -> Vec<Complex64> {
            self.inner.make_scratch_vec()
        }
    }

    fn other_machine(seed: u64) -> Arc<dyn RealToComplex<f64>> {
        Arc::new(OtherMachine {
            inner: RealFftPlanner::new().plan_fft_forward(padded(FRAMES)),
            state: AtomicU64::new(seed),
        })
    }

    /// Windows in which the last bits of a spectrum could decide.
    fn windows() -> Vec<(&'static str, Array2<f64>)> {
        let mut state = 1;
        let mut noise = |size: f64| size * random(&mut state);
        let angle = |hz: f64, i: usize| TAU * hz * i as f64 / RATE_HZ;
        let window = |of: &mut dyn FnMut(usize, usize) -> f64| {
            Array2::from_shape_fn((3, FRAMES), |(channel, i)| of(channel, i))
        };
        vec![
            (
                "a tone in noise",
                window(&mut |_, i| angle(23.456, i).cos() + noise(0.03)),
            ),
            ("noise", window(&mut |_, _| noise(1.0))),
            // Whole cycles in the window: both lines are equal but for rounding.
            (
                "two equal tones",
                window(&mut |_, i| angle(20.0, i).sin() + angle(40.0, i).sin()),
            ),
            (
                "two equal tones, another on the next channel",
                window(&mut |channel, i| angle([20.0, 40.0, 30.0][channel], i).sin() + noise(1e-9)),
            ),
            // Below its lines the spectrum is rounding alone.
            (
                "three equal tones without noise",
                window(&mut |_, i| [16.0, 32.0, 48.0].map(|hz| angle(hz, i).cos()).iter().sum()),
            ),
            // Its spectrum is flat.
            ("a click", window(&mut |_, i| f64::from(u8::from(i == 123)))),
            (
                "a click and a silent channel",
                window(&mut |channel, i| f64::from(u8::from(channel == 0 && i == 200))),
            ),
            // Lines of one height over the whole band.
            (
                "a click each eighth of a second",
                window(&mut |_, i| f64::from(u8::from(i % 64 == 0)) + noise(1e-4)),
            ),
        ]
    }

    #[test]
    fn the_window_is_a_periodic_hann() {
        for samples in [1, 2, 3, 8, 255, 1000, 14_667] {
            let window = hann(samples);
            assert_eq!(window.len(), samples);
            for (i, w) in window.iter().enumerate() {
                let right = 0.5 - 0.5 * (TAU * i as f64 / samples as f64).cos();
                assert!((w - right).abs() < 1e-14, "{i} of {samples}: {w} {right}");
            }
        }
    }

    #[test]
    fn the_last_bits_of_the_spectrum_decide_nothing() {
        let search = |transform, window: &Array2<f64>| {
            Search::with(transform, FRAMES, RATE_HZ)
                .peak(window.view(), &[true; 3], 5.0, 80.0)
                .map(f64::to_bits)
        };
        let mut with_a_peak = 0;
        for (name, window) in windows() {
            let mut own = Search::new(FRAMES, RATE_HZ);
            let expected = own.peak(window.view(), &[true; 3], 5.0, 80.0);
            with_a_peak += usize::from(expected.is_some());
            for seed in 1..50 {
                let found = search(other_machine(seed), &window);
                assert_eq!(found, expected.map(f64::to_bits), "{name}, {seed}");
            }
        }
        assert!(with_a_peak >= 5, "{with_a_peak}");
    }

    #[test]
    fn the_other_machine_takes_another_of_two_equal_bins() {
        // Otherwise the test above would show nothing.
        let (_, window) = windows().swap_remove(2);
        let tops: std::collections::BTreeSet<usize> = (1..50)
            .map(|seed| {
                let mut search = Search::with(other_machine(seed), FRAMES, RATE_HZ);
                search.transform(window.row(0), 0.0).unwrap();
                (0..search.output.len())
                    .max_by(|&a, &b| {
                        let power = |bin: usize| search.output[bin].norm_sqr();
                        power(a).total_cmp(&power(b))
                    })
                    .unwrap()
            })
            .collect();
        assert!(tops.len() > 1, "{tops:?}");
    }

    #[test]
    fn the_recomputed_moduli_are_those_of_the_transform() {
        // rustfft is the outside here: every bin within a tenth of the bound.
        for (name, window) in windows() {
            let mut search = Search::new(FRAMES, RATE_HZ);
            let Some(bound) = search.transform(window.row(0), 0.25) else {
                continue;
            };
            let row = Row {
                samples: contiguous(window.row(0)),
                mean: 0.25,
                weight: 1.0,
            };
            for (bin, value) in search.output.iter().enumerate().skip(1) {
                let error = (search.power_of(&row, bin).sqrt() - value.norm()).abs();
                assert!(error < 0.1 * bound, "{name}, bin {bin}: {error} of {bound}");
            }
        }
    }
}
