//! The stages of the decimation at work: lanes of raw samples → lanes of decimated
//! ones, and what is counted on the way. Pure.

// The indices run over lanes and over buffers that this file itself fills.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use super::filter::Filter;
use super::spectrum::LANES;

/// A sample in the cascade: a code, or a float in the same unit.
pub trait Sample: Copy + Default + PartialOrd + std::fmt::Debug {
    /// The sum of both.
    fn plus(self, other: Self) -> Self;
    /// a − b.
    fn minus(self, other: Self) -> Self;
    /// Times a whole number.
    fn times(self, factor: i32) -> Self;
    /// As a float.
    fn float(self) -> f64;
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
    fn float(self) -> f64 {
        f64::from(self)
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
    fn float(self) -> f64 {
        self
    }
    const ORDERS: usize = usize::MAX;
}

/// A stage that halves the rate: what is not used up yet, the first at an even place.
#[derive(Debug, Clone)]
struct Halving<T> {
    order: usize,
    pending: Vec<[T; LANES]>,
}

impl<T: Sample> Halving<T> {
    fn new(order: usize) -> Self {
        Self {
            order,
            pending: vec![[T::default(); LANES]; order / 2],
        }
    }

    #[inline(always)]
    fn run(&mut self, input: &[[T; LANES]], output: &mut Vec<[T; LANES]>) {
        self.pending.extend_from_slice(input);
        let taps = self.order + 1;
        let count = (self.pending.len() + 1).saturating_sub(taps).div_ceil(2);
        output.resize(count, [T::default(); LANES]);
        // Loops of their own, not iterators handed to the vector: these would be compiled
        // for narrow registers.
        let windows = self.pending.windows(taps).step_by(2);
        match self.order {
            4 => {
                for (value, window) in output.iter_mut().zip(windows) {
                    *value = binomial_4(window);
                }
            }
            6 => {
                for (value, window) in output.iter_mut().zip(windows) {
                    *value = binomial_6(window);
                }
            }
            _ => {
                for (value, window) in output.iter_mut().zip(windows) {
                    *value = binomial(window);
                }
            }
        }
        self.pending.drain(..2 * count);
    }

    fn to_floats(&self) -> Halving<f64> {
        Halving {
            order: self.order,
            pending: self
                .pending
                .iter()
                .map(|lanes| lanes.map(T::float))
                .collect(),
        }
    }
}

/// Taps 1 4 6 4 1.
#[inline(always)]
fn binomial_4<T: Sample>(x: &[[T; LANES]]) -> [T; LANES] {
    std::array::from_fn(|lane| {
        let outer = x[0][lane].plus(x[4][lane]);
        let inner = x[1][lane].plus(x[3][lane]);
        outer.plus(inner.times(4)).plus(x[2][lane].times(6))
    })
}

/// Taps 1 6 15 20 15 6 1.
#[inline(always)]
fn binomial_6<T: Sample>(x: &[[T; LANES]]) -> [T; LANES] {
    std::array::from_fn(|lane| {
        let a = x[0][lane].plus(x[6][lane]);
        let b = x[1][lane].plus(x[5][lane]);
        let c = x[2][lane].plus(x[4][lane]);
        a.plus(b.times(6))
            .plus(c.times(15))
            .plus(x[3][lane].times(20))
    })
}

/// Binomial taps of any even order.
#[inline(always)]
fn binomial<T: Sample>(x: &[[T; LANES]]) -> [T; LANES] {
    let order = x.len() - 1;
    let mut sum = [T::default(); LANES];
    let mut tap = 1;
    for k in 0..=order {
        for lane in 0..LANES {
            sum[lane] = sum[lane].plus(x[k][lane].times(tap));
        }
        tap = tap * (order - k) as i32 / (k as i32 + 1);
    }
    sum
}

/// The last stage.
#[derive(Debug, Clone)]
struct Last {
    factor: usize,
    /// One over what the halvings multiply by, times the taps up to the centre.
    taps: Vec<f64>,
    pending: Vec<[f64; LANES]>,
}

impl Last {
    #[inline(always)]
    fn run(&mut self, input: &[[f64; LANES]], output: &mut Vec<[f64; LANES]>) {
        let half = self.taps.len() - 1;
        if half == 0 && self.factor == 1 {
            // Nothing to filter.
            let done = output.len();
            output.resize(done + input.len(), [0.0; LANES]);
            for (value, x) in output[done..].iter_mut().zip(input) {
                for lane in 0..LANES {
                    value[lane] += self.taps[0] * x[lane];
                }
            }
            return;
        }
        self.pending.extend_from_slice(input);
        let length = 2 * half + 1;
        let mut start = 0;
        while start + length <= self.pending.len() {
            let window = &self.pending[start..start + length];
            let mut sum = [0.0; LANES];
            for (k, tap) in self.taps[..half].iter().enumerate() {
                let (left, right) = (&window[k], &window[length - 1 - k]);
                for lane in 0..LANES {
                    sum[lane] += tap * (left[lane] + right[lane]);
                }
            }
            let centre = &window[half];
            for lane in 0..LANES {
                sum[lane] += self.taps[half] * centre[lane];
            }
            output.push(sum);
            start += self.factor;
        }
        self.pending.drain(..start);
    }
}

#[inline(always)]
fn floats<T: Sample>(input: &[[T; LANES]], output: &mut Vec<[f64; LANES]>) {
    output.resize(input.len(), [0.0; LANES]);
    for (output, input) in output.iter_mut().zip(input) {
        *output = input.map(T::float);
    }
}

/// All stages of some channels.
#[derive(Debug, Clone)]
pub struct Cascade<T> {
    /// As long as nothing is rounded.
    exact: Vec<Halving<T>>,
    floats: Vec<Halving<f64>>,
    last: Last,
    exact_scratch: [Vec<[T; LANES]>; 2],
    float_scratch: [Vec<[f64; LANES]>; 2],
}

impl<T: Sample> Cascade<T> {
    /// At the start: the first sample that comes stands at a multiple of the factor, with
    /// nothing before it.
    pub fn new(filter: &Filter) -> Self {
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
        let (exact, floats) = orders.split_at(exact);
        Self {
            exact: exact.iter().map(|order| Halving::new(*order)).collect(),
            floats: floats.iter().map(|order| Halving::new(*order)).collect(),
            last: Last {
                factor,
                taps: taps[..=half].iter().map(|tap| tap / gain).collect(),
                pending: vec![[0.0; LANES]; half],
            },
            exact_scratch: Default::default(),
            float_scratch: Default::default(),
        }
    }

    /// Takes samples; appends the decimated ones, in the unit of the samples.
    #[inline(always)]
    pub fn run(&mut self, input: &[[T; LANES]], output: &mut Vec<[f64; LANES]>) {
        let [a, b] = &mut self.exact_scratch;
        let mut input = input;
        let (mut from, mut to) = (a, b);
        for stage in &mut self.exact {
            stage.run(input, to);
            std::mem::swap(&mut from, &mut to);
            input = &from[..];
        }
        let Some((first, rest)) = self.floats.split_first_mut() else {
            let [a, _] = &mut self.float_scratch;
            floats(input, a);
            self.last.run(a, output);
            return;
        };
        let [a, b] = &mut self.float_scratch;
        floats(input, a);
        first.run(a, b);
        let (mut from, mut to) = (b, a);
        for stage in rest {
            stage.run(from, to);
            std::mem::swap(&mut from, &mut to);
        }
        self.last.run(from, output);
    }

    /// The same with floats from here on.
    pub fn to_floats(&self) -> Cascade<f64> {
        let exact = self.exact.iter().map(Halving::to_floats);
        Cascade {
            exact: exact.chain(self.floats.iter().cloned()).collect(),
            floats: Vec::new(),
            last: self.last.clone(),
            exact_scratch: Default::default(),
            float_scratch: Default::default(),
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
    /// The two samples before, as floats, the older first.
    before: [[f64; LANES]; 2],
    /// How many of them there are.
    known: usize,
}

impl Statistics {
    /// Takes samples of the hop.
    #[inline(always)]
    pub fn take<T: Sample>(&mut self, tile: &[[T; LANES]], limit: T) {
        let low = T::default().minus(limit);
        let mut clipped = [0_u32; LANES];
        for x in tile {
            for lane in 0..LANES {
                // Never both: two comparisons without a branch.
                clipped[lane] += u32::from(x[lane] >= limit) + u32::from(x[lane] <= low);
            }
        }
        for lane in 0..LANES {
            self.clipped[lane] += u64::from(clipped[lane]);
        }
        // The first two look back on what came before the tile.
        let [mut older, mut old] = self.before;
        for x in tile.iter().take(2) {
            let x = x.map(T::float);
            if self.known == 2 {
                self.note(&std::array::from_fn(|lane| {
                    older[lane] - 2.0 * old[lane] + x[lane]
                }));
            }
            self.known = (self.known + 1).min(2);
            (older, old) = (old, x);
        }
        let (mut peak, mut sum) = (self.peak, self.sum);
        for triple in tile.windows(3) {
            let [a, b, c] = triple else { continue };
            for lane in 0..LANES {
                let second = a[lane].minus(b[lane].times(2)).plus(c[lane]).float();
                let size = second.abs();
                peak[lane] = if size > peak[lane] { size } else { peak[lane] };
                sum[lane] += second * second;
            }
        }
        (self.peak, self.sum) = (peak, sum);
        self.count += tile.len().saturating_sub(2) as u64;
        if let [.., a, b] = tile {
            self.before = [a.map(T::float), b.map(T::float)];
        } else {
            self.before = [older, old];
        }
    }

    fn note(&mut self, second: &[f64; LANES]) {
        for lane in 0..LANES {
            let size = second[lane].abs();
            self.peak[lane] = if size > self.peak[lane] {
                size
            } else {
                self.peak[lane]
            };
            self.sum[lane] += second[lane] * second[lane];
        }
        self.count += 1;
    }

    /// What was counted; the next hop begins.
    pub fn close(&mut self) -> Self {
        let next = Self {
            before: self.before,
            known: self.known,
            ..Self::default()
        };
        std::mem::replace(self, next)
    }
}
