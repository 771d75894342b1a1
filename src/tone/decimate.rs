//! Raw samples of one source → decimated samples in SI units, hop by hop,
//! with what only the raw samples tell: clipping and second differences.
//!
//! All of it in one pass, eight channels side by side. Samples of up to 24 bits are
//! whole numbers until the last halvings and lose nothing; others go the same way as
//! 64-bit floats. A sample that both can say leaves the same bits by either way, so a
//! recording and what a device sent give the same hops.

// The indices run over lanes and over buffers that this file itself fills.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::{Array2, ArrayViewMut2};
use std::collections::VecDeque;

use super::cascade::{Cascade, Statistics};
use super::filter::Filter;
use super::plan::TonePlan;
use super::spectrum::LANES;
use crate::ingest::{Block, CODE_FULL_SCALE, EncodedBlock};
use crate::maths;

/// Frames taken in at once: they stay in the first-level cache.
const TILE: usize = 256;

/// What the raw samples of one hop say about one channel.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct RawHop {
    /// Samples at or beyond the clip level.
    pub clipped: u64,
    /// Samples without a value, those that the filter looks at included.
    pub missing: u64,
    /// Largest |second difference|, SI.
    pub second_difference_peak: f64,
    /// Sum of squared second differences, SI².
    pub second_difference_sum: f64,
    /// Second differences counted.
    pub second_difference_count: u64,
}

/// One hop of decimated samples.
#[derive(Debug, Clone, PartialEq)]
pub struct Hop {
    /// Hop number since sample 0 of the source.
    pub number: u64,
    /// Channels × `hop_samples`, SI.
    pub samples: Array2<f64>,
    /// One entry a channel.
    pub raw: Vec<RawHop>,
}

/// Turns blocks of any size into hops. The hops depend on the samples alone,
/// never on how they were cut into blocks.
#[derive(Debug)]
pub struct Decimator {
    half: usize,
    factor: usize,
    hop_samples: usize,
    clip_level: f64,
    columns: Vec<(usize, f64)>,
    /// The filters of each eight channels; empty until a sample comes.
    groups: Vec<Group>,
    /// Index of the next raw sample.
    next_raw: u64,
    /// Next hop to make.
    next_hop: u64,
    /// Whether any sample came since the start or the last gap.
    running: bool,
    /// Whether any sample came at all.
    begun: bool,
    /// Index of the first sample since the start or the last gap.
    first: u64,
    lacking: Vec<Lacking>,
    filter: Filter,
}

/// Eight channels.
#[derive(Debug)]
struct Group {
    columns: Vec<usize>,
    front: Front,
    /// Statistics of hops that are complete in raw samples, but not yet handed out.
    done: VecDeque<Statistics>,
    /// Statistics of the hop that is being taken in.
    open: Statistics,
    /// Decimated samples not handed out yet; the first has the index `from`.
    ready: Vec<[f64; LANES]>,
    from: i64,
}

/// The way that the samples take.
#[derive(Debug)]
enum Front {
    Codes(Cascade<i32>, Vec<[i32; LANES]>),
    Floats(Cascade<f64>, Vec<[f64; LANES]>),
}

/// Instants at which a channel has no value, and the last one at which it had.
#[derive(Debug, Clone, Default)]
struct Lacking {
    runs: VecDeque<(u64, u64)>,
    last: Option<(u64, f64)>,
}

/// Where the samples of a tile come from.
enum Source<'a> {
    Encoded(&'a EncodedBlock),
    Values(&'a Array2<f64>),
}

impl Decimator {
    /// A decimator at the start of a source.
    pub fn new(plan: &TonePlan) -> Self {
        let filter = Filter::new(plan.decimation);
        Self {
            half: filter.half(),
            factor: plan.decimation.max(1),
            hop_samples: plan.hop_samples,
            clip_level: plan.clip_level,
            columns: plan.channels.iter().map(|c| (c.column, c.to_si)).collect(),
            groups: Vec::new(),
            next_raw: 0,
            next_hop: 0,
            running: false,
            begun: false,
            first: 0,
            lacking: vec![Lacking::default(); plan.channels.len()],
            filter,
        }
    }

    /// Forgets what is pending: what comes next does not join on. Hops stay
    /// on the grid of sample 0.
    pub fn interrupt(&mut self) {
        self.begun = true;
        self.running = false;
        self.groups.clear();
        self.lacking.fill(Lacking::default());
    }

    fn hop_raw(&self) -> u64 {
        (self.hop_samples * self.factor) as u64
    }

    /// Takes a block; calls `out` for each hop it completes, in order.
    pub fn push(&mut self, block: &Block, out: impl FnMut(Hop)) {
        let frames = block.samples.ncols();
        self.start(block.first_sample, false);
        let held = self.with_last_values(block);
        let samples = held.as_ref().unwrap_or(&block.samples);
        self.take(&Source::Values(samples), frames, out);
    }

    /// Takes a block of a recording as it was stored.
    pub fn push_encoded(&mut self, block: &EncodedBlock, out: impl FnMut(Hop)) {
        self.start(block.first_sample(), true);
        self.take(&Source::Encoded(block), block.frames(), out);
    }

    /// Begins at a sample, where nothing is pending.
    fn start(&mut self, first: u64, codes: bool) {
        if !self.running {
            self.running = true;
            self.first = first;
            self.next_raw = first;
            // The first hop whose filter finds all its samples, the two that
            // the second difference looks back on included.
            let first_whole = first.saturating_add(self.half.max(2) as u64);
            let hop_raw = self.hop_raw().max(1);
            // A recording stands on the grid of hops of its own first sample,
            // wherever that lies in the time of a run.
            self.next_hop = if !self.begun && first.is_multiple_of(hop_raw) {
                first / hop_raw
            } else {
                first_whole.div_ceil(hop_raw)
            };
            self.begun = true;
            let columns: Vec<usize> = self.columns.iter().map(|(column, _)| *column).collect();
            self.groups = columns
                .chunks(LANES)
                .map(|columns| Group::new(columns, &self.filter, self.factor, first, codes))
                .collect();
        }
        if !codes {
            self.groups.iter_mut().for_each(Group::go_on_with_floats);
        }
    }

    fn take(&mut self, source: &Source, frames: usize, mut out: impl FnMut(Hop)) {
        let hop_raw = self.hop_raw();
        if hop_raw == 0 {
            return;
        }
        let mut done = 0;
        while done < frames {
            // A tile ends with its hop, at which the statistics are closed.
            let to_hop_end = hop_raw - self.next_raw % hop_raw;
            let count = (frames - done).min(TILE).min(to_hop_end as usize);
            for group in &mut self.groups {
                maths::wide!(group.tile(source, done, count, self.clip_level));
            }
            done += count;
            self.next_raw = self.next_raw.saturating_add(count as u64);
            if count as u64 == to_hop_end {
                let number = self.next_raw / hop_raw - 1;
                // Of a hop that began before the first sample nothing is said.
                let is_whole = number >= self.next_hop;
                for group in &mut self.groups {
                    let statistics = group.open.close();
                    if is_whole {
                        group.done.push_back(statistics);
                    }
                }
            }
            while self.is_ready() {
                let hop = self.make();
                self.next_hop += 1;
                out(hop);
            }
        }
    }

    fn is_ready(&self) -> bool {
        let Some(end) = self
            .next_hop
            .checked_add(1)
            .and_then(|hops| hops.checked_mul(self.hop_samples as u64))
            .and_then(|end| i64::try_from(end).ok())
        else {
            return false;
        };
        self.groups
            .iter()
            .all(|group| !group.done.is_empty() && group.from + group.ready.len() as i64 >= end)
            && (!self.groups.is_empty() || self.next_raw >= (self.next_hop + 1) * self.hop_raw())
    }

    fn make(&mut self) -> Hop {
        let number = self.next_hop;
        let start = (number * self.hop_samples as u64) as i64;
        let mut samples = Array2::zeros((self.columns.len(), self.hop_samples));
        let mut raw = Vec::with_capacity(self.columns.len());
        let hop_raw = self.hop_raw();
        let raw_start = number * hop_raw;
        let back = self.half.max(2) as u64;
        let used_from = raw_start.saturating_sub(back).max(self.first);
        let last_decimated = raw_start + hop_raw - self.factor as u64;
        let used_to = (raw_start + hop_raw).max(last_decimated + self.half as u64 + 1);
        let rows = samples.axis_chunks_iter_mut(ndarray::Axis(0), LANES);
        let channels = self
            .columns
            .chunks(LANES)
            .zip(self.lacking.chunks_mut(LANES));
        for ((group, rows), (columns, lacking)) in self.groups.iter_mut().zip(rows).zip(channels) {
            let skip = (start - group.from).max(0) as usize;
            hand_out(&group.ready[skip..skip + self.hop_samples], columns, rows);
            group.ready.drain(..skip + self.hop_samples);
            group.from += (skip + self.hop_samples) as i64;
            let statistics = group.done.pop_front().unwrap_or_default();
            for (lane, ((_, to_si), lacking)) in columns.iter().zip(lacking).enumerate() {
                let unit = to_si.abs() / CODE_FULL_SCALE;
                raw.push(RawHop {
                    clipped: statistics.clipped[lane],
                    missing: lacking.within(used_from, used_to),
                    second_difference_peak: statistics.peak[lane] * unit,
                    second_difference_sum: statistics.sum[lane] * unit * unit,
                    second_difference_count: statistics.count,
                });
                lacking.forget(used_to.saturating_sub(hop_raw).min(raw_start));
            }
        }
        Hop {
            number,
            samples,
            raw,
        }
    }

    /// The block with every missing value taken as the one before it, if that is not
    /// older than the hop before: the hop says that it cannot be trusted, and what is
    /// made of it stays a number. `None` where no value is missing.
    fn with_last_values(&mut self, block: &Block) -> Option<Array2<f64>> {
        let hop_raw = self.hop_raw().max(1);
        let mut held = None;
        for ((column, _), lacking) in self.columns.iter().zip(&mut self.lacking) {
            let row = block.samples.row(*column);
            if row.iter().fold(true, |all, x| all & x.is_finite()) {
                if let Some(last) = row.last() {
                    let index = block.first_sample.saturating_add(row.len() as u64 - 1);
                    lacking.last = Some((index, *last));
                }
                continue;
            }
            let held = held.get_or_insert_with(|| block.samples.clone());
            for (i, value) in row.iter().enumerate() {
                let index = block.first_sample.saturating_add(i as u64);
                if value.is_finite() {
                    lacking.last = Some((index, *value));
                    continue;
                }
                lacking.note(index);
                let oldest = (index - index % hop_raw).saturating_sub(hop_raw);
                let last = lacking.last.filter(|(at, _)| *at >= oldest);
                held[(*column, i)] = last.map_or(0.0, |(_, value)| value);
            }
        }
        held
    }
}

/// Lanes → rows in SI units.
fn hand_out(ready: &[[f64; LANES]], columns: &[(usize, f64)], mut rows: ArrayViewMut2<f64>) {
    for (lane, ((_, to_si), mut row)) in columns.iter().zip(rows.rows_mut()).enumerate() {
        let unit = to_si / CODE_FULL_SCALE;
        let Some(row) = row.as_slice_mut() else {
            continue;
        };
        for (value, ready) in row.iter_mut().zip(ready) {
            *value = ready[lane] * unit;
        }
    }
}

impl Lacking {
    fn note(&mut self, index: u64) {
        match self.runs.back_mut() {
            Some((_, end)) if *end == index => *end += 1,
            _ => self.runs.push_back((index, index.saturating_add(1))),
        }
    }

    fn within(&self, from: u64, to: u64) -> u64 {
        self.runs
            .iter()
            .map(|(start, end)| (*end).min(to).saturating_sub((*start).max(from)))
            .sum()
    }

    fn forget(&mut self, before: u64) {
        while self.runs.front().is_some_and(|(_, end)| *end <= before) {
            self.runs.pop_front();
        }
    }
}

impl Group {
    fn new(columns: &[usize], filter: &Filter, factor: usize, first: u64, codes: bool) -> Self {
        // What was before the first sample counts as nothing. The stages begin so far
        // before it that the first decimated sample sees nothing of it.
        let lead = filter.half().div_ceil(factor) + 1;
        let from = first as i64 / factor as i64 - lead as i64;
        let silence = (first as i64 - from * factor as i64) as usize;
        let mut group = Self {
            columns: columns.to_vec(),
            front: if codes {
                Front::Codes(Cascade::new(filter), Vec::new())
            } else {
                Front::Floats(Cascade::new(filter), Vec::new())
            },
            done: VecDeque::new(),
            open: Statistics::default(),
            ready: Vec::new(),
            from,
        };
        match &mut group.front {
            Front::Codes(cascade, _) => cascade.run(&vec![[0; LANES]; silence], &mut group.ready),
            Front::Floats(cascade, _) => {
                cascade.run(&vec![[0.0; LANES]; silence], &mut group.ready);
            }
        }
        group
    }

    /// From now on the samples come as floats.
    fn go_on_with_floats(&mut self) {
        if let Front::Codes(cascade, _) = &self.front {
            self.front = Front::Floats(cascade.to_floats(), Vec::new());
        }
    }

    #[inline(always)]
    fn tile(&mut self, source: &Source, from: usize, count: usize, clip_level: f64) {
        match (&mut self.front, source) {
            (Front::Codes(cascade, tile), Source::Encoded(block)) => {
                tile.resize(count, [0; LANES]);
                block.codes(from, &self.columns, tile);
                let limit = (clip_level * CODE_FULL_SCALE).ceil();
                self.open.take(tile, limit.min(f64::from(i32::MAX)) as i32);
                cascade.run(tile, &mut self.ready);
            }
            (Front::Floats(cascade, tile), source) => {
                tile.resize(count, [0.0; LANES]);
                match source {
                    Source::Encoded(block) => {
                        let mut codes = vec![[0; LANES]; count];
                        block.codes(from, &self.columns, &mut codes);
                        for (value, code) in tile.iter_mut().zip(codes) {
                            *value = code.map(f64::from);
                        }
                    }
                    Source::Values(samples) => {
                        for (lane, column) in self.columns.iter().enumerate() {
                            let row = samples.row(*column);
                            let row = row.iter().skip(from);
                            for (value, x) in tile.iter_mut().zip(row) {
                                value[lane] = x * CODE_FULL_SCALE;
                            }
                        }
                    }
                }
                self.open.take(tile, clip_level * CODE_FULL_SCALE);
                cascade.run(tile, &mut self.ready);
            }
            // `start` has turned codes into floats before values come.
            (Front::Codes(..), Source::Values(_)) => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::plan::PlannedChannel;

    fn plan(decimation: usize, channels: usize) -> TonePlan {
        TonePlan {
            rate_hz: 400.0 * decimation as f64,
            decimation,
            hop_samples: 100,
            window_hops: 4,
            search_low_hz: 5.0,
            search_high_hz: 12.0,
            clip_level: 0.9,
            // Not all columns, and not in their order.
            channels: (0..channels)
                .map(|c| PlannedChannel {
                    setup_index: c,
                    column: channels - c,
                    to_si: 9.81 * (c as f64 - 1.5),
                    sets_frequency: true,
                    is_required: false,
                })
                .collect(),
        }
    }

    /// Codes of all sizes up to full scale.
    fn codes(frames: usize, columns: usize) -> Vec<i32> {
        let code =
            |i: usize| ((i as u32 + 9).wrapping_mul(2_654_435_761).rotate_left(7) as i32) >> 8;
        (0..frames * columns).map(code).collect()
    }

    /// Codes and the fractions that they stand for: the same bits, also where the one
    /// follows the other and whatever the blocks.
    #[test]
    fn codes_and_floats_give_the_same_hops() {
        for (decimation, channels) in [(1, 2), (2, 3), (6, 9), (16, 1), (24, 5), (40, 2)] {
            let plan = plan(decimation, channels);
            let (columns, frames) = (channels + 1, 1050 * decimation);
            let codes = codes(frames, columns);
            let block = |from: usize, to: usize| {
                EncodedBlock::from_codes(from as u64, columns, &codes[from * columns..to * columns])
            };
            let mut whole = Vec::new();
            Decimator::new(&plan).push_encoded(&block(0, frames), |hop| whole.push(hop));
            assert_eq!(whole.len(), 10);
            assert!(
                whole
                    .iter()
                    .all(|hop| hop.raw.iter().all(|raw| raw.clipped > 0))
            );
            let floats_from = |from: usize, size: usize| {
                let (mut decimator, mut hops) = (Decimator::new(&plan), Vec::new());
                for start in (0..frames).step_by(size) {
                    let block = block(start, (start + size).min(frames));
                    if start < from {
                        decimator.push_encoded(&block, |hop| hops.push(hop));
                    } else {
                        decimator.push(&Block::from(block), |hop| hops.push(hop));
                    }
                }
                hops
            };
            for (from, size) in [(0, frames), (0, 333), (frames / 2, 1001), (frames, 77)] {
                assert_eq!(
                    floats_from(from, size),
                    whole,
                    "{decimation}, {from}, {size}"
                );
            }
        }
    }

    /// The hop against the response of the filter, from the samples of a sine, and the
    /// second differences against their definition.
    #[test]
    fn a_sine_is_as_large_as_the_response_says() {
        for decimation in [1, 2, 6, 16, 24] {
            let plan = plan(decimation, 1);
            let cycles = 0.021 / decimation as f64;
            let value = |i: usize| 0.5 * (std::f64::consts::TAU * cycles * i as f64).cos();
            let frames = 300 * decimation;
            let samples = Array2::from_shape_fn((2, frames), |(_, i)| value(i));
            let mut hops = Vec::new();
            let block = Block {
                first_sample: 0,
                samples,
            };
            Decimator::new(&plan).push(&block, |hop| hops.push(hop));
            let response = Filter::new(decimation).response(cycles);
            let hop = &hops[1];
            let to_si = plan.channels[0].to_si;
            for (i, x) in hop.samples.row(0).iter().enumerate() {
                let right = to_si * response * value((100 + i) * decimation);
                assert!(
                    (x - right).abs() < 1e-12 * to_si.abs(),
                    "{decimation}: {x} {right}"
                );
            }
            let seconds = (100 * decimation..200 * decimation)
                .map(|i| to_si * (value(i - 2) - 2.0 * value(i - 1) + value(i)));
            let sum: f64 = seconds.clone().map(|x| x * x).sum();
            let peak = seconds.fold(0.0, |peak: f64, x| peak.max(x.abs()));
            assert!((hop.raw[0].second_difference_sum / sum - 1.0).abs() < 1e-6);
            assert!((hop.raw[0].second_difference_peak / peak - 1.0).abs() < 1e-6);
            assert_eq!(hop.raw[0].second_difference_count, 100 * decimation as u64);
        }
    }
}
