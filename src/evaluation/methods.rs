//! One power by two methods.
//!
//! In: the standing-wave result of the points, the drive's power, the free
//! decays. Out: the second method beside the first, their difference against
//! their joint uncertainty. Pure.
//!
//! The standing-wave method says what passes the node towards the damper;
//! power and decay method say what is lost by everything (IEEE 664). With a
//! bare run each gets its own losses of the bare span taken off, and the
//! damper's powers are compared; without one the totals are, and the second
//! method is then larger by what is lost on the drive's side of the node.
//! Where the bending stiffness is known the standing-wave result with it is
//! taken: it is what a force cell and a decay feel.

use serde::{Deserialize, Serialize};

use super::bare::{BareLosses, Power};
use super::comparison::e_n;
use super::decay::{self, Decay};
use super::reduced_point::ReducedPoint;
use crate::reduction::SettledPoint;
use crate::reduction::uncertainty::COVERAGE;
use crate::setup::{Channel, Role, Setup, Verdict};
use crate::span::StrungConductor;

/// Standard uncertainty, as a part of the power, of taking `¼ m L V²` for the
/// energy stored in a span with a damper on it: the damper's masses store
/// some, and the loop it sits in is not the others'. Measured on virtual
/// spans; the guide, page "From points to a verdict", has the numbers.
pub const STORED_ENERGY_STANDARD: f64 = 0.035;

/// A decay and a point belong to the same resonance within this part of the
/// frequency.
const SAME_RESONANCE: f64 = 0.02;

/// The second method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// Force and motion at the drive.
    Power,
    /// Free decay.
    Decay,
}

/// What is compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Compared {
    /// The damper's power, each method with its own bare losses taken off.
    Damper,
    /// All power; the second method has the losses of the whole span in it.
    Total,
}

/// One point by two methods. Uncertainties are expanded, k = 2.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its quantity and unit"
)]
pub struct MethodCheck {
    pub point: u64,
    pub harmonic: Option<u32>,
    pub frequency_hz: f64,
    pub method: Method,
    pub compared: Compared,
    /// By the standing-wave method.
    pub standing_wave_w: f64,
    pub standing_wave_u_w: f64,
    /// By the second method.
    pub second_w: f64,
    pub second_u_w: f64,
    pub difference_w: f64,
    /// Joint uncertainty of both methods' own readings: of their totals.
    pub difference_u_w: f64,
    /// Difference over joint uncertainty; beyond ±1 they disagree.
    pub e_n: Option<f64>,
}

/// The losses of everything but the damper, by the power method on the bare
/// run.
#[derive(Debug, Clone)]
pub struct WholeSpanLosses(pub(super) BareLosses);

impl WholeSpanLosses {
    /// From a bare run that has drive force and drive motion.
    pub fn of(run: &Setup, bare: &Setup, points: &[SettledPoint]) -> Option<Self> {
        let spacing_hz = bare.strung_conductor().string_harmonic_hz(1);
        let power = |p: &SettledPoint| p.power_force_w.zip(p.power_force_u_w);
        let losses = BareLosses::by(points, spacing_hz, power).ok()?;
        let roles = [Role::DriveForce, Role::DriveMotion];
        let shared = super::together::shared_standard(run, bare, roles, false);
        Some(Self(losses.sharing(shared)))
    }
}

/// Every point beside its second methods.
pub fn checks(
    setup: &Setup,
    points: &[ReducedPoint],
    decays: &[Decay],
    whole_span: Option<&WholeSpanLosses>,
) -> Vec<MethodCheck> {
    let mut out = Vec::new();
    for reduced in points {
        if reduced.point.verdict == Verdict::Rejected {
            continue;
        }
        let by_force = power(reduced.point.power_force_w, reduced.point.power_force_u_w);
        let by_decay = decays
            .iter()
            .find(|decay| belongs(decay, &reduced.point))
            .and_then(|decay| decay_power(setup, decay, &reduced.point));
        for (method, second) in [(Method::Power, by_force), (Method::Decay, by_decay)] {
            out.extend(second.and_then(|second| check(reduced, method, second, whole_span)));
        }
    }
    out
}

fn power(value: Option<f64>, u: Option<f64>) -> Option<Power> {
    let (power_w, power_u_w) = (value?, u?);
    Some(Power { power_w, power_u_w })
}

fn check(
    reduced: &ReducedPoint,
    method: Method,
    second: Power,
    whole_span: Option<&WholeSpanLosses>,
) -> Option<MethodCheck> {
    let point = &reduced.point;
    let damper = power(
        reduced.power_damper_stiffness_w,
        reduced.power_damper_stiffness_u_w,
    )
    .or_else(|| power(point.power_damper_w, point.power_damper_u_w));
    let total = power(
        point.power_total_stiffness_w,
        point.power_total_stiffness_u_w,
    )
    .or_else(|| power(point.power_total_w, point.power_total_u_w))?;
    // What the subtraction itself is wrong by is the same in both methods, the
    // losses at the damper's end of the span: it is in each damper power, not
    // in their difference.
    let difference_u_w = second.power_u_w.hypot(total.power_u_w);
    let second_damper = whole_span.zip(reduced.kept).and_then(|(losses, kept)| {
        Some(losses.0.taken_off(point, second, kept.whole).ok()?.damper)
    });
    let (compared, first, second) = if let (Some(first), Some(second)) = (damper, second_damper) {
        (Compared::Damper, first, second)
    } else {
        (Compared::Total, total, second)
    };
    Some(MethodCheck {
        point: point.point,
        harmonic: point.harmonic,
        frequency_hz: point.frequency_hz?,
        method,
        compared,
        standing_wave_w: first.power_w,
        standing_wave_u_w: first.power_u_w,
        second_w: second.power_w,
        second_u_w: second.power_u_w,
        difference_w: second.power_w - first.power_w,
        difference_u_w,
        e_n: e_n(second.power_w, difference_u_w, first.power_w, 0.0),
    })
}

fn belongs(decay: &Decay, point: &SettledPoint) -> bool {
    point
        .frequency_hz
        .is_some_and(|f| (decay.frequency_hz / f - 1.0).abs() <= SAME_RESONANCE)
}

/// Power, W, that a decrement means at an antinode velocity (mm/s peak). The
/// energy is that of a span shorter by both end corrections, which lie nearly
/// still, and the loss sits at the damper's end.
pub fn decay_power_w(
    span: &StrungConductor,
    frequency_hz: f64,
    antinode_velocity_mm_s: f64,
    log_decrement: f64,
) -> f64 {
    let length_m = span.length_m - 2.0 * span.end_correction_m(frequency_hz);
    let speed_m_s = span.group_speed_m_s(frequency_hz);
    decay::power_w(
        frequency_hz,
        span.mass_kg_per_m,
        length_m,
        antinode_velocity_mm_s,
        log_decrement,
    ) * decay::end_loss_factor(frequency_hz, length_m, speed_m_s, log_decrement)
}

/// Power by the decay method at the point's own level, by the decrement at the
/// amplitudes nearest to it.
fn decay_power(setup: &Setup, decay: &Decay, point: &SettledPoint) -> Option<Power> {
    let velocity = point.antinode_velocity_mm_s?;
    let nearest = decay.levels.first().unwrap_or(&decay.whole);
    let span = setup.strung_conductor();
    let power_w = decay_power_w(&span, decay.frequency_hz, velocity, nearest.log_decrement);
    let calibration = setup
        .channel(Role::Antinode)
        .map_or(0.0, |(_, antinode)| calibration_standard(antinode));
    let relative = [
        nearest.log_decrement_u / (COVERAGE * nearest.log_decrement),
        setup.conductor.mass_uncertainty_pct / (100.0 * COVERAGE),
        1e-3 * setup.span.length_uncertainty_mm / (COVERAGE * span.length_m),
        2.0 * calibration,
        STORED_ENERGY_STANDARD,
    ]
    .into_iter()
    .fold(0.0, f64::hypot);
    let found = Power {
        power_w,
        power_u_w: COVERAGE * relative * power_w,
    };
    (power_w.is_finite() && power_w > 0.0).then_some(found)
}

/// Relative standard uncertainty of a channel's calibration.
fn calibration_standard(channel: &Channel) -> f64 {
    let own = channel.uncertainty_pct.unwrap_or(0.0);
    let reference = channel
        .reference
        .as_ref()
        .map_or(0.0, |_| channel.reference_uncertainty_pct);
    own.hypot(reference) / (100.0 * COVERAGE)
}
