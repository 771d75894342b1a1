//! What some seconds of one channel tell: level, offset, noise, mains,
//! clipping. Pure.
//!
//! Spectra are Welch averages of Hann-windowed halves-overlapping segments of
//! four seconds (P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15, 1967,
//! 70–73), one-sided: a sine of peak A shows as A at its line, white noise of
//! density D (unit²/Hz) as D.

#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "a look before the run: nothing of it is stored"
)]

use std::f64::consts::TAU;

use ndarray::ArrayView1;
use realfft::RealFftPlanner;

use crate::tone::mains::mains_lines_hz;

/// Length of a spectrum's segment, s: lines 0.25 Hz apart.
const SEGMENT_S: f64 = 4.0;
/// Highest order of a mains frequency that is looked at.
const MAINS_ORDERS: u32 = 3;
/// The grid stays within this of its nominal value, share of it.
const MAINS_SLACK: f64 = 0.004;
/// A line counts when it stands this far above the noise beside it, power.
const STANDS_OUT: f64 = 30.0;

/// One line of a spectrum.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Line {
    /// Where, Hz.
    pub frequency_hz: f64,
    /// Peak value, in the channel's unit.
    pub peak: f64,
}

/// What a channel looks like. Values in the channel's unit.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SignalLevels {
    /// Mean: the offset.
    pub mean: f64,
    /// Rms about the mean.
    pub rms: f64,
    /// Largest |sample|, offset included.
    pub peak: f64,
    /// That over digital full scale, %.
    pub used_pct: f64,
    /// Samples at or beyond full terms.
    pub clipped: u64,
    /// Every sample has the same value.
    pub is_constant: bool,
    /// Noise density between the lines of the sweep's range, unit/sqrt(Hz);
    /// `None` where the signal is too short for a spectrum.
    pub noise_density: Option<f64>,
    /// The strongest line in the sweep's range, mains left out.
    pub strongest: Option<Line>,
    /// Mains lines that stand out.
    pub mains: Vec<Line>,
}

/// What to make of the numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Terms {
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Value of digital full scale, in the channel's unit.
    pub full_scale: f64,
    /// Fraction of full scale that counts as clipped.
    pub clip_level: f64,
    /// The sweep's range, Hz.
    pub low_hz: f64,
    /// The sweep's range, Hz.
    pub high_hz: f64,
}

/// Measures one channel; `samples` with digital full scale = 1, not empty.
pub fn measure(samples: ArrayView1<f64>, terms: Terms) -> SignalLevels {
    let count = samples.len().max(1) as f64;
    let mean = samples.sum() / count;
    let rms = (samples.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / count).sqrt();
    let peak = samples.iter().fold(0.0, |peak: f64, x| peak.max(x.abs()));
    let full_scale = terms.full_scale.abs();
    let first = samples.first().copied().unwrap_or(0.0);
    let spectrum = spectrum(samples, mean, terms.rate_hz);
    let noise = spectrum
        .as_ref()
        .map(|s| s.noise(terms.low_hz, terms.high_hz));
    let mains: Vec<Line> = spectrum
        .as_ref()
        .map_or_else(Vec::new, |s| s.mains(full_scale));
    SignalLevels {
        mean: mean * full_scale,
        rms: rms * full_scale,
        peak: peak * full_scale,
        used_pct: 100.0 * peak,
        clipped: samples
            .iter()
            .filter(|x| x.abs() >= terms.clip_level)
            .count() as u64,
        is_constant: samples.iter().all(|x| x.to_bits() == first.to_bits()),
        noise_density: noise.map(|density| density.sqrt() * full_scale),
        strongest: spectrum
            .as_ref()
            .and_then(|s| s.strongest(terms.low_hz, terms.high_hz, full_scale)),
        mains,
    }
}

/// A one-sided average spectrum.
struct Spectrum {
    /// Power density a line, full scale²/Hz.
    density: Vec<f64>,
    /// Distance of the lines, Hz.
    step_hz: f64,
    /// Equivalent noise bandwidth of a line, Hz.
    line_hz: f64,
    /// Degrees of freedom of each density.
    freedom: f64,
}

fn spectrum(samples: ArrayView1<f64>, mean: f64, rate_hz: f64) -> Option<Spectrum> {
    let length = (SEGMENT_S * rate_hz).round() as usize;
    let samples: Vec<f64> = samples.iter().map(|x| x - mean).collect();
    if length < 16 || samples.len() < length {
        return None;
    }
    let window: Vec<f64> = (0..length)
        .map(|n| 0.5 - 0.5 * (TAU * n as f64 / length as f64).cos())
        .collect();
    let power: f64 = window.iter().map(|w| w * w).sum();
    let sum: f64 = window.iter().sum();
    let transform = RealFftPlanner::new().plan_fft_forward(length);
    let mut lines = transform.make_output_vec();
    let mut density = vec![0.0; lines.len()];
    let mut segments = 0;
    for segment in samples.windows(length).step_by(length / 2) {
        let mut work: Vec<f64> = segment.iter().zip(&window).map(|(x, w)| x * w).collect();
        transform.process(&mut work, &mut lines).ok()?;
        for (density, line) in density.iter_mut().zip(&lines) {
            *density += 2.0 * line.norm_sqr() / (rate_hz * power);
        }
        segments += 1;
    }
    density
        .iter_mut()
        .for_each(|density| *density /= f64::from(segments));
    Some(Spectrum {
        density,
        step_hz: rate_hz / length as f64,
        line_hz: rate_hz * power / (sum * sum),
        freedom: 2.0 * f64::from(segments),
    })
}

impl Spectrum {
    fn within(&self, low_hz: f64, high_hz: f64) -> impl Iterator<Item = (f64, f64)> {
        self.density
            .iter()
            .enumerate()
            .map(|(line, density)| (line as f64 * self.step_hz, *density))
            .filter(move |(frequency_hz, _)| (low_hz..=high_hz).contains(frequency_hz))
    }

    /// Density of the noise: the median of the lines, which a few strong ones
    /// do not move, over the median of a chi-square mean (Wilson and
    /// Hilferty, Proc. Natl. Acad. Sci. 17, 1931, 684–688).
    fn noise(&self, low_hz: f64, high_hz: f64) -> f64 {
        let mut densities: Vec<f64> = self.within(low_hz, high_hz).map(|(_, d)| d).collect();
        densities.sort_by(f64::total_cmp);
        let median = densities.get(densities.len() / 2).copied().unwrap_or(0.0);
        median / (1.0 - 2.0 / (9.0 * self.freedom)).powi(3)
    }

    /// Peak value of a sine whose line has this density.
    fn peak(&self, density: f64) -> f64 {
        (2.0 * density * self.line_hz).sqrt()
    }

    fn mains(&self, full_scale: f64) -> Vec<Line> {
        let found = mains_lines_hz(MAINS_ORDERS).filter_map(|mains_hz| {
            let slack_hz = (mains_hz * MAINS_SLACK).max(self.step_hz);
            let (frequency_hz, density) = self
                .within(mains_hz - slack_hz, mains_hz + slack_hz)
                .max_by(|a, b| a.1.total_cmp(&b.1))?;
            let beside = self.noise(mains_hz - 6.0, mains_hz + 6.0);
            (density > STANDS_OUT * beside).then(|| Line {
                frequency_hz,
                peak: self.peak(density) * full_scale,
            })
        });
        found.collect()
    }

    fn strongest(&self, low_hz: f64, high_hz: f64, full_scale: f64) -> Option<Line> {
        let is_mains = |frequency_hz: f64| {
            mains_lines_hz(MAINS_ORDERS)
                .any(|mains_hz| (frequency_hz - mains_hz).abs() < 2.0 * self.step_hz)
        };
        let (frequency_hz, density) = self
            .within(low_hz, high_hz)
            .filter(|(frequency_hz, _)| !is_mains(*frequency_hz))
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        (density > STANDS_OUT * self.noise(low_hz, high_hz)).then(|| Line {
            frequency_hz,
            peak: self.peak(density) * full_scale,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::Distribution;

    const TERMS: Terms = Terms {
        rate_hz: 1000.0,
        full_scale: 500.0,
        clip_level: 1.0,
        low_hz: 8.0,
        high_hz: 64.0,
    };

    #[test]
    fn level_noise_and_mains_of_a_known_signal() {
        // 20 mm/s peak at 13 Hz, 3 mm/s peak of hum at 50 Hz, white noise of
        // 1 mm/s rms, an offset of 7 mm/s; full scale 500 mm/s. White noise of
        // rms s sampled at fs has the one-sided density s²/(fs/2):
        // 1/sqrt(500) = 0.04472 mm/s/sqrt(Hz), by hand.
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(1);
        let noise = rand_distr::Normal::new(0.0, 1.0).unwrap();
        let samples: ndarray::Array1<f64> = (0..40_000)
            .map(|n| {
                let t_s = f64::from(n) / 1000.0;
                let value = 7.0
                    + 20.0 * (TAU * 13.0 * t_s).cos()
                    + 3.0 * (TAU * 50.0 * t_s).sin()
                    + noise.sample(&mut random);
                value / 500.0
            })
            .collect();
        let found = measure(samples.view(), TERMS);
        assert!((found.mean - 7.0).abs() < 0.02);
        // sqrt(20²/2 + 3²/2 + 1) = 14.335, by hand.
        assert!((found.rms - 14.335).abs() < 0.05, "{}", found.rms);
        let density = found.noise_density.unwrap();
        assert!((density / 0.044_72 - 1.0).abs() < 0.1, "{density}");
        let strongest = found.strongest.unwrap();
        assert!((strongest.frequency_hz - 13.0).abs() < 0.01);
        assert!((strongest.peak - 20.0).abs() < 0.2, "{}", strongest.peak);
        assert_eq!(found.mains.len(), 1, "{:?}", found.mains);
        assert!((found.mains[0].peak - 3.0).abs() < 0.1, "{:?}", found.mains);
        assert_eq!((found.clipped, found.is_constant), (0, false));
    }

    #[test]
    fn a_dead_and_a_clipped_channel() {
        let dead = ndarray::Array1::from_elem(8000, 0.25);
        let found = measure(dead.view(), TERMS);
        assert!(found.is_constant && found.mains.is_empty() && found.strongest.is_none());
        assert!((found.mean - 125.0).abs() < 1e-9);
        let square: ndarray::Array1<f64> = (0..8000)
            .map(|n| if n % 100 < 50 { 1.0 } else { -1.0 })
            .collect();
        assert_eq!(measure(square.view(), TERMS).clipped, 8000);
    }

    #[test]
    fn a_moment_is_too_short_for_a_spectrum_and_says_so() {
        let short = ndarray::Array1::from_elem(100, 0.1);
        assert_eq!(measure(short.view(), TERMS).noise_density, None);
    }
}
