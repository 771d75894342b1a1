//! How the drive goes on: the present frame in, the next piece of constant or
//! evenly changing drive out, with the faults that begin there. Pure.

#![allow(
    clippy::indexing_slicing,
    reason = "stages are indexed by a cursor that is checked against their number first"
)]

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::modes::Tone;
use super::perform::Performance;
use super::pickup::Pickup;
use super::program::Transition;
use super::sensors::Noise;

impl Performance {
    /// Finds how the drive goes on from the present frame, and how long.
    pub(super) fn next_piece(&mut self) {
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
        let varying = (stage.varying_s(t) * self.rate_hz).ceil() as u64;
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
        self.strike(t);
        self.set_converters();
    }

    /// An impact is felt by every pole by its motion at the place hit, over that
    /// at the drive point.
    fn strike(&mut self, t: f64) {
        let stage = &self.stages[self.stage];
        let now = |at_s: f64| (at_s - t).abs() * self.rate_hz < 0.75;
        let Some((_, strength)) = stage.impacts().find(|(at_s, _)| now(*at_s)) else {
            return;
        };
        let x = stage.antinode_m;
        let per_newton_second: Vec<Complex64> = self
            .span
            .poles
            .iter()
            .map(|pole| {
                // What dies within a cycle is no audible vibration, and its
                // part at the drive point is below the last bit.
                if -pole.s.re > 0.15 * pole.s.im {
                    return Complex64::new(0.0, 0.0);
                }
                let [hit, ..] = pole.residue.at(x);
                let [drive, ..] = pole.residue.at(self.span.driven.drive_m);
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
