//! The places of a grid of exponents, eight side by side: what the search for the poles of
//! free tones asks of each. Pure.

// The indices run over lanes.
#![allow(clippy::indexing_slicing, clippy::needless_range_loop)]
// What is not inlined into the kernel is not compiled for wide registers.
#![allow(clippy::inline_always)]

use num_complex::Complex64;
use std::f64::consts::PI;

use super::series_fit::LEAST_PIVOT;
use super::spectrum::{ComplexLanes, LANES, Lanes};
use crate::maths;

/// Values of a tone made at once.
const PART: usize = 16;

/// Some decays, 1/s, each with frequencies from zero on, as far apart as it is broad, up to
/// `farthest` rad/s, for series of `length_s`.
pub(super) fn grid(
    decays: impl Iterator<Item = f64>,
    length_s: f64,
    farthest: f64,
) -> Vec<Complex64> {
    let frequencies = |decay: f64| {
        let spacing = 0.7 * decay.max(PI / length_s);
        let count = (farthest / spacing).ceil() as usize;
        (0..=count).map(move |i| Complex64::new(-decay, i as f64 * spacing))
    };
    decays.flat_map(frequencies).collect()
}

/// The exponent, of some and of their conjugates, that leaves least of `series` beside the
/// motion that `force` brings about and a free tone.
pub(super) fn least_left(
    exponents: &[Complex64],
    series: &[Complex64],
    force: &[Complex64],
    step_s: f64,
) -> Option<Complex64> {
    let both = |exponent: &Complex64| [*exponent, exponent.conj()];
    let exponents: Vec<Complex64> = exponents.iter().flat_map(both).collect();
    let mut best: Option<(f64, Complex64)> = None;
    for some in exponents.chunks(LANES) {
        let factors = some.iter().map(|lambda| held_force(*lambda, step_s));
        let mut lanes = [ComplexLanes::default(); 3];
        for (lane, factors) in factors.enumerate() {
            for (lanes, factor) in lanes.iter_mut().zip(factors) {
                lanes.set(lane, factor);
            }
        }
        let explained = maths::wide!(explained(&lanes, series, force));
        for (explained, exponent) in explained.into_iter().zip(some) {
            if explained.is_finite() && best.is_none_or(|(most, _)| explained > most) {
                best = Some((explained, *exponent));
            }
        }
    }
    best.map(|(_, exponent)| exponent)
}

/// The part of the squares of `series` that the motion brought about and the free tone explain
/// together; not finite where they cannot be told apart.
#[inline(always)]
fn explained(
    [ratio, old, new]: &[ComplexLanes; 3],
    series: &[Complex64],
    force: &[Complex64],
) -> Lanes {
    let zero = ComplexLanes::default();
    let (mut own, mut free) = (zero, ComplexLanes::all(Complex64::ONE));
    let (mut own_squares, mut free_squares) = ([0.0; LANES], [0.0; LANES]);
    let (mut mixed, mut along_own, mut along_free) = (zero, zero, zero);
    let mut before: Option<&Complex64> = None;
    for (right, now) in series.iter().zip(force) {
        if let Some(before) = before {
            own = (own * *ratio)
                .plus(old.times(*before))
                .plus(new.times(*now));
            free = free * *ratio;
        }
        before = Some(now);
        add_squares(&mut own_squares, &own);
        add_squares(&mut free_squares, &free);
        mixed = mixed.plus(own.conjugate() * free);
        along_own = along_own.plus(own.conjugate().times(*right));
        along_free = along_free.plus(free.conjugate().times(*right));
    }
    // The free tone less what of it is brought about.
    let mut explained = [0.0; LANES];
    for lane in 0..LANES {
        let share = mixed.at(lane).conj() / own_squares[lane];
        let pivot = free_squares[lane] - (share * mixed.at(lane)).re;
        let beside = along_free.at(lane) - share * along_own.at(lane);
        let is_sound = pivot >= LEAST_PIVOT * free_squares[lane];
        let value = along_own.at(lane).norm_sqr() / own_squares[lane] + beside.norm_sqr() / pivot;
        explained[lane] = if is_sound { value } else { f64::NAN };
    }
    explained
}

#[inline(always)]
fn add_squares(sum: &mut Lanes, values: &ComplexLanes) {
    for lane in 0..LANES {
        sum[lane] += values.re[lane] * values.re[lane] + values.im[lane] * values.im[lane];
    }
}

/// A series, and what its squares count.
pub(super) type Weighted<'a> = (&'a [Complex64], f64);

/// The exponent, of some and of their conjugates, whose free tone takes most off the squares
/// of some series of one length, with a constant beside it or without.
pub(super) fn most_taken_off(
    exponents: &[Complex64],
    series: &[Weighted],
    step_s: f64,
    beside_constant: bool,
) -> Option<Complex64> {
    let mut best: Option<(f64, Complex64)> = None;
    let mut sums = vec![Sums::default(); series.len()];
    for some in exponents.chunks(LANES) {
        let mut ratio = ComplexLanes::default();
        for (lane, lambda) in some.iter().enumerate() {
            ratio.set(lane, exponential(lambda * step_s));
        }
        let gains = maths::wide!(gains(&ratio, series, beside_constant, &mut sums));
        let [gains, mirrored] = gains;
        for (lane, exponent) in some.iter().enumerate() {
            let both = [(gains[lane], *exponent), (mirrored[lane], exponent.conj())];
            for (gain, exponent) in both {
                if gain.is_finite() && best.is_none_or(|(most, _)| gain > most) {
                    best = Some((gain, exponent));
                }
            }
        }
    }
    best.map(|(_, exponent)| exponent)
}

/// Products of a tone with a series, real and imaginary parts apart: what a tone and its
/// conjugate have in common.
#[derive(Clone, Default)]
struct Sums {
    re_re: Lanes,
    im_im: Lanes,
    re_im: Lanes,
    im_re: Lanes,
}

/// What tones take off, and what their conjugates do.
#[inline(always)]
fn gains(
    ratio: &ComplexLanes,
    series: &[Weighted],
    beside_constant: bool,
    sums: &mut [Sums],
) -> [Lanes; 2] {
    let count = series.first().map_or(0, |(values, _)| values.len());
    sums.fill(Sums::default());
    let mut tone = ComplexLanes::all(Complex64::ONE);
    let (mut squares, mut total) = ([0.0; LANES], ComplexLanes::default());
    for start in (0..count).step_by(PART) {
        let part = PART.min(count - start);
        let mut tones = [ComplexLanes::default(); PART];
        for made in &mut tones[..part] {
            *made = tone;
            for lane in 0..LANES {
                let (re, im) = (made.re[lane], made.im[lane]);
                squares[lane] += re * re + im * im;
                total.re[lane] += re;
                total.im[lane] += im;
                tone.re[lane] = re * ratio.re[lane] - im * ratio.im[lane];
                tone.im[lane] = re * ratio.im[lane] + im * ratio.re[lane];
            }
        }
        for ((values, _), sums) in series.iter().zip(&mut *sums) {
            let mut own = sums.clone();
            for (tone, value) in tones.iter().zip(&values[start..start + part]) {
                for lane in 0..LANES {
                    own.re_re[lane] += tone.re[lane] * value.re;
                    own.im_im[lane] += tone.im[lane] * value.im;
                    own.re_im[lane] += tone.re[lane] * value.im;
                    own.im_re[lane] += tone.im[lane] * value.re;
                }
            }
            *sums = own;
        }
    }
    if beside_constant {
        for lane in 0..LANES {
            let beside = squares[lane] - total.at(lane).norm_sqr() / count as f64;
            squares[lane] = if beside >= LEAST_PIVOT * squares[lane] {
                beside
            } else {
                f64::NAN
            };
        }
    }
    let mut gains = [[0.0; LANES]; 2];
    for ((_, weight), own) in series.iter().zip(sums) {
        for lane in 0..LANES {
            let (a, b) = (own.re_re[lane], own.im_im[lane]);
            let (c, d) = (own.re_im[lane], own.im_re[lane]);
            let plain = (a + b) * (a + b) + (c - d) * (c - d);
            let mirrored = (a - b) * (a - b) + (c + d) * (c + d);
            gains[0][lane] += weight * plain / squares[lane];
            gains[1][lane] += weight * mirrored / squares[lane];
        }
    }
    gains
}

pub(super) fn exponential(z: Complex64) -> Complex64 {
    maths::cis(z.im) * maths::exp(z.re)
}

/// A step of the motion that obeys dv/dt = lambda v + u, u running straight from one value
/// to the next: what the value, the force before and the force now are multiplied by.
pub(super) fn held_force(lambda: Complex64, step_s: f64) -> [Complex64; 3] {
    let z = lambda * step_s;
    let ratio = exponential(z);
    let (old, new) = if z.norm_sqr() < 1e-6 {
        // The quotients below, as series.
        (
            z * (z / 8.0 + 1.0 / 3.0) + 0.5,
            z * (z / 24.0 + 1.0 / 6.0) + 0.5,
        )
    } else {
        let square = z * z;
        (
            (ratio * (z - 1.0) + 1.0) / square,
            (ratio - z - 1.0) / square,
        )
    };
    [ratio, old * step_s, new * step_s]
}

/// The slopes of the three along lambda.
pub(super) fn held_force_slopes(lambda: Complex64, step_s: f64) -> [Complex64; 3] {
    let z = lambda * step_s;
    let [ratio, old, new] = held_force(lambda, step_s);
    let square = step_s * step_s;
    if z.norm_sqr() < 0.04 {
        // Of the series Σ z^k (k + 1)/(k + 2)! and Σ z^k/(k + 2)!, where the quotients below
        // would lose digits.
        let (mut old, mut new) = (Complex64::ZERO, Complex64::ZERO);
        let mut over_factorial = 1.0 / 479_001_600.0;
        for k in (1..=10_u32).rev() {
            // Here it is 1/(k + 2)!.
            let times = f64::from(k) * over_factorial;
            old = old * z + times * f64::from(k + 1);
            new = new * z + times;
            over_factorial *= f64::from(k + 2);
        }
        return [ratio * step_s, old * square, new * square];
    }
    [
        ratio * step_s,
        ratio * square / z - old * step_s * 2.0 / z,
        (ratio - 1.0) * square / (z * z) - new * step_s * 2.0 / z,
    ]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::series_fit::{ComplexSeries, least_squares};

    fn value(i: usize, a: f64) -> Complex64 {
        let t = i as f64;
        Complex64::new((a * t).sin() + 0.3 * (1.7 * t).cos(), (0.4 * a * t).cos())
    }

    fn exponents() -> Vec<Complex64> {
        let decays = [0.0, 0.02, 0.3, 2.0];
        grid(decays.into_iter(), 9.0, 3.0)
    }

    /// The motion that a force brings about, by whole columns.
    fn brought_about(lambda: Complex64, force: &[Complex64], step_s: f64) -> Vec<Complex64> {
        let [ratio, old, new] = held_force(lambda, step_s);
        let mut own = vec![Complex64::ZERO];
        for pair in force.windows(2) {
            own.push(own[own.len() - 1] * ratio + old * pair[0] + new * pair[1]);
        }
        own
    }

    /// Place by place against a fit of the whole columns.
    #[test]
    fn the_place_that_leaves_least_is_that_of_whole_columns() {
        let step_s = 0.25;
        let force: Vec<Complex64> = (0..40).map(|i| value(i, 0.07)).collect();
        for trial in 0..20 {
            let series: Vec<Complex64> = (0..37)
                .map(|i| value(i, 0.31 + 0.1 * f64::from(trial)))
                .collect();
            let left = |lambda: Complex64| {
                let own = brought_about(lambda, &force[..37], step_s);
                let free = ComplexSeries::tone(exponential(lambda * step_s), 37);
                let columns = [own.into_iter().collect(), free];
                least_squares(&columns, &series.iter().copied().collect())
                    .map_or(f64::INFINITY, |fitted| fitted.cost)
            };
            let found = least_left(&exponents(), &series, &force, step_s).unwrap();
            let both = exponents().into_iter().flat_map(|x| [x, x.conj()]);
            let least = both.map(left).fold(f64::INFINITY, f64::min);
            assert!(left(found) <= least * (1.0 + 1e-9), "{trial}");
        }
    }

    #[test]
    fn the_tone_that_takes_most_off_is_that_of_whole_tones() {
        let step_s = 0.25;
        for trial in 0..20 {
            let both = [0.31 + 0.1 * f64::from(trial), 2.3]
                .map(|a| (0..37).map(|i| value(i, a)).collect::<Vec<_>>());
            let centred = both.clone().map(|values| {
                let mean = values.iter().sum::<Complex64>() / 37.0;
                values.into_iter().map(|x| x - mean).collect::<Vec<_>>()
            });
            for beside_constant in [false, true] {
                let values = if beside_constant { &centred } else { &both };
                let series = [(&values[0][..], 2.0), (&values[1][..], 0.3)];
                let gain = |lambda: Complex64| {
                    let tone = ComplexSeries::tone(exponential(lambda * step_s), 37);
                    let columns = if beside_constant {
                        vec![ComplexSeries::constant(37), tone]
                    } else {
                        vec![tone]
                    };
                    let taken = series.iter().map(|(values, weight)| {
                        let series: ComplexSeries = values.iter().copied().collect();
                        let fitted = least_squares(&columns, &series);
                        weight * fitted.map_or(0.0, |fitted| series.squares() - fitted.cost)
                    });
                    taken.sum::<f64>()
                };
                let found = most_taken_off(&exponents(), &series, step_s, beside_constant).unwrap();
                let all = exponents().into_iter().flat_map(|x| [x, x.conj()]);
                let most = all.map(gain).fold(0.0, f64::max);
                assert!(gain(found) >= most * (1.0 - 1e-9), "{trial}");
            }
        }
    }

    /// By differences, over the border between series and quotients.
    #[test]
    fn slopes_of_a_held_force() {
        let step_s = 0.25;
        for size in [1e-9, 1e-3, 0.1, 0.79, 0.81, 3.0] {
            let lambda = Complex64::from_polar(size, 2.1);
            let off = Complex64::new(1e-5 * size.max(0.1), 0.0);
            let [up, down] = [off, -off].map(|off| held_force(lambda + off, step_s));
            for ((up, down), slope) in up.iter().zip(down).zip(held_force_slopes(lambda, step_s)) {
                let right = (up - down) / (2.0 * off);
                assert!(
                    (slope - right).norm() < 1e-6 * step_s * step_s,
                    "{size}: {slope} {right}"
                );
            }
        }
    }
}
