//! Hold → settled point: efficiency, power, strain, uncertainty. Pure.

pub mod equations;
pub mod settle;
pub mod uncertainty;

pub use settle::settle;

use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

use crate::setup::Verdict;

/// One line of `points.jsonl`. Peak values unless the name says `pp`.
/// Uncertainties (`_u` before the unit part) are expanded, k = 2. A value that
/// cannot be trusted is `None` and a reason says why.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit (design, section 6)"
)]
pub struct SettledPoint {
    pub point: u64,
    pub verdict: Verdict,
    pub reasons: Vec<String>,
    pub start_s: f64,
    pub end_s: f64,
    pub start_utc: Option<String>,
    pub harmonic: Option<u32>,
    pub frequency_hz: Option<f64>,
    pub frequency_u_hz: Option<f64>,
    pub antinode_velocity_mm_s: Option<f64>,
    pub antinode_velocity_u_mm_s: Option<f64>,
    pub node_velocity_mm_s: Option<f64>,
    pub node_velocity_u_mm_s: Option<f64>,
    pub antinode_amplitude_mm_pp: Option<f64>,
    pub antinode_amplitude_u_mm_pp: Option<f64>,
    pub node_amplitude_mm_pp: Option<f64>,
    pub node_amplitude_u_mm_pp: Option<f64>,
    pub iswr: Option<f64>,
    pub iswr_u: Option<f64>,
    pub efficiency_pct: Option<f64>,
    pub efficiency_u_pct: Option<f64>,
    pub node_phase_deg: Option<f64>,
    pub node_phase_u_deg: Option<f64>,
    pub node_offset_mm: Option<f64>,
    pub node_offset_u_mm: Option<f64>,
    pub antinode_offset_mm: Option<f64>,
    pub antinode_offset_u_mm: Option<f64>,
    pub drive_phase_deg: Option<f64>,
    pub drive_phase_u_deg: Option<f64>,
    pub bandwidth_hz: Option<f64>,
    pub power_total_w: Option<f64>,
    pub power_total_u_w: Option<f64>,
    pub power_total_stiffness_w: Option<f64>,
    pub power_total_stiffness_u_w: Option<f64>,
    pub power_bare_w: Option<f64>,
    pub power_bare_u_w: Option<f64>,
    pub power_damper_w: Option<f64>,
    pub power_damper_u_w: Option<f64>,
    pub power_force_w: Option<f64>,
    pub power_force_u_w: Option<f64>,
    /// Dynamic bending strain peak-to-peak at each gauge, µm/m; the key is
    /// the location, or location and channel name where one has several.
    pub strain_pp_um_m: BTreeMap<String, f64>,
    pub strain_pp_u_um_m: BTreeMap<String, f64>,
    pub target_deviation_pct: Option<f64>,
    pub snr_db: Option<f64>,
    pub distortion_pct: Option<f64>,
    pub clipped_samples: u64,
    pub missing_samples: u64,
}
