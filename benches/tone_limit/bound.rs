//! The Cramér–Rao bound of the model, exactly: the inverse of the Fisher
//! information of all parameters at once, for the very window, phases and
//! harmonics of a draw. Written without the fit's own matrices.
//!
//! In: a truth. Out: the least variances that any unbiased estimate can have.

use num_complex::Complex64;
use std::f64::consts::TAU;

/// One channel as it truly is.
#[derive(Debug, Clone)]
pub struct TrueChannel {
    /// Constant beneath the tones.
    pub offset: f64,
    /// Peak phasors at the window's centre, the fundamental first, as many as
    /// the model has orders.
    pub phasors: Vec<Complex64>,
    /// An interfering tone: frequency in Hz, peak phasor.
    pub interfering: Option<(f64, Complex64)>,
    /// Standard deviation of the white noise.
    pub noise_rms: f64,
    /// Whether it has a say in the common frequency.
    pub has_say: bool,
}

/// A window as it truly is.
#[derive(Debug, Clone)]
pub struct Truth {
    /// Common frequency, Hz.
    pub frequency_hz: f64,
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Samples in the window.
    pub frames: usize,
    /// The channels.
    pub channels: Vec<TrueChannel>,
}

/// Least variances.
#[derive(Debug, Clone, Copy)]
pub struct Bound {
    /// Of the frequency, Hz².
    pub frequency: f64,
    /// Of the modulus of the fundamental's phasor.
    pub amplitude: f64,
    /// Of its phase, rad².
    pub phase: f64,
}

impl Truth {
    /// Seconds from the window's centre.
    pub fn time_s(&self, frame: usize) -> f64 {
        (frame as f64 - 0.5 * (self.frames - 1) as f64) / self.rate_hz
    }

    /// The bounds for the common frequency and for the phasor of channel
    /// `of`, in the joint model of all channels; those without a say give no
    /// information on the frequency of the others.
    pub fn bound(&self, of: usize) -> Bound {
        let information: f64 = self
            .channels
            .iter()
            .filter(|channel| channel.has_say)
            .map(|channel| 1.0 / inverse(&self.fisher(channel, 0.0))[0][0])
            .sum();
        let channel = &self.channels[of];
        let prior = if channel.has_say {
            information - 1.0 / inverse(&self.fisher(channel, 0.0))[0][0]
        } else {
            information
        };
        let covariance = inverse(&self.fisher(channel, prior));
        // Parameters: frequency, offset, re and im of the fundamental, …
        let (re, im) = (2, 3);
        let unit = channel.phasors[0] / channel.phasors[0].norm();
        let along = |u: Complex64| {
            u.re * u.re * covariance[re][re]
                + u.im * u.im * covariance[im][im]
                + 2.0 * u.re * u.im * covariance[re][im]
        };
        Bound {
            frequency: 1.0 / information,
            amplitude: along(unit),
            phase: along(unit * Complex64::I) / channel.phasors[0].norm_sqr(),
        }
    }

    /// Fisher information of one channel; `prior` is what is known of the
    /// common frequency from elsewhere, 1/Hz².
    fn fisher(&self, channel: &TrueChannel, prior: f64) -> Vec<Vec<f64>> {
        let size = 2 + 2 * channel.phasors.len() + 3 * usize::from(channel.interfering.is_some());
        let mut matrix = vec![vec![0.0; size]; size];
        let mut gradient = Vec::with_capacity(size);
        for frame in 0..self.frames {
            let t = self.time_s(frame);
            gradient.clear();
            gradient.extend([0.0, 1.0]);
            for (phasor, order) in channel.phasors.iter().zip(1_u32..) {
                let rate = TAU * f64::from(order) * t;
                let turn = Complex64::cis(rate * self.frequency_hz);
                gradient[0] += (phasor * turn * Complex64::new(0.0, rate)).re;
                gradient.extend([turn.re, -turn.im]);
            }
            if let Some((hz, phasor)) = channel.interfering {
                let turn = Complex64::cis(TAU * hz * t);
                let slope = (phasor * turn * Complex64::new(0.0, TAU * t)).re;
                gradient.extend([slope, turn.re, -turn.im]);
            }
            for (row, a) in matrix.iter_mut().zip(&gradient) {
                for (cell, b) in row.iter_mut().zip(&gradient) {
                    *cell += a * b / channel.noise_rms.powi(2);
                }
            }
        }
        matrix[0][0] += prior;
        matrix
    }
}

/// Gauss–Jordan elimination with scaled rows and columns.
fn inverse(matrix: &[Vec<f64>]) -> Vec<Vec<f64>> {
    let size = matrix.len();
    let scale: Vec<f64> = (0..size).map(|i| matrix[i][i].sqrt().recip()).collect();
    let mut left: Vec<Vec<f64>> = (0..size)
        .map(|i| {
            (0..size)
                .map(|j| matrix[i][j] * scale[i] * scale[j])
                .collect()
        })
        .collect();
    let mut right: Vec<Vec<f64>> = (0..size)
        .map(|i| (0..size).map(|j| f64::from(u8::from(i == j))).collect())
        .collect();
    for pivot in 0..size {
        let best = (pivot..size)
            .max_by(|a, b| left[*a][pivot].abs().total_cmp(&left[*b][pivot].abs()))
            .unwrap_or(pivot);
        left.swap(pivot, best);
        right.swap(pivot, best);
        let divisor = left[pivot][pivot];
        for table in [&mut left, &mut right] {
            table[pivot].iter_mut().for_each(|x| *x /= divisor);
        }
        for row in (0..size).filter(|row| *row != pivot) {
            let factor = left[row][pivot];
            for table in [&mut left, &mut right] {
                let pivot_row = table[pivot].clone();
                for (cell, of_pivot) in table[row].iter_mut().zip(&pivot_row) {
                    *cell -= factor * of_pivot;
                }
            }
        }
    }
    (0..size)
        .map(|i| {
            (0..size)
                .map(|j| right[i][j] * scale[i] * scale[j])
                .collect()
        })
        .collect()
}
