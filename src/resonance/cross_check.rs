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
use super::stretch::Stretch;
use crate::maths;
use crate::setup::Quantity;
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
/// Least power at the drive over that past the node: two powers of four
/// channels of some per cent each, and the impedance without stiffness.
pub(super) const LEAST_DRIVE_POWER: f64 = 0.75;
/// Most that conductor and drive end may lose, over ½ Z V_a²: several times
/// what a bare span loses in all.
pub(super) const MOST_LOSS: f64 = 0.05;
/// And how many times the power past the node it then has to be.
const MOST_LOSS_RATIO: f64 = 3.0;
/// A ratio of one and more is no ratio of a wave, and implies no bandwidth; the
/// largest that does stands for it.
const LARGEST_RATIO: f64 = 0.98;
/// Phase between force and motion that may be wrong, degrees: filters of two
/// channels of one device differ by a degree or two (common practice, no
/// source).
const PHASE_ERROR_DEG: f64 = 3.0;

/// Powers of a stretch, W.
#[expect(clippy::struct_field_names, reason = "each name ends with its unit")]
struct Powers {
    /// Into the conductor at the drive.
    drive_w: f64,
    /// What a phase error and the place of the drive may be worth.
    drive_u_w: f64,
    /// Past the node.
    node_w: f64,
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
        let phasor = |index: usize| Some(interval.channels.get(index)?.phasor.value);
        let (force, velocity) = self
            .channels
            .force_and_velocity(interval.frequency_hz, phasor)?;
        let antinode_m_s = maths::modulus(self.velocity(self.channels.antinode?)?);
        let impedance = self
            .setup
            .strung_conductor()
            .stiff_wave_impedance_n_s_per_m(interval.frequency_hz);
        let all_w = 0.5 * impedance * maths::square(antinode_m_s);
        // Which way round force and motion are wired is another matter.
        let drive_w = power_w(force, velocity).abs();
        Some(Powers {
            drive_w,
            drive_u_w: power_of_phase_error_w(force, velocity, PHASE_ERROR_DEG)
                + self.drive_motion_u() * drive_w,
            node_w: all_w * self.iswr()?,
            all_w,
        })
    }

    pub(super) fn power_by_force(&self, limit: f64) -> Option<CriterionFinding> {
        let powers = self.powers()?;
        let value = powers.drive_w / powers.node_w;
        let met = powers.drive_w + powers.drive_u_w >= limit * powers.node_w;
        let sentence = format!(
            "more power passes the node ({:.3} W) than enters at the drive ({:.3} W): is the scale or the unit of the node, antinode or drive-force channel wrong (g for m/s2)?",
            powers.node_w, powers.drive_w
        );
        Some(CriterionFinding::new(value, met, sentence))
    }

    pub(super) fn loss_ahead_of_node(&self, limit: f64) -> Option<CriterionFinding> {
        let powers = self.powers()?;
        let lost_w = powers.drive_w - powers.node_w;
        let value = lost_w / powers.all_w;
        let too_much = lost_w - powers.drive_u_w > limit * powers.all_w
            && powers.drive_w - powers.drive_u_w > MOST_LOSS_RATIO * powers.node_w;
        let sentence = format!(
            "{:.3} W enter at the drive and only {:.3} W pass the node: conductor and drive end cannot lose the rest; is the scale or the unit of the node, antinode or drive-force channel wrong (g for m/s2)?",
            powers.drive_w, powers.node_w
        );
        Some(CriterionFinding::new(value, !too_much, sentence))
    }
}

fn millihertz(hz: f64) -> String {
    format!("{:.1} mHz", 1e3 * hz)
}
