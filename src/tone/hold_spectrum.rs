//! The spectrum of a whole hold behind a Hann window, from the spectra of its hops, and what a
//! model leaves of it. Pure.
//!
//! # How
//! At the hold's own lines, k/N cycles a sample of its N samples, the turns from hop to hop recur after
//! as many lines as there are hops. So the sums over the hops, Σ G(m, hop) exp(−2π i k hop/hops), are
//! one transform for each point m of the grid that the hops' spectra stand on, and what lies
//! between the points is interpolated as in [`super::spectrum`].
//!
//! # Window
//! Hann about the hold's middle: half of a line and a quarter of either neighbour. A sine y lines
//! away shows in it as N sin(π y)/(2π y (1 − y²)) of half its phasor (Harris 1978, Proc. IEEE 66, 51,
//! for a continuous time; for N samples it is off by 2 y/N⁴ of the highest).

// The indices run over sizes that this file itself sets.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use pulp::Simd;
use std::f64::consts::{PI, TAU};

use super::hold_sums::HoldSpectra;
use super::hop_search::{LEAST_SHOWN, STANDS_OUT, highest_peak};
use super::lane_transform::{LaneTransform, get, length_up_to};
use super::registers::{plus, product, splat};
use super::spectrum::{ComplexLanes, LANES, Lanes, TAPS};
use crate::maths;

/// Most lines that the median is taken of, evenly spread over the band: of noise it scatters by 3 %.
const MEDIAN_LINES: usize = 1024;
/// Points of the hops' grid whose transforms are kept: those that one frequency needs, and those
/// that are made at once.
const KEPT_POINTS: usize = 32;
/// Points whose transforms are made at once: a hop's lie beside each other.
const POINTS_AT_ONCE: usize = 8;
/// Lines from which a model is taken off at once.
const BLOCK: usize = 64;
/// Lines after which a turn is taken from the sine again.
const TURNED_ON: usize = 64;
/// The lines of a block, and that the sine of π times their distance changes its sign.
const NUMBERS: [f64; BLOCK] = numbered().0;
const SIGNS: [f64; BLOCK] = numbered().1;
/// A sine is at least so many lines beside one, so that nothing is divided by zero.
const LEAST_AWAY: f64 = 1e-12;

const fn numbered() -> ([f64; BLOCK], [f64; BLOCK]) {
    let (mut numbers, mut signs) = ([0.0; BLOCK], [1.0; BLOCK]);
    let mut i = 1;
    while i < BLOCK {
        numbers[i] = numbers[i - 1] + 1.0;
        signs[i] = -signs[i - 1];
        i += 1;
    }
    (numbers, signs)
}

/// A sine of a model, in up to [`LANES`] channels.
#[derive(Debug, Clone, Copy)]
pub(super) struct LaneSine {
    /// Cycles a sample.
    pub cycles: f64,
    /// Peak phasors at the middle of the hold; of a constant its value.
    pub phasors: [Complex64; LANES],
}

/// Makes the spectra of holds, one at a time.
pub(super) struct HoldSpectrum {
    /// The band, cycles a sample.
    low: f64,
    high: f64,
    transform: LaneTransform,
    /// What the transforms of the grid's points gave, as many values each as there are hops.
    points: Vec<ComplexLanes>,
    /// Number of the band's first line.
    first: usize,
    /// Samples that the spectrum is of, and of the hold those after them.
    frames: usize,
    left_out: usize,
    /// Behind the window; while it is made one more at either end, without.
    lines: Vec<ComplexLanes>,
    /// Mean of each channel, which `lines` do not hold.
    pub means: Lanes,
    powers: Vec<Lanes>,
    /// Of the powers, in each channel.
    highest: Lanes,
    sorted: Vec<f64>,
}

impl HoldSpectrum {
    /// Between two frequencies, cycles a sample.
    pub fn new(low: f64, high: f64) -> Self {
        Self {
            low,
            high,
            transform: LaneTransform::default(),
            points: Vec::new(),
            first: 0,
            frames: 0,
            left_out: 0,
            lines: Vec::new(),
            means: [0.0; LANES],
            powers: Vec::new(),
            highest: [0.0; LANES],
            sorted: Vec::new(),
        }
    }

    /// Of a group of channels of a hold. A few hops at its end are left out where their number
    /// has a large prime factor.
    pub fn make(&mut self, spectra: &HoldSpectra, group: usize) {
        let hop = spectra.transform().hop();
        let hops = length_up_to(spectra.hops().len());
        if self.transform.length() != hops {
            self.transform = LaneTransform::new(hops);
            self.points.clear();
            self.points
                .resize((KEPT_POINTS + 1) * hops, ComplexLanes::default());
        }
        self.frames = hops * hop;
        self.left_out = (spectra.hops().len() - hops) * hop;
        let frames = self.frames as f64;
        // The window needs one more, and that is above zero too.
        self.first = ((self.low * frames).floor() as usize).max(2);
        let last = (self.high.min(0.5) * frames).ceil() as usize;
        let count = (last + 1).saturating_sub(self.first);
        self.lines.clear();
        self.lines.resize(count + 2, ComplexLanes::default());
        self.means = [0.0; LANES];
        for spectra in &spectra.hops()[..hops] {
            for lane in 0..LANES {
                self.means[lane] += spectra[group].means[lane] / hops as f64;
            }
        }
        pulp::Arch::new().dispatch(Make {
            of: self,
            spectra,
            group,
        });
        window(&mut self.lines);
    }

    /// Distance between two lines, cycles a sample.
    pub fn resolution(&self) -> f64 {
        1.0 / self.frames.max(1) as f64
    }

    /// What sines leave of it: the powers that [`Self::peak`] looks at.
    pub fn take_off(&mut self, sines: &[LaneSine]) {
        pulp::Arch::new().dispatch(TakeOff { of: self, sines });
    }

    /// Where the line stands that stands out most in a channel of the group, cycles a sample.
    pub fn peak(&mut self, lane: usize) -> Option<f64> {
        let stride = self.powers.len().div_ceil(MEDIAN_LINES).max(1);
        let powers = self.powers.iter().map(|power| power[lane]);
        self.sorted.clear();
        self.sorted.extend(powers.clone().step_by(stride));
        let middle = self.sorted.len().checked_sub(1)? / 2;
        let (_, median, _) = self.sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let stands_out = |power: f64| *median > 0.0 && power >= STANDS_OUT * *median;
        // Spares the search for peaks where the highest line is too low for one.
        if !stands_out(self.highest[lane] / LEAST_SHOWN) {
            return None;
        }
        let (power, line, away) = highest_peak(powers)?;
        (stands_out(power) && power.is_finite())
            .then(|| self.resolution() * ((self.first + line) as f64 + away))
    }
}

/// Hann, in place: two lines fewer.
fn window(lines: &mut Vec<ComplexLanes>) {
    maths::wide!({
        for i in 1..lines.len().saturating_sub(1) {
            let (line, above) = (lines[i], lines[i + 1]);
            let below = &mut lines[i - 1];
            for lane in 0..LANES {
                below.re[lane] = 0.5 * line.re[lane] + 0.25 * (below.re[lane] + above.re[lane]);
                below.im[lane] = 0.5 * line.im[lane] + 0.25 * (below.im[lane] + above.im[lane]);
            }
        }
    });
    lines.truncate(lines.len().saturating_sub(2));
}

/// From the spectra of hops to lines without a window.
struct Make<'a> {
    of: &'a mut HoldSpectrum,
    spectra: &'a HoldSpectra<'a>,
    group: usize,
}

impl pulp::WithSimd for Make<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { of, spectra, group } = self;
        let transform = spectra.transform();
        let hops = of.transform.length();
        let hop_spectra = &spectra.hops()[..hops];
        let (points, means) = of.points.split_at_mut(KEPT_POINTS * hops);
        for (mean, spectra) in means.iter_mut().zip(hop_spectra) {
            *mean = ComplexLanes::default();
            for lane in 0..LANES {
                mean.re[lane] = spectra[group].means[lane] - of.means[lane];
            }
        }
        of.transform.run(simd, means);
        // exp(−i π j/hops).
        let half_turns: Vec<Complex64> = (0..2 * hops)
            .map(|j| maths::cis(-PI * j as f64 / hops as f64))
            .collect();
        let cycles = |line: usize| line as f64 / of.frames as f64;
        let step = maths::cis(PI / of.frames as f64);
        let mut half_angle = Complex64::ONE;
        let mut made: Option<usize> = None;
        let begin = of.first - 1;
        for i in 0..of.lines.len() {
            let line = begin + i;
            let place = transform.place(cycles(line));
            let (first, weights) = place.taps();
            let mut next = made.unwrap_or(first);
            while next < first + TAPS {
                for (hop, spectra) in hop_spectra.iter().enumerate() {
                    let values = spectra[group].points().get(next..).unwrap_or_default();
                    for (m, value) in (next..).zip(values.iter().take(POINTS_AT_ONCE)) {
                        points[m % KEPT_POINTS * hops + hop] = *value;
                    }
                }
                for m in next..next + POINTS_AT_ONCE {
                    let row = m % KEPT_POINTS * hops;
                    of.transform.run(simd, &mut points[row..row + hops]);
                }
                next += POINTS_AT_ONCE;
            }
            made = Some(next);
            half_angle = if i.is_multiple_of(TURNED_ON) {
                maths::cis(PI * cycles(line))
            } else {
                half_angle * step
            };
            let around = line % hops;
            // Σ exp(i ω t) over a hop: sin(π line/hops)/sin(π line/frames).
            let constant = -half_turns[line % (2 * hops)].im / half_angle.im;
            let constant = simd.splat_f64s(constant);
            // To the middle of all hops.
            let turn = half_turns[line * (hops - 1) % (2 * hops)].conj();
            let turn = splat(simd, turn);
            let target = &mut of.lines[i];
            for part in 0..LANES / S::F64_LANES {
                let (re, im) = get::<S>(&means[around], part);
                let mut even = (simd.mul_f64s(re, constant), simd.mul_f64s(im, constant));
                let mut odd = splat(simd, Complex64::ZERO);
                for pair in 0..TAPS / 2 {
                    for (sum, tap) in [(&mut even, 2 * pair), (&mut odd, 2 * pair + 1)] {
                        let row = (first + tap) % KEPT_POINTS * hops;
                        let (re, im) = get::<S>(&points[row + around], part);
                        let weight = simd.splat_f64s(weights[tap]);
                        sum.0 = simd.add_f64s(sum.0, simd.mul_f64s(re, weight));
                        sum.1 = simd.add_f64s(sum.1, simd.mul_f64s(im, weight));
                    }
                }
                let sum = product(simd, plus(simd, even, odd), turn);
                S::as_mut_simd_f64s(&mut target.re).0[part] = sum.0;
                S::as_mut_simd_f64s(&mut target.im).0[part] = sum.1;
            }
        }
    }
}

/// From lines behind the window to the powers of what sines leave of them.
struct TakeOff<'a> {
    of: &'a mut HoldSpectrum,
    sines: &'a [LaneSine],
}

/// Where a sine stands among the lines: those from `lines` on are `away + lines` behind it.
struct Shown {
    lines: f64,
    away: f64,
    scale: f64,
}

impl Shown {
    /// At `position` lines from zero, seen from the line `first`.
    fn new(position: f64, first: usize, frames: f64) -> Self {
        let nearest = position.round();
        let away = position - nearest;
        let away = if away.abs() < LEAST_AWAY {
            LEAST_AWAY
        } else {
            away
        };
        let lines = nearest - first as f64;
        // sin(π (y + 1)) = −sin(π y).
        let sign = if lines.rem_euclid(2.0) < 0.5 {
            -1.0
        } else {
            1.0
        };
        Self {
            lines,
            away,
            scale: sign * frames * maths::sin(PI * away) / TAU,
        }
    }

    /// How much of half its phasor each line of a block shows, from `start` lines on.
    #[inline(always)]
    fn block<S: Simd>(&self, simd: S, start: usize) -> [f64; BLOCK] {
        let from = simd.splat_f64s(self.lines - start as f64);
        let away = simd.splat_f64s(self.away);
        let one = simd.splat_f64s(1.0);
        let scale = simd.splat_f64s(self.scale);
        let mut shown = [0.0; BLOCK];
        let numbered = S::as_simd_f64s(&NUMBERS).0.iter();
        let numbered = numbered.zip(S::as_simd_f64s(&SIGNS).0);
        let targets = S::as_mut_simd_f64s(&mut shown).0;
        for (target, (number, sign)) in targets.iter_mut().zip(numbered) {
            // Whole numbers first: what is left near zero keeps all its digits.
            let lines = simd.sub_f64s(from, *number);
            let y = simd.add_f64s(lines, away);
            let less = simd.add_f64s(simd.sub_f64s(lines, one), away);
            let more = simd.add_f64s(simd.add_f64s(lines, one), away);
            let signed = simd.mul_f64s(scale, *sign);
            *target = simd.div_f64s(signed, simd.mul_f64s(simd.mul_f64s(less, more), y));
        }
        shown
    }
}

impl pulp::WithSimd for TakeOff<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Self { of, sines } = self;
        let frames = of.frames as f64;
        // A constant behind the middle of the lines' own samples, and of its mirror image the
        // conjugate.
        let back = -PI * of.left_out as f64;
        let sines: Vec<(Shown, Shown, ComplexLanes)> = sines
            .iter()
            .map(|sine| {
                let turn = maths::cis(back * sine.cycles) * 0.5;
                let mut halves = ComplexLanes::default();
                for (lane, phasor) in sine.phasors.iter().enumerate() {
                    let half = phasor * turn;
                    (halves.re[lane], halves.im[lane]) = (half.re, half.im);
                }
                let position = sine.cycles * frames;
                let [own, mirrored] =
                    [position, -position].map(|position| Shown::new(position, of.first, frames));
                (own, mirrored, halves)
            })
            .collect();
        of.powers.resize(of.lines.len(), [0.0; LANES]);
        of.highest = [0.0; LANES];
        let (highest, _) = S::as_mut_simd_f64s(&mut of.highest);
        let mut rest = [ComplexLanes::default(); BLOCK];
        let blocks = of.lines.chunks(BLOCK).zip(of.powers.chunks_mut(BLOCK));
        for (start, (lines, powers)) in (0..).step_by(BLOCK).zip(blocks) {
            rest[..lines.len()].copy_from_slice(lines);
            for (own, mirrored, halves) in &sines {
                let (own, mirrored) = (own.block(simd, start), mirrored.block(simd, start));
                let (half_re, _) = S::as_simd_f64s(&halves.re);
                let (half_im, _) = S::as_simd_f64s(&halves.im);
                for (line, (own, mirrored)) in rest.iter_mut().zip(own.iter().zip(&mirrored)) {
                    let (u, v) = (
                        simd.splat_f64s(own + mirrored),
                        simd.splat_f64s(own - mirrored),
                    );
                    let (re, _) = S::as_mut_simd_f64s(&mut line.re);
                    let (im, _) = S::as_mut_simd_f64s(&mut line.im);
                    for part in 0..LANES / S::F64_LANES {
                        re[part] = simd.sub_f64s(re[part], simd.mul_f64s(u, half_re[part]));
                        im[part] = simd.sub_f64s(im[part], simd.mul_f64s(v, half_im[part]));
                    }
                }
            }
            for (power, line) in powers.iter_mut().zip(&rest) {
                let (power, _) = S::as_mut_simd_f64s(power);
                let (re, _) = S::as_simd_f64s(&line.re);
                let (im, _) = S::as_simd_f64s(&line.im);
                for part in 0..LANES / S::F64_LANES {
                    power[part] = simd.add_f64s(
                        simd.mul_f64s(re[part], re[part]),
                        simd.mul_f64s(im[part], im[part]),
                    );
                    let is_higher = simd.greater_than_f64s(power[part], highest[part]);
                    highest[part] = simd.select_f64s(is_higher, power[part], highest[part]);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::hold_sums::whole_hops;
    use crate::tone::spectrum::HopTransform;
    use ndarray::Array2;

    const HOP: usize = 100;
    /// Ten channels: two groups, the second one not full.
    const CHANNELS: usize = 10;

    /// An offset, a strong tone with its second order, a weak one, and noise.
    fn sample(channel: usize, i: usize, state: &mut u64) -> f64 {
        *state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let noise = (*state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0;
        let angle = TAU * 0.0412 * i as f64 + channel as f64;
        7.0 + angle.cos()
            + 0.02 * (2.0 * angle).sin()
            + 0.001 * (TAU * 0.0703 * i as f64).sin()
            + 1e-4 * noise
    }

    /// Against sums over the samples themselves, with the standard library's sines; for numbers of hops
    /// that are taken whole and for one of which a hop is left out.
    #[test]
    fn it_is_the_windowed_sum_over_what_is_left() {
        for hops in [24, 41, 60] {
            let frames = hops * HOP;
            let mut state = 9;
            // And a drift.
            let samples = Array2::from_shape_fn((CHANNELS, frames), |(c, i)| {
                1e-4 * i as f64 + sample(c, i, &mut state)
            });
            let mut transform = HopTransform::new(HOP, 0.5);
            let mut memory = Vec::new();
            let parts = whole_hops(HOP, samples.view());
            let spectra = HoldSpectra::new(&mut transform, 0.3, &mut memory, &parts);
            let mut spectrum = HoldSpectrum::new(0.005, 0.2);
            let kept = length_up_to(hops) * HOP;
            assert_eq!(kept < frames, hops == 41);
            // Not what was put in: what is taken off is taken off, whether it is there or not. One
            // stands on a line.
            let on_a_line = 0.05 * kept as f64;
            let on_a_line = on_a_line.round() / kept as f64;
            let cycles = [0.0, 0.0412, 0.0824, on_a_line];
            let phasor = |sine: usize, lane: usize| {
                if sine == 0 {
                    return Complex64::new(0.3 + lane as f64, 0.0);
                }
                Complex64::from_polar(0.9 / sine as f64, 0.3 * lane as f64)
            };
            for group in 0..CHANNELS.div_ceil(LANES) {
                spectrum.make(&spectra, group);
                let sines: Vec<LaneSine> = cycles
                    .iter()
                    .enumerate()
                    .map(|(sine, cycles)| LaneSine {
                        cycles: *cycles,
                        phasors: std::array::from_fn(|lane| phasor(sine, lane)),
                    })
                    .collect();
                spectrum.take_off(&sines);
                for lane in 0..(CHANNELS - group * LANES).min(LANES) {
                    let left: Vec<f64> = (0..kept)
                        .map(|i| {
                            let t = i as f64 - 0.5 * (frames as f64 - 1.0);
                            let model: f64 = cycles
                                .iter()
                                .enumerate()
                                .map(|(sine, cycles)| {
                                    let turn = Complex64::from_polar(1.0, TAU * cycles * t);
                                    (phasor(sine, lane) * turn).re
                                })
                                .sum();
                            samples[(group * LANES + lane, i)] - spectrum.means[lane] - model
                        })
                        .collect();
                    let lines = spectrum.powers.iter().enumerate();
                    for (i, power) in lines.step_by(1 + spectrum.powers.len() / 50) {
                        let line = (spectrum.first + i) as f64;
                        let direct: Complex64 = left
                            .iter()
                            .enumerate()
                            .map(|(i, x)| {
                                let turns = (i as f64 - 0.5 * (kept as f64 - 1.0)) / kept as f64;
                                let window = 0.5 + 0.5 * (TAU * turns).cos();
                                Complex64::from_polar(x * window, -TAU * (line * turns).fract())
                            })
                            .sum();
                        // What is known of the window for a continuous time alone, and rounding.
                        let count = kept as f64;
                        let shown = cycles.iter().enumerate().map(|(sine, cycles)| {
                            let away = line + cycles * count;
                            phasor(sine, lane).norm() * 0.5 * count * 2.0 * away / count.powi(4)
                        });
                        let bound = 1e-10 + 2.0 * shown.sum::<f64>();
                        let off = power[lane].sqrt() - direct.norm();
                        assert!(off.abs() < bound, "{hops}, line {line}: {off} {bound}");
                    }
                }
            }
        }
    }

    /// The weak tone stands out when the strong one is off, and nothing when both are.
    #[test]
    fn what_stands_out_is_found() {
        let mut state = 3;
        let samples = Array2::from_shape_fn((1, 41 * HOP), |(c, i)| sample(c, i, &mut state));
        let mut transform = HopTransform::new(HOP, 0.5);
        let mut memory = Vec::new();
        let parts = whole_hops(HOP, samples.view());
        let spectra = HoldSpectra::new(&mut transform, 0.3, &mut memory, &parts);
        let mut spectrum = HoldSpectrum::new(0.005, 0.2);
        spectrum.make(&spectra, 0);
        // At the middle of all samples, from what they are made of.
        let middle = 0.5 * (41.0 * HOP as f64 - 1.0);
        let sine = |cycles: f64, value: Complex64| LaneSine {
            cycles,
            phasors: [value * Complex64::from_polar(1.0, TAU * (cycles * middle).fract()); LANES],
        };
        let drive = [
            sine(0.0412, Complex64::ONE),
            sine(0.0824, Complex64::new(0.0, -0.02)),
        ];
        spectrum.take_off(&drive[..0]);
        let found = spectrum.peak(0).unwrap();
        assert!(
            (found - 0.0412).abs() < 0.02 * spectrum.resolution(),
            "{found}"
        );
        spectrum.take_off(&drive);
        let found = spectrum.peak(0).unwrap();
        assert!(
            (found - 0.0703).abs() < 0.1 * spectrum.resolution(),
            "{found}"
        );
        let weak = sine(0.0703, Complex64::new(0.0, -0.001));
        spectrum.take_off(&[drive[0], drive[1], weak]);
        assert_eq!(spectrum.peak(0), None);
    }
}
