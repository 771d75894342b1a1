//! What a channel's noise says of its amplifier, where the tone itself is too
//! faint for its orders to say it. Pure.
//!
//! Noise from ahead of an amplifier goes through the same characteristic as the
//! tone. Two marks are left on it:
//!
//! * **Piles.** An amplifier at its limit gives the limit, whatever the noise
//!   does: samples stand at one value, the extreme of their hop. That of a sound
//!   channel is reached once, and the next sample is some part of the noise away
//!   (the histogram test of IEEE 1057 and 1241, from memory, with the noise as
//!   its scale). Samples that follow one another evenly because they are many a
//!   cycle stand about a parabola's top: four times as deep there are twice as
//!   many of them, and of a pile hardly more. The same of the differences
//!   between neighbours tells a limit of the slope.
//! * **Breathing.** The gain for noise is the slope of the characteristic where
//!   the tone stands. If tops are flatter than the middle, the noise comes through
//!   weaker there, twice a cycle; if one top is, once a cycle. Of `y = x − β x³`
//!   the power of the noise goes as `1 − 6 β A² cos²`: a depth of 3 β A² twice a
//!   cycle, four times the ¾ β A² that are missing from the tone.
//!
//! A noise of the span's own that comes with the motion breathes too: at the
//! antinode as at the node, so that the two have to be compared. And so does old
//! motion that dies away in several of the span's modes: these are nearly the
//! multiples of one frequency, and two of them beat at a third, at the drive. It is
//! slow and noise is not: what is looked at are changes over a small part of a turn.

// The indices run over lanes and over arrays that this file itself sizes.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use pulp::Simd;
use std::f64::consts::{FRAC_1_PI, TAU};

use crate::maths;
use crate::tone::mains::MAINS_HZ;
use crate::tone::quantisation::{smallest_step, smallest_step_reaches};
use crate::tone::spectrum::LANES;

/// How near the extreme a sample counts as standing at it, over the noise.
const AT_EXTREME: f64 = 0.05;
/// And how much farther away the same is looked for.
const DEEPER: f64 = 4.0;
/// Share of the samples found there that stand at the extreme itself: half of a
/// smooth top's, nine tenths of a pile.
const PILED: f64 = 0.7;
/// Samples that make a pile in a hop; noise puts 0.3 there.
const PILE: f64 = 3.0;
/// And part of the hops that have to have one: a cable that comes and goes leaves some
/// at rest.
const PILED_SHARE: f64 = 0.5;
/// Standard uncertainties of a part beyond which noise breathes: by chance once in
/// 200 000 holds where it is white.
const SIGNIFICANT: f64 = 5.0;
/// The same where the third order says so too: once in 700.
const LIKELY: f64 = 3.0;
/// Noise over the tone below which rounding of the arithmetic is looked at.
const LEAST_NOISE: f64 = 1e-5;
/// Steps of the converter over the noise from which they make piles of their own.
const COARSE: f64 = 0.25;
/// Hops that a converter's step is sought in: among so many samples that are not
/// rounded two stand nearer to one another than any step that matters.
const STEP_HOPS: usize = 8;
/// Parts of a turn in which the noise is counted, each by itself.
const PHASES: usize = 24;
/// Places of a table for them: so many that a number of a phase is one of them whatever it is.
const PLACES: usize = PHASES.next_power_of_two();
/// From here on to twice as much floats are the whole numbers.
const WHOLE_NUMBERS: f64 = (1_u64 << 52) as f64;
/// Samples whose phases are told at once.
const AT_ONCE: usize = 64;
/// Tables that the samples of a block go to in turns.
const TABLES: usize = 4;
/// And how many of them have to hold samples.
const LEAST_PHASES: usize = 16;
/// Hops in which it is counted at once: motion changes little in a second.
const BLOCK_HOPS: usize = 4;
/// The part of a turn over which what is left is taken to have changed by noise alone: of
/// motion at the drive's frequency an eighth is left so, of noise the root of two.
const CHANGE_TURNS: f64 = 0.02;
/// Variance of a power's mean by such changes over that by as many independent values:
/// each value of the noise is in two of them (1 + 2 ρ², ρ = −1/2).
const CHANGES_NOISE: f64 = 1.5;
/// Blocks from which the scatter between them is known.
const LEAST_BLOCKS: usize = 6;
/// Two tones in the noise beat at their difference: hum at 50 and 100 Hz like
/// noise that breathes. Twice the drive has to be so far from all of these, Hz.
const CLEAR_OF_MAINS_HZ: f64 = 0.4;

/// The marks on a channel's noise over a hold.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct NoiseMarks {
    /// Share of the hops in which samples pile up at the hop's extreme.
    pub level_piles: f64,
    /// The same of differences between neighbouring samples.
    pub slope_piles: f64,
    /// The step that the samples of most hops have, SI; 0 where the samples are not
    /// those that came.
    pub step: f64,
    /// The smallest step of all; 0 where there is none.
    pub least_step: f64,
    /// How the noise breathes with the tone; `None` where it cannot be told.
    pub breathing: Option<Breathing>,
}

/// Changes of the noise's power with the phase of the tone, over the power.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breathing {
    /// Once and twice a cycle, the tone's maximum at phase 0.
    pub depths: [Complex64; 2],
    /// Standard uncertainty of each part.
    pub part_u: f64,
}

impl Breathing {
    /// The larger of the two depths.
    pub fn depth(&self) -> f64 {
        self.depths
            .iter()
            .map(|depth| maths::modulus(*depth))
            .fold(0.0, f64::max)
    }

    /// The depth, where it stands clear of noise and of twice what another sensor on
    /// the same span shows.
    pub fn beyond(&self, other: Option<Self>) -> Option<f64> {
        let depth = self.depth();
        (depth > SIGNIFICANT * self.part_u + Self::of_the_span(other)).then_some(depth)
    }

    /// Whether it comes through weaker at both extremes: less surely than
    /// [`Self::beyond`], for where the orders say the same.
    pub fn is_weaker_at_tops(&self, other: Option<Self>) -> bool {
        -self.depths[1].re > LIKELY * self.part_u + Self::of_the_span(other)
    }

    /// Twice what another sensor on the same span surely shows.
    fn of_the_span(other: Option<Self>) -> f64 {
        let surely = |other: Self| (other.depth() - 2.0 * other.part_u).max(0.0);
        2.0 * other.map_or(0.0, surely)
    }
}

/// What an amplifier is at the limit of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Limited {
    /// The level: its tops are flat.
    Level,
    /// The slope: it cannot follow the flanks.
    Slope,
}

impl NoiseMarks {
    /// What the piles say.
    pub fn limited(&self) -> Option<Limited> {
        if self.level_piles >= PILED_SHARE {
            Some(Limited::Level)
        } else if self.slope_piles >= PILED_SHARE {
            Some(Limited::Slope)
        } else {
            None
        }
    }

    /// The mean over parts of a hold, each with its share of the length.
    pub fn mean<'a>(parts: impl Iterator<Item = &'a Self> + Clone, shares: &[f64]) -> Self {
        let mean = |of: fn(&Self) -> f64| {
            let weighted = parts.clone().zip(shares);
            weighted.map(|(part, share)| share * of(part)).sum::<f64>()
        };
        let breathing = || {
            let mut found = Breathing {
                depths: [Complex64::ZERO; 2],
                part_u: 0.0,
            };
            for (part, share) in parts.clone().zip(shares) {
                let part = part.breathing?;
                for (depth, own) in found.depths.iter_mut().zip(part.depths) {
                    *depth += own * *share;
                }
                found.part_u = maths::hypot(found.part_u, share * part.part_u);
            }
            Some(found)
        };
        Self {
            level_piles: mean(|marks| marks.level_piles),
            slope_piles: mean(|marks| marks.slope_piles),
            step: mean(|marks| marks.step),
            least_step: mean(|marks| marks.least_step),
            breathing: breathing(),
        }
    }
}

/// One channel of a hold.
pub(super) struct NoisyTone<'a> {
    /// Its samples, if they are those that came: a decimation's filter rounds piles off.
    pub samples: Option<&'a [f64]>,
    /// What is left of them without the tone and its modelled orders.
    pub rest: &'a [f64],
    /// The tone, counted from the centre.
    pub tone: Complex64,
    pub cycles_per_sample: f64,
    pub hop_samples: usize,
    pub rate_hz: f64,
    /// The converter's step.
    pub step: f64,
}

impl NoisyTone<'_> {
    pub(super) fn marks(&self) -> NoiseMarks {
        let amplitude = maths::modulus(self.tone);
        let mut marks = NoiseMarks {
            breathing: self.breathing(),
            ..NoiseMarks::default()
        };
        let Some(samples) = self.samples else {
            return marks;
        };
        let hop = self.hop_samples;
        let count = self.rest.len().max(1) as f64;
        let (squares, step_squares) = maths::wide!(powers(self.rest));
        let noise = (squares / count).sqrt();
        let tells = noise > LEAST_NOISE * amplitude;
        let mut level = Piles::of(hop, noise);
        let mut slope = Piles::of(hop, (step_squares / (count - 1.0)).sqrt());
        let mut steps = Vec::new();
        let mut slopes = Vec::with_capacity(STEP_HOPS * hop);
        // So many hops at once that all of it finds them in the cache.
        for first in (0..samples.len()).step_by(STEP_HOPS * hop.max(1)) {
            let some = samples.get(first..).unwrap_or_default();
            let part = some.get(..STEP_HOPS * hop).unwrap_or(some);
            let step = smallest_step(part, level.coarse);
            steps.push(step);
            if !tells {
                continue;
            }
            level.add(part, step >= level.coarse);
            let later = some.get(1..).unwrap_or_default();
            slopes.resize(part.len().min(later.len()), 0.0);
            maths::wide!({
                for (slope, (a, b)) in slopes.iter_mut().zip(part.iter().zip(later)) {
                    *slope = b - a;
                }
            });
            slope.add(&slopes, smallest_step_reaches(&slopes, slope.coarse));
        }
        marks.step = usual_step(&steps).max(self.step);
        let least = steps.iter().filter(|step| **step > 0.0);
        marks.least_step = least.copied().min_by(f64::total_cmp).unwrap_or_default();
        if tells {
            marks.level_piles = level.share();
            marks.slope_piles = slope.share();
        }
        marks
    }

    fn breathing(&self) -> Option<Breathing> {
        let length_s = self.rest.len() as f64 / self.rate_hz;
        let twice_hz = 2.0 * self.cycles_per_sample * self.rate_hz;
        let clear_hz = CLEAR_OF_MAINS_HZ + 2.0 / length_s;
        let is_clear =
            |mains_hz: &f64| (twice_hz - mains_hz * (twice_hz / mains_hz).round()).abs() > clear_hz;
        if !MAINS_HZ.iter().all(is_clear) {
            return None;
        }
        let centre = 0.5 * (self.rest.len() as f64 - 1.0);
        let first_turn = 0.5 * FRAC_1_PI * maths::argument(self.tone);
        let lag = (CHANGE_TURNS / self.cycles_per_sample).round().max(1.0) as usize;
        let later = self.rest.get(lag..)?;
        let block = (BLOCK_HOPS * self.hop_samples).max(1);
        let middles = phase_middles();
        let blocks: Vec<[Complex64; 2]> = self
            .rest
            .chunks(block)
            .zip(later.chunks_exact(block))
            .enumerate()
            .filter_map(|(i, (before, after))| {
                // A change belongs halfway between its two values.
                let first = (i * block) as f64 + 0.5 * lag as f64;
                let turns = first_turn + (first - centre) * self.cycles_per_sample;
                depths((before, after), turns, self.cycles_per_sample, &middles)
            })
            .collect();
        if blocks.len() < LEAST_BLOCKS {
            return None;
        }
        let count = blocks.len() as f64;
        let mean = |which: usize| {
            let all = blocks.iter().filter_map(|depths| depths.get(which));
            all.sum::<Complex64>() / count
        };
        let depths = [mean(0), mean(1)];
        let scatter: f64 = blocks
            .iter()
            .flat_map(|block| block.iter().zip(&depths))
            .map(|(block, mean)| (block - mean).norm_sqr())
            .sum();
        // Two depths of two parts each; of white noise 2/sqrt(n).
        let scatter_u = (scatter / (4.0 * (count - 1.0) * count)).sqrt();
        let white_u = 2.0 * (CHANGES_NOISE / (count * block as f64)).sqrt();
        Some(Breathing {
            depths,
            part_u: scatter_u.max(white_u),
        })
    }
}

/// Σ x² and Σ (x(i + 1) − x(i))².
#[inline(always)]
fn powers(values: &[f64]) -> (f64, f64) {
    let later = values.get(1..).unwrap_or_default();
    let (after, after_last) = later.as_chunks::<LANES>();
    let (before, last) = values.as_chunks::<LANES>();
    let (mut lanes, mut steps) = ([0.0; LANES], [0.0; LANES]);
    for (before, after) in before.iter().zip(after) {
        for lane in 0..LANES {
            lanes[lane] += maths::square(before[lane]);
            steps[lane] += maths::square(after[lane] - before[lane]);
        }
    }
    // Where the last eight have no eight behind them.
    for before in &before[after.len()..] {
        for lane in 0..LANES {
            lanes[lane] += maths::square(before[lane]);
        }
    }
    let last: f64 = last.iter().map(|x| maths::square(*x)).sum();
    let last_steps = after_last.iter().zip(&values[LANES * after.len()..]);
    let last_steps: f64 = last_steps
        .map(|(after, before)| maths::square(after - before))
        .sum();
    (
        lanes.iter().sum::<f64>() + last,
        steps.iter().sum::<f64>() + last_steps,
    )
}

/// In how many hops values pile up at the hop's maximum or minimum.
struct Piles {
    hop: usize,
    /// How near that is.
    near: f64,
    /// Where the values' own steps are as large, nothing is a pile.
    coarse: f64,
    piled: f64,
    hops: f64,
}

impl Piles {
    fn of(hop: usize, noise: f64) -> Self {
        Self {
            hop: hop.max(1),
            near: AT_EXTREME * noise,
            coarse: COARSE * noise,
            piled: 0.0,
            hops: 0.0,
        }
    }

    /// Some whole hops, and whether their steps are too large to tell.
    fn add(&mut self, values: &[f64], is_coarse: bool) {
        for values in values.chunks_exact(self.hop) {
            self.hops += 1.0;
            let near = self.near;
            if !is_coarse
                && pulp::Arch::new()
                    .dispatch(Extremes { values, near })
                    .are_piled()
            {
                self.piled += 1.0;
            }
        }
    }

    fn share(&self) -> f64 {
        self.piled / f64::max(self.hops, 1.0)
    }
}

/// Looks at the extremes of a hop, by the registers that there are: of numbers the least, the most and
/// a count are the same in any order.
struct Extremes<'a> {
    values: &'a [f64],
    near: f64,
}

/// How many values stand at the top, and deeper; at the bottom likewise.
#[derive(Default)]
struct AtExtremes([f64; 4]);

impl AtExtremes {
    fn are_piled(&self) -> bool {
        // The extreme itself is not counted.
        let [top, near_top, bottom, near_bottom] = self.0.map(|count| count - 1.0);
        [(top, near_top), (bottom, near_bottom)]
            .into_iter()
            .any(|(at, deeper)| at >= PILE && at > PILED * deeper)
    }
}

impl pulp::WithSimd for Extremes<'_> {
    type Output = AtExtremes;

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> AtExtremes {
        let (registers, last) = S::as_simd_f64s(self.values);
        let larger = |a: f64, b: f64| if b > a { b } else { a };
        let smaller = |a: f64, b: f64| if b < a { b } else { a };
        let (mut most, mut least) = (simd.splat_f64s(f64::MIN), simd.splat_f64s(f64::MAX));
        for values in registers {
            most = simd.select_f64s(simd.less_than_f64s(most, *values), *values, most);
            least = simd.select_f64s(simd.less_than_f64s(*values, least), *values, least);
        }
        let most = last
            .iter()
            .copied()
            .fold(simd.reduce_max_f64s(most), larger);
        let least = last
            .iter()
            .copied()
            .fold(simd.reduce_min_f64s(least), smaller);
        let deeper = DEEPER * self.near;
        if most - least <= deeper {
            return AtExtremes::default();
        }
        let mut counts = [0.0; 4];
        for value in last {
            let (below, above) = (most - value, value - least);
            let places = [
                (below, self.near),
                (below, deeper),
                (above, self.near),
                (above, deeper),
            ];
            for (count, (depth, limit)) in counts.iter_mut().zip(places) {
                *count += f64::from(u8::from(depth <= limit));
            }
        }
        let [most, least, near, deeper, one, none] =
            [most, least, self.near, deeper, 1.0, 0.0].map(|x| simd.splat_f64s(x));
        let mut found = [none; 4];
        for value in registers {
            let (below, above) = (simd.sub_f64s(most, *value), simd.sub_f64s(*value, least));
            let places = [
                (below, near),
                (below, deeper),
                (above, near),
                (above, deeper),
            ];
            for (found, (depth, limit)) in found.iter_mut().zip(places) {
                let is_there = simd.less_than_or_equal_f64s(depth, limit);
                *found = simd.add_f64s(*found, simd.select_f64s(is_there, one, none));
            }
        }
        for (count, found) in counts.iter_mut().zip(found) {
            *count += simd.reduce_sum_f64s(found);
        }
        AtExtremes(counts)
    }
}

/// The step that the samples have most of the time.
fn usual_step(steps: &[f64]) -> f64 {
    let mut steps = steps.to_vec();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or_default()
}

/// How the power of changes from the first values to the second differs once and twice a
/// turn, over its mean; the mean of each phase, an order of the tone that is not in the
/// model, is taken off.
fn depths(
    (before, after): (&[f64], &[f64]),
    first_turn: f64,
    turns: f64,
    middles: &[[Complex64; PHASES]; 2],
) -> Option<[Complex64; 2]> {
    let phases = maths::wide!(by_phase(before, after, first_turn, turns));
    // Count, and variance times count.
    let mut variances: Vec<(usize, f64, f64)> = Vec::with_capacity(PHASES);
    let known = phases.iter().enumerate();
    let known = known.filter(|(_, [count, ..])| *count >= 3.0);
    variances.extend(known.map(|(phase, [count, sum, squares])| {
        let variance = (squares - sum * sum / count) / (count - 1.0);
        (phase, *count, variance)
    }));
    let total: f64 = variances.iter().map(|(_, count, _)| count).sum();
    let mean: f64 = variances.iter().map(|(_, count, v)| count * v).sum::<f64>() / total;
    if variances.len() < LEAST_PHASES || mean <= 0.0 {
        return None;
    }
    Some(middles.map(|middles| {
        let sum: Complex64 = variances
            .iter()
            .map(|(phase, count, variance)| middles[*phase] * (count * (variance - mean)))
            .sum();
        sum * (2.0 / (total * mean))
    }))
}

/// exp(−i order φ) at the middle of each phase, for once and twice a turn.
fn phase_middles() -> [[Complex64; PHASES]; 2] {
    [1.0, 2.0].map(|order| {
        std::array::from_fn(|phase| {
            let turn = (phase as f64 + 0.5) / PHASES as f64;
            maths::cis(-TAU * order * turn)
        })
    })
}

/// Count, sum and sum of squares of the changes in each phase.
#[inline(always)]
fn by_phase(before: &[f64], after: &[f64], first_turn: f64, turns: f64) -> [[f64; 3]; PHASES] {
    let phase_of = |i: usize| {
        let turn = first_turn + f64::from(i as u32) * turns;
        let phase = ((turn - turn.floor()) * PHASES as f64).floor();
        // The last bits of the sum are the phase. A cast looks at bounds, one by one.
        (phase + WHOLE_NUMBERS).to_bits() as usize
    };
    // Neighbours are mostly of one phase: each goes to a table of its own, so that none waits for
    // the one before it. A phase of a whole turn, by rounding, goes to a place that is not read.
    let mut counts = [[0_u32; PLACES]; TABLES];
    let mut tables = [[[0.0; 2]; PLACES]; TABLES];
    let mut add = |table: usize, phase: usize, values: [f64; 2]| {
        let place = phase % PLACES;
        counts[table][place] += 1;
        for (sum, value) in tables[table][place].iter_mut().zip(values) {
            *sum += value;
        }
    };
    let before = &before[..after.len()];
    let whole = after.len() - after.len() % LANES;
    let (whole_before, last_before) = before.split_at(whole);
    let (whole_after, last_after) = after.split_at(whole);
    let blocks = whole_before
        .chunks(AT_ONCE)
        .zip(whole_after.chunks(AT_ONCE));
    for (block, (before, after)) in blocks.enumerate() {
        // A loop of its own, in which several phases are told at once.
        let mut phases = [0; AT_ONCE];
        for (i, phase) in phases.iter_mut().enumerate() {
            *phase = phase_of(AT_ONCE * block + i);
        }
        let (before, after) = (
            before.as_chunks::<TABLES>().0,
            after.as_chunks::<TABLES>().0,
        );
        let phases = phases.as_chunks::<TABLES>().0;
        for ((before, after), phases) in before.iter().zip(after).zip(phases) {
            for table in 0..TABLES {
                let x = after[table] - before[table];
                add(table, phases[table], [x, x * x]);
            }
        }
    }
    for (i, (before, after)) in last_before.iter().zip(last_after).enumerate() {
        let x = after - before;
        add(0, phase_of(whole + i), [x, x * x]);
    }
    let mut phases = [[0.0; 3]; PHASES];
    for (counts, table) in counts.iter().zip(&tables) {
        for ((phase, count), sums) in phases.iter_mut().zip(counts).zip(table) {
            for (sum, other) in phase.iter_mut().zip([f64::from(*count), sums[0], sums[1]]) {
                *sum += other;
            }
        }
    }
    phases
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    const RATE_HZ: f64 = 1000.0;

    /// The marks of 12 s of a cosine of amplitude 1 with white noise that both go
    /// through `amplifier`, a function of the value before and the new one.
    fn marks(
        hz: f64,
        noise: f64,
        seed: u64,
        mut amplifier: impl FnMut(f64, f64) -> f64,
    ) -> NoiseMarks {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut last = 0.0;
        let count = 12_000_u32;
        let turns = hz / RATE_HZ;
        let angle = |i: u32| TAU * turns * (f64::from(i) - 0.5 * f64::from(count - 1));
        let samples: Vec<f64> = (0..count)
            .map(|i| {
                let normal: f64 = StandardNormal.sample(&mut random);
                last = amplifier(last, angle(i).cos() + noise * normal);
                last
            })
            .collect();
        // The tone and four orders of it by plain sums.
        let mut rest = samples.clone();
        let mut tone = Complex64::ZERO;
        for order in 0..=5 {
            let turn = |i: u32| Complex64::from_polar(1.0, -f64::from(order) * angle(i));
            let sum: Complex64 = (0_u32..).zip(&samples).map(|(i, x)| turn(i) * x).sum();
            let scale = if order == 0 { 1.0 } else { 2.0 };
            let phasor = sum * scale / f64::from(count);
            for (i, x) in (0_u32..).zip(&mut rest) {
                *x -= (phasor * turn(i).conj()).re;
            }
            if order == 1 {
                tone = phasor;
            }
        }
        NoisyTone {
            samples: Some(&samples),
            rest: &rest,
            tone,
            cycles_per_sample: turns,
            hop_samples: 250,
            rate_hz: RATE_HZ,
            step: 1e-6,
        }
        .marks()
    }

    #[test]
    fn a_sound_channel_has_no_marks() {
        for seed in 0..40 {
            let hz = [8.3, 23.4567, 20.0, 41.667][seed as usize % 4];
            let noise = [0.002, 0.01, 0.2, 1.0][seed as usize / 4 % 4];
            let found = marks(hz, noise, seed, |_, x| x);
            assert!(
                found.level_piles < 0.1 && found.slope_piles < 0.1,
                "{hz} {noise} {seed}: {found:?}"
            );
            let breathing = found.breathing.unwrap();
            assert!(
                breathing.depth() < 4.5 * breathing.part_u,
                "{hz} {noise} {seed}: {breathing:?}"
            );
        }
    }

    #[test]
    fn limits_of_level_and_slope_make_piles() {
        for noise in [0.01, 0.1, 0.5, 1.0] {
            for level in [0.8, 0.95] {
                let found = marks(23.4567, noise, 3, |_, x| x.clamp(-level, level));
                assert!(found.level_piles > 0.9, "{noise} {level}: {found:?}");
                let one = marks(23.4567, noise, 4, |_, x| x.max(-level));
                assert!(one.level_piles > 0.9, "{noise} {level}: {one:?}");
            }
            for part in [0.6, 0.85] {
                let most = part * TAU * 23.4567 / RATE_HZ;
                let slewed = |last: f64, x: f64| last + (x - last).clamp(-most, most);
                let found = marks(23.4567, noise, 5, slewed);
                assert!(found.slope_piles > 0.9, "{noise} {part}: {found:?}");
            }
        }
    }

    /// Eight samples a turn: neighbours are far apart whatever the converter.
    #[test]
    fn a_drive_in_step_with_the_sampling_has_the_marks_of_any_other() {
        let fine = |x: f64| (x / 1e-6).round() * 1e-6;
        for noise in [0.001, 0.01, 0.1] {
            let sound = marks(125.0, noise, 12, |_, x| fine(x));
            assert!(sound.limited().is_none(), "{noise}: {sound:?}");
            assert!(sound.least_step < 0.25 * noise, "{noise}: {sound:?}");
            let flat = marks(125.0, noise, 13, |_, x| fine(x.clamp(-0.9, 0.9)));
            assert_eq!(flat.limited(), Some(Limited::Level), "{noise}: {flat:?}");
        }
    }

    #[test]
    fn a_coarse_converter_and_a_cable_that_comes_and_goes_make_no_piles() {
        let coarse = marks(23.4567, 0.05, 8, |_, x| (x / 0.6).round() * 0.6);
        assert!(
            coarse.limited().is_none() && (coarse.step - 0.6).abs() < 1e-9,
            "{coarse:?}"
        );
        let mut sample = 0;
        let off = marks(23.4567, 0.05, 9, |_, x| {
            sample += 1;
            if sample % 2000 < 300 { 0.0 } else { x }
        });
        assert_eq!(off.limited(), None, "{off:?}");
    }

    /// Old motion in two modes whose frequencies add up to the drive's, as much of each as
    /// noise; and in two that stand as far apart.
    #[test]
    fn free_motion_in_modes_that_beat_at_the_drive_is_no_mark() {
        let hz = 7.972;
        for (one_hz, other_hz) in [(1.594, 6.378), (4.783, 12.755)] {
            let mut sample = 0.0;
            let found = marks(hz, 0.01, 11, |_, x| {
                let t = sample / RATE_HZ;
                sample += 1.0;
                x + 0.01 * ((TAU * one_hz * t).sin() + (TAU * other_hz * t).sin())
            });
            let breathing = found.breathing.unwrap();
            assert!(
                breathing.depth() < 4.5 * breathing.part_u,
                "{one_hz} {other_hz}: {breathing:?}"
            );
        }
    }

    /// Of x − β x³ with little noise: 3 β A² twice a cycle, against the phase of
    /// the tone's extremes.
    #[test]
    fn noise_breathes_as_the_slope_of_the_characteristic() {
        let beta = 0.05;
        let found = marks(23.4567, 0.05, 6, |_, x| x - beta * x * x * x);
        let breathing = found.breathing.unwrap();
        let [once, twice] = breathing.depths;
        assert!(
            (twice.re + 3.0 * beta).abs() < 4.0 * breathing.part_u,
            "{breathing:?}"
        );
        assert!(twice.im.abs() < 4.0 * breathing.part_u, "{breathing:?}");
        assert!(once.norm() < 4.5 * breathing.part_u, "{breathing:?}");
        // As much noise as tone, through a hyperbolic tangent.
        let found = marks(23.4567, 0.8, 7, |_, x| x.tanh()).breathing.unwrap();
        assert!(found.depths[1].re < -5.0 * found.part_u, "{found:?}");
    }
}
