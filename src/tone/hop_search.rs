//! Where in the spectrum of a window the tone stands, from the spectra of its hops:
//! the first guess of the fit. Pure.
//!
//! # Window
//! Hann, periodic (the form the DFT wants), at twice as many frequencies as the
//! window has lines of its own. In the frequency domain it is a sum over three lines.
//!
//! # Combination
//! Each channel's power over its own median in the band, summed: a channel counts
//! by how far its line stands above its own noise, whatever its unit.

// The indices run over sizes set at construction.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::fit::Sums;
use super::search::STANDS_OUT;
use super::spectrum::{ComplexLanes, GridPlace, HopSpectrum, HopTransform, LANES, Lanes};
use crate::maths;

/// Frequencies looked at per line of the window.
const PADDING: usize = 2;

/// The sums of one hop of up to [`LANES`] channels at the frequencies looked at.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HopLines {
    values: Vec<ComplexLanes>,
    means: Lanes,
}

/// The search, planned once for a window length and a band.
#[derive(Debug, Clone)]
pub struct HopSearch {
    window_hops: usize,
    /// Where the frequencies looked at stand, [`PADDING`] more at either end.
    places: Vec<GridPlace>,
    /// Σ exp(−i ω t) over a hop at each.
    constants: Vec<f64>,
    /// Number of the first frequency.
    first: usize,
    /// Of the distance between two frequencies, cycles a sample.
    step: f64,
    /// exp(−i ω t) at the middle of each hop, by steps of 1/(4 · hops · padding) turn.
    turns: Vec<Complex64>,
    hann: Complex64,
    lines: Vec<ComplexLanes>,
    powers: Vec<Lanes>,
    combined: Vec<f64>,
    sorted: Vec<f64>,
}

impl HopSearch {
    /// For windows of `window_hops` hops, between two frequencies in cycles a sample.
    pub fn new(transform: &HopTransform, window_hops: usize, low: f64, high: f64) -> Self {
        let frames = window_hops * transform.hop();
        let step = 1.0 / (PADDING * frames) as f64;
        let low = ((low / step).floor() as usize).max(PADDING);
        let high = (high / step).ceil().min((frames * PADDING / 2) as f64) as usize;
        let bins = (low - PADDING)..=(high + PADDING).max(low);
        let cycles = |bin: usize| bin as f64 * step;
        let circle = 2 * PADDING * window_hops;
        Self {
            window_hops,
            places: bins
                .clone()
                .map(|bin| transform.place(cycles(bin)))
                .collect(),
            constants: bins
                .clone()
                .map(|bin| Sums::new(TAU * cycles(bin), transform.hop()).cos)
                .collect(),
            first: low - PADDING,
            step,
            turns: (0..circle)
                .map(|i| maths::cis(-TAU * i as f64 / circle as f64))
                .collect(),
            hann: maths::cis(PI / frames as f64),
            lines: Vec::new(),
            powers: Vec::new(),
            combined: Vec::new(),
            sorted: Vec::new(),
        }
    }

    /// What a hop has at the frequencies looked at.
    pub fn lines_of(&self, spectrum: &HopSpectrum) -> HopLines {
        let mut values = vec![ComplexLanes::default(); self.places.len()];
        maths::wide!({
            for (value, place) in values.iter_mut().zip(&self.places) {
                *value = spectrum.value(place);
            }
        });
        HopLines {
            values,
            means: spectrum.means,
        }
    }

    /// The frequency that stands out most, cycles a sample, or `None`. `hops[k][g]` are
    /// the lines of hop k, channels `8 g…`; only channels with `counts` are looked at.
    pub fn peak<H: AsRef<[HopLines]>>(&mut self, hops: &[H], counts: &[bool]) -> Option<f64> {
        if hops.len() != self.window_hops || self.places.len() <= 2 * PADDING {
            return None;
        }
        let bins = self.places.len() - 2 * PADDING;
        self.combined.clear();
        self.combined.resize(bins, 0.0);
        for group in 0..counts.len().div_ceil(LANES) {
            maths::wide!(self.window(hops, group));
            for lane in 0..LANES {
                if !counts.get(group * LANES + lane).copied().unwrap_or(false) {
                    continue;
                }
                self.sorted.clear();
                self.sorted
                    .extend(self.powers.iter().map(|power| power[lane]));
                let (_, median, _) = self.sorted.select_nth_unstable_by(bins / 2, f64::total_cmp);
                let weight = 1.0 / *median;
                if *median > 0.0 && weight.is_finite() {
                    for (sum, power) in self.combined.iter_mut().zip(&self.powers) {
                        *sum += weight * power[lane];
                    }
                }
            }
        }
        self.top()
    }

    /// The power of a group's channels at the frequencies looked at, into `powers`.
    #[inline(always)]
    fn window<H: AsRef<[HopLines]>>(&mut self, hops: &[H], group: usize) {
        let mut means = [0.0; LANES];
        for hop in hops.iter().filter_map(|hop| hop.as_ref().get(group)) {
            for lane in 0..LANES {
                means[lane] += hop.means[lane] / self.window_hops as f64;
            }
        }
        self.lines.clear();
        self.lines
            .resize(self.places.len(), ComplexLanes::default());
        for (k, hop) in hops.iter().enumerate() {
            let Some(hop) = hop.as_ref().get(group) else {
                continue;
            };
            let mut apart = hop.means;
            for lane in 0..LANES {
                apart[lane] -= means[lane];
            }
            // ω t at the middle of hop k is π bin (2 k + 1 − hops)/(padding · hops).
            let circle = self.turns.len();
            let ahead = (2 * k + 1 + circle - self.window_hops) % circle;
            // (first + i) · ahead, whole circles left out.
            let mut at = self.first * ahead % circle;
            let places = self.lines.iter_mut().zip(&hop.values);
            for ((line, value), constant) in places.zip(&self.constants) {
                let turn = self.turns[at];
                at += ahead;
                at -= if at >= circle { circle } else { 0 };
                for lane in 0..LANES {
                    let re = value.re[lane] + apart[lane] * constant;
                    let im = value.im[lane];
                    line.re[lane] += turn.re * re - turn.im * im;
                    line.im[lane] += turn.re * im + turn.im * re;
                }
            }
        }
        let (c, s) = (self.hann.re, self.hann.im);
        self.powers.clear();
        self.powers
            .extend(self.lines.windows(2 * PADDING + 1).map(|lines| {
                let (below, line, above) = (&lines[0], &lines[PADDING], &lines[2 * PADDING]);
                let mut power = [0.0; LANES];
                for lane in 0..LANES {
                    // ½ X(ω) + ¼ (exp(−jπ/N) X(ω − 2π/N) + exp(jπ/N) X(ω + 2π/N)), doubled.
                    let re = line.re[lane]
                        + 0.5
                            * (c * (below.re[lane] + above.re[lane])
                                + s * (below.im[lane] - above.im[lane]));
                    let im = line.im[lane]
                        + 0.5
                            * (c * (below.im[lane] + above.im[lane])
                                - s * (below.re[lane] - above.re[lane]));
                    power[lane] = re * re + im * im;
                }
                power
            }));
    }

    fn top(&self) -> Option<f64> {
        let (top, value) = self
            .combined
            .iter()
            .copied()
            .enumerate()
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        if value < STANDS_OUT {
            return None;
        }
        // The parabola through the logarithms.
        let log = |i: Option<usize>| i.and_then(|i| self.combined.get(i)).map(|x| maths::ln(*x));
        let vertex = match (log(top.checked_sub(1)), log(Some(top + 1))) {
            (Some(left), Some(right)) => {
                0.5 * (left - right) / (left - 2.0 * maths::ln(value) + right)
            }
            _ => 0.0,
        };
        let vertex = if vertex.is_finite() {
            vertex.clamp(-0.5, 0.5)
        } else {
            0.0
        };
        Some(self.step * ((self.first + PADDING + top) as f64 + vertex))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array2, s};

    const HOP: usize = 128;
    const HOPS: usize = 4;
    const RATE_HZ: f64 = 512.0;

    fn random(state: &mut u64) -> f64 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
    }

    fn searched(samples: &Array2<f64>, search: &mut HopSearch) -> Option<f64> {
        let channels = samples.nrows();
        let mut transform = HopTransform::new(HOP, 0.5);
        let hops: Vec<Vec<HopLines>> = (0..HOPS)
            .map(|k| {
                let part = samples.slice(s![.., k * HOP..(k + 1) * HOP]);
                (0..channels.div_ceil(LANES))
                    .map(|group| {
                        let mut spectrum = HopSpectrum::default();
                        transform.transform(part, LANES * group, &mut spectrum);
                        search.lines_of(&spectrum)
                    })
                    .collect()
            })
            .collect();
        search
            .peak(&hops, &vec![true; channels])
            .map(|c| c * RATE_HZ)
    }

    fn search() -> HopSearch {
        let transform = HopTransform::new(HOP, 0.5);
        HopSearch::new(&transform, HOPS, 5.0 / RATE_HZ, 80.0 / RATE_HZ)
    }

    /// The powers against a windowed transform of the samples by rustfft.
    #[test]
    fn the_powers_are_those_of_a_windowed_transform() {
        let mut state = 3;
        let frames = HOP * HOPS;
        let samples = Array2::from_shape_fn((3, frames), |(c, i)| {
            1e3 * c as f64 + (0.3 * i as f64).cos() + 0.1 * random(&mut state)
        });
        let mut search = search();
        searched(&samples, &mut search).unwrap();
        let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(PADDING * frames);
        for c in 0..3 {
            let mut input = vec![0.0; PADDING * frames];
            let mean = samples.row(c).sum() / frames as f64;
            for (i, x) in samples.row(c).iter().enumerate() {
                let window = 1.0 - (TAU * i as f64 / frames as f64).cos();
                input[i] = (x - mean) * window;
            }
            let mut output = fft.make_output_vec();
            fft.process(&mut input, &mut output).unwrap();
            for (i, power) in search.powers.iter().enumerate() {
                let right = output[search.first + PADDING + i].norm();
                assert!(
                    (power[c].sqrt() - right).abs() < 1e-9,
                    "{i} {power:?} {right}"
                );
            }
        }
    }

    #[test]
    fn the_guess_is_near_the_tone_and_noise_has_none() {
        let (mut state, mut search) = (5, search());
        let mut found = 0;
        for trial in 0..100 {
            let hz = 6.0 + 0.73 * f64::from(trial);
            let samples = Array2::from_shape_fn((2, HOP * HOPS), |(c, i)| {
                let angle = TAU * hz * i as f64 / RATE_HZ;
                50.0 + (angle + c as f64).cos() + 0.1 * random(&mut state)
            });
            let guess = searched(&samples, &mut search).unwrap();
            assert!((guess - hz).abs() < 0.15, "{guess} {hz}");
            let noise = Array2::from_shape_fn((2, HOP * HOPS), |_| random(&mut state));
            found += usize::from(searched(&noise, &mut search).is_some());
        }
        assert!(found <= 2, "{found} of 100 windows of noise showed a tone");
        let silent = Array2::from_elem((2, HOP * HOPS), 0.25);
        assert_eq!(searched(&silent, &mut search), None);
    }
}
