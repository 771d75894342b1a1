//! A whole hold at once: the estimate a settled point is made of.
//!
//! Per-hop frames say *whether* a resonance was held; what was measured during
//! it is fitted anew over all its samples, where the Cramér–Rao bound is
//! lowest and foreign tones (mains hum next to the drive frequency) are far
//! enough apart to be fitted along.

use ndarray::{Array2, ArrayView2, Axis, s};
use num_complex::Complex64;
use std::f64::consts::TAU;

use super::decimate::Filter;
use super::fit::{ChannelFit, FitError, PhasorEstimate, ToneGuess, fit, residual};
use super::plan::TonePlan;
use super::search::Search;
use crate::maths;

/// Most foreign tones fitted along in one channel.
const FOREIGN_TONES: usize = 4;
/// A foreign tone stands at least this many resolution widths (1/length) from
/// the drive frequency and its harmonics; closer by, it is part of the tone.
const FOREIGN_DISTANCE: f64 = 1.5;
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
    /// Rms of all orders from the second up to the edge of the band, over the
    /// fundamental's rms.
    pub distortion: f64,
    /// Root sum of squares of the orders above the model's, peak, SI: what a
    /// bent waveform hardly has and a rattle has plenty of.
    pub high_orders: f64,
    /// Other tones that stood out: frequency in Hz and peak amplitude in SI.
    pub foreign: Vec<(f64, f64)>,
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

/// Fits `samples` (channels × decimated samples, SI) near `guess_hz`.
pub fn fit_interval(
    plan: &TonePlan,
    samples: ArrayView2<f64>,
    guess_hz: f64,
) -> Result<IntervalTone, FitError> {
    let rate_hz = plan.decimated_rate_hz();
    let orders = plan.orders(guess_hz);
    let counts: Vec<bool> = plan
        .channels
        .iter()
        .map(|channel| channel.sets_frequency)
        .collect();
    let mut tones = vec![ToneGuess {
        frequency_hz: guess_hz,
        free: true,
        orders,
    }];
    let mut common = fit(samples, rate_hz, &tones, &counts)?;
    let foreign = Foreign::find(plan, samples, &tones, &common)?;

    // Foreign tones on the channels that set the frequency pull it; fit it
    // once more beside them.
    let beside: Vec<f64> = foreign.on(&counts);
    if !beside.is_empty() {
        tones.extend(beside.iter().map(|hz| ToneGuess {
            frequency_hz: *hz,
            free: true,
            orders: 1,
        }));
        if let Ok(better) = fit(samples, rate_hz, &tones, &counts) {
            common = better;
        }
    }
    let frequency = *common.frequencies.first().ok_or(FitError::Diverged)?;
    let filter = Filter::new(plan.decimation);
    let noise_scale = filter.noise_share(plan.decimation).sqrt().recip();
    let channels = samples
        .axis_iter(Axis(0))
        .zip(&foreign.channels)
        .map(|(row, foreign)| {
            let row = row.insert_axis(Axis(0));
            let drive = ToneGuess {
                frequency_hz: frequency.frequency_hz,
                free: false,
                orders,
            };
            fit_channel(row, rate_hz, drive, foreign)
                .map(|channel| channel.finish(row, rate_hz, plan, &filter, noise_scale))
        })
        .collect::<Result<_, _>>()?;
    Ok(IntervalTone {
        frequency_hz: frequency.frequency_hz,
        frequency_u_hz: frequency.frequency_u_hz * noise_scale,
        channels,
    })
}

/// Foreign tones by channel, Hz.
struct Foreign {
    channels: Vec<Vec<f64>>,
}

impl Foreign {
    fn find(
        plan: &TonePlan,
        samples: ArrayView2<f64>,
        tones: &[ToneGuess],
        found: &super::fit::ToneFit,
    ) -> Result<Self, FitError> {
        let rate_hz = plan.decimated_rate_hz();
        let frames = samples.ncols();
        let drive_hz = found
            .frequencies
            .first()
            .ok_or(FitError::Diverged)?
            .frequency_hz;
        let mut search = Search::new(frames, rate_hz);
        let mut rest = residual(samples, rate_hz, tones, found);
        let width_hz = FOREIGN_DISTANCE * rate_hz / frames as f64;
        let low_hz = 0.3 * plan.search_low_hz;
        let high_hz = (2.0 * plan.search_high_hz).max(130.0).min(0.45 * rate_hz);
        let mut channels = Vec::new();
        for mut row in rest.axis_iter_mut(Axis(0)) {
            let mut lines: Vec<f64> = Vec::new();
            while lines.len() < FOREIGN_TONES {
                let view = row.view().insert_axis(Axis(0));
                let Some(line_hz) = search.peak(view, &[true], low_hz, high_hz) else {
                    break;
                };
                let order = (line_hz / drive_hz).round().max(1.0);
                let apart = (line_hz - order * drive_hz).abs() >= width_hz
                    && lines
                        .iter()
                        .all(|other| (other - line_hz).abs() >= width_hz);
                let line = [ToneGuess {
                    frequency_hz: line_hz,
                    free: true,
                    orders: 1,
                }];
                if !apart {
                    break;
                }
                let Ok(fitted) = fit(view, rate_hz, &line, &[true]) else {
                    break;
                };
                let without = residual(view, rate_hz, &line, &fitted);
                row.assign(&without.row(0));
                lines.extend(fitted.frequencies.iter().map(|f| f.frequency_hz));
            }
            channels.push(lines);
        }
        Ok(Self { channels })
    }

    /// The tones on the channels marked, each once.
    fn on(&self, counts: &[bool]) -> Vec<f64> {
        let mut lines: Vec<f64> = self
            .channels
            .iter()
            .zip(counts)
            .filter(|(_, counts)| **counts)
            .flat_map(|(lines, _)| lines.iter().copied())
            .collect();
        lines.sort_by(f64::total_cmp);
        lines.dedup_by(|a, b| (*a - *b).abs() < 0.3);
        lines.truncate(FOREIGN_TONES);
        lines
    }
}

/// One channel fitted by itself, with its foreign tones beside the drive's.
struct SingleChannel {
    tones: Vec<ToneGuess>,
    fit: ChannelFit,
    frequencies_hz: Vec<f64>,
}

fn fit_channel(
    row: ArrayView2<f64>,
    rate_hz: f64,
    drive: ToneGuess,
    foreign: &[f64],
) -> Result<SingleChannel, FitError> {
    let mut tones = vec![drive];
    tones.extend(foreign.iter().map(|hz| ToneGuess {
        frequency_hz: *hz,
        free: true,
        orders: 1,
    }));
    let fitted = match fit(row, rate_hz, &tones, &[true]) {
        // Foreign tones that will not converge are left to the noise.
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
    fn finish(
        self,
        row: ArrayView2<f64>,
        rate_hz: f64,
        plan: &TonePlan,
        filter: &Filter,
        noise_scale: f64,
    ) -> IntervalChannel {
        let drive_hz = self.frequencies_hz.first().copied().unwrap_or_default();
        let response = |hz: f64| filter.response(hz / plan.rate_hz);
        let orders = super::stage::equalized(&self.fit, drive_hz, filter, plan.rate_hz);
        let fundamental = orders.first().copied().unwrap_or_default();
        let harmonics: f64 = orders.iter().skip(1).map(Complex64::norm_sqr).sum();
        let foreign = self
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
        let noise = noise.map(|phasor| phasor.scaled(noise_scale / response(drive_hz)));
        let mut phasor = PhasorEstimate {
            value: fundamental,
            ..noise.unwrap_or_default()
        };
        let rest = self.residual(row, rate_hz);
        let excess = self.excess_scatter(rest.view(), rate_hz) / maths::square(response(drive_hz));
        let high_orders = self.high_orders(rest.view(), plan);
        phasor.var_re += excess;
        phasor.var_im += excess;
        IntervalChannel {
            phasor,
            noise_rms: self.fit.noise_rms * noise_scale,
            distortion: maths::hypot(harmonics.sqrt(), high_orders)
                / maths::modulus(fundamental).max(f64::MIN_POSITIVE),
            high_orders,
            foreign,
        }
    }

    fn residual(&self, row: ArrayView2<f64>, rate_hz: f64) -> Array2<f64> {
        let whole = super::fit::ToneFit {
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
    fn high_orders(&self, rest: ArrayView2<f64>, plan: &TonePlan) -> f64 {
        let (Some(drive_hz), Some(drive)) = (self.frequencies_hz.first(), self.tones.first())
        else {
            return 0.0;
        };
        let count = rest.ncols() as f64;
        let noise = 4.0 * maths::square(self.fit.noise_rms) / count;
        let last = plan.highest_order(*drive_hz).min(HIGHEST_ORDER);
        let mut sum = 0.0;
        for order in drive.orders + 1..=last {
            let step = maths::cis(-TAU * drive_hz * order as f64 / plan.decimated_rate_hz());
            let phasor = projection(rest.as_slice().unwrap_or_default(), step) * (2.0 / count);
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

/// Σ x_n step^n, in lanes that do not wait for one another: this sum runs over
/// every sample of a hold for every order.
#[expect(
    clippy::indexing_slicing,
    reason = "lanes of arrays whose length is the number of lanes"
)]
fn projection(samples: &[f64], step: Complex64) -> Complex64 {
    const LANES: usize = 8;
    let mut turns = [Complex64::ONE; LANES];
    for lane in 1..LANES {
        turns[lane] = turns[lane - 1] * step;
    }
    let stride = turns[LANES - 1] * step;
    let mut sums = [Complex64::ZERO; LANES];
    let (eights, last) = samples.as_chunks::<LANES>();
    for eight in eights {
        for lane in 0..LANES {
            sums[lane] += turns[lane] * eight[lane];
            turns[lane] *= stride;
        }
    }
    let last: Complex64 = last.iter().zip(turns).map(|(x, turn)| turn * x).sum();
    sums.into_iter().sum::<Complex64>() + last
}

/// Puts the hops of an interval side by side: channels × all samples.
pub fn join_hops<'a>(hops: impl Iterator<Item = &'a Array2<f64>>) -> Array2<f64> {
    let views: Vec<_> = hops.map(|hop| hop.view()).collect();
    ndarray::concatenate(Axis(1), &views)
        .map(|joined| joined.as_standard_layout().into_owned())
        .unwrap_or_default()
}

impl IntervalChannel {
    /// Power of the fundamental over the power of the noise in the analysis
    /// band, dB.
    pub fn snr_db(&self) -> f64 {
        10.0 * maths::log10(0.5 * self.phasor.value.norm_sqr() / maths::square(self.noise_rms))
    }
}
