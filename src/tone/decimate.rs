//! Raw samples of one source → decimated samples in SI units, hop by hop,
//! with what only the raw samples tell: clipping and second differences.
//!
//! All of it in one pass, eight channels side by side. Samples of up to 24 bits are
//! whole numbers until the last halvings and lose nothing; others go the same way as
//! 64-bit floats. What a filter gave is rounded last to so few bits that a hop can be kept
//! in little memory ([`super::packed_hop`]); samples that need no filter stay what they are. A sample that both can say leaves the same bits by either way, so a
//! recording and what a device sent give the same hops.

// The indices run over lanes and over buffers that this file itself fills.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use ndarray::Array2;
use std::collections::VecDeque;

use super::cascade::Cascade;
use super::filter::Filter;
use super::packed_hop::{grid_step, nearest_whole};
use super::plan::TonePlan;
use super::raw_statistics::{Counted, Statistics, WholeSums};
use super::spectrum::LANES;
use crate::ingest::{Block, CODE_FULL_SCALE, EncodedBlock};
use crate::maths;

/// Frames taken in at once: they stay in the first-level cache.
const TILE: usize = 512;

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
    /// Of a tile.
    codes: Vec<i32>,
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
    whole: WholeSums,
    /// Decimated frames not handed out yet; the first has the index `from`.
    ready: Vec<f64>,
    from: i64,
}

/// The way that the samples take.
#[derive(Debug)]
enum Front {
    Codes(Cascade<i32>),
    Floats(Cascade<f64>),
}

/// Instants at which a channel has no value, and the last one at which it had.
#[derive(Debug, Clone, Default)]
struct Lacking {
    runs: VecDeque<(u64, u64)>,
    last: Option<(u64, f64)>,
}

/// Where samples come from.
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
            codes: Vec::new(),
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
            maths::wide!(self.tile(source, done, count));
            done += count;
            self.next_raw = self.next_raw.saturating_add(count as u64);
            if count as u64 == to_hop_end {
                let number = self.next_raw / hop_raw - 1;
                // Of a hop that began before the first sample nothing is said.
                let is_whole = number >= self.next_hop;
                for group in &mut self.groups {
                    let statistics = group.open.close(group.columns.len(), &mut group.whole);
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

    #[inline(always)]
    fn tile(&mut self, source: &Source, from: usize, count: usize) {
        let columns = match source {
            Source::Encoded(block) => block.channels(),
            Source::Values(samples) => samples.nrows(),
        };
        let is_all =
            matches!(&self.groups[..], [group] if group.columns.iter().copied().eq(0..columns));
        if let (Source::Encoded(block), false) = (source, is_all) {
            self.codes.resize(columns * count, 0);
            block.codes(from, &mut self.codes);
        }
        for group in &mut self.groups {
            match (&mut group.front, source) {
                (Front::Codes(stages), Source::Encoded(block)) => {
                    let tile = stages.next(count);
                    if is_all {
                        block.codes(from, tile);
                    } else {
                        pick(&self.codes, columns, &group.columns, tile, |code| code);
                    }
                }
                (Front::Floats(stages), Source::Encoded(block)) => {
                    let tile = stages.next(count);
                    if is_all {
                        self.codes.resize(columns * count, 0);
                        block.codes(from, &mut self.codes);
                    }
                    pick(&self.codes, columns, &group.columns, tile, f64::from);
                }
                (Front::Floats(stages), Source::Values(samples)) => {
                    let tile = stages.next(count);
                    let width = group.columns.len();
                    for (lane, column) in group.columns.iter().enumerate() {
                        let row = samples.row(*column);
                        let row = row.iter().skip(from);
                        for (frame, x) in tile.chunks_exact_mut(width).zip(row) {
                            frame[lane] = x * CODE_FULL_SCALE;
                        }
                    }
                }
                // `start` has turned codes into floats before values come.
                (Front::Codes(..), Source::Values(_)) => {}
            }
            group.take(self.clip_level);
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
            .all(|group| !group.done.is_empty() && group.from + group.frames() as i64 >= end)
            && (!self.groups.is_empty() || self.next_raw >= (self.next_hop + 1) * self.hop_raw())
    }

    fn make(&mut self) -> Hop {
        let number = self.next_hop;
        let start = (number * self.hop_samples as u64) as i64;
        let mut samples = Vec::with_capacity(self.columns.len() * self.hop_samples);
        let mut raw = Vec::with_capacity(self.columns.len());
        let hop_raw = self.hop_raw();
        let raw_start = number * hop_raw;
        let back = self.half.max(2) as u64;
        let used_from = raw_start.saturating_sub(back).max(self.first);
        let last_decimated = raw_start + hop_raw - self.factor as u64;
        let used_to = (raw_start + hop_raw).max(last_decimated + self.half as u64 + 1);
        let channels = self
            .columns
            .chunks(LANES)
            .zip(self.lacking.chunks_mut(LANES));
        for (group, (columns, lacking)) in self.groups.iter_mut().zip(channels) {
            let skip = (start - group.from).max(0) as usize;
            let width = columns.len();
            let (from, to) = (skip * width, (skip + self.hop_samples) * width);
            hand_out(
                &group.ready[from..to],
                columns,
                self.factor > 1,
                &mut samples,
            );
            group.ready.drain(..to);
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
            samples: rows(samples, (self.columns.len(), self.hop_samples)),
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

/// Frames → rows in SI units, one behind the other; `rounds`: to the grid that the largest
/// value of each asks for.
fn hand_out(ready: &[f64], columns: &[(usize, f64)], rounds: bool, rows: &mut Vec<f64>) {
    match columns.len() {
        1 => hand_out_of::<1>(ready, columns, rounds, rows),
        2 => hand_out_of::<2>(ready, columns, rounds, rows),
        3 => hand_out_of::<3>(ready, columns, rounds, rows),
        4 => hand_out_of::<4>(ready, columns, rounds, rows),
        5 => hand_out_of::<5>(ready, columns, rounds, rows),
        6 => hand_out_of::<6>(ready, columns, rounds, rows),
        7 => hand_out_of::<7>(ready, columns, rounds, rows),
        _ => hand_out_of::<LANES>(ready, columns, rounds, rows),
    }
}

/// The same of frames of a known width: so the compiler takes several at once.
fn hand_out_of<const WIDTH: usize>(
    ready: &[f64],
    columns: &[(usize, f64)],
    rounds: bool,
    rows: &mut Vec<f64>,
) {
    let (frames, _) = ready.as_chunks::<WIDTH>();
    let mut largest = [0.0_f64; WIDTH];
    if rounds {
        maths::wide!({
            for frame in frames {
                for lane in 0..WIDTH {
                    let size = frame[lane].abs();
                    largest[lane] = if size > largest[lane] {
                        size
                    } else {
                        largest[lane]
                    };
                }
            }
        });
    }
    for (lane, (_, to_si)) in columns.iter().enumerate() {
        let unit = to_si / CODE_FULL_SCALE;
        match grid_step(largest[lane]) {
            Some(step) => {
                let (steps_in_one, unit) = (step.recip(), step * unit);
                let whole = |frame: &[f64; WIDTH]| nearest_whole(frame[lane] * steps_in_one);
                rows.extend(frames.iter().map(|frame| whole(frame) * unit));
            }
            None => rows.extend(frames.iter().map(|frame| frame[lane] * unit)),
        }
    }
}

/// Rows as an array.
fn rows(values: Vec<f64>, shape: (usize, usize)) -> Array2<f64> {
    Array2::from_shape_vec(shape, values).unwrap_or_else(|_| Array2::zeros(shape))
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
                Front::Codes(Cascade::new(filter, columns.len()))
            } else {
                Front::Floats(Cascade::new(filter, columns.len()))
            },
            done: VecDeque::new(),
            open: Statistics::default(),
            whole: WholeSums::default(),
            ready: Vec::new(),
            from,
        };
        match &mut group.front {
            Front::Codes(stages) => begin(stages, silence, &mut group.ready),
            Front::Floats(stages) => begin(stages, silence, &mut group.ready),
        }
        group
    }

    /// Decimated frames not handed out yet.
    fn frames(&self) -> usize {
        self.ready.len() / self.columns.len().max(1)
    }

    /// From now on the samples come as floats.
    fn go_on_with_floats(&mut self) {
        if let Front::Codes(stages) = &self.front {
            self.front = Front::Floats(stages.to_floats());
        }
    }

    /// Takes the frames of the tile.
    #[inline(always)]
    fn take(&mut self, clip_level: f64) {
        let limit = clip_level * CODE_FULL_SCALE;
        let counted = (&mut self.open, &mut self.whole);
        match &mut self.front {
            Front::Codes(stages) => {
                let limit = limit.ceil().min(f64::from(i32::MAX)) as i32;
                take(stages, limit, counted, &mut self.ready);
            }
            Front::Floats(stages) => take(stages, limit, counted, &mut self.ready),
        }
    }
}

/// Takes in that there was nothing before the first sample.
fn begin<T: Counted>(stages: &mut Cascade<T>, silence: usize, ready: &mut Vec<f64>) {
    stages.next(silence).fill(T::default());
    let (_, _, every) = stages.halve_first();
    every.fill(T::default());
    stages.run(ready);
}

#[inline(always)]
fn take<T: Counted>(
    stages: &mut Cascade<T>,
    limit: T,
    counted: (&mut Statistics, &mut WholeSums),
    ready: &mut Vec<f64>,
) {
    let (input, order, every) = stages.halve_first();
    T::take(input, (order, every), limit, counted);
    stages.run(ready);
}

/// Frames of all columns → frames of some.
#[inline(always)]
fn pick<T>(
    codes: &[i32],
    all: usize,
    columns: &[usize],
    frames: &mut [T],
    convert: impl Fn(i32) -> T,
) {
    let frames = frames.chunks_exact_mut(columns.len());
    for (frame, codes) in frames.zip(codes.chunks_exact(all)) {
        for (value, column) in frame.iter_mut().zip(columns) {
            *value = convert(codes[*column]);
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
        for (decimation, channels) in [
            (1, 2),
            (2, 3),
            (4, 1),
            (6, 9),
            (8, 7),
            (10, 8),
            (16, 1),
            (24, 5),
            (40, 2),
        ] {
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
