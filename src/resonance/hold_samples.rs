//! The samples that a hold is fitted on, in bounded memory.
//!
//! In: the decimated samples of a source, hop by hop, and the range of hops of
//! a hold. Out: the fit over that range. Pure.
//!
//! A hold of usual length is fitted as a whole, over all its samples. An
//! hour's samples would fill hundreds of megabytes, and their Fourier transform
//! as much again. So a hold that is longer than a minute and than
//! `EXACT_SAMPLES` samples is fitted in pieces of constant length, and the
//! pieces are averaged; the samples of a piece can be dropped once it is fitted. The pieces lie on a
//! grid of hop numbers that depends on nothing but the plan, so the result does
//! not depend on when a piece was fitted.

use std::borrow::Cow;
use std::collections::VecDeque;
use std::ops::Range;
use std::sync::Arc;

use ndarray::Array2;
use num_complex::Complex64;

use crate::ingest::CODE_FULL_SCALE;
use crate::maths;
use crate::setup::HoldRules;
use crate::tone::fit::PhasorEstimate;
use crate::tone::flattening::Harmonics;
use crate::tone::interval::{HoldFit, HoldHop, IntervalChannel, IntervalTone};
use crate::tone::noise_marks::NoiseMarks;
use crate::tone::packed_hop::{HopSamples, PackedHop};
use crate::tone::quantisation::RoundingError;
use crate::tone::spectrum::HopSpectrum;
use crate::tone::{ToneFrame, TonePlan};

/// Every hold up to this length is fitted as a whole, s: the default of
/// `max_seconds`.
const EXACT_SECONDS: f64 = 60.0;
/// And every hold up to this many samples a channel: a slow source keeps the
/// finest frequency resolution for longer. It is the longest that the fit
/// transforms at once.
const EXACT_SAMPLES: usize = 1 << 17;
/// A hold that is fitted in pieces begins with a whole piece. It is longer than
/// so many pieces, so that less than a quarter of it is lost there.
const PIECES_IN_EXACT: u64 = 4;
/// Samples are kept for two holds and this much more, s: the hold of a dwell
/// need not end where the dwell does.
const MARGIN_SECONDS: f64 = 10.0;
/// Interfering tones of two pieces within this many resolution widths (one over the
/// piece's length) are one tone.
const SAME_TONE_WIDTHS: f64 = 1.5;
/// Standard normal quantile of 99 %.
const NORMAL_99: f64 = 2.326;

/// The samples of a hop (channels × samples, SI), and while they are kept their spectra.
#[derive(Debug)]
struct KeptHop {
    number: u64,
    samples: KeptSamples,
    spectra: Option<Arc<Vec<HopSpectrum>>>,
}

#[derive(Debug)]
enum KeptSamples {
    Whole(Arc<Array2<f64>>),
    Packed(PackedHop),
}

impl KeptSamples {
    fn view(&self) -> HopSamples<'_> {
        match self {
            Self::Whole(samples) => HopSamples::Whole(samples.view()),
            Self::Packed(hop) => HopSamples::Packed(hop),
        }
    }
}

/// The samples of the latest hops of one source, the older ones as fits.
#[derive(Debug)]
pub struct HoldSamples {
    plan: TonePlan,
    hold_fit: HoldFit,
    /// The channel that phases are counted from when pieces are averaged.
    reference: usize,
    /// In order.
    hops: VecDeque<KeptHop>,
    /// Pieces whose samples have been dropped: number of the first hop, and the
    /// fit where one was possible. In order.
    pieces: VecDeque<(u64, Option<IntervalTone>)>,
    /// Longest hold that is fitted as a whole, hops.
    exact_hops: u64,
    /// Whether the rules allow longer holds than that.
    in_pieces: bool,
    /// Hops whose samples are kept.
    kept_hops: u64,
    /// And whose spectra are.
    kept_spectra: usize,
    /// Whether the samples are packed: those behind a decimation, of one of several sources,
    /// that share the memory.
    packs: bool,
}

impl HoldSamples {
    /// For one of so many sources and the rules of a hold. `reference` is the channel whose
    /// phase counts as zero where the parts of a long hold are averaged.
    pub fn new(plan: &TonePlan, rules: &HoldRules, reference: usize, sources: usize) -> Self {
        let hop_s = plan.hop_seconds();
        let hops = |seconds: f64| (seconds / hop_s).ceil() as u64;
        let exact_hops = hops(EXACT_SECONDS)
            .max((EXACT_SAMPLES / plan.hop_samples.max(1)) as u64)
            .max(PIECES_IN_EXACT);
        let longest_s = rules.max_seconds.min(exact_hops as f64 * hop_s);
        let hold_fit = HoldFit::new(plan).one_of(sources);
        Self {
            plan: plan.clone(),
            kept_spectra: hold_fit.kept_spectra(),
            hold_fit,
            reference,
            hops: VecDeque::new(),
            pieces: VecDeque::new(),
            exact_hops,
            in_pieces: hops(rules.max_seconds) > exact_hops,
            packs: sources > 1 && plan.decimation > 1,
            kept_hops: ((2.0 * longest_s + MARGIN_SECONDS) / hop_s) as u64,
        }
    }

    /// The first hop whose samples are kept for certain when `latest` is the
    /// latest hop.
    pub fn kept_from(&self, latest: u64) -> u64 {
        (latest + 1).saturating_sub(self.kept_hops)
    }

    /// For how long the samples of a hop are kept, s.
    pub fn kept_seconds(&self) -> f64 {
        self.kept_hops as f64 * self.plan.hop_seconds()
    }

    /// Takes the samples of the next frame's hop and, where they are known, their spectra.
    pub fn push(&mut self, frame: &ToneFrame) {
        let samples = if self.packs {
            let channels = self.plan.channels.iter();
            let units = channels.map(|channel| channel.to_si / CODE_FULL_SCALE);
            // Of rows that are not in the plan there is none: they are kept whole.
            let units = units.chain(std::iter::repeat(1.0));
            KeptSamples::Packed(PackedHop::new(frame.samples.view(), units))
        } else {
            KeptSamples::Whole(Arc::clone(&frame.samples))
        };
        self.hops.push_back(KeptHop {
            number: frame.hop,
            samples,
            spectra: Some(Arc::clone(&frame.spectra)),
        });
        let past = self.hops.len().checked_sub(self.kept_spectra + 1);
        if let Some(hop) = past.and_then(|past| self.hops.get_mut(past)) {
            hop.spectra = None;
        }
    }

    /// Forgets everything.
    pub fn clear(&mut self) {
        self.hops.clear();
        self.pieces.clear();
    }

    /// The first hop from which there is something to fit.
    pub fn first_hop(&self) -> Option<u64> {
        let piece = self.pieces.front().map(|(first, _)| *first);
        piece.or(self.hops.front().map(|hop| hop.number))
    }

    /// Drops samples of hops before `hop`. Where the rules allow long holds,
    /// whole pieces are fitted first, near the frequency that `guess_hz` gives
    /// for their hops, and hops that make no whole piece yet are kept.
    pub fn drop_samples_before(&mut self, hop: u64, guess_hz: impl Fn(Range<u64>) -> Option<f64>) {
        while let Some(first) = self.hops.front().map(|hop| hop.number)
            && first < hop
        {
            let piece = self.piece_of(first);
            if self.in_pieces && piece.start == first {
                if piece.end > hop {
                    return;
                }
                let tone = guess_hz(piece.clone()).and_then(|hz| self.fit_whole(&piece, hz));
                self.pieces.push_back((first, tone));
                while self
                    .hops
                    .front()
                    .is_some_and(|hop| piece.contains(&hop.number))
                {
                    self.hops.pop_front();
                }
            } else {
                self.hops.pop_front();
            }
        }
    }

    /// Forgets pieces that begin before `hop`.
    pub fn forget_pieces_before(&mut self, hop: u64) {
        while self.pieces.front().is_some_and(|(first, _)| *first < hop) {
            self.pieces.pop_front();
        }
    }

    /// The parts in which a hold is fitted, in order and without a gap between
    /// them; `kept_from` is the first hop whose samples are kept. A hold of usual
    /// length is one part. A longer one, and one whose samples have been dropped,
    /// begins with a piece of the grid.
    pub fn parts(&self, hold: &Range<u64>, kept_from: u64) -> Vec<Range<u64>> {
        let length = hold.end.saturating_sub(hold.start);
        if length == 0 {
            return Vec::new();
        }
        if !self.in_pieces || (length <= self.exact_hops && hold.start >= kept_from) {
            return vec![hold.clone()];
        }
        let first = self.piece_of(hold.start);
        let mut start = if first.start == hold.start {
            first.start
        } else {
            first.end
        };
        let mut parts = Vec::new();
        while start < hold.end {
            let mut part = self.piece_of(start);
            // What is left over at the end belongs to the last piece.
            if part.end > kept_from && part.end + self.piece_hops() > hold.end {
                part.end = hold.end;
            }
            if part.end > hold.end {
                break;
            }
            start = part.end;
            parts.push(part);
        }
        parts
    }

    /// The fit over a hold, in the parts that [`Self::parts`] gives, each near
    /// the frequency that `guess_hz` gives for its hops. `None` where samples are
    /// missing or no tone can be fitted.
    pub fn fit(
        &mut self,
        parts: &[Range<u64>],
        guess_hz: impl Fn(Range<u64>) -> Option<f64>,
    ) -> Option<IntervalTone> {
        let mut fit = |part: &Range<u64>| {
            let dropped = self.pieces.iter().find(|(first, _)| *first == part.start);
            match dropped {
                Some((_, tone)) => tone.clone(),
                None => self.fit_whole(part, guess_hz(part.clone())?),
            }
        };
        if let [whole] = parts {
            return fit(whole);
        }
        let fits: Vec<(f64, IntervalTone)> = parts
            .iter()
            .map(|part| Some(((part.end - part.start) as f64, fit(part)?)))
            .collect::<Option<_>>()?;
        average(
            &fits,
            self.reference,
            SAME_TONE_WIDTHS / self.piece_seconds(),
        )
    }

    fn piece_hops(&self) -> u64 {
        self.exact_hops / PIECES_IN_EXACT
    }

    fn piece_seconds(&self) -> f64 {
        self.piece_hops() as f64 * self.plan.hop_seconds()
    }

    /// The piece of the grid that a hop lies in.
    fn piece_of(&self, hop: u64) -> Range<u64> {
        let start = hop - hop % self.piece_hops();
        start..start + self.piece_hops()
    }

    /// The samples of one channel over some hops, where all of them are kept.
    pub fn channel(&self, channel: usize, hops: &Range<u64>) -> Option<Vec<f64>> {
        Some(self.channel_by_hops(channel, hops)?.concat())
    }

    /// The same hop by hop, as they lie.
    pub fn channel_by_hops(
        &self,
        channel: usize,
        hops: &Range<u64>,
    ) -> Option<Vec<Cow<'_, [f64]>>> {
        let first = self.hops.iter().position(|hop| hop.number == hops.start)?;
        // No more than is kept, whatever is asked for.
        let count = hops.clone().count().min(self.hops.len());
        let mut samples = Vec::with_capacity(count);
        for expected in hops.clone() {
            let KeptHop {
                number,
                samples: part,
                ..
            } = self.hops.get(first + (expected - hops.start) as usize)?;
            let part = part.view();
            if *number != expected || channel >= part.nrows() {
                return None;
            }
            samples.push(part.row(channel));
        }
        Some(samples)
    }

    fn fit_whole(&mut self, hops: &Range<u64>, guess_hz: f64) -> Option<IntervalTone> {
        let first = self.hops.iter().position(|hop| hop.number == hops.start)?;
        let channels = self.plan.channels.len();
        let count = hops.clone().count();
        let parts: Vec<HoldHop> = self
            .hops
            .iter()
            .skip(first)
            .zip(hops.clone())
            // A missing hop would join samples that do not belong together.
            .take_while(|(hop, expected)| {
                hop.number == *expected && hop.samples.view().nrows() == channels
            })
            .map(|(hop, _)| HoldHop {
                samples: hop.samples.view(),
                spectra: hop
                    .spectra
                    .as_ref()
                    .map_or(&[], |spectra| spectra.as_slice()),
            })
            .collect();
        if parts.len() != count {
            return None;
        }
        self.hold_fit.fit_hops(&parts, guess_hz).ok()
    }
}

/// The mean of the fits of several parts, each with its weight (its length).
/// Every part is turned so that the reference channel has phase zero: a drive
/// that wanders by some millihertz over an hour keeps its amplitude and its
/// phases between channels, but not its phase against a constant frequency.
fn average(
    parts: &[(f64, IntervalTone)],
    reference: usize,
    same_tone_hz: f64,
) -> Option<IntervalTone> {
    let total: f64 = parts.iter().map(|(weight, _)| weight).sum();
    let shares: Vec<f64> = parts.iter().map(|(weight, _)| weight / total).collect();
    let tones: Vec<&IntervalTone> = parts.iter().map(|(_, tone)| tone).collect();
    let turns: Vec<Complex64> = tones
        .iter()
        .map(|tone| {
            let value = tone.channels.get(reference)?.phasor.value;
            let modulus = maths::modulus(value);
            (modulus > 0.0).then(|| value.conj() / modulus)
        })
        .collect::<Option<_>>()?;
    let mean = |of: &dyn Fn(&IntervalTone) -> f64| -> f64 {
        shares
            .iter()
            .zip(&tones)
            .map(|(w, tone)| w * of(tone))
            .sum()
    };
    let frequency_variance: f64 = shares
        .iter()
        .zip(&tones)
        .map(|(w, tone)| maths::square(w * tone.frequency_u_hz))
        .sum();
    let channels = (0..tones.first()?.channels.len())
        .map(|index| {
            let channels: Vec<&IntervalChannel> = tones
                .iter()
                .map(|tone| tone.channels.get(index))
                .collect::<Option<_>>()?;
            Some(average_channel(&channels, &shares, &turns, same_tone_hz))
        })
        .collect::<Option<_>>()?;
    Some(IntervalTone {
        frequency_hz: mean(&|tone| tone.frequency_hz),
        frequency_u_hz: frequency_variance.sqrt(),
        channels,
    })
}

fn average_channel(
    parts: &[&IntervalChannel],
    shares: &[f64],
    turns: &[Complex64],
    same_tone_hz: f64,
) -> IntervalChannel {
    let turned: Vec<PhasorEstimate> = parts
        .iter()
        .zip(turns)
        .map(|(part, turn)| part.phasor.turned(*turn))
        .collect();
    let rms = |of: &dyn Fn(&IntervalChannel) -> f64| -> f64 {
        let mean: f64 = shares
            .iter()
            .zip(parts)
            .map(|(share, part)| share * maths::square(of(part)))
            .sum();
        mean.sqrt()
    };
    IntervalChannel {
        phasor: average_phasor(&turned, shares),
        noise_rms: rms(&|part| part.noise_rms),
        noise_band_rms: rms(&|part| part.noise_band_rms),
        distortion: rms(&|part| part.distortion),
        high_orders: rms(&|part| part.high_orders),
        interfering: interfering_tones(parts, shares, same_tone_hz),
        mains: mains_hum(parts),
        rounding: RoundingError {
            // Rounding errs in the same way in every part.
            along_u: rms(&|part| part.rounding.along_u),
            part_u: rms(&|part| part.rounding.part_u),
        },
        harmonics: Harmonics::mean(parts.iter().map(|part| &part.harmonics), shares),
        marks: NoiseMarks::mean(parts.iter().map(|part| &part.marks), shares),
        course: parts
            .iter()
            .zip(turns)
            .flat_map(|(part, turn)| part.course.iter().map(move |phasor| phasor * turn))
            .collect(),
        course_u: rms(&|part| part.course_u),
    }
}

/// The largest hum of each mains frequency in any part.
fn mains_hum(parts: &[&IntervalChannel]) -> Vec<(f64, f64)> {
    let mut largest: Vec<(f64, f64)> = Vec::new();
    for (hz, peak) in parts.iter().flat_map(|part| part.mains.iter().copied()) {
        match largest
            .iter_mut()
            .find(|(known_hz, _)| known_hz.total_cmp(&hz).is_eq())
        {
            Some((_, most)) => *most = most.max(peak),
            None => largest.push((hz, peak)),
        }
    }
    largest
}

/// The mean phasor with the variance of its parts: that of noise, and of
/// scatter between the parts that noise does not explain.
fn average_phasor(parts: &[PhasorEstimate], shares: &[f64]) -> PhasorEstimate {
    let mut mean = PhasorEstimate::default();
    let mut expected = 0.0;
    for (part, share) in parts.iter().zip(shares) {
        mean.value += part.value * *share;
        mean.var_re += share * share * part.var_re;
        mean.var_im += share * share * part.var_im;
        mean.cov += share * share * part.cov;
        expected += share * maths::square(part.part_u());
    }
    let count = parts.len() as f64;
    if parts.len() < 2 {
        return mean;
    }
    let scatter: f64 = parts
        .iter()
        .zip(shares)
        .map(|(part, share)| 0.5 * share * (part.value - mean.value).norm_sqr())
        .sum::<f64>()
        * count
        / (count - 1.0);
    if scatter > maths::chi_square_within(NORMAL_99, count - 1.0) * expected {
        let excess = (scatter - expected) / count;
        mean.var_re += excess;
        mean.var_im += excess;
    }
    mean
}

/// Interfering tones of all parts; a tone's amplitude is its rms over the parts, zero
/// where it was not found.
fn interfering_tones(
    parts: &[&IntervalChannel],
    shares: &[f64],
    same_tone_hz: f64,
) -> Vec<(f64, f64)> {
    let mut found: Vec<(f64, f64)> = parts
        .iter()
        .zip(shares)
        .flat_map(|(part, share)| {
            let power = move |&(hz, amplitude): &(f64, f64)| (hz, share * amplitude * amplitude);
            part.interfering.iter().map(power)
        })
        .collect();
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut tones: Vec<(f64, f64)> = Vec::new();
    for (hz, power) in found {
        match tones.last_mut() {
            Some((last_hz, sum)) if hz - *last_hz < same_tone_hz => *sum += power,
            _ => tones.push((hz, power)),
        }
    }
    for (_, power) in &mut tones {
        *power = power.sqrt();
    }
    tones
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::decimate::Decimator;
    use crate::tone::plan::PlannedChannel;
    use std::f64::consts::TAU;

    const RATE_HZ: f64 = 100.0;
    const HOP_SAMPLES: usize = 25;
    const HZ: f64 = 10.0123;

    fn plan() -> TonePlan {
        let channel = |column| PlannedChannel {
            setup_index: column,
            column,
            to_si: 1.0,
            sets_frequency: true,
            is_required: true,
        };
        TonePlan {
            rate_hz: RATE_HZ,
            decimation: 1,
            hop_samples: HOP_SAMPLES,
            window_hops: 4,
            search_low_hz: 5.0,
            search_high_hz: 40.0,
            clip_level: 1.0,
            channels: vec![channel(0), channel(1)],
        }
    }

    fn rules(max_seconds: f64) -> HoldRules {
        HoldRules {
            max_seconds,
            ..HoldRules::default()
        }
    }

    /// One hop of a tone of 2 and of one of 0.1 a quarter turn behind it, with
    /// noise of 1 % of the first on both.
    fn hop(number: u64) -> ToneFrame {
        // Knuth's MMIX generator; the upper bits of twelve sums make it normal.
        let mut state = number.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut noise = || {
            let sum: f64 = (0..12)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (state >> 40) as f64 / f64::from(1 << 24) - 0.5
                })
                .sum();
            0.02 * sum
        };
        let samples = Array2::from_shape_fn((2, HOP_SAMPLES), |(channel, i)| {
            let time_s = (number as f64 * HOP_SAMPLES as f64 + i as f64) / RATE_HZ;
            let angle = TAU * HZ * time_s;
            let value = if channel == 0 {
                2.0 * maths::cos(angle)
            } else {
                0.1 * maths::sin(angle)
            };
            value + noise()
        });
        ToneFrame {
            hop: number,
            samples: Arc::new(samples),
            ..ToneFrame::default()
        }
    }

    fn filled(max_seconds: f64, hops: Range<u64>, drops: bool) -> HoldSamples {
        let mut samples = HoldSamples::new(&plan(), &rules(max_seconds), 0, 1);
        for number in hops {
            samples.push(&hop(number));
            if drops {
                samples.drop_samples_before(samples.kept_from(number), |_| Some(HZ));
            }
        }
        samples
    }

    #[test]
    fn a_long_hold_in_pieces_says_what_was_put_in() {
        // 131 072 samples are 1310 s here: 5242 hops, pieces of 1310.
        let mut samples = filled(3600.0, 100..12_000, true);
        let latest = 11_999;
        let parts = samples.parts(&(100..12_000), samples.kept_from(latest));
        assert_eq!(parts.first().unwrap().start, 1310);
        assert_eq!(parts.last().unwrap().end, 12_000);
        assert!(parts.len() > 7);
        let tone = samples.fit(&parts, |_| Some(HZ)).unwrap();
        assert!((tone.frequency_hz - HZ).abs() < 4.0 * tone.frequency_u_hz);
        let [antinode, node] = &tone.channels[..] else {
            panic!("two channels");
        };
        let ratio = node.phasor.value / antinode.phasor.value;
        let ratio_u = node.phasor.part_u() / 2.0;
        assert!((ratio - Complex64::new(0.0, -0.05)).norm() < 4.0 * ratio_u);
        // White noise of variance sigma² leaves 2 sigma²/N of variance in a part
        // of the phasor (the design's Cramér–Rao bound).
        let count = 10_690.0 * HOP_SAMPLES as f64;
        let bound = 0.02 * (2.0_f64 / count).sqrt();
        let excess = node.phasor.part_u() / bound;
        assert!((0.95..1.1).contains(&excess), "{excess}");
        assert!((node.noise_rms / 0.02 - 1.0).abs() < 0.02);
    }

    #[test]
    fn it_makes_no_difference_when_a_piece_was_fitted() {
        let kept_from = 9_000;
        let mut whole = filled(3600.0, 0..12_000, false);
        let mut dropped = filled(3600.0, 0..12_000, false);
        dropped.drop_samples_before(kept_from, |_| Some(HZ));
        assert!(dropped.hops.len() < 4500);
        for hold in [10..12_000, 2000..8000, 2000..11_999, 8500..11_000] {
            let parts = whole.parts(&hold, kept_from);
            assert_eq!(parts, dropped.parts(&hold, kept_from));
            let tone = whole.fit(&parts, |_| Some(HZ));
            assert!(tone.is_some());
            assert_eq!(tone, dropped.fit(&parts, |_| Some(HZ)));
        }
    }

    /// Hops behind a decimation, as several sources keep them and as one does: ten channels in
    /// units of their own, packed to the last.
    #[test]
    fn packed_samples_give_the_same_fit() {
        let mut plan = TonePlan {
            rate_hz: 5.0 * RATE_HZ,
            decimation: 5,
            ..plan()
        };
        let own = plan.channels.first().cloned().unwrap();
        plan.channels = (0..10)
            .map(|column| PlannedChannel {
                column,
                to_si: 9.81 * (column as f64 - 1.5),
                ..own.clone()
            })
            .collect();
        let mut decimator = Decimator::new(&plan);
        let value = |channel: usize, i: usize| {
            let angle = TAU * HZ * i as f64 / plan.rate_hz + channel as f64;
            0.3 * maths::cos(angle) + 0.01 * maths::cos(1.7e6 * angle)
        };
        let block = crate::ingest::Block {
            first_sample: 0,
            samples: Array2::from_shape_fn((10, 240 * 5 * HOP_SAMPLES), |(c, i)| value(c, i)),
        };
        let mut kept = [1, 2].map(|sources| HoldSamples::new(&plan, &rules(60.0), 0, sources));
        decimator.push(&block, |hop| {
            let frame = ToneFrame {
                hop: hop.number,
                samples: Arc::new(hop.samples),
                ..ToneFrame::default()
            };
            kept.iter_mut().for_each(|kept| kept.push(&frame));
        });
        let [whole, packed] = &mut kept;
        for hop in &packed.hops {
            let is_whole = |channel| matches!(hop.samples.view().row(channel), Cow::Borrowed(_));
            assert!(!(0..10).any(is_whole), "{}", hop.number);
        }
        let hold = 10..200;
        let parts = std::slice::from_ref(&hold);
        let right = whole.fit(parts, |_| Some(HZ));
        assert!(right.is_some());
        assert_eq!(right, packed.fit(parts, |_| Some(HZ)));
        for channel in 0..10 {
            let row = whole.channel(channel, &(3..90));
            assert!(row.is_some() && row == packed.channel(channel, &(3..90)));
        }
    }

    #[test]
    fn an_hour_keeps_the_samples_of_two_exact_holds() {
        let samples = filled(3600.0, 0..12_000, true);
        let kept = samples.kept_hops + samples.piece_hops();
        assert!(samples.hops.len() as u64 <= kept);
        // And the default a minute's, whole.
        let samples = filled(60.0, 0..2000, true);
        assert_eq!(samples.hops.len(), 520);
        assert!(samples.pieces.is_empty());
        assert_eq!(samples.parts(&(1760..2000), 1480), vec![1760..2000]);
    }

    #[test]
    fn parts_that_differ_by_more_than_noise_widen_the_uncertainty() {
        let part = |re: f64| PhasorEstimate {
            value: Complex64::new(re, 0.0),
            var_re: 1e-6,
            var_im: 1e-6,
            cov: 0.0,
        };
        let quiet = average_phasor(&[part(1.0), part(1.001), part(0.999)], &[1.0 / 3.0; 3]);
        assert!((quiet.var_re - 1e-6 / 3.0).abs() < 1e-12);
        let uneven = average_phasor(&[part(1.0), part(1.1), part(0.9)], &[1.0 / 3.0; 3]);
        // The variance of the mean of three values 0.1 apart: 0.01/3, a half of
        // it to each part of the phasor.
        assert!((uneven.var_re / (0.01 / 6.0) - 1.0).abs() < 0.01);
    }
}
