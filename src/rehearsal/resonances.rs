//! Resonances of the virtual span, by the phase between antinode velocity and
//! force. Pure.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::driven::DrivenSpan;
use super::field::bisect;
use super::natural::Pole;

/// A resonance: antinode velocity in phase (modulo 180°) with the force in the
/// force cell, and largest for that force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resonance {
    /// Number of loops, counted by the wave length in the span.
    pub harmonic: u32,
    /// Hz.
    pub frequency_hz: f64,
    /// Width over which the antinode's response to the force is above
    /// 1/sqrt(2) of its peak, Hz.
    pub half_power_bandwidth_hz: f64,
    /// 1/(decay rate) of the pole nearest to the resonance, s.
    pub time_constant_s: f64,
}

/// Where the phase between antinode velocity and force falls through zero.
pub(super) fn find_resonances(span: &DrivenSpan, poles: &[Pole]) -> Vec<Resonance> {
    // sin(2 phase): the sign of the antinode's loop drops out, and it is
    // bounded; it falls through zero at resonance, rises between two.
    let sine = |f: f64| {
        span.response(f)
            .map_or(f64::NAN, |q| (q * q).im / q.norm_sqr())
    };
    let step = span.spacing_hz() / 24.0;
    let mut found = Vec::new();
    let mut f = (0.5 * span.setup.sweep.low_hz).max(0.6 * span.spacing_hz());
    let mut last = sine(f);
    while f < span.highest_hz() {
        let next = sine(f + step);
        if last > 0.0 && next < 0.0 {
            let zero = bisect(sine, f, f + step);
            if let Some(resonance) = describe(span, poles, zero) {
                found.push(resonance);
            }
        }
        last = next;
        f += step;
    }
    // Two candidates for one number of loops: the sharper is the resonance
    // of the span, the other the damper's.
    found.sort_by(|a: &Resonance, b| {
        (a.harmonic, a.half_power_bandwidth_hz)
            .partial_cmp(&(b.harmonic, b.half_power_bandwidth_hz))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    found.dedup_by_key(|r| r.harmonic);
    found
}

fn describe(span: &DrivenSpan, poles: &[Pole], frequency_hz: f64) -> Option<Resonance> {
    let steady = span.steady(frequency_hz)?;
    let q = span.response(frequency_hz)?;
    // A phase that jumps by 180° (a force that vanishes) also changes sign.
    if q.re.abs() < q.im.abs() {
        return None;
    }
    let waves = steady.field.waves;
    let free_length = span.setup.span.length_m - 2.0 / waves.evanescent.re;
    let loops = (waves.travelling.im * free_length / PI).round();
    let s = Complex64::new(0.0, TAU * frequency_hz);
    let pole = poles
        .iter()
        .min_by(|a, b| (a.s - s).norm().total_cmp(&(b.s - s).norm()))?;
    let time_constant_s = -1.0 / pole.s.re;
    let expected_hz = 1.0 / (PI * time_constant_s);
    Some(Resonance {
        harmonic: loops as u32,
        frequency_hz,
        half_power_bandwidth_hz: half_power_hz(span, frequency_hz, expected_hz)
            .unwrap_or(expected_hz),
        time_constant_s,
    })
}

/// Half-power bandwidth of the response at the antinode of the resonance,
/// searched outwards in steps fitted to the expected width.
fn half_power_hz(span: &DrivenSpan, frequency_hz: f64, expected_hz: f64) -> Option<f64> {
    let place = span.steady(frequency_hz)?.places.antinode_m;
    let power = |f: f64| {
        let field = span.field(Complex64::new(0.0, TAU * f));
        let [y, ..] = field.at(place);
        (field.s * y / span.cell_force(&field, 1.0)).norm_sqr()
    };
    let half = 0.5 * power(frequency_hz);
    let edge = |direction: f64| {
        let step = direction * 0.2 * expected_hz;
        let mut f = frequency_hz;
        while (f - frequency_hz).abs() < 0.5 * span.spacing_hz() {
            if power(f + step) < half {
                let [low, high] = if step > 0.0 {
                    [f, f + step]
                } else {
                    [f + step, f]
                };
                return Some(bisect(|f| power(f) - half, low, high));
            }
            f += step;
        }
        None
    };
    Some(edge(1.0)? - edge(-1.0)?)
}
