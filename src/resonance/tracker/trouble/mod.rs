//! Where trouble sets in after a good beginning: on a channel that a number
//! rests on, something changes that the drive does not explain.
//!
//! In: the hops of a dwell after ring-up, in order. Out: the hop where a
//! trouble began that then lasted, and in what it showed. What goes slowly is no
//! onset: the crest of a wander must not be cut out of it. Two looks are taken: one
//! at single hops, one at means over four seconds, where noise hides less. Pure.

mod readings;
mod step;
mod watch;

use self::readings::Readings;
use self::watch::Outlook;
use super::super::channel_map::ChannelMap;
use super::super::hop_estimate::{HopEstimate, median};
use crate::maths;
use crate::setup::HoldRules;

pub(super) use self::step::node_step;

/// The trouble may have begun so long before a hop shows it, hops: a window.
const ONSET_HOPS: usize = 4;
/// Hops that the looks take the middle of: the longer, the less noise hides, and the
/// later it shows.
const LOOKS_HOPS: [usize; 3] = [1, 16, 40];
/// Trouble that has shown for so many hops at most at the end of a dwell may be
/// the change that ends it.
const END_HOPS: usize = 8;

/// What a trouble showed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sign {
    /// The antinode's motion.
    Antinode,
    /// The node's quadrature part.
    Node,
    /// The node's in-phase part.
    Place,
    /// The drive force against the antinode.
    Force,
    /// The drive frequency.
    Frequency,
    /// Orders of the drive at the antinode, …
    AntinodeOrders,
    /// … the node …
    NodeOrders,
    /// … and the force cell.
    ForceOrders,
    /// What else is on the antinode channel, …
    AntinodeNoise,
    /// … and on the node channel.
    NodeNoise,
    /// Samples at full scale.
    Clipping,
}

/// Where a trouble set in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Onset {
    /// Hops ago; the latest is 0.
    pub(super) ago: usize,
    pub(super) sign: Sign,
}

/// Watches a dwell from a good beginning on.
#[derive(Debug, Clone)]
pub(super) struct TroubleWatch {
    looks: [Outlook; LOOKS_HOPS.len()],
}

impl TroubleWatch {
    /// From hops that are taken as good, at a resonance of this bandwidth; `None`
    /// without any.
    pub(super) fn new(
        channels: &ChannelMap,
        rules: &HoldRules,
        good: &[HopEstimate],
        bandwidth_hz: Option<f64>,
    ) -> Option<Self> {
        let of = |look_hops| Outlook::new(channels, rules, good, bandwidth_hz, look_hops);
        let [quick, slow, slower] = LOOKS_HOPS;
        Some(Self {
            looks: [of(quick)?, of(slow)?, of(slower)?],
        })
    }

    /// Takes the next hop; gives the trouble that has lasted since it began, at
    /// the latest a window before it showed.
    pub(super) fn hop(&mut self, channels: &ChannelMap, hop: &HopEstimate) -> Option<Onset> {
        let readings = Readings::new(channels, hop);
        // Each has to see every hop.
        let found = self.looks.each_mut().map(|look| look.hop(&readings));
        found.into_iter().flatten().next()
    }

    /// How many of the latest hops show trouble that has only just begun: the
    /// sensor is carried away, the drive turned.
    pub(super) fn just_begun(&self) -> usize {
        let [quick, ..] = &self.looks;
        quick
            .troubled_hops()
            .filter(|hops| *hops <= END_HOPS)
            .unwrap_or_default()
    }
}

impl Sign {
    /// Whether it may be the span's motion that changed, and not a sensor.
    pub(super) fn is_of_the_motion(self) -> bool {
        matches!(self, Self::Antinode | Self::Frequency)
    }

    /// What changed between the good hold and what came after it, in words.
    pub(super) fn sentence(
        self,
        channels: &ChannelMap,
        before: &[HopEstimate],
        after: &[HopEstimate],
    ) -> String {
        let of = |hops: &[HopEstimate], sign: Self| {
            let readings = hops.iter().map(|hop| Readings::new(channels, hop));
            // What comes and goes shows in a quarter of the hops, if not in the middle.
            let mut values: Vec<f64> = readings.map(|r| r.of(sign)).collect();
            values.sort_by(f64::total_cmp);
            let at = |part: usize| values.get(part * values.len() / 4).copied();
            let middle = at(2).unwrap_or_default();
            (middle, at(3).unwrap_or(middle))
        };
        let changed = |sign: Self| of(after, sign).0 / of(before, sign).0 - 1.0;
        // What the span does the node shows as well, and the ratio stands still.
        let is_of_node = changed(Self::Node).abs() < 0.2 * changed(Self::Antinode).abs();
        let ((before, _), (after, often)) = (of(before, self), of(after, self));
        let pct = 100.0 * (after / before - 1.0);
        let grown = |what: &str| {
            format!(
                "{what} rose from {:.2} % to {:.2} % of its signal",
                100.0 * before,
                100.0 * often
            )
        };
        match self {
            Self::Antinode => {
                let with = if is_of_node {
                    ", and the node's with it: the level of the drive was changed, or something else damps the span"
                } else {
                    ""
                };
                format!("the antinode reading changed by {pct:+.1} %{with}")
            }
            Self::Node => format!(
                "the node reading changed by {pct:+.1} % against the antinode; look at the sensor, its cable and its amplifier"
            ),
            Self::Place => format!(
                "the node sensor's place seems to have changed: in phase with the antinode the node moves by {:+.1} % of it, {:+.1} % before",
                100.0 * after,
                100.0 * before
            ),
            Self::Force => format!(
                "the drive force changed by {pct:+.1} % against the antinode; look at the force cell and its cable"
            ),
            Self::Frequency => format!(
                "the drive frequency moved by {:+.1} mHz",
                1e3 * (after - before)
            ),
            Self::AntinodeOrders => {
                grown("the distortion of the antinode channel (flat tops, jumps or a rattle)")
            }
            Self::NodeOrders => {
                grown("the distortion of the node channel (flat tops, jumps or a rattle)")
            }
            Self::ForceOrders => {
                grown("the distortion of the drive-force channel (flat tops, blows or a rattle)")
            }
            Self::AntinodeNoise => grown(
                "the antinode reading became noisy (noise, jumps or a rattle): what else is on the channel",
            ),
            Self::NodeNoise => grown(
                "the node reading became noisy (noise, jumps or a rattle): what else is on the channel",
            ),
            Self::Clipping => "clipping set in".into(),
        }
    }
}

fn node_u(channels: &ChannelMap, hop: &HopEstimate) -> f64 {
    let own = channels
        .node
        .and_then(|(index, _)| hop.channels.get(index))
        .map_or(0.0, |node| {
            node.amplitude_u / maths::modulus(node.amplitude).max(f64::MIN_POSITIVE)
        });
    hop.ratio.map_or(0.0, maths::modulus) * maths::hypot(own, hop.antinode_u_rel)
}

/// The median standard uncertainty of a reading over some hops.
fn median_u(hops: &[HopEstimate], of: impl Fn(&HopEstimate) -> Option<f64>) -> f64 {
    median(hops.iter().filter_map(of)).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_complex::Complex64;
    use std::f64::consts::TAU;

    const HOP_S: f64 = 0.25;
    /// Eight seconds, the shortest hold.
    const GOOD_HOPS: usize = 32;

    /// Hops of an antinode velocity and a node reading over time.
    pub(super) fn hops(
        seconds: f64,
        antinode: impl Fn(f64) -> f64,
        node: impl Fn(f64) -> f64,
    ) -> Vec<HopEstimate> {
        let count = (seconds / HOP_S) as u64;
        (0..count)
            .map(|hop| {
                let at_s = hop as f64 * HOP_S;
                HopEstimate {
                    hop,
                    end_s: at_s,
                    frequency_hz: 20.0,
                    frequency_u_hz: 1e-5,
                    antinode_m_s: antinode(at_s),
                    antinode_u_rel: 3e-4,
                    ratio: Some(Complex64::new(0.01, node(at_s))),
                    force_n: None,
                    drive_phase_deg: None,
                    signal_v: None,
                    by_signal: None,
                    channels: Vec::new(),
                }
            })
            .collect()
    }

    fn onset(hops: &[HopEstimate]) -> Option<usize> {
        let channels = ChannelMap::default();
        let mut watch = TroubleWatch::new(
            &channels,
            &HoldRules::default(),
            &hops[..GOOD_HOPS],
            Some(0.1),
        )
        .unwrap();
        (GOOD_HOPS..hops.len()).find_map(|i| Some(i - watch.hop(&channels, &hops[i])?.ago))
    }

    #[test]
    fn trouble_is_found_where_it_begins() {
        let begins = |at_s: f64| move |t: f64| if t < at_s { 0.0 } else { 1.0 };
        let on = begins(20.0);
        for hz in [0.15, 0.4, 1.0] {
            for depth in [0.05, 0.3] {
                let beat = |t: f64| 1.0 + depth * on(t) * (TAU * hz * (t - 20.0)).sin();
                let found = onset(&hops(40.0, beat, |_| 0.1)).unwrap();
                assert!((72..=80).contains(&found), "{hz} Hz, {depth}: {found}");
            }
        }
        for step in [-0.25, -0.06, 0.1] {
            let node = |t: f64| 0.1 * (1.0 + step * on(t));
            let found = onset(&hops(40.0, |_| 1.0, node)).unwrap();
            assert!((75..=80).contains(&found), "{step}: {found}");
            let found = onset(&hops(40.0, |t| 1.0 + step * on(t), |_| 0.1)).unwrap();
            assert!((75..=80).contains(&found), "{step}: {found}");
        }
        // By 20 % in 26 s.
        let falls = |t: f64| 1.0 - 0.2 * (t - 20.0).max(0.0) / 26.0;
        let found = onset(&hops(46.0, falls, |_| 0.1)).unwrap();
        assert!((72..=84).contains(&found), "{found}");
        let found = onset(&hops(46.0, |_| 1.0, |t| 0.1 * falls(t))).unwrap();
        assert!((72..=88).contains(&found), "{found}");
    }

    /// Whatever its period and depth, and wherever it stands when ring-up is
    /// over: what a wander does is no onset.
    #[test]
    fn a_wander_has_no_onset() {
        for period_s in [3.0, 8.0, 16.0, 30.0, 60.0, 120.0, 300.0] {
            for depth in [0.02, 0.05, 0.2] {
                for start in 0..16 {
                    let wander = |t: f64| {
                        1.0 + depth * (TAU * (t / period_s + f64::from(start) / 16.0)).cos()
                    };
                    let found = onset(&hops(120.0, wander, |_| 0.1));
                    assert_eq!(found, None, "{period_s} s, {depth}, {start}");
                }
            }
        }
        // A drift that grows is none either.
        let drift = |t: f64| 1.0 - 1e-5 * t * t * t.sqrt();
        assert_eq!(onset(&hops(120.0, drift, |_| 0.1)), None);
    }

    #[test]
    fn a_knock_that_passes_is_no_trouble() {
        let knock = |t: f64| if (20.0..21.2).contains(&t) { 0.15 } else { 0.1 };
        assert_eq!(onset(&hops(40.0, |_| 1.0, knock)), None);
    }
}
