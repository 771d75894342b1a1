//! What is counted of raw samples, hop by hop: samples at a limit, and second differences. Of whole
//! numbers it is counted in the same pass as they are halved in. Pure.

// The indices run over lanes and over buffers that this file itself fills.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use pulp::Simd;

use super::cascade::{FrameQueue, Sample, binomial};
use super::spectrum::LANES;

/// What is counted over one hop, in the unit of the samples.
#[derive(Debug, Clone, Default)]
pub struct Statistics {
    /// Samples at or beyond the limit.
    pub clipped: [u64; LANES],
    /// Largest |second difference|.
    pub peak: [f64; LANES],
    /// Sum of their squares.
    pub sum: [f64; LANES],
    /// Second differences counted.
    pub count: u64,
    /// How many of the two frames before there are.
    known: usize,
    /// The sum is not above this.
    bound: u64,
}

/// Frames of a row: as many as the widest registers have lanes.
const ROW: usize = 16;

/// One number for each place of a row of frames.
type Row<T> = [T; ROW * LANES];

/// What was counted of whole numbers and is not in [`Statistics`] yet.
#[derive(Debug, Clone)]
pub struct WholeSums {
    /// Sums of the squares.
    squares: Row<u64>,
    /// The largest.
    largest: Row<i32>,
}

impl Default for WholeSums {
    fn default() -> Self {
        Self {
            squares: [0; ROW * LANES],
            largest: [0; ROW * LANES],
        }
    }
}

/// Up to here a float holds every whole number, so that a sum is the same in any order.
const WHOLE: u64 = 1 << 53;

/// Samples of which something is counted.
pub trait Counted: Sample {
    /// Takes the frames of a queue: fills in what binomial taps of an order give at every one, where
    /// the order is not 0, and counts.
    fn take(
        queue: &FrameQueue<Self>,
        halved: (usize, &mut [Self]),
        limit: Self,
        counted: (&mut Statistics, &mut WholeSums),
    );
}

impl Counted for f64 {
    #[inline(always)]
    fn take(
        queue: &FrameQueue<Self>,
        (order, every): (usize, &mut [Self]),
        limit: Self,
        (statistics, whole): (&mut Statistics, &mut WholeSums),
    ) {
        if order > 0 {
            binomial(order, queue, 0, every);
        }
        statistics.count_clipped(queue, limit);
        // The source may have given whole numbers before.
        whole.take(queue.width(), statistics);
        let skipped = statistics.skip(queue.count());
        statistics.add_in_order(queue, skipped);
    }
}

impl Counted for i32 {
    #[inline(always)]
    fn take(
        queue: &FrameQueue<Self>,
        (order, every): (usize, &mut [Self]),
        limit: Self,
        (statistics, whole): (&mut Statistics, &mut WholeSums),
    ) {
        let (width, count) = (queue.width(), queue.count());
        let skipped = statistics.skip(count);
        let mut tile = Tile::default();
        if skipped == 0 {
            pulp::Arch::new().dispatch(InOnePass {
                queue,
                order,
                every: &mut *every,
                tile: &mut tile,
            });
        }
        if order > 0 {
            binomial(order, queue, tile.halved, every);
        }
        let behind = queue.from(0)[tile.done * width..count * width].iter();
        let reach = behind.fold(tile.reach, |reach, x| reach.max(x.size()));
        if reach >= limit {
            statistics.count_clipped(queue, limit);
        }
        let from = tile.done.max(skipped);
        let largest = tile.largest.iter().fold(0, |a, b| a.max(*b));
        let largest = second_differences(queue, from).fold(largest, |a, b| a.max(b.size()));
        let square = u64::from(largest.unsigned_abs()).pow(2);
        let added = square.saturating_mul((count - skipped) as u64);
        statistics.bound = statistics.bound.saturating_add(added);
        if statistics.bound > WHOLE {
            whole.take(width, statistics);
            statistics.add_in_order(queue, skipped);
        } else {
            whole.add_tile(&tile);
            whole.add(queue, from);
        }
    }
}

/// The second differences of a queue, from that of a frame on.
#[inline(always)]
fn second_differences<T: Sample>(queue: &FrameQueue<T>, from: usize) -> impl Iterator<Item = T> {
    let width = queue.width();
    let length = (queue.count() - from) * width;
    let place = |frame: usize| queue.from(2)[(frame + from) * width..][..length].iter();
    let of = place(0).zip(place(1)).zip(place(2));
    of.map(|((a, b), c)| a.minus(b.times(2)).plus(*c))
}

/// What one pass over the first rows of a tile gives.
struct Tile {
    /// Frames gone over, and of these halved.
    done: usize,
    halved: usize,
    /// The largest |sample|.
    reach: i32,
    /// Of |second difference| the largest, at each place of a row.
    largest: Row<i32>,
    /// The sums of their squares in three parts, none above 32 bits: of the squares of what is
    /// below 2^13, of its products with what is above, and of the squares of this.
    squares: [Row<u32>; 3],
}

/// Bits of the lower part.
const PART_BITS: u32 = 13;
/// So many squares of a part have a sum below 2^32.
const PART_ROWS: usize = 64;

impl Default for Tile {
    fn default() -> Self {
        Self {
            done: 0,
            halved: 0,
            reach: 0,
            largest: [0; ROW * LANES],
            squares: [[0; ROW * LANES]; 3],
        }
    }
}

/// Halves and counts whole numbers in one pass, as many rows of frames as there are: each sample
/// is fetched once for both. A frame that registers end within is what the rows are for.
struct InOnePass<'a> {
    queue: &'a FrameQueue<i32>,
    order: usize,
    every: &'a mut [i32],
    tile: &'a mut Tile,
}

impl pulp::WithSimd for InOnePass<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        match self.order {
            4 => self.run::<S, 5>(simd),
            6 => self.run::<S, 7>(simd),
            _ => self.run::<S, 3>(simd),
        }
    }
}

impl InOnePass<'_> {
    /// `TAPS` are those of the halving; with three of them there is none.
    #[inline(always)]
    fn run<S: Simd, const TAPS: usize>(self, simd: S) {
        let (lanes, width) = (S::I32_LANES, self.queue.width());
        let rows = (self.queue.count() / lanes).min(PART_ROWS);
        let length = rows * width;
        let frames = self.queue.from(TAPS - 1);
        let mut places: [&[S::i32s]; TAPS] = [&[]; TAPS];
        for tap in 0..TAPS {
            places[tap] = &S::as_simd_i32s(&frames[tap * width..]).0[..length];
        }
        let every = S::as_mut_simd_i32s(self.every).0;
        let every = if TAPS > 3 {
            &mut every[..length]
        } else {
            every
        };
        let tile = self.tile;
        let to_largest = S::as_mut_simd_i32s(&mut tile.largest).0;
        let [low, mixed, high] = &mut tile.squares;
        let low = S::as_mut_simd_u32s(low).0;
        let mixed = S::as_mut_simd_u32s(mixed).0;
        let high = S::as_mut_simd_u32s(high).0;
        let mask = simd.splat_u32s((1 << PART_BITS) - 1);
        let shift = simd.splat_u32s(PART_BITS);
        let none = simd.splat_i32s(0);
        let mut reach = none;
        for place in 0..width {
            let mut largest = none;
            let mut squares = [simd.splat_u32s(0); 3];
            let mut at = place;
            while at < length {
                let mut x = [none; TAPS];
                for tap in 0..TAPS {
                    x[tap] = places[tap][at];
                }
                let twice = simd.add_i32s(x[TAPS - 2], x[TAPS - 2]);
                let second = simd.sub_i32s(x[TAPS - 3], twice);
                let second = simd.add_i32s(second, x[TAPS - 1]);
                let second = size(simd, second);
                largest = simd.max_i32s(largest, second);
                reach = simd.max_i32s(reach, size(simd, x[TAPS - 1]));
                let second = simd.transmute_u32s_i32s(second);
                let above = simd.wrapping_dyn_shr_u32s(second, shift);
                let below = simd.and_u32s(second, mask);
                squares[0] = simd.add_u32s(squares[0], simd.mul_u32s(below, below));
                squares[1] = simd.add_u32s(squares[1], simd.mul_u32s(below, above));
                squares[2] = simd.add_u32s(squares[2], simd.mul_u32s(above, above));
                if TAPS > 3 {
                    every[at] = halved(simd, &x);
                }
                at += width;
            }
            to_largest[place] = largest;
            low[place] = squares[0];
            mixed[place] = squares[1];
            high[place] = squares[2];
        }
        let mut reaches = [0; ROW];
        S::as_mut_simd_i32s(&mut reaches).0[0] = reach;
        tile.reach = reaches.iter().fold(0, |a, b| a.max(*b));
        tile.done = rows * lanes;
        tile.halved = if TAPS > 3 { tile.done } else { 0 };
    }
}

#[inline(always)]
fn size<S: Simd>(simd: S, x: S::i32s) -> S::i32s {
    simd.max_i32s(x, simd.sub_i32s(simd.splat_i32s(0), x))
}

/// Five or seven values by binomial taps.
#[inline(always)]
fn halved<S: Simd, const TAPS: usize>(simd: S, x: &[S::i32s; TAPS]) -> S::i32s {
    let taps: [i32; 4] = if TAPS == 5 {
        [1, 4, 6, 0]
    } else {
        [1, 6, 15, 20]
    };
    let mut sum = simd.add_i32s(x[0], x[TAPS - 1]);
    for tap in 1..TAPS / 2 {
        let both = simd.add_i32s(x[tap], x[TAPS - 1 - tap]);
        sum = simd.add_i32s(sum, simd.mul_i32s(both, simd.splat_i32s(taps[tap])));
    }
    let centre = simd.splat_i32s(taps[TAPS / 2]);
    simd.add_i32s(sum, simd.mul_i32s(x[TAPS / 2], centre))
}

impl WholeSums {
    /// Adds the second differences of a queue from that of a frame on.
    #[inline(always)]
    fn add(&mut self, queue: &FrameQueue<i32>, from: usize) {
        let width = queue.width();
        let length = (queue.count() - from) * width;
        let place =
            |frame: usize| queue.from(2)[(frame + from) * width..][..length].chunks(ROW * width);
        for ((a, b), c) in place(0).zip(place(1)).zip(place(2)) {
            let sums = self.largest.iter_mut().zip(&mut self.squares);
            for ((largest, sum), ((a, b), c)) in sums.zip(a.iter().zip(b).zip(c)) {
                let size = a.minus(b.times(2)).plus(*c).size();
                *largest = (*largest).max(size);
                let size = u64::from(size as u32);
                *sum += size * size;
            }
        }
    }

    #[inline(always)]
    fn add_tile(&mut self, tile: &Tile) {
        let [low, mixed, high] = &tile.squares;
        let parts = low.iter().zip(mixed).zip(high);
        for (sum, ((low, mixed), high)) in self.squares.iter_mut().zip(parts) {
            let above =
                (u64::from(*mixed) << (PART_BITS + 1)) + (u64::from(*high) << (2 * PART_BITS));
            *sum += u64::from(*low) + above;
        }
        for (largest, other) in self.largest.iter_mut().zip(&tile.largest) {
            *largest = (*largest).max(*other);
        }
    }

    /// Moves what was counted to the statistics.
    fn take(&mut self, width: usize, statistics: &mut Statistics) {
        fold(&mut self.largest[..ROW * width], width, Ord::max);
        fold(&mut self.squares[..ROW * width], width, |a, b| a + b);
        let lanes = statistics.peak.iter_mut().zip(&mut statistics.sum);
        for ((peak, sum), (largest, square)) in lanes
            .zip(self.largest.iter().zip(&self.squares))
            .take(width)
        {
            *peak = larger(*peak, largest.float());
            *sum += *square as f64;
        }
        *self = Self::default();
    }
}

/// Lays the halves of values on each other until `width` are left, which stand first.
fn fold<T: Copy>(values: &mut [T], width: usize, both: impl Fn(T, T) -> T) {
    let mut values = values;
    while values.len() > width {
        let (to, from) = values.split_at_mut(values.len() / 2);
        for (to, from) in to.iter_mut().zip(from) {
            *to = both(*to, *from);
        }
        values = to;
    }
}

/// One instruction, which `f64::max` is not: it says what becomes of a NaN.
#[inline(always)]
fn larger(a: f64, b: f64) -> f64 {
    if b > a { b } else { a }
}

impl Statistics {
    /// Begins to count frames: so many of them have not two before them.
    #[inline(always)]
    fn skip(&mut self, count: usize) -> usize {
        let skipped = (2 - self.known).min(count);
        self.known = (self.known + count).min(2);
        self.count += (count - skipped) as u64;
        skipped
    }

    #[inline(always)]
    fn count_clipped<T: Sample>(&mut self, queue: &FrameQueue<T>, limit: T) {
        let width = queue.width();
        let frames = &queue.from(0)[..queue.count() * width];
        let reaches = |x: &T| x.size() >= limit;
        if frames.iter().fold(false, |any, x| any | reaches(x)) {
            for frame in frames.chunks_exact(width) {
                for (clipped, x) in self.clipped.iter_mut().zip(frame) {
                    *clipped += u64::from(reaches(x));
                }
            }
        }
    }

    /// Adds second differences frame by frame.
    #[inline(always)]
    fn add_in_order<T: Sample>(&mut self, queue: &FrameQueue<T>, skipped: usize) {
        let width = queue.width();
        let frames = &queue.from(2)[skipped * width..];
        let frames = frames.windows(2 * width + LANES).step_by(width);
        let (mut peak, mut sum) = (self.peak, self.sum);
        for frames in frames.take(queue.count() - skipped) {
            let (b, c) = (&frames[width..], &frames[2 * width..]);
            for lane in 0..LANES {
                let second = frames[lane].minus(b[lane].times(2)).plus(c[lane]);
                let size = second.size().float();
                peak[lane] = larger(peak[lane], size);
                sum[lane] += size * size;
            }
        }
        (self.peak, self.sum) = (peak, sum);
    }

    /// What was counted; the next hop begins.
    pub fn close(&mut self, width: usize, whole: &mut WholeSums) -> Self {
        whole.take(width, self);
        let next = Self {
            known: self.known,
            ..Self::default()
        };
        std::mem::replace(self, next)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Registers of any width against the definitions, with numbers up to full scale.
    #[test]
    fn one_pass_counts_and_halves_as_defined() {
        let code = |i: usize| ((i as u32 + 5).wrapping_mul(2_654_435_761) as i32) >> 8;
        for (width, count) in [(1, 1000), (3, 37), (5, 512), (7, 224), (8, 15)] {
            for (order, taps) in [
                (0, vec![]),
                (4, vec![1, 4, 6, 4, 1]),
                (6, vec![1, 6, 15, 20, 15, 6, 1]),
            ] {
                let before = 8;
                let mut queue = FrameQueue::new(width, before);
                let all: Vec<i32> = (0..(before + count) * width).map(code).collect();
                let (first, rest) = all.split_at(before * width);
                queue.next(before).copy_from_slice(first);
                queue.next(count).copy_from_slice(rest);
                let at = |frame: usize, back: usize, lane: usize| {
                    i64::from(all[(before + frame - back) * width + lane])
                };
                let run = |is_wide: bool| {
                    let mut every = vec![0; if order > 0 { count * width } else { 0 }];
                    let mut tile = Tile::default();
                    let pass = InOnePass {
                        queue: &queue,
                        order,
                        every: &mut every,
                        tile: &mut tile,
                    };
                    if is_wide {
                        pulp::Arch::new().dispatch(pass);
                    } else {
                        pulp::Simd::vectorize(pulp::Scalar, pass);
                    }
                    (every, tile)
                };
                for (every, tile) in [run(true), run(false)] {
                    assert!(count - tile.done < ROW || tile.done >= PART_ROWS);
                    assert_eq!(tile.halved, if order > 0 { tile.done } else { 0 });
                    for (i, value) in every[..tile.halved * width].iter().enumerate() {
                        let (frame, lane) = (i / width, i % width);
                        let right: i64 = (0..)
                            .zip(&taps)
                            .map(|(back, tap)| tap * at(frame, back, lane))
                            .sum();
                        assert_eq!(i64::from(*value), right);
                    }
                    let reach = all[before * width..][..tile.done * width].iter();
                    assert_eq!(Some(tile.reach), reach.map(|x| x.abs()).max().or(Some(0)));
                    let (mut sums, mut statistics) = (WholeSums::default(), Statistics::default());
                    sums.add_tile(&tile);
                    sums.take(width, &mut statistics);
                    for lane in 0..width {
                        let sizes = (0..tile.done).map(|frame| {
                            (at(frame, 0, lane) - 2 * at(frame, 1, lane) + at(frame, 2, lane)).abs()
                        });
                        let peak = sizes.clone().max().unwrap_or(0);
                        let sum: i64 = sizes.map(|size| size * size).sum();
                        assert_eq!(statistics.peak[lane].to_bits(), (peak as f64).to_bits());
                        assert_eq!(statistics.sum[lane].to_bits(), (sum as f64).to_bits());
                    }
                }
            }
        }
    }
}
