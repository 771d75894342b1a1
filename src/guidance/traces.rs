//! What a view draws besides numbers: the response as the drive is tuned, waveforms and
//! spectra of the latest second. Pure.

use std::collections::VecDeque;
use std::f64::consts::TAU;
use std::sync::Arc;

use ndarray::Array2;
use serde::Serialize;

use crate::maths;
use crate::resonance::DwellOutlook;
use crate::setup::{Role, Setup, Unit};
use crate::tone::{ToneMessage, TonePlan};

/// Hops of the response that are kept: a minute and a half.
const RESPONSE_HOPS: usize = 360;
/// Hops that waveform and spectrum are of: a second.
const HOPS: usize = 4;
/// Cycles of the drive that a waveform shows, and values at most.
const CYCLES: f64 = 4.0;
const MOST_VALUES: usize = 160;
/// A spectrum goes up to so many times the top of the sweep.
const TOP: f64 = 3.0;
/// Significant digits of what is drawn.
const DIGITS: i32 = 4;

/// The span's response at one hop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ResponsePoint {
    /// End of the hop, s.
    pub at_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Antinode velocity, mm/s peak.
    pub antinode_velocity_mm_s: f64,
    /// Real part of antinode velocity over drive, (mm/s)/N or (mm/s)/V.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub re: Option<f64>,
    /// Imaginary part.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub im: Option<f64>,
}

/// The latest second of one channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Waveform {
    /// Name of the channel.
    pub channel: String,
    /// Unit of the values.
    pub unit: &'static str,
    /// From one value to the next, s.
    pub step_s: f64,
    /// Some cycles of the drive.
    pub values: Vec<f64>,
    /// From one line of the spectrum to the next, Hz.
    pub line_hz: f64,
    /// Peak amplitude in each line, dB over the largest, Hann window.
    pub spectrum_db: Vec<f64>,
}

/// What `GET /signals` gives.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Traces {
    /// What the response is over: `drive-force`, `drive-signal`, or nothing.
    pub response_over: Option<&'static str>,
    /// The response, the oldest first.
    pub response: Vec<ResponsePoint>,
    /// Antinode, node, drive.
    pub waveforms: Vec<Waveform>,
}

/// Keeps what the traces are made of.
#[derive(Debug, Clone, Default)]
pub(super) struct TraceKeeper {
    main: usize,
    rate_hz: f64,
    /// Row, name and unit of each channel that is drawn.
    channels: Vec<(usize, String, Unit)>,
    response_over: Option<&'static str>,
    top_hz: f64,
    response: VecDeque<ResponsePoint>,
    hops: VecDeque<Arc<Array2<f64>>>,
    frequency_hz: Option<f64>,
}

impl TraceKeeper {
    pub(super) fn new(setup: &Setup, plans: &[TonePlan], main: usize) -> Self {
        let plan = plans.get(main);
        let drawn = plan
            .into_iter()
            .flat_map(|plan| plan.channels.iter().enumerate());
        let channels = drawn.filter_map(|(row, planned)| {
            let channel = setup.channels.get(planned.setup_index)?;
            let is_drawn = matches!(
                channel.role,
                Role::Antinode | Role::Node | Role::Wave | Role::DriveForce | Role::DriveSignal
            );
            is_drawn.then(|| (row, channel.name.clone(), channel.unit))
        });
        let has = |role| setup.channel(role).is_some();
        Self {
            main,
            rate_hz: plan.map_or(1.0, TonePlan::decimated_rate_hz),
            channels: channels.collect(),
            response_over: if has(Role::DriveForce) {
                Some(Role::DriveForce.name())
            } else {
                has(Role::DriveSignal).then(|| Role::DriveSignal.name())
            },
            top_hz: TOP * setup.sweep.high_hz,
            ..Self::default()
        }
    }

    pub(super) fn hear(&mut self, source: usize, message: &ToneMessage) {
        if source != self.main {
            return;
        }
        match message {
            ToneMessage::Frame(frame) => {
                self.frequency_hz = frame.frequency_hz;
                self.hops.push_back(Arc::clone(&frame.samples));
                while self.hops.len() > HOPS {
                    self.hops.pop_front();
                }
            }
            ToneMessage::Gap(_) => self.hops.clear(),
        }
    }

    pub(super) fn look(&mut self, outlook: &DwellOutlook) {
        if self
            .response
            .back()
            .is_some_and(|last| last.at_s >= outlook.at_s)
        {
            return;
        }
        self.response.push_back(ResponsePoint {
            at_s: outlook.at_s,
            frequency_hz: rounded(outlook.frequency_hz, DIGITS + 3),
            antinode_velocity_mm_s: rounded(1e3 * outlook.antinode_m_s, DIGITS),
            re: outlook
                .response
                .map(|response| rounded(1e3 * response.re, DIGITS)),
            im: outlook
                .response
                .map(|response| rounded(1e3 * response.im, DIGITS)),
        });
        while self.response.len() > RESPONSE_HOPS {
            self.response.pop_front();
        }
    }

    pub(super) fn has_heard(&self) -> bool {
        !self.hops.is_empty()
    }

    pub(super) fn traces(&self) -> Traces {
        Traces {
            response_over: self.response_over,
            response: self.response.iter().copied().collect(),
            waveforms: self
                .channels
                .iter()
                .filter_map(|(row, name, unit)| self.waveform(*row, name, *unit))
                .collect(),
        }
    }

    fn waveform(&self, row: usize, name: &str, unit: Unit) -> Option<Waveform> {
        let mut samples: Vec<f64> = Vec::new();
        for hop in self.hops.iter().filter(|hop| row < hop.nrows()) {
            samples.extend(hop.row(row));
        }
        let mean = samples.iter().sum::<f64>() / samples.len().max(1) as f64;
        if samples.len() < 8 || !mean.is_finite() {
            return None;
        }
        for sample in &mut samples {
            *sample -= mean;
        }
        let cycle = self.frequency_hz.map_or(0.25, f64::recip) * self.rate_hz;
        let shown = ((CYCLES * cycle) as usize).clamp(8, samples.len());
        let stride = shown.div_ceil(MOST_VALUES);
        let latest = samples.get(samples.len() - shown..).unwrap_or_default();
        let values = latest
            .iter()
            .step_by(stride)
            .map(|value| rounded(*value / unit.to_si(), DIGITS));
        let line_hz = self.rate_hz / samples.len() as f64;
        Some(Waveform {
            channel: name.to_owned(),
            unit: unit.symbol(),
            step_s: stride as f64 / self.rate_hz,
            values: values.collect(),
            line_hz,
            spectrum_db: spectrum_db(&samples, (self.top_hz / line_hz) as usize),
        })
    }
}

/// Peak amplitudes over the largest, dB, up to a line.
#[allow(
    clippy::disallowed_types,
    reason = "a picture: its last digits decide nothing"
)]
fn spectrum_db(samples: &[f64], top: usize) -> Vec<f64> {
    let transform = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(samples.len());
    let mut input = transform.make_input_vec();
    let length = samples.len() as f64;
    for (i, (slot, sample)) in input.iter_mut().zip(samples).enumerate() {
        *slot = sample * (0.5 - 0.5 * maths::cos(TAU * i as f64 / length));
    }
    let mut lines = transform.make_output_vec();
    if transform.process(&mut input, &mut lines).is_err() {
        return Vec::new();
    }
    let powers: Vec<f64> = lines
        .iter()
        .take(top + 1)
        .map(num_complex::Complex::norm_sqr)
        .collect();
    let largest = powers.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let db = |power: f64| 10.0 * maths::log10((power / largest).max(1e-12));
    powers
        .into_iter()
        .map(|power| (10.0 * db(power)).round() / 10.0)
        .collect()
}

/// To so many significant digits.
pub(super) fn rounded(value: f64, digits: i32) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return value;
    }
    let magnitude = maths::log10(value.abs()).floor() as i32;
    // Powers of ten up to 10^22 are exact, so that 0.04 comes out as 0.04.
    let shift = digits - 1 - magnitude;
    let factor = maths::power_of_ten(shift.abs());
    if shift >= 0 {
        (value * factor).round() / factor
    } else {
        (value / factor).round() * factor
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spectrum_has_its_largest_line_at_the_tone() {
        let samples: Vec<f64> = (0..1000)
            .map(|i| (TAU * 20.0 * f64::from(i) / 1000.0).sin())
            .collect();
        let lines = spectrum_db(&samples, 60);
        assert_eq!(lines.len(), 61);
        // A Hann window spreads a tone over its neighbours at half the amplitude.
        assert!(
            (lines[20] - 0.0).abs() < 0.05 && (lines[19] + 6.0).abs() < 0.1,
            "{lines:?}"
        );
        assert!(lines[40] < -100.0, "{}", lines[40]);
    }

    #[test]
    fn numbers_are_rounded_to_digits_not_places() {
        for (value, is) in [
            (0.041_234_9, 0.041_23),
            (-1234.56, -1235.0),
            (123_456.0, 123_500.0),
        ] {
            assert_eq!(rounded(value, 4).to_string(), is.to_string());
        }
        assert!(rounded(0.0, 4) == 0.0 && rounded(f64::NAN, 4).is_nan());
    }
}
