//! A strung conductor with a damper, written down from the equation of motion.
//!
//! With y(x, t) = Re(Y(x) e^(s t)), s = iω for a tone and a pole for a free
//! motion, between the places where something acts
//!
//! ```text
//! EI (1 + s τ) Y'''' − T Y'' + (m s² + c s) Y = 0
//! ```
//!
//! (beam under tension; Kelvin-Voigt loss τ in bending, viscous loss c along
//! the conductor). Y is a sum of cos, sin and two evanescent parts in each of
//! three segments: drive-end clamp, drive, damper, damper-end clamp. Twelve
//! coefficients follow from: no motion and no slope at the drive-end clamp; no
//! slope and a large mechanical impedance at the other; motion, slope and
//! bending moment continuous at drive and damper, the shear stepping by the
//! force there. The damper is a clamp with masses on lossy springs.
//!
//! Nothing here comes from the program or its virtual span.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

type Row = [Complex64; 13];
const ZERO: Complex64 = Complex64::new(0.0, 0.0);

/// One mass on a lossy spring below the damper's clamp.
#[derive(Debug, Clone, Copy)]
pub struct Resonator {
    pub mass_kg: f64,
    pub frequency_hz: f64,
    pub loss_factor: f64,
}

/// What is strung, SI units.
#[derive(Debug, Clone)]
pub struct SpanModel {
    pub length_m: f64,
    pub tension_n: f64,
    pub mass_kg_per_m: f64,
    pub stiffness_n_m2: f64,
    /// Kelvin-Voigt time of the bending loss, s.
    pub bending_loss_s: f64,
    /// Viscous loss along the conductor, N s/m².
    pub viscous_n_s_per_m2: f64,
    /// Admittance of the damper-end clamp over that of the conductor.
    pub end_admittance: Complex64,
    /// Drive, from the drive-end clamp.
    pub drive_m: f64,
    /// Damper, from the drive-end clamp.
    pub damper_m: f64,
    pub damper_clamp_kg: f64,
    pub resonators: Vec<Resonator>,
    /// Mechanical resistance of the shaker's amplifier at the drive, N s/m.
    pub shaker_n_s_per_m: f64,
    /// What moves with it, kg.
    pub shaker_kg: f64,
}

/// The field of a unit force of the shaker.
#[derive(Debug, Clone)]
pub struct Field {
    s: Complex64,
    wave: Complex64,
    evanescent: Complex64,
    stiffness: Complex64,
    tension_n: f64,
    /// Start and length of the segments.
    segments: [(f64, f64); 3],
    coefficients: [[Complex64; 4]; 3],
    /// Force into the conductor.
    pub force: Complex64,
}

/// Coefficients of the nth derivative of cos kξ, sin kξ, e^(−qξ), e^(−q(l−ξ)).
fn basis(k: Complex64, q: Complex64, length_m: f64, xi: f64, derivative: usize) -> [Complex64; 4] {
    let (sin, cos) = ((k * xi).sin(), (k * xi).cos());
    let (near, far) = ((-q * xi).exp(), (-q * (length_m - xi)).exp());
    match derivative {
        0 => [cos, sin, near, far],
        1 => [-k * sin, k * cos, -q * near, q * far],
        2 => [-k * k * cos, -k * k * sin, q * q * near, q * q * far],
        _ => [
            k * k * k * sin,
            -k * k * k * cos,
            -q * q * q * near,
            q * q * q * far,
        ],
    }
}

/// Gaussian elimination with row pivoting: the determinant, and the solution
/// in the last column.
fn eliminate(rows: &mut [Row; 12]) -> Complex64 {
    let mut determinant = Complex64::new(1.0, 0.0);
    for column in 0..12 {
        let pivot = (column..12)
            .max_by(|a, b| {
                rows[*a][column]
                    .norm_sqr()
                    .total_cmp(&rows[*b][column].norm_sqr())
            })
            .unwrap();
        if pivot != column {
            rows.swap(pivot, column);
            determinant = -determinant;
        }
        determinant *= rows[column][column];
        let inverse = rows[column][column].inv();
        let top = rows[column];
        for (row, values) in rows.iter_mut().enumerate() {
            if row != column && values[column] != ZERO {
                let factor = values[column] * inverse;
                for (value, above) in values.iter_mut().zip(&top).skip(column) {
                    *value -= factor * above;
                }
            }
        }
    }
    for (index, row) in rows.iter_mut().enumerate() {
        row[12] /= row[index];
    }
    determinant
}

impl SpanModel {
    pub fn impedance_n_s_per_m(&self) -> f64 {
        (self.tension_n * self.mass_kg_per_m).sqrt()
    }

    pub fn wave_speed_m_s(&self) -> f64 {
        (self.tension_n / self.mass_kg_per_m).sqrt()
    }

    /// The same span with every motion `factor` times as fast and of the same
    /// shape: stiffnesses grow with its square, resistances with it.
    pub fn faster(&self, factor: f64) -> Self {
        Self {
            tension_n: self.tension_n * factor * factor,
            stiffness_n_m2: self.stiffness_n_m2 * factor * factor,
            bending_loss_s: self.bending_loss_s / factor,
            viscous_n_s_per_m2: self.viscous_n_s_per_m2 * factor,
            shaker_n_s_per_m: self.shaker_n_s_per_m * factor,
            resonators: self
                .resonators
                .iter()
                .map(|resonator| Resonator {
                    frequency_hz: resonator.frequency_hz * factor,
                    ..*resonator
                })
                .collect(),
            ..self.clone()
        }
    }

    /// Force of the damper on its clamp over the clamp's velocity. A spring
    /// k (1 + s η/ω_j) under a mass M is k M s/(M s² + k) as an impedance.
    fn damper_impedance(&self, s: Complex64) -> Complex64 {
        self.resonators
            .iter()
            .map(|resonator| {
                let omega = TAU * resonator.frequency_hz;
                let spring =
                    resonator.mass_kg * omega * omega * (1.0 + s * resonator.loss_factor / omega);
                spring * resonator.mass_kg * s / (resonator.mass_kg * s * s + spring)
            })
            .sum::<Complex64>()
            + self.damper_clamp_kg * s
    }

    fn solve(&self, s: Complex64) -> (Complex64, Field) {
        let stiffness = self.stiffness_n_m2 * (1.0 + s * self.bending_loss_s);
        let inertia = s * s * self.mass_kg_per_m + s * self.viscous_n_s_per_m2;
        let root = (self.tension_n * self.tension_n - 4.0 * stiffness * inertia).sqrt();
        // −inertia/(…) instead of a difference of near equals.
        let wave = (-2.0 * inertia / (self.tension_n + root)).sqrt();
        let evanescent = ((self.tension_n + root) / (2.0 * stiffness)).sqrt();
        let segments = [
            (0.0, self.drive_m),
            (self.drive_m, self.damper_m - self.drive_m),
            (self.damper_m, self.length_m - self.damper_m),
        ];
        let at = |segment: usize, xi: f64, derivative| {
            basis(wave, evanescent, segments[segment].1, xi, derivative)
        };
        let mut rows = [[ZERO; 13]; 12];
        let mut number = 0;
        let mut enter = |parts: &[(usize, [Complex64; 4], Complex64)], right: Complex64| {
            for (segment, values, factor) in parts {
                for (i, value) in values.iter().enumerate() {
                    rows[number][4 * segment + i] += factor * value;
                }
            }
            rows[number][12] = right;
            number += 1;
        };
        let one = Complex64::new(1.0, 0.0);
        // Scales that keep the rows of like size; constants, so that the
        // determinant stays analytic in s.
        let k0 = 2.0;
        let (end, q3) = (segments[2].1, 1.0 / (self.tension_n * k0));
        enter(&[(0, at(0, 0.0, 0), one)], ZERO);
        enter(&[(0, at(0, 0.0, 1), one / k0)], ZERO);
        enter(&[(2, at(2, end, 1), one / k0)], ZERO);
        let clamp = self.impedance_n_s_per_m() * s / self.end_admittance;
        enter(
            &[
                (2, at(2, end, 3), stiffness / clamp),
                (2, at(2, end, 0), -one),
            ],
            ZERO,
        );
        let acting = [
            (self.shaker_n_per_m(s), one),
            (s * self.damper_impedance(s), ZERO),
        ];
        for (segment, (load, force)) in acting.into_iter().enumerate() {
            let length_m = segments[segment].1;
            for (derivative, scale) in [one, one / k0, one / (k0 * k0)].into_iter().enumerate() {
                enter(
                    &[
                        (segment, at(segment, length_m, derivative), scale),
                        (segment + 1, at(segment + 1, 0.0, derivative), -scale),
                    ],
                    ZERO,
                );
            }
            // EI (Y'''₊ − Y'''₋) = force − load Y, from integrating across.
            enter(
                &[
                    (segment + 1, at(segment + 1, 0.0, 3), stiffness * q3),
                    (segment, at(segment, length_m, 3), -stiffness * q3),
                    (segment, at(segment, length_m, 0), load * q3),
                ],
                force * q3,
            );
        }
        let determinant = eliminate(&mut rows);
        let mut coefficients = [[ZERO; 4]; 3];
        for (index, row) in rows.iter().enumerate() {
            coefficients[index / 4][index % 4] = row[12];
        }
        let mut field = Field {
            s,
            wave,
            evanescent,
            stiffness,
            tension_n: self.tension_n,
            segments,
            coefficients,
            force: one,
        };
        field.force = one - self.shaker_n_per_m(s) * field.motion(self.drive_m);
        (determinant, field)
    }

    /// Force that the shaker takes for itself over the motion of the drive.
    fn shaker_n_per_m(&self, s: Complex64) -> Complex64 {
        s * self.shaker_n_s_per_m + s * s * self.shaker_kg
    }

    /// The field of a unit force of the shaker at this complex frequency.
    pub fn field(&self, s: Complex64) -> Field {
        self.solve(s).1
    }

    pub fn field_at_hz(&self, frequency_hz: f64) -> Field {
        self.field(Complex64::new(0.0, TAU * frequency_hz))
    }

    fn determinant(&self, s: Complex64) -> Complex64 {
        self.solve(s).0
    }

    /// Poles of the span whose frequency lies within, by Newton's method from
    /// a grid finer than the harmonics; those of the damper's own, strongly
    /// damped masses left out.
    pub fn poles(&self, low_hz: f64, high_hz: f64) -> Vec<Complex64> {
        let spacing = PI * self.wave_speed_m_s() / self.length_m;
        let mut found: Vec<Complex64> = Vec::new();
        let mut start = TAU * low_hz - spacing;
        while start < TAU * high_hz + spacing {
            start += 0.2 * spacing;
            let Some(pole) = self.newton(Complex64::new(-0.02 * spacing, start)) else {
                continue;
            };
            let inside = pole.im > TAU * low_hz && pole.im < TAU * high_hz;
            let known = found
                .iter()
                .any(|other| (other - pole).norm() < 1e-4 * spacing);
            if inside && !known && pole.re < 0.0 && pole.re > -0.4 * spacing {
                found.push(pole);
            }
        }
        found.sort_by(|a, b| a.im.total_cmp(&b.im));
        found
    }

    fn newton(&self, mut s: Complex64) -> Option<Complex64> {
        for _ in 0..40 {
            let h = Complex64::new(1e-5 * s.im, 0.0);
            let (above, below) = (self.determinant(s + h), self.determinant(s - h));
            let here = self.determinant(s);
            let mut step = here * 2.0 * h / (above - below);
            let most = 0.02 * s.im;
            if step.norm() > most {
                step *= most / step.norm();
            }
            s -= step;
            if s.im <= 1.0 {
                return None;
            }
            if step.norm() < 1e-11 * s.im {
                return Some(s);
            }
        }
        None
    }
}

impl Field {
    fn derivative(&self, x_m: f64, order: usize) -> Complex64 {
        let segment = self
            .segments
            .iter()
            .rposition(|(start, _)| x_m >= *start)
            .unwrap();
        let (start, length_m) = self.segments[segment];
        basis(self.wave, self.evanescent, length_m, x_m - start, order)
            .iter()
            .zip(&self.coefficients[segment])
            .map(|(value, coefficient)| value * coefficient)
            .sum()
    }

    pub fn motion(&self, x_m: f64) -> Complex64 {
        self.derivative(x_m, 0)
    }

    pub fn curvature_per_m(&self, x_m: f64) -> Complex64 {
        self.derivative(x_m, 2)
    }

    pub fn wave_number_per_m(&self) -> f64 {
        self.wave.re.abs()
    }

    /// Mean power that passes a place towards the damper's end: that of the
    /// shear force and that of the bending moment.
    pub fn power_past_w(&self, x_m: f64) -> f64 {
        let velocity = self.s * self.derivative(x_m, 0);
        let turning = self.s * self.derivative(x_m, 1);
        let shear =
            self.stiffness * self.derivative(x_m, 3) - self.tension_n * self.derivative(x_m, 1);
        let moment = -self.stiffness * self.derivative(x_m, 2);
        0.5 * (shear * velocity.conj() + moment * turning.conj()).re
    }

    /// Where the size of the motion has its extreme within a stretch.
    pub fn extreme_m(&self, from_m: f64, to_m: f64, largest: bool) -> f64 {
        let size = |x_m: f64| {
            let size = self.motion(x_m).norm_sqr();
            if largest { -size } else { size }
        };
        let (mut low, mut high) = (from_m, to_m);
        let golden = 0.5 * (5.0_f64.sqrt() - 1.0);
        for _ in 0..60 {
            let (a, b) = (high - golden * (high - low), low + golden * (high - low));
            if size(a) < size(b) {
                high = b;
            } else {
                low = a;
            }
        }
        0.5 * (low + high)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A span that loses next to nothing, with next to no damper.
    fn plain(tension_n: f64, mass_kg_per_m: f64, stiffness_n_m2: f64, length_m: f64) -> SpanModel {
        SpanModel {
            length_m,
            tension_n,
            mass_kg_per_m,
            stiffness_n_m2,
            bending_loss_s: 0.0,
            viscous_n_s_per_m2: 1e-3,
            end_admittance: Complex64::new(1e-9, 0.0),
            drive_m: 0.037 * length_m,
            damper_m: 0.97 * length_m,
            damper_clamp_kg: 0.0,
            resonators: Vec::new(),
            shaker_n_s_per_m: 0.0,
            shaker_kg: 0.0,
        }
    }

    /// Frequencies of a beam under tension between clamps, made by finite
    /// elements (`tests/reference/clamped_span.py`).
    #[test]
    fn poles_stand_where_finite_elements_have_the_frequencies() {
        let table = include_str!("../../reference/clamped_span.csv");
        let rows: Vec<Vec<f64>> = table
            .lines()
            .skip(1)
            .map(|line| {
                line.split(',')
                    .map(|field| field.parse().unwrap())
                    .collect()
            })
            .collect();
        for (case, least_hz, most_hz) in [(0, 10.0, 40.0), (45, 5.0, 30.0)] {
            let row = &rows[case];
            let span = plain(row[0], row[1], row[2], row[3]);
            let poles = span.poles(least_hz, most_hz);
            let expected: Vec<f64> = rows
                .iter()
                .filter(|other| other[..4] == row[..4])
                .map(|other| other[5])
                .filter(|hz| *hz > least_hz && *hz < most_hz)
                .collect();
            assert_eq!(poles.len(), expected.len(), "span {:?}", &row[..4]);
            for (pole, hz) in poles.iter().zip(&expected) {
                assert!((pole.im / TAU / hz - 1.0).abs() < 5e-6, "{pole} for {hz}");
            }
        }
    }

    /// A clamp whose impedance is the conductor's own swallows a wave, and one
    /// that has r times as much leaves a standing wave of the ratio 1/r; at low
    /// stiffness, so that nothing evanescent counts.
    #[test]
    fn a_resistance_at_the_end_makes_the_standing_wave_of_a_string() {
        for ratio in [1.0, 0.5, 0.1] {
            let mut span = plain(18000.0, 0.98, 0.5, 36.0);
            span.viscous_n_s_per_m2 = 0.0;
            span.end_admittance = Complex64::new(ratio, 0.0);
            let field = span.field_at_hz(23.0);
            let quarter_m = 0.25 * TAU / field.wave_number_per_m();
            let node = field.extreme_m(20.0, 20.0 + 2.0 * quarter_m, false);
            let antinode = field.extreme_m(node, node + 2.0 * quarter_m, true);
            let found = field.motion(node).norm() / field.motion(antinode).norm();
            assert!((found - ratio).abs() < 0.01 * ratio, "{found} for {ratio}");
        }
    }

    /// What the shaker puts in passes the node and what is lost along the way
    /// does not: power in at the drive equals power past any place of a span
    /// without losses before it, and the standing wave's ½ V_a V_n (T k +
    /// 2 EI k³)/ω says the same.
    #[test]
    fn power_is_the_same_by_force_by_section_and_by_standing_wave() {
        let mut span = plain(18000.0, 0.98, 180.0, 36.0);
        span.viscous_n_s_per_m2 = 0.0;
        span.damper_clamp_kg = 0.3;
        span.resonators = vec![Resonator {
            mass_kg: 2.0,
            frequency_hz: 20.0,
            loss_factor: 0.4,
        }];
        let frequency_hz = 31.0;
        let field = span.field_at_hz(frequency_hz);
        let s = Complex64::new(0.0, TAU * frequency_hz);
        let by_force = 0.5 * (field.force * (s * field.motion(span.drive_m)).conj()).re;
        let k = field.wave_number_per_m();
        let quarter_m = 0.25 * TAU / k;
        let node = field.extreme_m(15.0, 15.0 + 2.0 * quarter_m, false);
        let antinode = field.extreme_m(node, node + 2.0 * quarter_m, true);
        let past = field.power_past_w(node);
        assert!((past / by_force - 1.0).abs() < 1e-6, "{past} {by_force}");
        let product = (s * field.motion(node)).norm() * (s * field.motion(antinode)).norm();
        let impedance = (18000.0 * k + 2.0 * 180.0 * k.powi(3)) / s.im;
        let by_wave = 0.5 * product * impedance;
        assert!((by_wave / past - 1.0).abs() < 1e-5, "{by_wave} {past}");
    }
}
