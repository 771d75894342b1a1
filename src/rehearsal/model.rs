//! What the virtual span is made of beyond the setup file: damper, shaker,
//! losses. Plain values in SI or in the unit of their name. Pure.
//!
//! All defaults are invented for rehearsals; they describe no product.

use num_complex::Complex64;
use serde::{Deserialize, Serialize};

/// The parts of a virtual span that a setup file does not hold.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SpanModel {
    /// The damper; used only when the setup has a damper position.
    pub damper: Damper,
    /// Shaker between its force source and the force cell; `None`: an ideal
    /// force source acting on the force cell.
    pub shaker: Option<Shaker>,
    /// Bending stiffness EI, N m², where the setup gives none; `None`:
    /// 180 N m² · (diameter / 21.8 mm)⁴.
    pub bending_stiffness_n_m2: Option<f64>,
    /// Viscous loss, N s/m per metre of conductor. Over the whole span it adds
    /// `viscous L / (2 sqrt(T m))` to the bare inverse standing wave ratio at
    /// the drive; `None`: so that this is 0.0003.
    pub viscous_n_s_per_m2: Option<f64>,
    /// Self-damping as Kelvin–Voigt loss on EI, s: `EI (1 + tau s)`. Its share
    /// of the bare ratio grows about with the fourth power of frequency;
    /// `None`: so that this is 0.002 over the whole span at the sweep's high
    /// end.
    pub self_damping_s: Option<f64>,
    /// What the clamp at the damper end takes, as the inverse standing wave
    /// ratio it alone would cause: wave impedance × mobility of the clamp.
    pub end_loss_ratio: f64,
    /// What the curvature of the field at a clamp is multiplied by for the strain
    /// of a gauge, mm; `None`: by the setup's `outer_wire_diameter_mm` and
    /// `least_bending_stiffness_n_m2`, every wire bending by itself beside a clamp
    /// that does not turn; without them
    /// half a wire of a conductor that bends as one body, 0.079 × its diameter
    /// (26/7 lay: diameter = 6.33 wires), which reads far too little.
    pub outer_fibre_mm: Option<f64>,
    /// Drive point from the drive-end clamp, m, where the setup gives none;
    /// `None`: 1/28 of the span.
    pub drive_position_m: Option<f64>,
    /// Where the gauge of the damper's clamp stays on a bare span, m from the
    /// damper-end clamp; `None`: 1/38 of the span.
    pub damper_gauge_m: Option<f64>,
    /// How many nodes to pass over, counted from the damper, before the one
    /// the node sensor stands at. 0 is the node that bounds the damper's own
    /// loop. Fewer are passed over where the span has too few loops. `None`: as
    /// `span.node_from_damper` of the setup says, else 1.
    pub nodes_passed: Option<usize>,
}

impl Default for SpanModel {
    fn default() -> Self {
        Self {
            damper: Damper::default(),
            shaker: None,
            bending_stiffness_n_m2: None,
            viscous_n_s_per_m2: None,
            self_damping_s: None,
            end_loss_ratio: 0.0045,
            outer_fibre_mm: None,
            drive_position_m: None,
            damper_gauge_m: None,
            nodes_passed: None,
        }
    }
}

/// A damper as a mechanical impedance at its clamp: the clamp's own mass and,
/// hung from it, independent spring–mass–dashpot resonances. Two messenger
/// cable halves with a weight each, which translate and rock, give four.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Damper {
    /// Mass that moves with the clamp, kg.
    pub clamp_mass_kg: f64,
    /// The resonances.
    pub resonances: Vec<DamperResonance>,
}

/// One resonance of a damper with its clamp held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DamperResonance {
    /// Effective mass, kg.
    pub mass_kg: f64,
    /// Frequency with the clamp held, Hz.
    pub frequency_hz: f64,
    /// Damping ratio, 0…1 exclusive.
    pub damping_ratio: f64,
}

impl Default for Damper {
    /// An invented four-resonance damper of 5.1 kg for a 22 mm conductor.
    fn default() -> Self {
        let resonance = |mass_kg, frequency_hz, damping_ratio| DamperResonance {
            mass_kg,
            frequency_hz,
            damping_ratio,
        };
        Self {
            clamp_mass_kg: 0.6,
            resonances: vec![
                resonance(1.9, 9.5, 0.22),
                resonance(1.3, 17.0, 0.20),
                resonance(0.8, 31.0, 0.19),
                resonance(0.5, 52.0, 0.18),
            ],
        }
    }
}

impl Damper {
    /// Total mass, kg.
    pub fn mass_kg(&self) -> f64 {
        self.clamp_mass_kg + self.resonances.iter().map(|r| r.mass_kg).sum::<f64>()
    }

    /// The same damper with every frequency multiplied by `frequency` and
    /// every mass by `mass`: fits it to another conductor.
    #[must_use]
    pub fn scaled(&self, frequency: f64, mass: f64) -> Self {
        Self {
            clamp_mass_kg: self.clamp_mass_kg * mass,
            resonances: self
                .resonances
                .iter()
                .map(|r| DamperResonance {
                    mass_kg: r.mass_kg * mass,
                    frequency_hz: r.frequency_hz * frequency,
                    damping_ratio: r.damping_ratio,
                })
                .collect(),
        }
    }

    /// Force at the clamp over velocity of the clamp, N s/m, at the Laplace
    /// variable `s`, rad/s. A mass m on spring k and dashpot d hung from a
    /// moving point answers with `m s (d s + k)/(m s² + d s + k)`.
    pub fn impedance(&self, s: Complex64) -> Complex64 {
        self.resonances
            .iter()
            .map(|r| {
                let [stiffness, dashpot] = r.spring_and_dashpot();
                s * r.mass_kg * (s * dashpot + stiffness)
                    / (s * s * r.mass_kg + s * dashpot + stiffness)
            })
            .fold(s * self.clamp_mass_kg, |sum, z| sum + z)
    }

    /// Product of the resonances' denominators, each scaled to 1 at s = 0:
    /// `impedance` times this has no pole.
    pub(super) fn denominator(&self, s: Complex64) -> Complex64 {
        self.resonances
            .iter()
            .map(|r| {
                let omega = r.omega();
                s * s / (omega * omega) + s * (2.0 * r.damping_ratio / omega) + 1.0
            })
            .product()
    }
}

impl DamperResonance {
    fn omega(&self) -> f64 {
        std::f64::consts::TAU * self.frequency_hz
    }

    fn spring_and_dashpot(&self) -> [f64; 2] {
        let omega = self.omega();
        [
            self.mass_kg * omega * omega,
            2.0 * self.damping_ratio * self.mass_kg * omega,
        ]
    }

    /// The pole in the upper half plane with the clamp held, rad/s.
    pub(super) fn pole(&self) -> Complex64 {
        let omega = self.omega();
        let zeta = self.damping_ratio.min(1.0);
        Complex64::new(-zeta * omega, (1.0 - zeta * zeta).sqrt() * omega)
    }
}

/// A shaker on the force cell: its moving mass and suspension take part of the
/// source's force. A large dashpot makes the drive nearly a velocity source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Shaker {
    /// Moving mass on the shaker's side of the force cell, kg.
    pub moving_mass_kg: f64,
    /// Suspension stiffness, N/m.
    pub stiffness_n_m: f64,
    /// Suspension and electrical damping, N s/m.
    pub damping_n_s_m: f64,
}

impl Shaker {
    /// Mechanical impedance seen by the conductor, N s/m.
    pub(super) fn impedance(&self, s: Complex64) -> Complex64 {
        s * self.moving_mass_kg + self.damping_n_s_m + self.stiffness_n_m / s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heavy_below_and_light_above_its_resonances() {
        let damper = Damper::default();
        // Far below every resonance the whole mass moves with the clamp; far
        // above, with little damping, only the clamp (Newton's second law).
        let low = Complex64::new(0.0, 0.01);
        assert!((damper.impedance(low) / low - damper.mass_kg()).norm() < 1e-4);
        let mut light = damper.clone();
        for resonance in &mut light.resonances {
            resonance.damping_ratio = 0.0;
        }
        let high = Complex64::new(0.0, 1e6);
        assert!((light.impedance(high) / high - light.clamp_mass_kg).norm() < 1e-4);
    }

    #[test]
    fn takes_power_at_every_frequency() {
        let damper = Damper::default();
        for f in 1..200 {
            let s = Complex64::new(0.0, std::f64::consts::TAU * f64::from(f));
            assert!(damper.impedance(s).re > 0.0, "{f} Hz");
        }
    }
}
