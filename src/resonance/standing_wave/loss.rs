//! The conductor's own loss: how a running wave fades.
//!
//! Hysteresis and friction between the wires take a part of the energy a radian,
//! the loss factor: η_T of what the tension stores, η_E of what bending stores. In
//! `T (1 + jη_T) k² + EI (1 + jη_E) k⁴ = m ω²` that makes the wave number complex,
//! κ = k − jα, to first order with
//!
//! ```text
//! α = k (η_T T + η_E EI k²) / (2 (T + 2 EI k²)).
//! ```

use crate::maths;
use crate::span::StrungConductor;

/// Loss factors of a conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConductorLoss {
    /// η_T, of the energy that the tension stores.
    pub tension: f64,
    /// η_E, of the energy that bending stores.
    pub bending: f64,
}

impl ConductorLoss {
    /// What a running wave fades by, α, 1/m.
    pub fn fading_per_m(self, conductor: &StrungConductor, frequency_hz: f64) -> f64 {
        let k = conductor.wave_number_per_m(frequency_hz);
        let bending_n = conductor.bending_stiffness_n_m2 * maths::square(k);
        let lost_n = self.tension * conductor.tension_n + self.bending * bending_n;
        0.5 * k * lost_n / (conductor.tension_n + 2.0 * bending_n)
    }
}
