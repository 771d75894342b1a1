//! A random span with and without its damper, losing power in one way or
//! another, and what a perfect bench reads at a resonance of it.

use num_complex::Complex64;
use spanhold::setup::Setup;
use std::f64::consts::{PI, TAU};

use super::field::{Attached, Conductor, Field};
use crate::bench::readings::TrueReading;
use crate::bench::virtual_span::Chance;

/// Where the bare span loses its power, beside a little at the clamp and along
/// the conductor that every span loses.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// At the end clamp behind the damper.
    Clamp,
    /// At the end clamp behind the drive.
    Drive,
    /// Along the conductor, by its motion.
    Air,
    /// Along the conductor, by its bending.
    Bending,
    /// In the holder of the antinode sensor, on the drive's side of the node.
    Holder,
    /// At both clamps and along the conductor.
    Everywhere,
    /// In the holder of an antinode sensor between node and damper.
    HolderBehind,
}

pub const LOSSES: [Loss; 7] = [
    Loss::Clamp,
    Loss::Drive,
    Loss::Air,
    Loss::Bending,
    Loss::Holder,
    Loss::Everywhere,
    Loss::HolderBehind,
];

/// Level of every reading, mm/s peak at the antinode.
const LEVEL_MM_S: f64 = 200.0;
/// A node nearer to the damper than this many fading lengths is not read: the
/// near field is then above 5 %.
const CLEAR_LENGTHS: f64 = 3.0;
/// Nor one nearer than this part of a loop: the damper's clamp is there.
const CLEAR_LOOPS: f64 = 0.08;
/// A drive that moves less than this part of the antinode sits by a node of its
/// own; nobody measures there.
const DRIVE_MOVES: f64 = 0.25;

pub struct Bench {
    pub loss: Loss,
    conductor: Conductor,
    diameter_mm: f64,
    damper_m: f64,
    drive_m: f64,
    /// Mass, natural frequency and damping ratio of the damper's parts.
    resonators: [(f64, f64, f64); 4],
    clamp_kg: f64,
    /// Dashpot of the sensor's holder, N s/m.
    holder: f64,
    /// Which node is read, from the damper, in the damped and in the bare run.
    pub nodes: [u32; 2],
}

/// What is true at a resonance.
pub struct Truth {
    pub reading: TrueReading,
    /// Into the damper, W.
    pub damper_w: f64,
    /// Of the node, from the drive-end clamp.
    pub node_m: f64,
    /// Of the antinode that is read, from there.
    pub antinode_m: f64,
}

struct State {
    field: Field,
    node_m: f64,
    antinode_m: f64,
}

impl Bench {
    pub fn new(chance: &mut Chance) -> Self {
        let loss = LOSSES[chance.below(LOSSES.len())];
        Self::losing(loss, chance)
    }

    pub fn losing(loss: Loss, chance: &mut Chance) -> Self {
        let mass = chance.between(0.7, 1.7);
        let scale = mass / 0.98;
        let diameter_mm = 21.8 * scale.sqrt();
        let length_m = chance.between(28.0, 45.0);
        let tension_n = 18_000.0 * scale * chance.between(0.7, 1.3);
        let impedance = (tension_n * mass).sqrt();
        let stiffness = 180.0 * scale * scale * chance.between(0.7, 1.3);
        // Each way of losing power gives the bare span this ratio by itself.
        let ratio = chance.between(0.002, 0.02);
        let part = |is: &[Loss]| if is.contains(&loss) { ratio } else { 0.0 };
        let clamp = 0.001 + part(&[Loss::Clamp]) + 0.3 * part(&[Loss::Everywhere]);
        let drive = part(&[Loss::Drive]) + 0.3 * part(&[Loss::Everywhere]);
        let air = 0.0005 + 1.5 * part(&[Loss::Air]) + 0.5 * part(&[Loss::Everywhere]);
        // At 40 Hz, growing with the fourth power of the frequency.
        let k = TAU * 40.0 * (mass / tension_n).sqrt();
        let bending = part(&[Loss::Bending]);
        let damping = chance.between(0.15, 0.25);
        let resonators = [(1.9, 9.5), (1.3, 17.0), (0.8, 31.0), (0.5, 52.0)].map(|(kg, hz)| {
            (
                kg * scale,
                hz * chance.between(0.85, 1.15) / scale.sqrt(),
                damping,
            )
        });
        let node = 1 + chance.below(5) as u32;
        // Mostly the same node in both runs.
        let other = 1 + chance.below(5) as u32;
        let bare_node = if chance.below(3) == 0 { other } else { node };
        Self {
            loss,
            conductor: Conductor {
                length_m,
                tension_n,
                mass_kg_per_m: mass,
                stiffness_n_m2: stiffness,
                viscous: 2.0 * air * impedance / length_m,
                bending_loss_s: 2.0 * bending * impedance / (stiffness * k.powi(4) * length_m),
                mobility: [drive / impedance, clamp / impedance],
            },
            diameter_mm,
            damper_m: length_m - chance.between(0.6, 1.4),
            drive_m: chance.between(0.8, 1.8),
            resonators,
            clamp_kg: 0.6 * scale,
            holder: impedance * part(&[Loss::Holder, Loss::HolderBehind]),
            nodes: [node, bare_node],
        }
    }

    /// The setups of both runs, with what is true in them.
    pub fn setups(&self) -> [Setup; 2] {
        let texts = [
            include_str!("../../../config/damped-trial.toml"),
            include_str!("../../../config/bare-trial.toml"),
        ];
        let mut setups = texts.map(|text| spanhold::setup::parse(text, "trial.toml").unwrap());
        for (setup, node) in setups.iter_mut().zip(self.nodes) {
            setup.conductor.diameter_mm = self.diameter_mm;
            setup.conductor.mass_kg_per_m = self.conductor.mass_kg_per_m;
            setup.conductor.bending_stiffness_n_m2 = Some(self.conductor.stiffness_n_m2);
            setup.span.length_m = self.conductor.length_m;
            setup.span.tension_kn = 1e-3 * self.conductor.tension_n;
            setup.span.drive_position_m = Some(self.drive_m);
            setup.span.node_from_damper = Some(node);
            setup.criteria.clear();
        }
        setups[0].span.damper_position_m = Some(self.conductor.length_m - self.damper_m);
        setups
    }

    fn spacing_hz(&self) -> f64 {
        let c = &self.conductor;
        (c.tension_n / c.mass_kg_per_m).sqrt() / (2.0 * c.length_m)
    }

    /// Impedance of the damper: parts on springs with dashpots, on a clamp.
    fn damper(&self, frequency_hz: f64) -> Complex64 {
        let s = Complex64::new(0.0, TAU * frequency_hz);
        self.resonators
            .iter()
            .map(|(mass, natural_hz, ratio)| {
                let w = TAU * natural_hz;
                let hung = 2.0 * ratio * w * s + w * w;
                mass * s * hung / (s * s + hung)
            })
            .fold(self.clamp_kg * s, |sum, z| sum + z)
    }

    fn state(&self, frequency_hz: f64, damped: bool) -> Option<State> {
        let hung = |at_m, impedance, force_n| Attached {
            at_m,
            impedance,
            force_n,
        };
        let zero = Complex64::new(0.0, 0.0);
        let mut attached = vec![hung(self.drive_m, zero, 1.0)];
        if damped {
            attached.push(hung(self.damper_m, self.damper(frequency_hz), 0.0));
        }
        let field = self.conductor.field(frequency_hz, &attached);
        let [node_m, mut antinode_m] = self.places(&field, damped)?;
        if self.loss == Loss::HolderBehind {
            // Where there is none between node and damper the other one is read.
            let from = if damped {
                self.damper_m
            } else {
                self.conductor.length_m
            };
            let loop_m = PI / field.wave_number();
            if from - node_m > 0.7 * loop_m {
                antinode_m = field.extreme_m(node_m, node_m + loop_m, true);
            }
        }
        if self.holder == 0.0 {
            return Some(State {
                field,
                node_m,
                antinode_m,
            });
        }
        attached.push(hung(antinode_m, self.holder.into(), 0.0));
        attached.sort_by(|a, b| a.at_m.total_cmp(&b.at_m));
        let field = self.conductor.field(frequency_hz, &attached);
        // The sensors stay where they are: the holder moves nothing much.
        let [node_m, _] = self.places(&field, damped)?;
        Some(State {
            field,
            node_m,
            antinode_m,
        })
    }

    /// The node that is read and the antinode on its drive side.
    fn places(&self, field: &Field, damped: bool) -> Option<[f64; 2]> {
        let loop_m = PI / field.wave_number();
        let from = if damped {
            self.damper_m
        } else {
            self.conductor.length_m
        };
        let clear_m = (CLEAR_LENGTHS / field.fading_number()).max(CLEAR_LOOPS * loop_m);
        let number = self.nodes[usize::from(!damped)] as usize;
        let step = loop_m / 16.0;
        let speed = |x: f64| field.velocity(x).norm_sqr();
        let (mut x, mut nodes, mut last) = (from - clear_m, 0, None);
        let (mut behind, mut here) = (speed(x + step.min(clear_m)), speed(x));
        let mut node_m = None;
        while x - step > self.drive_m {
            let ahead = speed(x - step);
            if here <= behind && here < ahead {
                nodes += 1;
                node_m = Some(field.extreme_m(x - step, (x + step).min(from), false));
            }
            if here >= behind
                && here > ahead
                && let Some(node_m) = node_m
            {
                last = Some([node_m, field.extreme_m(x - step, x + step, true)]);
                if nodes >= number {
                    return last;
                }
            }
            (behind, here) = (here, ahead);
            x -= step;
        }
        last
    }

    /// Sine of twice the phase between antinode velocity and force: falls
    /// through zero at a resonance.
    fn sine(&self, frequency_hz: f64, damped: bool) -> Option<f64> {
        let state = self.state(frequency_hz, damped)?;
        let q = state.field.velocity(state.antinode_m);
        Some((q * q).im / q.norm_sqr())
    }

    /// The first resonance from a frequency on, upwards or downwards.
    pub fn resonance(&self, from_hz: f64, damped: bool, upwards: bool) -> Option<Truth> {
        let step = self.spacing_hz() / 24.0 * if upwards { 1.0 } else { -1.0 };
        let (mut f, mut last) = (from_hz, self.sine(from_hz, damped)?);
        for _ in 0..120 {
            let next = self.sine(f + step, damped)?;
            let (low, high) = if upwards { (last, next) } else { (next, last) };
            if low > 0.0 && high < 0.0 {
                let mut ends = if upwards {
                    (f, f + step)
                } else {
                    (f + step, f)
                };
                for _ in 0..45 {
                    let middle = 0.5 * (ends.0 + ends.1);
                    if self.sine(middle, damped)? > 0.0 {
                        ends.0 = middle;
                    } else {
                        ends.1 = middle;
                    }
                }
                if let Some(truth) = self.truth(ends.0, damped) {
                    return Some(truth);
                }
            }
            (f, last) = (f + step, next);
        }
        None
    }

    fn truth(&self, frequency_hz: f64, damped: bool) -> Option<Truth> {
        let State {
            field,
            node_m,
            antinode_m,
        } = self.state(frequency_hz, damped)?;
        let (antinode, node) = (field.velocity(antinode_m), field.velocity(node_m));
        let drive = field.velocity(self.drive_m);
        // A jump of the phase by a half turn is no resonance.
        let in_phase = antinode.re.abs() > antinode.im.abs();
        if !in_phase || damped && drive.norm() < DRIVE_MOVES * antinode.norm() {
            return None;
        }
        let scale = 1e-3 * LEVEL_MM_S / antinode.norm();
        let power = scale * scale;
        let damper_w = if damped {
            let v = field.velocity(self.damper_m).norm_sqr();
            0.5 * self.damper(frequency_hz).re * v * power
        } else {
            0.0
        };
        let loops =
            field.wave_number() / PI * (self.conductor.length_m - 2.0 / field.fading_number());
        // Half a wire of 1/6.33 of the diameter is the gauge's fibre.
        let fibre_m = 0.079e-3 * self.diameter_mm;
        let bend = field.curvature(self.conductor.length_m).norm() * scale;
        Some(Truth {
            reading: TrueReading {
                frequency_hz,
                harmonic: loops.round() as u32,
                antinode_velocity_mm_s: LEVEL_MM_S,
                // Seen in quadrature with the antinode, as the program reads it.
                node_velocity_mm_s: LEVEL_MM_S * (node / antinode).im.abs(),
                power_drive_w: 0.5 * drive.re * power,
                end_strain_pp_um_m: 2e6 * fibre_m * bend,
            },
            damper_w,
            node_m,
            antinode_m,
        })
    }

    /// The power past the node that the field carries at a resonance, for the
    /// test of the field itself.
    pub fn balance_w(&self, frequency_hz: f64) -> Option<[f64; 3]> {
        let state = self.state(frequency_hz, true)?;
        let v = state.field.velocity(self.damper_m).norm_sqr();
        let damper_w = 0.5 * self.damper(frequency_hz).re * v;
        let ahead = state.field.flux_w(self.damper_m - 1e-9);
        let behind = state.field.flux_w(self.damper_m + 1e-9);
        Some([ahead, behind, damper_w])
    }
}
