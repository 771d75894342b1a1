//! One channel of a hold fitted by itself: the drive's tone, at a frequency that is known, and
//! interfering tones beside it. Pure.

use num_complex::Complex64;

use super::fit::{ChannelFit, FitError, ToneGuess, fit_to};
use super::hold_sums::{HoldSpectra, HopRest};

/// What was fitted.
pub(super) struct HoldChannel {
    pub channel: usize,
    pub tones: Vec<ToneGuess>,
    pub fit: ChannelFit,
    pub frequencies_hz: Vec<f64>,
    /// What it leaves of the sums of each hop; empty until somebody sees to it.
    pub left: Vec<HopRest>,
}

/// A first guess of a tone without harmonics.
pub(super) fn single(frequency_hz: f64) -> ToneGuess {
    ToneGuess {
        frequency_hz,
        free: true,
        orders: 1,
    }
}

impl HoldChannel {
    /// Beside `drive` the tones near `interfering`, Hz; without them where they do not converge.
    pub fn fit(
        spectra: &HoldSpectra,
        channel: usize,
        rate_hz: f64,
        drive: ToneGuess,
        interfering: &[f64],
    ) -> Result<Self, FitError> {
        let mut tones = vec![drive];
        tones.extend(interfering.iter().map(|hz| single(*hz)));
        let chosen = [channel];
        let fit = |tones: &[ToneGuess]| fit_to(&spectra.channels(&chosen), rate_hz, tones, &[true]);
        let fitted = match fit(&tones) {
            // Interfering tones that will not converge are left to the noise.
            Err(FitError::Diverged | FitError::Singular) if tones.len() > 1 => {
                tones.truncate(1);
                fit(&tones)?
            }
            other => other?,
        };
        // Of the drive to the last bit that of the other channels.
        let found = fitted.frequencies.iter().zip(&tones);
        let frequencies_hz = found
            .map(|(found, tone)| {
                if tone.free {
                    found.frequency_hz
                } else {
                    tone.frequency_hz
                }
            })
            .collect();
        Ok(Self {
            channel,
            tones,
            fit: fitted
                .channels
                .into_iter()
                .next()
                .ok_or(FitError::Diverged)?,
            frequencies_hz,
            left: Vec::new(),
        })
    }

    /// The interfering tones, Hz.
    pub fn interfering_hz(&self) -> &[f64] {
        self.frequencies_hz.get(1..).unwrap_or_default()
    }

    /// The sines of the model, the drive's first: angle a sample and peak phasor.
    pub fn sines(&self, rate_hz: f64) -> Vec<(f64, Complex64)> {
        self.fit.sines(&self.frequencies_hz, rate_hz)
    }
}
