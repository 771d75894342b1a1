//! Harmonics of the span and the shape of the motion near a clamp.
//!
//! In: a [`StrungConductor`]. Out: frequencies, harmonic numbers, shapes. Pure.
//!
//! Three laws, from the simplest to the one that `plan` uses:
//!
//! * string: `f_n = n c/(2L)`;
//! * stiff, pinned ends: `f_n = n c/(2L) · sqrt(1 + n² π² EI/(T L²))`;
//! * stiff, clamped ends: the root of `k L = n π + 2 atan(k t/q)`, with
//!   q² = k² + T/EI and t = tanh(qL/2) for even n, 1/tanh(qL/2) for odd n.
//!   This is the frequency equation
//!   `2 k q (1 − cos kL cosh qL) + (q² − k²) sin kL sinh qL = 0` of the
//!   clamped tensioned beam (A. Bokaian, J. Sound Vib. 142 (1990) 481; from
//!   memory), split into its symmetric and antisymmetric modes.
//!
//! A clamp holds the slope at zero, so the conductor's motion leaves it only
//! after a near field of length 1/q. Beyond that it looks like a string which
//! is held not at the clamp but `end correction` = atan(k/q)/k further in:
//! about sqrt(EI/T), 0.1 m to 0.3 m for a conductor. The clamped span sounds
//! like a string shorter by two end corrections.

use std::f64::consts::PI;

use super::waves::StrungConductor;
use crate::maths;

/// Beyond this distance to the nearest harmonic, in spacings between
/// harmonics, a measured frequency gets no harmonic number: a damper shifts
/// resonances by parts of a spacing, and half way between two the number
/// would be a guess.
pub const HARMONIC_TOLERANCE_SPACINGS: f64 = 0.35;

impl StrungConductor {
    /// Harmonic n of a string, Hz.
    pub fn string_harmonic_hz(&self, n: u32) -> f64 {
        f64::from(n) * self.wave_speed_m_s() / (2.0 * self.length_m)
    }

    /// Harmonic n of the stiff span with pinned ends, Hz.
    pub fn pinned_harmonic_hz(&self, n: u32) -> f64 {
        self.frequency_hz(f64::from(n) * PI / self.length_m)
    }

    /// Harmonic n ≥ 1 of the stiff span with clamped ends, Hz; of the string
    /// where no bending stiffness is given.
    pub fn clamped_harmonic_hz(&self, n: u32) -> f64 {
        if self.bending_stiffness_n_m2 <= 0.0 {
            return self.string_harmonic_hz(n);
        }
        let target = f64::from(n) * PI;
        // 2 atan(k t/q) lies between 0 and π, so the root lies in this interval.
        let (mut low, mut high) = (target / self.length_m, (target + PI) / self.length_m);
        // 60 halvings: below the last bit of a double.
        for _ in 0..60 {
            let k = 0.5 * (low + high);
            let excess = k * self.length_m - 2.0 * self.clamp_phase(k, Some(n)) - target;
            if excess < 0.0 {
                low = k;
            } else {
                high = k;
            }
        }
        self.frequency_hz(0.5 * (low + high))
    }

    /// Harmonic n as the program uses it: clamped ends where the bending
    /// stiffness is known, the string otherwise, Hz.
    pub fn harmonic_hz(&self, n: u32) -> f64 {
        self.clamped_harmonic_hz(n)
    }

    /// How far inside the clamp the equivalent string is held, m; 0 for a
    /// string, near sqrt(EI/T) otherwise.
    pub fn end_correction_m(&self, frequency_hz: f64) -> f64 {
        let k = self.wave_number_per_m(frequency_hz);
        self.clamp_phase(k, None) / k
    }

    /// Loops of the bare span at a frequency, a real number; whole at its
    /// harmonics.
    pub fn loops(&self, frequency_hz: f64) -> f64 {
        let k = self.wave_number_per_m(frequency_hz);
        (k * self.length_m - 2.0 * self.clamp_phase(k, None)) / PI
    }

    /// The nearest harmonic of the bare span, n ≥ 1. `None` where the
    /// frequency is further than `tolerance` spacings from it.
    pub fn nearest_harmonic(&self, frequency_hz: f64, tolerance: f64) -> Option<u32> {
        if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
            return None;
        }
        let number = self.loops(frequency_hz);
        let nearest = number.round();
        let close = (number - nearest).abs() <= tolerance;
        (close && nearest >= 1.0 && nearest < f64::from(u32::MAX)).then_some(nearest as u32)
    }

    /// The nearest harmonic of the bare span, n ≥ 1. `None` where the
    /// frequency is further than [`HARMONIC_TOLERANCE_SPACINGS`] from it.
    pub fn harmonic_of(&self, frequency_hz: f64) -> Option<u32> {
        self.nearest_harmonic(frequency_hz, HARMONIC_TOLERANCE_SPACINGS)
    }

    /// Signed motion at the distance x from a clamp, as a part of the
    /// antinode's motion, −1..1: sin(kx − φ) + sin φ e^(−qx), for a lossless
    /// standing wave. sin(kx) for a string.
    pub fn motion_near_clamp(&self, frequency_hz: f64, distance_m: f64) -> f64 {
        let k = self.wave_number_per_m(frequency_hz);
        let phase = self.clamp_phase(k, None);
        let near_field = self
            .near_field_number_per_m(frequency_hz)
            .map_or(0.0, |q| maths::sin(phase) * maths::exp(-q * distance_m));
        maths::sin(k * distance_m - phase) + near_field
    }

    /// Phase of the standing wave at the distance x from a clamp beyond its near
    /// field, kx − φ, rad: its sine is the motion.
    pub fn phase_from_clamp(&self, frequency_hz: f64, distance_m: f64) -> f64 {
        let k = self.wave_number_per_m(frequency_hz);
        k * distance_m - self.clamp_phase(k, None)
    }

    /// atan(k t/q), the phase that one clamp adds. Without `n` the far clamp
    /// is taken as beyond the near field (t = 1).
    fn clamp_phase(&self, k: f64, n: Option<u32>) -> f64 {
        if self.bending_stiffness_n_m2 <= 0.0 {
            return 0.0;
        }
        let q = (k * k + self.tension_n / self.bending_stiffness_n_m2).sqrt();
        let t = match n {
            None => 1.0,
            Some(n) if n.is_multiple_of(2) => maths::tanh(0.5 * q * self.length_m),
            Some(_) => 1.0 / maths::tanh(0.5 * q * self.length_m),
        };
        maths::atan(k * t / q)
    }
}

#[cfg(test)]
mod tests {
    use super::super::waves::{by_finite_elements, demo_span as span};
    use super::*;

    #[test]
    fn clamped_harmonics_against_finite_elements() {
        let mut rows = 0;
        for (span, number, hz) in by_finite_elements() {
            let f = span.clamped_harmonic_hz(number);
            assert!((f / hz - 1.0).abs() < 1e-6, "{span:?}, {number}, {hz}: {f}");
            rows += 1;
        }
        assert_eq!(rows, 76);
    }

    #[test]
    fn without_tension_the_clamped_beam_of_the_handbook() {
        // Clamped–clamped beam: kL = 4.7300, 7.8532, 10.9956, 14.1372
        // (R. D. Blevins, Formulas for Natural Frequency and Mode Shape; from
        // memory).
        let beam = StrungConductor {
            tension_n: 1e-6,
            mass_kg_per_m: 1.0,
            bending_stiffness_n_m2: 1.0,
            length_m: 1.0,
        };
        for (n, kl) in [(1, 4.7300), (2, 7.8532), (3, 10.9956), (4, 14.1372)] {
            let k = beam.wave_number_per_m(beam.clamped_harmonic_hz(n));
            assert!((k - kl).abs() < 1e-4, "{n}: {k}");
        }
    }

    #[test]
    fn the_clamped_span_is_a_string_shorter_by_two_end_corrections() {
        let span = span();
        // sqrt(EI/T) = 0.1 m: the first harmonic is that of a string of 35.8 m.
        assert!((span.end_correction_m(2.0) - 0.1).abs() < 1e-3);
        let shorter = StrungConductor {
            length_m: 35.8,
            bending_stiffness_n_m2: 0.0,
            ..span
        };
        let ratio = span.clamped_harmonic_hz(1) / shorter.string_harmonic_hz(1);
        assert!((ratio - 1.0).abs() < 1e-4, "{ratio}");
        assert!(span.clamped_harmonic_hz(1) > span.pinned_harmonic_hz(1));
    }

    #[test]
    fn near_field_keeps_the_conductor_flat_at_the_clamp() {
        let span = span();
        let f = span.harmonic_hz(20);
        assert!(span.motion_near_clamp(f, 0.0).abs() < 1e-12);
        // Slope zero: the motion starts with the square of the distance.
        let (near, far) = (
            span.motion_near_clamp(f, 1e-4),
            span.motion_near_clamp(f, 2e-4),
        );
        assert!((far / near - 4.0).abs() < 0.01, "{}", far / near);
    }

    #[test]
    fn a_frequency_gets_the_number_of_its_harmonic() {
        let span = span();
        for n in [1, 2, 17, 40] {
            let f = span.harmonic_hz(n);
            let spacing = span.harmonic_hz(n + 1) - f;
            assert_eq!(span.harmonic_of(f), Some(n));
            assert_eq!(span.harmonic_of(f + 0.33 * spacing), Some(n));
            assert_eq!(span.harmonic_of(f + 0.5 * spacing), None);
            assert_eq!(span.harmonic_of(f + 0.67 * spacing), Some(n + 1));
        }
        for nonsense in [0.0, -3.0, f64::NAN, f64::INFINITY, 0.2] {
            assert_eq!(span.harmonic_of(nonsense), None);
        }
    }
}
