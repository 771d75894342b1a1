//! The Fourier sums of a whole hold, from the spectra of its hops: what its fits and
//! what stands beside the drive's tone are made of, without another look at the samples. Pure.
//!
//! In: the samples of a hold, whole hops. Out: [`HoldSpectra`], to fit tones to; and
//! [`LineSums`], sums at frequencies that are known beforehand, up to half the sampling rate:
//! from the same spectra where these reach so far, or without keeping any.

// The indices run over sizes that this file itself sets.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::f64::consts::TAU;

use ndarray::{ArrayView2, s};
use num_complex::Complex64;
use pulp::Simd;

use super::fit::{ChannelFit, Moments, Projected, Sums, ToneBasis};
use super::harmonic_fit::HopSequence;
use super::packed_hop::HopSamples;
use super::spectrum::{ComplexLanes, GridPlace, HopSpectrum, HopTransform, LANES, Lanes, mean};
use crate::maths;

/// Hops after which a turn is taken from the sine again.
const TURNED_ON: usize = 16;

/// A hold, transformed hop by hop.
pub(super) struct HoldSpectra<'a> {
    transform: &'a HopTransform,
    hops: Vec<&'a [HopSpectrum]>,
    channels: usize,
    /// The sums of a group at an angle a sample, by its bits, plain and with the time: each channel
    /// is fitted by itself beside the same tone of the drive.
    known: RefCell<BTreeMap<(usize, u64), [ComplexLanes; 2]>>,
}

impl<'a> HoldSpectra<'a> {
    /// Of its hops, up to `highest` cycles a sample. Spectra that are not there yet are left in `spectra`, whose
    /// memory is used again.
    pub fn new<'h: 'a>(
        transform: &'a mut HopTransform,
        highest: f64,
        spectra: &'a mut Vec<Vec<HopSpectrum>>,
        hops: &[HoldHop<'h>],
    ) -> Self {
        let channels = hops.first().map_or(0, |hop| hop.samples.nrows());
        let groups = channels.div_ceil(LANES);
        let is_there = |transform: &HopTransform, hop: &HoldHop| {
            let reaches = |spectrum| transform.reaches(spectrum, highest);
            hop.spectra.len() == groups && hop.spectra.iter().all(reaches)
        };
        let missing: Vec<&HoldHop> = hops
            .iter()
            .filter(|hop| !is_there(transform, hop))
            .collect();
        spectra.resize_with(missing.len(), Vec::new);
        for (spectra, hop) in spectra.iter_mut().zip(missing) {
            spectra.resize(groups, HopSpectrum::default());
            let samples = hop.samples.whole();
            for (group, spectrum) in spectra.iter_mut().enumerate() {
                transform.transform_up_to(highest, samples.view(), group * LANES, spectrum);
            }
        }
        let mut made = spectra.iter();
        let hops = hops.iter().map(|hop| {
            if is_there(transform, hop) {
                hop.spectra
            } else {
                made.next().map_or(&[][..], Vec::as_slice)
            }
        });
        Self {
            hops: hops.collect(),
            transform,
            channels,
            known: RefCell::default(),
        }
    }

    /// What its hops were transformed by.
    pub fn transform(&self) -> &HopTransform {
        self.transform
    }

    /// The spectra, by hop and group of channels.
    pub fn hops(&self) -> &[&'a [HopSpectrum]] {
        &self.hops
    }

    /// The sums at `cycles` a sample; its transform goes up to half the sampling rate. `drive` as
    /// in [`LineSums::new`].
    pub fn lines(&self, cycles: impl Iterator<Item = f64>, drive: &[f64]) -> LineSums {
        let means = means_of(self.channels, &self.hops, |hop, channel| {
            hop[channel / LANES].means[channel % LANES]
        });
        let hops = self.hops.len();
        let mut gathered = Gathering::new(self.transform, hops, means, cycles, drive);
        for (k, groups) in self.hops.iter().enumerate() {
            for (group, spectrum) in groups.iter().enumerate() {
                gathered.add(k, group, spectrum);
            }
        }
        gathered.sums()
    }

    /// Hop by hop at `angle` a sample.
    pub fn hop_by_hop(&self, angle: f64) -> HopByHop<'_> {
        let place = self.transform.place(angle / TAU);
        let sequence = self.channels(&[]).sequence;
        HopByHop {
            hop: self.transform.hop(),
            angle,
            hops: &self.hops,
            turns: turns(self.hops.len(), |k| angle * sequence.middle(k)),
            values: self
                .hops
                .iter()
                .map(|groups| groups.iter().map(|group| group.value(&place)).collect())
                .collect(),
        }
    }

    /// Some of its channels, to fit to.
    pub fn channels(&'a self, chosen: &'a [usize]) -> ChosenChannels<'a> {
        ChosenChannels {
            sequence: HopSequence {
                transform: self.transform,
                hops: &self.hops,
                channels: self.channels,
            },
            chosen,
            known: &self.known,
        }
    }
}

/// exp(i angle(k)) of angles that grow evenly.
fn turns(count: usize, angle: impl Fn(usize) -> f64) -> Vec<Complex64> {
    let step = maths::cis(angle(1) - angle(0));
    let mut turn = Complex64::ONE;
    (0..count)
        .map(|k| {
            turn = if k.is_multiple_of(TURNED_ON) {
                maths::cis(angle(k))
            } else {
                turn * step
            };
            turn
        })
        .collect()
}

/// One hop of a hold.
#[derive(Debug, Clone, Copy)]
pub struct HoldHop<'a> {
    /// Channels × samples.
    pub samples: HopSamples<'a>,
    /// Their spectra, eight channels each, where they are known.
    pub spectra: &'a [HopSpectrum],
}

/// The whole hops of samples, channels × samples.
pub(super) fn whole_hops(hop: usize, samples: ArrayView2<'_, f64>) -> Vec<HoldHop<'_>> {
    (0..samples.ncols() / hop.max(1))
        .map(move |k| HoldHop {
            samples: HopSamples::Whole(samples.slice_move(s![.., k * hop..(k + 1) * hop])),
            spectra: &[],
        })
        .collect()
}

/// The mean of each channel over a hold, from those of its hops.
fn means_of<H>(channels: usize, hops: &[H], of: impl Fn(&H, usize) -> f64) -> Vec<f64> {
    let mean = |channel| hops.iter().map(|hop| of(hop, channel)).sum::<f64>() / hops.len() as f64;
    (0..channels).map(mean).collect()
}

/// Some channels of a hold.
pub(super) struct ChosenChannels<'a> {
    sequence: HopSequence<'a, &'a [HopSpectrum]>,
    chosen: &'a [usize],
    known: &'a RefCell<BTreeMap<(usize, u64), [ComplexLanes; 2]>>,
}

impl ChosenChannels<'_> {
    /// Of all channels of a group, plain and with the time.
    fn sums(&self, group: usize, angle: f64, means: &Lanes) -> [ComplexLanes; 2] {
        let mut known = self.known.borrow_mut();
        *known.entry((group, angle.to_bits())).or_insert_with(|| {
            let turns = turns(self.sequence.hops.len(), |k| {
                -angle * self.sequence.middle(k)
            });
            let turn = |k: usize| turns.get(k).copied().unwrap_or_default();
            let (plain, by_time) =
                maths::wide!(self.sequence.sums(group, angle / TAU, means, turn));
            [plain, by_time]
        })
    }
}

impl Projected for ChosenChannels<'_> {
    fn frames(&self) -> usize {
        self.sequence.frames()
    }

    fn channels(&self) -> usize {
        self.chosen.len()
    }

    fn project(&self, basis: &ToneBasis, channels: &[usize], into: &mut Moments) {
        let half = self.sequence.half();
        for group in 0..self.sequence.groups() {
            let here: Vec<(usize, usize)> = channels
                .iter()
                .map(|&i| (i, self.chosen[i]))
                .filter(|(_, channel)| channel / LANES == group)
                .map(|(i, channel)| (i, channel % LANES))
                .collect();
            if here.is_empty() {
                continue;
            }
            let start = self.sequence.start(group);
            for &(i, lane) in &here {
                into.squares[i] = start.squares[lane];
                into.origins[i] = start.means[lane];
                into.projections[0][i][0] = 0.0;
                into.projections[1][i][0] = start.cos_by_time[0][lane];
            }
            for (angle, column) in basis.waves() {
                let [plain, by_time] = self.sums(group, angle, &start.means);
                for &(i, lane) in &here {
                    for (projections, sums, scale) in
                        [(0, &plain, 1.0), (1, &by_time, half.recip())]
                    {
                        let target = &mut into.projections[projections][i];
                        target[column] = sums.re[lane] * scale;
                        target[column + 1] = -sums.im[lane] * scale;
                    }
                }
            }
        }
    }
}

/// The sums of each hop at one frequency.
pub(super) struct HopByHop<'a> {
    hop: usize,
    angle: f64,
    hops: &'a [&'a [HopSpectrum]],
    /// exp(i ω t) at the middle of each hop, t from the middle of the hold.
    turns: Vec<Complex64>,
    /// Σ (x − mean) exp(−i ω t), t and mean of the hop; by hop and group.
    values: Vec<Vec<ComplexLanes>>,
}

/// What a model leaves of a hop.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct HopRest {
    /// Σ rest exp(−i ω t), t from the middle of the hold.
    pub turned: Complex64,
    /// Σ rest.
    pub plain: f64,
}

impl HopByHop<'_> {
    /// Of a channel. `tones`: the angle a sample and the peak phasor of each sine of the model, the
    /// first `orders` of them multiples of this frequency.
    pub fn rest(
        &self,
        channel: usize,
        offset: f64,
        tones: &[(f64, Complex64)],
        orders: usize,
    ) -> Vec<HopRest> {
        let constant = kernel(self.angle, self.hop);
        let kernels: Vec<([f64; 2], f64)> = tones
            .iter()
            .map(|(own, _)| (seen(*own, self.angle, self.hop), kernel(*own, self.hop)))
            .collect();
        let middle = 0.5 * (self.hops.len() as f64 - 1.0);
        let (group, lane) = (channel / LANES, channel % LANES);
        let hops = self.hops.iter().zip(&self.values).zip(&self.turns);
        let rest = hops.enumerate().map(|(k, ((spectra, values), turn))| {
            let time = (k as f64 - middle) * self.hop as f64;
            let above = spectra[group].means[lane] - offset;
            let mut turned = Complex64::new(values[group].re[lane], values[group].im[lane]);
            turned += above * constant;
            let mut plain = above * self.hop as f64;
            let mut multiple = Complex64::ONE;
            for (i, ((own, phasor), ([less, more], at_zero))) in
                tones.iter().zip(&kernels).enumerate()
            {
                multiple *= turn;
                let there = phasor
                    * if i < orders {
                        multiple
                    } else {
                        maths::cis(own * time)
                    };
                turned -= (there * less + there.conj() * more) * 0.5;
                plain -= there.re * at_zero;
            }
            HopRest {
                turned: turned * turn.conj(),
                plain,
            }
        });
        rest.collect()
    }
}

/// Σ x exp(−i ω t) of all channels at some frequencies, t from the middle of the hold.
pub(super) struct LineSums {
    frames: usize,
    /// What x is counted from.
    means: Vec<f64>,
    /// By the bits of the cycles a sample.
    lines: BTreeMap<u64, LineSum>,
}

/// The sums at one frequency.
#[derive(Debug, PartialEq)]
struct LineSum {
    channels: Vec<Complex64>,
    /// What it sees of a constant.
    constant: f64,
    /// The angle a sample of each tone that all channels have, and what the frequency sees of it
    /// and of its mirror image.
    drive: Vec<(f64, [f64; 2])>,
}

/// A frequency, as it stands in the spectrum of a hop.
struct Line {
    cycles: f64,
    /// Between zero and half a cycle a sample.
    folded: f64,
    is_mirrored: bool,
    sign: f64,
    /// exp(−i ω t) at the middle of the hop that is being added, and from there to the next.
    turn: Complex64,
    step: Complex64,
    sums: Vec<ComplexLanes>,
}

/// Sums on their way.
struct Gathering {
    hop: usize,
    hops: usize,
    means: Vec<f64>,
    drive: Vec<f64>,
    lines: Vec<Line>,
    /// Where each stands in a spectrum, and what it sees of a constant.
    places: Vec<(GridPlace, f64)>,
}

impl Gathering {
    fn new(
        transform: &HopTransform,
        hops: usize,
        means: Vec<f64>,
        cycles: impl Iterator<Item = f64>,
        drive: &[f64],
    ) -> Self {
        let hop = transform.hop();
        let frames = hops * hop;
        let groups = means.len().div_ceil(LANES);
        let mut lines: Vec<Line> = cycles
            .map(|cycles| Line::new(cycles, hop, frames, groups))
            .collect();
        lines.sort_by(|a, b| a.cycles.total_cmp(&b.cycles));
        lines.dedup_by(|a, b| a.cycles.to_bits() == b.cycles.to_bits());
        Self {
            hop,
            hops,
            drive: drive.to_vec(),
            means,
            places: lines
                .iter()
                .map(|line| {
                    let constant = Sums::new(TAU * line.folded, hop).cos;
                    (transform.place(line.folded), constant)
                })
                .collect(),
            lines,
        }
    }

    /// The next hop of a group of channels.
    fn add(&mut self, k: usize, group: usize, spectrum: &HopSpectrum) {
        let middle = (k as f64 - 0.5 * (self.hops as f64 - 1.0)) * self.hop as f64;
        let mut apart: Lanes = [0.0; LANES];
        let means = self.means.iter().skip(group * LANES).take(LANES);
        for (lane, mean) in means.enumerate() {
            apart[lane] = spectrum.means[lane] - mean;
        }
        if group == 0 {
            for line in &mut self.lines {
                // Turned on by multiplication: after so many the error is some 1e-15.
                line.turn = if k.is_multiple_of(TURNED_ON) {
                    maths::cis(-TAU * line.folded * middle)
                } else {
                    line.turn * line.step
                };
            }
        }
        pulp::Arch::new().dispatch(AddHop {
            gathering: self,
            group,
            spectrum,
            apart: &apart,
        });
    }

    fn sums(self) -> LineSums {
        let frames = self.hops * self.hop;
        let sum = |line: &Line| {
            let angle = TAU * line.cycles;
            LineSum {
                channels: line.channels(self.means.len()),
                constant: kernel(angle, frames),
                drive: self
                    .drive
                    .iter()
                    .map(|own| (*own, seen(*own, angle, frames)))
                    .collect(),
            }
        };
        let lines = self.lines.iter();
        LineSums {
            frames,
            lines: lines
                .map(|line| (line.cycles.to_bits(), sum(line)))
                .collect(),
            means: self.means,
        }
    }
}

/// The next hop of a group of channels, by the registers that there are.
struct AddHop<'a> {
    gathering: &'a mut Gathering,
    group: usize,
    spectrum: &'a HopSpectrum,
    /// What each channel's mean of the hop has above that of the hold.
    apart: &'a Lanes,
}

impl pulp::WithSimd for AddHop<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let Gathering { lines, places, .. } = self.gathering;
        let (apart, _) = S::as_simd_f64s(self.apart);
        let mut value = ComplexLanes::default();
        for (line, (place, constant)) in lines.iter_mut().zip(places) {
            self.spectrum.value_in(simd, place, &mut value);
            let sums = &mut line.sums[self.group];
            let (re, _) = S::as_mut_simd_f64s(&mut sums.re);
            let (im, _) = S::as_mut_simd_f64s(&mut sums.im);
            let constant = simd.splat_f64s(*constant);
            let (c, s) = (simd.splat_f64s(line.turn.re), simd.splat_f64s(line.turn.im));
            for part in 0..LANES / S::F64_LANES {
                let x = S::as_simd_f64s(&value.re).0[part];
                let y = S::as_simd_f64s(&value.im).0[part];
                let x = simd.add_f64s(x, simd.mul_f64s(apart[part], constant));
                let turned = simd.sub_f64s(simd.mul_f64s(c, x), simd.mul_f64s(s, y));
                re[part] = simd.add_f64s(re[part], turned);
                let turned = simd.add_f64s(simd.mul_f64s(c, y), simd.mul_f64s(s, x));
                im[part] = simd.add_f64s(im[part], turned);
            }
        }
    }
}

impl LineSums {
    /// The sums at `cycles` a sample. `transform` goes up to half the sampling rate; `drive` has the angle
    /// a sample of the tones that all channels have.
    pub fn new(
        transform: &mut HopTransform,
        hops: &[HoldHop],
        cycles: impl Iterator<Item = f64>,
        drive: &[f64],
    ) -> Self {
        let channels = hops.first().map_or(0, |hop| hop.samples.nrows());
        let means = means_of(channels, hops, |hop, channel| {
            mean(&hop.samples.row(channel))
        });
        let mut gathered = Gathering::new(transform, hops.len(), means, cycles, drive);
        let mut spectrum = HopSpectrum::default();
        for (k, hop) in hops.iter().enumerate() {
            let samples = hop.samples.whole();
            for group in 0..channels.div_ceil(LANES) {
                transform.transform(samples.view(), group * LANES, &mut spectrum);
                gathered.add(k, group, &spectrum);
            }
        }
        gathered.sums()
    }

    /// Samples of the hold.
    pub fn frames(&self) -> usize {
        self.frames
    }

    /// What the model leaves of the sum of a channel at one of the frequencies. `tones`: the
    /// angle a sample and the peak phasor of each sine of the model.
    pub fn left(
        &self,
        cycles: f64,
        channel: usize,
        fit: &ChannelFit,
        tones: &[(f64, Complex64)],
    ) -> Complex64 {
        let line = self.lines.get(&cycles.to_bits());
        let (Some(line), Some(mean)) = (line, self.means.get(channel)) else {
            return Complex64::ZERO;
        };
        let Some(sum) = line.channels.get(channel) else {
            return Complex64::ZERO;
        };
        let constant = (fit.offset - mean) * line.constant;
        let sines: Complex64 = tones
            .iter()
            .enumerate()
            .map(|(i, (own, phasor))| {
                let known = line.drive.get(i);
                let known = known.filter(|(drive, _)| drive.to_bits() == own.to_bits());
                let [less, more] =
                    known.map_or_else(|| seen(*own, TAU * cycles, self.frames), |(_, seen)| *seen);
                (phasor * less + phasor.conj() * more) * 0.5
            })
            .sum();
        sum - constant - sines
    }
}

/// Σ exp(i angle n), n from the middle.
fn kernel(angle: f64, frames: usize) -> f64 {
    Sums::new(angle, frames).cos
}

/// What a frequency sees of a tone and of its mirror image, both by their angle a sample.
fn seen(own: f64, angle: f64, frames: usize) -> [f64; 2] {
    [kernel(own - angle, frames), kernel(own + angle, frames)]
}

impl Line {
    fn new(cycles: f64, hop: usize, frames: usize, groups: usize) -> Self {
        let turns = cycles.round();
        // A whole turn a sample is half a turn in all where there is no middle sample.
        let is_odd = turns.rem_euclid(2.0) > 0.5 && frames.is_multiple_of(2);
        let folded = (cycles - turns).abs();
        Self {
            cycles,
            folded,
            turn: Complex64::ONE,
            step: maths::cis(-TAU * folded * hop as f64),
            is_mirrored: cycles < turns,
            sign: if is_odd { -1.0 } else { 1.0 },
            sums: vec![ComplexLanes::default(); groups],
        }
    }

    fn channels(&self, count: usize) -> Vec<Complex64> {
        let im = if self.is_mirrored {
            -self.sign
        } else {
            self.sign
        };
        (0..count)
            .map(|channel| {
                let (sums, lane) = (&self.sums[channel / LANES], channel % LANES);
                Complex64::new(self.sign * sums.re[lane], im * sums.im[lane])
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::fit::{Model, ToneGuess, fit, fit_to, residual};
    use ndarray::Array2;

    const HOP: usize = 100;

    /// Ten channels with an offset, a tone with orders, hum and noise.
    fn samples(frames: usize) -> Array2<f64> {
        let mut state = 9_u64;
        Array2::from_shape_fn((10, frames), |(c, i)| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0;
            let angle = TAU * 0.0412 * i as f64;
            (angle + c as f64).cos()
                + 7.0
                + 0.02 * (3.0 * angle).sin()
                + 0.1 * (TAU * 0.1003 * i as f64).sin()
                + 0.01 * noise
        })
    }

    fn tones(free: bool) -> [ToneGuess; 2] {
        [(0.041_203, 4), (0.1002, 1)].map(|(frequency_hz, orders)| ToneGuess {
            frequency_hz,
            free,
            orders,
        })
    }

    /// Two tones at once in some of the channels, against the fit to the samples.
    #[test]
    fn fits_are_those_of_the_samples() {
        let samples = samples(40 * HOP);
        let mut transform = HopTransform::new(HOP, 0.3);
        let mut hops = Vec::new();
        let spectra = HoldSpectra::new(
            &mut transform,
            0.5,
            &mut hops,
            &whole_hops(HOP, samples.view()),
        );
        let chosen = [1, 4, 9];
        for free in [true, false] {
            let tones = tones(free);
            let counts = [true, false, true];
            let ours = fit_to(&spectra.channels(&chosen), 1.0, &tones, &counts).unwrap();
            let right = fit(
                samples.select(ndarray::Axis(0), &chosen).view(),
                1.0,
                &tones,
                &counts,
            );
            let right = right.unwrap();
            for (a, b) in ours.frequencies.iter().zip(&right.frequencies) {
                let off = (a.frequency_hz - b.frequency_hz).abs();
                assert!(off <= 1e-6 * b.frequency_u_hz, "{off}");
                assert!((a.frequency_u_hz - b.frequency_u_hz).abs() <= 1e-6 * b.frequency_u_hz);
            }
            for (a, b) in ours.channels.iter().zip(&right.channels) {
                assert!((a.offset - b.offset).abs() < 1e-6 * b.offset_u);
                assert!((a.noise_rms / b.noise_rms - 1.0).abs() < 1e-7);
                for (a, b) in a.phasors.iter().flatten().zip(b.phasors.iter().flatten()) {
                    assert!((a.value - b.value).norm() < 1e-5 * b.part_u());
                    assert!((a.var_re / b.var_re - 1.0).abs() < 1e-6);
                }
            }
        }
    }

    /// Also above half the sampling rate, for an even and an odd number of samples.
    #[test]
    fn what_is_left_is_the_sum_over_the_residual() {
        for hop in [HOP, 55] {
            let frames = 41 * hop;
            let samples = samples(frames);
            let tones = tones(true);
            let fitted = fit(samples.view(), 1.0, &tones, &[true; 10]).unwrap();
            let rest = residual(samples.view(), 1.0, &tones, &fitted);
            let mut transform = HopTransform::new(hop, 0.5);
            // Of one tone they are known beforehand, of the other not.
            let drive = [TAU * fitted.frequencies[0].frequency_hz];
            let asked = [0.000_1, 0.2061, 0.37, 0.5, 0.63, 0.99, 1.2];
            let sums = LineSums::new(
                &mut transform,
                &whole_hops(hop, samples.view()),
                asked.into_iter(),
                &drive,
            );
            for channel in 0..10 {
                let fit = &fitted.channels[channel];
                let sines: Vec<(f64, Complex64)> = fit
                    .phasors
                    .iter()
                    .zip(&fitted.frequencies)
                    .flat_map(|(orders, tone)| {
                        (1..).zip(orders).map(|(order, phasor)| {
                            (TAU * f64::from(order) * tone.frequency_hz, phasor.value)
                        })
                    })
                    .collect();
                for cycles in asked {
                    let direct: Complex64 = rest
                        .row(channel)
                        .iter()
                        .enumerate()
                        .map(|(i, x)| {
                            let t = i as f64 - 0.5 * (frames as f64 - 1.0);
                            Complex64::from_polar(*x, -TAU * (cycles * t).fract())
                        })
                        .sum();
                    let left = sums.left(cycles, channel, fit, &sines);
                    assert!((left - direct).norm() < 1e-9, "{cycles}: {left} {direct}");
                }
            }
        }
    }

    /// Hop by hop, against the sums over the residual itself; also that taken off part by part.
    #[test]
    fn what_is_left_of_each_hop_is_the_sum_over_its_residual() {
        let samples = samples(40 * HOP);
        let tones = tones(true);
        let fitted = fit(samples.view(), 1.0, &tones, &[true; 10]).unwrap();
        let rest = residual(samples.view(), 1.0, &tones, &fitted);
        let model = Model::new(samples.ncols(), 1.0, &fitted.found(&tones));
        let mut transform = HopTransform::new(HOP, 0.3);
        let (mut memory, hops) = (Vec::new(), whole_hops(HOP, samples.view()));
        let spectra = HoldSpectra::new(&mut transform, 0.5, &mut memory, &hops);
        let drive = TAU * fitted.frequencies[0].frequency_hz;
        let hop_by_hop = spectra.hop_by_hop(drive);
        for channel in [0, 4, 9] {
            let fit = &fitted.channels[channel];
            let sines = fit.phasors.iter().zip(&fitted.frequencies);
            let sines: Vec<(f64, Complex64)> = sines
                .flat_map(|(orders, tone)| {
                    (1..).zip(orders).map(|(order, phasor)| {
                        (TAU * f64::from(order) * tone.frequency_hz, phasor.value)
                    })
                })
                .collect();
            let left = hop_by_hop.rest(channel, fit.offset, &sines, tones[0].orders);
            for (k, left) in left.iter().enumerate() {
                let first = k * HOP;
                let hop: Vec<f64> = (first..first + HOP).map(|i| rest[(channel, i)]).collect();
                let turned: Complex64 = (first..)
                    .zip(&hop)
                    .map(|(i, x)| {
                        let t = i as f64 - 0.5 * (samples.ncols() as f64 - 1.0);
                        Complex64::from_polar(*x, -drive * t)
                    })
                    .sum();
                let plain: f64 = hop.iter().sum();
                assert!((left.turned - turned).norm() < 1e-9, "{k}");
                assert!((left.plain - plain).abs() < 1e-9, "{k}");
                let mut part = hops[k].samples.row(channel).to_vec();
                model.take_off(first, vec![(&mut part, &fit.parameters())]);
                for (a, b) in part.iter().zip(&hop) {
                    assert!((a - b).abs() < 1e-11, "{k}: {a} {b}");
                }
            }
        }
    }

    /// How far up the spectra are kept changes no bit: long holds and short ones are reckoned alike.
    #[test]
    fn spectra_up_to_half_the_rate_give_the_same() {
        let samples = samples(40 * HOP);
        let mut fits = Vec::new();
        let (mut hops, all) = (Vec::new(), [0, 3, 9]);
        for highest in [0.5, 0.3, 0.5] {
            let mut transform = HopTransform::new(HOP, 0.5);
            let spectra = HoldSpectra::new(
                &mut transform,
                highest,
                &mut hops,
                &whole_hops(HOP, samples.view()),
            );
            fits.push(fit_to(&spectra.channels(&all), 1.0, &tones(true), &[true; 3]).unwrap());
        }
        assert_eq!(fits[0], fits[1]);
        assert_eq!(fits[0], fits[2]);
        let cycles = [0.01, 0.2061, 0.37, 0.63, 1.2];
        let mut transform = HopTransform::new(HOP, 0.5);
        let right = LineSums::new(
            &mut transform,
            &whole_hops(HOP, samples.view()),
            cycles.into_iter(),
            &[],
        );
        let spectra = HoldSpectra::new(
            &mut transform,
            0.5,
            &mut hops,
            &whole_hops(HOP, samples.view()),
        );
        let ours = spectra.lines(cycles.into_iter(), &[]);
        assert_eq!(ours.lines, right.lines);
        assert_eq!(ours.means, right.means);
    }
}
