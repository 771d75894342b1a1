//! The moving state of the span: what is left of transients at each pole, and
//! the drive. Drive changes in, blocks of clean channel samples out. Pure.
//!
//! Each pole obeys `z' = lambda z + u` with the complex drive `u`. While `u`
//! is one exponential `exp(gamma t)`, `z = u/(gamma − lambda) + e` with a
//! remainder `e` that only decays; the settled part of a channel is then the
//! exact transfer function at `gamma`, all poles included, and the recording
//! is exact between changes of the drive. At a change `z` is continuous.

#![allow(
    clippy::indexing_slicing,
    reason = "dense kernel: rows, poles and the BLOCK-long tables are sized together in Modes::new"
)]

use num_complex::Complex64;

use super::pickup::Pickup;
use super::span::VirtualSpan;

/// Samples worked out at once.
pub(super) const BLOCK: usize = 32;

/// A tone of the drive: phasor now, N, and growth rate + j omega, 1/s.
#[derive(Debug, Clone, Copy)]
pub(super) struct Tone {
    pub(super) now: Complex64,
    pub(super) gamma: Complex64,
}

impl Tone {
    /// No drive.
    pub(super) fn silent() -> Self {
        Self {
            now: Complex64::new(0.0, 0.0),
            gamma: Complex64::new(0.0, 1.0),
        }
    }

    fn is_silent(&self) -> bool {
        self.now.norm_sqr() == 0.0
    }
}

/// Powers 0…BLOCK of one factor, split for the inner loops.
#[derive(Debug, Clone)]
struct Powers {
    re: [f64; BLOCK + 1],
    im: [f64; BLOCK + 1],
}

impl Powers {
    /// Of `exp(rate · interval)`.
    fn of(rate: Complex64, interval_s: f64) -> Self {
        let mut powers = Self {
            re: [0.0; BLOCK + 1],
            im: [0.0; BLOCK + 1],
        };
        for k in 0..=BLOCK {
            let value = (rate * (interval_s * k as f64)).exp();
            powers.re[k] = value.re;
            powers.im[k] = value.im;
        }
        powers
    }

    fn at(&self, k: usize) -> Complex64 {
        Complex64::new(self.re[k], self.im[k])
    }

    /// Adds `Re(factor · power_k)` to the k-th sample.
    fn add_to(&self, factor: Complex64, samples: &mut [f64]) {
        let n = samples.len();
        for ((x, re), im) in samples.iter_mut().zip(&self.re[..n]).zip(&self.im[..n]) {
            *x += factor.re * re - factor.im * im;
        }
    }
}

/// State of the span between changes of the drive.
#[derive(Debug, Clone)]
pub(super) struct Modes {
    interval_s: f64,
    lambda: Vec<Complex64>,
    decay: Vec<Powers>,
    remainder: Vec<Complex64>,
    /// Residues, row by row, all poles of a row together.
    residues: Vec<Complex64>,
    rows: usize,
    tones: [Tone; 2],
    turns: [Powers; 2],
    /// Digital value per newton of each tone, row by row.
    transfer: [Vec<Complex64>; 2],
}

impl Modes {
    /// A span at rest.
    pub(super) fn new(span: &VirtualSpan, rows: usize, rate_hz: f64) -> Self {
        let interval_s = 1.0 / rate_hz;
        let zero = Complex64::new(0.0, 0.0);
        let silent = Powers::of(zero, interval_s);
        let mut modes = Self {
            interval_s,
            lambda: Vec::new(),
            decay: Vec::new(),
            remainder: vec![zero; span.poles.len()],
            residues: Vec::new(),
            rows,
            tones: [Tone::silent(); 2],
            turns: [silent.clone(), silent],
            transfer: [vec![zero; rows], vec![zero; rows]],
        };
        modes.set_poles(span);
        modes
    }

    /// Takes the poles of `span`, which are the same ones, perhaps moved.
    pub(super) fn set_poles(&mut self, span: &VirtualSpan) {
        let full = self.full_state();
        self.lambda = span.poles.iter().map(|p| p.s).collect();
        self.decay = self
            .lambda
            .iter()
            .map(|s| Powers::of(*s, self.interval_s))
            .collect();
        self.restore(&full);
    }

    /// Places the sensors: `mix` of `to`, the rest of `from`.
    pub(super) fn set_pickups(
        &mut self,
        span: &VirtualSpan,
        from: &[Pickup],
        to: &[Pickup],
        mix: f64,
    ) {
        self.residues.clear();
        for row in 0..self.rows {
            self.residues.extend(
                span.poles
                    .iter()
                    .map(|pole| blend(span, &pole.residue, 0.0, from.get(row), to.get(row), mix)),
            );
        }
        for (tone, transfer) in self.tones.iter().zip(&mut self.transfer) {
            if tone.is_silent() {
                transfer.fill(Complex64::new(0.0, 0.0));
                continue;
            }
            let field = span.driven.field(tone.gamma);
            for (row, slot) in transfer.iter_mut().enumerate() {
                *slot = blend(span, &field, 1.0, from.get(row), to.get(row), mix);
            }
        }
    }

    /// `z` of every pole.
    fn full_state(&self) -> Vec<Complex64> {
        self.lambda
            .iter()
            .zip(&self.remainder)
            .map(|(lambda, e)| e + self.forced(*lambda))
            .collect()
    }

    fn restore(&mut self, full: &[Complex64]) {
        for (k, z) in full.iter().enumerate() {
            self.remainder[k] = z - self.forced(self.lambda[k]);
        }
    }

    fn forced(&self, lambda: Complex64) -> Complex64 {
        self.tones
            .iter()
            .filter(|t| !t.is_silent())
            .map(|t| t.now / (t.gamma - lambda))
            .sum()
    }

    /// Changes the drive; the state goes on from where it is. Call
    /// [`Modes::set_pickups`] afterwards.
    pub(super) fn set_drive(&mut self, tones: [Tone; 2]) {
        let full = self.full_state();
        for ((tone, turn), new) in self.tones.iter_mut().zip(&mut self.turns).zip(tones) {
            if tone.gamma != new.gamma {
                *turn = Powers::of(new.gamma, self.interval_s);
            }
            *tone = new;
        }
        self.restore(&full);
    }

    /// The drive as it is now.
    pub(super) fn tones(&self) -> [Tone; 2] {
        self.tones
    }

    /// Forgets all transients: the recording was paused until they were gone.
    pub(super) fn settle(&mut self) {
        self.remainder.fill(Complex64::new(0.0, 0.0));
    }

    /// Adds to the state of every pole.
    pub(super) fn kick(&mut self, amounts: impl Iterator<Item = Complex64>) {
        for (e, amount) in self.remainder.iter_mut().zip(amounts) {
            *e += amount;
        }
    }

    /// Transients left in a row over its settled motion under the first tone.
    pub(super) fn unsettled(&self, row: usize) -> f64 {
        let poles = self.lambda.len();
        let left: f64 = self.residues[row * poles..(row + 1) * poles]
            .iter()
            .zip(&self.remainder)
            .map(|(r, e)| (r * e).norm())
            .sum();
        left / (self.transfer[0][row] * self.tones[0].now).norm()
    }

    /// The next `frames` ≤ [`BLOCK`] clean samples of every row, each row in
    /// its own BLOCK-long part of `block`.
    pub(super) fn advance(&mut self, frames: usize, block: &mut [f64]) {
        let poles = self.lambda.len();
        for (row, samples) in block.chunks_exact_mut(BLOCK).enumerate() {
            let samples = &mut samples[..frames];
            samples.fill(0.0);
            for tone in 0..2 {
                if !self.tones[tone].is_silent() {
                    let factor = self.transfer[tone][row] * self.tones[tone].now;
                    self.turns[tone].add_to(factor, samples);
                }
            }
            let residues = &self.residues[row * poles..(row + 1) * poles];
            for ((residue, e), decay) in residues.iter().zip(&self.remainder).zip(&self.decay) {
                let factor = residue * e;
                // Far below the last bit of any converter.
                if factor.norm_sqr() > 1e-26 {
                    decay.add_to(factor, samples);
                }
            }
        }
        for (e, decay) in self.remainder.iter_mut().zip(&self.decay) {
            *e *= decay.at(frames);
        }
        for (tone, turn) in self.tones.iter_mut().zip(&self.turns) {
            tone.now *= turn.at(frames);
        }
    }
}

fn blend(
    span: &VirtualSpan,
    field: &super::beam::DisplacementField,
    direct: f64,
    from: Option<&Pickup>,
    to: Option<&Pickup>,
    mix: f64,
) -> Complex64 {
    let zero = Complex64::new(0.0, 0.0);
    let read = |p: Option<&Pickup>| p.map_or(zero, |p| p.read(&span.driven, field, direct));
    if mix >= 1.0 {
        return read(to);
    }
    read(from) * (1.0 - mix) + read(to) * mix
}
