//! Criteria of the readings that a number rests on besides the antinode: the
//! node's quadrature part, of which the ratio is made, the node sensor's place,
//! and the drive force.

use num_complex::Complex64;

use super::finding::CriterionFinding;
use super::hop_estimate::median;
use super::steadiness::{Steadiness, ratio_course};
use super::stretch::Stretch;
use super::trend::envelope_line;
use crate::maths;
use crate::setup::Quantity;
use crate::tone::interval::IntervalChannel;

/// Node motion over antinode motion from which the two are no node and antinode
/// of one standing wave, %. Gains and noise may add a little to a ratio of one.
pub(super) const MOST_NODE_PCT: f64 = 110.0;
/// The same by which the two look swapped, not merely wrong.
const SWAPPED_PCT: f64 = 300.0;
/// A node sensor whose place appears to change by more has been moved, mm.
pub(super) const NODE_MOVED_MM: f64 = 10.0;
/// In-phase part of the node over the antinode that counts as another place, at
/// low frequencies, where a loop is many metres long.
const LEAST_PLACE: f64 = 0.015;
/// Change of the drive force against the antinode from which it is no evidence,
/// %: at the limit of the drive phase, 20 degrees, the force of a dwell whose
/// detuning drifts by its limit changes by 7 %.
pub(super) const FORCE_CHANGE_PCT: f64 = 8.0;
/// Line in the force's envelope that is a beat.
const PULSES: f64 = 0.03;

/// Node over antinode, hop by hop, with the noise of one value's parts.
struct NodeCourse {
    ratios: Vec<Complex64>,
    noise_u: f64,
}

impl NodeCourse {
    fn of(&self, part: impl Fn(&Complex64) -> f64) -> Option<Steadiness> {
        let values: Vec<f64> = self.ratios.iter().map(part).collect();
        Steadiness::new(&values, self.noise_u)
    }
}

impl Stretch<'_> {
    /// What the fit over the whole stretch found at the node.
    fn node(&self) -> Option<&IntervalChannel> {
        self.interval?.channels.get(self.channels.node?.0)
    }

    /// The velocity ratio of the fitted stretch, hop by hop; before it is fitted,
    /// of windows that share no samples.
    fn node_course(&self) -> Option<NodeCourse> {
        let (node_index, node_quantity) = self.channels.node?;
        let (_, antinode_quantity) = self.channels.antinode?;
        let Some(interval) = self.interval else {
            let windows = || self.hops.iter().step_by(self.plan.window_hops.max(1));
            return Some(NodeCourse {
                ratios: windows().map(|hop| hop.ratio).collect::<Option<_>>()?,
                noise_u: median(windows().filter_map(|hop| {
                    let node = hop.channels.get(node_index)?;
                    let own = node.amplitude_u / maths::modulus(node.amplitude);
                    let ratio = maths::modulus(hop.ratio?);
                    Some(ratio * maths::hypot(own, hop.antinode_u_rel))
                }))?,
            });
        };
        let (ratios, noise_u) = ratio_course(
            (self.node()?, node_quantity),
            (self.antinode()?, antinode_quantity),
            interval.frequency_hz,
        );
        Some(NodeCourse { ratios, noise_u })
    }

    /// The quadrature part of the node, relative to its mean.
    fn node_reading(&self) -> Option<Steadiness> {
        let steady = self.node_course()?.of(|ratio| ratio.im)?;
        (steady.mean != 0.0).then(|| steady.relative())
    }

    /// A change that came before the hold, or with its beginning.
    pub(super) fn reading_step(&self) -> Option<CriterionFinding> {
        let step = self.step?;
        let change_pct = 100.0 * step.change;
        let against = if step.reading == "node" {
            " against the antinode"
        } else {
            ""
        };
        let why = if self.channels.force.is_some() {
            " although the drive did not: which of the two values is right cannot be told; look at the sensor, its cable and its amplifier"
        } else {
            ": by the drive, which no force cell shows, or by the sensor, its cable or its amplifier"
        };
        let sentence = format!(
            "the {} reading changed by {change_pct:+.0} %{against} at {:.1} s{why}",
            step.reading, step.at_s
        );
        Some(CriterionFinding::new(change_pct.abs(), false, sentence))
    }

    pub(super) fn node_drift(&self, limit_pct: f64) -> Option<CriterionFinding> {
        let steady = self.node_reading()?;
        let change_pct = 100.0 * steady.change;
        let sentence = format!(
            "the node reading moved by {change_pct:+.1} % of itself against the antinode during the hold, at most {limit_pct} % are allowed; look at the node sensor, its cable and its amplifier"
        );
        let met = steady.trend_within(0.01 * limit_pct);
        Some(CriterionFinding::new(change_pct, met, sentence))
    }

    pub(super) fn node_variation(&self, limit_pct: f64) -> Option<CriterionFinding> {
        self.interval?;
        let steady = self.node_reading()?;
        let departure_pct = 100.0 * steady.departure;
        let sentence = format!(
            "the node reading left its mean by {departure_pct:+.0} % at times, at most {limit_pct} % are allowed: a dropout, a step or a beat; look at the node sensor and its cable"
        );
        let met = steady.departures_within(0.01 * limit_pct);
        Some(CriterionFinding::new(departure_pct.abs(), met, sentence))
    }

    /// In phase with the antinode the node sensor sees sin(k δ), δ its distance
    /// from the node (design, 7.3).
    pub(super) fn node_place(&self, limit_mm: f64) -> Option<CriterionFinding> {
        self.interval?;
        let steady = self.node_course()?.of(|ratio| ratio.re)?;
        let wave_number = self
            .setup
            .strung_conductor()
            .wave_number_per_m(self.frequency_hz());
        // A step in the middle departs by half of itself to either side.
        let departure_mm = 1e3 * steady.departure / wave_number;
        let sentence = format!(
            "the node sensor's place changed during the hold: it left its mean by {departure_mm:+.0} mm against the antinode; was one of the two sensors moved?"
        );
        // Below, so much of the antinode's motion may wander too.
        let limit = (1e-3 * limit_mm * wave_number).max(LEAST_PLACE);
        let met = steady.departures_within(limit);
        Some(CriterionFinding::new(departure_mm.abs(), met, sentence))
    }

    /// Orders of the drive at the node beyond those that the conductor has: at
    /// the antinode it moves at least as much in each.
    pub(super) fn node_distortion(&self, limit_pct: f64) -> Option<CriterionFinding> {
        let interval = self.interval?;
        let (index, quantity) = self.channels.node?;
        let antinode = self.antinode()?;
        let same = self.channels.antinode.map(|(_, quantity)| quantity) == Some(quantity);
        let own = maths::modulus(self.node()?.phasor.value);
        let amplitude =
            |index: usize| Some(maths::modulus(interval.channels.get(index)?.phasor.value));
        let reference = self
            .channels
            .rattle_reference(amplitude(index)?, quantity, amplitude);
        let conductor = if same {
            antinode.distortion * maths::modulus(antinode.phasor.value)
        } else {
            antinode.distortion * own
        };
        let beyond = (self.node()?.distortion * own - conductor).max(0.0);
        let value_pct = 100.0 * beyond / reference;
        let sentence = self.coarse(index, "node").unwrap_or_else(|| format!(
            "distortion of {value_pct:.0} % at the node that the antinode does not have, at most {limit_pct} % are allowed; look for a loose sensor or an amplifier at its limit"
        ));
        Some(CriterionFinding::new(
            value_pct,
            value_pct <= limit_pct,
            sentence,
        ))
    }

    /// A node moves less than the antinode beside it.
    pub(super) fn node_against_antinode(&self, limit_pct: f64) -> Option<CriterionFinding> {
        let value_pct = 100.0
            * median(
                self.hops
                    .iter()
                    .filter_map(|hop| hop.ratio.map(maths::modulus)),
            )?;
        let question = if value_pct >= SWAPPED_PCT {
            "are the two channels swapped, or is the unit or full scale of one wrong?"
        } else {
            "does the node sensor stand on a node, and are both units right?"
        };
        let times = if value_pct < 1e4 {
            format!("{:.1} times as much as", 0.01 * value_pct)
        } else {
            "more than a hundred times as much as".into()
        };
        let sentence = format!("the node moves {times} the antinode: {question}");
        Some(CriterionFinding::new(
            value_pct,
            value_pct <= limit_pct,
            sentence,
        ))
    }

    /// Whether the drive force kept its size against the antinode's motion; an
    /// unsteady one is no evidence of resonance, and no fault of the reading.
    pub(super) fn force_change(&self, limit_pct: f64) -> Option<CriterionFinding> {
        let steady = self.force_course()?;
        let worst = if steady.trend_within(0.01 * limit_pct) {
            steady.departure
        } else {
            steady.change
        };
        let pct = 100.0 * worst.abs();
        let sentence = format!(
            "the drive force changed by {pct:.0} % against the antinode during the hold{}, at most {limit_pct} % are allowed: it shows neither resonance nor power; look at the force cell and its cable",
            self.force_pulses()
        );
        let met = force_is_steady(&steady, limit_pct).then_some(true);
        Some(CriterionFinding::new(pct, met, sentence))
    }

    fn force_course(&self) -> Option<Steadiness> {
        self.course((self.channels.force?, Quantity::Force))
    }

    /// That the drive force pulses, in words: a beat of the drive shows there before
    /// a span of narrow band follows it.
    pub(super) fn force_pulses(&self) -> String {
        let line = || {
            let force = self.interval?.channels.get(self.channels.force?)?;
            let sizes: Vec<f64> = force.course.iter().map(|f| maths::modulus(*f)).collect();
            let hop_s = self.plan.hop_seconds();
            envelope_line(&sizes, hop_s, hop_s)
        };
        match line() {
            Some(line) if line.depth > PULSES => format!(
                " (it pulses by {:.0} % at {:.2} Hz: a beat)",
                100.0 * line.depth,
                line.frequency_hz
            ),
            _ => String::new(),
        }
    }

    /// The size of a reading against the antinode's over the stretch, relative.
    pub(super) fn course(&self, (index, quantity): (usize, Quantity)) -> Option<Steadiness> {
        let interval = self.interval?;
        let (ratios, noise_u) = ratio_course(
            (interval.channels.get(index)?, quantity),
            (self.antinode()?, self.channels.antinode?.1),
            interval.frequency_hz,
        );
        let sizes: Vec<f64> = ratios.iter().map(|ratio| maths::modulus(*ratio)).collect();
        Some(Steadiness::new(&sizes, noise_u)?.relative())
    }

    /// Whether the drive force may be asked where the peak is.
    pub(super) fn force_is_steady(&self) -> bool {
        self.channels
            .force
            .is_none_or(|force| self.drive_is_steady((force, Quantity::Force)))
    }

    /// Whether force or motion at the drive kept its size against the antinode's.
    pub(super) fn drive_is_steady(&self, sensor: (usize, Quantity)) -> bool {
        self.course(sensor)
            .is_none_or(|steady| force_is_steady(&steady, FORCE_CHANGE_PCT))
    }
}

fn force_is_steady(steady: &Steadiness, limit_pct: f64) -> bool {
    let limit = 0.01 * limit_pct;
    steady.trend_within(limit) && steady.departures_within(limit)
}
