//! A whole hold at once: the estimate a settled point is made of.
//!
//! Per-hop frames say *whether* a resonance was held; what was measured during
//! it is estimated once more from all its samples, where the Cramér–Rao bound
//! is lowest and interfering tones (mains hum next to the drive frequency) are
//! far enough apart to be fitted along.

#![expect(clippy::disallowed_types, reason = "plans the transforms of `Search`")]

use ndarray::{Array2, ArrayView1, ArrayView2, Axis, s};
use num_complex::Complex64;
use realfft::RealFftPlanner;
use std::f64::consts::TAU;

#[cfg(doc)]
use super::NOISE_BAND_HZ;
use super::beside::Beside;
use super::filter::Filter;
use super::fit::{
    ChannelFit, FitError, PhasorEstimate, ToneFit, ToneGuess, contiguous, fit, residual,
};
use super::flattening::Harmonics;
use super::fourier::rotated_sum;
use super::noise_band_factor;
use super::noise_marks::{NoiseMarks, NoisyTone};
use super::plan::TonePlan;
use super::quantisation::{Rounding, RoundingError, smallest_step};
use super::search::Search;
use crate::maths;

/// Most interfering tones fitted along in one channel.
const INTERFERING_TONES: usize = 4;
/// An interfering tone stands at least this many resolution widths (1/length)
/// from the drive frequency and its harmonics; closer by, it is part of the
/// tone.
const INTERFERING_DISTANCE: f64 = 1.5;
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

/// The fit of whole holds of one source. Keeps nothing of a hold but the plans
/// of its transforms: the result depends on the samples and the guess alone.
pub struct HoldFit {
    plan: TonePlan,
    filter: Filter,
    /// Noise over what of it the filter leaves.
    noise_scale: f64,
    sets_frequency: Vec<bool>,
    planner: RealFftPlanner<f64>,
    /// For the length of the hold before.
    search: Option<Search>,
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
            noise_scale: filter.noise_share(plan.decimation).sqrt().recip(),
            filter,
            sets_frequency: plan
                .channels
                .iter()
                .map(|channel| channel.sets_frequency)
                .collect(),
            planner: RealFftPlanner::new(),
            search: None,
            plan: plan.clone(),
        }
    }

    /// Fits `samples` (channels × decimated samples, SI) near `guess_hz`.
    pub fn fit(
        &mut self,
        samples: ArrayView2<f64>,
        guess_hz: f64,
    ) -> Result<IntervalTone, FitError> {
        let rate_hz = self.plan.decimated_rate_hz();
        let orders = self.plan.orders(guess_hz);
        let mut tones = vec![ToneGuess {
            frequency_hz: guess_hz,
            free: true,
            orders,
        }];
        let mut common = fit(samples, rate_hz, &tones, &self.sets_frequency)?;
        let interfering = self.interfering(samples, &tones, &common)?;

        // Interfering tones on the channels that set the frequency pull it; fit
        // it once more together with them.
        let pulling = distinct(&interfering, &self.sets_frequency);
        if !pulling.is_empty() {
            tones.extend(pulling.iter().map(|hz| single(*hz)));
            if let Ok(better) = fit(samples, rate_hz, &tones, &self.sets_frequency) {
                common = better;
            }
        }
        let frequency = *common.frequencies.first().ok_or(FitError::Diverged)?;
        let channels = samples
            .axis_iter(Axis(0))
            .zip(&interfering)
            .zip(&self.plan.channels)
            .map(|((row, interfering), channel)| {
                let step = self.plan.quantisation_step() * channel.to_si.abs();
                let row = row.insert_axis(Axis(0));
                let drive = ToneGuess {
                    frequency_hz: frequency.frequency_hz,
                    free: false,
                    orders,
                };
                fit_channel(row, rate_hz, drive, interfering)
                    .map(|fitted| fitted.finish(row, step, self))
            })
            .collect::<Result<_, _>>()?;
        Ok(IntervalTone {
            frequency_hz: frequency.frequency_hz,
            frequency_u_hz: frequency.frequency_u_hz * self.noise_scale,
            channels,
        })
    }

    /// The interfering tones of each channel, Hz: the lines of what the fit
    /// leaves over, the highest one first.
    fn interfering(
        &mut self,
        samples: ArrayView2<f64>,
        tones: &[ToneGuess],
        found: &ToneFit,
    ) -> Result<Vec<Vec<f64>>, FitError> {
        let rate_hz = self.plan.decimated_rate_hz();
        let frames = samples.ncols();
        let drive_hz = found
            .frequencies
            .first()
            .ok_or(FitError::Diverged)?
            .frequency_hz;
        let mut rest = residual(samples, rate_hz, tones, found);
        let width_hz = INTERFERING_DISTANCE * rate_hz / frames as f64;
        let mut channels = Vec::new();
        for mut row in rest.rows_mut() {
            let mut lines: Vec<f64> = Vec::new();
            while lines.len() < INTERFERING_TONES {
                let Some(line_hz) = self.line(row.view()) else {
                    break;
                };
                let order = (line_hz / drive_hz).round().max(1.0);
                let apart = (line_hz - order * drive_hz).abs() >= width_hz
                    && lines
                        .iter()
                        .all(|other| (other - line_hz).abs() >= width_hz);
                if !apart {
                    break;
                }
                let view = row.view().insert_axis(Axis(0));
                let line = [single(line_hz)];
                let Ok(fitted) = fit(view, rate_hz, &line, &[true]) else {
                    break;
                };
                let without = residual(view, rate_hz, &line, &fitted);
                row.assign(&without.row(0));
                lines.extend(fitted.frequencies.iter().map(|f| f.frequency_hz));
            }
            channels.push(lines);
        }
        Ok(channels)
    }

    /// The line that stands out most in one channel, Hz.
    fn line(&mut self, row: ArrayView1<f64>) -> Option<f64> {
        let rate_hz = self.plan.decimated_rate_hz();
        let low_hz = 0.3 * self.plan.search_low_hz;
        let high_hz = (2.0 * self.plan.search_high_hz)
            .max(130.0)
            .min(0.45 * rate_hz);
        if self.search.as_ref().map(Search::samples) != Some(row.len()) {
            self.search = None;
        }
        let search = self
            .search
            .get_or_insert_with(|| Search::planned(&mut self.planner, row.len(), rate_hz));
        search.peak(row.insert_axis(Axis(0)), &[true], low_hz, high_hz)
    }
}

/// A first guess of a tone without harmonics.
fn single(frequency_hz: f64) -> ToneGuess {
    ToneGuess {
        frequency_hz,
        free: true,
        orders: 1,
    }
}

/// The tones on the channels marked, each once.
fn distinct(channels: &[Vec<f64>], marked: &[bool]) -> Vec<f64> {
    let mut lines: Vec<f64> = channels
        .iter()
        .zip(marked)
        .filter(|(_, marked)| **marked)
        .flat_map(|(lines, _)| lines.iter().copied())
        .collect();
    lines.sort_by(f64::total_cmp);
    lines.dedup_by(|a, b| (*a - *b).abs() < 0.3);
    lines.truncate(INTERFERING_TONES);
    lines
}

/// What each whole hop of `rest` adds to the phasor of a tone of
/// `cycles_a_sample`, counted from the centre of all samples: the least-squares
/// sine of the hop. What the conjugate tone adds to the Fourier sum of a hop that
/// holds no whole number of half cycles is taken off in closed form.
fn deviations(
    rest: &[f64],
    cycles_a_sample: f64,
    hop_samples: usize,
) -> impl Iterator<Item = Complex64> {
    let turn = TAU * cycles_a_sample;
    let centre = 0.5 * (rest.len() as f64 - 1.0);
    let step = maths::cis(-turn);
    let count = hop_samples as f64;
    // |Σ exp(−2 j turn n)| over the hop, with its sign; exp(0) at its middle.
    let image = maths::sin(count * turn) / maths::sin(turn);
    (0..)
        .zip(rest.chunks_exact(hop_samples.max(1)))
        .map(move |(hop, samples)| {
            let first = f64::from(hop) * count - centre;
            let sum = rotated_sum(samples, maths::cis(-turn * first), step);
            let middle = maths::cis(-2.0 * turn * (first + 0.5 * (count - 1.0)));
            let image_sum = middle * image;
            (sum * count - sum.conj() * image_sum) * (2.0 / (count * count - image * image))
        })
}

/// One channel fitted by itself, with its interfering tones beside the drive's.
struct SingleChannel {
    tones: Vec<ToneGuess>,
    fit: ChannelFit,
    frequencies_hz: Vec<f64>,
}

fn fit_channel(
    row: ArrayView2<f64>,
    rate_hz: f64,
    drive: ToneGuess,
    interfering: &[f64],
) -> Result<SingleChannel, FitError> {
    let mut tones = vec![drive];
    tones.extend(interfering.iter().map(|hz| single(*hz)));
    let fitted = match fit(row, rate_hz, &tones, &[true]) {
        // Interfering tones that will not converge are left to the noise.
        Err(FitError::Diverged | FitError::Singular) if tones.len() > 1 => {
            tones.truncate(1);
            fit(row, rate_hz, &tones, &[true])?
        }
        other => other?,
    };
    let fit = fitted.channels.first().cloned().ok_or(FitError::Diverged)?;
    let frequencies_hz = fitted.frequencies.iter().map(|f| f.frequency_hz).collect();
    Ok(SingleChannel {
        tones,
        fit,
        frequencies_hz,
    })
}

impl SingleChannel {
    fn finish(self, row: ArrayView2<f64>, step: f64, hold: &HoldFit) -> IntervalChannel {
        let (plan, filter) = (&hold.plan, &hold.filter);
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
        let rest = self.residual(row, rate_hz);
        let excess = self.excess_scatter(rest.view(), rate_hz) / maths::square(response(drive_hz));
        let rest = contiguous(rest.row(0));
        let high_orders = self.high_orders(&rest, plan);
        let course = deviations(&rest, drive_hz / rate_hz, plan.hop_samples)
            .map(|deviation| fundamental + deviation / response(drive_hz))
            .collect();
        // Noise of the whole interval against that of one hop.
        let hops = rest.len() as f64 / plan.hop_samples.max(1) as f64;
        let course_u = phasor.part_u() * hops.sqrt();
        let beside = self.beside(row, hold);
        let part_u = phasor.part_u();
        let rounding = Rounding {
            step: if plan.decimation == 1 {
                smallest_step(row.row(0)).max(step)
            } else {
                step
            },
            noise_rms: self.fit.noise_rms * hold.noise_scale,
            cycles_per_sample: drive_hz / plan.rate_hz,
            samples: row.ncols() * plan.decimation,
        };
        phasor.var_re += excess;
        phasor.var_im += excess;
        let samples = contiguous(row.row(0));
        let marks = NoisyTone {
            samples: &samples,
            rest: &rest,
            tone: fundamental,
            cycles_per_sample: drive_hz / rate_hz,
            hop_samples: plan.hop_samples,
            rate_hz,
            step,
            is_raw: plan.decimation == 1,
        }
        .marks();
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

    /// What stands beside the drive's tone.
    fn beside<'a>(&self, row: ArrayView2<f64>, hold: &'a HoldFit) -> Beside<'a> {
        let drive_hz = self.frequencies_hz.first().copied().unwrap_or_default();
        let drive = Self {
            tones: self.tones.iter().take(1).copied().collect(),
            fit: ChannelFit {
                phasors: self.fit.phasors.iter().take(1).cloned().collect(),
                ..self.fit.clone()
            },
            frequencies_hz: vec![drive_hz],
        };
        let rest = drive.residual(row, hold.plan.decimated_rate_hz());
        Beside::new(&hold.plan, &hold.filter, drive_hz, rest.row(0))
    }

    fn residual(&self, row: ArrayView2<f64>, rate_hz: f64) -> Array2<f64> {
        let whole = ToneFit {
            frequencies: self
                .frequencies_hz
                .iter()
                .map(|hz| super::fit::FrequencyEstimate {
                    frequency_hz: *hz,
                    frequency_u_hz: 0.0,
                })
                .collect(),
            channels: vec![self.fit.clone()],
        };
        residual(row, rate_hz, &self.tones, &whole)
    }

    /// Orders above the model's, up to the edge of the band, less what noise
    /// would give: each order of white noise of variance sigma² has
    /// E|A|² = 4 sigma²/N.
    fn high_orders(&self, rest: &[f64], plan: &TonePlan) -> f64 {
        let (Some(drive_hz), Some(drive)) = (self.frequencies_hz.first(), self.tones.first())
        else {
            return 0.0;
        };
        let count = rest.len() as f64;
        let noise = 4.0 * maths::square(self.fit.noise_rms) / count;
        let last = plan.highest_order(*drive_hz).min(HIGHEST_ORDER);
        let mut sum = 0.0;
        for order in drive.orders + 1..=last {
            let step = maths::cis(-TAU * drive_hz * order as f64 / plan.decimated_rate_hz());
            let phasor = rotated_sum(rest, Complex64::ONE, step) * (2.0 / count);
            sum += phasor.norm_sqr() - noise;
        }
        sum.max(0.0).sqrt()
    }

    /// Variance of the mean phasor's parts from scatter between blocks that
    /// noise does not explain: wander, small beats. Zero where it does.
    fn excess_scatter(&self, rest: ArrayView2<f64>, rate_hz: f64) -> f64 {
        let length = rest.ncols() / BLOCKS;
        let Some(drive_hz) = self.frequencies_hz.first() else {
            return 0.0;
        };
        let drive = [ToneGuess {
            frequency_hz: *drive_hz,
            free: false,
            orders: 1,
        }];
        let mut scatter = 0.0;
        let mut expected = 0.0;
        for block in 0..BLOCKS {
            let part = rest.slice(s![.., block * length..(block + 1) * length]);
            let Ok(part) = fit(part, rate_hz, &drive, &[true]) else {
                return 0.0;
            };
            let Some(phasor) = part
                .channels
                .first()
                .and_then(|c| c.phasors.first()?.first().copied())
            else {
                return 0.0;
            };
            scatter += phasor.value.norm_sqr();
            expected += phasor.var_re + phasor.var_im;
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
