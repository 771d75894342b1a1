//! The decay method: a free decay after the drive is cut → logarithmic
//! decrement at several amplitudes → power.
//!
//! In: the antinode's envelope hop by hop with the drive force beside it. Out:
//! the free decays in it, each with its decrement, or why there is none. Pure.
//!
//! A free vibration of the whole span loses energy at the rate
//! `P = ½ f m L V² δ` (IEEE 664): stored is `¼ m L V²`, and the amplitude falls
//! by `e^(−δ)` a cycle. Over one whole cycle from V on the loss is
//! `¼ m L V² (1 − e^(−2δ))`. What is lost is lost by everything: damper,
//! conductor, both ends, air.

use crate::maths;
use crate::reduction::Measured;
use crate::reduction::measured::record;
use serde::{Deserialize, Serialize};

/// The drive is gone when its force is below this part of what it was; the
/// estimate of a force that is no longer there is noise.
const FORCE_GONE: f64 = 0.1;

/// Rows before the cut among which the force that was there is looked for.
const ROWS_BEFORE: usize = 8;

/// Fewer hops do not show a decay.
const LEAST_ROWS: usize = 8;

/// Fewer hops do not show the decrement at one amplitude.
const LEAST_LEVEL_ROWS: usize = 5;

/// A decay is shown by a fall to at most 1/1.5 of where it began.
const LEAST_FALL: f64 = 1.5;

/// Below this part of its start the envelope is not used: noise and the last
/// of other harmonics bend it.
const LOWEST_PART: f64 = 0.03;

/// Share of the variation of ln V that straight lines, one at each amplitude,
/// must explain.
const LEAST_DETERMINATION: f64 = 0.98;

/// The frequency of one free vibration stays within this part of itself.
const SAME_FREQUENCY: f64 = 0.02;

/// Amplitudes by a factor of 2 apart get a decrement each.
const LEVEL_STEP: f64 = 2.0;

/// One hop of the envelope. Peak values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnvelopeRow {
    /// Time, s.
    pub time_s: f64,
    /// Frequency of the vibration, Hz.
    pub frequency_hz: f64,
    /// Antinode velocity, mm/s peak.
    pub antinode_velocity_mm_s: f64,
    /// Drive force at that frequency, N peak.
    pub drive_force_n: f64,
}

record! {
    /// The decrement over one range of amplitudes.
    #[derive(Debug, Clone, Copy, PartialEq)]
    pub struct Decrement {
        /// Antinode velocity at the start of the range, mm/s peak.
        from_velocity_mm_s: f64,
        /// Antinode velocity at its end, mm/s peak.
        to_velocity_mm_s: f64,
        /// Logarithmic decrement δ, from one cycle to the next; its uncertainty
        /// is that of the scatter about the fit.
        log_decrement / log_decrement_u: Measured,
        /// Hops in the range.
        rows: usize,
    }
}

/// A free decay.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Decay {
    /// First hop used, s.
    pub start_s: f64,
    /// Last hop used, s.
    pub end_s: f64,
    /// Frequency of the free vibration, Hz.
    pub frequency_hz: f64,
    /// Its harmonic, where one is near; the caller's to fill in.
    pub harmonic: Option<u32>,
    /// Over the whole range of amplitudes.
    pub whole: Decrement,
    /// At several amplitudes, from the highest down.
    pub levels: Vec<Decrement>,
    /// Whether the decrement at the lowest of them differs from that at the
    /// highest by more than their joint uncertainty.
    pub amplitude_dependent: bool,
}

/// Why a stretch gives no decrement.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoDecay {
    /// Too short.
    #[error("{0} hops in the range of amplitudes; {LEAST_ROWS} or more are right")]
    TooShort(usize),
    /// Not a decay.
    #[error("the envelope does not fall to 1/{LEAST_FALL} of its start")]
    NotFalling,
    /// Not a free one.
    #[error(
        "ln of the envelope is not straight: straight lines explain {} of the fall; {} or more is right",
        percent(*.0), percent(LEAST_DETERMINATION)
    )]
    NotStraight(f64),
}

fn percent(part: f64) -> String {
    format!("{:.1} %", 100.0 * part)
}

/// Power lost at the antinode velocity V (peak), W: `½ f m L V² δ`.
pub fn power_w(
    frequency_hz: f64,
    mass_kg_per_m: f64,
    length_m: f64,
    antinode_velocity_mm_s: f64,
    log_decrement: f64,
) -> f64 {
    let v = antinode_velocity_mm_s * 1e-3;
    0.5 * frequency_hz * mass_kg_per_m * length_m * v * v * log_decrement
}

/// Mean power over the cycle that begins at V, W:
/// `f · ¼ m L V² (1 − e^(−2δ))`.
pub fn cycle_power_w(
    frequency_hz: f64,
    mass_kg_per_m: f64,
    length_m: f64,
    antinode_velocity_mm_s: f64,
    log_decrement: f64,
) -> f64 {
    let v = antinode_velocity_mm_s * 1e-3;
    let stored_j = 0.25 * mass_kg_per_m * length_m * v * v;
    -frequency_hz * stored_j * maths::exp_m1(-2.0 * log_decrement)
}

/// What `½ f m L V² δ` has to be multiplied by where the loss sits at one end
/// and is not small: tanh(u)/u with `u = δ f L / c`, c the speed of energy.
///
/// A free decay grows towards the end that absorbs, by what the waves lose on
/// their way; a driven span has the same antinodes all along. From
/// `sin²(kx) + sinh²(σx/c)` with σ = δ f follows S = tanh(σL/c) at that end,
/// while the small form says S = σL/c: 3 % more at S = 0.3, 10 % at 0.5.
pub fn end_loss_factor(
    frequency_hz: f64,
    length_m: f64,
    energy_speed_m_s: f64,
    log_decrement: f64,
) -> f64 {
    let u = log_decrement * frequency_hz * length_m / energy_speed_m_s;
    if u.abs() > 1e-6 {
        maths::tanh(u) / u
    } else {
        1.0
    }
}

/// The free decays in a trace, in order. `range_mm_s` are the antinode
/// velocities, low and high, between which the decrement is asked for; `None`:
/// all there is.
pub fn decays(rows: &[EnvelopeRow], range_mm_s: Option<(f64, f64)>) -> Vec<Decay> {
    let mut found = Vec::new();
    let mut at = 0;
    while let Some((start, end)) = next_free(rows, at) {
        at = end.max(start + 1);
        let stretch = rows.get(start..end).unwrap_or_default();
        let asked: Vec<EnvelopeRow> = stretch
            .iter()
            .copied()
            .filter(|row| {
                range_mm_s
                    .is_none_or(|(low, high)| (low..=high).contains(&row.antinode_velocity_mm_s))
            })
            .collect();
        found.extend(fit(&asked).ok());
    }
    found
}

/// The next stretch from row `from` on in which the force is gone and the
/// envelope falls: first row, one past the last.
fn next_free(rows: &[EnvelopeRow], from: usize) -> Option<(usize, usize)> {
    for (cut, row) in rows.iter().enumerate().skip(from.max(1)) {
        let before = rows.get(cut.saturating_sub(ROWS_BEFORE)..cut)?;
        let driven_n = before.iter().map(|r| r.drive_force_n).fold(0.0, f64::max);
        if row.drive_force_n > FORCE_GONE * driven_n {
            continue;
        }
        // The window of this hop may still hold the last of the drive.
        let start = cut + 1;
        let first = rows.get(start)?;
        let mut last = first;
        let mut end = start;
        for next in rows.iter().skip(start) {
            let free = next.drive_force_n <= FORCE_GONE * driven_n;
            let same = (next.frequency_hz / first.frequency_hz - 1.0).abs() <= SAME_FREQUENCY;
            let falling = next.antinode_velocity_mm_s <= 1.01 * last.antinode_velocity_mm_s;
            let clear = next.antinode_velocity_mm_s >= LOWEST_PART * first.antinode_velocity_mm_s;
            if !(free && same && falling && clear) {
                break;
            }
            last = next;
            end += 1;
        }
        if end - start >= LEAST_ROWS {
            return Some((start, end));
        }
    }
    None
}

/// Fits the decrement to a free decay, over all of it and at several
/// amplitudes.
pub fn fit(rows: &[EnvelopeRow]) -> Result<Decay, NoDecay> {
    let (Some(first), Some(last)) = (rows.first(), rows.last()) else {
        return Err(NoDecay::TooShort(0));
    };
    if rows.len() < LEAST_ROWS {
        return Err(NoDecay::TooShort(rows.len()));
    }
    let (from, to) = (first.antinode_velocity_mm_s, last.antinode_velocity_mm_s);
    let falls = from >= LEAST_FALL * to && to > 0.0;
    if !falls {
        return Err(NoDecay::NotFalling);
    }
    let frequency_hz = rows.iter().map(|r| r.frequency_hz).sum::<f64>() / rows.len() as f64;
    let line = StraightLine::through(rows).ok_or(NoDecay::NotFalling)?;
    let parts: Vec<(&[EnvelopeRow], StraightLine)> = by_level(rows)
        .into_iter()
        .filter_map(|part| Some((part, StraightLine::through(part)?)))
        .collect();
    // Straight at each amplitude: over all of them damping may change.
    let about_parts: f64 = parts.iter().map(|(_, part)| part.residual).sum();
    let determination = 1.0 - about_parts / line.variation;
    if determination < LEAST_DETERMINATION {
        return Err(NoDecay::NotStraight(determination));
    }
    let levels: Vec<Decrement> = parts
        .iter()
        .map(|(part, line)| line.decrement(part, frequency_hz))
        .collect();
    let amplitude_dependent = match (levels.first(), levels.last()) {
        (Some(high), Some(low)) => {
            let (high, low) = (high.log_decrement, low.log_decrement);
            (high.value - low.value).abs() > maths::hypot(high.u, low.u)
        }
        _ => false,
    };
    Ok(Decay {
        start_s: first.time_s,
        end_s: last.time_s,
        frequency_hz,
        harmonic: None,
        whole: line.decrement(rows, frequency_hz),
        levels,
        amplitude_dependent,
    })
}

/// Cuts a decay where its amplitude has halved, no part shorter than a
/// decrement needs.
fn by_level(rows: &[EnvelopeRow]) -> Vec<&[EnvelopeRow]> {
    let mut parts = Vec::new();
    let mut rest = rows;
    while let Some(first) = rest.first() {
        let step = rest
            .iter()
            .position(|r| r.antinode_velocity_mm_s < first.antinode_velocity_mm_s / LEVEL_STEP)
            .unwrap_or(rest.len())
            .max(LEAST_LEVEL_ROWS);
        // What would be left over too short belongs to this part.
        let step = if rest.len() < step + LEAST_LEVEL_ROWS {
            rest.len()
        } else {
            step
        };
        let (part, others) = rest.split_at(step);
        parts.push(part);
        rest = others;
    }
    parts
}

/// A straight line through ln V over time.
struct StraightLine {
    /// Fall of ln V, 1/s.
    rate_per_s: Measured,
    /// Sum of squares of ln V about the line.
    residual: f64,
    /// Sum of squares of ln V about its mean.
    variation: f64,
}

impl StraightLine {
    fn through(rows: &[EnvelopeRow]) -> Option<Self> {
        let n = rows.len() as f64;
        if rows.len() < LEAST_LEVEL_ROWS.min(LEAST_ROWS) {
            return None;
        }
        let points: Vec<(f64, f64)> = rows
            .iter()
            .map(|r| (r.time_s, maths::ln(r.antinode_velocity_mm_s)))
            .collect();
        let t_mean = points.iter().map(|p| p.0).sum::<f64>() / n;
        let y_mean = points.iter().map(|p| p.1).sum::<f64>() / n;
        let of = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
            points.iter().map(|p| f(p.0 - t_mean, p.1 - y_mean)).sum()
        };
        let (sxx, sxy, syy) = (of(&|t, _| t * t), of(&|t, y| t * y), of(&|_, y| y * y));
        let slope = sxy / sxx;
        if !(slope.is_finite() && syy > 0.0) {
            return None;
        }
        let residuals: Vec<f64> = points
            .iter()
            .map(|p| p.1 - y_mean - slope * (p.0 - t_mean))
            .collect();
        let square: f64 = residuals.iter().map(|r| r * r).sum();
        // Windows of neighbouring hops overlap: their errors go together, and
        // so many hops tell less than they are.
        let neighbours: f64 = residuals
            .iter()
            .zip(residuals.iter().skip(1))
            .map(|(a, b)| a * b)
            .sum();
        let correlation = if square > 0.0 {
            (neighbours / square).clamp(0.0, 0.9)
        } else {
            0.0
        };
        let inflation = (1.0 + correlation) / (1.0 - correlation);
        let freedom = (n / inflation - 2.0).max(1.0);
        let standard_u = (square / (n - 2.0) * inflation / sxx).sqrt();
        Some(Self {
            rate_per_s: Measured::new(-slope, coverage_factor(freedom) * standard_u),
            residual: square,
            variation: syy,
        })
    }

    fn decrement(&self, rows: &[EnvelopeRow], frequency_hz: f64) -> Decrement {
        let velocity = |row: Option<&EnvelopeRow>| row.map_or(0.0, |r| r.antinode_velocity_mm_s);
        Decrement {
            from_velocity_mm_s: velocity(rows.first()),
            to_velocity_mm_s: velocity(rows.last()),
            log_decrement: Measured::new(
                self.rate_per_s.value / frequency_hz,
                self.rate_per_s.u / frequency_hz,
            ),
            rows: rows.len(),
        }
    }
}

/// Factor for 95.45 % with few degrees of freedom (JCGM 100, annex G).
fn coverage_factor(freedom: f64) -> f64 {
    maths::students_t_within(0.9545, freedom)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn power_of_the_synthetic_anchor() {
        // Computed by hand from stored energy: f = 20 Hz, m = 1.628 kg/m,
        // L = 40 m, V = 200 mm/s. δ = 0.02: 0.52096 W, over the cycle
        // 0.51068 W; δ = 0.05: 1.3024 W and 1.2394 W.
        for (decrement, at, over) in [(0.02, 0.520_96, 0.510_68), (0.05, 1.302_4, 1.239_4)] {
            let p = power_w(20.0, 1.628, 40.0, 200.0, decrement);
            let c = cycle_power_w(20.0, 1.628, 40.0, 200.0, decrement);
            assert!((p / at - 1.0).abs() < 5e-5, "{p}");
            assert!((c / over - 1.0).abs() < 5e-5, "{c}");
        }
    }

    #[test]
    fn coverage_factors_of_the_guide() {
        // JCGM 100:2008, table G.2, column 95.45 %.
        let table = include_str!("../../tests/reference/coverage_factors.csv");
        let rows = table.lines().filter(|line| !line.starts_with('#')).skip(1);
        let mut compared = 0;
        for row in rows {
            let (freedom, k) = row.split_once(',').unwrap();
            let (freedom, k): (f64, f64) = (freedom.parse().unwrap(), k.parse().unwrap());
            assert!((coverage_factor(freedom) - k).abs() < 0.006, "{freedom}");
            compared += 1;
        }
        assert_eq!(compared, 4);
    }

    /// Driven for 5 s, then free with the given rate at each amplitude.
    fn trace(rate: impl Fn(f64) -> f64, seconds: f64) -> Vec<EnvelopeRow> {
        let mut v = 200.0;
        let mut rows = Vec::new();
        for hop in 0..(seconds * 4.0) as usize {
            let time_s = hop as f64 / 4.0;
            let driven = time_s < 5.0;
            if !driven {
                for _ in 0..250 {
                    v -= 1e-3 * rate(v) * v;
                }
            }
            rows.push(EnvelopeRow {
                time_s,
                frequency_hz: 20.0,
                antinode_velocity_mm_s: v,
                drive_force_n: if driven { 10.0 } else { 0.01 },
            });
        }
        rows
    }

    #[test]
    fn a_linear_decay_gives_one_decrement_at_all_amplitudes() {
        let found = decays(&trace(|_| 0.3, 25.0), None);
        assert_eq!(found.len(), 1);
        let decay = &found[0];
        assert!((decay.whole.log_decrement.value * 20.0 - 0.3).abs() < 1e-4);
        assert!(decay.levels.len() >= 3);
        for level in &decay.levels {
            assert!((level.log_decrement.value * 20.0 - 0.3).abs() < 1e-4);
        }
        // Stops above 3 % of where it began.
        assert!(decay.whole.to_velocity_mm_s > 5.0 && decay.whole.to_velocity_mm_s < 8.0);
    }

    #[test]
    fn damping_that_grows_with_amplitude_is_shown() {
        // Losses by V^2.5: the decrement goes with the square root of V.
        let found = decays(&trace(|v| 0.3 * (v / 200.0).sqrt(), 30.0), None);
        let decay = &found[0];
        assert!(decay.amplitude_dependent);
        for level in &decay.levels {
            let middle = (level.from_velocity_mm_s * level.to_velocity_mm_s).sqrt();
            let expected = 0.3 * (middle / 200.0_f64).sqrt() / 20.0;
            let error = (level.log_decrement.value / expected - 1.0).abs();
            assert!(error < 0.02, "{error}");
        }
    }

    #[test]
    fn the_range_asked_for_is_kept_to() {
        let rows = trace(|v| 0.3 * (v / 200.0).sqrt(), 30.0);
        let found = decays(&rows, Some((50.0, 100.0)));
        assert!(found[0].whole.from_velocity_mm_s <= 100.0);
        assert!(found[0].whole.to_velocity_mm_s >= 50.0);
        let expected = 0.3 * (70.7_f64 / 200.0).sqrt() / 20.0;
        assert!((found[0].whole.log_decrement.value / expected - 1.0).abs() < 0.02);
    }

    #[test]
    fn what_is_driven_or_does_not_fall_is_no_decay() {
        // Driven throughout, although the level is turned down.
        let mut driven = trace(|_| 0.3, 25.0);
        for row in &mut driven {
            row.drive_force_n = 0.05 * row.antinode_velocity_mm_s;
        }
        assert!(decays(&driven, None).is_empty());
        // The force is gone, but somebody else keeps the span going.
        assert!(decays(&trace(|_| 0.0, 25.0), None).is_empty());
        assert!(decays(&[], None).is_empty());
        assert!(matches!(fit(&[]), Err(NoDecay::TooShort(0))));
    }

    #[test]
    fn a_bent_envelope_is_refused() {
        let mut rows: Vec<EnvelopeRow> = trace(|_| 0.3, 25.0).split_off(20);
        for row in rows.iter_mut().skip(25) {
            row.antinode_velocity_mm_s = 190.0 - row.time_s;
        }
        assert!(fit(&rows).is_err());
    }
}
