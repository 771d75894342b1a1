//! What is wrong, and what would put it right.

#![expect(
    clippy::disallowed_methods,
    reason = "a look before the run: nothing of it is stored"
)]

use std::fmt::Write as _;

use ndarray::Array1;
use serde::Serialize;

use super::fixed::FixedSensorsShown;
use super::listen::Heard;
use super::measure::{SignalLevels, Terms, measure};
use crate::evaluation::unit_question;
use crate::plan::{Assumptions, ChannelOutlook, Plan};
use crate::resonance::phasor::velocity_m_s;
use crate::setup::{Channel, Loaded, Role, Setup};
use crate::tone::{NOISE_BAND_HZ, TonePlan};

/// A mains line may be this large against the smallest expected signal.
const MAINS_SHARE: f64 = 0.05;
/// An offset may use this much of the range, %.
const OFFSET_PCT: f64 = 50.0;

/// One channel of the result.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelReport {
    /// Its name.
    pub name: String,
    /// Unit of what was measured.
    pub unit: String,
    /// What was measured.
    pub measured: SignalLevels,
    /// Signal-to-noise ratio to expect at the smallest planned signal, dB.
    pub expected_snr_db: Option<f64>,
}

/// The result.
#[derive(Debug, Clone, Default)]
pub struct Checked {
    /// One entry a channel of the setup.
    pub channels: Vec<ChannelReport>,
    /// What has to be put right.
    pub faults: Vec<String>,
    /// What to know.
    pub warnings: Vec<String>,
    /// One line a source: rate, length, losses; and which node is read.
    pub rates: Vec<String>,
}

impl Checked {
    /// Looks at what was heard, one entry a source.
    pub fn of(loaded: &Loaded, heard: &[Heard]) -> anyhow::Result<Self> {
        let setup = &loaded.setup;
        let plan = Plan::of(setup, Assumptions::of(setup));
        let mut checked = Self {
            warnings: loaded
                .warnings
                .iter()
                .map(|warning| warning.in_file(&loaded.file).to_string())
                .collect(),
            ..Self::default()
        };
        for (number, source) in heard.iter().enumerate() {
            checked.rate(setup, number, source);
            let tone = TonePlan::new(setup, number, &source.format)?;
            for planned in &tone.channels {
                let Some(channel) = setup.channels.get(planned.setup_index) else {
                    continue;
                };
                let outlook = plan.channels.get(planned.setup_index);
                checked.channel(setup, channel, outlook, source, planned.column);
            }
            checked.twins(setup, number, source);
        }
        checked.level(setup);
        checked.node(setup);
        checked.fixed_sensors(setup, heard);
        Ok(checked)
    }

    fn rate(&mut self, setup: &Setup, number: usize, heard: &Heard) {
        let Some(source) = setup.sources.get(number) else {
            return;
        };
        let frames = heard.samples.ncols();
        let rate_hz = heard.format.rate_hz;
        let mut line = format!(
            "Source \"{}\": {} channels at {rate_hz} Hz, {:.1} s heard",
            source.name,
            heard.format.channels,
            frames as f64 / rate_hz
        );
        if heard.missing_frames > 0 {
            let _ = write!(line, ", {} frames missing", heard.missing_frames);
            self.faults.push(format!(
                "source \"{}\": {} frames are missing within {frames}: a loose plug, a line too \
                 slow for the data, or a computer too busy",
                source.name, heard.missing_frames
            ));
        }
        self.rates.push(line + ".");
        self.warnings.extend(heard.notes.iter().cloned());
        if let Some(expected_hz) = source.rate_hz {
            let allowed_hz = 0.5 + expected_hz * source.rate_uncertainty_ppm * 1e-6;
            if (rate_hz - expected_hz).abs() > allowed_hz {
                self.faults.push(format!(
                    "source \"{}\": its samples come at {rate_hz} Hz, the setup says rate_hz = \
                     {expected_hz}; correct whichever is wrong",
                    source.name
                ));
            }
        }
    }

    fn channel(
        &mut self,
        setup: &Setup,
        channel: &Channel,
        outlook: Option<&ChannelOutlook>,
        heard: &Heard,
        column: usize,
    ) {
        let row = heard.samples.row(column);
        let values: Array1<f64> = row.iter().copied().filter(|x| x.is_finite()).collect();
        let measured = measure(
            values.view(),
            Terms {
                rate_hz: heard.format.rate_hz,
                full_scale: channel.full_scale,
                clip_level: heard.format.clip_level,
                low_hz: setup.sweep.low_hz,
                high_hz: setup.sweep.high_hz,
            },
        );
        let unit = channel.unit.symbol();
        let smallest_peak = outlook.and_then(|outlook| outlook.smallest_peak);
        let expected_snr_db = match (smallest_peak, measured.noise_density) {
            (Some(peak), Some(density)) if density > 0.0 => {
                let noise_rms = density * NOISE_BAND_HZ.sqrt();
                Some(20.0 * (peak / 2_f64.sqrt() / noise_rms).log10())
            }
            _ => None,
        };
        let mut fault = |text: String| {
            self.faults
                .push(format!("channel \"{}\": {text}", channel.name));
        };
        if values.len() < row.len() {
            fault(format!(
                "{} of {} samples have no value (no finite number): broken sensor or cable, or the \
                 device has nothing to send for it",
                row.len() - values.len(),
                row.len()
            ));
        }
        if measured.is_constant && !values.is_empty() {
            fault(format!(
                "every sample is {:.4} {unit}: sensor without power, broken cable, or the wrong \
                 index",
                measured.mean
            ));
        }
        if measured.clipped > 0 {
            fault(format!(
                "{} samples are at full scale ({} {unit}): lower the gain or the drive",
                measured.clipped, channel.full_scale
            ));
        }
        // The mean of a tension channel is what it measures.
        if channel.role != Role::Tension
            && measured.mean.abs() > OFFSET_PCT / 100.0 * channel.full_scale.abs()
        {
            fault(format!(
                "its offset of {:.4} {unit} uses more than {OFFSET_PCT} % of the range: balance \
                 the bridge or couple it by a capacitor",
                measured.mean
            ));
        }
        for line in &measured.mains {
            if let Some(share) = smallest_peak.map(|peak| line.peak / peak)
                && share > MAINS_SHARE
                && channel.role.has_tone()
            {
                fault(format!(
                    "mains pick-up at {:.1} Hz of {:.4} {unit} peak, {:.0} % of the smallest \
                     expected signal: check screen, earth and the cable's way",
                    line.frequency_hz,
                    line.peak,
                    100.0 * share
                ));
            }
        }
        if matches!(channel.role, Role::Antinode | Role::Wave)
            && let Some(snr_db) = expected_snr_db.filter(|snr_db| *snr_db < setup.hold.min_snr_db)
        {
            fault(format!(
                "the smallest expected signal will stand only {snr_db:.0} dB above this noise in 0 to 250 Hz, \
                 hold.min_snr_db = {} is asked for: raise the gain or quieten the channel",
                setup.hold.min_snr_db
            ));
        }
        self.channels.push(ChannelReport {
            name: channel.name.clone(),
            unit: unit.to_owned(),
            measured,
            expected_snr_db,
        });
    }

    /// With the drive running, whether the level is off by a factor that a
    /// wrong unit makes.
    fn level(&mut self, setup: &Setup) {
        let ratio = setup.amplitude.and_then(|level| {
            let line_of = |is_it: fn(Role) -> bool| {
                setup
                    .channels
                    .iter()
                    .filter(|channel| is_it(channel.role))
                    .filter_map(|channel| {
                        let heard = self.channels.iter().find(|c| c.name == channel.name)?;
                        let line = heard.measured.strongest?;
                        Some((
                            channel.unit,
                            line.frequency_hz,
                            line.peak * channel.unit.to_si(),
                        ))
                    })
                    .max_by(|a, b| a.2.total_cmp(&b.2))
            };
            let (unit, frequency_hz, peak) =
                line_of(|role| matches!(role, Role::Antinode | Role::Wave))?;
            let velocity = velocity_m_s(unit.quantity(), peak.into(), frequency_hz).norm();
            let strain = line_of(Role::is_clamp_strain).map(|(_, _, peak)| 2e6 * peak);
            let deviation_pct = level.deviation_pct(frequency_hz, velocity, strain)?;
            Some(1.0 + deviation_pct / 100.0)
        });
        self.warnings
            .extend(ratio.and_then(|ratio| unit_question::of_ratios(setup, &[ratio])));
    }

    /// With the drive running at one frequency, whether the fixed sensors show two waves.
    fn fixed_sensors(&mut self, setup: &Setup, heard: &[Heard]) {
        let main = setup.main_source().map(|(number, _)| number);
        let Some(heard) = main.and_then(|main| heard.get(main)) else {
            return;
        };
        let Some(shown) = FixedSensorsShown::of(setup, heard) else {
            return;
        };
        self.rates.push(shown.line());
        self.faults.extend(shown.faults);
    }

    /// With the drive running, at which node the node sensor stands, where its
    /// place is known.
    fn node(&mut self, setup: &Setup) {
        let running = setup.channel(Role::Antinode).and_then(|(_, channel)| {
            let heard = self.channels.iter().find(|c| c.name == channel.name)?;
            Some(heard.measured.strongest?.frequency_hz)
        });
        // Which recording this is nobody asks here: a place by frequency counts.
        let place = running.and_then(|hz| {
            let place_m = setup.sensor_positions(hz, (0.0, 0.0)).node_m?;
            Some((hz, place_m))
        });
        let Some((hz, place_m)) = place else {
            return;
        };
        let conductor = setup.strung_conductor();
        let found = conductor.node_at(hz, place_m, setup.span.damper_position_m);
        let node = match found {
            Some(count) => {
                let from_damper = count.from_damper.map_or_else(
                    || "nearer to the damper than the first that is clear of it".to_owned(),
                    |number| format!("number {number} from the damper"),
                );
                format!(
                    "at {hz:.2} Hz that is the node number {} from the drive end, {from_damper}",
                    count.from_drive
                )
            }
            None => format!("at {hz:.2} Hz no node is near that by the setup's tension and mass"),
        };
        self.rates.push(format!(
            "node sensor at {place_m} m from the drive end: {node}"
        ));
    }

    /// Two channels with the very same samples are one sensor wired twice.
    fn twins(&mut self, setup: &Setup, number: usize, heard: &Heard) {
        let of_source: Vec<&Channel> = setup
            .channels
            .iter()
            .filter(|channel| channel.source == number)
            .collect();
        for (at, first) in of_source.iter().enumerate() {
            for second in of_source.iter().skip(at + 1) {
                let (a, b) = (
                    heard.samples.row(first.index),
                    heard.samples.row(second.index),
                );
                let is_constant = a
                    .first()
                    .is_none_or(|x| a.iter().all(|y| y.to_bits() == x.to_bits()));
                if !is_constant && a == b {
                    self.faults.push(format!(
                        "channels \"{}\" and \"{}\": the very same samples; one sensor is wired \
                         to both",
                        first.name, second.name
                    ));
                }
            }
        }
    }
}
