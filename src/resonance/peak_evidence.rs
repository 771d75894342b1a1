//! Where the peak is, by the span's free motion at the beginning and at the end of
//! a dwell. Pure.
//!
//! In: samples around a change of the drive (its frequency, its level, a cut) and
//! the drive's frequency in the dwell. Out: natural frequency and half-power
//! bandwidth of the resonance, and so how far the drive stood from its peak.
//!
//! The natural frequency, imaginary part of the pole over 2 pi, is that of the
//! peak of the antinode's amplitude at constant force: both see the loss change
//! with frequency in the same way, where the phase between force and velocity does
//! not (in half-power bandwidths the pole was never more than 0.037 from that peak
//! on 258 exact resonances of 40 random spans with ratios up to 0.7, the phase's
//! zero up to 0.12). It belongs to the span with the shaker on it.
//!
//! What could pass for a free motion: a drive that fades away slowly. The span
//! then follows it, at the drive's own frequency, and the fade looks like a decay at
//! the peak. So the bandwidth has to be one that fits the ratio, and two decaying
//! tones near the drive are no evidence.

use num_complex::Complex64;
use std::f64::consts::TAU;
use std::ops::Range;

use super::finding::CriterionFinding;
use crate::maths;
use crate::tone::free_response::{baseband, window_seconds};
use crate::tone::free_tones::{FreeTone, NoisySeries, free_tones};

/// Farthest from the drive that the resonance may be, bandwidths: what is farther
/// away is another one's.
const FARTHEST_BANDWIDTHS: f64 = 2.0;
/// And Hz, where no bandwidth is known.
const FARTHEST_HZ: f64 = 0.6;
/// Bandwidths that a free motion may have over the one that the ratio implies.
/// Exact spans show 0.79 to 1.95; a shaker adds to it.
const LIKELY_BANDWIDTHS: Range<f64> = 0.6..4.0;
/// A second tone that decays this fast, over the bandwidth of the first, and near
/// the drive, could be the free motion as well.
const RIVAL_BANDWIDTHS: Range<f64> = 0.3..6.0;
/// Power over the first's from which it counts.
const RIVAL_POWER: f64 = 1e-3;
/// Power of a free tone over the noise of a value that makes it worth a look.
const LEAST_POWER: f64 = 10.0;
/// Power of what is left over the noise from which the model is not the right one.
const MOST_LEFT: f64 = 1.6;
/// And up to which it is noise.
const LIKE_NOISE: f64 = 1.25;
/// Or over the tone itself: a hum that comes and goes is no noise, and harmless.
const MOST_LEFT_OF_TONE: f64 = 1e-3;
/// Or over it, times the square of the bandwidth in spacings of the harmonics: what
/// neighbours ring that are too close and decay too fast to be fitted. It is in the
/// uncertainty, which grows with what is left.
const LEFT_BY_NEIGHBOURS: f64 = 0.1;
/// Standard uncertainty of the detuning from which a fit says nothing.
const LARGEST_U: f64 = 0.15;
/// And below which no better one is looked for.
const GOOD_U: f64 = 0.03;
/// Starts that are tried, values after the change: it may have taken its time.
const STARTS: [usize; 7] = [0, 1, 2, 4, 7, 11, 16];
/// Lengths that are tried, time constants: another change may follow.
const LENGTHS: [f64; 3] = [8.0, 4.5, 2.6];
/// Windows that the steady part holds, at least.
const LEAST_WINDOWS: f64 = 7.0;
/// Least noise of a value over the motion: what is rounded or bent is no noise.
const LEAST_NOISE: f64 = 1e-5;
/// Power of a departure from the steady motion over that of noise, mean over the
/// channels, from which something has changed.
const CHANGED: f64 = 16.0;
/// Distance of the pole from the peak of the amplitude, standard uncertainty over
/// the bandwidth in spacings of the harmonics: 0.02 bandwidths at a ratio of 0.6.
const PEAK_U: f64 = 0.05;
/// What resonances farther away ring and is too little to be fitted, likewise, on the
/// natural frequency.
const UNSEEN_U: f64 = 0.004;
/// Most values that are fitted, those of forty seconds.
const MOST_VALUES: usize = 160;

/// A free motion. Uncertainties are standard ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PeakEvidence {
    /// Natural frequency, Hz.
    pub natural_hz: f64,
    /// Its standard uncertainty, Hz.
    pub natural_u_hz: f64,
    /// Half-power bandwidth, Hz.
    pub bandwidth_hz: f64,
    /// Its standard uncertainty, Hz.
    pub bandwidth_u_hz: f64,
    /// How far the drive stood above the peak, half-power bandwidths.
    pub detuning: f64,
    /// Its standard uncertainty.
    pub detuning_u: f64,
}

/// By how much the peak of the span alone lies above that of span and shaker.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct MassShift {
    /// Hz.
    pub hz: f64,
    /// Its standard uncertainty, Hz.
    pub u_hz: f64,
}

/// What is known of the resonance.
#[derive(Debug, Clone, Copy)]
pub struct DrivenResonance {
    /// The drive's frequency in the dwell, Hz.
    pub drive_hz: f64,
    /// Its standard uncertainty, Hz.
    pub drive_u_hz: f64,
    /// The bandwidth that the ratio implies, Hz.
    pub implied_hz: Option<f64>,
    /// Spacing of the harmonics, Hz.
    pub spacing_hz: f64,
}

/// Samples around a change, a row a channel.
#[derive(Debug)]
pub struct AroundChange {
    /// Samples of each channel that shows the span's motion.
    pub rows: Vec<Vec<f64>>,
    /// Their rate, Hz.
    pub rate_hz: f64,
    /// Samples in which the motion is steady.
    pub steady: Range<usize>,
    /// Where to look for the free motion.
    pub look: Range<usize>,
    /// Which way round.
    pub side: Side,
}

/// On which side of the change the motion is steady.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// It becomes steady after the change.
    After,
    /// It was steady until then.
    Before,
}

impl DrivenResonance {
    /// The free motion around a change; `None` where nothing certain is seen.
    pub fn evidence(&self, around: &AroundChange) -> Option<PeakEvidence> {
        let bandwidth_hz = self.implied_hz.unwrap_or(FARTHEST_HZ / FARTHEST_BANDWIDTHS);
        let constant_s = (std::f64::consts::PI * bandwidth_hz).recip();
        // The noise is that of the steady part, which has to hold some windows.
        let steady_s = around.steady.len() as f64 / around.rate_hz;
        let window_s = window_seconds(constant_s).min(steady_s / LEAST_WINDOWS);
        let mut all = Vec::new();
        let mut grid = None;
        for row in &around.rows {
            let (series, step_s, length) = baseband(row, around.rate_hz, self.drive_hz, window_s)?;
            grid = Some((step_s, length));
            all.push(series);
        }
        let (step_s, length) = grid?;
        // Values whose windows lie within some samples.
        let stride = (step_s * around.rate_hz).round().max(1.0) as usize;
        let within = |samples: &Range<usize>| {
            let first = samples.start.div_ceil(stride);
            let end = samples.end.saturating_sub(length) / stride + 1;
            first..end.max(first)
        };
        let steady = within(&around.steady);
        let noise: Vec<f64> = all
            .iter()
            .map(|series| noise_square(series.get(steady.clone())?))
            .collect::<Option<_>>()?;
        let look = within(&around.look);
        let departures = departures(&all, &noise, &steady, &look)?;
        // The first window that holds nothing of what was before.
        let clear = |at: usize| look.start + at + length.div_ceil(stride);
        let from = match around.side {
            Side::Before => clear(first_change(&departures)?),
            // A free motion is largest where it begins.
            Side::After => match largest(&departures) {
                0 => look.start,
                at => clear(at),
            },
        };
        let farthest_hz = FARTHEST_BANDWIDTHS * bandwidth_hz * 2.0;
        let mut best: Option<(f64, PeakEvidence)> = None;
        for start in STARTS {
            let start = from + start;
            for length in LENGTHS {
                let count = ((length * constant_s / step_s) as usize).clamp(8, MOST_VALUES);
                let end = look.end.min(start + count);
                if end < start + 6 {
                    continue;
                }
                let channels: Option<Vec<NoisySeries>> = all
                    .iter()
                    .zip(&noise)
                    .map(|(series, noise_square)| {
                        Some(NoisySeries {
                            values: series.get(start..end)?.to_vec(),
                            noise_square: *noise_square,
                        })
                    })
                    .collect();
                let channels = channels?;
                let found = self.of_series(&channels, step_s, farthest_hz);
                let Some((left, found)) = found else {
                    continue;
                };
                let found = self.with_drive_error(found, &channels, step_s, farthest_hz);
                // What leaves more than noise may be off by more than it says.
                let doubt = found.detuning_u * if left > LIKE_NOISE { 10.0 } else { 1.0 };
                if doubt <= GOOD_U {
                    return Some(found);
                }
                if best.is_none_or(|(least, _)| doubt < least) {
                    best = Some((doubt, found));
                }
            }
        }
        best.map(|(_, found)| found)
    }

    /// The same with what an error of the drive's frequency does to it: a motion that is
    /// driven then turns a little, and looks like a part of what is free.
    fn with_drive_error(
        &self,
        found: PeakEvidence,
        channels: &[NoisySeries],
        step_s: f64,
        farthest_hz: f64,
    ) -> PeakEvidence {
        let turn = -TAU * self.drive_u_hz * step_s;
        let turned: Vec<NoisySeries> = channels
            .iter()
            .map(|channel| NoisySeries {
                values: channel
                    .values
                    .iter()
                    .enumerate()
                    .map(|(i, value)| value * maths::cis(turn * i as f64))
                    .collect(),
                noise_square: channel.noise_square,
            })
            .collect();
        let off = Self {
            drive_hz: self.drive_hz + self.drive_u_hz,
            ..*self
        };
        let Some((_, other)) = off.of_series(&turned, step_s, farthest_hz) else {
            return found;
        };
        let with = |u: f64, a: f64, b: f64| maths::hypot(u, a - b);
        PeakEvidence {
            natural_u_hz: with(found.natural_u_hz, found.natural_hz, other.natural_hz),
            bandwidth_u_hz: with(found.bandwidth_u_hz, found.bandwidth_hz, other.bandwidth_hz),
            detuning_u: with(found.detuning_u, found.detuning, other.detuning),
            ..found
        }
    }

    fn of_series(
        &self,
        channels: &[NoisySeries],
        step_s: f64,
        farthest_hz: f64,
    ) -> Option<(f64, PeakEvidence)> {
        let found = free_tones(channels, step_s, farthest_hz)?;
        let own = found
            .tones
            .iter()
            .filter(|tone| self.may_be_own(tone))
            .min_by(|a, b| self.unlikeliness(a).total_cmp(&self.unlikeliness(b)))?;
        let of_tone = MOST_LEFT_OF_TONE
            .max(LEFT_BY_NEIGHBOURS * maths::square(own.bandwidth_hz / self.spacing_hz));
        let fits = found.rest_over_noise
            <= MOST_LEFT.max(of_tone * own.over_noise / channels.len() as f64);
        let has_rival = found.tones.iter().any(|tone| {
            tone != own
                && RIVAL_BANDWIDTHS.contains(&(tone.bandwidth_hz / own.bandwidth_hz))
                && tone.offset_hz.abs() < 1.5 * own.bandwidth_hz
                && tone.over_noise > (RIVAL_POWER * own.over_noise).max(LEAST_POWER)
        });
        if !fits || has_rival {
            return None;
        }
        let bandwidth_hz = own.bandwidth_hz;
        let detuning = -own.offset_hz / bandwidth_hz;
        let fit_u = maths::hypot(own.offset_u_hz, detuning * own.bandwidth_u_hz) / bandwidth_hz;
        let detuning_u = maths::hypot(fit_u, PEAK_U * bandwidth_hz / self.spacing_hz);
        let evidence = PeakEvidence {
            natural_hz: self.drive_hz + own.offset_hz,
            natural_u_hz: maths::hypot(
                own.offset_u_hz,
                UNSEEN_U * maths::square(bandwidth_hz) / self.spacing_hz,
            ),
            bandwidth_hz,
            bandwidth_u_hz: own.bandwidth_u_hz,
            detuning,
            detuning_u,
        };
        (detuning_u <= LARGEST_U).then_some((found.rest_over_noise, evidence))
    }

    fn may_be_own(&self, tone: &FreeTone) -> bool {
        let likely = match self.implied_hz {
            Some(implied_hz) => LIKELY_BANDWIDTHS.contains(&(tone.bandwidth_hz / implied_hz)),
            None => tone.bandwidth_hz > 5.0 * tone.bandwidth_u_hz,
        };
        likely
            && tone.offset_hz.abs() <= FARTHEST_BANDWIDTHS * tone.bandwidth_hz
            && tone.over_noise >= LEAST_POWER
    }

    fn unlikeliness(&self, tone: &FreeTone) -> f64 {
        let broad = self.implied_hz.unwrap_or(tone.bandwidth_hz);
        maths::ln(tone.bandwidth_hz / broad).abs() + tone.offset_hz.abs() / broad
    }
}

impl PeakEvidence {
    /// Two of one resonance together. Where they contradict each other the
    /// uncertainty is as wide as what lies between them.
    #[must_use]
    pub fn with(self, other: Self) -> Self {
        let mean = |a: f64, a_u: f64, b: f64, b_u: f64| {
            let (a_weight, b_weight) = (maths::square(b_u), maths::square(a_u));
            let total = a_weight + b_weight;
            if total <= 0.0 {
                return (0.5 * (a + b), 0.0);
            }
            let u = a_u * b_u / total.sqrt();
            let apart = (a - b).abs() / total.sqrt();
            (
                (a * a_weight + b * b_weight) / total,
                u * apart.max(2.0) / 2.0,
            )
        };
        let (natural_hz, natural_u_hz) = mean(
            self.natural_hz,
            self.natural_u_hz,
            other.natural_hz,
            other.natural_u_hz,
        );
        let (bandwidth_hz, bandwidth_u_hz) = mean(
            self.bandwidth_hz,
            self.bandwidth_u_hz,
            other.bandwidth_hz,
            other.bandwidth_u_hz,
        );
        let (detuning, detuning_u) = mean(
            self.detuning,
            self.detuning_u,
            other.detuning,
            other.detuning_u,
        );
        let apart = (self.detuning - other.detuning).abs();
        let contradict = apart > 4.0 * maths::hypot(self.detuning_u, other.detuning_u);
        Self {
            natural_hz,
            natural_u_hz,
            bandwidth_hz,
            bandwidth_u_hz,
            detuning,
            detuning_u: if contradict { apart } else { detuning_u },
        }
    }

    /// The same for the span without what moves with its drive.
    #[must_use]
    pub fn without_drive_mass(self, shift: MassShift) -> Self {
        let of_bandwidth = |hz: f64| hz / self.bandwidth_hz;
        Self {
            natural_hz: self.natural_hz + shift.hz,
            natural_u_hz: maths::hypot(self.natural_u_hz, shift.u_hz),
            detuning: self.detuning - of_bandwidth(shift.hz),
            detuning_u: maths::hypot(self.detuning_u, of_bandwidth(shift.u_hz)),
            ..self
        }
    }

    /// Whether the drive stands at the peak, within `limit` bandwidths: shown,
    /// excluded, or neither.
    pub fn is_on_peak(&self, limit: f64) -> Option<bool> {
        is_on_peak((self.detuning, self.detuning_u), limit)
    }
}

/// Whether a drive that stands so many half-power bandwidths from the peak, with that standard
/// uncertainty, is at it within `limit`: shown, excluded, or neither.
pub(super) fn is_on_peak((detuning, detuning_u): (f64, f64), limit: f64) -> Option<bool> {
    let (off, u) = (detuning.abs(), 2.0 * detuning_u);
    if off - u > limit {
        Some(false)
    } else if off <= limit && off + u <= FARTHEST_HELD * limit {
        Some(true)
    } else {
        None
    }
}

/// Over the limit, where a drive that is shown to be on the peak may be at most
/// (k = 2): at 20 degrees 0.23 bandwidths.
const FARTHEST_HELD: f64 = 1.25;

/// Where the free motion says that the drive stands, against `limit` bandwidths.
pub(super) fn peak_finding(peak: PeakEvidence, limit: f64) -> CriterionFinding {
    let met = peak.is_on_peak(limit);
    let u = 2.0 * peak.detuning_u;
    let stands = format!(
        "by the span's free motion when the drive changed the resonance is at {:.4} Hz and {:.1} mHz wide, and the drive stood {:+.2} ± {u:.2} bandwidths from its peak, at most {limit:.2} are allowed",
        peak.natural_hz,
        1e3 * peak.bandwidth_hz,
        peak.detuning,
    );
    let sentence = match met {
        Some(false) => format!("off resonance: {stands}"),
        _ => format!("resonance neither shown nor excluded: {stands}"),
    };
    CriterionFinding::new(peak.detuning, met, sentence)
}

/// What it means for the numbers that the drive stands so many half-power
/// bandwidths off the peak. The ratio is that of the waves beyond the node, whoever
/// drives; the level follows the resonance curve.
pub(super) fn off_peak_effect(bandwidths: f64) -> String {
    let level_pct = 100.0 / (1.0 + maths::square(2.0 * bandwidths)).sqrt();
    format!(
        "off the peak: the ratio does not depend on that; the level is {level_pct:.0} % of what the same force gives at the peak, and a tunable harmonic is at the peak"
    )
}

/// Mean square of a value's noise, from values so far apart that they share no
/// sample.
fn noise_square(series: &[Complex64]) -> Option<f64> {
    let count = series.len();
    if count < 8 {
        return None;
    }
    let mean = series.iter().map(Complex64::norm_sqr).sum::<f64>() / count as f64;
    let apart: f64 = series
        .iter()
        .zip(series.iter().skip(2))
        .map(|(a, b)| (a - b).norm_sqr())
        .sum();
    let noise = 0.5 * apart / (count - 2) as f64;
    Some(noise.max(maths::square(LEAST_NOISE) * mean)).filter(|noise| *noise > 0.0)
}

/// Power of the departure from the steady motion over that of noise, mean over the
/// channels, at each value of `look`.
fn departures(
    all: &[Vec<Complex64>],
    noise: &[f64],
    steady: &Range<usize>,
    look: &Range<usize>,
) -> Option<Vec<f64>> {
    let means: Vec<Complex64> = all
        .iter()
        .map(|series| {
            let some = series.get(steady.clone())?;
            Some(some.iter().sum::<Complex64>() / some.len().max(1) as f64)
        })
        .collect::<Option<_>>()?;
    let of = |at: usize| -> Option<f64> {
        let powers = all.iter().zip(noise).zip(&means);
        let sum: Option<f64> = powers
            .map(|((series, noise), mean)| Some((series.get(at)? - mean).norm_sqr() / noise))
            .sum();
        Some(sum? / all.len().max(1) as f64)
    };
    look.clone().map(of).collect()
}

/// The first from which on the motion is another one.
fn first_change(departures: &[f64]) -> Option<usize> {
    let departs = |three: &[f64]| three.iter().all(|power| *power > CHANGED);
    departures.windows(3).position(departs)
}

fn largest(departures: &[f64]) -> usize {
    departures
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1))
        .map_or(0, |(at, _)| at)
}
