//! The two halves of the tone stage: [`Windows`] turns messages into analysis
//! windows in order; [`Estimator`] turns one window into one frame and keeps
//! nothing between windows, so that any number of them may work side by side
//! and give the same frames.

use ndarray::{Array2, Axis, concatenate, s};
use std::collections::VecDeque;
use std::sync::Arc;

use super::decimate::{Decimator, Filter, Hop, RawHop};
use super::fit::{FitError, ToneFit, ToneGuess, fit, residual};
use super::plan::TonePlan;
use super::search::Search;
use super::{ChannelTone, ToneFrame, ToneGap, ToneMessage};
use crate::ingest::{Block, Gap};

/// One window of samples, ready for the estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// The hop at the window's end.
    pub hop: u64,
    /// Channels × window samples, SI, decimated.
    pub samples: Array2<f64>,
    /// The samples of that hop alone.
    pub newest: Arc<Array2<f64>>,
    /// What its raw samples tell, one entry a channel.
    pub raw: Vec<RawHop>,
}

/// A window, or a gap between windows.
#[derive(Debug, Clone, PartialEq)]
pub enum WindowMessage {
    /// A window.
    Window(Window),
    /// A gap.
    Gap(ToneGap),
}

/// Messages → windows.
#[derive(Debug)]
pub struct Windows {
    plan: TonePlan,
    decimator: Decimator,
    recent: VecDeque<Hop>,
}

impl Windows {
    /// At the start of a source.
    pub fn new(plan: TonePlan) -> Self {
        Self {
            decimator: Decimator::new(&plan),
            recent: VecDeque::new(),
            plan,
        }
    }

    /// Takes a block; calls `out` with each window it completes.
    pub fn block(&mut self, block: &Block, mut out: impl FnMut(WindowMessage)) {
        let (recent, hops) = (&mut self.recent, self.plan.window_hops);
        self.decimator.push(block, |hop| {
            recent.push_back(hop);
            while recent.len() > hops {
                recent.pop_front();
            }
            if recent.len() == hops
                && let Some(window) = join(recent)
            {
                out(WindowMessage::Window(window));
            }
        });
    }

    /// Takes a gap: windows start afresh behind it.
    pub fn gap(&mut self, gap: Gap, mut out: impl FnMut(WindowMessage)) {
        self.decimator.interrupt();
        self.recent.clear();
        out(WindowMessage::Gap(ToneGap {
            at_s: gap.first_sample as f64 / self.plan.rate_hz,
            missing_samples: gap.missing,
        }));
    }
}

fn join(hops: &VecDeque<Hop>) -> Option<Window> {
    let views: Vec<_> = hops.iter().map(|hop| hop.samples.view()).collect();
    let last = hops.back()?;
    Some(Window {
        hop: last.number,
        // Rows are contiguous again after the standard-layout copy.
        samples: concatenate(Axis(1), &views)
            .ok()?
            .as_standard_layout()
            .into_owned(),
        newest: Arc::new(last.samples.clone()),
        raw: last.raw.clone(),
    })
}

/// Window → frame.
#[derive(Debug)]
pub struct Estimator {
    plan: TonePlan,
    filter: Filter,
    search: Search,
    counts: Vec<bool>,
}

impl Estimator {
    /// Plans the transform and the buffers once.
    pub fn new(plan: TonePlan) -> Self {
        Self {
            filter: Filter::new(plan.decimation),
            search: Search::new(plan.window_samples(), plan.decimated_rate_hz()),
            counts: plan
                .channels
                .iter()
                .map(|channel| channel.sets_frequency)
                .collect(),
            plan,
        }
    }

    /// Estimates one window, or passes a gap on.
    pub fn estimate(&mut self, message: WindowMessage) -> ToneMessage {
        match message {
            WindowMessage::Gap(gap) => ToneMessage::Gap(gap),
            WindowMessage::Window(window) => ToneMessage::Frame(self.frame(window)),
        }
    }

    fn frame(&mut self, window: Window) -> ToneFrame {
        let end_s = (window.hop + 1) as f64 * self.plan.hop_seconds();
        let silent = ToneFrame {
            hop: window.hop,
            end_s,
            frequency_hz: None,
            frequency_u_hz: 0.0,
            channels: window.raw.iter().map(|raw| without_tone(*raw)).collect(),
            samples: window.newest.clone(),
        };
        let Some((tones, found)) = self.tone(&window) else {
            return silent;
        };
        let rate_hz = self.plan.decimated_rate_hz();
        let rest = residual(window.samples.view(), rate_hz, &tones, &found);
        let newest = self.plan.window_samples() - self.plan.hop_samples;
        let Some(frequency) = found.frequencies.first() else {
            return silent;
        };
        let noise_scale = self.filter.noise_share(self.plan.decimation).sqrt().recip();
        let channels = found
            .channels
            .iter()
            .zip(&window.raw)
            .zip(rest.rows())
            .map(|((channel, raw), rest)| {
                let equal = equalized(
                    channel,
                    frequency.frequency_hz,
                    &self.filter,
                    self.plan.rate_hz,
                );
                let fundamental = equal.first().copied().unwrap_or_default();
                let harmonics: f64 = equal
                    .iter()
                    .skip(1)
                    .map(num_complex::Complex64::norm_sqr)
                    .sum();
                ChannelTone {
                    amplitude: fundamental,
                    amplitude_u: channel
                        .phasors
                        .first()
                        .and_then(|orders| orders.first())
                        .map_or(0.0, super::fit::PhasorEstimate::part_u)
                        * noise_scale,
                    residual_rms: channel.noise_rms * noise_scale,
                    residual_peak: rest
                        .slice(s![newest..])
                        .iter()
                        .fold(0.0, |peak: f64, x| peak.max(x.abs())),
                    distortion: harmonics.sqrt() / fundamental.norm().max(f64::MIN_POSITIVE),
                    ..without_tone(*raw)
                }
            })
            .collect();
        ToneFrame {
            frequency_hz: Some(frequency.frequency_hz),
            frequency_u_hz: frequency.frequency_u_hz * noise_scale,
            channels,
            ..silent
        }
    }

    fn tone(&mut self, window: &Window) -> Option<(Vec<ToneGuess>, ToneFit)> {
        let guess_hz = self.search.peak(
            window.samples.view(),
            &self.counts,
            self.plan.search_low_hz,
            self.plan.search_high_hz,
        )?;
        let tones = vec![ToneGuess {
            frequency_hz: guess_hz,
            free: true,
            orders: self.plan.orders(guess_hz),
        }];
        let fitted: Result<ToneFit, FitError> = fit(
            window.samples.view(),
            self.plan.decimated_rate_hz(),
            &tones,
            &self.counts,
        );
        Some((tones, fitted.ok()?))
    }
}

/// The phasors of a channel's first tone, all orders, freed of the filter's
/// response.
pub(super) fn equalized(
    channel: &super::fit::ChannelFit,
    frequency_hz: f64,
    filter: &Filter,
    rate_hz: f64,
) -> Vec<num_complex::Complex64> {
    channel.phasors.first().map_or_else(Vec::new, |orders| {
        orders
            .iter()
            .zip(1_u32..)
            .map(|(phasor, order)| {
                phasor.value / filter.response(f64::from(order) * frequency_hz / rate_hz)
            })
            .collect()
    })
}

fn without_tone(raw: RawHop) -> ChannelTone {
    let count = raw.roughness_count.max(1) as f64;
    ChannelTone {
        roughness_peak: raw.roughness_peak,
        roughness_rms: (raw.roughness_sum / count).sqrt(),
        clipped: raw.clipped,
        ..ChannelTone::default()
    }
}
