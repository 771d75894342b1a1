//! The strung conductor as a tensioned Euler–Bernoulli beam between two
//! clamps, exact at any Laplace variable: impedances in, displacement field
//! per newton out. Pure.
//!
//! `EI (1 + tau s) y'''' − T y'' + (m s² + c s) y = f` has in each segment the
//! four solutions `exp(±k x)`, two that travel and two that fade. Each is
//! scaled to 1 at the end of the segment it comes from, so that nothing
//! overflows however stiff or long the span. Between segments, displacement,
//! slope and moment are continuous, and `D (y'''₊ − y'''₋) + Z s y = F`. Both
//! clamps hold the slope; the one at the damper end may give a little and so
//! take power, as real abutments do.

#![allow(
    clippy::indexing_slicing,
    reason = "dense kernel: rows, columns and segments are bounded by the layout built in Beam::new"
)]

use num_complex::Complex64;

use super::linear::{LIMIT, System};

/// Conductor, clamps and the points where something is attached.
#[derive(Debug, Clone)]
pub(super) struct Beam {
    pub(super) tension_n: f64,
    pub(super) mass_kg_per_m: f64,
    pub(super) stiffness_n_m2: f64,
    pub(super) self_damping_s: f64,
    pub(super) viscous_n_s_per_m2: f64,
    /// Velocity over force of the clamp at the damper end, m/s per N; 0 is
    /// rigid. The clamp at the drive end is rigid.
    pub(super) end_mobility_m_per_n_s: f64,
    /// Segment bounds, m from the drive-end clamp: 0, attachments, length.
    pub(super) bounds: Vec<f64>,
    /// Inverse length that scales slopes and moments to displacements, 1/m.
    scale: f64,
}

/// The two wave numbers at one `s`, as `exp(±k x)`, 1/m.
#[derive(Debug, Clone, Copy)]
pub(super) struct Waves {
    /// Travelling: about `s/c`.
    pub(super) travelling: Complex64,
    /// Evanescent: about `sqrt(T/EI)`.
    pub(super) evanescent: Complex64,
    /// `EI (1 + tau s)`, N m².
    pub(super) stiffness: Complex64,
}

/// Displacement along the span at one `s`: `y`, and its derivatives.
#[derive(Debug, Clone)]
pub(super) struct DisplacementField {
    pub(super) s: Complex64,
    pub(super) waves: Waves,
    constants: [Complex64; LIMIT],
    bounds: Vec<f64>,
}

impl Beam {
    /// `attachments` are places strictly between 0 and `length_m`, ascending,
    /// at most two.
    pub(super) fn new(conductor: [f64; 5], length_m: f64, attachments: &[f64]) -> Self {
        let [
            tension_n,
            mass_kg_per_m,
            stiffness_n_m2,
            self_damping_s,
            viscous_n_s_per_m2,
        ] = conductor;
        let mut bounds = vec![0.0];
        bounds.extend(attachments.iter().take(LIMIT / 4 - 1));
        bounds.push(length_m);
        // The fading length where tension rules, the loop length where EI does.
        let scale = (tension_n / stiffness_n_m2)
            .sqrt()
            .max(std::f64::consts::PI / length_m);
        Self {
            tension_n,
            mass_kg_per_m,
            stiffness_n_m2,
            self_damping_s,
            viscous_n_s_per_m2,
            end_mobility_m_per_n_s: 0.0,
            bounds,
            scale,
        }
    }

    /// Wave numbers at `s` ≠ 0, by the stable form of the quadratic for k².
    pub(super) fn waves(&self, s: Complex64) -> Waves {
        let stiffness = (s * self.self_damping_s + 1.0) * self.stiffness_n_m2;
        let inertia = s * s * self.mass_kg_per_m + s * self.viscous_n_s_per_m2;
        let root = (self.tension_n * self.tension_n - stiffness * inertia * 4.0).sqrt();
        let sum = root + self.tension_n;
        // s outside the root keeps the branch that is analytic around s = j omega.
        let travelling =
            s * ((self.mass_kg_per_m + self.viscous_n_s_per_m2 / s) * 2.0 / sum).sqrt();
        Waves {
            travelling,
            evanescent: (sum / (stiffness * 2.0)).sqrt(),
            stiffness,
        }
    }

    /// The boundary conditions at `s` with a mechanical impedance and a force
    /// at each attachment, not yet solved.
    pub(super) fn system(
        &self,
        s: Complex64,
        impedances: &[Complex64],
        forces: &[f64],
    ) -> (System, Waves) {
        let waves = self.waves(s);
        let segments = self.bounds.len() - 1;
        let mut system = System::new(4 * segments);
        let unit = 1.0 / self.scale;
        let force_unit = 1.0 / (self.stiffness_n_m2 * self.scale.powi(3));
        let mut row = 0;
        let first = basis(&waves, self.bounds[1] - self.bounds[0], 0.0);
        for (order, factor) in [(0, 1.0), (1, unit)] {
            for (k, solution) in first.iter().enumerate() {
                system.matrix[row][k] = solution[order] * factor;
            }
            row += 1;
        }
        for joint in 1..segments {
            let left_length = self.bounds[joint] - self.bounds[joint - 1];
            let left = basis(&waves, left_length, left_length);
            let right = basis(&waves, self.bounds[joint + 1] - self.bounds[joint], 0.0);
            let (l, r) = (4 * (joint - 1), 4 * joint);
            let load = s * impedances[joint - 1] * force_unit;
            for k in 0..4 {
                for (order, factor) in [(0, 1.0), (1, unit), (2, unit * unit)] {
                    system.matrix[row + order][l + k] = left[k][order] * -factor;
                    system.matrix[row + order][r + k] = right[k][order] * factor;
                }
                let shear = waves.stiffness * force_unit;
                system.matrix[row + 3][l + k] = -shear * left[k][3];
                system.matrix[row + 3][r + k] = shear * right[k][3] + load * right[k][0];
            }
            system.right[row + 3] = Complex64::from(forces[joint - 1] * force_unit);
            row += 4;
        }
        let last_length = self.bounds[segments] - self.bounds[segments - 1];
        let last = basis(&waves, last_length, last_length);
        let give = self.end_mobility_m_per_n_s / s;
        for (k, solution) in last.iter().enumerate() {
            let column = 4 * (segments - 1) + k;
            // The beam presses the clamp with D y''' - T y'.
            let force = waves.stiffness * solution[3] - solution[1] * self.tension_n;
            system.matrix[row][column] = solution[0] - give * force;
            system.matrix[row + 1][column] = solution[1] * unit;
        }
        (system, waves)
    }

    /// The field with the given impedances and forces at the attachments.
    pub(super) fn field(
        &self,
        s: Complex64,
        impedances: &[Complex64],
        forces: &[f64],
    ) -> DisplacementField {
        let (mut system, waves) = self.system(s, impedances, forces);
        system.solve();
        DisplacementField {
            s,
            waves,
            constants: system.right,
            bounds: self.bounds.clone(),
        }
    }
}

/// The four scaled solutions and their first three derivatives at `x` of a
/// segment of length `length`.
fn basis(waves: &Waves, length: f64, x: f64) -> [[Complex64; 4]; 4] {
    let derivatives = |k: Complex64, distance: f64, sign: f64| {
        let value = (-k * distance).exp();
        let slope = k * sign;
        [
            value,
            value * slope,
            value * slope * slope,
            value * slope * slope * slope,
        ]
    };
    [
        derivatives(waves.travelling, x, -1.0),
        derivatives(waves.travelling, length - x, 1.0),
        derivatives(waves.evanescent, x, -1.0),
        derivatives(waves.evanescent, length - x, 1.0),
    ]
}

impl DisplacementField {
    /// `[y, y', y'', y''']` at `x`, m from the drive-end clamp; at an
    /// attachment, on its damper side.
    pub(super) fn at(&self, x: f64) -> [Complex64; 4] {
        let last = self.bounds.len() - 2;
        let segment = (1..=last).rfind(|&k| x >= self.bounds[k]).unwrap_or(0);
        let start = self.bounds[segment];
        let solutions = basis(&self.waves, self.bounds[segment + 1] - start, x - start);
        let constants = &self.constants[4 * segment..4 * segment + 4];
        let mut sum = [Complex64::new(0.0, 0.0); 4];
        for (constant, solution) in constants.iter().zip(&solutions) {
            for (total, value) in sum.iter_mut().zip(solution) {
                *total += constant * value;
            }
        }
        sum
    }

    /// The same field, `factor` times as large.
    #[must_use]
    pub(super) fn scaled(mut self, factor: Complex64) -> Self {
        for constant in &mut self.constants {
            *constant *= factor;
        }
        self
    }

    /// Adds `factor` times the constants of `other`, which must be of the same
    /// span. Used where a field is built up from solutions near a pole.
    pub(super) fn add(&mut self, other: &Self, factor: Complex64) {
        for (mine, theirs) in self.constants.iter_mut().zip(&other.constants) {
            *mine += theirs * factor;
        }
    }

    /// A zero field at `s`, to be added to.
    pub(super) fn zero(beam: &Beam, s: Complex64) -> Self {
        Self {
            s,
            waves: beam.waves(s),
            constants: [Complex64::new(0.0, 0.0); LIMIT],
            bounds: beam.bounds.clone(),
        }
    }
}
