//! Errors of the signals themselves, beside noise: flattened extremes, knocks once a
//! cycle, rounding to the converter's steps, mains hum that cannot be told from the
//! drive, and what is left of ring-up. Pure.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::fitted_channel::FittedChannel;
use super::uncertainty::{Cause, InputPhasor};
use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::criteria::FLAT_TOPS_PCT;
use crate::setup::{Role, Setup};
use crate::tone::flattening::{Extremes, Harmonics};
use crate::tone::interval::IntervalChannel;
use crate::tone::mains::mains_lines_hz;

/// Loops beyond the node where its place and number are not stated: a node near the
/// damper is what is usually read (common practice, no source).
const LOOPS_BEYOND_NODE: f64 = 3.0;

/// Standard uncertainties from which a third order of the antinode is one.
const THIRD_SHOWS: f64 = 3.0;
/// What an amplifier that gives way takes from a tone, over the depth by which its
/// noise breathes.
const BREATHING_LOSS: f64 = 0.25;

/// Orders that tell knocks: the span's own motion and an amplifier that gives way have
/// most of theirs below, and little in one half of these.
const KNOCK_ORDERS: std::ops::RangeInclusive<usize> = 4..=8;
const LEAST_KNOCK_ORDERS: usize = 2;
/// An order counts where it is this many standard uncertainties from zero: by noise once
/// in 3000.
const KNOCK_SHOWS: f64 = 4.0;
/// Size of the first order of knocks over the median of those. With it U is 2.8 medians in any
/// direction, which holds 94 of 100 pulses that ring and decay, of all shapes.
const KNOCK_FIRST: f64 = 2.0;

/// Above this part of the reading a reason says so, %.
const KNOCKS_PCT: f64 = 0.3;

/// The mains line, 50 or 60 Hz or twice that, that a hold of this length cannot
/// tell from the drive: 1.5 resolution widths (1/length) are what the fit needs to
/// hold two tones apart.
pub fn near_mains_hz(frequency_hz: f64, seconds: f64) -> Option<f64> {
    mains_lines_hz(2).find(|mains_hz| (frequency_hz - mains_hz).abs() < 1.5 / seconds)
}

/// The causes of error of one channel.
pub(super) fn of_channel(
    fit: &FittedChannel,
    sensor: InputPhasor,
    fits: &[FittedChannel],
    near_mains_hz: Option<f64>,
) -> Vec<Cause> {
    let value = fit.fit.phasor.value;
    let modulus = maths::modulus(value);
    let along = if modulus > 0.0 {
        value / modulus
    } else {
        Complex64::ONE
    };
    let rounding = fit.fit.rounding;
    let mut causes = Vec::new();
    let both_u = maths::hypot(rounding.along_u, rounding.part_u);
    for (along, standard_u) in [(along, both_u), (along * Complex64::I, rounding.part_u)] {
        if standard_u > 0.0 {
            causes.push(Cause::Rounding {
                sensor,
                along,
                standard_u,
            });
        }
    }
    let missing = missing_part(fit.fit, like_antinode(fit, fits));
    if missing > 0.0 {
        // Anything between nothing and that: a rectangle's root mean square.
        causes.push(Cause::Flattening {
            sensor,
            standard_u: missing / 3f64.sqrt(),
        });
    }
    // Both are of known size and unknown phase.
    let hum = near_mains_hz.and_then(|hz| hum_at(fit, hz)).unwrap_or(0.0);
    let knocks = knock_part(&fit.fit.harmonics) * modulus;
    for along in [Complex64::ONE, Complex64::I] {
        if hum > 0.0 {
            causes.push(Cause::Hum {
                sensor,
                along,
                standard_u: hum * 0.5_f64.sqrt(),
            });
        }
        if knocks > 0.0 {
            causes.push(Cause::Knocks {
                sensor,
                along,
                standard_u: knocks * 0.5_f64.sqrt(),
            });
        }
    }
    causes
}

/// What knocks may add to a channel's fundamental, over the fundamental. A loose sensor's
/// are short beside the cycle: its lower orders are much like one another, the first
/// one too.
fn knock_part(harmonics: &Harmonics) -> f64 {
    let orders = harmonics
        .orders
        .iter()
        .filter(|(order, _)| KNOCK_ORDERS.contains(order) && *order <= harmonics.highest_in_band);
    let mut sizes: Vec<f64> = orders.map(|(_, phasor)| maths::modulus(*phasor)).collect();
    sizes.sort_by(f64::total_cmp);
    if sizes.len() < LEAST_KNOCK_ORDERS {
        return 0.0;
    }
    let shows = |size: &f64| *size > KNOCK_SHOWS * harmonics.standard_u;
    let median = sizes.get((sizes.len() - 1) / 2).copied().filter(shows);
    KNOCK_FIRST * median.unwrap_or(0.0)
}

/// Hum at a mains line as other holds of the run showed it, peak, SI.
pub(super) fn hum_at(fit: &FittedChannel, mains_hz: f64) -> Option<f64> {
    let seen = fit
        .hum
        .iter()
        .find(|(hz, _)| hz.total_cmp(&mains_hz).is_eq());
    seen.map(|(_, peak)| *peak)
}

/// What may be missing from a channel's fundamental by flattened extremes, 0…1. A
/// third order is the span's own where the antinode has as much of it.
fn missing_part(channel: &IntervalChannel, antinode: Option<&IntervalChannel>) -> f64 {
    let third = |channel: &IntervalChannel| {
        let relative = maths::modulus(channel.harmonics.order(3)?);
        let modulus = maths::modulus(channel.phasor.value);
        let shows = relative > THIRD_SHOWS * channel.harmonics.standard_u;
        Some((relative * modulus, shows))
    };
    let by_orders = match channel.harmonics.extremes() {
        Extremes::OutOfBand | Extremes::Sound => 0.0,
        Extremes::Flat { loss } | Extremes::Slewed { loss } => loss,
        Extremes::Rounded { loss } => {
            let moves = antinode.and_then(third).zip(third(channel));
            if moves.is_some_and(|((antinode, shows), (own, _))| shows && antinode >= own) {
                0.0
            } else {
                loss
            }
        }
    };
    let by_noise = antinode.zip(channel.marks.breathing);
    let by_noise = by_noise.and_then(|(antinode, own)| own.beyond(antinode.marks.breathing));
    by_orders.max(BREATHING_LOSS * by_noise.unwrap_or_default())
}

/// The antinode's fit, for a channel that measures the same quantity.
fn like_antinode<'a>(
    fit: &FittedChannel,
    fits: &[FittedChannel<'a>],
) -> Option<&'a IntervalChannel> {
    let same = |other: &&FittedChannel| {
        other.channel.role == Role::Antinode
            && fit.channel.role != Role::Antinode
            && other.channel.unit.quantity() == fit.channel.unit.quantity()
    };
    fits.iter().find(same).map(|antinode| antinode.fit)
}

/// What is left of ring-up.
///
/// The motion lacks the part that the hold's samples and the wait leave open
/// (`resonance::ring_up`). The ratio meanwhile is too large by the energy that
/// still goes into the loops beyond the node: at most that part times their
/// share of all loops.
pub(super) fn ring_up(setup: &Setup, dwell: &Dwell, node_m: Option<f64>) -> Option<Cause> {
    let transient = dwell.transient?;
    let frequency_hz = dwell
        .interval
        .as_ref()
        .map_or(0.0, |tone| tone.frequency_hz);
    Some(Cause::RingUp {
        standard_u: transient.mean_u,
        beyond_node: beyond_node(setup, frequency_hz, node_m),
    })
}

/// Share of the span's loops that lie beyond the node.
fn beyond_node(setup: &Setup, frequency_hz: f64, node_m: Option<f64>) -> f64 {
    let length_m = setup.span.length_m;
    let beyond_m = if let Some(node_m) = node_m {
        length_m - node_m
    } else {
        let stated = setup.span.node_from_damper.map(f64::from);
        let loops = stated.unwrap_or(LOOPS_BEYOND_NODE);
        loops * PI / setup.strung_conductor().wave_number_per_m(frequency_hz)
    };
    (beyond_m / length_m).clamp(0.0, 1.0)
}

/// Reasons that say what of this is large, or could not be judged.
pub(super) fn reasons(fits: &[FittedChannel]) -> Vec<String> {
    let mut reasons = Vec::new();
    for fit in fits {
        let name = &fit.channel.name;
        if !matches!(fit.channel.role, Role::Antinode | Role::Node) {
            continue;
        }
        if fit.fit.harmonics.extremes() == Extremes::OutOfBand {
            reasons.push(format!(
                "whether {name} saturates could not be judged: its band does not hold three times the frequency"
            ));
        }
        let knocks = 100.0 * knock_part(&fit.fit.harmonics);
        if knocks > KNOCKS_PCT {
            reasons.push(format!(
                "{name} rattles: it shows knocks once a cycle, as a loose sensor or cable makes; up to {knocks:.1} % of its reading may be theirs, which is in the uncertainty"
            ));
        }
        let missing = missing_part(fit.fit, like_antinode(fit, fits));
        if 100.0 * missing > FLAT_TOPS_PCT {
            reasons.push(format!(
                "the tops of {name} are rounded, by an amplifier near its limit or by a third order of the span's own: up to {:.1} % may be missing from its reading, which is in the uncertainty",
                100.0 * missing
            ));
        }
    }
    reasons
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::SeedableRng;
    use rand_distr::{Distribution, Uniform};
    use std::f64::consts::TAU;

    fn harmonics(orders: Vec<(usize, Complex64)>) -> Harmonics {
        Harmonics {
            highest_in_band: orders.last().map_or(0, |(order, _)| *order),
            orders,
            standard_u: 1e-5,
        }
    }

    /// Pulses `exp(−t/τ) sin(ω t + φ)` once a cycle, by the closed form of their Fourier
    /// coefficients: rings from 1.2 to 60 times a cycle, decays in 0.01 to 0.4 of one, bands of
    /// 5 to 15 orders. In the direction in which a pulse stands, U is 2 of the standard
    /// uncertainty, which is the size over the root of two.
    #[test]
    fn knocks_of_all_shapes_lie_within_what_is_stated_of_them() {
        let mut random = ChaCha8Rng::seed_from_u64(17);
        let mut drawn = |low: f64, high: f64| Uniform::new(low, high).unwrap().sample(&mut random);
        let (mut inside, count) = (0, 4000);
        for _ in 0..count {
            let ring = TAU * maths::exp(drawn(1.2_f64.ln(), 60_f64.ln()));
            let decay = maths::exp(-drawn(0.01_f64.ln(), 0.4_f64.ln()));
            let (phase, highest) = (drawn(0.0, TAU), drawn(5.0, 16.0) as usize);
            let order = |k: usize| {
                let s = Complex64::new(decay, TAU * k as f64);
                1e-3 * (ring * phase.cos() + s * phase.sin()) / (s * s + ring * ring)
            };
            let orders = (2..=highest).map(|k| (k, order(k))).collect();
            let stated = knock_part(&Harmonics {
                standard_u: 0.0,
                ..harmonics(orders)
            });
            inside += usize::from(order(1).norm() <= 2.0 * 0.5_f64.sqrt() * stated);
        }
        assert!(
            (0.93..0.97).contains(&(f64::from(inside as u32) / f64::from(count))),
            "{inside}"
        );
    }

    #[test]
    fn orders_of_the_span_and_of_flat_tops_are_no_knocks() {
        let own = [
            (2, 0.06),
            (3, 0.02),
            (4, 0.004),
            (5, 4e-4),
            (6, 3e-5),
            (7, 2e-5),
            (8, 1e-5),
        ];
        let own = own.map(|(order, size)| (order, Complex64::new(size, 0.3 * size)));
        assert!(knock_part(&harmonics(own.to_vec())) <= KNOCK_FIRST * 4.2e-5);
        // A sine cut off at both sides has odd orders alone.
        let cut = [
            (3, 0.05),
            (5, 0.02),
            (7, 0.01),
            (4, 0.0),
            (6, 0.0),
            (8, 0.0),
        ];
        let mut cut = cut.map(|(order, size)| (order, Complex64::from(size)));
        cut.sort_by_key(|(order, _)| *order);
        assert!(knock_part(&harmonics(cut.to_vec())).abs() < 1e-12);
        // What one order alone shows may be the span's own.
        let few = [(2, 0.01), (3, 0.01), (4, 0.01)].map(|(k, x)| (k, Complex64::from(x)));
        assert!(knock_part(&harmonics(few.to_vec())).abs() < 1e-12);
    }
}
