//! What a capture raises an alarm at: `[limits]`.

use super::field::Field;
use super::limits::Limits;
use super::table::Need::Optional;
use super::table::Table;
use crate::setup::model::AlarmLimits;

pub(in crate::setup) struct RawAlarmLimits {
    strain_pp_um_m: Field<f64>,
    antinode_amplitude_mm_pp: Field<f64>,
    antinode_velocity_mm_s: Field<f64>,
}

impl RawAlarmLimits {
    pub(super) const KEYS: &[&str] = &[
        "strain_pp_um_m",
        "antinode_amplitude_mm_pp",
        "antinode_velocity_mm_s",
    ];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let mut number =
            |key, what, unit| table.number(key, Optional, &Limits::above_zero(what, unit));
        Self {
            strain_pp_um_m: number("strain_pp_um_m", "a peak-to-peak strain", "um/m"),
            antinode_amplitude_mm_pp: number(
                "antinode_amplitude_mm_pp",
                "a peak-to-peak amplitude",
                "mm",
            ),
            antinode_velocity_mm_s: number("antinode_velocity_mm_s", "a peak velocity", "mm/s"),
        }
    }

    pub(super) fn build(self) -> Option<AlarmLimits> {
        Some(AlarmLimits {
            strain_pp_um_m: self.strain_pp_um_m.optional()?,
            antinode_amplitude_mm_pp: self.antinode_amplitude_mm_pp.optional()?,
            antinode_velocity_mm_s: self.antinode_velocity_mm_s.optional()?,
        })
    }
}
