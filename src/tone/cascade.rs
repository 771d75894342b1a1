//! The stages of the decimation at work: lanes of raw samples → lanes of decimated
//! ones, and what is counted on the way. Pure.

// The indices run over lanes and over buffers that this file itself fills.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use super::filter::Filter;
use super::spectrum::LANES;

/// Bytes of a line of the cache: a processor takes what lies across the border of two twice
/// as slowly.
const LINE: usize = 64;

/// A sample in the cascade: a code, or a float in the same unit.
pub trait Sample: Copy + Default + PartialOrd + std::fmt::Debug {
    /// The sum of both.
    fn plus(self, other: Self) -> Self;
    /// a − b.
    fn minus(self, other: Self) -> Self;
    /// Times a whole number.
    fn times(self, factor: i32) -> Self;
    /// Its absolute value.
    fn size(self) -> Self;
    /// The larger of both.
    fn larger(self, other: Self) -> Self;
    /// As a float.
    fn float(self) -> f64;
    /// The values, if they are whole numbers.
    fn whole(values: &[Self]) -> Option<&[i32]>;
    /// How many orders of halvings it bears without rounding.
    const ORDERS: usize;
}

impl Sample for i32 {
    #[inline(always)]
    fn plus(self, other: Self) -> Self {
        self.wrapping_add(other)
    }
    #[inline(always)]
    fn minus(self, other: Self) -> Self {
        self.wrapping_sub(other)
    }
    #[inline(always)]
    fn times(self, factor: i32) -> Self {
        self.wrapping_mul(factor)
    }
    #[inline(always)]
    fn size(self) -> Self {
        self.wrapping_abs()
    }
    #[inline(always)]
    fn larger(self, other: Self) -> Self {
        self.max(other)
    }
    #[inline(always)]
    fn float(self) -> f64 {
        f64::from(self)
    }
    #[inline(always)]
    fn whole(values: &[Self]) -> Option<&[i32]> {
        Some(values)
    }
    // 24 bits and 8 more.
    const ORDERS: usize = 8;
}

impl Sample for f64 {
    #[inline(always)]
    fn plus(self, other: Self) -> Self {
        self + other
    }
    #[inline(always)]
    fn minus(self, other: Self) -> Self {
        self - other
    }
    #[inline(always)]
    fn times(self, factor: i32) -> Self {
        self * f64::from(factor)
    }
    #[inline(always)]
    fn size(self) -> Self {
        self.abs()
    }
    // One instruction, which `f64::max` is not: it says what becomes of a NaN.
    #[inline(always)]
    fn larger(self, other: Self) -> Self {
        if other > self { other } else { self }
    }
    #[inline(always)]
    fn float(self) -> f64 {
        self
    }
    #[inline(always)]
    fn whole(_: &[Self]) -> Option<&[i32]> {
        None
    }
    const ORDERS: usize = usize::MAX;
}

/// Frames on their way to a stage, one behind the other, and those before them that it
/// looks back on.
#[derive(Debug, Clone)]
pub struct FrameQueue<T> {
    /// Values of a frame.
    width: usize,
    values: Vec<T>,
    /// Where they begin: at the border of a line of the cache.
    begin: usize,
    /// How many frames before.
    before: usize,
    count: usize,
}

impl<T: Sample> FrameQueue<T> {
    /// Silence.
    pub fn new(width: usize, before: usize) -> Self {
        let mut queue = Self {
            width,
            values: Vec::new(),
            begin: 0,
            before,
            count: 0,
        };
        queue.next(0);
        queue
    }

    /// Room for the next frames, which are to be filled.
    #[inline(always)]
    pub fn next(&mut self, count: usize) -> &mut [T] {
        let before = self.before * self.width;
        let used = self.count * self.width;
        let fresh = count * self.width;
        let behind = self.begin + before + fresh + LANES;
        if self.values.len() < behind.max(self.begin + used + before) {
            let mut values = vec![T::default(); 2 * (behind + LANES)];
            let begin = values.as_ptr().align_offset(LINE).min(2 * LANES);
            if let Some(held) = self.values.get(self.begin + used..) {
                let held = &held[..before.min(held.len())];
                values[begin..begin + held.len()].copy_from_slice(held);
            }
            (self.values, self.begin) = (values, begin);
        } else {
            let from = self.begin + used;
            self.values.copy_within(from..from + before, self.begin);
        }
        self.count = count;
        &mut self.values[self.begin + before..][..fresh]
    }

    /// All frames from the `back`-th before on, and values for as many as lanes behind them.
    #[inline(always)]
    fn from(&self, back: usize) -> &[T] {
        let from = self.begin + (self.before - back) * self.width;
        &self.values[from..][..(back + self.count) * self.width + LANES]
    }

    fn to_floats(&self) -> FrameQueue<f64> {
        let mut queue = FrameQueue::new(self.width, self.before);
        let held = queue.next(self.before + self.count);
        for (value, x) in held.iter_mut().zip(self.from(self.before)) {
            *value = x.float();
        }
        queue
    }
}

/// A stage that halves the rate.
#[derive(Debug, Clone)]
struct Halving {
    order: usize,
    /// Frames that are still to come before the last of the next window.
    next: usize,
}

impl Halving {
    fn new(order: usize) -> Self {
        Self {
            order,
            next: order / 2,
        }
    }

    /// Filters at every place, of which each second one is kept: so the loop runs over values
    /// that follow one another, of which the compiler takes as many at once as registers hold.
    /// Gives the number of frames kept, and all.
    #[inline(always)]
    fn run<'a, T: Sample>(
        &mut self,
        queue: &FrameQueue<T>,
        every: &'a mut FrameQueue<T>,
    ) -> Halved<'a, T> {
        every.width = queue.width;
        binomial(self.order, queue, every.next(queue.count));
        let halved = Halved {
            first: self.next,
            count: queue.count.saturating_sub(self.next).div_ceil(2),
            every,
        };
        self.next = self.next + 2 * halved.count - queue.count;
        halved
    }
}

/// What a halving gives.
struct Halved<'a, T> {
    every: &'a FrameQueue<T>,
    first: usize,
    count: usize,
}

impl<T: Sample> Halved<'_, T> {
    /// The frames that are kept, to lanes.
    #[inline(always)]
    fn keep(&self, to: &mut [T]) {
        let width = self.every.width;
        let frames = self.every.from(0).get(self.first * width..);
        let frames = frames.unwrap_or_default().windows(LANES);
        let to = to.as_chunks_mut().0.iter_mut();
        for (to, frame) in to.zip(frames.step_by(2 * width)) {
            if let Some(frame) = frame.first_chunk::<LANES>() {
                *to = *frame;
            }
        }
    }
}

/// Binomial taps of an even order, at each frame of a queue.
#[inline(always)]
fn binomial<T: Sample>(order: usize, queue: &FrameQueue<T>, output: &mut [T]) {
    let x = queue.from(order);
    let length = output.len();
    let place = |k: usize| x[k * queue.width..][..length].iter();
    match order {
        // 1 4 6 4 1.
        4 => {
            let sides = place(0).zip(place(4)).zip(place(1).zip(place(3)));
            for (value, (((a, e), (b, d)), c)) in output.iter_mut().zip(sides.zip(place(2))) {
                *value = a.plus(*e).plus(b.plus(*d).times(4)).plus(c.times(6));
            }
        }
        // 1 6 15 20 15 6 1.
        6 => {
            let outer = place(0).zip(place(6)).zip(place(1).zip(place(5)));
            let inner = place(2).zip(place(4)).zip(place(3));
            for (value, (outer, inner)) in output.iter_mut().zip(outer.zip(inner)) {
                let (((a, g), (b, f)), ((c, e), d)) = (outer, inner);
                *value = a
                    .plus(*g)
                    .plus(b.plus(*f).times(6))
                    .plus(c.plus(*e).times(15))
                    .plus(d.times(20));
            }
        }
        _ => {
            output.fill(T::default());
            let mut tap = 1;
            for k in 0..=order {
                let x = x[k * queue.width..].iter();
                for (value, x) in output.iter_mut().zip(x) {
                    *value = value.plus(x.times(tap));
                }
                tap = tap * (order - k) as i32 / (k as i32 + 1);
            }
        }
    }
}

#[inline(always)]
fn to_floats<T: Sample>(from: &[T], to: &mut [f64]) {
    for (value, x) in to.iter_mut().zip(from) {
        *value = x.float();
    }
}

/// The last stage.
#[derive(Debug, Clone)]
struct Last {
    factor: usize,
    /// One over what the halvings multiply by, times the taps up to the centre.
    taps: Vec<f64>,
    /// Frames that are still to come before the last of the next window.
    next: usize,
}

impl Last {
    /// Appends frames to `output`.
    #[inline(always)]
    fn run(&mut self, queue: &FrameQueue<f64>, output: &mut Vec<[f64; LANES]>) {
        let length = 2 * self.taps.len() - 1;
        let count = queue.count.saturating_sub(self.next).div_ceil(self.factor);
        let done = output.len();
        output.resize(done + count, [0.0; LANES]);
        let frames = queue.from(length - 1).as_chunks().0;
        let windows = frames[self.next..].windows(length).step_by(self.factor);
        for (value, window) in output[done..].iter_mut().zip(windows) {
            *value = weighted(&self.taps, window);
        }
        self.next = self.next + count * self.factor - queue.count;
    }
}

/// The sum of a window by symmetric taps, which are given up to the centre.
#[inline(always)]
fn weighted(taps: &[f64], window: &[[f64; LANES]]) -> [f64; LANES] {
    let mut sum = [0.0; LANES];
    let Some((centre_tap, taps)) = taps.split_last() else {
        return sum;
    };
    let (left, right) = window.split_at(taps.len());
    let Some((centre, right)) = right.split_first() else {
        return sum;
    };
    for ((tap, left), right) in taps.iter().zip(left).zip(right.iter().rev()) {
        for lane in 0..LANES {
            sum[lane] += tap * (left[lane] + right[lane]);
        }
    }
    for lane in 0..LANES {
        sum[lane] += centre_tap * centre[lane];
    }
    sum
}

/// All stages of some channels, as many as there are lanes at most.
#[derive(Debug, Clone)]
pub struct Cascade<T> {
    /// What comes in.
    input: FrameQueue<T>,
    /// The halvings, as long as nothing is rounded, and what comes out of each.
    exact: Vec<Halving>,
    exact_queues: Vec<FrameQueue<T>>,
    /// The others. The same as floats comes first, then what comes out of each.
    floats: Vec<Halving>,
    float_queues: Vec<FrameQueue<f64>>,
    last: Last,
    every: FrameQueue<T>,
    every_float: FrameQueue<f64>,
    decimated: Vec<[f64; LANES]>,
}

impl<T: Sample> Cascade<T> {
    /// For frames of `width` values, one behind the other. At the start: the first sample that
    /// comes stands at a multiple of the factor, with nothing before it.
    pub fn new(filter: &Filter, width: usize) -> Self {
        let orders = filter.halvings();
        let mut sum = 0;
        let exact = orders
            .iter()
            .take_while(|order| {
                sum += **order;
                sum <= T::ORDERS
            })
            .count();
        let (factor, taps) = filter.last_stage();
        let gain = (0..orders.iter().sum::<usize>()).fold(1.0, |gain, _| 2.0 * gain);
        let half = taps.len() / 2;
        let taps = taps[..=half].iter().map(|tap| tap / gain).collect();
        let first = orders.first().copied().unwrap_or_default();
        let (exact, floats) = orders.split_at(exact);
        // Each queue keeps what the stage behind it looks back on.
        let exact_queues = (1..=exact.len()).map(|i| exact.get(i).copied().unwrap_or_default());
        let float_queues = floats.iter().copied().chain([2 * half]);
        Self {
            input: FrameQueue::new(width, first.max(2)),
            exact: exact.iter().map(|order| Halving::new(*order)).collect(),
            exact_queues: exact_queues
                .map(|before| FrameQueue::new(LANES, before))
                .collect(),
            floats: floats.iter().map(|order| Halving::new(*order)).collect(),
            float_queues: float_queues
                .map(|before| FrameQueue::new(LANES, before))
                .collect(),
            last: Last {
                factor,
                taps,
                next: half,
            },
            every: FrameQueue::new(width, 0),
            every_float: FrameQueue::new(LANES, 0),
            decimated: Vec::new(),
        }
    }

    /// Room for the next frames, which are to be filled before [`Self::run_next`].
    #[inline(always)]
    pub fn next(&mut self, count: usize) -> &mut [T] {
        self.input.next(count)
    }

    /// What came in.
    pub fn input(&self) -> &FrameQueue<T> {
        &self.input
    }

    /// Takes these; appends the decimated ones, in the unit of the samples.
    #[inline(always)]
    pub fn run_next(&mut self, output: &mut Vec<f64>) {
        let width = self.input.width;
        if self.last.factor == 1 {
            // There is no filter.
            let done = output.len();
            output.resize(done + self.input.count * width, 0.0);
            to_floats(self.input.from(0), &mut output[done..]);
            return;
        }
        let mut decimated = std::mem::take(&mut self.decimated);
        decimated.clear();
        self.decimate(&mut decimated);
        for frame in &decimated {
            output.extend_from_slice(&frame[..width]);
        }
        self.decimated = decimated;
    }

    #[inline(always)]
    fn decimate(&mut self, output: &mut Vec<[f64; LANES]>) {
        // What the halvings without rounding leave stands in the last queue, as lanes.
        let mut queue = &self.input;
        for (halving, to) in self.exact.iter_mut().zip(&mut self.exact_queues) {
            let halved = halving.run(queue, &mut self.every);
            halved.keep(to.next(halved.count));
            queue = to;
        }
        let count = queue.count;
        let Some((first, rest)) = self.float_queues.split_first_mut() else {
            return;
        };
        let to = first.next(count);
        if queue.width == LANES {
            to_floats(queue.from(0), to);
        } else {
            let frames = queue.from(0).windows(LANES).step_by(queue.width);
            for (to, frame) in to.as_chunks_mut::<LANES>().0.iter_mut().zip(frames) {
                to_floats(frame, to);
            }
        }
        let mut queue = first;
        for (halving, to) in self.floats.iter_mut().zip(rest) {
            let halved = halving.run(queue, &mut self.every_float);
            halved.keep(to.next(halved.count));
            queue = to;
        }
        self.last.run(queue, output);
    }

    /// The same with floats from here on.
    pub fn to_floats(&self) -> Cascade<f64> {
        let (floats, last) = self.float_queues.split_at(self.floats.len());
        let mut queues: Vec<_> = self
            .exact_queues
            .iter()
            .map(FrameQueue::to_floats)
            .collect();
        // The first of the others holds what the last of these was.
        queues.pop();
        queues
            .extend_from_slice(&floats[usize::from(self.exact.is_empty() && !floats.is_empty())..]);
        let exact = [&self.exact[..], &self.floats].concat();
        queues.resize(exact.len(), FrameQueue::new(LANES, 0));
        Cascade {
            input: self.input.to_floats(),
            exact,
            exact_queues: queues,
            floats: Vec::new(),
            float_queues: last.to_vec(),
            last: self.last.clone(),
            every: FrameQueue::new(self.input.width, 0),
            every_float: FrameQueue::new(LANES, 0),
            decimated: Vec::new(),
        }
    }
}

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

/// What was counted of whole numbers and is not in [`Statistics`] yet.
#[derive(Debug, Clone, Default)]
pub struct WholeSums {
    /// Sums of the squares at each even place of a row of frames, and at each odd one.
    even: Row<u64>,
    odd: Row<u64>,
    /// The largest at each place.
    largest: Row<i32>,
}

/// One number for each place of a row of frames.
#[derive(Debug, Clone, Default)]
struct Row<T>(Vec<T>);

impl<T: Copy + Default> Row<T> {
    /// Its numbers, from the border of a line of the cache on.
    #[inline(always)]
    fn of(&mut self, length: usize) -> &mut [T] {
        if self.0.len() < length + LINE {
            self.0 = vec![T::default(); length + LINE];
        }
        let begin = self.0.as_ptr().align_offset(LINE).min(LINE);
        &mut self.0[begin..begin + length]
    }
}

/// Frames of such a row: so many that the loops over a row are long.
const ROW: usize = 32;

/// Up to here a float holds every whole number, so that a sum is the same in any order.
const WHOLE: u64 = 1 << 53;

impl WholeSums {
    #[inline(always)]
    fn add(&mut self, sizes: &[i32], width: usize) {
        let largest = self.largest.of(ROW * width);
        let even = self.even.of(ROW / 2 * width);
        let odd = self.odd.of(ROW / 2 * width);
        // Four rows at once: a processor writes less in a cycle than it reads and computes.
        let fours = sizes.chunks_exact(4 * largest.len());
        let rest = fours.remainder().chunks(largest.len());
        for rows in fours {
            let (front, back) = rows.split_at(rows.len() / 2);
            let (a, b) = front.split_at(front.len() / 2);
            let (c, d) = back.split_at(back.len() / 2);
            let all = a.iter().zip(b).zip(c.iter().zip(d));
            for (largest, ((a, b), (c, d))) in largest.iter_mut().zip(all) {
                *largest = (*largest).max(*a.max(b).max(c.max(d)));
            }
            let [a, b, c, d] = [a, b, c, d].map(|row| row.as_chunks::<2>().0.iter());
            let all = a.zip(b).zip(c.zip(d));
            let to = even.iter_mut().zip(odd.iter_mut());
            for ((even, odd), ((a, b), (c, d))) in to.zip(all) {
                let [a, b, c, d] = [a, b, c, d].map(squares);
                *even += a[0] + b[0] + (c[0] + d[0]);
                *odd += a[1] + b[1] + (c[1] + d[1]);
            }
        }
        for row in rest {
            for (largest, size) in largest.iter_mut().zip(row) {
                *largest = (*largest).max(*size);
            }
            let (pairs, last) = row.as_chunks::<2>();
            for ((even, odd), pair) in even.iter_mut().zip(odd.iter_mut()).zip(pairs) {
                let [a, b] = squares(pair);
                *even += a;
                *odd += b;
            }
            if let [last] = last {
                even[pairs.len()] += squares(&[*last, 0])[0];
            }
        }
    }

    fn take(&mut self, width: usize, statistics: &mut Statistics) {
        let largest = self.largest.of(ROW * width);
        let even = self.even.of(ROW / 2 * width);
        let odd = self.odd.of(ROW / 2 * width);
        fold(largest, width, Ord::max);
        fold(even, width, |a, b| a + b);
        fold(odd, width, |a, b| a + b);
        for (peak, largest) in statistics.peak.iter_mut().zip(&largest[..width]) {
            *peak = peak.larger(largest.float());
        }
        // Two frames.
        for (i, (even, odd)) in even[..width].iter().zip(&*odd).enumerate() {
            statistics.sum[2 * i % width] += *even as f64;
            statistics.sum[(2 * i + 1) % width] += *odd as f64;
        }
        largest.fill(0);
        even.fill(0);
        odd.fill(0);
    }
}

/// Squares of numbers that are not negative.
#[inline(always)]
fn squares([a, b]: &[i32; 2]) -> [u64; 2] {
    // One multiplication takes the lower halves of numbers of 64 bits.
    let both = u64::from(*a as u32) | (u64::from(*b as u32) << 32);
    let (a, b) = (both & 0xffff_ffff, both >> 32);
    [a * a, b * b]
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

impl Statistics {
    /// Takes samples of the hop.
    #[inline(always)]
    pub fn take<T: Sample>(
        &mut self,
        queue: &FrameQueue<T>,
        limit: T,
        whole: &mut WholeSums,
        sizes: &mut FrameQueue<T>,
    ) {
        let width = queue.width;
        let frames = &queue.from(0)[..queue.count * width];
        let reaches = |x: &T| x.size() >= limit;
        if frames.iter().fold(false, |any, x| any | reaches(x)) {
            for frame in frames.chunks_exact(width) {
                for (clipped, x) in self.clipped.iter_mut().zip(frame) {
                    *clipped += u64::from(reaches(x));
                }
            }
        }
        let skipped = (2 - self.known).min(queue.count);
        self.known = (self.known + queue.count).min(2);
        let count = queue.count - skipped;
        self.count += count as u64;
        let length = count * width;
        let place = |frame: usize| &queue.from(2)[(frame + skipped) * width..][..length];
        let of = place(0).iter().zip(place(1)).zip(place(2));
        sizes.width = width;
        for (size, ((a, b), c)) in sizes.next(count).iter_mut().zip(of) {
            *size = a.minus(b.times(2)).plus(*c).size();
        }
        let sizes = sizes.from(0);
        if let Some(sizes) = T::whole(&sizes[..length]) {
            let largest = sizes
                .iter()
                .fold(0, |largest, x| x.max(&largest).to_owned());
            let square = u64::from(largest.unsigned_abs()).pow(2);
            self.bound = self
                .bound
                .saturating_add(square.saturating_mul(count as u64));
            if self.bound <= WHOLE {
                whole.add(sizes, width);
                return;
            }
        }
        whole.take(width, self);
        let frames = sizes.windows(LANES).step_by(width).take(count);
        let (mut peak, mut sum) = (self.peak, self.sum);
        for x in frames.filter_map(<[T]>::first_chunk::<LANES>) {
            for lane in 0..LANES {
                peak[lane] = peak[lane].larger(x[lane].float());
            }
            for lane in 0..LANES {
                sum[lane] += x[lane].float() * x[lane].float();
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
