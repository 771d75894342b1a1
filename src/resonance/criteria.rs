//! The criteria of a hold, one function each: a stretch of readings against
//! one rule.

use super::Criterion;
use super::reading::{Places, Reading, fold_half_turn_deg, median, middle_hz, velocity_m_s};
use super::trend::{envelope_line, trend};
use crate::maths;
use crate::setup::{Quantity, Setup};
use crate::tone::TonePlan;
use crate::tone::interval::{IntervalChannel, IntervalTone};

/// A stretch of readings under judgement.
pub struct Stretch<'a> {
    /// Setup with the rules.
    pub setup: &'a Setup,
    /// Plan of the source.
    pub plan: &'a TonePlan,
    /// Where the channels stand.
    pub places: &'a Places,
    /// The readings, one a hop, none missing.
    pub readings: &'a [Reading],
    /// The fit over all its samples.
    pub interval: Option<&'a IntervalTone>,
    /// Half-power bandwidth, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Seconds since frequency or level last changed before the stretch.
    pub waited_s: f64,
}

/// A criterion with the sentence to say when it is not met.
pub type Judged = (Criterion, String);

fn at_most(name: &str, value: Option<f64>, limit: f64, unit: &str, met: Option<bool>) -> Criterion {
    Criterion {
        name: name.into(),
        value,
        limit,
        unit: unit.into(),
        at_most: true,
        met,
    }
}

fn at_least(
    name: &str,
    value: Option<f64>,
    limit: f64,
    unit: &str,
    met: Option<bool>,
) -> Criterion {
    Criterion {
        at_most: false,
        ..at_most(name, value, limit, unit, met)
    }
}

impl Stretch<'_> {
    fn seconds(&self) -> f64 {
        self.readings.len() as f64 * self.plan.hop_seconds()
    }

    fn frequency_hz(&self) -> f64 {
        middle_hz(self.readings).unwrap_or_default()
    }

    /// What the fit over the whole stretch found at the antinode.
    fn antinode(&self) -> Option<&IntervalChannel> {
        self.interval?.channels.get(self.places.antinode?.0)
    }

    fn envelope(&self) -> Vec<f64> {
        self.readings
            .iter()
            .map(|reading| reading.antinode_m_s)
            .collect()
    }

    /// All criteria, the likeliest root causes first.
    pub fn judge(&self) -> Vec<Judged> {
        let mut judged = vec![
            self.clipping(),
            self.length(),
            self.ring_up(),
            self.frequency_drift(),
            self.beat(),
            self.other_tone(),
            self.amplitude_drift(),
            self.amplitude_variation(),
            self.distortion(),
            self.signal_to_noise(),
            self.drive_phase(),
        ];
        judged.extend(self.rattle());
        judged.extend(self.phase_drift());
        judged.extend(self.level());
        judged
    }

    fn clipping(&self) -> Judged {
        let mut worst = ("antinode", 0);
        let mut total = 0;
        for (place, name) in self.places.judged() {
            let clipped: u64 = self
                .readings
                .iter()
                .filter_map(|reading| reading.frame.channels.get(place))
                .map(|channel| channel.clipped)
                .sum();
            total += clipped;
            if clipped > worst.1 {
                worst = (name, clipped);
            }
        }
        let sentence = format!(
            "clipping: {} samples of the {} channel reached full scale; a wider range or a lower level is right",
            worst.1, worst.0
        );
        (
            at_most(
                "clipped samples",
                Some(total as f64),
                0.0,
                "samples",
                Some(total == 0),
            ),
            sentence,
        )
    }

    /// Shortest length that counts, s.
    pub fn least_seconds(setup: &Setup, frequency_hz: f64) -> f64 {
        setup
            .hold
            .min_seconds
            .max(setup.hold.min_cycles / frequency_hz)
    }

    fn length(&self) -> Judged {
        let seconds = self.seconds();
        let least_s = Self::least_seconds(self.setup, self.frequency_hz());
        // A hop is the grain of the stretch.
        let met = seconds + self.plan.hop_seconds() > least_s;
        let sentence =
            format!("too short: {seconds:.2} s were left after ring-up, {least_s:.1} s are needed");
        (
            at_least("hold length", Some(seconds), least_s, "s", Some(met)),
            sentence,
        )
    }

    fn ring_up(&self) -> Judged {
        let limit = self.setup.hold.ring_up_time_constants;
        let constants = self
            .bandwidth_hz
            .map(|df| self.waited_s * std::f64::consts::PI * df);
        let sentence = format!(
            "not rung up: only {:.1} time constants passed since frequency or level last changed, {limit} are needed",
            constants.unwrap_or_default()
        );
        let met = constants.map(|constants| constants + 1e-9 >= limit);
        (
            at_least("ring-up", constants, limit, "time constants", met),
            sentence,
        )
    }

    fn drift_criterion(
        &self,
        name: &str,
        values: &[f64],
        per_bandwidth: f64,
    ) -> Option<(Criterion, f64)> {
        let limit = self.setup.hold.drift_bandwidths;
        let line = trend(values, self.plan.window_hops)?;
        let change = line.change / per_bandwidth;
        // Noise alone must not fail a hold, nor hide a drift of twice the limit.
        let noise = (2.0 * line.change_u / per_bandwidth).min(limit);
        let met = change.abs() <= limit + noise;
        Some((
            at_most(name, Some(change), limit, "bandwidths", Some(met)),
            change,
        ))
    }

    fn frequency_drift(&self) -> Judged {
        let name = "frequency drift";
        let limit = self.setup.hold.drift_bandwidths;
        let values: Vec<f64> = self
            .readings
            .iter()
            .map(|reading| reading.frequency_hz)
            .collect();
        let judged = self
            .bandwidth_hz
            .and_then(|df| Some((self.drift_criterion(name, &values, df)?, df)));
        match judged {
            None => (
                at_most(name, None, limit, "bandwidths", None),
                String::new(),
            ),
            Some(((criterion, change), df)) => {
                let sentence = format!(
                    "the frequency drifted by {change:+.2} bandwidths ({:+.1} mHz) during the hold, at most {limit} are allowed",
                    change * df * 1e3
                );
                (criterion, sentence)
            }
        }
    }

    /// Drift of the resonance itself (tension, temperature) under a constant
    /// drive: the phase moves although the frequency does not.
    fn phase_drift(&self) -> Option<Judged> {
        let detuning: Vec<f64> = self
            .readings
            .iter()
            .map(|reading| {
                reading
                    .drive_phase_deg
                    .map(|phase| 0.5 * maths::tan(phase.clamp(-80.0, 80.0).to_radians()))
            })
            .collect::<Option<_>>()?;
        if !self.phase_is_evidence() {
            return None;
        }
        let (criterion, change) = self.drift_criterion("drive phase drift", &detuning, 1.0)?;
        let sentence = format!(
            "the drive phase says the detuning drifted by {change:+.2} bandwidths during the hold, at most {} are allowed{}",
            criterion.limit,
            self.narrow_band()
        );
        Some((criterion, sentence))
    }

    /// What to add where a band is so narrow that the span drifts through it by
    /// itself: f goes with the square root of the tension.
    fn narrow_band(&self) -> String {
        match self.bandwidth_hz {
            Some(df) if df < NARROW_HZ => format!(
                "; the band is {:.1} mHz wide and moves by its own width when the tension changes by {:.3} %",
                1e3 * df,
                200.0 * df / self.frequency_hz().max(df)
            ),
            _ => String::new(),
        }
    }

    fn noise_pct(&self) -> f64 {
        100.0
            * median(self.readings.iter().map(|reading| reading.antinode_u_rel)).unwrap_or_default()
    }

    fn amplitude_drift(&self) -> Judged {
        let limit = self.setup.hold.amplitude_drift_pct;
        let line = trend(&self.envelope(), self.plan.window_hops);
        let change = line.map(|line| 100.0 * line.change / line.mean);
        let noise =
            2.0 * self.noise_pct() * (12.0 / self.readings.len().max(1) as f64).sqrt() * 2.0;
        let sentence = format!(
            "the antinode amplitude moved by {:+.2} % during the hold, at most {limit} % are allowed{}",
            change.unwrap_or_default(),
            self.narrow_band()
        );
        let met = change.map(|change| change.abs() <= limit + noise);
        (
            at_most("amplitude drift", change, limit, "%", met),
            sentence,
        )
    }

    fn amplitude_variation(&self) -> Judged {
        let limit = self.setup.hold.amplitude_variation_pct;
        let envelope = self.envelope();
        let mean = envelope.iter().sum::<f64>() / envelope.len().max(1) as f64;
        let largest = 100.0
            * envelope
                .iter()
                .map(|value| (value / mean - 1.0).abs())
                .fold(0.0, f64::max);
        let sentence = format!(
            "the antinode amplitude wandered by {largest:.2} % from its mean, at most {limit} % are allowed"
        );
        // Four standard deviations: noise reaches them once in 15 000 hops.
        let met = largest <= limit + 4.0 * self.noise_pct();
        (
            at_most("amplitude variation", Some(largest), limit, "%", Some(met)),
            sentence,
        )
    }

    fn beat(&self) -> Judged {
        let limit = self.setup.hold.beat_pct;
        let line = envelope_line(
            &self.envelope(),
            self.plan.hop_seconds(),
            self.plan.window_seconds(),
        );
        let depth = line.map(|line| 100.0 * line.depth);
        let noise = 4.0
            * self.noise_pct()
            * (2.0 * self.plan.window_hops as f64 / self.readings.len().max(1) as f64).sqrt();
        let sentence = line.map_or_else(String::new, |line| {
            format!(
                "beat: the antinode envelope pulses by {:.2} % at {:.3} Hz, at most {limit} % are allowed",
                100.0 * line.depth,
                line.frequency_hz
            )
        });
        (
            at_most(
                "beat",
                depth,
                limit,
                "%",
                depth.map(|depth| depth <= limit + noise),
            ),
            sentence,
        )
    }

    /// A second tone on the antinode, too far away to show in the envelope.
    fn other_tone(&self) -> Judged {
        let limit = self.setup.hold.beat_pct;
        let name = "other tone";
        let found = self.interval.and_then(|interval| {
            let channel = self.antinode()?;
            let fundamental = maths::modulus(channel.phasor.value);
            let near = |hz: f64| (hz - interval.frequency_hz).abs() < 3.0 && !is_mains(hz);
            Some(
                channel
                    .foreign
                    .iter()
                    .filter(|(hz, _)| near(*hz))
                    .map(|(hz, amplitude)| (*hz, 100.0 * amplitude / fundamental))
                    .fold((0.0, 0.0), |a: (f64, f64), b| if b.1 > a.1 { b } else { a }),
            )
        });
        let sentence = found.map_or_else(String::new, |(hz, pct)| {
            format!("beat: another tone of {pct:.2} % at {hz:.3} Hz is on the antinode, at most {limit} % are allowed")
        });
        let value = found.map(|(_, pct)| pct);
        (
            at_most(name, value, limit, "%", value.map(|pct| pct <= limit)),
            sentence,
        )
    }

    fn distortion(&self) -> Judged {
        let limit = self.setup.hold.distortion_pct;
        let value = self.antinode().map(|antinode| 100.0 * antinode.distortion);
        let sentence = format!(
            "distortion of {:.1} % at the antinode, at most {limit} % are allowed; look for a rattling sensor or a loose clamp",
            value.unwrap_or_default()
        );
        (
            at_most(
                "distortion",
                value,
                limit,
                "%",
                value.map(|value| value <= limit),
            ),
            sentence,
        )
    }

    fn signal_to_noise(&self) -> Judged {
        let limit = self.setup.hold.min_snr_db;
        let value = self.antinode().map(IntervalChannel::snr_db);
        let sentence = format!(
            "the antinode signal stands only {:.1} dB above the noise, {limit} dB are needed",
            value.unwrap_or_default()
        );
        (
            at_least(
                "signal to noise",
                value,
                limit,
                "dB",
                value.map(|value| value >= limit),
            ),
            sentence,
        )
    }

    /// |sin(k x_drive)|: 0 where the drive sits on a node of its own.
    fn drive_sine(&self) -> Option<f64> {
        let drive_m = self.setup.span.drive_position_m?;
        let wave_number = self
            .setup
            .strung_conductor()
            .wave_number_per_m(self.frequency_hz());
        Some(maths::sin(wave_number * drive_m).abs())
    }

    fn phase_is_evidence(&self) -> bool {
        self.places.force.is_some()
            && self
                .drive_sine()
                .is_none_or(|sine| sine >= self.setup.hold.drive_node_sine)
    }

    /// Phase of the antinode velocity against the drive force over the whole
    /// stretch, degrees, folded into −90…90; before the stretch is fitted, the
    /// middle value of its hops.
    pub fn drive_phase_deg(&self) -> Option<f64> {
        let Some(interval) = self.interval else {
            return median(self.readings.iter().filter_map(|r| r.drive_phase_deg));
        };
        let (_, quantity) = self.places.antinode?;
        let antinode = self.antinode()?.phasor.value;
        let force = interval.channels.get(self.places.force?)?.phasor.value;
        let velocity = velocity_m_s(quantity, antinode, interval.frequency_hz);
        Some(fold_half_turn_deg(
            maths::argument(velocity / force).to_degrees(),
        ))
    }

    fn drive_phase(&self) -> Judged {
        let limit = self.setup.hold.drive_phase_deg;
        let name = "drive phase";
        let Some(phase_deg) = self.drive_phase_deg() else {
            let sentence =
                "resonance neither shown nor excluded: there is no drive-force channel".into();
            return (at_most(name, None, limit, "deg", None), sentence);
        };
        if !self.phase_is_evidence() {
            let sentence = format!(
                "resonance neither shown nor excluded: the drive sits by a node of its own (|sin(k x)| = {:.2}), where the drive phase of {phase_deg:.0} deg says nothing",
                self.drive_sine().unwrap_or_default()
            );
            return (at_most(name, Some(phase_deg), limit, "deg", None), sentence);
        }
        let bandwidths = 0.5 * maths::tan(phase_deg.to_radians()).abs();
        let distance = match self.bandwidth_hz.map(|df| df * bandwidths) {
            None => String::new(),
            Some(hz) if hz < 0.1 => format!(" ({:.1} mHz)", 1e3 * hz),
            Some(hz) => format!(" ({hz:.2} Hz)"),
        };
        let sentence = format!(
            "off resonance: the drive phase is {phase_deg:+.0} deg, at most {limit} are allowed; the frequency is about {bandwidths:.2} bandwidths{distance} from the peak{}",
            self.narrow_band()
        );
        (
            at_most(
                name,
                Some(phase_deg),
                limit,
                "deg",
                Some(phase_deg.abs() <= limit),
            ),
            sentence,
        )
    }

    /// A loose sensor: impulses hop after hop, and orders of the drive far
    /// above those that a bent waveform has.
    fn rattle(&self) -> Vec<Judged> {
        let sensors = [
            self.places.antinode.map(|p| (p, "antinode")),
            self.places.node.map(|p| (p, "node")),
        ];
        let mut judged = Vec::new();
        for ((place, quantity), name) in sensors.into_iter().flatten() {
            judged.push(self.impulses(place, quantity, name));
            judged.extend(self.high_orders(place, quantity, name));
        }
        judged
    }

    /// What impulses and high orders of a sensor are held against: its own
    /// amplitude, or a tenth of the antinode's where that is more (a node's
    /// amplitude may be next to nothing).
    fn rattle_base(
        &self,
        own: f64,
        quantity: Quantity,
        antinode: impl Fn(usize) -> Option<f64>,
    ) -> f64 {
        match self.places.antinode {
            Some((place, reference)) if reference == quantity => {
                antinode(place).map_or(own, |antinode| own.max(0.1 * antinode))
            }
            _ => own,
        }
    }

    fn high_orders(&self, place: usize, quantity: Quantity, name: &str) -> Option<Judged> {
        let interval = self.interval?;
        let channel = interval.channels.get(place)?;
        let amplitude =
            |place: usize| Some(maths::modulus(interval.channels.get(place)?.phasor.value));
        let base = self.rattle_base(amplitude(place)?, quantity, amplitude);
        let value = 100.0 * channel.high_orders / base;
        let sentence = format!(
            "the {name} sensor rattles: orders of the drive above the {}th make {value:.1} % of its signal, at most {RATTLE_PCT} % are allowed",
            self.plan.orders(interval.frequency_hz)
        );
        Some((
            at_most(
                &format!("high orders, {name}"),
                Some(value),
                RATTLE_PCT,
                "%",
                Some(value <= RATTLE_PCT),
            ),
            sentence,
        ))
    }

    fn impulses(&self, place: usize, quantity: Quantity, name: &str) -> Judged {
        let crest = median(self.readings.iter().filter_map(|reading| {
            let channel = reading.frame.channels.get(place)?;
            let amplitude =
                |place: usize| Some(maths::modulus(reading.frame.channels.get(place)?.amplitude));
            let base = self.rattle_base(amplitude(place)?, quantity, amplitude);
            let residual = if channel.residual_rms > RATTLE_LEVEL * base {
                channel.residual_peak / channel.residual_rms
            } else {
                0.0
            };
            // Second differences raise white noise by sqrt(6).
            let rough =
                if self.plan.decimation > 1 && channel.roughness_rms > RATTLE_LEVEL * 2.45 * base {
                    // Longer hops reach further into the tail of plain noise.
                    channel.roughness_peak / channel.roughness_rms - 1.0
                } else {
                    0.0
                };
            Some(residual.max(rough))
        }))
        .unwrap_or_default();
        let sentence = format!(
            "the {name} sensor rattles: impulses of {crest:.1} times the residual's rms come hop after hop, plain noise stays below {RATTLE_CREST}"
        );
        let criterion = at_most(
            &format!("impulses, {name}"),
            Some(crest),
            RATTLE_CREST,
            "x rms",
            Some(crest <= RATTLE_CREST),
        );
        (criterion, sentence)
    }

    /// Hum in a resting span is steady too; it is no dwell.
    fn level(&self) -> Option<Judged> {
        let target = crate::setup::level::target_velocity_m_s(self.setup, self.frequency_hz())?;
        let value =
            100.0 * median(self.readings.iter().map(|reading| reading.antinode_m_s))? / target;
        let sentence = format!(
            "the antinode moves at {value:.2} % of the target level, at least {LEAST_LEVEL_PCT} % are needed to call it a dwell"
        );
        Some((
            at_least(
                "level",
                Some(value),
                LEAST_LEVEL_PCT,
                "% of target",
                Some(value >= LEAST_LEVEL_PCT),
            ),
            sentence,
        ))
    }
}

/// A band narrower than this, Hz, is a bare span's: a change of tension by a
/// thousandth carries a resonance at 20 Hz through half of it.
const NARROW_HZ: f64 = 0.02;
/// Residual over the antinode's amplitude below which impulses are harmless.
const RATTLE_LEVEL: f64 = 0.005;
/// Peak over rms of the residual in a hop: of some 250 values of Gaussian noise
/// the largest is 3 sigma, and the median over a hold's hops does not reach 4.
const RATTLE_CREST: f64 = 4.5;
/// Most that orders above the model's may make, %. A waveform bent by 10 % in
/// its third order has parts in a thousand there; a rattle has tenths.
const RATTLE_PCT: f64 = 3.0;
/// Below this part of the target level there is no dwell, %.
const LEAST_LEVEL_PCT: f64 = 5.0;

/// Within 0.3 Hz of the mains frequencies of the world and their doubles.
fn is_mains(frequency_hz: f64) -> bool {
    [50.0, 60.0, 100.0, 120.0]
        .iter()
        .any(|mains| (frequency_hz - mains).abs() < 0.3)
}
