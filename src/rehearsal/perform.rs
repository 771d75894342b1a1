//! Performing a program: span, program and sensors in; samples out, chunk by
//! chunk, and the truth of every dwell. Pure, flat in memory.

#![allow(
    clippy::indexing_slicing,
    reason = "stages are indexed by a cursor that stays below their number; rows and blocks are sized in Performance::new"
)]

use ndarray::Array2;
use num_complex::Complex64;
use std::f64::consts::TAU;

use super::RehearsalError;
use super::modes::{BLOCK, Modes, Tone};
use super::program::{Program, Transition};
use super::sensors::{Converter, Noise, Sensors};
use super::span::VirtualSpan;
use super::stage::{Pickup, Stage};
use super::truth::{DwellTruth, Opportunity};
use crate::setup::Role;

/// A whole rehearsal in memory.
#[derive(Debug, Clone)]
pub struct Rehearsal {
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Rows: the setup's channels by their `index`; columns: frames. Digital
    /// full scale is 1.
    pub samples: Array2<f64>,
    /// The truth of every dwell, in order.
    pub truth: Vec<DwellTruth>,
}

/// Performs a whole program. The same arguments give the same samples.
pub fn perform(
    span: &VirtualSpan,
    program: &Program,
    sensors: &Sensors,
    rate_hz: f64,
    seed: u64,
) -> Result<Rehearsal, RehearsalError> {
    let mut performance = Performance::new(span, program, sensors, rate_hz, seed)?;
    let frames = performance.frames() as usize;
    let mut samples = Array2::zeros((performance.rows(), frames));
    let mut at = 0;
    while let Some(block) = performance.next_block() {
        for (mut row, values) in samples.rows_mut().into_iter().zip(block.rows()) {
            for (slot, value) in row.iter_mut().skip(at).zip(values) {
                *slot = *value;
            }
        }
        at += block.frames;
    }
    Ok(Rehearsal {
        rate_hz,
        samples,
        truth: performance.into_truth(),
    })
}

/// A program being performed.
#[derive(Debug, Clone)]
pub struct Performance {
    span: VirtualSpan,
    /// The span as it is while its tension drifts.
    drifted: Option<VirtualSpan>,
    rate_hz: f64,
    stages: Vec<Stage>,
    stage: usize,
    frame: u64,
    lead_in: u64,
    frames: u64,
    piece_left: u64,
    may_settle: bool,
    /// Frequency and source force at the end of the stage before.
    drive_before: (f64, f64),
    modes: Modes,
    converters: Vec<Converter>,
    noise: Vec<Noise>,
    /// Digital full scale per unit, row by row.
    digital: Vec<f64>,
    antinode_row: usize,
    mains: Complex64,
    mains_turn: Complex64,
    mains_block: Vec<Complex64>,
    block: Vec<f64>,
    settled: Intervals,
    nearly: Intervals,
}

/// Some frames of every row, at most 32.
#[derive(Debug, Clone, Copy)]
pub struct Block<'a> {
    /// Number of frames.
    pub frames: usize,
    values: &'a [f64],
}

impl<'a> Block<'a> {
    /// The rows, each `frames` long.
    pub fn rows(&self) -> impl Iterator<Item = &'a [f64]> + use<'a> {
        let frames = self.frames;
        self.values
            .chunks_exact(BLOCK)
            .map(move |row| &row[..frames])
    }

    /// Value of a row at a frame of this block.
    pub fn value(&self, row: usize, frame: usize) -> f64 {
        self.values[row * BLOCK + frame]
    }
}

/// Intervals in which something was so, in frames.
#[derive(Debug, Clone, Default)]
struct Intervals {
    open: Option<u64>,
    closed: Vec<[u64; 2]>,
}

impl Intervals {
    fn note(&mut self, so: bool, frame: u64) {
        match (so, self.open) {
            (true, None) => self.open = Some(frame),
            (false, Some(start)) => {
                self.closed.push([start, frame]);
                self.open = None;
            }
            _ => {}
        }
    }

    fn take(&mut self, frame: u64) -> Vec<[u64; 2]> {
        self.note(false, frame);
        std::mem::take(&mut self.closed)
    }
}

impl Performance {
    /// Prepares a program. `rate_hz` must be at least four times every drive
    /// frequency.
    pub fn new(
        span: &VirtualSpan,
        program: &Program,
        sensors: &Sensors,
        rate_hz: f64,
        seed: u64,
    ) -> Result<Self, RehearsalError> {
        let channels = &span.setup.channels;
        if channels.iter().any(|c| c.source != 0) {
            return Err(RehearsalError::Sources);
        }
        let rows = channels.iter().map(|c| c.index + 1).max().unwrap_or(0);
        let lead_in = (program.lead_in_s * rate_hz).round() as u64;
        let mut stages = Vec::new();
        let mut frame = lead_in;
        for step in &program.steps {
            let stage = Stage::new(span, step, sensors, rows, frame, rate_hz)?;
            let highest = stage.frequency_hz;
            if !(rate_hz.is_finite() && rate_hz >= 4.0 * highest) {
                return Err(RehearsalError::Rate { rate_hz, highest });
            }
            frame = stage.frames[2];
            stages.push(stage);
        }
        let mut noise = vec![Noise::None; rows];
        let mut digital = vec![0.0; rows];
        let mut converters: Vec<Converter> = Vec::new();
        for row in 0..rows {
            let found = channels.iter().enumerate().find(|(_, c)| c.index == row);
            let sensor = found.map_or(sensors.default, |(k, _)| sensors.sensor(k));
            digital[row] = found.map_or(0.0, |(_, c)| 1.0 / c.full_scale);
            noise[row] = sensor.noise;
            let levels = sensors.quantisation;
            converters.push(Converter::new(
                &sensor,
                digital[row],
                row as u64,
                seed,
                levels,
            ));
        }
        let antinode = channels.iter().find(|c| c.role == Role::Antinode);
        Ok(Self {
            span: span.clone(),
            drifted: None,
            rate_hz,
            stage: 0,
            frame: 0,
            lead_in,
            frames: frame + (program.lead_out_s * rate_hz).round() as u64,
            piece_left: 0,
            may_settle: false,
            // The first stage comes up from nothing a little below its own.
            drive_before: (stages.first().map_or(1.0, |s| 0.97 * s.frequency_hz), 0.0),
            modes: Modes::new(span, rows, rate_hz),
            converters,
            noise,
            digital,
            antinode_row: antinode.map_or(0, |c| c.index),
            mains: Complex64::new(1.0, 0.0),
            mains_turn: Complex64::from_polar(1.0, TAU * sensors.mains_hz / rate_hz),
            mains_block: vec![Complex64::new(1.0, 0.0); BLOCK],
            block: vec![0.0; rows * BLOCK],
            settled: Intervals::default(),
            nearly: Intervals::default(),
            stages,
        })
    }

    /// Rows of the recording: highest channel `index` and one.
    pub fn rows(&self) -> usize {
        self.converters.len()
    }

    /// Frames of the whole performance.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Sampling rate, Hz.
    pub fn rate_hz(&self) -> f64 {
        self.rate_hz
    }

    /// Number of the dwell being performed, from 1, and of all dwells.
    pub fn progress(&self) -> (usize, usize) {
        ((self.stage + 1).min(self.stages.len()), self.stages.len())
    }

    /// The truth of the dwells performed so far; complete when
    /// [`Performance::next_block`] has returned `None`.
    pub fn into_truth(mut self) -> Vec<DwellTruth> {
        self.stages.truncate(self.stage);
        self.stages.into_iter().map(|s| s.truth).collect()
    }

    /// The next few frames, `None` at the end. Their number does not depend
    /// on how the caller reads, so neither do the samples.
    pub fn next_block(&mut self) -> Option<Block<'_>> {
        if self.frame >= self.frames {
            if let Some(stage) = self.stages.get(self.stage)
                && self.frame >= stage.frames[2]
            {
                self.close_stage();
            }
            return None;
        }
        if self.piece_left == 0 {
            self.next_piece();
        }
        let frames = (self.piece_left as usize).min(BLOCK);
        let left = if self.may_settle {
            self.modes.unsettled(self.antinode_row)
        } else {
            f64::INFINITY
        };
        self.settled.note(left < 0.005, self.frame);
        self.nearly.note(left < 0.03, self.frame);
        self.modes.advance(frames, &mut self.block);
        for phasor in self.mains_block.iter_mut().take(frames) {
            *phasor = self.mains;
            self.mains *= self.mains_turn;
        }
        // The recurrence must not fade over hours.
        self.mains /= self.mains.norm();
        for (converter, samples) in self
            .converters
            .iter_mut()
            .zip(self.block.chunks_exact_mut(BLOCK))
        {
            converter.convert(&mut samples[..frames], &self.mains_block);
        }
        self.frame += frames as u64;
        self.piece_left -= frames as u64;
        Some(Block {
            frames,
            values: &self.block,
        })
    }

    /// Finds how the drive goes on from the present frame, and how long.
    fn next_piece(&mut self) {
        while self.stage < self.stages.len() && self.frame >= self.stages[self.stage].frames[2] {
            self.close_stage();
        }
        if self.frame < self.lead_in || self.stage >= self.stages.len() {
            self.silence();
            return;
        }
        let frame = self.frame;
        let stage = &self.stages[self.stage];
        let [begin, dwell, end] = stage.frames;
        let seconds = |f: u64| (f as f64 - dwell as f64) / self.rate_hz;
        let t = seconds(frame);
        let next_break = stage
            .breaks()
            .map(|at| dwell + (at * self.rate_hz).round() as u64)
            .chain([dwell, end])
            .filter(|f| *f > frame)
            .min()
            .unwrap_or(end);
        let varying = (0.016 * self.rate_hz).ceil() as u64;
        let length = if stage.is_steady(t) {
            next_break - frame
        } else {
            varying.clamp(1, next_break - frame)
        };
        let before = self.drive_before;
        let from = stage.drive(t, before);
        // Just before the end: the value after it may have jumped.
        let to = stage.drive(seconds(frame + length) - 1e-9, before);
        let growth = if from.1 > 0.0 && to.1 > 0.0 {
            (to.1 / from.1).ln() * self.rate_hz / length as f64
        } else {
            0.0
        };
        let omega = TAU * 0.5 * (from.0 + to.0);
        let [first, second] = self.modes.tones();
        let gamma = Complex64::new(growth, omega);
        let mut tones = [tone(first, from.1, gamma), Tone::silent()];
        if let (Some((ratio, hz)), true) = (stage.second, frame >= dwell) {
            tones[1] = tone(second, ratio * from.1, Complex64::new(growth, TAU * hz));
        }
        let mix = if frame >= dwell {
            1.0
        } else {
            (frame - begin) as f64 / (dwell - begin) as f64
        };
        self.may_settle = stage.may_settle(t);
        self.piece_left = length;
        self.begin_piece(tones, mix, t);
    }

    fn begin_piece(&mut self, tones: [Tone; 2], mix: f64, t: f64) {
        let stage = &self.stages[self.stage];
        let ratio = stage.tension_ratio(t);
        if (ratio - 1.0).abs() > 0.0 || self.drifted.is_some() {
            let from = self.drifted.take();
            let moved = from
                .as_ref()
                .unwrap_or(&self.span)
                .with_tension(&self.span, ratio);
            self.modes.set_poles(&moved);
            self.drifted = ((ratio - 1.0).abs() > 0.0).then_some(moved);
        }
        let span = self.drifted.as_ref().unwrap_or(&self.span);
        self.modes.set_drive(tones);
        let before = &self.stages[self.stage.saturating_sub(1)].pickups;
        self.modes.set_pickups(span, before, &stage.pickups, mix);
        if stage.step.transition == Transition::Settled && self.frame == stage.frames[1] {
            self.modes.settle();
        }
        self.knock(t);
        self.set_converters();
    }

    /// A knock is felt by every pole by its motion at the place hit, over that
    /// at the drive point.
    fn knock(&mut self, t: f64) {
        let stage = &self.stages[self.stage];
        let now = |at_s: f64| (at_s - t).abs() * self.rate_hz < 0.75;
        let Some((_, strength)) = stage.knocks().find(|(at_s, _)| now(*at_s)) else {
            return;
        };
        let x = stage.antinode_m;
        let per_newton_second: Vec<Complex64> = self
            .span
            .poles
            .iter()
            .map(|pole| {
                // What dies within a cycle is nothing one could hear, and its
                // part at the drive point is below the last bit.
                if -pole.s.re > 0.15 * pole.s.im {
                    return Complex64::new(0.0, 0.0);
                }
                let [hit, ..] = pole.residue.at(x);
                let [drive, ..] = pole.residue.at(self.span.drive_m);
                // A soft hammer: a contact of some 3 ms.
                let softness = (-0.5 * (pole.s.im * 0.003).powi(2)).exp();
                hit / drive * 2.0 * softness
            })
            .collect();
        let velocity: f64 = self
            .span
            .poles
            .iter()
            .zip(&per_newton_second)
            .map(|(pole, kick)| {
                let [y, ..] = pole.residue.at(x);
                (pole.s * y * kick).norm_sqr()
            })
            .sum::<f64>()
            .sqrt();
        let impulse = strength * 1e-3 * stage.truth.antinode_velocity_mm_s / velocity;
        self.modes
            .kick(per_newton_second.iter().map(|k| k * impulse));
    }

    /// Faults and noise of the present stage.
    fn set_converters(&mut self) {
        let stage = &self.stages[self.stage];
        let dwelling = self.frame >= stage.frames[1];
        for (row, converter) in self.converters.iter_mut().enumerate() {
            converter.peak = stage.peaks[row];
            converter.noise_rms = match self.noise[row] {
                Noise::None => 0.0,
                Noise::SnrDb(db) => converter.peak * 0.5f64.sqrt() * 10f64.powf(-db / 20.0),
                Noise::Rms(rms) => rms * self.digital[row],
            };
            converter.clear_faults();
            if dwelling {
                converter.take_faults(&stage.step.faults, row);
            }
        }
    }

    fn silence(&mut self) {
        let last = self.frame >= self.lead_in;
        self.may_settle = false;
        self.piece_left = if last { self.frames } else { self.lead_in } - self.frame;
        self.modes.set_drive([Tone::silent(); 2]);
        let nearest = if last {
            self.stages.last()
        } else {
            self.stages.first()
        };
        let none: &[Pickup] = &[];
        let pickups = nearest.map_or(none, |s| &s.pickups);
        self.modes.set_pickups(&self.span, pickups, pickups, 1.0);
        if last {
            for converter in &mut self.converters {
                converter.clear_faults();
            }
        } else if !self.stages.is_empty() {
            self.set_converters();
        }
    }

    /// Ends the present stage and writes down what became of it.
    fn close_stage(&mut self) {
        let rate = self.rate_hz;
        let settled = self.settled.take(self.frame);
        let nearly = self.nearly.take(self.frame);
        let hold = &self.span.setup.hold;
        let number = self.stage + 1;
        let stage = &mut self.stages[self.stage];
        let truth = &mut stage.truth;
        let [begin, dwell, end] = stage.frames.map(|f| f as f64 / rate);
        truth.dwell = number;
        truth.transition_start_s = begin;
        truth.start_s = dwell;
        truth.end_s = end;
        truth.settled_s = settled.iter().map(|i| i.map(|f| f as f64 / rate)).collect();
        let wait = hold.ring_up_time_constants * truth.time_constant_s;
        let changes: Vec<f64> = stage.step.faults.iter().fold(vec![dwell], |mut all, f| {
            all.extend(f.disturbs_at_s().map(|at| dwell + at));
            all
        });
        let after_wait = truth.settled_s.iter().map(|[start, end]| {
            let last = changes
                .iter()
                .filter(|c| *c < end)
                .fold(dwell, |a, b| a.max(*b));
            end - start.max(last + wait)
        });
        let opportunity = Opportunity {
            settled_after_wait_s: after_wait.fold(0.0, f64::max),
            nearly_settled_s: nearly
                .iter()
                .map(|[start, end]| (end - start) as f64 / rate)
                .fold(0.0, f64::max),
        };
        let hold_s = hold.min_seconds.max(hold.min_cycles / truth.frequency_hz);
        truth.judge(opportunity, hold_s);
        self.drive_before = stage.drive(stage.step.duration_s, self.drive_before);
        self.stage += 1;
    }
}

/// A tone that goes on in the phase of `last` with amplitude `force`.
fn tone(last: Tone, force: f64, gamma: Complex64) -> Tone {
    let size = last.now.norm();
    let phase = if size > 0.0 {
        last.now / size
    } else {
        Complex64::new(1.0, 0.0)
    };
    Tone {
        now: phase * force,
        gamma,
    }
}
