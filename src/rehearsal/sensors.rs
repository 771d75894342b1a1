//! The virtual bench's sensors and their faults: clean values in digital full
//! scale in, what the converter delivers out. Pure; noise comes from a seed.

use num_complex::Complex64;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

use super::disturbance::Disturbance;
use crate::setup::SampleFormat;

/// All channels' sensors, and what they share.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sensors {
    /// One entry a channel, in the order of the setup's channels; channels
    /// without an entry get `default`.
    pub channels: Vec<VirtualSensor>,
    /// For channels without an entry of their own.
    pub default: VirtualSensor,
    /// Mains frequency, Hz.
    pub mains_hz: f64,
    /// What the converter rounds to.
    pub quantisation: Quantisation,
}

/// One sensor with its faults.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VirtualSensor {
    /// White noise.
    pub noise: Noise,
    /// Constant offset, in the channel's unit.
    pub offset: f64,
    /// Peak of the mains pick-up, in the channel's unit.
    pub mains_peak: f64,
    /// Phase of the mains pick-up, degrees.
    pub mains_phase_deg: f64,
    /// Gain error, %.
    pub gain_error_pct: f64,
    /// Phase error, the same at every frequency, degrees: ahead where positive.
    #[serde(default)]
    pub phase_error_deg: f64,
    /// How much later than the others its signal comes, µs.
    #[serde(default)]
    pub delay_us: f64,
    /// Second harmonic of a static nonlinearity over the fundamental, settled.
    pub second_harmonic: f64,
    /// Third harmonic likewise.
    pub third_harmonic: f64,
    /// How far an antinode or node sensor stands from the true place, mm,
    /// positive towards the drive end.
    pub misplacement_mm: f64,
}

/// White noise of a sensor.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Noise {
    /// None.
    None,
    /// Power of the channel's own settled tone over the noise's, dB, in each
    /// dwell; over the whole band up to half the sampling rate.
    SnrDb(f64),
    /// Rms in the channel's unit.
    Rms(f64),
}

/// What samples are rounded to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantisation {
    /// Not at all.
    None,
    /// Signed integers of this many bits, 2…32; clipped at full scale.
    Bits(u32),
}

impl Quantisation {
    /// What a converter rounds to whose samples are stored as `format`: a
    /// float holds the values of a 24-bit converter.
    pub fn of(format: SampleFormat) -> Self {
        Self::Bits(match format {
            SampleFormat::I16 => 16,
            SampleFormat::I24 | SampleFormat::F32 | SampleFormat::F64 => 24,
            SampleFormat::I32 => 32,
        })
    }
}

impl Default for VirtualSensor {
    fn default() -> Self {
        Self {
            noise: Noise::None,
            offset: 0.0,
            mains_peak: 0.0,
            mains_phase_deg: 0.0,
            gain_error_pct: 0.0,
            phase_error_deg: 0.0,
            delay_us: 0.0,
            second_harmonic: 0.0,
            third_harmonic: 0.0,
            misplacement_mm: 0.0,
        }
    }
}

impl Default for Sensors {
    /// Ideal sensors on a 24-bit converter.
    fn default() -> Self {
        Self {
            channels: Vec::new(),
            default: VirtualSensor::default(),
            mains_hz: 50.0,
            quantisation: Quantisation::Bits(24),
        }
    }
}

impl Sensors {
    /// Sensors that differ from ideal ones by noise only.
    pub fn with_snr_db(snr_db: f64) -> Self {
        Self {
            default: VirtualSensor {
                noise: Noise::SnrDb(snr_db),
                ..VirtualSensor::default()
            },
            ..Self::default()
        }
    }

    /// The sensor of the setup's channel number `channel`.
    pub fn sensor(&self, channel: usize) -> VirtualSensor {
        self.channels.get(channel).copied().unwrap_or(self.default)
    }
}

/// One channel's way from a clean value to the converter's.
#[derive(Debug, Clone)]
pub(super) struct Converter {
    noise: ChaCha8Rng,
    /// Rms of the noise in digital full scale.
    pub(super) noise_rms: f64,
    offset: f64,
    /// Mains pick-up as a phasor, digital.
    mains: Complex64,
    second: f64,
    third: f64,
    /// Settled peak of the channel in this dwell, digital.
    pub(super) peak: f64,
    /// Level of flat tops, digital; infinite where there are none.
    pub(super) saturation: f64,
    /// Extra gain of a range that is too small.
    pub(super) overload: f64,
    /// Ringing over the settled peak; 0: no rattle.
    pub(super) rattle: f64,
    ringing: Complex64,
    above: bool,
    levels: Option<f64>,
}

impl Converter {
    /// `digital` is digital full scale per unit of the channel.
    pub(super) fn new(
        sensor: &VirtualSensor,
        digital: f64,
        stream: u64,
        seed: u64,
        bits: Quantisation,
    ) -> Self {
        let mut noise = ChaCha8Rng::seed_from_u64(seed);
        noise.set_stream(stream);
        Self {
            noise,
            noise_rms: 0.0,
            offset: sensor.offset * digital,
            mains: Complex64::from_polar(
                sensor.mains_peak * digital,
                sensor.mains_phase_deg.to_radians(),
            ),
            second: sensor.second_harmonic,
            third: sensor.third_harmonic,
            peak: 0.0,
            saturation: f64::INFINITY,
            overload: 1.0,
            rattle: 0.0,
            ringing: Complex64::new(0.0, 0.0),
            above: false,
            levels: match bits {
                Quantisation::None => None,
                Quantisation::Bits(bits) => Some(2f64.powi(bits.clamp(2, 32) as i32 - 1)),
            },
        }
    }

    /// Back to a sound sensor.
    pub(super) fn clear_faults(&mut self) {
        self.saturation = f64::INFINITY;
        self.overload = 1.0;
        self.rattle = 0.0;
    }

    /// Takes from a dwell's faults those of this row.
    pub(super) fn take_faults(&mut self, faults: &[Disturbance], row: usize) {
        for fault in faults {
            match *fault {
                Disturbance::Rattle { channel, strength } if channel == row => {
                    self.rattle = strength;
                }
                Disturbance::Saturation { channel, fraction } if channel == row => {
                    self.saturation = fraction * self.peak;
                }
                Disturbance::Clipping { channel, ratio } if channel == row && self.peak > 0.0 => {
                    self.overload = ratio / self.peak;
                }
                _ => {}
            }
        }
    }

    /// Turns clean values into converter values, in place. `mains` holds the
    /// mains phasor of each sample.
    pub(super) fn convert(&mut self, samples: &mut [f64], mains: &[Complex64]) {
        if (self.second != 0.0 || self.third != 0.0) && self.peak > 0.0 {
            for x in samples.iter_mut() {
                // Chebyshev polynomials: a settled cosine gains exactly its
                // second and third harmonic (and an offset, as it would).
                let u = *x / self.peak;
                let harmonics = self.second * 2.0 * u * u + self.third * u * (4.0 * u * u - 3.0);
                *x += self.peak * harmonics;
            }
        }
        if self.rattle > 0.0 || self.ringing.norm_sqr() > 0.0 {
            self.ring(samples);
        }
        if self.saturation.is_finite() {
            for x in samples.iter_mut() {
                *x = x.clamp(-self.saturation, self.saturation);
            }
        }
        let has_mains = self.mains.norm_sqr() > 0.0;
        for (x, phasor) in samples.iter_mut().zip(mains) {
            let mut value = *x * self.overload + self.offset;
            if has_mains {
                value += (self.mains * phasor).re;
            }
            if self.noise_rms > 0.0 {
                let normal: f64 = StandardNormal.sample(&mut self.noise);
                value += self.noise_rms * normal;
            }
            *x = match self.levels {
                None => value,
                Some(levels) => (value * levels).round().clamp(-levels, levels - 1.0) / levels,
            };
        }
    }

    /// A loose part: each time the signal rises past half its peak a ringing
    /// of about a third of the sampling rate starts again and dies in some 12
    /// samples.
    fn ring(&mut self, samples: &mut [f64]) {
        let turn = Complex64::from_polar((-1.0_f64 / 12.0).exp(), TAU * 0.31);
        for x in samples {
            let above = *x > 0.5 * self.peak && self.peak > 0.0;
            if above && !self.above {
                self.ringing += self.rattle * self.peak;
            }
            self.above = above;
            *x += self.ringing.im;
            self.ringing *= turn;
            if self.ringing.norm_sqr() < 1e-30 {
                self.ringing = Complex64::new(0.0, 0.0);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn converted(sensor: VirtualSensor, quantisation: Quantisation, input: &[f64]) -> Vec<f64> {
        let mut converter = Converter::new(&sensor, 1.0, 0, 1, quantisation);
        converter.peak = 1.0;
        let mut samples = input.to_vec();
        converter.convert(&mut samples, &vec![Complex64::new(1.0, 0.0); input.len()]);
        samples
    }

    #[test]
    fn sixteen_bits_are_those_of_a_wav_file() {
        let values = converted(
            VirtualSensor::default(),
            Quantisation::Bits(16),
            &[0.0, 0.4 / 32768.0, 0.6 / 32768.0, 2.0, -2.0],
        );
        let want = [0.0, 0.0, 1.0, 32767.0, -32768.0];
        for (value, want) in values.iter().zip(want) {
            assert!((value * 32768.0 - want).abs() < 1e-9);
        }
    }

    #[test]
    fn harmonics_of_a_cosine_have_the_stated_size() {
        let sensor = VirtualSensor {
            second_harmonic: 0.02,
            third_harmonic: 0.05,
            ..VirtualSensor::default()
        };
        let n = 240;
        let cosine: Vec<f64> = (0..n)
            .map(|k| (TAU * f64::from(k) / f64::from(n)).cos())
            .collect();
        let out = converted(sensor, Quantisation::None, &cosine);
        let part = |order: f64| {
            let sum: f64 = out
                .iter()
                .enumerate()
                .map(|(k, x)| x * (TAU * order * k as f64 / f64::from(n)).cos())
                .sum();
            2.0 * sum / f64::from(n)
        };
        for (order, want) in [(1.0, 1.0), (2.0, 0.02), (3.0, 0.05), (4.0, 0.0)] {
            assert!((part(order) - want).abs() < 1e-12, "order {order}");
        }
    }
}
