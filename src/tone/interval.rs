//! A whole hold at once: the estimate a settled point is made of.
//!
//! Per-hop frames say *whether* a resonance was held; what was measured during
//! it is estimated once more from all its samples, where the Cramér–Rao bound
//! is lowest and interfering tones (mains hum next to the drive frequency) are
//! far enough apart to be fitted along.

use ndarray::ArrayView2;
use num_complex::Complex64;
use std::f64::consts::TAU;

#[cfg(doc)]
use super::NOISE_BAND_HZ;
use super::beside::{Beside, BesideTone};
use super::filter::Filter;
use super::fit::{FitError, Model, PhasorEstimate, Sums, ToneGuess, fit_to};
use super::flattening::Harmonics;
use super::hold_channel::{HoldChannel, single};
pub use super::hold_sums::HoldHop;
use super::hold_sums::{HoldSpectra, HopRest, LineSums, whole_hops};
use super::interfering::{InterferingSearch, distinct, highest_line_hz};
use super::noise_band_factor;
use super::noise_marks::{NoiseMarks, NoisyTone};
use super::plan::TonePlan;
use super::quantisation::{Rounding, RoundingError};
use super::spectrum::{HopSpectrum, HopTransform, LANES};
use crate::maths;

/// The spectra of a hold are kept up to half the sampling rate where those of all sources take no
/// more bytes than this; of a longer one up to the tones that are fitted, and what is beyond is
/// transformed once more: the bits are the same.
const SPECTRA_BYTES: usize = 8 << 20;
/// Samples whose memory is kept for the next hold, 4 MB: a source of many channels has long
/// holds more seldom than memory to spare.
const KEPT_VALUES: usize = 1 << 19;
/// Blocks into which the hold is cut to see how its phasors scatter.
const BLOCKS: usize = 8;
/// Highest order looked at for a rattle.
const HIGHEST_ORDER: usize = 64;
/// Scatter between blocks beyond what noise explains: the chi-square limit at
/// 99 % for 7 degrees of freedom, over 7.
const EXCESS: f64 = 2.64;

/// One channel over the interval.
#[derive(Debug, Clone, PartialEq)]
pub struct IntervalChannel {
    /// Peak phasor of the fundamental at the interval's centre, SI, with the
    /// covariance of noise and of scatter within the interval together.
    pub phasor: PhasorEstimate,
    /// Noise in the analysis band after all modelled tones, rms, SI.
    pub noise_rms: f64,
    /// The same in [`NOISE_BAND_HZ`] alone.
    pub noise_band_rms: f64,
    /// Rms of all orders from the second up to the edge of the band, over the
    /// fundamental's rms.
    pub distortion: f64,
    /// Root sum of squares of the orders above the model's, peak, SI: what a
    /// bent waveform hardly has and a rattle has plenty of.
    pub high_orders: f64,
    /// Interfering tones: frequency in Hz and peak amplitude in SI.
    pub interfering: Vec<(f64, f64)>,
    /// What tells flattened extremes.
    pub harmonics: Harmonics,
    /// What its noise says of its amplifier.
    pub marks: NoiseMarks,
    /// Mains hum beside the drive: nominal frequency in Hz and peak amplitude in SI.
    /// Lines that the drive is too near to, or cannot come near, are left out.
    pub mains: Vec<(f64, f64)>,
    /// Standard uncertainties from rounding to the converter's steps, SI.
    pub rounding: RoundingError,
    /// How the reading went: the fundamental's peak phasor in each whole hop of
    /// the interval, SI, at the interval's frequency and counted from its
    /// centre, with all modelled tones but the drive's taken off.
    pub course: Vec<Complex64>,
    /// Standard uncertainty of the real and of the imaginary part of one value
    /// of `course` from noise, SI.
    pub course_u: f64,
}

/// The interval as a whole.
#[derive(Debug, Clone, PartialEq)]
pub struct IntervalTone {
    /// Common frequency, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty from noise, Hz.
    pub frequency_u_hz: f64,
    /// One entry a channel of the plan.
    pub channels: Vec<IntervalChannel>,
}

/// The fit of whole holds of one source. Keeps nothing of a hold but the plans of its transforms
/// and their memory: the result depends on the samples and the guess alone.
pub struct HoldFit {
    plan: TonePlan,
    filter: Filter,
    /// Noise over what of it the filter leaves.
    noise_scale: f64,
    sets_frequency: Vec<bool>,
    /// Up to half the rate.
    transform: HopTransform,
    /// The hops of the hold that was fitted last, for their memory; not of a long one.
    spectra: Vec<Vec<HopSpectrum>>,
    /// Samples of a hold that was fitted, and what was left of them, for their memory; not of a
    /// long one.
    rows: Vec<Vec<f64>>,
    search: InterferingSearch,
    /// The source's share of [`SPECTRA_BYTES`].
    spectra_bytes: usize,
    /// [`KEPT_VALUES`], or nothing.
    kept_values: usize,
}

impl std::fmt::Debug for HoldFit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("HoldFit")
            .field("plan", &self.plan)
            .finish_non_exhaustive()
    }
}

impl HoldFit {
    /// Designs the filter of a source once.
    pub fn new(plan: &TonePlan) -> Self {
        let filter = Filter::new(plan.decimation);
        Self {
            transform: HopTransform::new(plan.hop_samples, 0.5),
            spectra: Vec::new(),
            rows: Vec::new(),
            noise_scale: filter.noise_share(plan.decimation).sqrt().recip(),
            filter,
            sets_frequency: plan
                .channels
                .iter()
                .map(|channel| channel.sets_frequency)
                .collect(),
            search: InterferingSearch::new(plan),
            spectra_bytes: SPECTRA_BYTES,
            kept_values: KEPT_VALUES,
            plan: plan.clone(),
        }
    }

    /// The same where there are so many sources. Their holds are fitted one after the other, so
    /// several leave the memory to each other in between, and to the samples that come.
    #[must_use]
    pub fn one_of(self, sources: usize) -> Self {
        Self {
            spectra_bytes: SPECTRA_BYTES / sources.max(1),
            kept_values: if sources > 1 { 0 } else { KEPT_VALUES },
            ..self
        }
    }

    /// Of how many hops the spectra may be kept beside the samples, for the hold to come: of those
    /// of a usual hold. None where several sources share the memory.
    pub fn kept_spectra(&self) -> usize {
        let groups = self.plan.channels.len().div_ceil(LANES);
        let bytes = groups * self.transform.spectrum_bytes();
        if self.kept_values == 0 {
            0
        } else {
            self.spectra_bytes / bytes.max(1)
        }
    }

    /// Fits `samples` (channels × decimated samples, SI) near `guess_hz`. What is less than
    /// a hop at the end is left out, and phases are counted from the middle of the rest.
    pub fn fit(
        &mut self,
        samples: ArrayView2<f64>,
        guess_hz: f64,
    ) -> Result<IntervalTone, FitError> {
        self.fit_hops(&whole_hops(self.plan.hop_samples, samples), guess_hz)
    }

    /// The same for the hops of a hold.
    pub fn fit_hops(&mut self, hops: &[HoldHop], guess_hz: f64) -> Result<IntervalTone, FitError> {
        let rate_hz = self.plan.decimated_rate_hz();
        let orders = self.plan.orders(guess_hz);
        let mut tones = vec![ToneGuess {
            frequency_hz: guess_hz,
            free: true,
            orders,
        }];
        let all: Vec<usize> = (0..self.plan.channels.len()).collect();
        let frames = hops.len() * self.plan.hop_samples;
        let spectrum_bytes = self.transform.spectrum_bytes();
        let missing = hops.iter().filter(|hop| hop.spectra.is_empty()).count();
        let keeps_all = missing * all.len().div_ceil(LANES) * spectrum_bytes <= self.spectra_bytes;
        let highest = if keeps_all {
            0.5
        } else {
            // A fit may end a cycle a hold beside its guess.
            let margin = 2.0 / self.plan.hop_samples.max(1) as f64;
            (orders as f64 * guess_hz).max(highest_line_hz(&self.plan)) / rate_hz + margin
        };
        let spectra = HoldSpectra::new(&mut self.transform, highest, &mut self.spectra, hops);
        let fit_all = |tones: &[ToneGuess]| {
            fit_to(
                &spectra.channels(&all),
                rate_hz,
                tones,
                &self.sets_frequency,
            )
        };
        let mut common = fit_all(&tones)?;
        let common_hz = common
            .frequencies
            .first()
            .ok_or(FitError::Diverged)?
            .frequency_hz;
        let drive = ToneGuess {
            frequency_hz: common_hz,
            free: false,
            orders,
        };
        let found = self.search.tones(&spectra, drive, &common.channels);
        let lines_hz = |found: &Option<HoldChannel>| match found {
            Some(found) => found.interfering_hz().to_vec(),
            None => Vec::new(),
        };
        let interfering: Vec<Vec<f64>> = found.iter().map(lines_hz).collect();
        if self.kept_values == 0 {
            self.search = InterferingSearch::new(&self.plan);
        }

        // Interfering tones on the channels that set the frequency pull it; fit
        // it once more together with them.
        let pulling = distinct(&interfering, &self.sets_frequency);
        if !pulling.is_empty() {
            tones.extend(pulling.iter().map(|hz| single(*hz)));
            if let Ok(better) = fit_all(&tones) {
                common = better;
            }
        }
        let frequency = *common.frequencies.first().ok_or(FitError::Diverged)?;
        let drive = ToneGuess {
            frequency_hz: frequency.frequency_hz,
            free: false,
            orders,
        };
        let is_pulled = drive.frequency_hz.to_bits() != common_hz.to_bits();
        let fitted = all.iter().zip(found).zip(&interfering);
        let mut fitted = fitted
            .map(|((channel, found), lines)| match found {
                Some(found) if !is_pulled => Ok(found),
                _ => HoldChannel::fit(&spectra, *channel, rate_hz, drive, lines),
            })
            .collect::<Result<Vec<HoldChannel>, _>>()?;
        let hop_by_hop = spectra.hop_by_hop(TAU * drive.frequency_hz / rate_hz);
        for channel in &mut fitted {
            let tones = channel.sines(rate_hz);
            channel.left = hop_by_hop.rest(channel.channel, channel.fit.offset, &tones, orders);
        }
        let place = Beside {
            plan: &self.plan,
            filter: &self.filter,
            drive_hz: drive.frequency_hz,
            frames,
        };
        let high = (orders + 1..=highest_order(&self.plan, drive.frequency_hz))
            .map(|order| order as f64 * drive.frequency_hz / rate_hz);
        let cycles = place.cycles(orders).chain(high);
        let drive_angles: Vec<f64> = (1..=orders)
            .map(|order| TAU * order as f64 * drive.frequency_hz / rate_hz)
            .collect();
        let sums = if keeps_all {
            spectra.lines(cycles, &drive_angles)
        } else {
            LineSums::new(&mut self.transform, hops, cycles, &drive_angles)
        };
        if !keeps_all || self.kept_values == 0 {
            self.spectra = Vec::new();
        }
        let channels = self.finish(hops, drive, &fitted, &sums);
        Ok(IntervalTone {
            frequency_hz: frequency.frequency_hz,
            frequency_u_hz: frequency.frequency_u_hz * self.noise_scale,
            channels,
        })
    }

    /// What is read off what the fits of the channels leave of their samples.
    fn finish(
        &mut self,
        hops: &[HoldHop],
        drive: ToneGuess,
        fitted: &[HoldChannel],
        sums: &LineSums,
    ) -> Vec<IntervalChannel> {
        let rate_hz = self.plan.decimated_rate_hz();
        let model = Model::new(sums.frames(), rate_hz, &[drive]);
        let mut rows = std::mem::take(&mut self.rows);
        let mut channels = Vec::with_capacity(fitted.len());
        // The drive's waves are made for several at once; for fewer where they are long.
        let together = (self.kept_values / sums.frames().max(1)).clamp(2, LANES);
        for group in fitted.chunks(together) {
            rows.resize_with(group.len() + 1, Vec::new);
            let Some((samples, rest)) = rows.split_last_mut() else {
                break;
            };
            let parameters: Vec<_> = group.iter().map(|c| c.fit.parameters()).collect();
            for rest in &mut *rest {
                rest.clear();
                rest.reserve_exact(sums.frames());
            }
            // One hop at a time: it stays in the first-level cache.
            for hop in hops {
                let first = rest.first().map_or(0, Vec::len);
                let parts = group.iter().zip(&mut *rest).zip(&parameters);
                let parts = parts.filter_map(|((channel, rest), parameters)| {
                    rest.extend_from_slice(&hop.samples.row(channel.channel));
                    Some((rest.get_mut(first..)?, &parameters[..]))
                });
                model.take_off(first, parts.collect());
            }
            for ((channel, rest), parameters) in group.iter().zip(rest).zip(parameters) {
                channel.take_lines_off(rest, rate_hz, parameters);
                // Only samples as they came tell of their converter.
                let is_raw = self.plan.decimation == 1;
                if is_raw {
                    gather(hops, channel.channel, samples);
                }
                let samples = is_raw.then_some(&samples[..]);
                channels.push(channel.finish(samples, rest, sums, self));
            }
        }
        if rows.iter().map(Vec::len).sum::<usize>() <= self.kept_values {
            self.rows = rows;
        }
        channels
    }
}

/// The samples of one channel of a hold, one hop behind the other.
fn gather(hops: &[HoldHop], channel: usize, into: &mut Vec<f64>) {
    into.clear();
    into.reserve_exact(hops.iter().map(|hop| hop.samples.ncols()).sum());
    for hop in hops {
        into.extend_from_slice(&hop.samples.row(channel));
    }
}

/// The highest order looked at for a rattle.
fn highest_order(plan: &TonePlan, drive_hz: f64) -> usize {
    plan.highest_order(drive_hz).min(HIGHEST_ORDER)
}

/// What each hop adds to the phasor of the drive's tone, of `angle` a sample and counted from the
/// centre of all samples: the least-squares sine of what is left of the hop. What the conjugate
/// tone adds to the Fourier sum of a hop that holds no whole number of half cycles is taken off in
/// closed form.
fn deviations(rest: &[HopRest], angle: f64, hop_samples: usize) -> impl Iterator<Item = Complex64> {
    let count = hop_samples as f64;
    // |Σ exp(−2 j angle n)| over the hop, with its sign; exp(0) at its middle.
    let image = maths::sin(count * angle) / maths::sin(angle);
    let centre = 0.5 * (rest.len() as f64 - 1.0);
    (0..).zip(rest).map(move |(hop, rest)| {
        let middle = maths::cis(-2.0 * angle * (f64::from(hop) - centre) * count);
        let image_sum = middle * image;
        (rest.turned * count - rest.turned.conj() * image_sum)
            * (2.0 / (count * count - image * image))
    })
}

impl HoldChannel {
    /// `samples` are its samples, if they are those that came, and `rest` is what the model leaves.
    fn finish(
        &self,
        samples: Option<&[f64]>,
        rest: &[f64],
        sums: &LineSums,
        hold: &HoldFit,
    ) -> IntervalChannel {
        let (plan, filter) = (&hold.plan, &hold.filter);
        let to_si = plan.channels.get(self.channel).map(|channel| channel.to_si);
        let step = plan.quantisation_step() * to_si.unwrap_or_default().abs();
        let drive_hz = self.frequencies_hz.first().copied().unwrap_or_default();
        let response = |hz: f64| filter.response(hz / plan.rate_hz);
        let orders = super::stage::equalized(&self.fit, drive_hz, filter, plan.rate_hz);
        let fundamental = orders.first().copied().unwrap_or_default();
        let harmonic_power: f64 = orders.iter().skip(1).map(Complex64::norm_sqr).sum();
        let interfering = self
            .fit
            .phasors
            .iter()
            .zip(&self.frequencies_hz)
            .skip(1)
            .filter_map(|(orders, hz)| {
                Some((
                    *hz,
                    maths::modulus(orders.first()?.value) / response(*hz).abs(),
                ))
            })
            .collect();
        let noise = self.fit.phasors.first().and_then(|orders| orders.first());
        let noise = noise.map(|phasor| phasor.scaled(hold.noise_scale / response(drive_hz)));
        let mut phasor = PhasorEstimate {
            value: fundamental,
            ..noise.unwrap_or_default()
        };
        let rate_hz = plan.decimated_rate_hz();
        let angle = TAU * drive_hz / rate_hz;
        let scatter = excess_scatter(&self.left, angle, plan.hop_samples, self.fit.noise_rms);
        let excess = scatter / maths::square(response(drive_hz));
        let sines = self.sines(rate_hz);
        let high_orders = self.high_orders(sums, &sines, hold);
        let course = deviations(&self.left, angle, plan.hop_samples)
            .map(|deviation| fundamental + deviation / response(drive_hz))
            .collect();
        // Noise of the whole interval against that of one hop.
        let course_u = phasor.part_u() * (self.left.len() as f64).sqrt();
        let drive_orders = self.tones.first().map_or(0, |drive| drive.orders);
        let beside = BesideTone {
            place: Beside {
                plan,
                filter,
                drive_hz,
                frames: sums.frames(),
            },
            sums,
            channel: self.channel,
            fit: &self.fit,
            drive: sines.get(..drive_orders).unwrap_or_default(),
        };
        let part_u = phasor.part_u();
        phasor.var_re += excess;
        phasor.var_im += excess;
        let marks = NoisyTone {
            samples,
            rest,
            tone: fundamental,
            cycles_per_sample: drive_hz / rate_hz,
            hop_samples: plan.hop_samples,
            rate_hz,
            step,
        }
        .marks();
        let rounding = Rounding {
            step: marks.least_step.max(step),
            noise_rms: self.fit.noise_rms * hold.noise_scale,
            cycles_per_sample: drive_hz / plan.rate_hz,
            samples: rest.len() * plan.decimation,
        };
        IntervalChannel {
            phasor,
            noise_rms: self.fit.noise_rms * hold.noise_scale,
            noise_band_rms: self.fit.noise_rms * hold.noise_scale * noise_band_factor(rate_hz),
            distortion: maths::hypot(harmonic_power.sqrt(), high_orders)
                / maths::modulus(fundamental).max(f64::MIN_POSITIVE),
            high_orders,
            interfering,
            harmonics: beside.harmonics(&orders, part_u),
            marks,
            mains: beside.mains(part_u),
            rounding: rounding.error(maths::modulus(fundamental)),
            course,
            course_u,
        }
    }

    /// Takes its interfering tones off what is left without the drive's. `parameters` are those
    /// of its whole fit.
    fn take_lines_off(&self, rest: &mut [f64], rate_hz: f64, mut parameters: Vec<f64>) {
        let tones = self.tones.iter().zip(&self.frequencies_hz);
        let lines: Vec<ToneGuess> = tones
            .skip(1)
            .map(|(tone, hz)| ToneGuess {
                frequency_hz: *hz,
                ..*tone
            })
            .collect();
        if lines.is_empty() {
            return;
        }
        // Offset and drive are off already.
        let drive = self.tones.first().map_or(0, |drive| 2 * drive.orders);
        parameters.drain(..drive.min(parameters.len()));
        if let Some(offset) = parameters.first_mut() {
            *offset = 0.0;
        }
        Model::new(rest.len(), rate_hz, &lines).take_off(0, vec![(rest, &parameters)]);
    }

    /// Orders above the model's, up to the edge of the band, less what noise
    /// would give: each order of white noise of variance sigma² has
    /// E|A|² = 4 sigma²/N.
    fn high_orders(&self, sums: &LineSums, sines: &[(f64, Complex64)], hold: &HoldFit) -> f64 {
        let Some(drive) = self.tones.first() else {
            return 0.0;
        };
        let count = sums.frames() as f64;
        let noise = 4.0 * maths::square(self.fit.noise_rms) / count;
        let mut sum = 0.0;
        for order in drive.orders + 1..=highest_order(&hold.plan, drive.frequency_hz) {
            let cycles = order as f64 * drive.frequency_hz / hold.plan.decimated_rate_hz();
            let phasor = sums.left(cycles, self.channel, &self.fit, sines) * (2.0 / count);
            sum += phasor.norm_sqr() - noise;
        }
        sum.max(0.0).sqrt()
    }
}

/// Variance of the parts of a channel's mean phasor from scatter between blocks that noise, of
/// `noise_rms`, does not explain: wander, small beats. Zero where it does, and where there are too few hops
/// to tell. A block is so many whole hops, and its phasor the least-squares sine beside an offset, at `angle`
/// a sample.
fn excess_scatter(rest: &[HopRest], angle: f64, hop_samples: usize, noise_rms: f64) -> f64 {
    if rest.len() < BLOCKS {
        return 0.0;
    }
    let centre = 0.5 * (rest.len() as f64 - 1.0);
    // Σ |A|² and Σ of the variances of both parts.
    let (mut scatter, mut expected) = (0.0, 0.0);
    for block in 0..BLOCKS {
        let (first, end) = (
            block * rest.len() / BLOCKS,
            (block + 1) * rest.len() / BLOCKS,
        );
        let hops = rest.get(first..end).unwrap_or_default();
        let frames = hops.len() * hop_samples;
        let count = frames as f64;
        let middle = (0.5 * ((first + end) as f64 - 1.0) - centre) * hop_samples as f64;
        let turned: Complex64 = hops.iter().map(|hop| hop.turned).sum();
        let plain: f64 = hops.iter().map(|hop| hop.plain).sum();
        // From the block's own middle cosine and sine do not mix, and the sine not with the offset.
        let own = turned * maths::cis(angle * middle);
        let (once, twice) = (
            Sums::new(angle, frames).cos,
            Sums::new(2.0 * angle, frames).cos,
        );
        let even = count * 0.5 * (count + twice) - once * once;
        let odd = 0.5 * (count - twice);
        let cosine = (count * own.re - once * plain) / even;
        let sine = -own.im / odd;
        scatter += cosine * cosine + sine * sine;
        expected += maths::square(noise_rms) * (count / even + odd.recip());
    }
    let blocks = BLOCKS as f64;
    let per_part = scatter / (2.0 * (blocks - 1.0));
    let noise = expected / (2.0 * blocks);
    if per_part > EXCESS * noise {
        (per_part - noise) / blocks
    } else {
        0.0
    }
}

impl IntervalChannel {
    /// Power of the fundamental over the power of the noise in
    /// [`NOISE_BAND_HZ`], dB.
    pub fn snr_db(&self) -> f64 {
        let noise = maths::square(self.noise_band_rms);
        10.0 * maths::log10(0.5 * self.phasor.value.norm_sqr() / noise)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// An amplitude that goes up and down once in the hold: the means of the eight blocks are those of the
    /// sine, and the variance of their mean is that of a mean of eight. Noise alone adds nothing.
    #[test]
    fn scatter_between_blocks_is_in_the_variance() {
        let (hops, hop) = (64_u32, 50);
        let wander = 0.02;
        let angle = TAU * 0.0437;
        let count = f64::from(hops) * f64::from(hop);
        let mut state = 5_u64;
        let mut noise = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        };
        // Of 1 + w sin(2π t/T): the mean over an eighth is sin(π/8)/(π/8) of the value at its middle.
        let eighth = std::f64::consts::PI / 8.0;
        let means =
            (0..8).map(|b| wander * (eighth * f64::from(2 * b + 1)).sin() * eighth.sin() / eighth);
        let square: f64 = means.map(|mean| mean * mean).sum();
        for wanders in [true, false] {
            let left: Vec<HopRest> = (0..hops)
                .map(|k| {
                    let mut rest = HopRest::default();
                    for i in 0..hop {
                        let t = f64::from(k * hop + i) - 0.5 * (count - 1.0);
                        let level = if wanders {
                            wander * (TAU * t / count).sin()
                        } else {
                            0.0
                        };
                        let x = level * (angle * t).cos() + 1e-3 * noise();
                        rest.turned += Complex64::from_polar(x, -angle * t);
                        rest.plain += x;
                    }
                    rest
                })
                .collect();
            let found = excess_scatter(&left, angle, hop as usize, 1e-3 / 3.0_f64.sqrt());
            let right = if wanders {
                square / (2.0 * 7.0 * 8.0)
            } else {
                0.0
            };
            assert!((found - right).abs() <= 0.03 * right, "{found} {right}");
        }
    }

    /// Whether spectra are known, kept whole or made twice, and how many rows are worked on together, shows
    /// nowhere in the result: ten channels, hum and noise, a hold after another one.
    #[test]
    fn a_share_of_the_memory_changes_no_bit() {
        let channel = |column| super::super::plan::PlannedChannel {
            setup_index: column,
            column,
            to_si: 1.0,
            sets_frequency: column == 0,
            is_required: true,
        };
        let plan = TonePlan {
            rate_hz: 800.0,
            decimation: 1,
            hop_samples: 200,
            window_hops: 4,
            search_low_hz: 5.0,
            search_high_hz: 40.0,
            clip_level: 1e9,
            channels: (0..10).map(channel).collect(),
        };
        let mut state = 7_u64;
        let mut noise = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
        };
        let samples = Array2::from_shape_fn((10, 60 * 200), |(channel, i)| {
            let t = i as f64 / plan.rate_hz;
            let own = channel as f64 + 1.0;
            (TAU * 12.3 * t + own).cos() / own
                + 0.02 * own * (TAU * 50.0 * t).cos()
                + 0.01 * noise()
        });
        let mut alone = HoldFit::new(&plan);
        let mut shared = HoldFit::new(&plan).one_of(1 << 20);
        // As they come from the windows; the first hops' are not kept any more.
        let mut transform = HopTransform::new(plan.hop_samples, 0.5);
        let mut spectra = vec![[HopSpectrum::default(), HopSpectrum::default()]; 60];
        let hops = whole_hops(plan.hop_samples, samples.view());
        for (spectra, hop) in spectra.iter_mut().zip(&hops).skip(7) {
            for (group, spectrum) in spectra.iter_mut().enumerate() {
                transform.transform(hop.samples.whole().view(), group * LANES, spectrum);
            }
        }
        for (hold, hops) in [
            (samples.view(), 60),
            (samples.slice(ndarray::s![.., ..6000]), 30),
        ] {
            let right = alone.fit(hold, 12.3).unwrap();
            assert_eq!(right, shared.fit(hold, 12.3).unwrap());
            let mut known = whole_hops(plan.hop_samples, hold);
            for (hop, spectra) in known.iter_mut().zip(&spectra) {
                hop.spectra = &spectra[..];
            }
            assert_eq!(known.len(), hops);
            for fit in [&mut alone, &mut shared] {
                assert_eq!(right, fit.fit_hops(&known, 12.3).unwrap());
            }
        }
        assert!(shared.spectra.is_empty() && shared.rows.is_empty());
        assert!(!alone.spectra.is_empty() && !alone.rows.is_empty());
    }

    /// A reading that falls by 20 % at one instant is seen hop by hop, at a
    /// frequency of 2.1 cycles a hop, where a plain Fourier sum is off by 4 %.
    #[test]
    fn the_course_of_a_reading_shows_what_it_did() {
        let plan = TonePlan {
            rate_hz: 200.0,
            decimation: 1,
            hop_samples: 50,
            window_hops: 4,
            search_low_hz: 5.0,
            search_high_hz: 40.0,
            clip_level: 1e9,
            channels: vec![
                super::super::plan::PlannedChannel {
                    setup_index: 0,
                    column: 0,
                    to_si: 1.0,
                    sets_frequency: true,
                    is_required: true,
                };
                2
            ],
        };
        let samples = Array2::from_shape_fn((2, 2000), |(channel, i)| {
            let angle = TAU * 8.4 * i as f64 / 200.0;
            let gain = if i < 1000 { 1.0 } else { 0.8 };
            if channel == 0 {
                2.0 * maths::cos(angle)
            } else {
                0.3 * gain * maths::sin(angle)
            }
        });
        let tone = HoldFit::new(&plan).fit(samples.view(), 8.4).unwrap();
        let [antinode, node] = &tone.channels[..] else {
            panic!("two channels");
        };
        assert_eq!(node.course.len(), 40);
        for (i, (node, antinode)) in node.course.iter().zip(&antinode.course).enumerate() {
            let ratio = (node / antinode).im;
            let right = if i < 20 { -0.15 } else { -0.12 };
            assert!((ratio - right).abs() < 2e-3, "hop {i}: {ratio}");
        }
    }
}
