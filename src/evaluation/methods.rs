//! One power by two methods.
//!
//! In: the standing-wave result of the points, the drive's power, the free
//! decays. Out: the second method beside the first, their difference against
//! their joint uncertainty. Pure.
//!
//! The standing-wave method says what passes the node towards the damper;
//! power and decay method say what is lost by everything (IEEE 664). With a
//! bare run each gets its own losses of the bare span taken off, as a whole, and
//! these plain differences are compared: the corrected damper power has no part
//! in it, so that an error of the correction cannot be endorsed. Without a bare
//! run the totals are compared, and the second method is then larger by what is
//! lost on the drive's side of the node.
//! Where the bending stiffness is known the standing-wave result with it is
//! taken: it is what a force cell and a decay feel.

use serde::{Deserialize, Serialize};

use super::bare::BareLosses;
use super::comparison::e_n;
use super::decay::{self, Decay};
use super::reduced_point::ReducedPoint;
use crate::maths;
use crate::reduction::measured::record;
use crate::reduction::{COVERAGE, Measured, SettledPoint};
use crate::setup::{Channel, Role, Setup, Verdict};
use crate::span::StrungConductor;

/// Standard uncertainty, as a part of the power, of taking `¼ m L V²` for the
/// energy stored in a span with a damper on it: the damper's masses store
/// some, and the loop it sits in is not the others'. Measured on virtual
/// spans; the guide, page "From points to a verdict", has the numbers.
pub const STORED_ENERGY_STANDARD_U: f64 = 0.035;

/// A decay and a point belong to the same resonance within this part of the
/// frequency, and nowhere further apart than half the way to the next harmonic.
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
    /// The plain difference of the damper's power, each method with its own bare
    /// losses taken off.
    Damper,
    /// All power; the second method has the losses of the whole span in it.
    Total,
}

record! {
    /// One point by two methods.
    #[derive(Debug, Clone, PartialEq)]
    #[allow(
        missing_docs,
        reason = "each field's name carries its quantity and unit"
    )]
    pub struct MethodCheck {
        point: u64,
        harmonic: Option<u32>,
        frequency_hz: f64,
        method: Method,
        compared: Compared,
        /// By the standing-wave method.
        standing_wave_w / standing_wave_u_w: Measured,
        /// By the second method.
        second_w / second_u_w: Measured,
        /// Second less first, with the joint uncertainty of what is compared.
        difference_w / difference_u_w: Measured,
        /// Difference over joint uncertainty; beyond ±1 they disagree.
        e_n: Option<f64>,
        /// Whether a reading of either method lacks a calibration that the
        /// setup does not state: E_n is too large then.
        uncertainty_incomplete @ default: bool,
    }
}

/// The losses of everything but the damper, by the power method on the bare
/// run.
#[derive(Debug, Clone)]
pub struct WholeSpanLosses(pub(super) BareLosses);

impl WholeSpanLosses {
    /// From a bare run that has drive force and drive motion.
    pub fn of(run: &Setup, bare: &Setup, points: &[SettledPoint]) -> Option<Self> {
        let spacing_hz = bare.strung_conductor().string_harmonic_hz(1);
        let losses = BareLosses::by(points, spacing_hz, |p| p.power_force_w).ok()?;
        let roles = [Role::DriveForce, Role::DriveMotion];
        let shared = super::compatibility::shared_standard(run, bare, roles, false);
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
        let by_force = reduced.point.power_force_w.filter(Measured::has_u);
        let by_decay = decay_power(setup, decays, &reduced.point);
        for (method, second) in [(Method::Power, by_force), (Method::Decay, by_decay)] {
            out.extend(second.and_then(|second| check(reduced, method, second, whole_span)));
        }
    }
    out
}

fn check(
    reduced: &ReducedPoint,
    method: Method,
    second: Measured,
    whole_span: Option<&WholeSpanLosses>,
) -> Option<MethodCheck> {
    let point = &reduced.point;
    let either = |stiffness: Option<Measured>, standard: Option<Measured>| {
        stiffness
            .filter(Measured::has_u)
            .or(standard.filter(Measured::has_u))
    };
    let damper = either(
        reduced.damper.power_damper_stiffness_w,
        point.power_damper_w,
    );
    let total = either(point.power_total_stiffness_w, point.power_total_w)?;
    // Like with like: each method's own plain difference, which knows nothing of
    // the correction. Both readings and both bare runs are each their own; what
    // the two methods share (one reference, say) makes the joint uncertainty
    // too large rather than too small.
    let second_damper = whole_span.and_then(|losses| {
        let all = Measured::new(1.0, 0.0);
        Some(losses.0.subtracted(point, second, all).ok()?.damper)
    });
    let (compared, first, second) = match damper.zip(second_damper) {
        Some((first, second)) => (Compared::Damper, first, second),
        None => (Compared::Total, total, second),
    };
    let difference_u_w = maths::hypot(first.u, second.u);
    Some(MethodCheck {
        point: point.point,
        harmonic: point.harmonic,
        frequency_hz: point.frequency_hz?.value,
        method,
        compared,
        standing_wave_w: first,
        second_w: second,
        difference_w: Measured::new(second.value - first.value, difference_u_w),
        e_n: e_n(second.value, difference_u_w, first.value, 0.0),
        uncertainty_incomplete: is_incomplete(point, method, compared),
    })
}

/// Whether what is compared rests on a calibration that the setup does not
/// state. A decay goes by the antinode's fall alone, at the point's level.
fn is_incomplete(point: &SettledPoint, method: Method, compared: Compared) -> bool {
    let first = match compared {
        Compared::Damper => "power_damper_w",
        Compared::Total => "power_total_w",
    };
    let second = match method {
        Method::Power => "power_force_w",
        Method::Decay => "antinode_velocity_mm_s",
    };
    [first, second]
        .into_iter()
        .any(|key| point.lacking(key, None).is_some())
}

fn same_resonance(setup: &Setup, decay_hz: f64, point_hz: f64) -> bool {
    let span = setup.strung_conductor();
    let half_spacing_hz = span.group_speed_m_s(point_hz) / (4.0 * span.length_m);
    (decay_hz - point_hz).abs() <= half_spacing_hz.min(SAME_RESONANCE * point_hz)
}

/// The decrement at one amplitude of a free decay.
#[derive(Debug, Clone, Copy)]
struct DecrementAt {
    frequency_hz: f64,
    /// Antinode velocity in the middle of the range it was fitted over, on a
    /// logarithmic scale, mm/s peak.
    velocity_mm_s: f64,
    log_decrement: Measured,
}

/// The decrement at an antinode velocity (mm/s peak), from all decays at the
/// point's resonance. Damping may change with the amplitude, so each decay has
/// a decrement at several: between two of them it is interpolated over ln V,
/// beyond the highest and the lowest the nearest is taken as it stands.
fn decrement_at(
    setup: &Setup,
    decays: &[Decay],
    frequency_hz: f64,
    velocity_mm_s: f64,
) -> Option<DecrementAt> {
    let levels: Vec<DecrementAt> = decays
        .iter()
        .filter(|decay| same_resonance(setup, decay.frequency_hz, frequency_hz))
        .flat_map(|decay| {
            decay.levels.iter().map(|level| DecrementAt {
                frequency_hz: decay.frequency_hz,
                velocity_mm_s: (level.from_velocity_mm_s * level.to_velocity_mm_s).sqrt(),
                log_decrement: level.log_decrement,
            })
        })
        .collect();
    let by_velocity =
        |a: &&DecrementAt, b: &&DecrementAt| a.velocity_mm_s.total_cmp(&b.velocity_mm_s);
    let below = levels
        .iter()
        .filter(|level| level.velocity_mm_s <= velocity_mm_s)
        .max_by(by_velocity);
    let above = levels
        .iter()
        .filter(|level| level.velocity_mm_s > velocity_mm_s)
        .min_by(by_velocity);
    match (below, above) {
        (Some(below), Some(above)) => Some(interpolated(below, above, velocity_mm_s)),
        (below, above) => below.or(above).copied(),
    }
}

fn interpolated(below: &DecrementAt, above: &DecrementAt, velocity_mm_s: f64) -> DecrementAt {
    let part = maths::ln(velocity_mm_s / below.velocity_mm_s)
        / maths::ln(above.velocity_mm_s / below.velocity_mm_s);
    let between = |below: f64, above: f64| below + part * (above - below);
    DecrementAt {
        frequency_hz: between(below.frequency_hz, above.frequency_hz),
        velocity_mm_s,
        log_decrement: Measured::new(
            between(below.log_decrement.value, above.log_decrement.value),
            maths::hypot(
                (1.0 - part) * below.log_decrement.u,
                part * above.log_decrement.u,
            ),
        ),
    }
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

/// Power by the decay method at the point's own level, by the decrement at that
/// level.
fn decay_power(setup: &Setup, decays: &[Decay], point: &SettledPoint) -> Option<Measured> {
    let velocity = point.antinode_velocity_mm_s?.value;
    let found = decrement_at(setup, decays, point.frequency_hz?.value, velocity)?;
    let decrement = found.log_decrement;
    let span = setup.strung_conductor();
    let power_w = decay_power_w(&span, found.frequency_hz, velocity, decrement.value);
    let calibration = setup.antinode_or_fixed().map_or(0.0, calibration_standard);
    let relative = [
        decrement.u / (COVERAGE * decrement.value),
        setup.conductor.mass_uncertainty_pct / (100.0 * COVERAGE),
        1e-3 * setup.span.length_uncertainty_mm / (COVERAGE * span.length_m),
        2.0 * calibration,
        STORED_ENERGY_STANDARD_U,
    ]
    .into_iter()
    .fold(0.0, maths::hypot);
    let power = Measured::new(power_w, COVERAGE * relative * power_w);
    (power_w.is_finite() && power_w > 0.0).then_some(power)
}

/// Relative standard uncertainty of a channel's calibration.
fn calibration_standard(channel: &Channel) -> f64 {
    let own = channel.uncertainty_pct.unwrap_or(0.0);
    let reference = channel
        .reference
        .as_ref()
        .map_or(0.0, |reference| reference.uncertainty_pct);
    maths::hypot(own, reference) / (100.0 * COVERAGE)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::decay::Decrement;

    fn setup() -> Setup {
        let text = include_str!("../../config/damped-trial.toml");
        crate::setup::parse(text, "damped-trial.toml").unwrap()
    }

    /// A free decay from a velocity down, its decrement given for every halving.
    fn decay(frequency_hz: f64, from_mm_s: f64, decrements: &[f64]) -> Decay {
        let level = |(n, log_decrement): (usize, &f64)| Decrement {
            from_velocity_mm_s: from_mm_s / f64::from(1 << n),
            to_velocity_mm_s: from_mm_s / f64::from(2 << n),
            log_decrement: Measured::new(*log_decrement, 0.02 * log_decrement),
            rows: 20,
        };
        let levels: Vec<Decrement> = decrements.iter().enumerate().map(level).collect();
        Decay {
            start_s: 0.0,
            end_s: 10.0,
            frequency_hz,
            harmonic: None,
            whole: levels[0],
            amplitude_dependent: levels.len() > 1,
            levels,
        }
    }

    fn second_w(decays: &[Decay], frequency_hz: f64, velocity_mm_s: f64) -> Option<f64> {
        let point = SettledPoint {
            verdict: Verdict::Held,
            frequency_hz: Some(Measured::without_u(frequency_hz)),
            antinode_velocity_mm_s: Some(Measured::without_u(velocity_mm_s)),
            power_total_w: Some(Measured::new(1.0, 0.02)),
            ..SettledPoint::default()
        };
        let found = checks(&setup(), &[point.into()], decays, None);
        found.first().map(|check| check.second_w.value)
    }

    /// IEEE 664: P = 1/2 f m L V² delta; the correction for a loss at one end
    /// and for the end corrections is the same for equal decrements, so the
    /// powers of two decrements are compared with each other.
    fn power_of(frequency_hz: f64, velocity_mm_s: f64, log_decrement: f64) -> f64 {
        let span = setup().strung_conductor();
        decay_power_w(&span, frequency_hz, velocity_mm_s, log_decrement)
    }

    fn close(found: Option<f64>, expected: f64) {
        let found = found.unwrap();
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    }

    #[test]
    fn each_level_gets_the_damping_of_its_own_amplitude() {
        // Two dwells at one resonance, at 200 and at 50 mm/s, each ended by
        // cutting the drive, the louder one first in the trace. The damper is
        // weaker at the low level.
        let decays = [decay(20.0, 200.0, &[0.05]), decay(20.0, 50.0, &[0.02])];
        close(second_w(&decays, 20.0, 200.0), power_of(20.0, 200.0, 0.05));
        close(second_w(&decays, 20.0, 30.0), power_of(20.0, 30.0, 0.02));
        // In any order of the trace.
        let decays = [decays[1].clone(), decays[0].clone()];
        close(second_w(&decays, 20.0, 200.0), power_of(20.0, 200.0, 0.05));
    }

    #[test]
    fn one_decay_serves_every_level_that_it_passes_through() {
        let decays = [decay(20.0, 200.0, &[0.05, 0.04, 0.02])];
        // The middles of the ranges are 141.4, 70.7 and 35.4 mm/s. At a middle
        // its own decrement, half the way between two (on a logarithmic scale,
        // at 100 and 50 mm/s) half of each, beyond the outermost that one.
        for (velocity, log_decrement) in [
            (200.0, 0.05),
            (200.0 / 2.0_f64.sqrt(), 0.05),
            (100.0, 0.045),
            (50.0, 0.03),
            (20.0, 0.02),
        ] {
            let expected = power_of(20.0, velocity, log_decrement);
            close(second_w(&decays, 20.0, velocity), expected);
        }
    }

    #[test]
    fn a_neighbouring_resonance_lends_no_damping() {
        // The demo's harmonics are 1.88 Hz apart: at 60 Hz the next one is
        // 3 % away, and half the way to it 0.94 Hz.
        let decays = [decay(61.2, 200.0, &[0.05]), decay(60.1, 200.0, &[0.02])];
        close(second_w(&decays, 60.0, 200.0), power_of(60.1, 200.0, 0.02));
        assert_eq!(second_w(&decays[..1], 60.0, 200.0), None);
        assert_eq!(second_w(&[decay(20.5, 200.0, &[0.05])], 20.0, 200.0), None);
    }
}
