//! Dynamic bending strain at a clamp, from the motion of the conductor.
//!
//! In: motion, wire diameter, stiffness. Out: strain as a plain ratio (1e-6 is
//! 1 µm/m), peak unless the name says `pp`. Pure.
//!
//! Strain limits and gauges in this program are always peak-to-peak: 300 µm/m
//! peak-to-peak is 150 µm/m zero-to-peak.

use crate::maths;
use std::f64::consts::PI;

/// The distance from the last point of contact at which the bending amplitude
/// of a line conductor is measured, m: 89 mm (Poffenberger and Swart 1965;
/// IEEE Std 1368).
pub const BENDING_AMPLITUDE_DISTANCE_M: f64 = 0.089;

/// The wire whose strain is asked for and the stiffness that goes with it.
///
/// Both must belong together: the diameter of an outer wire with the least
/// stiffness (all wires bend by themselves), or the diameter of the conductor
/// with the greatest (all wires bend as one body). A mixture gives a wrong
/// strain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BendingWire {
    /// Diameter, mm.
    pub diameter_mm: f64,
    /// Bending stiffness EI, N m².
    pub bending_stiffness_n_m2: f64,
}

impl BendingWire {
    /// Peak clamp strain at the peak antinode velocity V, m/s, of a standing
    /// wave: ½ d sqrt(m/EI) V, which is π d sqrt(m/EI) f y_max (EPRI,
    /// "Wind-Induced Conductor Motion" 2009, eq. 3.2-14, as quoted in public
    /// research code).
    ///
    /// It does not depend on frequency or tension: the curvature at the clamp
    /// is k q y_max, and k q = ω sqrt(m/EI).
    pub fn clamp_strain(&self, antinode_velocity_m_s: f64, mass_kg_per_m: f64) -> f64 {
        0.5 * self.diameter_mm
            * 1e-3
            * (mass_kg_per_m / self.bending_stiffness_n_m2).sqrt()
            * antinode_velocity_m_s
    }

    /// Peak antinode velocity, m/s, at which the clamp strain is reached.
    pub fn velocity_at_clamp_strain_m_s(&self, strain: f64, mass_kg_per_m: f64) -> f64 {
        strain / self.clamp_strain(1.0, mass_kg_per_m)
    }

    /// Peak clamp strain per metre of peak-to-peak bending amplitude Y_b at a
    /// distance x from the clamp: d p²/(4 (e^(−px) − 1 + px)), p = sqrt(T/EI)
    /// (Poffenberger and Swart 1965; EPRI 2009, eq. 3.2-15). The 4 belongs to
    /// a peak-to-peak Y_b.
    pub fn strain_per_bending_amplitude_pp(&self, tension_n: f64, distance_m: f64) -> f64 {
        let p = (tension_n / self.bending_stiffness_n_m2).sqrt();
        let px = p * distance_m;
        // exp_m1 keeps the difference exact when px is small.
        self.diameter_mm * 1e-3 * p * p / (4.0 * (maths::exp_m1(-px) + px))
    }
}

/// The least bending stiffness, N m²: every wire bends by itself,
/// Σ E_i π d_i⁴/64. Each layer is (number of wires, diameter mm, modulus GPa).
pub fn least_bending_stiffness_n_m2(wires: &[(u32, f64, f64)]) -> f64 {
    wires
        .iter()
        .map(|&(count, diameter_mm, modulus_gpa)| {
            f64::from(count) * modulus_gpa * 1e9 * PI * maths::whole_power(diameter_mm * 1e-3, 4)
                / 64.0
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A value of `tests/reference/bending_strain.csv`, where its source stands.
    fn outside(quantity: &str) -> f64 {
        include_str!("../../tests/reference/bending_strain.csv")
            .lines()
            .find_map(|line| {
                line.strip_prefix(quantity)?
                    .strip_prefix(',')?
                    .split(',')
                    .next()
            })
            .unwrap_or_else(|| panic!("no {quantity}"))
            .parse()
            .unwrap()
    }

    /// ACSR Drake: 26 wires of aluminium, 7 of steel.
    fn drake_wire() -> BendingWire {
        let wires = |count, metal: &str| {
            let diameter_mm = outside(&format!("drake_{metal}_diameter"));
            (
                count,
                diameter_mm,
                outside(&format!("drake_{metal}_modulus")),
            )
        };
        BendingWire {
            diameter_mm: outside("drake_aluminium_diameter"),
            bending_stiffness_n_m2: least_bending_stiffness_n_m2(&[
                wires(26, "aluminium"),
                wires(7, "steel"),
            ]),
        }
    }

    #[test]
    fn least_stiffness_of_published_conductors() {
        let ei = least_bending_stiffness_n_m2(&[(
            outside("aaac570_wires") as u32,
            outside("aaac570_wire_diameter"),
            outside("aaac570_modulus"),
        )]);
        // The modulus is from memory.
        assert!(
            (ei / outside("aaac570_least_stiffness") - 1.0).abs() < 0.03,
            "{ei}"
        );
        let ei = drake_wire().bending_stiffness_n_m2;
        assert!((ei - outside("drake_least_stiffness")).abs() < 0.05, "{ei}");
    }

    #[test]
    fn the_two_formulas_agree_with_the_handbook_pair() {
        // The same limit as a stress, zero-to-peak, and as f·y_max, peak.
        let modulus_pa = 1e9 * outside("drake_aluminium_modulus");
        let strain = 1e6 * outside("drake_endurance_limit_peak") / modulus_pa;
        let velocity = drake_wire().velocity_at_clamp_strain_m_s(strain, outside("drake_mass"));
        let f_ymax_mm_s = velocity * 1e3 / (2.0 * PI);
        let handbook = outside("drake_endurance_f_ymax_peak");
        assert!((f_ymax_mm_s / handbook - 1.0).abs() < 0.05, "{f_ymax_mm_s}");
        // Read as peak-to-peak it would be half, and found out.
        assert!((0.5 * f_ymax_mm_s / handbook - 1.0).abs() > 0.4);
    }

    #[test]
    fn poffenberger_swart_on_published_fatigue_data() {
        // A bending amplitude, peak-to-peak, that survived 1e8 cycles, and the
        // endurance limit of such conductors, zero-to-peak: the formula must
        // put the two within 10 %.
        let per_m = drake_wire().strain_per_bending_amplitude_pp(
            outside("drake_fatigue_tension"),
            BENDING_AMPLITUDE_DISTANCE_M,
        );
        let amplitude_m = 1e-3 * outside("drake_fatigue_survived_pp");
        let stress_mpa = per_m * amplitude_m * 1e3 * outside("drake_aluminium_modulus");
        let limit_mpa = outside("drake_endurance_limit_peak");
        assert!((stress_mpa / limit_mpa - 1.0).abs() < 0.10, "{stress_mpa}");
    }

    #[test]
    fn poffenberger_swart_is_the_standing_wave_close_to_the_clamp() {
        // Near the clamp a standing wave follows the static curve
        // y = y''(0)/p² (e^(−px) − 1 + px) as long as k x is small: the two
        // formulas must give one strain for one motion.
        let wire = drake_wire();
        let (tension_n, m, f) = (outside("drake_fatigue_tension"), outside("drake_mass"), 5.0);
        let span = crate::span::StrungConductor {
            tension_n,
            mass_kg_per_m: m,
            bending_stiffness_n_m2: wire.bending_stiffness_n_m2,
            length_m: 40.0,
        };
        let y_max_m = 0.01;
        let yb_pp_m = 2.0 * y_max_m * span.motion_near_clamp(f, BENDING_AMPLITUDE_DISTANCE_M);
        let from_amplitude =
            yb_pp_m * wire.strain_per_bending_amplitude_pp(tension_n, BENDING_AMPLITUDE_DISTANCE_M);
        let from_velocity = wire.clamp_strain(2.0 * PI * f * y_max_m, m);
        assert!((from_amplitude / from_velocity - 1.0).abs() < 0.005);
    }

    #[test]
    fn facts_of_the_trade() {
        // Common practice, no source: 300 µm/m peak-to-peak is a usual strain
        // level, 150 µm/m zero-to-peak. On Drake that is an antinode velocity
        // of about 350 mm/s peak.
        let v = drake_wire().velocity_at_clamp_strain_m_s(300e-6 / 2.0, outside("drake_mass"));
        assert!(
            (v * 1e3 - outside("drake_velocity_at_150_peak")).abs() < 5.0,
            "{v}"
        );
    }
}
