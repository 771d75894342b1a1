//! When a resonance counts as held: `[hold]`.

use super::field::Field;
use super::limits::Limits;
use super::table::Need::Optional;
use super::table::Table;
use crate::setup::model::HoldRules;

pub(in crate::setup) struct RawHold {
    pub(in crate::setup) min_seconds: Field<f64>,
    min_cycles: Field<f64>,
    pub(in crate::setup) max_seconds: Field<f64>,
    ring_up_time_constants: Field<f64>,
    drive_phase_deg: Field<f64>,
    drift_bandwidths: Field<f64>,
    amplitude_drift_pct: Field<f64>,
    amplitude_variation_pct: Field<f64>,
    beat_pct: Field<f64>,
    distortion_pct: Field<f64>,
    min_snr_db: Field<f64>,
    drive_node_sine: Field<f64>,
}

impl RawHold {
    pub(super) const KEYS: &[&str] = &[
        "min_seconds",
        "min_cycles",
        "max_seconds",
        "ring_up_time_constants",
        "drive_phase_deg",
        "drift_bandwidths",
        "amplitude_drift_pct",
        "amplitude_variation_pct",
        "beat_pct",
        "distortion_pct",
        "min_snr_db",
        "drive_node_sine",
    ];

    pub(super) fn read(table: &mut Table<'_>) -> Self {
        let time = Limits::above_zero("a time", "s");
        let share = Limits::above_zero("a tolerance", "%").up_to(100.0, "100 %");
        // Beyond 90 degrees every phase, taken modulo 180, would pass.
        let phase =
            Limits::above_zero("a phase tolerance", "degrees").and_below(90.0, "90 degrees");
        let mut number = |key, limits: &Limits| table.number(key, Optional, limits);
        Self {
            min_seconds: number("min_seconds", &time),
            min_cycles: number("min_cycles", &Limits::above_zero("a number of cycles", "")),
            max_seconds: number("max_seconds", &time),
            ring_up_time_constants: number(
                "ring_up_time_constants",
                &Limits::above_zero("a number of time constants", ""),
            ),
            drive_phase_deg: number("drive_phase_deg", &phase),
            drift_bandwidths: number(
                "drift_bandwidths",
                &Limits::above_zero("a number of bandwidths", ""),
            ),
            amplitude_drift_pct: number("amplitude_drift_pct", &share),
            amplitude_variation_pct: number("amplitude_variation_pct", &share),
            beat_pct: number("beat_pct", &share),
            distortion_pct: number("distortion_pct", &share),
            min_snr_db: number(
                "min_snr_db",
                &Limits::above_zero("a signal-to-noise ratio", "dB"),
            ),
            drive_node_sine: number(
                "drive_node_sine",
                &Limits::above_zero("a sine", "").and_below(1.0, "1"),
            ),
        }
    }

    pub(super) fn build(self) -> Option<HoldRules> {
        let default = HoldRules::default();
        Some(HoldRules {
            min_seconds: self.min_seconds.or(default.min_seconds)?,
            min_cycles: self.min_cycles.or(default.min_cycles)?,
            max_seconds: self.max_seconds.or(default.max_seconds)?,
            ring_up_time_constants: self
                .ring_up_time_constants
                .or(default.ring_up_time_constants)?,
            drive_phase_deg: self.drive_phase_deg.or(default.drive_phase_deg)?,
            drift_bandwidths: self.drift_bandwidths.or(default.drift_bandwidths)?,
            amplitude_drift_pct: self.amplitude_drift_pct.or(default.amplitude_drift_pct)?,
            amplitude_variation_pct: self
                .amplitude_variation_pct
                .or(default.amplitude_variation_pct)?,
            beat_pct: self.beat_pct.or(default.beat_pct)?,
            distortion_pct: self.distortion_pct.or(default.distortion_pct)?,
            min_snr_db: self.min_snr_db.or(default.min_snr_db)?,
            drive_node_sine: self.drive_node_sine.or(default.drive_node_sine)?,
        })
    }
}
