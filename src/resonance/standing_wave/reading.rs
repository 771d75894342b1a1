//! Antinode and node as if sensors stood there: what the tracker reads where all
//! sensors are fixed.
//!
//! In: a setup without an antinode channel, its plan, tone frames in order. Out: the
//! same with two channels more, worked out from the fixed sensors' samples. Pure.
//!
//! With k real, the motion at a place is a weighted sum of the sensors' motion with real
//! weights. So the samples of a moved sensor follow from those of the fixed ones, and
//! all that the tracker asks of an antinode and a node channel it may ask of these: no
//! criterion of a hold knows how they were read. The point itself is reduced from the
//! fixed sensors' phasors, with k and the loss as they are found (`reduction`).

use std::f64::consts::{FRAC_PI_2, PI, TAU};
use std::sync::Arc;

use ndarray::{Array2, Axis, s};
use num_complex::Complex64;

use super::known::{matched, reading_end_m};
use super::two_waves::{FixedSensor, TwoWaves, WaveFitError, WaveNumber};
use crate::maths;
use crate::setup::{Channel, Role, Setup};
use crate::tone::plan::PlannedChannel;
use crate::tone::{ChannelTone, ToneFrame, TonePlan};

/// What the two channels are called.
const NAMES: [(&str, Role); 2] = [
    ("antinode by fixed sensors", Role::Antinode),
    ("node by fixed sensors", Role::Node),
];

/// One fixed sensor of the source.
#[derive(Debug)]
struct Row {
    row: usize,
    channel: Channel,
}

/// The reading of one source whose sensors are fixed.
#[derive(Debug)]
pub struct FixedReading {
    setup: Setup,
    rows: Vec<Row>,
    /// The antinode's weights of the hop before: which of two neighbouring antinodes
    /// is read may change, its sign then stays.
    before: Option<Vec<f64>>,
}

/// Weights of the sensors in the two channels.
#[derive(Debug)]
struct Weights {
    antinode: Vec<f64>,
    node: Vec<f64>,
}

impl FixedReading {
    /// The reading, with setup and plan as the tracker takes them; `None` where an antinode
    /// channel is there, or no fixed sensors are.
    pub fn new(setup: &Setup, plan: &TonePlan) -> Option<(Self, Setup, TonePlan)> {
        if !setup.reads_by_fixed_sensors() {
            return None;
        }
        let sensors: Vec<Row> = plan
            .channels
            .iter()
            .enumerate()
            .filter_map(|(row, planned)| {
                let channel = setup.channels.get(planned.setup_index)?;
                let is_fixed = channel.role == Role::Wave && channel.position_m.is_some();
                is_fixed.then(|| Row {
                    row,
                    channel: channel.clone(),
                })
            })
            .collect();
        let model = sensors.first()?.channel.clone();
        let (mut wider, mut wider_plan) = (setup.clone(), plan.clone());
        for (name, role) in NAMES {
            wider_plan.channels.push(PlannedChannel {
                setup_index: wider.channels.len(),
                column: Channel::WORKED_OUT,
                to_si: 1.0,
                sets_frequency: false,
                is_required: false,
            });
            wider.channels.push(Channel {
                name: name.to_owned(),
                role,
                index: Channel::WORKED_OUT,
                position_m: None,
                reference: None,
                ..model.clone()
            });
        }
        let reading = Self {
            setup: setup.clone(),
            rows: sensors,
            before: None,
        };
        Some((reading, wider, wider_plan))
    }

    /// Forgets the hop before: samples are missing.
    pub fn forget(&mut self) {
        self.before = None;
    }

    /// Adds antinode and node to a frame; zeros where no tone stands out.
    pub fn enter(&mut self, frame: &mut ToneFrame) {
        let weights = frame
            .frequency_hz
            .map(|frequency_hz| self.weights(frame, frequency_hz));
        let mut samples = Array2::zeros((frame.samples.nrows() + 2, frame.samples.ncols()));
        samples
            .slice_mut(s![..frame.samples.nrows(), ..])
            .assign(&*frame.samples);
        let first = frame.samples.nrows();
        let of_channels = match &weights {
            Some(weights) => [Some(&weights.antinode), Some(&weights.node)],
            None => [None, None],
        };
        for (at, weights) in of_channels.into_iter().enumerate() {
            let Some(weights) = weights else {
                frame.channels.push(ChannelTone::default());
                continue;
            };
            let mut sum = samples.index_axis_mut(Axis(0), first + at);
            for (row, weight) in self.rows.iter().zip(weights) {
                sum.scaled_add(*weight, &frame.samples.row(row.row));
            }
            let tone = self.tone(frame, weights);
            frame.channels.push(tone);
        }
        frame.samples = Arc::new(samples);
        // Two channels have come: they are not theirs.
        frame.spectra = Arc::default();
    }

    /// The weights of a frame, in sign with those before.
    fn weights(&mut self, frame: &ToneFrame, frequency_hz: f64) -> Weights {
        let found = self.standing(frame, frequency_hz);
        let mut weights = found.unwrap_or_else(|_| self.strongest(frame));
        let is_turned = self.before.as_ref().is_some_and(|before| {
            let pairs = before.iter().zip(&weights.antinode);
            pairs.map(|(before, now)| before * now).sum::<f64>() < 0.0
        });
        if is_turned {
            for weight in weights.antinode.iter_mut().chain(&mut weights.node) {
                *weight = -*weight;
            }
        }
        self.before = Some(weights.antinode.clone());
        weights
    }

    /// Where the waves cannot be told apart, the sensor that moves most stands for the
    /// antinode, so that the dwell has a record that says why it has no reading.
    fn strongest(&self, frame: &ToneFrame) -> Weights {
        let amplitude = |sensor: &Row| {
            let tone = frame.channels.get(sensor.row);
            tone.map_or(0.0, |tone| maths::modulus(tone.amplitude))
        };
        let mut best = (0, 0.0);
        for (at, sensor) in self.rows.iter().enumerate() {
            if amplitude(sensor) > best.1 {
                best = (at, amplitude(sensor));
            }
        }
        let alone = |at| if at == best.0 { 1.0 } else { 0.0 };
        Weights {
            antinode: (0..self.rows.len()).map(alone).collect(),
            node: vec![0.0; self.rows.len()],
        }
    }

    fn standing(&self, frame: &ToneFrame, frequency_hz: f64) -> Result<Weights, WaveFitError> {
        let mut gains = Vec::with_capacity(self.rows.len());
        let sensors: Vec<FixedSensor> = self
            .rows
            .iter()
            .map(|row| {
                let tone = frame.channels.get(row.row).copied().unwrap_or_default();
                let matched = matched(&self.setup, &row.channel, frequency_hz);
                gains.push(matched.map_or(1.0, |matched| maths::modulus(matched.factor)));
                FixedSensor::reading(
                    &self.setup,
                    &row.channel,
                    frequency_hz,
                    tone.amplitude,
                    tone.amplitude_u,
                )
            })
            .collect();
        // The weights are real; what the loss adds to a part of S the point has.
        let waves = TwoWaves::fit(&sensors, WaveNumber::of(&self.setup, frequency_hz))?;
        let end_m = reading_end_m(&self.setup, frequency_hz);
        let weights = standing_weights(&sensors, waves.wave_number_per_m(), end_m);
        let mut weights = weights.ok_or(WaveFitError::Nothing)?;
        // The samples are those of the sensors as they are. A matched phase of tenths of a
        // degree they keep: the point takes it off.
        for of_place in [&mut weights.antinode, &mut weights.node] {
            for (weight, gain) in of_place.iter_mut().zip(&gains) {
                *weight /= gain;
            }
        }
        Ok(weights)
    }

    /// The tone of a weighted sum of sensors that err independently. Orders of the drive
    /// have modes of their own, so they count as independent too.
    fn tone(&self, frame: &ToneFrame, weights: &[f64]) -> ChannelTone {
        let mut sum = ChannelTone::default();
        let (mut amplitude_u2, mut residual2, mut peak2) = (0.0, 0.0, 0.0);
        let (mut distortion2, mut difference2, mut difference_peak2) = (0.0, 0.0, 0.0);
        for (row, weight) in self.rows.iter().zip(weights) {
            let Some(tone) = frame.channels.get(row.row) else {
                continue;
            };
            let squared = |value: f64| maths::square(weight * value);
            sum.amplitude += tone.amplitude * *weight;
            amplitude_u2 += squared(tone.amplitude_u);
            residual2 += squared(tone.residual_rms);
            peak2 += squared(tone.residual_peak);
            distortion2 += squared(tone.distortion * maths::modulus(tone.amplitude));
            difference2 += squared(tone.second_difference_rms);
            difference_peak2 += squared(tone.second_difference_peak);
            sum.clipped += tone.clipped;
            sum.missing += tone.missing;
        }
        let modulus = maths::modulus(sum.amplitude);
        ChannelTone {
            amplitude_u: amplitude_u2.sqrt(),
            residual_rms: residual2.sqrt(),
            residual_peak: peak2.sqrt(),
            distortion: if modulus > 0.0 {
                distortion2.sqrt() / modulus
            } else {
                0.0
            },
            second_difference_rms: difference2.sqrt(),
            second_difference_peak: difference_peak2.sqrt(),
            ..sum
        }
    }
}

/// Weights of the sensors in the motion at the antinode and at the node after it, the last
/// node before `end_m`, by least squares with a real wave number.
fn standing_weights(
    sensors: &[FixedSensor],
    wave_number_per_m: f64,
    end_m: f64,
) -> Option<Weights> {
    let shape = |place_m: f64| {
        let (sine, cosine) = maths::sin_cos(wave_number_per_m * (place_m - end_m));
        [sine, cosine]
    };
    let mut normal = [0.0; 3];
    for sensor in sensors {
        let [sine, cosine] = shape(sensor.place_m);
        normal[0] += sine * sine;
        normal[1] += sine * cosine;
        normal[2] += cosine * cosine;
    }
    let [ss, sc, cc] = normal;
    let determinant = ss * cc - sc * sc;
    if determinant <= 0.0 {
        return None;
    }
    // Of the sine's and of the cosine's amplitude, sensor by sensor.
    let inverse: Vec<[f64; 2]> = sensors
        .iter()
        .map(|sensor| {
            let [sine, cosine] = shape(sensor.place_m);
            [
                (cc * sine - sc * cosine) / determinant,
                (ss * cosine - sc * sine) / determinant,
            ]
        })
        .collect();
    let mut amplitudes = [Complex64::new(0.0, 0.0); 2];
    for (sensor, row) in sensors.iter().zip(&inverse) {
        for (amplitude, weight) in amplitudes.iter_mut().zip(row) {
            *amplitude += sensor.velocity_m_s * *weight;
        }
    }
    // A sin θ + B cos θ = a e^(−jθ) + b e^(jθ), opposite to one another at the node.
    let [sine, cosine] = amplitudes;
    let j = Complex64::new(0.0, 1.0);
    let (a, b) = (0.5 * (cosine + j * sine), 0.5 * (cosine - j * sine));
    let lead = maths::argument(b * a.conj());
    let node = -0.5 * (lead - PI).rem_euclid(TAU);
    let at = |theta: f64| {
        let (sine, cosine) = maths::sin_cos(theta);
        inverse
            .iter()
            .map(|[of_sine, of_cosine]| of_sine * sine + of_cosine * cosine)
            .collect()
    };
    Some(Weights {
        antinode: at(node - FRAC_PI_2),
        node: at(node),
    })
}
