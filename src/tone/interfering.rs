//! Interfering tones of a hold: what stands out of what the fit of the drive's tone leaves
//! over, mains hum above all. Pure.
//!
//! They are sought at a lower rate: below 130 Hz, or twice the sweep, nothing is lost by that,
//! and the transforms are as much shorter.

#![expect(clippy::disallowed_types, reason = "plans the transforms of `Search`")]

use ndarray::{ArrayView1, ArrayView2, Axis};
use realfft::RealFftPlanner;

use super::cascade::Cascade;
use super::filter::{Filter, PASS_FRACTION, largest_factor};
use super::fit::{ChannelFit, Model, ToneGuess, contiguous, fit};
use super::hold_sums::KEPT_VALUES;
use super::plan::TonePlan;
use super::search::Search;
use super::spectrum::LANES;
use crate::maths;

/// Most interfering tones fitted along in one channel.
const INTERFERING_TONES: usize = 4;
/// An interfering tone stands at least this many resolution widths (1/length)
/// from the drive frequency and its harmonics; closer by, it is part of the
/// tone.
const INTERFERING_DISTANCE: f64 = 1.5;
/// The rate at which interfering tones are sought is at least so many times their highest
/// frequency: up to there nothing is folded, and what the filter takes of a tone it takes of the
/// noise about it.
const RATE_OVER_HIGH: f64 = 1.0 / PASS_FRACTION;

/// A first guess of a tone without harmonics.
pub(super) fn single(frequency_hz: f64) -> ToneGuess {
    ToneGuess {
        frequency_hz,
        free: true,
        orders: 1,
    }
}

/// The tones on the channels marked, each once.
pub(super) fn distinct(channels: &[Vec<f64>], marked: &[bool]) -> Vec<f64> {
    let mut lines: Vec<f64> = channels
        .iter()
        .zip(marked)
        .filter(|(_, marked)| **marked)
        .flat_map(|(lines, _)| lines.iter().copied())
        .collect();
    lines.sort_by(f64::total_cmp);
    lines.dedup_by(|a, b| (*a - *b).abs() < 0.3);
    lines.truncate(INTERFERING_TONES);
    lines
}

/// Up to where interfering tones are sought, Hz.
pub(super) fn highest_line_hz(plan: &TonePlan) -> f64 {
    (2.0 * plan.search_high_hz)
        .max(130.0)
        .min(0.45 * plan.decimated_rate_hz())
}

/// The search. Keeps nothing of a hold but the plans of its transforms.
pub(super) struct InterferingSearch {
    low_hz: f64,
    high_hz: f64,
    /// What the rate of the samples is divided by first.
    factor: usize,
    filter: Filter,
    rate_hz: f64,
    planner: RealFftPlanner<f64>,
    /// For the length of the hold before.
    search: Option<Search>,
    /// What is left of some channels at the lower rate, for its memory; not of a long hold.
    rest: Vec<Vec<f64>>,
}

impl InterferingSearch {
    /// For the decimated samples of a source.
    pub fn new(plan: &TonePlan) -> Self {
        let high_hz = highest_line_hz(plan);
        let most = plan.decimated_rate_hz() / (RATE_OVER_HIGH * high_hz);
        let factor = largest_factor(most as usize);
        Self {
            low_hz: 0.3 * plan.search_low_hz,
            high_hz,
            factor,
            filter: Filter::new(factor),
            rate_hz: plan.decimated_rate_hz() / factor as f64,
            planner: RealFftPlanner::new(),
            search: None,
            rest: Vec::new(),
        }
    }

    /// The interfering tones of each channel, Hz, beside a drive at `drive_hz`: the
    /// lines of what `model` leaves of a hold's `hops`, channels × samples each, the highest one
    /// first. `parameters` are the model's in each channel.
    pub fn tones(
        &mut self,
        hops: &[ArrayView2<f64>],
        (model, parameters): (&Model, &[Vec<f64>]),
        drive_hz: f64,
    ) -> Vec<Vec<f64>> {
        let mut channels = Vec::with_capacity(parameters.len());
        let mut rest = std::mem::take(&mut self.rest);
        for (group, parameters) in parameters.chunks(LANES).enumerate() {
            self.slow_down(hops, group, (model, parameters), &mut rest);
            channels.extend(rest.iter_mut().map(|row| self.lines(row, drive_hz)));
        }
        if rest.iter().map(Vec::len).sum::<usize>() <= KEPT_VALUES {
            self.rest = rest;
        }
        channels
    }

    /// Those of one channel, from what is left of it at the lower rate; they are taken off.
    fn lines(&mut self, row: &mut [f64], drive_hz: f64) -> Vec<f64> {
        let width_hz = INTERFERING_DISTANCE * self.rate_hz / row.len().max(1) as f64;
        let mut lines: Vec<f64> = Vec::new();
        while lines.len() < INTERFERING_TONES {
            let Some(line_hz) = self.line(row) else {
                break;
            };
            let order = (line_hz / drive_hz).round().max(1.0);
            let apart = (line_hz - order * drive_hz).abs() >= width_hz
                && lines
                    .iter()
                    .all(|other| (other - line_hz).abs() >= width_hz);
            if !apart {
                break;
            }
            let line = [single(line_hz)];
            let view = ArrayView1::from(&*row).insert_axis(Axis(0));
            let Ok(fitted) = fit(view, self.rate_hz, &line, &[true]) else {
                break;
            };
            let model = Model::new(row.len(), self.rate_hz, &fitted.found(&line));
            let parameters = fitted.channels.first().map(ChannelFit::parameters);
            model.take_off(0, vec![(row, &parameters.unwrap_or_default())]);
            lines.extend(fitted.frequencies.iter().map(|f| f.frequency_hz));
        }
        lines
    }

    /// The line that stands out most in one channel, Hz.
    fn line(&mut self, row: &[f64]) -> Option<f64> {
        let planner = &mut self.planner;
        let search = match self.search.take() {
            Some(search) if search.samples() == row.len() => search,
            Some(search) => search.resized(planner, row.len()),
            None => Search::planned(planner, row.len(), self.rate_hz),
        };
        let search = self.search.insert(search);
        let row = ArrayView1::from(row).insert_axis(Axis(0));
        search.peak(row, &[true], self.low_hz, self.high_hz)
    }

    /// What the model leaves of a group of channels, at the lower rate, behind the filter, into
    /// `rest`.
    fn slow_down(
        &self,
        hops: &[ArrayView2<f64>],
        group: usize,
        (model, parameters): (&Model, &[Vec<f64>]),
        rest: &mut Vec<Vec<f64>>,
    ) {
        let most = hops.iter().map(ArrayView2::ncols).sum::<usize>() / self.factor + 1;
        rest.resize_with(parameters.len(), Vec::new);
        for row in &mut *rest {
            row.clear();
            row.reserve_exact(most);
        }
        // One hop at a time: it stays in the first-level cache.
        let mut fast: Vec<Vec<f64>> = vec![Vec::new(); parameters.len()];
        let mut slow = Vec::new();
        let width = parameters.len().max(1);
        let mut cascade = Cascade::new(&self.filter, width);
        let mut first = 0;
        for hop in hops {
            let length = hop.ncols();
            let channels = hop.rows().into_iter().skip(group * LANES);
            for (fast, row) in fast.iter_mut().zip(channels) {
                fast.clear();
                fast.extend_from_slice(&contiguous(row));
            }
            let taken = fast.iter_mut().zip(parameters);
            let taken = taken.map(|(fast, parameters)| (&mut fast[..], &parameters[..]));
            model.take_off(first, taken.collect());
            first += length;
            let frames = cascade.next(length);
            for (channel, fast) in fast.iter().enumerate() {
                let places = frames.iter_mut().skip(channel).step_by(width);
                for (place, x) in places.zip(fast) {
                    *place = *x;
                }
            }
            slow.clear();
            maths::wide!(cascade.run_next(&mut slow));
            for (channel, row) in rest.iter_mut().enumerate() {
                row.extend(slow.iter().skip(channel).step_by(width));
            }
        }
    }
}
