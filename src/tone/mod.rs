//! Block → frequency and complex amplitude of every channel, with
//! uncertainty: the FFT stage. Pure.
//!
//! Phasors are **peak** values in the SI unit of the channel's own quantity
//! (m/s², m/s, m, 1, N): `x(t) = offset + Re[A exp(j 2 pi f (t − t_ref))]`.
//!
#![doc = include_str!("../guide/tone-limits.md")]

mod beside;
mod cascade;
pub mod decimate;
pub mod dense;
mod filter;
pub mod fit;
pub mod flattening;
pub mod free_response;
pub mod free_tones;
pub mod harmonic_fit;
mod hold_channel;
mod hold_spectrum;
mod hold_sums;
pub mod hop_search;
mod interfering;
pub mod interval;
mod lane_transform;
pub mod mains;
pub mod noise_marks;
pub mod packed_hop;
mod peak_residual;
pub mod plan;
mod pole_grid;
pub mod quantisation;
mod raw_statistics;
mod registers;
mod series_fit;
pub mod spectrum;
pub mod stage;
pub mod swept_response;

pub use plan::{PlanError, TonePlan};
pub use stage::{Estimator, HopMessage, HopWindows, Hops, WindowMessage, Windows};

use crate::maths;
use ndarray::Array2;
use num_complex::Complex64;
use spectrum::HopSpectrum;
use std::sync::Arc;

/// The band that noise is stated in, from zero, Hz: the same density of noise gives the
/// same signal-to-noise ratio at any sampling rate.
pub const NOISE_BAND_HZ: f64 = 250.0;

/// Rms of white noise in [`NOISE_BAND_HZ`] over its rms in the whole band of samples at
/// `rate_hz`.
pub fn noise_band_factor(rate_hz: f64) -> f64 {
    (NOISE_BAND_HZ / (0.5 * rate_hz)).sqrt()
}

/// One channel in one hop's window.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct ChannelTone {
    /// Peak phasor of the fundamental at the window's centre, SI.
    pub amplitude: Complex64,
    /// Standard uncertainty of its real and of its imaginary part, SI.
    pub amplitude_u: f64,
    /// Residual after the model, rms, SI.
    pub residual_rms: f64,
    /// Largest |residual| within the hop itself, SI.
    pub residual_peak: f64,
    /// Standard deviation of the hop's samples, SI.
    pub deviation: f64,
    /// Harmonics' rms over the fundamental's rms, 0…
    pub distortion: f64,
    /// Largest |second difference| of the raw samples of this hop, SI. With
    /// `second_difference_rms` it tells a rattle from noise.
    pub second_difference_peak: f64,
    /// Rms of the second difference of the raw samples of this hop, SI.
    pub second_difference_rms: f64,
    /// Raw samples at or beyond full scale in this hop.
    pub clipped: u64,
    /// Raw samples that this hop looks at and that have no value in this
    /// channel. Where there are any, nothing of the channel can be trusted.
    pub missing: u64,
}

impl ChannelTone {
    /// Power of the fundamental over the power of the residual in
    /// [`NOISE_BAND_HZ`], dB; `rate_hz` is the rate after decimation.
    pub fn snr_db(&self, rate_hz: f64) -> f64 {
        let noise_rms = self.residual_rms * noise_band_factor(rate_hz);
        10.0 * maths::log10(0.5 * self.amplitude.norm_sqr() / maths::square(noise_rms))
    }
}

/// What the tone stage says once a hop about one source.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ToneFrame {
    /// Hop number since sample 0 of the source; hop k ends at
    /// `(k + 1) · hop_seconds`.
    pub hop: u64,
    /// End of the hop and of the window, s since sample 0.
    pub end_s: f64,
    /// Common frequency of the channels, Hz; `None` where no tone stands out.
    pub frequency_hz: Option<f64>,
    /// Its standard uncertainty, Hz.
    pub frequency_u_hz: f64,
    /// One entry a channel of the source, in the order of the stage's plan.
    pub channels: Vec<ChannelTone>,
    /// The decimated samples of this hop, channels × samples, SI: what a hold
    /// is fitted on as a whole.
    pub samples: Arc<Array2<f64>>,
    /// Their spectra, eight channels each, up to half the sampling rate; none where there is no
    /// search for a tone.
    pub spectra: Arc<Vec<HopSpectrum>>,
}

/// Samples that never came, seen by the tone stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToneGap {
    /// Where, s since sample 0.
    pub at_s: f64,
    /// How many raw samples.
    pub missing_samples: u64,
}

/// What the tone stage hands on.
#[derive(Debug, Clone, PartialEq)]
pub enum ToneMessage {
    /// A frame.
    Frame(ToneFrame),
    /// A gap; the next frame does not join on.
    Gap(ToneGap),
}
