//! Straight lines and envelope lines through a series of hops.

use crate::maths;
use num_complex::Complex64;
use std::f64::consts::TAU;

/// A straight line by least squares over evenly spaced values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// Mean value.
    pub mean: f64,
    /// Change from the first to the last value along the line.
    pub change: f64,
    /// Standard uncertainty of `change` from the scatter about the line, for
    /// values of which `overlap` in a row share their samples.
    pub change_u: f64,
}

/// Fits a line; `None` for fewer than three values.
pub fn trend(values: &[f64], overlap: usize) -> Option<Trend> {
    let count = values.len();
    if count < 3 {
        return None;
    }
    let n = count as f64;
    let mean = values.iter().sum::<f64>() / n;
    let middle = 0.5 * (n - 1.0);
    let (mut along, mut square) = (0.0, 0.0);
    for (i, value) in values.iter().enumerate() {
        let t = i as f64 - middle;
        along += t * (value - mean);
        square += t * t;
    }
    let slope = along / square;
    let scatter: f64 = values
        .iter()
        .enumerate()
        .map(|(i, value)| maths::square(value - mean - slope * (i as f64 - middle)))
        .sum::<f64>()
        / (n - 2.0);
    Some(Trend {
        mean,
        change: slope * (n - 1.0),
        change_u: (scatter * overlap as f64 / square).sqrt() * (n - 1.0),
    })
}

/// The means of `count` values in a row each; one less than that is taken off the
/// series' length.
pub fn moving_mean(values: &[f64], count: usize) -> Vec<f64> {
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    values.windows(count.max(1)).map(mean).collect()
}

/// The largest line in the spectrum of an envelope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EnvelopeLine {
    /// Beat frequency, Hz.
    pub frequency_hz: f64,
    /// Its amplitude over the mean, before the window smoothed it.
    pub depth: f64,
}

/// Finds the largest line in the envelope `values` (one every `hop_s`, each the
/// mean over `window_s`), with the straight line taken off. Below 1.5 cycles
/// over the series it is a trend, not a beat; above 0.7/window the smoothing
/// hides it and the spectrum of the samples shows it instead.
pub fn envelope_line(values: &[f64], hop_s: f64, window_s: f64) -> Option<EnvelopeLine> {
    let trend = trend(values, 1)?;
    let n = values.len() as f64;
    let middle = 0.5 * (n - 1.0);
    let rest: Vec<f64> = values
        .iter()
        .enumerate()
        .map(|(i, value)| value - trend.mean - trend.change / (n - 1.0) * (i as f64 - middle))
        .collect();
    let length_s = n * hop_s;
    let low_hz = 1.5 / length_s;
    let high_hz = 0.7 / window_s;
    // Half a resolution width apart: no line falls between by more than 10 %.
    let step_hz = 0.5 / length_s;
    let mut best: Option<EnvelopeLine> = None;
    let mut frequency_hz = low_hz;
    while frequency_hz <= high_hz {
        let (mut re, mut im) = (0.0, 0.0);
        // A turn a value instead of a sine: an hour's hold has 14 000 values and
        // 5000 frequencies. Rounding adds up to 1e-12 at most.
        let (sine, cosine) = maths::sin_cos(TAU * frequency_hz * hop_s);
        let step = Complex64::new(cosine, sine);
        let mut turn = Complex64::ONE;
        for value in &rest {
            re += value * turn.re;
            im += value * turn.im;
            turn *= step;
        }
        let angle = 0.5 * TAU * frequency_hz * window_s;
        let smoothing = maths::sin(angle) / angle;
        let depth = 2.0 * maths::hypot(re, im) / n / trend.mean / smoothing;
        if best.is_none_or(|best| depth > best.depth) {
            best = Some(EnvelopeLine {
                frequency_hz,
                depth,
            });
        }
        frequency_hz += step_hz;
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_again() {
        let values: Vec<f64> = (0..41).map(|i| 3.0 + 0.01 * f64::from(i)).collect();
        let line = trend(&values, 1).unwrap();
        assert!((line.mean - 3.2).abs() < 1e-12);
        assert!((line.change - 0.4).abs() < 1e-12);
        assert!(line.change_u < 1e-12);
    }

    #[test]
    fn a_beat_keeps_its_depth_through_the_smoothing() {
        // 2 % at 0.4 Hz, averaged over 1 s: sin(0.4 pi)/(0.4 pi) = 0.757 is left.
        let smoothed = 0.02 * 0.756_826_728_6;
        let values: Vec<f64> = (0..60)
            .map(|i| 5.0 * (1.0 + smoothed * (TAU * 0.4 * f64::from(i) * 0.25).sin()))
            .collect();
        let line = envelope_line(&values, 0.25, 1.0).unwrap();
        assert!((line.frequency_hz - 0.4).abs() < 0.035, "{line:?}");
        assert!((line.depth - 0.02).abs() < 0.002, "{line:?}");
    }
}
