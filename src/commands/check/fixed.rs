//! What the fixed sensors show of the wave while the drive runs at one frequency.

use ndarray::{Array2, Axis, s};

use super::listen::Heard;
use super::measure::{Line, Terms, measure};
use crate::maths;
use crate::resonance::standing_wave::{FixedSensor, ShownWaves};
use crate::setup::{Channel, Setup};
use crate::tone::fit::{ToneGuess, fit};

/// Orders of the drive in the fit.
const ORDERS: usize = 3;
/// Latest part of what was heard that is looked at, s.
const LATEST_S: f64 = 8.0;
/// A sensor's tone stands this far above its own noise, or the drive does not run.
const SHOWS: f64 = 20.0;

/// What they show.
pub(super) struct FixedSensorsShown {
    frequency_hz: f64,
    shown: ShownWaves,
    /// What is wrong; empty where nothing is.
    pub(super) faults: Vec<String>,
}

impl FixedSensorsShown {
    /// By the latest samples heard of the source that they hang on; `None` where fewer than two
    /// sensors are there, or no steady tone.
    pub(super) fn of(setup: &Setup, heard: &Heard) -> Option<Self> {
        let channels: Vec<&Channel> = setup.fixed_sensors().map(|(channel, _)| channel).collect();
        let rate_hz = heard.format.rate_hz;
        // The latest of them: the drive may have moved before.
        let frames = heard.samples.ncols().min((LATEST_S * rate_hz) as usize);
        let latest = heard
            .samples
            .slice(s![.., heard.samples.ncols() - frames..]);
        let mut rows = Array2::zeros((channels.len(), frames));
        let mut strongest: Option<Line> = None;
        for (mut row, channel) in rows.axis_iter_mut(Axis(0)).zip(&channels) {
            let to_si = channel.full_scale * channel.unit.to_si();
            row.assign(&latest.row(channel.index));
            let terms = Terms {
                rate_hz,
                full_scale: to_si,
                clip_level: heard.format.clip_level,
                low_hz: setup.sweep.low_hz,
                high_hz: setup.sweep.high_hz,
            };
            if frames > 0 && row.iter().all(|value| value.is_finite()) {
                let line = measure(row.view(), terms).strongest;
                strongest = [strongest, line]
                    .into_iter()
                    .flatten()
                    .max_by(|a, b| a.peak.total_cmp(&b.peak));
            }
            row.mapv_inplace(|value| value * to_si);
        }
        if channels.len() < 2 || rows.iter().any(|value| !value.is_finite()) {
            return None;
        }
        let guess_hz = strongest?.frequency_hz;
        let tone = ToneGuess {
            frequency_hz: guess_hz,
            free: true,
            orders: ((0.45 * rate_hz / guess_hz) as usize).clamp(1, ORDERS),
        };
        let fitted = fit(rows.view(), rate_hz, &[tone], &vec![true; channels.len()]).ok()?;
        let frequency_hz = fitted.frequencies.first()?.frequency_hz;
        let mut shows = false;
        let sensors: Vec<FixedSensor> = channels
            .iter()
            .zip(&fitted.channels)
            .map(|(channel, found)| {
                let phasor = found.phasors.first()?.first()?;
                shows |= maths::modulus(phasor.value) > SHOWS * phasor.part_u();
                let (shown, u) = (phasor.value, phasor.part_u());
                Some(FixedSensor::reading(setup, channel, frequency_hz, shown, u))
            })
            .collect::<Option<_>>()?;
        if !shows {
            return None;
        }
        let names: Vec<String> = channels
            .iter()
            .map(|channel| channel.name.clone())
            .collect();
        let shown = ShownWaves::of(setup, frequency_hz, sensors, &names);
        let faults = shown
            .faults()
            .iter()
            .map(|fault| format!("fixed sensors at {frequency_hz:.2} Hz: {fault}"));
        Some(Self {
            frequency_hz,
            faults: faults.collect(),
            shown,
        })
    }

    /// What they show, a line.
    pub(super) fn line(&self) -> String {
        let hz = self.frequency_hz;
        match self.shown.found() {
            Some((waves, read)) => format!(
                "fixed sensors at {hz:.2} Hz: condition {:.1}, {:.2} % of the motion left over; node at \
                 {:.3} m from the drive-end clamp, ratio there {:.1} %",
                waves.condition,
                100.0 * waves.residual_ratio(),
                read.node_m,
                100.0 * read.iswr,
            ),
            None => format!("fixed sensors at {hz:.2} Hz: no reading"),
        }
    }
}
