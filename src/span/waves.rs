//! Running waves on a strung conductor: speed, impedance, wave number.
//!
//! In: tension, mass, bending stiffness, a frequency. Out: wave quantities.
//! Pure.
//!
//! A conductor carries transverse waves by its tension T and, at high
//! frequency, by its bending stiffness EI as well:
//! `T k² + EI k⁴ = m ω²` (tensioned Euler–Bernoulli beam). With EI = 0 this is
//! the string of IEEE 664.

use crate::maths;
use std::f64::consts::{PI, TAU};

/// A conductor strung between two rigid clamps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StrungConductor {
    /// Tension T, N, > 0.
    pub tension_n: f64,
    /// Mass per length m, kg/m, > 0.
    pub mass_kg_per_m: f64,
    /// Bending stiffness EI, N m²; 0 is a string.
    pub bending_stiffness_n_m2: f64,
    /// Free length L between the clamps, m, > 0.
    pub length_m: f64,
}

impl StrungConductor {
    /// Wave speed of the string, sqrt(T/m), m/s.
    pub fn wave_speed_m_s(&self) -> f64 {
        (self.tension_n / self.mass_kg_per_m).sqrt()
    }

    /// Wave impedance of the string, sqrt(T m), N s/m (IEEE 664).
    pub fn wave_impedance_n_s_per_m(&self) -> f64 {
        (self.tension_n * self.mass_kg_per_m).sqrt()
    }

    /// Wave impedance with bending stiffness, (T k + 2 EI k³)/ω, N s/m: the
    /// one for which ½ Z V_a V_n is the power carried past a node.
    pub fn stiff_wave_impedance_n_s_per_m(&self, frequency_hz: f64) -> f64 {
        let k = self.wave_number_per_m(frequency_hz);
        (self.tension_n * k + 2.0 * self.bending_stiffness_n_m2 * maths::cube(k))
            / (TAU * frequency_hz)
    }

    /// Wave number k of the travelling wave, rad/m.
    pub fn wave_number_per_m(&self, frequency_hz: f64) -> f64 {
        let inertia = self.mass_kg_per_m * maths::square(TAU * frequency_hz);
        // The root of the quadratic in k², written so that it stays exact as
        // EI goes to 0.
        let root =
            (maths::square(self.tension_n) + 4.0 * self.bending_stiffness_n_m2 * inertia).sqrt();
        (2.0 * inertia / (self.tension_n + root)).sqrt()
    }

    /// The same conductor at the tension at which it has this wave number, rad/m:
    /// T = (m ω² − EI k⁴)/k².
    #[must_use]
    pub fn with_wave_number(&self, frequency_hz: f64, wave_number_per_m: f64) -> Self {
        let square = maths::square(wave_number_per_m);
        let inertia = self.mass_kg_per_m * maths::square(TAU * frequency_hz);
        Self {
            tension_n: inertia / square - self.bending_stiffness_n_m2 * square,
            ..*self
        }
    }

    /// Decay number q of the near field at a clamp, 1/m, q² = k² + T/EI.
    /// `None` for a string, which has no near field.
    pub fn near_field_number_per_m(&self, frequency_hz: f64) -> Option<f64> {
        (self.bending_stiffness_n_m2 > 0.0).then(|| {
            let k = self.wave_number_per_m(frequency_hz);
            (k * k + self.tension_n / self.bending_stiffness_n_m2).sqrt()
        })
    }

    /// Frequency whose travelling wave has the wave number k, Hz.
    pub fn frequency_hz(&self, wave_number_per_m: f64) -> f64 {
        let k2 = maths::square(wave_number_per_m);
        ((self.tension_n * k2 + self.bending_stiffness_n_m2 * k2 * k2) / self.mass_kg_per_m).sqrt()
            / TAU
    }

    /// Wavelength 2π/k, m.
    pub fn wavelength_m(&self, frequency_hz: f64) -> f64 {
        TAU / self.wave_number_per_m(frequency_hz)
    }

    /// Loop length π/k, m: half a wavelength.
    pub fn loop_length_m(&self, frequency_hz: f64) -> f64 {
        PI / self.wave_number_per_m(frequency_hz)
    }

    /// Speed dω/dk at which energy travels, m/s; the wave speed for a string.
    pub fn group_speed_m_s(&self, frequency_hz: f64) -> f64 {
        self.stiff_wave_impedance_n_s_per_m(frequency_hz) / self.mass_kg_per_m
    }

    /// Spacing of the harmonics at a frequency, Hz: c_g/(2L).
    pub fn spacing_hz(&self, frequency_hz: f64) -> f64 {
        self.group_speed_m_s(frequency_hz) / (2.0 * self.length_m)
    }

    /// Half-power bandwidth of a resonance with the inverse standing wave
    /// ratio S, Hz: 2 S f1/π with f1 the spacing of the harmonics. For a
    /// string f1 = c/(2L); with stiffness the spacing is c_g/(2L), c_g the
    /// group speed. From loss factor = power / (ω · stored energy) with power
    /// ½ Z V² S and energy ¼ m L V².
    pub fn half_power_bandwidth_hz(&self, frequency_hz: f64, iswr: f64) -> f64 {
        2.0 * iswr / PI * self.spacing_hz(frequency_hz)
    }

    /// The same from the decay itself, for any ratio: a wave comes back with
    /// (1−S)/(1+S) of its amplitude after a round trip of 1/f1, f1 as above, so
    /// df = (f1/π) ln((1+S)/(1−S)). For small S that is 2 S f1/π.
    pub fn decay_bandwidth_hz(&self, frequency_hz: f64, iswr: f64) -> f64 {
        self.spacing_hz(frequency_hz) / PI * maths::ln((1.0 + iswr) / (1.0 - iswr))
    }
}

/// Modulus of aluminium, Pa (common handbook value).
const ALUMINIUM_PA: f64 = 69e9;

/// The largest bending stiffness over that of a solid rod of aluminium.
const LARGEST_PART: f64 = 0.5;

/// The most that the bending stiffness of a conductor is taken to be, N m²: half of
/// that of a solid rod of aluminium. A stranded conductor, all wires bonded, has about
/// 0.6 of it, and slips far below (from memory).
pub fn largest_bending_stiffness_n_m2(diameter_m: f64) -> f64 {
    let rod_m4 = PI * maths::square(maths::square(diameter_m)) / 64.0;
    LARGEST_PART * ALUMINIUM_PA * rod_m4
}

/// Time constant of the ring-up of a resonance, 1/(π df), s.
pub fn ring_up_time_constant_s(half_power_bandwidth_hz: f64) -> f64 {
    1.0 / (PI * half_power_bandwidth_hz)
}

/// The span of the demonstration, for the tests of this folder.
#[cfg(test)]
pub(crate) fn demo_span() -> StrungConductor {
    StrungConductor {
        tension_n: 18_000.0,
        mass_kg_per_m: 0.98,
        bending_stiffness_n_m2: 180.0,
        length_m: 36.0,
    }
}

/// Harmonics, with their numbers, of spans between rigid clamps by finite elements
/// (`tests/reference/clamped_span.py`: Hermite beam elements, SciPy).
#[cfg(test)]
pub(super) fn by_finite_elements() -> impl Iterator<Item = (StrungConductor, u32, f64)> {
    let table = include_str!("../../tests/reference/clamped_span.csv");
    table.lines().skip(1).map(|line| {
        let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
        let span = StrungConductor {
            tension_n: v[0],
            mass_kg_per_m: v[1],
            bending_stiffness_n_m2: v[2],
            length_m: v[3],
        };
        (span, v[4] as u32, v[5])
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Drake at 25 % of its rated strength: 140.1 kN, 1.628 kg/m (a conductor
    /// cable file on the web; ASTM B232 strength).
    fn drake() -> StrungConductor {
        StrungConductor {
            tension_n: 35_025.0,
            mass_kg_per_m: 1.628,
            bending_stiffness_n_m2: 0.0,
            length_m: 40.0,
        }
    }

    #[test]
    fn published_wavelength_of_a_stiff_conductor() {
        // A line example, tests/reference/bending_strain.csv (line_example_…):
        // at 40 Hz a wavelength of about 4.30 m.
        let line = StrungConductor {
            tension_n: 15_420.0,
            mass_kg_per_m: 0.536,
            bending_stiffness_n_m2: 215.53,
            length_m: 300.0,
        };
        assert!((line.wavelength_m(40.0) - 4.30).abs() < 0.01);
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..line
        };
        // The string alone would give 4.24 m, outside the tolerance above.
        assert!((string.wavelength_m(40.0) - 4.24).abs() < 0.01);
    }

    #[test]
    fn wave_number_and_frequency_agree() {
        let stiff = StrungConductor {
            bending_stiffness_n_m2: 1700.0,
            ..drake()
        };
        for f in [1.0, 8.3, 64.0, 200.0] {
            let back = stiff.frequency_hz(stiff.wave_number_per_m(f));
            assert!((back / f - 1.0).abs() < 1e-13);
        }
    }

    #[test]
    fn energy_travels_at_the_slope_of_the_dispersion_curve() {
        let stiff = StrungConductor {
            bending_stiffness_n_m2: 1700.0,
            ..drake()
        };
        for f in [5.0, 40.0, 120.0] {
            let k = stiff.wave_number_per_m(f);
            let slope = TAU * (stiff.frequency_hz(k * 1.0001) - stiff.frequency_hz(k * 0.9999))
                / (k * 0.0002);
            assert!((stiff.group_speed_m_s(f) / slope - 1.0).abs() < 1e-6);
        }
    }

    #[test]
    fn stiffness_raises_the_impedance_as_the_series_says() {
        // Z' = Z (1 + 2e)/sqrt(1 + e), e = EI k²/T: about 1.5 e above Z.
        let stiff = StrungConductor {
            bending_stiffness_n_m2: 1000.0,
            ..drake()
        };
        let f = 20.0;
        let e = 1000.0 * stiff.wave_number_per_m(f).powi(2) / stiff.tension_n;
        let ratio = stiff.stiff_wave_impedance_n_s_per_m(f) / stiff.wave_impedance_n_s_per_m();
        assert!((ratio - (1.0 + 1.5 * e)).abs() < 1.5 * e * e);
        assert!(ratio > 1.01);
    }

    #[test]
    fn ring_up_of_a_usual_span() {
        // Common practice, no source: about 0.1 Hz of bandwidth and some 3 s
        // of ring-up at an inverse standing wave ratio of 0.1.
        let span = StrungConductor {
            length_m: 36.0,
            ..drake()
        };
        let df = span.half_power_bandwidth_hz(30.0, 0.1);
        assert!((df - 0.13).abs() < 0.01);
        assert!((ring_up_time_constant_s(df) - 2.45).abs() < 0.1);
    }
}
