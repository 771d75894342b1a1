//! A tensioned beam between two clamps that give a little, with impedances and
//! one force at points: exact at one frequency. Shares no code with the program
//! or its virtual span.
//!
//! `EI (1 + j w tau) y'''' − T y'' + (j w c − w² m) y = 0` between the points, y
//! the displacement phasor. In every segment four exponentials, each scaled to 1
//! at the end where it is largest; at a point y, y', y'' go through and `EI y'''`
//! jumps by what the point's impedance and force ask for.

use num_complex::Complex64;
use std::f64::consts::TAU;

/// What hangs on the conductor at a place, m from the drive-end clamp.
#[derive(Debug, Clone, Copy)]
pub struct Attached {
    pub at_m: f64,
    /// Force over velocity, N s/m.
    pub impedance: Complex64,
    /// Force that acts there, N peak.
    pub force_n: f64,
}

#[derive(Debug, Clone)]
pub struct Conductor {
    pub length_m: f64,
    pub tension_n: f64,
    pub mass_kg_per_m: f64,
    pub stiffness_n_m2: f64,
    /// Viscous loss, N s/m per m.
    pub viscous: f64,
    /// Loss of bending, s.
    pub bending_loss_s: f64,
    /// Velocity over force of the two clamps, drive end first, m/s per N.
    pub mobility: [f64; 2],
}

/// The motion at one frequency.
pub struct Field {
    omega: f64,
    stiffness: Complex64,
    tension_n: f64,
    /// The four exponents.
    roots: [Complex64; 4],
    bounds: Vec<f64>,
    constants: Vec<Complex64>,
}

impl Conductor {
    pub fn field(&self, frequency_hz: f64, attached: &[Attached]) -> Field {
        let omega = TAU * frequency_hz;
        let j = Complex64::i();
        let stiffness = self.stiffness_n_m2 * (1.0 + j * omega * self.bending_loss_s);
        let inertia = j * omega * self.viscous - omega * omega * self.mass_kg_per_m;
        // EI q² − T q + inertia = 0 for the squares of the exponents.
        let root = (self.tension_n * self.tension_n - 4.0 * stiffness * inertia).sqrt();
        let fading = ((self.tension_n + root) / (2.0 * stiffness)).sqrt();
        let travelling = (inertia / (stiffness * fading * fading)).sqrt();
        let mut bounds = vec![0.0];
        bounds.extend(attached.iter().map(|a| a.at_m));
        bounds.push(self.length_m);
        let mut field = Field {
            omega,
            stiffness,
            tension_n: self.tension_n,
            roots: [travelling, -travelling, fading, -fading],
            bounds,
            constants: Vec::new(),
        };
        field.solve(attached, self.mobility);
        field
    }
}

impl Field {
    /// The solutions of a segment and their first three derivatives at x.
    fn basis(&self, segment: usize, x: f64) -> [[Complex64; 4]; 4] {
        let (from, to) = (self.bounds[segment], self.bounds[segment + 1]);
        self.roots.map(|root| {
            let origin = if root.re > 0.0 { to } else { from };
            let value = (root * (x - origin)).exp();
            [
                value,
                value * root,
                value * root * root,
                value * root * root * root,
            ]
        })
    }

    fn solve(&mut self, attached: &[Attached], mobility: [f64; 2]) {
        let segments = self.bounds.len() - 1;
        let size = 4 * segments;
        let zero = Complex64::new(0.0, 0.0);
        let mut rows = vec![vec![zero; size + 1]; size];
        let (ei, j_omega) = (self.stiffness, Complex64::new(0.0, self.omega));
        let mut row = 0;
        for (end, sign) in [(0, 1.0), (1, -1.0)] {
            let segment = if end == 0 { 0 } else { segments - 1 };
            let basis = self.basis(segment, self.bounds[if end == 0 { 0 } else { segments }]);
            for (k, y) in basis.iter().enumerate() {
                // The beam pulls its clamp with sign (T y' − EI y''').
                let pull = sign * (self.tension_n * y[1] - ei * y[3]);
                rows[row][4 * segment + k] = j_omega * y[0] - mobility[end] * pull;
                rows[row + 1][4 * segment + k] = y[1];
            }
            row += 2;
        }
        for (joint, hung) in attached.iter().enumerate() {
            let left = self.basis(joint, hung.at_m);
            let right = self.basis(joint + 1, hung.at_m);
            for k in 0..4 {
                for order in 0..3 {
                    rows[row + order][4 * joint + k] = -left[k][order];
                    rows[row + order][4 * joint + 4 + k] = right[k][order];
                }
                rows[row + 3][4 * joint + k] = -ei * left[k][3];
                rows[row + 3][4 * joint + 4 + k] =
                    ei * right[k][3] + hung.impedance * j_omega * right[k][0];
            }
            rows[row + 3][size] = hung.force_n.into();
            row += 4;
        }
        self.constants = eliminated(rows);
    }

    /// y and its first three derivatives.
    fn derivatives(&self, x: f64) -> [Complex64; 4] {
        let last = self.bounds.len() - 2;
        let segment = (1..=last).rfind(|s| x >= self.bounds[*s]).unwrap_or(0);
        let mut sum = [Complex64::new(0.0, 0.0); 4];
        for (k, y) in self.basis(segment, x).iter().enumerate() {
            for (total, value) in sum.iter_mut().zip(y) {
                *total += self.constants[4 * segment + k] * value;
            }
        }
        sum
    }

    pub fn velocity(&self, x: f64) -> Complex64 {
        Complex64::new(0.0, self.omega) * self.derivatives(x)[0]
    }

    pub fn curvature(&self, x: f64) -> Complex64 {
        self.derivatives(x)[2]
    }

    /// Rad/m.
    pub fn wave_number(&self) -> f64 {
        self.roots[0].im.abs()
    }

    /// 1/m.
    pub fn fading_number(&self) -> f64 {
        self.roots[2].re.abs()
    }

    /// Mean power through the section at x towards the damper end, W: what the
    /// left part does to the right one by shear, pull and moment.
    pub fn flux_w(&self, x: f64) -> f64 {
        let [_, slope, bend, third] = self.derivatives(x);
        let j_omega = Complex64::new(0.0, self.omega);
        let force = self.stiffness * third - self.tension_n * slope;
        0.5 * (force * self.velocity(x).conj() - self.stiffness * bend * (j_omega * slope).conj())
            .re
    }

    /// Where the motion is least or largest between two places, by golden
    /// section.
    pub fn extreme_m(&self, from: f64, to: f64, largest: bool) -> f64 {
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        let worse = |a: f64, b: f64| {
            let (a, b) = (self.velocity(a).norm_sqr(), self.velocity(b).norm_sqr());
            if largest { a < b } else { a > b }
        };
        let (mut low, mut high) = (from, to);
        while high - low > 1e-9 {
            let (a, b) = (high - golden * (high - low), low + golden * (high - low));
            if worse(a, b) {
                low = a;
            } else {
                high = b;
            }
        }
        0.5 * (low + high)
    }
}

/// Gaussian elimination with the largest pivot; the last column is the right
/// side.
fn eliminated(mut rows: Vec<Vec<Complex64>>) -> Vec<Complex64> {
    let size = rows.len();
    // Rows are of different dimensions: force, slope, bend.
    for row in &mut rows {
        let largest = row[..size].iter().map(|c| c.norm()).fold(0.0, f64::max);
        row.iter_mut().for_each(|c| *c /= largest);
    }
    for column in 0..size {
        let pivot = (column..size)
            .max_by(|a, b| rows[*a][column].norm().total_cmp(&rows[*b][column].norm()))
            .unwrap();
        rows.swap(column, pivot);
        let head = rows[column].clone();
        for row in rows.iter_mut().skip(column + 1) {
            let factor = row[column] / head[column];
            if factor.norm_sqr() > 0.0 {
                for (value, above) in row.iter_mut().zip(&head).skip(column) {
                    *value -= factor * above;
                }
            }
        }
    }
    let mut solution = vec![Complex64::new(0.0, 0.0); size];
    for row in (0..size).rev() {
        let known: Complex64 = (row + 1..size).map(|k| rows[row][k] * solution[k]).sum();
        solution[row] = (rows[row][size] - known) / rows[row][row];
    }
    solution
}
