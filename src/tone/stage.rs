//! The parts of the tone stage: [`Hops`] turns messages into decimated hops and
//! [`HopWindows`] these into analysis windows in order ([`Windows`] is both);
//! [`Estimator`] turns one window into one frame and keeps nothing between
//! windows, so that any number of them may work side by side and give the same
//! frames.

use ndarray::{Array2, ArrayView1};
use num_complex::Complex64;
use std::collections::VecDeque;
use std::sync::Arc;

use super::decimate::{Decimator, Hop, RawHop};
use super::filter::Filter;
use super::harmonic_fit::{self, HarmonicChannel, HarmonicTone, HopSequence};
use super::hop_search::{HopLines, HopSearch};
use super::peak_residual::largest_residuals;
use super::plan::{ORDERS, TonePlan};
use super::spectrum::{HopSpectrum, HopTransform, LANES};
use super::{ChannelTone, ToneFrame, ToneGap, ToneMessage};
use crate::ingest::{Block, EncodedBlock, Gap, runs_with_values};
use crate::maths;

/// One hop, transformed: every window that holds it shares it.
#[derive(Debug, Clone, PartialEq)]
pub struct TransformedHop {
    number: u64,
    samples: Arc<Array2<f64>>,
    raw: Vec<RawHop>,
    spectra: Arc<Vec<HopSpectrum>>,
    lines: Vec<HopLines>,
}

/// A hop as the windows share it.
#[derive(Debug, Clone, PartialEq)]
pub struct SharedHop(Arc<TransformedHop>);

impl AsRef<[HopSpectrum]> for SharedHop {
    fn as_ref(&self) -> &[HopSpectrum] {
        &self.0.spectra
    }
}

impl AsRef<[HopLines]> for SharedHop {
    fn as_ref(&self) -> &[HopLines] {
        &self.0.lines
    }
}

/// One window, ready for the estimate: its hops in order, the newest last.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    hops: Vec<SharedHop>,
}

impl Window {
    /// The hop at the window's end.
    pub fn hop(&self) -> u64 {
        self.hops.last().map_or(0, |hop| hop.0.number)
    }
}

/// A window, or a gap between windows.
#[derive(Debug, Clone, PartialEq)]
pub enum WindowMessage {
    /// A window.
    Window(Window),
    /// A gap.
    Gap(ToneGap),
}

/// What turns the samples of a hop into its sums.
#[derive(Debug)]
struct Transformer {
    transform: HopTransform,
    search: Option<HopSearch>,
    /// The spectra handed on, oldest first: those that nobody has any more are used again.
    handed_on: VecDeque<Arc<Vec<HopSpectrum>>>,
}

impl Transformer {
    fn new(plan: &TonePlan) -> Self {
        let transform = hop_transform(plan);
        Self {
            search: hop_search(plan, &transform),
            transform,
            handed_on: VecDeque::new(),
        }
    }

    /// Memory for the spectra of a hop.
    fn spare(&mut self) -> Arc<Vec<HopSpectrum>> {
        match self.handed_on.front_mut().and_then(Arc::get_mut) {
            Some(_) => self.handed_on.pop_front().unwrap_or_default(),
            None => Arc::default(),
        }
    }

    fn take(&mut self, hop: Hop) -> SharedHop {
        let groups = hop.samples.nrows().div_ceil(LANES);
        let mut shared = self.spare();
        let mut lines = Vec::new();
        let spectra = Arc::make_mut(&mut shared);
        spectra.resize_with(groups, HopSpectrum::default);
        // A source of the tension alone may be too slow for any tone.
        if let Some(search) = &self.search {
            for (group, spectrum) in spectra.iter_mut().enumerate() {
                self.transform
                    .transform(hop.samples.view(), group * LANES, spectrum);
                lines.push(search.lines_of(spectrum));
            }
        }
        self.handed_on.push_back(Arc::clone(&shared));
        SharedHop(Arc::new(TransformedHop {
            number: hop.number,
            samples: Arc::new(hop.samples),
            raw: hop.raw,
            spectra: shared,
            lines,
        }))
    }
}

/// The transform of a plan's hops: what is read off a hold reaches up to half the rate.
fn hop_transform(plan: &TonePlan) -> HopTransform {
    HopTransform::new(plan.hop_samples, 0.5)
}

fn hop_search(plan: &TonePlan, transform: &HopTransform) -> Option<HopSearch> {
    let rate_hz = plan.decimated_rate_hz();
    let (low, high) = (plan.search_low_hz / rate_hz, plan.search_high_hz / rate_hz);
    let sets_frequency = plan.channels.iter().any(|channel| channel.sets_frequency);
    sets_frequency.then(|| HopSearch::new(transform, plan.window_hops, low, high))
}

/// A decimated hop, or a gap between hops.
#[derive(Debug, Clone, PartialEq)]
pub enum HopMessage {
    /// A hop.
    Hop(Hop),
    /// A gap.
    Gap(ToneGap),
}

/// Messages → hops.
#[derive(Debug)]
pub struct Hops {
    rate_hz: f64,
    decimator: Decimator,
    /// Columns of the channels that every instant has to have a value in.
    required: Vec<usize>,
    /// Instants without a value in a required channel, up to now.
    open_gap: Option<Gap>,
}

impl Hops {
    /// At the start of a source.
    pub fn new(plan: &TonePlan) -> Self {
        Self {
            rate_hz: plan.rate_hz,
            decimator: Decimator::new(plan),
            required: plan
                .channels
                .iter()
                .filter(|channel| channel.is_required)
                .map(|channel| channel.column)
                .collect(),
            open_gap: None,
        }
    }

    /// Takes a block; calls `out` with each hop it completes. Instants at
    /// which a required channel has no value are a gap; gives their number.
    pub fn block(&mut self, block: &Block, mut out: impl FnMut(HopMessage)) -> u64 {
        let is_whole = self
            .required
            .iter()
            .all(|column| has_all_values(block.samples.row(*column)));
        if is_whole {
            self.whole_block(block, &mut out);
            return 0;
        }
        let required = self.required.clone();
        let has_values = |block: &Block, frame: usize| {
            required.iter().all(|column| {
                block
                    .samples
                    .get((*column, frame))
                    .is_some_and(|x| x.is_finite())
            })
        };
        let mut missing = 0;
        let mut reached = block.first_sample;
        for run in runs_with_values(block.clone(), has_values) {
            missing += self.lack(reached, run.first_sample);
            reached = run.first_sample + run.samples.ncols() as u64;
            self.whole_block(&run, &mut out);
        }
        missing + self.lack(reached, block.first_sample + block.samples.ncols() as u64)
    }

    /// Notes that there is no value from `from` to `to`; gives their number.
    fn lack(&mut self, from: u64, to: u64) -> u64 {
        let missing = to - from;
        if missing > 0 {
            self.open_gap
                .get_or_insert(Gap {
                    first_sample: from,
                    missing: 0,
                })
                .missing += missing;
        }
        missing
    }

    /// At the end of a source: says what is still to be said.
    pub fn end(&mut self, mut out: impl FnMut(HopMessage)) {
        if let Some(gap) = self.open_gap.take() {
            self.interrupt(gap, &mut out);
        }
    }

    fn whole_block(&mut self, block: &Block, out: &mut impl FnMut(HopMessage)) {
        if let Some(gap) = self.open_gap.take() {
            self.interrupt(gap, out);
        }
        self.decimator.push(block, |hop| out(HopMessage::Hop(hop)));
    }

    /// Takes frames as a recording stores them, in which no value is missing.
    pub fn encoded(&mut self, block: &EncodedBlock, mut out: impl FnMut(HopMessage)) {
        if let Some(gap) = self.open_gap.take() {
            self.interrupt(gap, &mut out);
        }
        self.decimator
            .push_encoded(block, |hop| out(HopMessage::Hop(hop)));
    }

    /// Takes a gap: hops start afresh behind it.
    pub fn gap(&mut self, gap: Gap, mut out: impl FnMut(HopMessage)) {
        let gap = self.open_gap.take().map_or(gap, |open| Gap {
            first_sample: open.first_sample,
            missing: open.missing.saturating_add(gap.missing),
        });
        self.interrupt(gap, &mut out);
    }

    fn interrupt(&mut self, gap: Gap, out: &mut impl FnMut(HopMessage)) {
        self.decimator.interrupt();
        out(HopMessage::Gap(ToneGap {
            at_s: gap.first_sample as f64 / self.rate_hz,
            missing_samples: gap.missing,
        }));
    }
}

/// Hops → windows.
#[derive(Debug)]
pub struct HopWindows {
    transformer: Transformer,
    window_hops: usize,
    recent: VecDeque<SharedHop>,
}

impl HopWindows {
    /// At the start of a source.
    pub fn new(plan: &TonePlan) -> Self {
        Self {
            transformer: Transformer::new(plan),
            window_hops: plan.window_hops,
            recent: VecDeque::new(),
        }
    }

    /// Takes the next hop, or a gap; gives the window that it completes, or the gap.
    pub fn take(&mut self, message: HopMessage) -> Option<WindowMessage> {
        let hop = match message {
            HopMessage::Hop(hop) => self.transformer.take(hop),
            HopMessage::Gap(gap) => {
                self.recent.clear();
                return Some(WindowMessage::Gap(gap));
            }
        };
        self.recent.push_back(hop);
        while self.recent.len() > self.window_hops {
            self.recent.pop_front();
        }
        (self.recent.len() == self.window_hops).then(|| {
            WindowMessage::Window(Window {
                hops: self.recent.iter().cloned().collect(),
            })
        })
    }
}

/// Messages → windows.
#[derive(Debug)]
pub struct Windows {
    hops: Hops,
    windows: HopWindows,
}

impl Windows {
    /// At the start of a source.
    pub fn new(plan: TonePlan) -> Self {
        Self {
            hops: Hops::new(&plan),
            windows: HopWindows::new(&plan),
        }
    }

    /// Takes a block; calls `out` with each window it completes. Instants at
    /// which a required channel has no value are a gap; gives their number.
    pub fn block(&mut self, block: &Block, mut out: impl FnMut(WindowMessage)) -> u64 {
        let windows = &mut self.windows;
        self.hops.block(block, |hop| {
            windows.take(hop).into_iter().for_each(&mut out);
        })
    }

    /// At the end of a source: says what is still to be said.
    pub fn end(&mut self, mut out: impl FnMut(WindowMessage)) {
        let windows = &mut self.windows;
        self.hops
            .end(|hop| windows.take(hop).into_iter().for_each(&mut out));
    }

    /// Takes a gap: windows start afresh behind it.
    pub fn gap(&mut self, gap: Gap, mut out: impl FnMut(WindowMessage)) {
        let windows = &mut self.windows;
        self.hops
            .gap(gap, |hop| windows.take(hop).into_iter().for_each(&mut out));
    }
}

fn has_all_values(row: ArrayView1<f64>) -> bool {
    // No early end: so it takes several values at once.
    row.iter().fold(true, |all, x| all & x.is_finite())
}

/// Window → frame.
#[derive(Debug)]
pub struct Estimator {
    plan: TonePlan,
    filter: Filter,
    /// Noise over what of it the filter leaves.
    noise_scale: f64,
    transform: HopTransform,
    search: Option<HopSearch>,
    space: harmonic_fit::FitSpace,
    counts: Vec<bool>,
}

impl Estimator {
    /// Plans the transform and the buffers once.
    pub fn new(plan: TonePlan) -> Self {
        let transform = hop_transform(&plan);
        let filter = Filter::new(plan.decimation);
        Self {
            noise_scale: filter.noise_share(plan.decimation).sqrt().recip(),
            filter,
            search: hop_search(&plan, &transform),
            transform,
            space: harmonic_fit::FitSpace::default(),
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
            WindowMessage::Window(window) => ToneMessage::Frame(self.frame(&window)),
        }
    }

    fn frame(&mut self, window: &Window) -> ToneFrame {
        let Some(SharedHop(newest)) = window.hops.last() else {
            return ToneFrame::default();
        };
        let silent = ToneFrame {
            hop: newest.number,
            end_s: (newest.number + 1) as f64 * self.plan.hop_seconds(),
            frequency_hz: None,
            frequency_u_hz: 0.0,
            channels: newest.without_tone(),
            samples: Arc::clone(&newest.samples),
            spectra: Arc::clone(&newest.spectra),
        };
        let Some(found) = self.tone(window) else {
            return silent;
        };
        let rate_hz = self.plan.decimated_rate_hz();
        let responses: [f64; ORDERS] = std::array::from_fn(|i| {
            let hz = (i + 1) as f64 * found.cycles * rate_hz;
            self.filter.response(hz / self.plan.rate_hz)
        });
        let parameters: Vec<_> = found
            .channels
            .iter()
            .map(HarmonicChannel::parameters)
            .collect();
        let peaks = largest_residuals(
            newest.samples.view(),
            self.plan.window_samples() - self.plan.hop_samples,
            found.cycles,
            found.orders,
            &parameters,
        );
        let channels = found
            .channels
            .iter()
            .zip(silent.channels)
            .zip(peaks)
            .map(|((channel, without_tone), residual_peak)| {
                let equal = |order: usize| -> Complex64 {
                    match (channel.phasors.get(order), responses.get(order)) {
                        (Some(phasor), Some(response)) => phasor / response,
                        _ => Complex64::ZERO,
                    }
                };
                let fundamental = equal(0);
                let harmonics: f64 = (1..found.orders).map(|i| equal(i).norm_sqr()).sum();
                ChannelTone {
                    amplitude: fundamental,
                    amplitude_u: channel.fundamental.part_u() * self.noise_scale,
                    residual_rms: channel.noise_rms * self.noise_scale,
                    residual_peak,
                    distortion: harmonics.sqrt()
                        / maths::modulus(fundamental).max(f64::MIN_POSITIVE),
                    ..without_tone
                }
            })
            .collect();
        ToneFrame {
            frequency_hz: Some(found.cycles * rate_hz),
            frequency_u_hz: found.cycles_u * rate_hz * self.noise_scale,
            channels,
            hop: silent.hop,
            end_s: silent.end_s,
            samples: silent.samples,
            spectra: silent.spectra,
        }
    }

    fn tone(&mut self, window: &Window) -> Option<HarmonicTone> {
        let guess = self.search.as_mut()?.peak(&window.hops, &self.counts)?;
        let sequence = HopSequence {
            transform: &self.transform,
            hops: &window.hops[..],
            channels: self.plan.channels.len(),
        };
        let orders = self.plan.orders(guess * self.plan.decimated_rate_hz());
        harmonic_fit::fit(&sequence, &self.counts, guess, orders, &mut self.space).ok()
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

impl TransformedHop {
    /// What is known of each channel beside a tone.
    fn without_tone(&self) -> Vec<ChannelTone> {
        let samples = self.samples.ncols().max(1) as f64;
        let squares = self.spectra.iter().flat_map(|spectrum| spectrum.squares);
        let channels = self.raw.iter().zip(squares).map(|(raw, square)| {
            let count = raw.second_difference_count.max(1) as f64;
            ChannelTone {
                deviation: (square / samples).sqrt(),
                second_difference_peak: raw.second_difference_peak,
                second_difference_rms: (raw.second_difference_sum / count).sqrt(),
                clipped: raw.clipped,
                missing: raw.missing,
                ..ChannelTone::default()
            }
        });
        channels.collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::plan::PlannedChannel;
    use ndarray::s;
    use num_complex::Complex64;
    use std::f64::consts::TAU;

    fn plan(rate_hz: f64, decimation: usize) -> TonePlan {
        let channel = |column, to_si| PlannedChannel {
            setup_index: column,
            column,
            to_si,
            sets_frequency: true,
            is_required: true,
        };
        let hop_samples = (rate_hz / decimation as f64 / 4.0).round() as usize;
        TonePlan {
            rate_hz,
            decimation,
            hop_samples,
            window_hops: 4,
            search_low_hz: 7.0,
            search_high_hz: 70.0,
            clip_level: 1.0,
            channels: vec![channel(0, 100.0), channel(1, 20.0)],
        }
    }

    /// 1 m/s² at 23.4567 Hz with a third harmonic, and 0.2 m/s² a quarter turn
    /// behind it; offsets on both.
    fn samples(rate_hz: f64, frames: usize) -> Array2<f64> {
        Array2::from_shape_fn((2, frames), |(channel, i)| {
            let angle = TAU * 23.4567 * i as f64 / rate_hz;
            if channel == 0 {
                (angle.cos() + 0.1 * (3.0 * angle).cos() + 0.3) / 100.0
            } else {
                (0.2 * angle.sin() - 0.1) / 20.0
            }
        })
    }

    fn frames(plan: &TonePlan, blocks: impl Iterator<Item = (u64, Array2<f64>)>) -> Vec<ToneFrame> {
        let mut windows = Windows::new(plan.clone());
        let mut estimator = Estimator::new(plan.clone());
        let mut frames = Vec::new();
        for (first_sample, samples) in blocks {
            windows.block(
                &Block {
                    first_sample,
                    samples,
                },
                |message| {
                    if let ToneMessage::Frame(frame) = estimator.estimate(message) {
                        frames.push(frame);
                    }
                },
            );
        }
        frames
    }

    #[test]
    fn amplitude_phase_and_frequency_come_through_the_decimation() {
        for (rate_hz, decimation) in [(1000.0, 1), (10_000.0, 10), (48_000.0, 48)] {
            let plan = plan(rate_hz, decimation);
            let whole = samples(rate_hz, (3.0 * rate_hz) as usize);
            // The first window begins with the filter's own ring-up.
            for frame in frames(&plan, std::iter::once((0, whole))).iter().skip(1) {
                assert!(
                    (frame.frequency_hz.unwrap() - 23.4567).abs() < 1e-6,
                    "{frame:?}"
                );
                let ratio = frame.channels[1].amplitude / frame.channels[0].amplitude;
                assert!((ratio - Complex64::new(0.0, -0.2)).norm() < 1e-6, "{ratio}");
                assert!((frame.channels[0].amplitude.norm() - 1.0).abs() < 1e-5);
                assert!((frame.channels[0].distortion - 0.1).abs() < 1e-4);
            }
        }
    }

    #[test]
    fn frames_do_not_depend_on_how_the_samples_are_cut() {
        let plan = plan(10_000.0, 10);
        let whole = samples(10_000.0, 40_000);
        let reference = frames(&plan, std::iter::once((0, whole.clone())));
        for size in [1, 7, 1000, 12_345] {
            let starts = (0..40_000).step_by(size);
            let blocks = starts.map(|start| {
                let end = (start + size).min(40_000);
                (start as u64, whole.slice(s![.., start..end]).to_owned())
            });
            assert_eq!(frames(&plan, blocks), reference);
        }
    }

    #[test]
    fn after_a_gap_hops_stay_on_the_grid() {
        let plan = plan(1000.0, 1);
        let whole = samples(1000.0, 10_000);
        let mut windows = Windows::new(plan.clone());
        let mut hops = Vec::new();
        let mut note = |message| {
            if let WindowMessage::Window(window) = message {
                hops.push(window.hop());
            }
        };
        let part = |from: usize, to: usize| Block {
            first_sample: from as u64,
            samples: whole.slice(s![.., from..to]).to_owned(),
        };
        windows.block(&part(0, 2600), &mut note);
        windows.gap(
            Gap {
                first_sample: 2600,
                missing: 123,
            },
            &mut note,
        );
        windows.block(&part(2723, 4300), &mut note);
        // Hop 11 (2750…2999) is the first whole one behind the gap; the first
        // window behind it ends with hop 14.
        assert_eq!(hops, [3, 4, 5, 6, 7, 8, 9, 14, 15, 16]);
    }

    /// A value that is missing in a channel that is not required: the other
    /// channels' numbers are the same bits, and only the hops that look at the
    /// place say that this channel cannot be trusted.
    #[test]
    fn a_missing_value_stays_in_its_channel() {
        for (rate_hz, decimation) in [(1000.0, 1), (10_000.0, 10)] {
            let mut plan = plan(rate_hz, decimation);
            plan.channels[1].is_required = false;
            plan.channels[1].sets_frequency = false;
            let sound = samples(rate_hz, (6.0 * rate_hz) as usize);
            let mut holed = sound.clone();
            let place = (3.1 * rate_hz) as usize;
            holed[(1, place)] = f64::NAN;
            let sound = frames(&plan, std::iter::once((0, sound)));
            let whole = frames(&plan, std::iter::once((0, holed.clone())));
            assert_eq!(sound.len(), whole.len());
            for (a, b) in sound.iter().zip(&whole) {
                assert_eq!(a.frequency_hz, b.frequency_hz);
                assert_eq!(a.channels[0], b.channels[0]);
                assert!(b.samples.iter().all(|x| x.is_finite()));
            }
            let missing: Vec<f64> = whole
                .iter()
                .filter(|frame| frame.channels[1].missing > 0)
                .map(|frame| frame.end_s)
                .collect();
            assert!((1..=2).contains(&missing.len()), "{missing:?}");
            assert!(missing.iter().all(|end_s| (3.0..3.6).contains(end_s)));
            for size in [7, 1000] {
                let starts = (0..holed.ncols()).step_by(size);
                let blocks = starts.map(|start| {
                    let end = (start + size).min(holed.ncols());
                    (start as u64, holed.slice(s![.., start..end]).to_owned())
                });
                assert_eq!(frames(&plan, blocks), whole);
            }
        }
    }

    /// In a required channel it is a gap, stated once however many blocks it
    /// lasts.
    #[test]
    fn a_missing_value_of_a_required_channel_is_a_gap() {
        let plan = plan(1000.0, 1);
        let mut holed = samples(1000.0, 8000);
        holed.slice_mut(s![0, 2600..2723]).fill(f64::NAN);
        holed[(1, 7900)] = f64::INFINITY;
        for size in [1, 100, 8000] {
            let mut windows = Windows::new(plan.clone());
            let (mut hops, mut gaps, mut missing) = (Vec::new(), Vec::new(), 0);
            let mut note = |message| match message {
                WindowMessage::Window(window) => hops.push(window.hop()),
                WindowMessage::Gap(gap) => gaps.push((gap.at_s, gap.missing_samples)),
            };
            for start in (0..8000).step_by(size) {
                let block = Block {
                    first_sample: start as u64,
                    samples: holed.slice(s![.., start..start + size]).to_owned(),
                };
                missing += windows.block(&block, &mut note);
            }
            windows.end(&mut note);
            assert_eq!(gaps, [(2.6, 123), (7.9, 1)], "blocks of {size}");
            assert_eq!(missing, 124);
            assert_eq!(hops[6..9], [9, 14, 15]);
        }
    }

    #[test]
    fn an_index_at_the_end_of_counting_makes_no_hop_and_ends() {
        let plan = plan(1000.0, 1);
        for before_end in [0, 1, 999, 5_000, 1 << 62] {
            let block = Block {
                first_sample: u64::MAX - before_end,
                samples: samples(1000.0, 3_000),
            };
            let mut hops = 0;
            Windows::new(plan.clone()).block(&block, |_| hops += 1);
            assert!(hops <= 12, "{before_end}: {hops}");
        }
    }

    #[test]
    fn noise_alone_has_no_tone() {
        let plan = plan(1000.0, 1);
        let mut state = 1_u64;
        let noise = Array2::from_shape_fn((2, 20_000), |_| {
            // Knuth's MMIX generator; the upper half is random enough here.
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) - 0.5
        });
        let found = frames(&plan, std::iter::once((0, noise)));
        assert_eq!(found.len(), 77);
        let with_tone = found
            .iter()
            .filter(|frame| frame.frequency_hz.is_some())
            .count();
        assert!(
            with_tone <= 2,
            "{with_tone} of 77 windows of noise showed a tone"
        );
    }
}
