//! Performing a program: span, program and sensors in; samples out, chunk by
//! chunk, and the truth of every dwell. Pure, flat in memory.

#![allow(
    clippy::indexing_slicing,
    reason = "stages are indexed by a cursor that stays below their number; rows and blocks are sized in Performance::new"
)]

use ndarray::Array2;
use num_complex::Complex64;
use std::f64::consts::TAU;

use super::error::RehearsalError;
use super::modes::{BLOCK, Modes};
use super::outcome::{Intervals, Settling, conclude};
use super::program::Program;
use super::sensors::{Converter, Noise, Sensors};
use super::span::VirtualSpan;
use super::stage::Stage;
use super::truth::DwellTruth;
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
    pub(super) span: VirtualSpan,
    /// The span as it is while its tension drifts.
    pub(super) drifted: Option<VirtualSpan>,
    pub(super) rate_hz: f64,
    pub(super) stages: Vec<Stage>,
    pub(super) stage: usize,
    pub(super) frame: u64,
    pub(super) lead_in: u64,
    pub(super) frames: u64,
    pub(super) piece_left: u64,
    pub(super) may_settle: bool,
    /// Frequency and source force at the end of the stage before.
    pub(super) drive_before: (f64, f64),
    pub(super) modes: Modes,
    pub(super) converters: Vec<Converter>,
    pub(super) noise: Vec<Noise>,
    /// Digital full scale per unit, row by row.
    pub(super) digital: Vec<f64>,
    pub(super) antinode_row: usize,
    pub(super) mains: Complex64,
    pub(super) mains_turn: Complex64,
    pub(super) mains_block: Vec<Complex64>,
    pub(super) block: Vec<f64>,
    pub(super) settled: Intervals,
    pub(super) nearly: Intervals,
}

/// Some frames of every row, at most 32.
#[derive(Debug, Clone, Copy)]
pub struct SampleRows<'a> {
    /// Number of frames.
    pub frames: usize,
    values: &'a [f64],
}

impl<'a> SampleRows<'a> {
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
        let channels = &span.driven.setup.channels;
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
        let of_role = |role| channels.iter().find(|c| c.role == role);
        let antinode = of_role(Role::Antinode).or_else(|| of_role(Role::Wave));
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
    pub fn next_block(&mut self) -> Option<SampleRows<'_>> {
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
        Some(SampleRows {
            frames,
            values: &self.block,
        })
    }

    /// Ends the present stage and writes down what became of it.
    pub(super) fn close_stage(&mut self) {
        let settling = Settling {
            settled: self.settled.take(self.frame),
            nearly: self.nearly.take(self.frame),
        };
        let stage = &mut self.stages[self.stage];
        self.stage += 1;
        let hold = &self.span.driven.setup.hold;
        conclude(stage, self.stage, &settling, hold, self.rate_hz);
        self.drive_before = stage.drive(stage.step.duration_s, self.drive_before);
    }
}
