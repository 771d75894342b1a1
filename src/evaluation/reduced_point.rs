//! A settled point with what the evaluation adds to it.

use serde::{Deserialize, Serialize};

use super::kept::Kept;
use crate::reduction::SettledPoint;

/// One line of `reduced.jsonl`: the settled point with the bare span's losses
/// and the damper's power filled in, and what only the reduction can say.
/// Uncertainties (`_u`) are expanded, k = 2.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct ReducedPoint {
    #[serde(flatten)]
    pub point: SettledPoint,
    /// What of `power_bare_w` is still lost beyond the node with the damper on:
    /// `power_damper_w` is `power_total_w` less this.
    pub power_taken_off_w: Option<f64>,
    pub power_taken_off_u_w: Option<f64>,
    /// What of the bare span's losses is to be taken off.
    #[serde(skip)]
    pub(super) kept: Option<Kept>,
    /// The damper's power with bending stiffness in the wave impedance, beside
    /// the standard's `power_damper_w`.
    pub power_damper_stiffness_w: Option<f64>,
    pub power_damper_stiffness_u_w: Option<f64>,
    /// Exponent l of `P_damper ∝ V^l`, where a second level at this harmonic
    /// showed it.
    pub level_exponent: Option<f64>,
    pub level_exponent_u: Option<f64>,
    /// `power_damper_w` at the exact level the setup asks for; only with such
    /// an exponent.
    pub power_damper_at_target_w: Option<f64>,
    pub power_damper_at_target_u_w: Option<f64>,
}
