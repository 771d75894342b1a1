//! Raw samples of one source → decimated samples in SI units, hop by hop,
//! with what only the raw samples tell: clipping and second differences.
//!
//! # Filter
//! Linear phase, so the channels keep their phases and a decimated sample
//! stands at a known raw index. Its response is known exactly; phasors are
//! divided by it, so its ripple costs nothing. Kaiser design after Oppenheim
//! and Schafer, 'Discrete-Time Signal Processing': attenuation A > 50 dB needs
//! beta = 0.1102 (A − 8.7) and (A − 8)/(2.285 Δω) + 1 taps.

use ndarray::Array2;
use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::plan::{PASS_FRACTION, TonePlan};
use crate::ingest::Block;
use crate::maths;

/// Attenuation of what would fold into the pass band, dB.
const ATTENUATION_DB: f64 = 90.0;

/// A linear-phase low-pass of odd length.
#[derive(Debug, Clone, PartialEq)]
pub struct Filter {
    taps: Vec<f64>,
}

impl Filter {
    /// The filter for decimation by `factor`; a single tap for 1.
    pub fn new(factor: usize) -> Self {
        if factor == 1 {
            return Self { taps: vec![1.0] };
        }
        let transition = (1.0 - 2.0 * PASS_FRACTION) / factor as f64;
        let beta = 0.1102 * (ATTENUATION_DB - 8.7);
        let length = (ATTENUATION_DB - 8.0) / (2.285 * TAU * transition) + 1.0;
        let half = (0.5 * length).ceil() as i64;
        let cut = 0.5 / factor as f64;
        let mut taps: Vec<f64> = (-half..=half)
            .map(|i| {
                let t = i as f64;
                let sinc = if i == 0 {
                    2.0 * cut
                } else {
                    maths::sin(TAU * cut * t) / (PI * t)
                };
                let place = t / (half as f64 + 1.0);
                sinc * bessel_i0(beta * (1.0 - place * place).sqrt()) / bessel_i0(beta)
            })
            .collect();
        let sum: f64 = taps.iter().sum();
        taps.iter_mut().for_each(|tap| *tap /= sum);
        Self { taps }
    }

    /// Samples on either side of the centre.
    pub fn half(&self) -> usize {
        self.taps.len() / 2
    }

    /// Real response at `cycles_per_sample` (of the raw rate): the centre tap,
    /// and the taps to both sides of it together.
    pub fn response(&self, cycles_per_sample: f64) -> f64 {
        let step = maths::cis(TAU * cycles_per_sample);
        let mut turn = Complex64::ONE;
        let (_, right) = self.taps.split_at(self.half());
        let Some((centre, right)) = right.split_first() else {
            return 0.0;
        };
        let sides: f64 = right
            .iter()
            .map(|tap| {
                turn *= step;
                tap * turn.re
            })
            .sum();
        centre + 2.0 * sides
    }

    /// Variance of white noise after the filter over its variance before,
    /// times the decimation: how much of an ideal band's noise is left.
    pub fn noise_share(&self, factor: usize) -> f64 {
        factor as f64 * self.taps.iter().map(|tap| tap * tap).sum::<f64>()
    }

    fn apply(&self, samples: &[f64]) -> f64 {
        // Eight lanes, so that the compiler may use wide registers.
        let mut lanes = [0.0; 8];
        let taps = self.taps.chunks_exact(8);
        let data = samples.chunks_exact(8);
        let rest: f64 = taps
            .remainder()
            .iter()
            .zip(data.remainder())
            .map(|(t, x)| t * x)
            .sum();
        for (t, x) in taps.zip(data) {
            for ((lane, t), x) in lanes.iter_mut().zip(t).zip(x) {
                *lane += t * x;
            }
        }
        rest + lanes.iter().sum::<f64>()
    }
}

/// Modified Bessel function of the first kind, order 0, by its power series
/// (Abramowitz and Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let mut term = 1.0;
    let mut sum = 1.0;
    let mut k = 1.0;
    while term > 1e-17 * sum {
        term *= quarter / (k * k);
        sum += term;
        k += 1.0;
    }
    sum
}

fn values_missing(samples: &[f64]) -> u64 {
    samples.iter().map(|x| u64::from(!x.is_finite())).sum()
}

/// `row` with every missing value of `used`, its part from `used_from` on,
/// taken as the value before it: the hop says that it cannot be trusted, and
/// what is made of it stays a number.
fn hold_last_value(row: &[f64], used_from: usize, used: &[f64]) -> Vec<f64> {
    let mut held = row.to_vec();
    let first = used.iter().find(|x| x.is_finite());
    let mut last = first.copied().unwrap_or(0.0);
    for (slot, value) in held.iter_mut().skip(used_from).zip(used) {
        if value.is_finite() {
            last = *value;
        }
        *slot = last;
    }
    held
}

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
    filter: Filter,
    factor: usize,
    hop_samples: usize,
    clip_level: f64,
    columns: Vec<(usize, f64)>,
    /// Raw samples not yet consumed, a row a channel, SI; the first stands at
    /// raw index `first`.
    pending: Vec<Vec<f64>>,
    first: u64,
    /// Next hop to make.
    next_hop: u64,
    /// Whether any sample came since the start or the last gap.
    running: bool,
    /// Whether any sample came at all.
    begun: bool,
}

impl Decimator {
    /// A decimator at the start of a source.
    pub fn new(plan: &TonePlan) -> Self {
        Self {
            filter: Filter::new(plan.decimation),
            factor: plan.decimation,
            hop_samples: plan.hop_samples,
            clip_level: plan.clip_level,
            columns: plan.channels.iter().map(|c| (c.column, c.to_si)).collect(),
            pending: vec![Vec::new(); plan.channels.len()],
            first: 0,
            next_hop: 0,
            running: false,
            begun: false,
        }
    }

    /// The filter in use.
    pub fn filter(&self) -> &Filter {
        &self.filter
    }

    /// Forgets what is pending: what comes next does not join on. Hops stay
    /// on the grid of sample 0.
    pub fn interrupt(&mut self) {
        self.begun = true;
        self.running = false;
        self.pending.iter_mut().for_each(Vec::clear);
    }

    fn hop_raw(&self) -> u64 {
        (self.hop_samples * self.factor) as u64
    }

    /// Takes a block; calls `out` for each hop it completes, in order.
    pub fn push(&mut self, block: &Block, mut out: impl FnMut(Hop)) {
        let half = self.filter.half() as u64;
        if !self.running {
            self.running = true;
            self.first = block.first_sample;
            // The first hop whose filter finds all its samples, the two that
            // the second difference looks back on included.
            let first_whole = block.first_sample.saturating_add(half.max(2));
            self.next_hop = first_whole.div_ceil(self.hop_raw());
            // A recording stands on the grid of hops of its own first sample,
            // wherever that lies in the time of a run.
            if !self.begun && block.first_sample.is_multiple_of(self.hop_raw()) {
                self.next_hop = block.first_sample / self.hop_raw();
            }
            self.begun = true;
        }
        for (row, (column, to_si)) in self.pending.iter_mut().zip(&self.columns) {
            row.extend(block.samples.row(*column).iter().map(|x| x * to_si));
        }
        let end = block
            .first_sample
            .saturating_add(block.samples.ncols() as u64);
        while self
            .last_raw_of(self.next_hop)
            .is_some_and(|last| end > last)
        {
            let hop = self.make(self.next_hop);
            self.next_hop += 1;
            out(hop);
        }
        self.discard();
    }

    /// Last raw index that hop `hop` looks at; `None` beyond what an index can
    /// say, where no hop is ever whole.
    fn last_raw_of(&self, hop: u64) -> Option<u64> {
        let end = hop.checked_add(1)?.checked_mul(self.hop_raw())?;
        let last_decimated = end - self.factor as u64;
        // The raw statistics want the whole hop, the filter its far half.
        Some((end - 1).max(last_decimated.checked_add(self.filter.half() as u64)?))
    }

    fn make(&self, number: u64) -> Hop {
        let half = self.filter.half();
        let mut samples = Array2::zeros((self.pending.len(), self.hop_samples));
        let mut raw = Vec::with_capacity(self.pending.len());
        let start = (number * self.hop_raw()) as i64 - self.first as i64;
        // What this hop looks at, and nothing else: how the samples were cut
        // into blocks must not show.
        let used_from = (start - half.max(2) as i64).max(0) as usize;
        let used_to = self
            .last_raw_of(number)
            .unwrap_or(0)
            .saturating_sub(self.first) as usize
            + 1;
        let used = used_from..used_to.max(used_from);
        for ((row, (_, to_si)), mut target) in self
            .pending
            .iter()
            .zip(&self.columns)
            .zip(samples.rows_mut())
        {
            let used = row.get(used.clone()).unwrap_or_default();
            let missing = values_missing(used);
            let held = (missing > 0).then(|| hold_last_value(row, used_from, used));
            let row = held.as_deref().unwrap_or(row);
            for (j, value) in target.iter_mut().enumerate() {
                let from = start + (j * self.factor) as i64 - half as i64;
                let to = (from + 2 * half as i64 + 1) as usize;
                *value = match usize::try_from(from) {
                    Ok(from) => row
                        .get(from..to)
                        .map_or(0.0, |window| self.filter.apply(window)),
                    // Only at the first sample of a recording: what was before counts
                    // as nothing, and the ring-up there is no hold anyway.
                    Err(_) => row.get(..to).map_or(0.0, |window| {
                        self.filter
                            .taps
                            .iter()
                            .rev()
                            .zip(window.iter().rev())
                            .map(|(t, x)| t * x)
                            .sum()
                    }),
                };
            }
            raw.push(RawHop {
                missing,
                ..self.raw_hop(row, start, *to_si)
            });
        }
        Hop {
            number,
            samples,
            raw,
        }
    }

    fn raw_hop(&self, row: &[f64], start: i64, to_si: f64) -> RawHop {
        let from = (start - 2).max(0) as usize;
        let to = (start + self.hop_raw() as i64) as usize;
        let window = row.get(from..to).unwrap_or_default();
        let limit = (self.clip_level * to_si).abs();
        let own = window
            .get((start.max(0) as usize).saturating_sub(from)..)
            .unwrap_or_default();
        let mut hop = RawHop {
            clipped: own.iter().filter(|x| x.abs() >= limit).count() as u64,
            ..RawHop::default()
        };
        for triple in window.windows(3) {
            if let [a, b, c] = triple {
                let second = a - 2.0 * b + c;
                hop.second_difference_peak = hop.second_difference_peak.max(second.abs());
                hop.second_difference_sum += second * second;
            }
        }
        hop.second_difference_count = window.len().saturating_sub(2) as u64;
        hop
    }

    /// Drops what no later hop looks at.
    fn discard(&mut self) {
        let keep_from = self
            .next_hop
            .saturating_mul(self.hop_raw())
            .saturating_sub(self.filter.half().max(2) as u64);
        let drop = keep_from.saturating_sub(self.first) as usize;
        // Moving the rest down costs as much as it is long: do it seldom.
        if drop > 4 * self.filter.half() + self.hop_raw() as usize {
            for row in &mut self.pending {
                row.drain(..drop.min(row.len()));
            }
            self.first += drop as u64;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_filter_passes_and_stops_as_designed() {
        for factor in [2, 9, 46] {
            let filter = Filter::new(factor);
            let rate = factor as f64;
            for step in 0..=100 {
                let pass = PASS_FRACTION * f64::from(step) / 100.0;
                assert!((filter.response(pass / rate) - 1.0).abs() < 1e-4);
                let stop =
                    (1.0 - PASS_FRACTION) + (0.5 * rate - 0.67).max(0.0) * f64::from(step) / 100.0;
                assert!(filter.response(stop / rate).abs() < 5e-5, "{factor} {stop}");
            }
        }
    }

    #[test]
    fn bessel_agrees_with_the_table() {
        // Abramowitz and Stegun, table 9.8: exp(−5) I0(5) = 0.18354 08126.
        assert!((bessel_i0(5.0) * (-5.0_f64).exp() - 0.183_540_812_6).abs() < 1e-10);
    }
}
