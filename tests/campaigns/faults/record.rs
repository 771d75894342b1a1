//! The samples of a dwell on a bench, rung up from rest, and what was true
//! meanwhile.

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

use super::bench::*;

/// How often the true motion is noted, s.
const NOTED_S: f64 = 0.05;

/// What the drive does at an instant.
#[derive(Debug, Clone, Copy)]
pub struct Drive {
    /// Force over that of the good dwell.
    pub force: f64,
    /// Frequency less that of the resonance.
    pub offset_hz: f64,
    /// A second tone: force likewise, and its frequency less the resonance's.
    pub second: (f64, f64),
    /// A force beside the tone, a knock, over that of the good dwell.
    pub knock: f64,
}

/// Sets what the drive does at a time, s.
pub type OnDrive = Box<dyn FnMut(f64, &mut Drive)>;
/// Changes what the sensors say at a time, s.
pub type OnFrame = Box<dyn FnMut(f64, &mut Frame)>;

/// How a kind of fault changes what is recorded.
#[derive(Default)]
pub struct Effects {
    pub drive: Option<OnDrive>,
    pub frame: Option<OnFrame>,
    /// Bits of each channel's converter, 24 where not said.
    pub bits: Option<[i32; CHANNELS]>,
    /// Stretches of which no sample arrives, s.
    pub gaps: Vec<(f64, f64)>,
}

/// The truth over a stretch of time.
#[derive(Debug, Clone, Copy)]
pub struct Truth {
    pub antinode_mm_s: f64,
    pub node_mm_s: f64,
    pub ratio: f64,
    pub power_standard_w: f64,
    pub power_flux_w: f64,
    pub power_force_w: f64,
    pub strain_damper_pp_um_m: f64,
    pub strain_end_pp_um_m: f64,
}

/// What was noted of the true motion.
pub struct Noted {
    /// Time, antinode velocity m/s, ratio.
    rows: Vec<[f64; 3]>,
}

impl Bench {
    /// Records from rest to `end_s`, in blocks of channels of SI values over
    /// full scale; `take` gets each block as channels × frames.
    pub fn record(
        &self,
        effects: Effects,
        end_s: f64,
        mut take: impl FnMut(usize, &[Vec<f64>; CHANNELS]),
    ) -> Noted {
        const BLOCK: usize = 4096;
        let Effects {
            mut drive,
            mut frame,
            bits,
            ..
        } = effects;
        let mut random = ChaCha8Rng::seed_from_u64(self.seed ^ 0x5eed);
        let dt = 1.0 / self.rate_hz;
        let omega = TAU * self.frequency_hz;
        let mut state = vec![Complex64::default(); self.modes.len()];
        let decay: Vec<Complex64> = self
            .modes
            .iter()
            .map(|mode| (mode.pole * dt).exp())
            .collect();
        // What a force of constant phasor adds in a step.
        let weights = |omega: f64| -> Vec<Complex64> {
            let tone = Complex64::new(0.0, omega);
            self.modes
                .iter()
                .zip(&decay)
                .map(|(mode, decay)| ((tone * dt).exp() - decay) / (tone - mode.pole))
                .collect()
        };
        let mut weight = weights(omega);
        let mut weighed_hz = 0.0;
        let mut now = Drive {
            force: 1.0,
            offset_hz: 0.0,
            second: (0.0, 0.0),
            knock: 0.0,
        };
        let turn = |hz: f64| Complex64::from_polar(1.0, (omega + TAU * hz) * dt);
        let (mut rotor, mut second) = (Complex64::new(1.0, 0.0), Complex64::new(1.0, 0.0));
        let (mut step, mut step_hz) = (turn(0.0), 0.0);
        let (mut second_step, mut second_hz) = (turn(0.0), 0.0);
        let scale: [f64; CHANNELS] = std::array::from_fn(|i| self.gains[i] / self.full_scale(i));
        let steps: [f64; CHANNELS] =
            std::array::from_fn(|i| 2_f64.powi(bits.map_or(24, |bits| bits[i]) - 1));
        let noted_every = (NOTED_S * self.rate_hz).round().max(1.0) as usize;
        let mut noted = Vec::new();
        let frames = (end_s * self.rate_hz) as usize;
        let mut block: [Vec<f64>; CHANNELS] = std::array::from_fn(|_| Vec::with_capacity(BLOCK));
        for n in 0..frames {
            let t = n as f64 * dt;
            if let Some(drive) = &mut drive {
                drive(t, &mut now);
                if now.offset_hz != step_hz {
                    (step, step_hz) = (turn(now.offset_hz), now.offset_hz);
                    if (step_hz - weighed_hz).abs() > 0.02 {
                        weight = weights(omega + TAU * step_hz);
                        weighed_hz = step_hz;
                    }
                }
                if now.second.1 != second_hz {
                    (second_step, second_hz) = (turn(now.second.1), now.second.1);
                }
            }
            let force = self.force_n * (now.force * rotor + now.second.0 * second + now.knock);
            let output = |i: usize| {
                let free: f64 = self
                    .modes
                    .iter()
                    .zip(&state)
                    .map(|(mode, q)| mode.residues[i].re * q.re - mode.residues[i].im * q.im)
                    .sum();
                self.direct[i].re * force.re - self.direct[i].im * force.im + free
            };
            let mut sample: Frame = std::array::from_fn(output);
            for (channel, rms) in self.noise_rms.iter().enumerate() {
                let normal: f64 = StandardNormal.sample(&mut random);
                sample[channel] += rms * normal;
                match channel {
                    NODE => sample[NODE_MOVED] += rms * normal,
                    ANTINODE => sample[ANTINODE_MOVED] += rms * normal,
                    _ => {}
                }
            }
            if let Some(frame) = &mut frame {
                frame(t, &mut sample);
            }
            for (channel, values) in block.iter_mut().enumerate() {
                let raw =
                    (sample[channel] * scale[channel] * steps[channel]).round() / steps[channel];
                values.push(raw.clamp(-1.0, 1.0 - 1.0 / steps[channel]));
            }
            if n % noted_every == 0 {
                let phasor = |i: usize| -> Complex64 {
                    let free: Complex64 = self
                        .modes
                        .iter()
                        .zip(&state)
                        .map(|(mode, q)| mode.residues[i] * q)
                        .sum();
                    self.direct[i] * force + free
                };
                let antinode = phasor(TRUE_ANTINODE);
                let ratio = (phasor(TRUE_NODE) / antinode).im.abs();
                noted.push([t, antinode.norm(), ratio]);
            }
            for ((q, decay), weight) in state.iter_mut().zip(&decay).zip(&weight) {
                *q = *q * decay + weight * force;
            }
            rotor *= step;
            second *= second_step;
            if n % 1024 == 0 {
                rotor /= rotor.norm();
                second /= second.norm();
            }
            if block[0].len() == BLOCK || n + 1 == frames {
                take(n + 1 - block[0].len(), &block);
                for values in &mut block {
                    values.clear();
                }
            }
        }
        Noted { rows: noted }
    }

    /// What was true from `from_s` to `to_s`, in the mean.
    pub fn truth(&self, noted: &Noted, from_s: f64, to_s: f64) -> Truth {
        let rows: Vec<&[f64; 3]> = noted
            .rows
            .iter()
            .filter(|row| row[0] >= from_s && row[0] <= to_s)
            .collect();
        let mean = |i: usize| rows.iter().map(|row| row[i]).sum::<f64>() / rows.len() as f64;
        let (antinode, ratio) = (mean(1), mean(2));
        let flux_ratio = ratio / self.ratio;
        Truth {
            antinode_mm_s: 1e3 * antinode,
            node_mm_s: 1e3 * antinode * ratio,
            ratio,
            power_standard_w: 0.5 * self.span.impedance_n_s_per_m() * antinode * antinode * ratio,
            power_flux_w: self.power_n_s_per_m * antinode * antinode * flux_ratio,
            power_force_w: self.force_power_n_s_per_m * antinode * antinode,
            strain_damper_pp_um_m: 2e6 * self.strain_s_per_m[0] * antinode,
            strain_end_pp_um_m: 2e6 * self.strain_s_per_m[1] * antinode,
        }
    }
}
