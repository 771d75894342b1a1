//! Where in the spectrum of a window the tone stands, from the spectra of its hops:
//! the first guess of the fit. Pure.
//!
//! # Window
//! Hann, periodic (the form the DFT wants), at the window's own lines. In the frequency
//! domain it is a sum over three of them. What its transform is like between two lines is
//! known in closed form, so that the ratio of the two says where between them a tone stands.
//!
//! # Combination
//! Each channel's power over its own median in the band, summed: a channel counts
//! by how far its line stands above its own noise, whatever its unit. The median is that of
//! the medians of three neighbours, all channels side by side: of noise it is the same.

// The indices run over sizes set at construction.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use pulp::Simd;
use std::f64::consts::{PI, TAU};

use super::fit::Sums;
use super::spectrum::{ComplexLanes, GridPlace, HopSpectrum, HopTransform, LANES, Lanes};
use crate::maths;

/// A line has to stand this much above the median power of the band. The
/// median of white noise's power is ln 2 of its mean, and of some hundred
/// lines the largest reaches ln(100) + 5 times the mean once in 150 windows;
/// 30 leaves a margin and is still 15 dB below any usable tone.
pub(super) const STANDS_OUT: f64 = 30.0;
/// Between two lines the window shows a tone's power lower than it is, at most to this part.
pub(super) const LEAST_SHOWN: f64 = 0.72;

/// The sums of one hop of up to [`LANES`] channels at the window's lines.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct HopLines {
    values: Vec<ComplexLanes>,
    means: Lanes,
}

/// The search, planned once for a window length and a band.
#[derive(Debug, Clone)]
pub struct HopSearch {
    window_hops: usize,
    /// Where the lines stand, one more at either end.
    places: Vec<GridPlace>,
    /// Σ exp(−i ω t) over a hop at each.
    constants: Vec<f64>,
    /// Number of the first line.
    first: usize,
    /// Of the distance between two lines, cycles a sample.
    step: f64,
    /// exp(−i ω t) at the middle of each hop, for as many lines as there are until they recur.
    turns: Vec<Vec<Complex64>>,
    hann: Complex64,
    lines: Vec<ComplexLanes>,
    powers: Vec<Row>,
    combined: Vec<f64>,
    sorted: Vec<Row>,
}

/// One value of each channel, in one line of the cache.
#[derive(Debug, Clone, Copy, Default)]
#[repr(align(64))]
struct Row(Lanes);

impl HopSearch {
    /// For windows of `window_hops` hops, between two frequencies in cycles a sample.
    pub fn new(transform: &HopTransform, window_hops: usize, low: f64, high: f64) -> Self {
        let frames = window_hops * transform.hop();
        let step = 1.0 / frames as f64;
        let low = ((low / step).floor() as usize).max(1);
        let high = (high / step).ceil().min((frames / 2) as f64) as usize;
        let bins = (low - 1)..=(high + 1).max(low);
        let cycles = |bin: usize| bin as f64 * step;
        let circle = 2 * window_hops;
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
            first: low - 1,
            step,
            // ω t at the middle of hop k is π line (2 k + 1 − hops)/hops.
            turns: (0..circle)
                .map(|line| {
                    let ahead = |hop| (2 * hop + 1 + circle - window_hops) % circle;
                    (0..window_hops)
                        .map(|hop| line * ahead(hop) % circle)
                        .map(|i| maths::cis(-TAU * i as f64 / circle as f64))
                        .collect()
                })
                .collect(),
            hann: maths::cis(PI / frames as f64),
            lines: Vec::new(),
            powers: Vec::new(),
            combined: Vec::new(),
            sorted: Vec::new(),
        }
    }

    /// What a hop has at the lines.
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
        if hops.len() != self.window_hops || self.places.len() <= 2 {
            return None;
        }
        self.combined.clear();
        self.combined.resize(self.places.len() - 2, 0.0);
        for group in 0..counts.len().div_ceil(LANES) {
            let counts = std::array::from_fn(|lane| {
                let channel = group * LANES + lane;
                counts.get(channel).copied().unwrap_or(false)
            });
            let search = &mut *self;
            pulp::Arch::new().dispatch(Looked {
                search,
                hops,
                group,
                counts,
            });
        }
        self.top()
    }

    /// The power of a group's channels at the lines, into `powers`.
    #[inline(always)]
    fn window<S: Simd, H: AsRef<[HopLines]>>(&mut self, simd: S, hops: &[H], group: usize) {
        let mut means = [0.0; LANES];
        for hop in hops.iter().filter_map(|hop| hop.as_ref().get(group)) {
            for lane in 0..LANES {
                means[lane] += hop.means[lane] / self.window_hops as f64;
            }
        }
        let turns = self.turns.iter().cycle();
        let turns = turns.skip(self.first % self.turns.len());
        self.lines.clear();
        self.lines
            .resize(self.places.len(), ComplexLanes::default());
        for (k, hop) in hops
            .iter()
            .filter_map(|hop| hop.as_ref().get(group))
            .enumerate()
        {
            let mut apart = [0.0; LANES];
            for lane in 0..LANES {
                apart[lane] = hop.means[lane] - means[lane];
            }
            let (apart, _) = S::as_simd_f64s(&apart);
            let of_hop = self.constants.iter().zip(&hop.values).zip(turns.clone());
            for (line, ((constant, value), turns)) in self.lines.iter_mut().zip(of_hop) {
                let constant = simd.splat_f64s(*constant);
                let (turn_re, turn_im) =
                    (simd.splat_f64s(turns[k].re), simd.splat_f64s(turns[k].im));
                let (re, _) = S::as_mut_simd_f64s(&mut line.re);
                let (im, _) = S::as_mut_simd_f64s(&mut line.im);
                let (value_re, _) = S::as_simd_f64s(&value.re);
                let (value_im, _) = S::as_simd_f64s(&value.im);
                for part in 0..LANES / S::F64_LANES {
                    let offset = simd.mul_f64s(apart[part], constant);
                    let (a, b) = (simd.add_f64s(value_re[part], offset), value_im[part]);
                    let turned_re =
                        simd.sub_f64s(simd.mul_f64s(turn_re, a), simd.mul_f64s(turn_im, b));
                    let turned_im =
                        simd.add_f64s(simd.mul_f64s(turn_re, b), simd.mul_f64s(turn_im, a));
                    re[part] = simd.add_f64s(re[part], turned_re);
                    im[part] = simd.add_f64s(im[part], turned_im);
                }
            }
        }
        let (c, s) = (simd.splat_f64s(self.hann.re), simd.splat_f64s(self.hann.im));
        let half = simd.splat_f64s(0.5);
        self.powers.clear();
        self.powers.resize(self.places.len() - 2, Row::default());
        for (power, lines) in self.powers.iter_mut().zip(self.lines.array_windows()) {
            let [below, line, above] = lines;
            let [below_re, line_re, above_re] =
                [&below.re, &line.re, &above.re].map(|lanes| S::as_simd_f64s(lanes).0);
            let [below_im, line_im, above_im] =
                [&below.im, &line.im, &above.im].map(|lanes| S::as_simd_f64s(lanes).0);
            let (power, _) = S::as_mut_simd_f64s(&mut power.0);
            for part in 0..LANES / S::F64_LANES {
                // ½ X(ω) + ¼ (exp(−jπ/N) X(ω − 2π/N) + exp(jπ/N) X(ω + 2π/N)), doubled.
                let beside_re = simd.add_f64s(
                    simd.mul_f64s(c, simd.add_f64s(below_re[part], above_re[part])),
                    simd.mul_f64s(s, simd.sub_f64s(below_im[part], above_im[part])),
                );
                let beside_im = simd.sub_f64s(
                    simd.mul_f64s(c, simd.add_f64s(below_im[part], above_im[part])),
                    simd.mul_f64s(s, simd.sub_f64s(below_re[part], above_re[part])),
                );
                let re = simd.add_f64s(line_re[part], simd.mul_f64s(half, beside_re));
                let im = simd.add_f64s(line_im[part], simd.mul_f64s(half, beside_im));
                power[part] = simd.add_f64s(simd.mul_f64s(re, re), simd.mul_f64s(im, im));
            }
        }
    }

    /// Adds the powers of the channels that count, each over its median, to `combined`.
    #[inline(always)]
    fn combine<S: Simd>(&mut self, simd: S, counts: [bool; LANES]) {
        let median = self.median(simd);
        let mut weights = [0.0; LANES];
        for lane in 0..LANES {
            let weight = 1.0 / median[lane];
            if counts[lane] && median[lane] > 0.0 && weight.is_finite() {
                weights[lane] = weight;
            }
        }
        let (weights, _) = S::as_simd_f64s(&weights);
        let none = simd.splat_f64s(0.0);
        for (sum, power) in self.combined.iter_mut().zip(&self.powers) {
            let mut parts = Row::default();
            let (weighted, _) = S::as_mut_simd_f64s(&mut parts.0);
            let (power, _) = S::as_simd_f64s(&power.0);
            for part in 0..LANES / S::F64_LANES {
                // A channel without values says nothing, not even that.
                weighted[part] = simd.select_f64s(
                    simd.less_than_f64s(none, weights[part]),
                    simd.mul_f64s(weights[part], power[part]),
                    none,
                );
            }
            let [a, b, c, d, e, f, g, h] = parts.0;
            *sum += ((a + e) + (c + g)) + ((b + f) + (d + h));
        }
    }

    /// Each channel's median of the medians of three neighbouring lines.
    #[inline(always)]
    fn median<S: Simd>(&mut self, simd: S) -> Lanes {
        let sorted = &mut self.sorted;
        sorted.clear();
        let (threes, others) = self.powers.as_chunks::<3>();
        for [a, b, c] in threes {
            let (low, high) = in_order(simd, a, b);
            let (middle, _) = in_order(simd, &high, c);
            sorted.push(in_order(simd, &low, &middle).1);
        }
        sorted.extend(others);
        // Batcher's exchanges (Knuth 5.2.2, algorithm M): the same for whatever values.
        let count = sorted.len();
        let mut run = 1;
        while run < count {
            let mut apart = run;
            while apart > 0 {
                for start in ((apart % run)..count.saturating_sub(apart)).step_by(2 * apart) {
                    for low in start..(start + apart).min(count - apart) {
                        let high = low + apart;
                        if low / (2 * run) == high / (2 * run) {
                            (sorted[low], sorted[high]) =
                                in_order(simd, &sorted[low], &sorted[high]);
                        }
                    }
                }
                apart /= 2;
            }
            run *= 2;
        }
        sorted[count / 2].0
    }

    /// Where the highest peak stands.
    fn top(&self) -> Option<f64> {
        let (power, line, away) = highest_peak(self.combined.iter().copied())?;
        (power >= STANDS_OUT).then(|| self.step * ((self.first + 1 + line) as f64 + away))
    }
}

/// A look at the powers of a group's channels, by the registers that the processor has: left to
/// the compiler, it takes neighbouring lines side by side, and gathers their lanes.
struct Looked<'a, H> {
    search: &'a mut HopSearch,
    hops: &'a [H],
    group: usize,
    counts: [bool; LANES],
}

impl<H: AsRef<[HopLines]>> pulp::WithSimd for Looked<'_, H> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        self.search.window(simd, self.hops, self.group);
        self.search.combine(simd, self.counts);
    }
}

/// The highest peak of the powers behind a Hann window at its own lines: its power, the number of its line and how
/// far from that it stands.
pub(super) fn highest_peak(powers: impl Iterator<Item = f64> + Clone) -> Option<(f64, usize, f64)> {
    let highest = powers.clone().fold(0.0, |a, b| if b > a { b } else { a });
    let lefts = std::iter::once(0.0).chain(powers.clone());
    let rights = powers.clone().skip(1).chain([0.0]);
    let around = powers.zip(lefts).zip(rights).enumerate();
    let peaks = around.filter_map(|(i, ((value, left), right))| {
        if value < LEAST_SHOWN * highest || left > value || right > value {
            return None;
        }
        let ratio = (left.max(right) / value).sqrt();
        let away = ((2.0 * ratio - 1.0) / (ratio + 1.0)).max(0.0);
        let power = value / shown(away);
        Some((power, i, if right < left { -away } else { away }))
    });
    peaks.max_by(|a, b| a.0.total_cmp(&b.0))
}

/// The smaller and the larger of two values, in each lane.
#[inline(always)]
fn in_order<S: Simd>(simd: S, a: &Row, b: &Row) -> (Row, Row) {
    let (mut low, mut high) = (*a, *b);
    let (lows, _) = S::as_mut_simd_f64s(&mut low.0);
    let (highs, _) = S::as_mut_simd_f64s(&mut high.0);
    for (low, high) in lows.iter_mut().zip(highs) {
        let (a, b) = (*low, *high);
        let is_ordered = simd.less_than_f64s(a, b);
        (*low, *high) = (
            simd.select_f64s(is_ordered, a, b),
            simd.select_f64s(is_ordered, b, a),
        );
    }
    (low, high)
}

/// Part of its power that a tone shows at a line `away` lines from it:
/// (sin(π d)/(π d (1 − d²)))².
fn shown(away: f64) -> f64 {
    let turn = PI * away;
    if turn < 1e-6 {
        return 1.0;
    }
    maths::square(maths::sin(turn) / (turn * (1.0 - away * away)))
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
        let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(frames);
        for c in 0..3 {
            let mut input = vec![0.0; frames];
            let mean = samples.row(c).sum() / frames as f64;
            for (i, x) in samples.row(c).iter().enumerate() {
                let window = 1.0 - (TAU * i as f64 / frames as f64).cos();
                input[i] = (x - mean) * window;
            }
            let mut output = fft.make_output_vec();
            fft.process(&mut input, &mut output).unwrap();
            for (i, power) in search.powers.iter().enumerate() {
                let right = output[search.first + 1 + i].norm();
                assert!(
                    (power.0[c].sqrt() - right).abs() < 1e-9,
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

    /// By the ratio of two lines the guess of a clean tone is good to a part in ten thousand of
    /// the distance between them, wherever between them it stands.
    #[test]
    fn the_guess_of_a_clean_tone_is_nearly_the_tone() {
        let mut search = search();
        for trial in 0..200 {
            let hz = 20.0 + 0.231 * f64::from(trial);
            let samples = Array2::from_shape_fn((2, HOP * HOPS), |(c, i)| {
                let sign = if (i * i + c) % 7 < 3 { 1e-5 } else { -1e-5 };
                (TAU * hz * i as f64 / RATE_HZ + c as f64).cos() + sign
            });
            let guess = searched(&samples, &mut search).unwrap();
            assert!((guess - hz).abs() < 1e-4, "{guess} {hz}");
        }
    }
}
