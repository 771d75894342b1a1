//! Fields of spans by finite elements that know of no waves (`tests/reference/fixed_sensors.py`).

use num_complex::Complex64;

use super::ConductorLoss;
use crate::span::StrungConductor;
use crate::span::nodes::CLEAR_LENGTHS;

/// One frequency of one span.
pub(crate) struct Case {
    /// Number of the span.
    pub(crate) span: usize,
    pub(crate) conductor: StrungConductor,
    pub(crate) loss: ConductorLoss,
    pub(crate) frequency_hz: f64,
    pub(crate) damper_m: f64,
    pub(crate) iswr: f64,
    pub(crate) node_m: f64,
    pub(crate) antinode_m: f64,
    /// Places, and velocities with the antinode's real, 0.2 m/s.
    pub(crate) field: Vec<(f64, Complex64)>,
}

impl Case {
    /// Where the damper's near field begins, m.
    pub(crate) fn clear_end_m(&self) -> f64 {
        let near_field_m2 = self.conductor.bending_stiffness_n_m2 / self.conductor.tension_n;
        self.conductor.length_m - self.damper_m - CLEAR_LENGTHS * near_field_m2.sqrt()
    }
}

pub(crate) fn cases() -> Vec<Case> {
    let table = include_str!("../../../tests/reference/fixed_sensors.csv");
    let rows = table.lines().skip(1);
    rows.map(|line| {
        let v: Vec<f64> = line.split(',').map(|t| t.parse().unwrap()).collect();
        Case {
            span: v[0] as usize,
            conductor: StrungConductor {
                tension_n: v[1],
                mass_kg_per_m: v[2],
                bending_stiffness_n_m2: v[3],
                length_m: v[4],
            },
            loss: ConductorLoss {
                tension: v[5],
                bending: v[6],
            },
            damper_m: v[8],
            frequency_hz: v[9],
            iswr: v[10],
            node_m: v[11],
            antinode_m: v[12],
            field: v[13..]
                .chunks(3)
                .map(|p| (p[0], Complex64::new(p[1], p[2])))
                .collect(),
        }
    })
    .collect()
}
