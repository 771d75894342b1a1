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

/// Orders of halvings that samples of 24 bits pass in 32 bits without rounding.
const WHOLE_ORDERS: usize = 8;

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
    /// As a float.
    fn float(self) -> f64;
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
    fn float(self) -> f64 {
        f64::from(self)
    }
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
    #[inline(always)]
    fn float(self) -> f64 {
        self
    }
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

    /// Values of a frame.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Frames that came last.
    pub fn count(&self) -> usize {
        self.count
    }

    /// All frames from the `back`-th before on, and values for as many as lanes behind them.
    #[inline(always)]
    pub fn from(&self, back: usize) -> &[T] {
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

    /// Which of the next frames the windows end with: the first of them, behind which it is
    /// every second one, and how many.
    #[inline(always)]
    fn ends(&mut self, count: usize) -> (usize, usize) {
        let first = self.next;
        let ends = count.saturating_sub(first).div_ceil(2);
        self.next = first + 2 * ends - count;
        (first, ends)
    }
}

/// Frames out of a queue: the first of them, and every so many behind it.
#[derive(Clone, Copy)]
struct Every {
    first: usize,
    step: usize,
}

impl Every {
    /// These frames as floats.
    #[inline(always)]
    fn picked<T: Sample>(self, queue: &FrameQueue<T>, to: &mut [f64]) {
        let frames = queue.from(0).get(self.first * queue.width..);
        let frames = frames.unwrap_or_default().windows(LANES);
        let frames = frames.step_by(self.step * queue.width);
        for (to, frame) in to.as_chunks_mut::<LANES>().0.iter_mut().zip(frames) {
            for lane in 0..LANES {
                to[lane] = frame[lane].float();
            }
        }
    }

    /// What windows give that end with these frames, which are every second of those filtered.
    #[inline(always)]
    fn halved<T: Sample>(self, order: usize, queue: &FrameQueue<T>, to: &mut [f64]) {
        match order {
            4 => self.filtered(queue, to, |[a, b, c, d, e]: [T; 5]| {
                a.plus(e).plus(b.plus(d).times(4)).plus(c.times(6))
            }),
            6 => self.filtered(queue, to, |[a, b, c, d, e, f, g]: [T; 7]| {
                let outer = a.plus(g).plus(b.plus(f).times(6));
                outer.plus(c.plus(e).times(15)).plus(d.times(20))
            }),
            _ => self.filtered(queue, to, |[a, b, c, d, e, f, g, h, i]: [T; 9]| {
                let outer = a.plus(i).plus(b.plus(h).times(8));
                let inner = c.plus(g).times(28).plus(d.plus(f).times(56));
                outer.plus(inner).plus(e.times(70))
            }),
        }
    }

    #[inline(always)]
    fn filtered<T: Sample, const TAPS: usize>(
        self,
        queue: &FrameQueue<T>,
        to: &mut [f64],
        sum: impl Fn([T; TAPS]) -> T,
    ) {
        let apart = self.step / 2 * queue.width;
        let frames = queue.from((TAPS - 1) * (self.step / 2));
        let frames = frames.get(self.first * queue.width..).unwrap_or_default();
        let windows = frames.windows((TAPS - 1) * apart + LANES);
        let windows = windows.step_by(2 * apart);
        for (to, window) in to.as_chunks_mut::<LANES>().0.iter_mut().zip(windows) {
            let mut taps = [[T::default(); LANES]; TAPS];
            for tap in 0..TAPS {
                taps[tap].copy_from_slice(&window[tap * apart..][..LANES]);
            }
            for lane in 0..LANES {
                let mut values = [T::default(); TAPS];
                for tap in 0..TAPS {
                    values[tap] = taps[tap][lane];
                }
                to[lane] = sum(values).float();
            }
        }
    }
}

/// Binomial taps of an even order at the frames of a queue from one on: so the loop runs over
/// values that follow one another, of which the compiler takes as many at once as registers hold.
#[inline(always)]
pub fn binomial<T: Sample>(order: usize, queue: &FrameQueue<T>, from: usize, output: &mut [T]) {
    let output = &mut output[from * queue.width..];
    let x = &queue.from(order)[from * queue.width..];
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
        let frames = &queue.from(length - 1).as_chunks().0[self.next..];
        let (fours, rest) = output[done..].as_chunks_mut();
        let step = self.factor;
        let windows = frames.windows(length + 3 * step).step_by(4 * step);
        for (values, window) in fours.iter_mut().zip(windows) {
            *values = weighted::<4>(&self.taps, step, window);
        }
        let windows = frames.windows(length).step_by(step).skip(4 * fours.len());
        for (value, window) in rest.iter_mut().zip(windows) {
            [*value] = weighted(&self.taps, step, window);
        }
        self.next = self.next + count * self.factor - queue.count;
    }
}

/// The sums of windows, each so many frames behind the one before, by symmetric taps, which are
/// given up to the centre. Several side by side: each of them waits for its own last sum.
#[inline(always)]
fn weighted<const WINDOWS: usize>(
    taps: &[f64],
    step: usize,
    frames: &[[f64; LANES]],
) -> [[f64; LANES]; WINDOWS] {
    let mut sums = [[0.0; LANES]; WINDOWS];
    let Some((centre_tap, taps)) = taps.split_last() else {
        return sums;
    };
    let half = taps.len();
    let (mut left, mut right) = ([frames; WINDOWS], [frames; WINDOWS]);
    for window in 0..WINDOWS {
        left[window] = &frames[window * step..][..half];
        right[window] = &frames[window * step + half + 1..][..half];
    }
    for k in 0..half {
        let tap = taps[k];
        for window in 0..WINDOWS {
            let (left, right) = (&left[window][k], &right[window][half - 1 - k]);
            for lane in 0..LANES {
                sums[window][lane] += tap * (left[lane] + right[lane]);
            }
        }
    }
    for window in 0..WINDOWS {
        let centre = &frames[window * step + half];
        for lane in 0..LANES {
            sums[window][lane] += centre_tap * centre[lane];
        }
    }
    sums
}

/// All stages of some channels, as many as there are lanes at most.
#[derive(Debug, Clone)]
pub struct Cascade<T> {
    /// What comes in.
    input: FrameQueue<T>,
    halvings: Vec<Halving>,
    /// What the first halving gives at every frame, of which each second one is kept.
    every: FrameQueue<T>,
    /// Whether the second one takes them as they are; it does if nothing is rounded.
    takes_every: bool,
    /// What comes before each other halving, that one left out, and before the last stage.
    queues: Vec<FrameQueue<f64>>,
    last: Last,
    decimated: Vec<[f64; LANES]>,
}

impl<T: Sample> Cascade<T> {
    /// For frames of `width` values, one behind the other. At the start: the first sample that
    /// comes stands at a multiple of the factor, with nothing before it.
    pub fn new(filter: &Filter, width: usize) -> Self {
        let orders = filter.halvings();
        let (factor, taps) = filter.last_stage();
        let gain = (0..orders.iter().sum::<usize>()).fold(1.0, |gain, _| 2.0 * gain);
        let half = taps.len() / 2;
        let taps = taps[..=half].iter().map(|tap| tap / gain).collect();
        let first = orders.first().copied().unwrap_or_default();
        let second = orders.get(1).copied().unwrap_or_default();
        let takes_every = second > 0 && first + second <= WHOLE_ORDERS;
        // Each queue keeps what the stage behind it looks back on.
        let behind = orders.get(1 + usize::from(takes_every)..);
        let behind = behind.unwrap_or_default().iter().copied();
        Self {
            input: FrameQueue::new(width, first.max(2)),
            halvings: orders.iter().map(|order| Halving::new(*order)).collect(),
            every: FrameQueue::new(width, 2 * second * usize::from(takes_every)),
            takes_every,
            queues: behind
                .chain([2 * half])
                .map(|before| FrameQueue::new(LANES, before))
                .collect(),
            last: Last {
                factor,
                taps,
                next: half,
            },
            decimated: Vec::new(),
        }
    }

    /// Room for the next frames, which are to be filled before [`Self::halve_first`].
    #[inline(always)]
    pub fn next(&mut self, count: usize) -> &mut [T] {
        self.input.next(count)
    }

    /// What came in, and what the first halving is to make of it: its order, and room for what it
    /// gives at every frame. The order is 0 where there is none.
    #[inline(always)]
    pub fn halve_first(&mut self) -> (&FrameQueue<T>, usize, &mut [T]) {
        let order = self.halvings.first().map_or(0, |first| first.order);
        let count = if order > 0 { self.input.count } else { 0 };
        (&self.input, order, self.every.next(count))
    }

    /// Takes these further; appends the decimated ones, in the unit of the samples.
    #[inline(always)]
    pub fn run(&mut self, output: &mut Vec<f64>) {
        let width = self.input.width;
        if self.last.factor == 1 {
            // There is no filter.
            let values = self.input.from(0)[..self.input.count * width].iter();
            let done = output.len();
            output.resize(done + values.len(), 0.0);
            for (to, x) in output[done..].iter_mut().zip(values) {
                *to = x.float();
            }
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
        let Some((queue, queues)) = self.queues.split_first_mut() else {
            return;
        };
        let mut halvings = self.halvings.iter_mut();
        match (halvings.next(), self.takes_every) {
            (None, _) => {
                let to = queue.next(self.input.count);
                Every { first: 0, step: 1 }.picked(&self.input, to);
            }
            (Some(first), false) => {
                let (first, count) = first.ends(self.every.count);
                Every { first, step: 2 }.picked(&self.every, queue.next(count));
            }
            (Some(first), true) => {
                let (first, count) = first.ends(self.every.count);
                if let Some(second) = halvings.next() {
                    let order = second.order;
                    let (behind, count) = second.ends(count);
                    let first = first + 2 * behind;
                    Every { first, step: 4 }.halved(order, &self.every, queue.next(count));
                }
            }
        }
        let mut queue = queue;
        for (halving, to) in halvings.zip(queues) {
            let (first, count) = halving.ends(queue.count);
            Every { first, step: 2 }.halved(halving.order, queue, to.next(count));
            queue = to;
        }
        self.last.run(queue, output);
    }

    /// The same with floats from here on.
    pub fn to_floats(&self) -> Cascade<f64> {
        Cascade {
            input: self.input.to_floats(),
            halvings: self.halvings.clone(),
            every: self.every.to_floats(),
            takes_every: self.takes_every,
            queues: self.queues.clone(),
            last: self.last.clone(),
            decimated: Vec::new(),
        }
    }
}
