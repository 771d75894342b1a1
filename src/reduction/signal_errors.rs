//! Errors of the signals themselves, beside noise: flattened extremes, rounding to
//! the converter's steps, mains hum that cannot be told from the drive, and what is
//! left of ring-up. Pure.

use num_complex::Complex64;
use std::f64::consts::PI;

use super::fitted_channel::FittedChannel;
use super::uncertainty::{Cause, InputPhasor};
use crate::maths;
use crate::resonance::Dwell;
use crate::resonance::criteria::FLAT_TOPS_PCT;
use crate::setup::{Role, Setup};
use crate::tone::flattening::Extremes;
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
    if let Some(hum) = near_mains_hz.and_then(|hz| hum_at(fit, hz)) {
        // Of known size and unknown phase.
        for along in [Complex64::ONE, Complex64::I] {
            causes.push(Cause::Hum {
                sensor,
                along,
                standard_u: hum * 0.5_f64.sqrt(),
            });
        }
    }
    causes
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
