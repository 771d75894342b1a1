//! Does what else the recording knows agree with the ratio of node to antinode?
//!
//! The ratio S is the number that is signed, and a wrong scale of one channel
//! (× 10, g for m/s²) leaves everything about it steady. Two things know the
//! losses without the node:
//!
//! - **The transient** before the hold: half-power bandwidth and ratio belong
//!   together, `df = (f1/pi) ln((1+S)/(1−S))`: a wave loses (1−S)/(1+S) of its
//!   amplitude in a round trip of 1/f1. Energy that swings in the damper makes
//!   the bandwidth smaller; losses of conductor, drive end and shaker, which
//!   the ratio does not hold, make it larger.
//! - **The power** at the drive, ½ F V cos(phi), against that past the node,
//!   ½ Z V_a V_n: nothing passes the node that did not enter at the drive.
//!
//! What cannot be contradicts the ratio; what losses elsewhere might explain is
//! said, and the dwell counts.

use num_complex::Complex64;

use super::drive_point::{power_of_phase_error_w, power_w};
use super::finding::CriterionFinding;
use super::phasor::velocity_m_s;
use super::standing_wave::{FixedSensor, TwoWaves, WaveNumber, reading_end_m};
use super::stretch::Stretch;
use crate::maths;
use crate::setup::{Channel, Quantity, Role};
use crate::tone::flattening::Extremes;
use crate::tone::free_response::FreeResponse;

/// Smallest measured bandwidth over the implied one: a damper that swings at
/// its resonance would have to hold as much energy as the span. On six random
/// virtual spans it was never below 0.86.
pub(super) const LEAST_BANDWIDTH: f64 = 0.5;
/// The same where no force channel says what the drive did meanwhile: a level
/// that a controller turns up slowly looks like a slow span.
const LEAST_BANDWIDTH_UNKNOWN_DRIVE: f64 = 0.2;
/// Largest measured bandwidth over the implied one that losses ahead of the
/// node explain without more ado.
pub(super) const MOST_BANDWIDTH: f64 = 4.0;
/// Least power at the drive over that past the node: nothing passes the node that
/// did not enter there.
pub(super) const LEAST_DRIVE_POWER: f64 = 1.0;
/// What both powers together may be off by where a channel states no uncertainty,
/// over the larger of the two: four channels of some per cent each.
const UNSTATED_U: f64 = 0.17;
/// How many expanded uncertainties (k = 2) of their difference the powers may be
/// apart: three standard deviations.
const APART: f64 = 1.5;
/// Most that conductor and drive end may lose, over ½ Z V_a²: several times
/// what a bare span loses in all.
pub(super) const MOST_LOSS: f64 = 0.05;
/// And how many times the power past the node it then has to be where a channel
/// states no uncertainty.
const MOST_LOSS_RATIO: f64 = 3.0;
/// Largest power at the drive over that past the node of a span with a damper: where
/// conductor and drive end take seven eighths of it, nothing is learnt of the damper,
/// and a node in g for m/s² (9.8) or read ten times too small is far likelier.
pub(super) const MOST_DRIVE_POWER: f64 = 8.0;
/// A ratio of one and more is no ratio of a wave, and implies no bandwidth; the
/// largest that does stands for it.
const LARGEST_RATIO: f64 = 0.98;
/// Phase between force and motion that may be wrong, degrees: filters of two
/// channels of one device differ by a degree or two (common practice, no
/// source).
const PHASE_ERROR_DEG: f64 = 3.0;

/// Powers of a stretch, W.
struct Powers {
    /// Into the conductor at the drive.
    drive_w: f64,
    /// Past the node.
    node_w: f64,
    /// Expanded uncertainty (k = 2) of the difference.
    difference_u_w: f64,
    /// Whether every channel states its own.
    is_stated: bool,
    /// ½ Z V_a²: what would pass it were there no reflection.
    all_w: f64,
}

impl Stretch<'_> {
    fn velocity(&self, (index, quantity): (usize, Quantity)) -> Option<Complex64> {
        let interval = self.interval?;
        let phasor = interval.channels.get(index)?.phasor.value;
        Some(velocity_m_s(quantity, phasor, interval.frequency_hz))
    }

    /// The inverse standing wave ratio of the fit over the whole stretch.
    fn iswr(&self) -> Option<f64> {
        let ratio = self.velocity(self.channels.node?)? / self.velocity(self.channels.antinode?)?;
        Some(ratio.im.abs()).filter(|iswr| *iswr > 0.0)
    }

    /// Half-power bandwidth of the transient and that which the ratio implies,
    /// Hz.
    fn bandwidths_hz(&self) -> Option<(FreeResponse, f64)> {
        let implied_hz = self
            .setup
            .strung_conductor()
            .decay_bandwidth_hz(self.interval?.frequency_hz, self.iswr()?.min(LARGEST_RATIO));
        Some((self.free?, implied_hz))
    }

    pub(super) fn bandwidth_not_smaller(&self, limit: f64) -> Option<CriterionFinding> {
        let (free, implied_hz) = self.bandwidths_hz()?;
        let value = free.bandwidth_hz / implied_hz;
        let u = 2.0 * free.bandwidth_u_hz / implied_hz;
        let impossible = if self.channels.force.is_some() {
            limit
        } else {
            LEAST_BANDWIDTH_UNKNOWN_DRIVE
        };
        let met = if value + u < impossible {
            Some(false)
        } else if value + u < limit {
            None
        } else {
            Some(true)
        };
        let sentence = format!(
            "the ratio is too large for the transient before the hold: that has a bandwidth of {}, and the ratio implies {}; is the scale or the unit of the node or antinode channel wrong (g for m/s2), or are the two swapped?",
            millihertz(free.bandwidth_hz),
            millihertz(implied_hz)
        );
        Some(CriterionFinding::new(value, met, sentence))
    }

    pub(super) fn bandwidth_not_larger(&self, limit: f64) -> Option<CriterionFinding> {
        let (free, implied_hz) = self.bandwidths_hz()?;
        let value = free.bandwidth_hz / implied_hz;
        let u = 2.0 * free.bandwidth_u_hz / implied_hz;
        // The shaker may explain it, so it alone is no contradiction.
        let met = (value - u <= limit).then_some(true);
        let sentence = format!(
            "the transient before the hold has a bandwidth of {}, the ratio implies {}: most is lost ahead of the node (conductor, drive end, shaker), or the node reads too little",
            millihertz(free.bandwidth_hz),
            millihertz(implied_hz)
        );
        Some(CriterionFinding::new(value, met, sentence))
    }

    fn powers(&self) -> Option<Powers> {
        let interval = self.interval?;
        // By a node of its own the drive moves next to nothing.
        let least = self.setup.hold.drive_node_sine;
        if self.drive_sine().is_some_and(|sine| sine < least) {
            return None;
        }
        let (antinode, node) = (self.channels.antinode?, self.channels.node?);
        let motion = self.channels.drive_motion;
        let force = (self.channels.force?, Quantity::Force);
        // What is unsteady or at its limit loses its own value, and is no witness.
        let is_sound = |sensor: (usize, Quantity)| {
            let channel = interval.channels.get(sensor.0)?;
            let extremes = channel.harmonics.extremes();
            let is_limited = matches!(extremes, Extremes::Flat { .. } | Extremes::Slewed { .. })
                || channel.marks.limited().is_some();
            Some(!is_limited && self.drive_is_steady(sensor))
        };
        if !is_sound(force)? || motion.is_some_and(|motion| is_sound(motion) != Some(true)) {
            return None;
        }
        let phasor = |index: usize| Some(interval.channels.get(index)?.phasor.value);
        let (force_n, velocity_m_s) = self
            .channels
            .force_and_velocity(interval.frequency_hz, phasor)?;
        let antinode_m_s = maths::modulus(self.velocity(antinode)?);
        let impedance = self
            .setup
            .strung_conductor()
            .stiff_wave_impedance_n_s_per_m(interval.frequency_hz);
        let all_w = 0.5 * impedance * maths::square(antinode_m_s);
        // Which way round force and motion are wired is another matter.
        let drive_w = power_w(force_n, velocity_m_s).abs();
        let node_w = all_w * self.iswr()?;

        let drive_sensors = || std::iter::once(force).chain(motion);
        let sensors = || drive_sensors().chain([antinode, node]);
        let is_stated = sensors().all(|sensor| self.gain_u(sensor).is_some());
        let sum = |values: &mut dyn Iterator<Item = f64>| values.map(maths::square).sum::<f64>();
        let relative = |sensor: (usize, Quantity)| {
            maths::hypot(
                self.gain_u(sensor).unwrap_or_default(),
                self.change_u(sensor),
            )
        };
        let phase_deg = sum(&mut drive_sensors().map(|sensor| self.phase_u_deg(sensor))).sqrt();
        let drive_u_w = [
            drive_w * sum(&mut drive_sensors().map(relative)).sqrt(),
            drive_w * self.drive_motion_u(),
            power_of_phase_error_w(force_n, velocity_m_s, phase_deg),
        ];
        // The in-phase part of the node's motion turns into ratio with the phase.
        let in_phase = (self.velocity(node)? / self.velocity(antinode)?).re.abs();
        let turned = in_phase
            * [antinode, node]
                .iter()
                .map(|sensor| self.phase_u_deg(*sensor).to_radians())
                .fold(0.0, maths::hypot);
        let node_u_w = [
            all_w * self.fixed_iswr_u().unwrap_or_default(),
            node_w * sum(&mut [antinode, node].into_iter().map(relative)).sqrt(),
            node_w * self.impedance_u(),
            all_w * turned,
        ];
        let difference_u_w = sum(&mut drive_u_w.into_iter().chain(node_u_w)).sqrt();
        let unstated_w = if is_stated {
            0.0
        } else {
            UNSTATED_U * drive_w.max(node_w)
        };
        Some(Powers {
            drive_w,
            node_w,
            difference_u_w: maths::hypot(difference_u_w, unstated_w),
            is_stated,
            all_w,
        })
    }

    /// Expanded uncertainty (k = 2) of the ratio by what fixed sensors may err by; `None` where
    /// the node has a sensor of its own.
    fn fixed_iswr_u(&self) -> Option<f64> {
        let (node, _) = self.channels.node?;
        let interval = self.interval?;
        self.setup_channel(node)?.is_worked_out().then_some(())?;
        let channels = self.plan.channels.iter().zip(&interval.channels);
        let sensors: Vec<FixedSensor> = channels
            .filter_map(|(planned, fit)| {
                let channel = self.setup.channels.get(planned.setup_index)?;
                let phasor = &fit.phasor;
                let hz = interval.frequency_hz;
                (channel.role == Role::Wave).then(|| {
                    FixedSensor::reading(self.setup, channel, hz, phasor.value, phasor.part_u())
                })
            })
            .collect();
        let number = WaveNumber::of(self.setup, interval.frequency_hz);
        let waves = TwoWaves::fit(&sensors, number).ok()?;
        let read = waves.node_before(reading_end_m(self.setup, interval.frequency_hz));
        let standard_u =
            waves.standard_u(&sensors, number, |w| w.node_nearest(read.node_m).iswr)?;
        Some(2.0 * standard_u)
    }

    /// Relative expanded uncertainty (k = 2) of a channel's gain, if stated.
    fn gain_u(&self, (index, _): (usize, Quantity)) -> Option<f64> {
        let channel = self.setup_channel(index)?;
        let reference = channel.reference.as_ref().map(|r| r.uncertainty_pct);
        match (channel.uncertainty_pct, reference) {
            (None, None) => None,
            (own, reference) => {
                let pct = maths::hypot(own.unwrap_or_default(), reference.unwrap_or_default());
                Some(0.01 * pct)
            }
        }
    }

    /// Expanded uncertainty (k = 2) of a channel's phase, degrees.
    fn phase_u_deg(&self, (index, _): (usize, Quantity)) -> f64 {
        let stated = self.setup_channel(index);
        stated
            .and_then(|channel| channel.phase_uncertainty_deg)
            .unwrap_or(PHASE_ERROR_DEG)
    }

    fn setup_channel(&self, index: usize) -> Option<&Channel> {
        let planned = self.plan.channels.get(index)?;
        self.setup.channels.get(planned.setup_index)
    }

    /// Relative expanded uncertainty (k = 2) of a reading from noise and from its
    /// trend over the stretch.
    fn change_u(&self, sensor: (usize, Quantity)) -> f64 {
        let Some(channel) = self.interval.and_then(|i| i.channels.get(sensor.0)) else {
            return 0.0;
        };
        let noise = channel.phasor.part_u() / maths::modulus(channel.phasor.value);
        let trend = self
            .course(sensor)
            .map_or(0.0, |steady| steady.trend_standard_u());
        2.0 * maths::hypot(noise, trend)
    }

    /// Relative expanded uncertainty (k = 2) of the wave impedance.
    fn impedance_u(&self) -> f64 {
        let (setup, frequency_hz) = (self.setup, self.frequency_hz());
        let conductor = setup.strung_conductor();
        let stiff = conductor.stiff_wave_impedance_n_s_per_m(frequency_hz);
        let by_stiffness = 1.0 - conductor.wave_impedance_n_s_per_m() / stiff;
        let pct = [
            0.5 * setup.span.tension_uncertainty_pct,
            0.5 * setup.conductor.mass_uncertainty_pct,
            by_stiffness * setup.conductor.bending_stiffness_uncertainty_pct,
        ];
        0.01 * pct.into_iter().fold(0.0, maths::hypot)
    }

    pub(super) fn power_by_force(&self, limit: f64) -> Option<CriterionFinding> {
        let powers = self.powers()?;
        let value = powers.drive_w / powers.node_w;
        let met = powers.drive_w + APART * powers.difference_u_w >= limit * powers.node_w;
        let sentence = format!(
            "more power passes the node ({:.3} W) than enters at the drive ({:.3} W), by more than their uncertainties explain: is the scale or the unit of the node, antinode or drive-force channel wrong (g for m/s2), or does another channel or motion across the plane get into the node's?",
            powers.node_w, powers.drive_w
        );
        Some(CriterionFinding::new(value, met, sentence))
    }

    pub(super) fn loss_ahead_of_node(&self, limit: f64) -> Option<CriterionFinding> {
        let powers = self.powers()?;
        let lost_w = powers.drive_w - powers.node_w;
        let value = lost_w / powers.all_w;
        let apart_w = APART * powers.difference_u_w;
        let too_much = lost_w - apart_w > limit * powers.all_w
            && (powers.is_stated || powers.drive_w - apart_w > MOST_LOSS_RATIO * powers.node_w);
        let sentence = format!(
            "{:.3} W enter at the drive and only {:.3} W pass the node: conductor and drive end cannot lose the rest; is the scale or the unit of the node, antinode or drive-force channel wrong (g for m/s2)?",
            powers.drive_w, powers.node_w
        );
        Some(CriterionFinding::new(value, !too_much, sentence))
    }

    pub(super) fn loss_ahead_of_damper(&self, limit: f64) -> Option<CriterionFinding> {
        self.setup.span.damper_position_m?;
        let powers = self.powers()?;
        let value = powers.drive_w / powers.node_w;
        let met = powers.drive_w - APART * powers.difference_u_w <= limit * powers.node_w;
        let sentence = format!(
            "{:.4} W enter at the drive and only {:.4} W pass the node, with a damper on: is the scale or the unit of the node, antinode or drive-force channel wrong (g for m/s2)? If not, the damper takes too little here to be read; bring the node sensor to the node next to it",
            powers.drive_w, powers.node_w
        );
        Some(CriterionFinding::new(value, met, sentence))
    }
}

fn millihertz(hz: f64) -> String {
    format!("{:.1} mHz", 1e3 * hz)
}
