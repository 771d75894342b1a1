//! The virtual span: a setup and a model in, steady states, resonances and
//! poles out. Pure; shares no physics with the analysis.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::RehearsalError;
use super::beam::{Beam, Field};
use super::field::{self, Places, bisect};
use super::model::{DamperResonance, SpanModel};
use super::poles::{self, Window};
use crate::setup::Setup;

/// A strung conductor between two clamps with a drive and, perhaps, a damper.
#[derive(Debug, Clone)]
pub struct VirtualSpan {
    pub(super) setup: Setup,
    pub(super) model: SpanModel,
    pub(super) beam: Beam,
    pub(super) drive_m: f64,
    pub(super) damper_m: Option<f64>,
    pub(super) outer_fibre_m: f64,
    pub(super) poles: Vec<Pole>,
    resonances: Vec<Resonance>,
}

/// One natural vibration of the span with everything attached to it.
#[derive(Debug, Clone)]
pub(super) struct Pole {
    /// `lambda`, rad/s, upper half plane.
    pub(super) s: Complex64,
    /// Residue of the displacement field per newton of the source's force.
    pub(super) residue: Field,
}

/// A resonance: antinode velocity in phase (modulo 180°) with the force in the
/// force cell, and largest for that force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Number of loops, counted by the wave length in the span.
    pub harmonic: u32,
    /// Hz.
    pub frequency_hz: f64,
    /// Width over which the antinode's response to the force is above
    /// 1/sqrt(2) of its peak, Hz.
    pub half_power_bandwidth_hz: f64,
    /// 1/(decay rate) of the pole nearest to the resonance, s.
    pub time_constant_s: f64,
}

/// A steady state at one frequency, per newton of the source's force.
#[derive(Debug, Clone)]
pub(super) struct Steady {
    pub(super) field: Field,
    pub(super) places: Places,
    /// Force in the force cell over the source's force.
    pub(super) cell: Complex64,
}

impl VirtualSpan {
    /// Builds the span and finds its poles and resonances up to the sweep's
    /// high frequency.
    pub fn new(setup: &Setup, model: &SpanModel) -> Result<Self, RehearsalError> {
        let length = setup.span.length_m;
        let drive_m = setup
            .span
            .drive_position_m
            .or(model.drive_position_m)
            .unwrap_or(length / 28.0);
        let damper_m = setup.span.damper_position_m.map(|d| length - d);
        let inside = |x: f64| x > 0.0 && x < length;
        if !inside(drive_m) || damper_m.is_some_and(|d| !inside(d) || d <= drive_m) {
            return Err(RehearsalError::Places {
                drive_m,
                length_m: length,
            });
        }
        let attachments: Vec<f64> = std::iter::once(drive_m).chain(damper_m).collect();
        let diameter = setup.conductor.diameter_mm;
        let tension = setup.span.tension_kn * 1e3;
        let mass = setup.conductor.mass_kg_per_m;
        let stiffness = setup
            .conductor
            .bending_stiffness_n_m2
            .or(model.bending_stiffness_n_m2)
            .unwrap_or(180.0 * (diameter / 21.8).powi(4));
        let values = [tension, mass, stiffness, setup.sweep.high_hz];
        if !values.iter().all(|v| v.is_finite() && *v > 0.0) {
            return Err(RehearsalError::Conductor);
        }
        let impedance = (tension * mass).sqrt();
        let viscous = model
            .viscous_n_s_per_m2
            .unwrap_or(2.0 * 0.0003 * impedance / length);
        let lossless = Beam::new([tension, mass, stiffness, 0.0, 0.0], length, &attachments);
        let top = lossless
            .waves(Complex64::new(0.0, TAU * setup.sweep.high_hz))
            .travelling
            .im;
        let self_damping = model
            .self_damping_s
            .unwrap_or(2.0 * 0.002 * impedance / (stiffness * top.powi(4) * length));
        let conductor = [tension, mass, stiffness, self_damping, viscous];
        let mut beam = Beam::new(conductor, length, &attachments);
        beam.end_mobility_m_per_n_s = model.end_loss_ratio / impedance;
        let mut span = Self {
            setup: setup.clone(),
            model: model.clone(),
            beam,
            drive_m,
            damper_m,
            outer_fibre_m: 1e-3 * model.outer_fibre_mm.unwrap_or(0.079 * diameter),
            poles: Vec::new(),
            resonances: Vec::new(),
        };
        span.poles = span.find_poles()?;
        span.resonances = span.find_resonances();
        Ok(span)
    }

    /// The resonances from half the sweep's low frequency to a little above its
    /// high one, by rising frequency.
    pub fn resonances(&self) -> &[Resonance] {
        &self.resonances
    }

    /// The resonance with this number of loops.
    pub fn resonance(&self, harmonic: u32) -> Result<Resonance, RehearsalError> {
        self.resonances
            .iter()
            .copied()
            .find(|r| r.harmonic == harmonic)
            .ok_or_else(|| RehearsalError::Harmonic {
                harmonic,
                present: self
                    .resonances
                    .iter()
                    .map(|r| r.harmonic.to_string())
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }

    /// The resonance nearest to a frequency.
    pub fn nearest_resonance(&self, frequency_hz: f64) -> Result<Resonance, RehearsalError> {
        let distance = |r: &Resonance| (r.frequency_hz - frequency_hz).abs();
        self.resonances
            .iter()
            .copied()
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
            .ok_or(RehearsalError::NoResonance)
    }

    /// Frequency of the first mode of the string, Hz: the spacing of modes.
    fn spacing_hz(&self) -> f64 {
        (self.beam.tension_n / self.beam.mass_kg_per_m).sqrt() / (2.0 * self.setup.span.length_m)
    }

    /// Highest frequency at which resonances are looked for, Hz.
    fn highest_hz(&self) -> f64 {
        self.setup.sweep.high_hz * 1.05 + 2.0 * self.spacing_hz()
    }

    fn impedances(&self, s: Complex64, with_shaker: bool) -> [Complex64; 2] {
        let zero = Complex64::new(0.0, 0.0);
        let shaker = match &self.model.shaker {
            Some(shaker) if with_shaker => shaker.impedance(s),
            _ => zero,
        };
        let damper = self
            .damper_m
            .map_or(zero, |_| self.model.damper.impedance(s));
        [shaker, damper]
    }

    /// Displacement field at `s` per newton of the source's force.
    pub(super) fn field(&self, s: Complex64) -> Field {
        self.beam.field(s, &self.impedances(s, true), &[1.0, 0.0])
    }

    /// Force in the force cell at `s`, where `direct` is the source's force and
    /// `field` what it causes: the shaker takes its share first.
    pub(super) fn cell_force(&self, field: &Field, direct: f64) -> Complex64 {
        let [shaker, _] = self.impedances(field.s, true);
        let [y, ..] = field.at(self.drive_m);
        direct - shaker * field.s * y
    }

    /// The steady state at a frequency; `None` where there is no antinode with
    /// a node beside it between drive and damper.
    pub(super) fn steady(&self, frequency_hz: f64) -> Option<Steady> {
        let field = self.field(Complex64::new(0.0, TAU * frequency_hz));
        let from = self.damper_m.unwrap_or(self.setup.span.length_m);
        let places = field::places(&field, self.drive_m, from, self.model.nodes_passed)?;
        let cell = self.cell_force(&field, 1.0);
        Some(Steady {
            field,
            places,
            cell,
        })
    }

    /// Antinode velocity over force in the force cell, m/s per N.
    fn response(&self, frequency_hz: f64) -> Option<Complex64> {
        let steady = self.steady(frequency_hz)?;
        let [y, ..] = steady.field.at(steady.places.antinode_m);
        Some(steady.field.s * y / steady.cell)
    }

    fn characteristic(&self, s: Complex64) -> Complex64 {
        let (mut system, _) = self.beam.system(s, &self.impedances(s, true), &[0.0, 0.0]);
        let denominator = match self.damper_m {
            Some(_) => self.model.damper.denominator(s),
            None => Complex64::new(1.0, 0.0),
        };
        system.solve() * denominator
    }

    /// This span with `nominal`'s tension times `ratio`: its poles followed
    /// from where they are, its resonances left as they were.
    pub(super) fn with_tension(&self, nominal: &Self, ratio: f64) -> Self {
        let mut moved = self.clone();
        moved.beam.tension_n = nominal.beam.tension_n * ratio;
        let function = |s: Complex64| moved.characteristic(s);
        let spacing = TAU * self.spacing_hz();
        let followed: Vec<Complex64> = self
            .poles
            .iter()
            .map(|p| poles::follow(&function, p.s, spacing).unwrap_or(p.s))
            .collect();
        let poles = (0..followed.len())
            .filter_map(|k| moved.pole(&followed, k))
            .collect();
        moved.poles = poles;
        moved
    }

    fn find_poles(&self) -> Result<Vec<Pole>, RehearsalError> {
        let spacing = TAU * self.spacing_hz();
        let top = TAU * self.highest_hz() + 6.0 * spacing;
        let function = |s: Complex64| self.characteristic(s);
        let mut guesses: Vec<Complex64> = (1..1000)
            .map(|n| self.stiff_string_rad_s(n))
            .take_while(|omega| *omega < top)
            .map(|omega| Complex64::new(0.0, omega))
            .collect();
        if self.damper_m.is_some() {
            let damper = &self.model.damper.resonances;
            guesses.extend(damper.iter().map(DamperResonance::pole));
        }
        let window = Window {
            low: Complex64::new(-0.3 * top, 0.55 * spacing),
            high: Complex64::new(0.3 * spacing, top),
        };
        let found = poles::zeros(&function, window, &guesses, spacing).map_err(|e| {
            RehearsalError::Poles {
                found: e.found,
                counted: e.counted,
            }
        })?;
        Ok((0..found.len())
            .filter_map(|k| self.pole(&found, k))
            .collect())
    }

    /// Natural frequency of the hinged stiff string, only a first guess, rad/s.
    fn stiff_string_rad_s(&self, n: u32) -> f64 {
        let k = f64::from(n) * PI / self.setup.span.length_m;
        let stiff = self.beam.tension_n * k * k + self.beam.stiffness_n_m2 * k.powi(4);
        (stiff / self.beam.mass_kg_per_m).sqrt()
    }

    /// Pole number `k` with the residue of the field there: Cauchy's integral
    /// over a circle that holds no other pole, by the trapezoidal rule.
    fn pole(&self, all: &[Complex64], k: usize) -> Option<Pole> {
        const POINTS: u32 = 8;
        let s = *all.get(k)?;
        let nearest = all
            .iter()
            .filter(|z| **z != s)
            .map(|z| (z - s).norm())
            .fold(s.norm(), f64::min);
        let radius = 0.02 * nearest;
        let mut residue = Field::zero(&self.beam, s);
        for point in 0..POINTS {
            let offset = Complex64::from_polar(radius, TAU * f64::from(point) / f64::from(POINTS));
            residue.add(&self.field(s + offset), offset / f64::from(POINTS));
        }
        Some(Pole { s, residue })
    }

    /// Where the phase between antinode velocity and force falls through zero.
    fn find_resonances(&self) -> Vec<Resonance> {
        // sin(2 phase): the sign of the antinode's loop drops out, and it is
        // bounded; it falls through zero at resonance, rises between two.
        let sine = |f: f64| {
            self.response(f)
                .map_or(f64::NAN, |q| (q * q).im / q.norm_sqr())
        };
        let step = self.spacing_hz() / 24.0;
        let mut found = Vec::new();
        let mut f = (0.5 * self.setup.sweep.low_hz).max(0.6 * self.spacing_hz());
        let mut last = sine(f);
        while f < self.highest_hz() {
            let next = sine(f + step);
            if last > 0.0 && next < 0.0 {
                let zero = bisect(sine, f, f + step);
                if let Some(resonance) = self.describe(zero) {
                    found.push(resonance);
                }
            }
            last = next;
            f += step;
        }
        // Two candidates for one number of loops: the sharper is the resonance
        // of the span, the other the damper's.
        found.sort_by(|a: &Resonance, b| {
            (a.harmonic, a.half_power_bandwidth_hz)
                .partial_cmp(&(b.harmonic, b.half_power_bandwidth_hz))
                .unwrap_or(std::cmp::Ordering::Equal)
        });
        found.dedup_by_key(|r| r.harmonic);
        found
    }

    fn describe(&self, frequency_hz: f64) -> Option<Resonance> {
        let steady = self.steady(frequency_hz)?;
        let q = self.response(frequency_hz)?;
        // A phase that jumps by 180° (a force that vanishes) also changes sign.
        if q.re.abs() < q.im.abs() {
            return None;
        }
        let waves = steady.field.waves;
        let free_length = self.setup.span.length_m - 2.0 / waves.evanescent.re;
        let loops = (waves.travelling.im * free_length / PI).round();
        let s = Complex64::new(0.0, TAU * frequency_hz);
        let pole = self
            .poles
            .iter()
            .min_by(|a, b| (a.s - s).norm().total_cmp(&(b.s - s).norm()))?;
        let time_constant_s = -1.0 / pole.s.re;
        Some(Resonance {
            harmonic: loops as u32,
            frequency_hz,
            half_power_bandwidth_hz: self
                .half_power_hz(frequency_hz, 1.0 / (PI * time_constant_s))
                .unwrap_or(1.0 / (PI * time_constant_s)),
            time_constant_s,
        })
    }

    /// Half-power bandwidth of the response at the antinode of the resonance,
    /// searched outwards in steps fitted to the `expected` width, Hz.
    fn half_power_hz(&self, frequency_hz: f64, expected: f64) -> Option<f64> {
        let place = self.steady(frequency_hz)?.places.antinode_m;
        let power = |f: f64| {
            let field = self.field(Complex64::new(0.0, TAU * f));
            let [y, ..] = field.at(place);
            (field.s * y / self.cell_force(&field, 1.0)).norm_sqr()
        };
        let half = 0.5 * power(frequency_hz);
        let edge = |direction: f64| {
            let step = direction * 0.2 * expected;
            let mut f = frequency_hz;
            while (f - frequency_hz).abs() < 0.5 * self.spacing_hz() {
                if power(f + step) < half {
                    let [low, high] = if step > 0.0 {
                        [f, f + step]
                    } else {
                        [f + step, f]
                    };
                    return Some(bisect(|f| power(f) - half, low, high));
                }
                f += step;
            }
            None
        };
        Some(edge(1.0)? - edge(-1.0)?)
    }
}
