//! A random bench around the span model: sensors, noise, calibration, and the
//! samples of one dwell, rung up from rest.
//!
//! The motion at every sensor is the exact response at the drive's frequency,
//! plus the free motions: poles and residues of the nearest modes, each driven
//! by the same force from rest. So whatever the drive does, the span follows
//! it as slowly as its poles say.

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::{FRAC_1_SQRT_2, PI, TAU};

use super::span_model::{Field, Resonator, SpanModel};
use crate::bench::virtual_span::Chance;

pub const ANTINODE: usize = 0;
pub const NODE: usize = 1;
pub const FORCE: usize = 2;
pub const DRIVE: usize = 3;
pub const STRAIN_DAMPER: usize = 4;
pub const STRAIN_END: usize = 5;
/// What the sensors read once they have been moved.
pub const NODE_MOVED: usize = 6;
pub const ANTINODE_MOVED: usize = 7;
/// True velocities at the antinode and at the node, m/s.
pub const TRUE_ANTINODE: usize = 8;
pub const TRUE_NODE: usize = 9;
const OUTPUTS: usize = 10;
/// Outputs that are sampled: the channels and the moved sensors.
pub const SAMPLED: usize = 8;
pub const CHANNELS: usize = 6;
pub const CHANNEL_NAMES: [&str; CHANNELS] = [
    "antinode",
    "node",
    "force",
    "drive",
    "damper gauge",
    "end gauge",
];

/// How far a moved sensor was moved, m.
pub const MOVED_M: f64 = 0.05;
/// 40 dB below the antinode's tone in 0 to 250 Hz.
const NOISE_DB: f64 = 40.0;
const NOISE_BAND_HZ: f64 = 250.0;

/// One sample of every sampled output, SI.
pub type Frame = [f64; SAMPLED];

/// A bench with one resonance chosen.
pub struct Bench {
    pub seed: u64,
    pub span: SpanModel,
    pub diameter_mm: f64,
    /// Peak of the antinode's motion at constant force.
    pub frequency_hz: f64,
    /// Half-power bandwidth of the pole.
    pub bandwidth_hz: f64,
    /// The longer of the pole's ring-up constant and the one that the ratio
    /// implies, s.
    pub constant_s: f64,
    /// True ratio at the peak.
    pub ratio: f64,
    /// Antinode velocity, m/s peak.
    pub level_m_s: f64,
    pub rate_hz: f64,
    /// Gains over what the certificates say.
    pub(super) gains: [f64; CHANNELS],
    /// Whether gains, tension and stiffness are exactly those of the setup.
    pub is_exact: bool,
    believed_tension: f64,
    believed_stiffness: f64,
    node_m: f64,
    node_sensor_m: f64,
    /// Peak of each channel's tone.
    pub peaks: [f64; CHANNELS],
    /// Rms of each channel's noise at the sampling rate.
    pub(super) noise_rms: [f64; CHANNELS],
    /// Force of the shaker that gives the level, N peak.
    pub(super) force_n: f64,
    pub(super) direct: [Complex64; OUTPUTS],
    pub modes: Vec<Mode>,
    /// Power past the node over the square of the antinode velocity.
    pub(super) power_n_s_per_m: f64,
    /// Power of the force into the conductor over the same square.
    pub(super) force_power_n_s_per_m: f64,
    /// Strain of the gauges, peak, over the antinode velocity.
    pub(super) strain_s_per_m: [f64; 2],
}

#[derive(Clone, Copy)]
pub struct Mode {
    pub pole: Complex64,
    pub residues: [Complex64; OUTPUTS],
}

/// Log-uniform.
pub fn spread(chance: &mut Chance, low: f64, high: f64) -> f64 {
    chance.between(low.ln(), high.ln()).exp()
}

fn random_span(chance: &mut Chance) -> (SpanModel, f64) {
    let diameter_mm = chance.between(14.0, 32.0);
    // Mass and strength go with the square of the diameter.
    let area = (diameter_mm / 22.0_f64).powi(2);
    let mass_kg_per_m = area * chance.between(0.9, 1.1);
    let tension_n = 18e3 * area * chance.between(0.8, 1.5);
    let length_m = chance.between(20.0, 45.0);
    let high_hz = 1400.0 / diameter_mm;
    let speed = (tension_n / mass_kg_per_m).sqrt();
    let loop_m = 0.5 * speed / high_hz;
    let impedance = (tension_n * mass_kg_per_m).sqrt();
    let size = spread(chance, 0.1, 1.5) * area;
    let resonators = (0..2 + chance.below(3))
        .map(|_| Resonator {
            mass_kg: size * chance.between(0.4, 1.6),
            frequency_hz: high_hz * chance.between(0.15, 1.1),
            loss_factor: chance.between(0.15, 0.5),
        })
        .collect();
    let span = SpanModel {
        length_m,
        tension_n,
        mass_kg_per_m,
        stiffness_n_m2: 180.0 * area * area * chance.between(0.4, 1.6),
        // A bare span of it shows ratios up to 2 %, as is common practice, no source.
        bending_loss_s: chance.between(0.0, 0.004) / (TAU * 0.5 * high_hz),
        viscous_n_s_per_m2: 2.0 * impedance * spread(chance, 0.0003, 0.003) / length_m,
        end_admittance: spread(chance, 0.0003, 0.003)
            * Complex64::new(1.0, chance.between(-2.0, 2.0)),
        drive_m: loop_m * chance.between(0.6, 0.8),
        damper_m: length_m - loop_m * chance.between(0.65, 0.85),
        damper_clamp_kg: 0.25 * size,
        resonators,
        shaker_n_s_per_m: if chance.below(2) == 0 {
            0.0
        } else {
            impedance * spread(chance, 0.0005, 0.01)
        },
        shaker_kg: 0.0,
    };
    (span, diameter_mm)
}

/// A resonance of a span and where its sensors belong.
struct Resonance {
    frequency_hz: f64,
    pole: Complex64,
    node_m: f64,
    antinode_m: f64,
    ratio: f64,
}

/// Places of the node number `number` from the damper and of the antinode next
/// to it, away from the damper.
fn places(span: &SpanModel, field: &Field, number: usize) -> Option<(f64, f64)> {
    let loop_m = PI / field.wave_number_per_m();
    let step_m = loop_m / 60.0;
    let size = |x_m: f64| field.motion(x_m).norm_sqr();
    // Clear of the damper's and the drive's evanescent fields.
    let mut x_m = span.damper_m - 0.3 * loop_m;
    let mut left = number;
    while x_m > span.drive_m + 1.5 * loop_m {
        if size(x_m) < size(x_m - step_m) && size(x_m) < size(x_m + step_m) {
            left -= 1;
            if left == 0 {
                let node_m = field.extreme_m(x_m - step_m, x_m + step_m, false);
                let antinode_m =
                    field.extreme_m(node_m - 0.75 * loop_m, node_m - 0.25 * loop_m, true);
                return Some((node_m, antinode_m));
            }
        }
        x_m -= step_m;
    }
    None
}

fn resonance(span: &SpanModel, pole: Complex64, number: usize) -> Option<Resonance> {
    let bandwidth_hz = -pole.re / PI;
    let start_hz = pole.im / TAU;
    let (_, antinode_m) = places(span, &span.field_at_hz(start_hz), number)?;
    // Twice: the antinode moves a little with the frequency.
    let gain = |hz: f64| {
        let field = span.field_at_hz(hz);
        hz * field.motion(antinode_m).norm() / field.force.norm()
    };
    let (mut low, mut high) = (start_hz - 1.5 * bandwidth_hz, start_hz + 1.5 * bandwidth_hz);
    let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
    for _ in 0..45 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if gain(a) > gain(b) {
            high = b;
        } else {
            low = a;
        }
    }
    let frequency_hz = 0.5 * (low + high);
    let field = span.field_at_hz(frequency_hz);
    let (node_m, antinode_m) = places(span, &field, number)?;
    let ratio = field.motion(node_m).norm() / field.motion(antinode_m).norm();
    // Where the drive sits by a node of its own the phase says nothing.
    let by_node = field.motion(span.drive_m).norm() < 0.35 * field.motion(antinode_m).norm();
    (!by_node).then_some(Resonance {
        frequency_hz,
        pole,
        node_m,
        antinode_m,
        ratio,
    })
}

impl Bench {
    /// A random bench. With `near_hz` the span is strung so that the chosen
    /// resonance stands there.
    pub fn new(seed: u64, rate_hz: f64, near_hz: Option<f64>) -> Self {
        let mut chance = Chance::new(seed);
        let wanted = spread(&mut chance, 0.012, 0.6);
        let number = 1 + chance.below(2);
        for trial in 0..2000 {
            let (mut span, diameter_mm) = random_span(&mut chance);
            let high_hz = 1400.0 / diameter_mm;
            // Some resonances are enough to look for the wanted ratio among.
            let from_hz = match near_hz {
                None => chance.between((0.25 * high_hz).max(8.0), 0.75 * high_hz),
                Some(near_hz) => chance.between(0.8, 1.1) * near_hz,
            };
            if from_hz > 0.8 * high_hz {
                continue;
            }
            let poles = span.poles(from_hz, (from_hz + 12.0).min(0.95 * high_hz));
            let width = 0.2 + 0.001 * f64::from(trial);
            let suits = |resonance: &Resonance| (resonance.ratio / wanted).ln().abs() < width;
            let found = poles
                .into_iter()
                .filter_map(|pole| resonance(&span, pole, number))
                .find(suits);
            let Some(mut found) = found else {
                continue;
            };
            if let Some(near_hz) = near_hz {
                let factor = near_hz / found.frequency_hz;
                if !(0.8..1.25).contains(&factor) {
                    continue;
                }
                span = span.faster(factor);
                found.frequency_hz = near_hz;
                found.pole *= factor;
            }
            return Self::strung(seed, rate_hz, span, diameter_mm, &found, &mut chance);
        }
        panic!("no span with a ratio of {wanted}");
    }

    fn strung(
        seed: u64,
        rate_hz: f64,
        span: SpanModel,
        diameter_mm: f64,
        resonance: &Resonance,
        chance: &mut Chance,
    ) -> Self {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut drawn = |standard: f64| {
            let normal: f64 = StandardNormal.sample(&mut random);
            1.0 + standard * normal
        };
        let is_exact = seed.is_multiple_of(2);
        let standard = |pct: f64| if is_exact { 0.0 } else { pct / 200.0 };
        let gains = std::array::from_fn(|channel| {
            drawn(standard(if channel >= STRAIN_DAMPER { 2.0 } else { 1.0 }))
        });
        let node_sensor_m = resonance.node_m + chance.between(-0.015, 0.015);
        let antinode_sensor_m = resonance.antinode_m + chance.between(-0.015, 0.015);
        let field = span.field_at_hz(resonance.frequency_hz);
        let omega = TAU * resonance.frequency_hz;
        let level_m_s = chance.between(0.1, 0.2);
        let outputs = |field: &Field, s: Complex64| -> [Complex64; OUTPUTS] {
            let accelerated = |x_m: f64| s * s * field.motion(x_m);
            let bent = |x_m: f64| 0.5e-3 * diameter_mm * field.curvature_per_m(x_m);
            [
                accelerated(antinode_sensor_m),
                accelerated(node_sensor_m),
                field.force,
                accelerated(span.drive_m),
                bent(span.length_m),
                bent(0.0),
                accelerated(node_sensor_m - MOVED_M),
                accelerated(antinode_sensor_m - MOVED_M),
                s * field.motion(resonance.antinode_m),
                s * field.motion(resonance.node_m),
            ]
        };
        let tone = Complex64::new(0.0, omega);
        let response = outputs(&field, tone);
        let spacing_hz = 0.5 * span.wave_speed_m_s() / span.length_m;
        let (low_hz, high_hz) = (
            resonance.frequency_hz - 3.3 * spacing_hz,
            resonance.frequency_hz + 3.3 * spacing_hz,
        );
        let modes: Vec<Mode> = span
            .poles(low_hz.max(0.5 * spacing_hz), high_hz)
            .into_iter()
            .map(|pole| {
                let h = Complex64::new(1e-6 * pole.im, 0.0);
                let at = |s: Complex64| outputs(&span.field(s), s);
                let (above, below) = (at(pole + h), at(pole - h));
                Mode {
                    pole,
                    residues: std::array::from_fn(|i| 0.5 * h * (above[i] - below[i])),
                }
            })
            .collect();
        assert!(
            modes
                .iter()
                .any(|mode| (mode.pole - resonance.pole).norm() < 1e-3 * resonance.pole.norm()),
            "the resonance's own pole is among the modes"
        );
        let direct = std::array::from_fn(|i| {
            let modal: Complex64 = modes
                .iter()
                .map(|mode| mode.residues[i] / (tone - mode.pole))
                .sum();
            response[i] - modal
        });
        let antinode = response[TRUE_ANTINODE].norm();
        let force_n = level_m_s / antinode;
        let peaks: [f64; CHANNELS] = std::array::from_fn(|i| force_n * response[i].norm());
        // The node's sensor is like the antinode's.
        let noise_rms = std::array::from_fn(|i| {
            let tone = peaks[if i == NODE { ANTINODE } else { i }];
            FRAC_1_SQRT_2
                * tone
                * 10_f64.powf(-NOISE_DB / 20.0)
                * (0.5 * rate_hz / NOISE_BAND_HZ).sqrt()
        });
        let pole_s = -1.0 / resonance.pole.re;
        let implied_s = 1.0 / (2.0 * resonance.ratio * spacing_hz);
        Self {
            seed,
            diameter_mm,
            frequency_hz: resonance.frequency_hz,
            bandwidth_hz: -resonance.pole.re / PI,
            constant_s: pole_s.max(implied_s),
            ratio: resonance.ratio,
            level_m_s,
            rate_hz,
            gains,
            is_exact,
            believed_tension: drawn(standard(1.0)),
            believed_stiffness: drawn(standard(20.0)),
            node_m: resonance.node_m,
            node_sensor_m,
            peaks,
            noise_rms,
            force_n,
            direct,
            modes,
            power_n_s_per_m: field.power_past_w(resonance.node_m) / (antinode * antinode),
            force_power_n_s_per_m: 0.5 * (response[FORCE] * (response[DRIVE] / tone).conj()).re
                / (antinode * antinode),
            strain_s_per_m: [STRAIN_DAMPER, STRAIN_END].map(|i| response[i].norm() / antinode),
            span,
        }
    }

    /// The setup as the laboratory would write it.
    pub fn setup_text(&self) -> String {
        let roles = [
            ("antinode", "m/s2", ""),
            ("node", "m/s2", ""),
            ("drive-force", "N", ""),
            ("drive-motion", "m/s2", ""),
            ("clamp-strain", "um/m", "location = \"damper\"\n"),
            ("clamp-strain", "um/m", "location = \"end\"\n"),
        ];
        let channels: String = roles
            .iter()
            .enumerate()
            .map(|(index, (role, unit, extra))| {
                let full_scale = self.full_scale(index) * if *unit == "um/m" { 1e6 } else { 1.0 };
                let (pct, phase) = if *unit == "um/m" {
                    (2.0, "")
                } else {
                    (1.0, "phase_uncertainty_deg = 0.1\n")
                };
                format!(
                    "[[channel]]\nname = \"{}\"\nrole = \"{role}\"\nsource = \"bench\"\nindex = {index}\n\
                     unit = \"{unit}\"\nfull_scale = {full_scale:?}\nuncertainty_pct = {pct:?}\n{phase}{extra}",
                    CHANNEL_NAMES[index]
                )
            })
            .collect();
        let span = &self.span;
        format!(
            "[test]\ntitle = \"invented\"\ndamper = \"invented\"\n\
             [conductor]\ndesignation = \"invented\"\ndiameter_mm = {:?}\nmass_kg_per_m = {:?}\n\
             mass_uncertainty_pct = 0.5\n\
             bending_stiffness_n_m2 = {:?}\nbending_stiffness_uncertainty_pct = 20.0\n\
             [span]\nlength_m = {:?}\ntension_kn = {:?}\ntension_uncertainty_pct = 1.0\n\
             damper_position_m = {:?}\ndrive_position_m = {:?}\n\
             [amplitude]\nrule = \"constant-velocity\"\nvalue = {:?}\ntolerance_pct = 10.0\n\
             [[source]]\nname = \"bench\"\nkind = \"wav\"\n{channels}",
            self.diameter_mm,
            span.mass_kg_per_m,
            span.stiffness_n_m2 * self.believed_stiffness,
            span.length_m,
            1e-3 * span.tension_n * self.believed_tension,
            span.length_m - span.damper_m,
            span.drive_m,
            1e3 * self.level_m_s,
        )
    }

    /// Full scale of a channel, SI: well above its tone; the node's sensor is
    /// like the antinode's.
    pub fn full_scale(&self, channel: usize) -> f64 {
        3.0 * self.peaks[if channel == NODE { ANTINODE } else { channel }]
    }

    /// The natural frequency of the resonance that is driven, Hz.
    pub fn pole_hz(&self) -> f64 {
        let off = |hz: &f64| (hz - self.frequency_hz).abs();
        self.modes
            .iter()
            .map(|mode| mode.pole.im / TAU)
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .unwrap()
    }

    /// For messages.
    pub fn line(&self) -> String {
        format!(
            "seed {}, {:.3} Hz, S {:.4}, constant {:.2} s, bandwidth {:.4} Hz, node off {:+.0} mm, {:.0} Hz{}",
            self.seed,
            self.frequency_hz,
            self.ratio,
            self.constant_s,
            self.bandwidth_hz,
            1e3 * (self.node_sensor_m - self.node_m),
            self.rate_hz,
            if self.is_exact { ", exact" } else { "" }
        )
    }

    /// States the tension this many times as large in the setup.
    pub fn believe_tension(&mut self, factor: f64) {
        self.believed_tension *= factor;
    }
}
