//! Where trouble sets in after a good beginning: on a channel that a number
//! rests on, something changes that the drive does not explain.
//!
//! In: the hops of a dwell after ring-up, in order. Out: the hop where a
//! trouble began that then lasted. What goes slowly is no onset: the crest of a
//! wander must not be cut out of it. Pure.

use std::collections::VecDeque;

use super::super::channel_map::ChannelMap;
use super::super::hop_estimate::{HopEstimate, median};
use crate::maths;
use crate::setup::HoldRules;

/// Hops over which a trouble is looked at, and how many of them have to show
/// it: an impulse is in a window for four or five hops and is no trouble yet.
const LOOK_HOPS: usize = 20;
const TROUBLED_HOPS: usize = 6;
/// How far before its first sign an onset is looked for, hops: a reading that
/// begins to fall slowly has gone some way by then.
const BEFORE_HOPS: usize = 16;
/// An onset outruns by so much what a wander that leaves its crest could do, which
/// goes with the square of time from the crest: were the crest in the middle of
/// n good hops, then k hops later ((n/2 + k)/(n/2))² times its largest departure
/// before.
const ABRUPT: f64 = 1.7;
/// Trouble that has shown for so many hops at most at the end of a dwell may be
/// the change that ends it.
const END_HOPS: usize = 8;
/// The trouble may have begun so long before a hop shows it, hops: a window.
const ONSET_HOPS: usize = 4;
/// Standard deviations of noise that a hop may be off.
const NOISE: f64 = 5.0;
/// Residual over the reference above which it counts, over twice the usual.
const RESIDUAL: f64 = 0.005;
/// In-phase part of the node, as an angle k δ, that counts as another place.
const PLACE_RAD: f64 = 0.02;

/// What one hop says of the readings.
#[derive(Debug, Clone, Copy, Default)]
struct Readings {
    antinode_m_s: f64,
    /// Quadrature and in-phase part of the node over the antinode.
    node: [f64; 2],
    /// Residuals of antinode and node over the antinode's amplitude and over
    /// the node's or a tenth of the antinode's.
    residuals: [f64; 2],
    distortion: f64,
    clipped: bool,
}

/// How far a hop is from the beginning: antinode (relative), node (relative),
/// in-phase part (absolute).
type Departures = [f64; 3];

/// What one of the departures does.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Change {
    /// It stays within its limit.
    None,
    /// It set in at once, at this of the hops looked at.
    Onset(usize),
    /// It came little by little.
    Slow,
}

/// Watches a dwell from a good beginning on.
#[derive(Debug, Clone)]
pub(super) struct TroubleWatch {
    usual: Readings,
    /// What each of the departures may be before it is trouble.
    limits: Departures,
    distortion_limit: f64,
    /// Number of hops before those that are looked at, and their largest
    /// departures.
    good_hops: usize,
    spread: Departures,
    /// Departures of the last hops, and whether each shows trouble that needs no
    /// onset (`true`), and trouble at all.
    recent: VecDeque<(Departures, [bool; 2])>,
}

impl TroubleWatch {
    /// From hops that are taken as good; `None` without any.
    pub(super) fn new(
        channels: &ChannelMap,
        rules: &HoldRules,
        good: &[HopEstimate],
    ) -> Option<Self> {
        let readings: Vec<Readings> = good.iter().map(|hop| readings(channels, hop)).collect();
        let usual_of = |of: fn(&Readings) -> f64| median(readings.iter().map(of));
        let usual = Readings {
            antinode_m_s: usual_of(|r| r.antinode_m_s)?,
            node: [usual_of(|r| r.node[0])?, usual_of(|r| r.node[1])?],
            residuals: [usual_of(|r| r.residuals[0])?, usual_of(|r| r.residuals[1])?],
            distortion: usual_of(|r| r.distortion)?,
            clipped: false,
        };
        let antinode_u = median(good.iter().map(|hop| hop.antinode_u_rel))?;
        let node_u = median(good.iter().map(|hop| node_u(channels, hop)))?;
        let mut watch = Self {
            limits: [
                0.01 * rules.amplitude_variation_pct + NOISE * antinode_u,
                0.01 * rules.node_variation_pct
                    + NOISE * node_u / usual.node[0].abs().max(f64::MIN_POSITIVE),
                PLACE_RAD + NOISE * node_u,
            ],
            distortion_limit: (0.01 * rules.distortion_pct).max(2.0 * usual.distortion),
            good_hops: good.len(),
            spread: [0.0; 3],
            recent: VecDeque::new(),
            usual,
        };
        for readings in &readings {
            watch.widen(watch.departures(readings));
        }
        Some(watch)
    }

    fn departures(&self, readings: &Readings) -> Departures {
        let usual = &self.usual;
        let relative = |now: f64, usual: f64| {
            if usual == 0.0 {
                0.0
            } else {
                (now / usual - 1.0).abs()
            }
        };
        [
            relative(readings.antinode_m_s, usual.antinode_m_s),
            relative(readings.node[0], usual.node[0]),
            (readings.node[1] - usual.node[1]).abs(),
        ]
    }

    fn widen(&mut self, departures: Departures) {
        for (spread, departure) in self.spread.iter_mut().zip(departures) {
            *spread = spread.max(departure);
        }
    }

    /// Takes the next hop; gives how many hops ago (this one is 0) a trouble
    /// began, at the latest a window before it showed, that has lasted since.
    pub(super) fn hop(&mut self, channels: &ChannelMap, hop: &HopEstimate) -> Option<usize> {
        let readings = readings(channels, hop);
        let departures = self.departures(&readings);
        let plain = readings.clipped
            || readings.distortion > self.distortion_limit
            || readings
                .residuals
                .iter()
                .zip(self.usual.residuals)
                .any(|(now, usual)| *now > 2.0 * usual + RESIDUAL);
        let off = departures
            .iter()
            .zip(self.limits)
            .any(|(departure, limit)| *departure > limit);
        self.recent.push_back((departures, [plain, plain || off]));
        while self.recent.len() > LOOK_HOPS + BEFORE_HOPS
            && let Some((departures, _)) = self.recent.pop_front()
        {
            self.widen(departures);
            self.good_hops += 1;
        }
        let first = self
            .recent
            .iter()
            .position(|(_, [_, troubled])| *troubled)?;
        let count = |of: fn(&[bool; 2]) -> bool| {
            let looked_at = self.recent.iter().skip(first);
            looked_at.filter(|(_, troubled)| of(troubled)).count()
        };
        if count(|[_, troubled]| *troubled) < TROUBLED_HOPS {
            return None;
        }
        let latest_cut = first.saturating_sub(ONSET_HOPS);
        let [antinode, node, place] = [0, 1, 2].map(|which| self.onset(which, first, latest_cut));
        let plain = count(|[plain, _]| *plain) >= TROUBLED_HOPS;
        // The antinode's own departure has to be an onset, whatever else happens:
        // a wander must not be cut where it reaches the end of a range.
        let cut = match antinode {
            Change::None => match (node, place) {
                (Change::Onset(cut), _) | (_, Change::Onset(cut)) => Some(cut),
                _ => plain.then_some(latest_cut),
            },
            Change::Onset(cut) => Some(cut),
            Change::Slow => None,
        }?;
        Some(self.recent.len() - 1 - cut)
    }

    /// Whether one of the departures leaves its limit from the hop `first` on,
    /// and if it sets in at once, where it does: `latest_cut` or before.
    fn onset(&self, which: usize, first: usize, latest_cut: usize) -> Change {
        let of = |departures: &Departures| departures.get(which).copied().unwrap_or_default();
        let limit = of(&self.limits);
        let looked_at = || {
            let hops = self.recent.iter().enumerate().skip(first).take(LOOK_HOPS);
            hops.map(|(i, (departures, _))| (i, of(departures)))
        };
        if looked_at().all(|(_, departure)| departure <= limit) {
            return Change::None;
        }
        let usual = of(&self.spread);
        let mut spread = usual;
        let mut found = Change::Slow;
        for cut in 0..=latest_cut {
            if let Some((departures, _)) = cut.checked_sub(1).and_then(|i| self.recent.get(i)) {
                spread = spread.max(of(departures));
            }
            let half = 0.5 * (self.good_hops + cut) as f64;
            let is_onset = looked_at().any(|(i, departure)| {
                let growth = maths::square((half + (i - cut + 1) as f64) / half);
                departure >= ABRUPT * growth * spread
            });
            // As late as nothing of it shows yet.
            let nothing_shows = spread <= (1.2 * usual).max(limit / 3.0);
            if is_onset && (found == Change::Slow || nothing_shows) {
                found = Change::Onset(cut);
            }
        }
        found
    }

    /// How many of the latest hops show trouble that has only just begun: the
    /// sensor is carried away, the drive turned.
    pub(super) fn just_begun(&self) -> usize {
        let first = self.recent.iter().position(|(_, [_, troubled])| *troubled);
        first
            .map(|first| self.recent.len() - first)
            .filter(|hops| *hops <= END_HOPS)
            .unwrap_or_default()
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

fn readings(channels: &ChannelMap, hop: &HopEstimate) -> Readings {
    let antinode = channels
        .antinode
        .and_then(|(index, quantity)| Some((hop.channels.get(index)?, quantity)));
    let node = channels
        .node
        .and_then(|(index, quantity)| Some((hop.channels.get(index)?, quantity)));
    let size = |residual: f64, reference: f64| {
        if reference > 0.0 {
            residual / reference
        } else {
            0.0
        }
    };
    let amplitude = antinode.map_or(0.0, |(tone, _)| maths::modulus(tone.amplitude));
    let residuals = [
        antinode.map_or(0.0, |(tone, _)| size(tone.residual_rms, amplitude)),
        node.map_or(0.0, |(tone, quantity)| {
            let own = maths::modulus(tone.amplitude);
            let of = |index: usize| Some(maths::modulus(hop.channels.get(index)?.amplitude));
            size(
                tone.residual_rms,
                channels.rattle_reference(own, quantity, of),
            )
        }),
    ];
    Readings {
        antinode_m_s: hop.antinode_m_s,
        node: hop.ratio.map_or([0.0; 2], |ratio| [ratio.im, ratio.re]),
        residuals,
        distortion: antinode.map_or(0.0, |(tone, _)| tone.distortion),
        clipped: channels
            .judged()
            .filter_map(|(index, _)| hop.channels.get(index))
            .any(|tone| tone.clipped > 0),
    }
}

/// Hops on each side of a step of the node reading.
const STEP_SIDE_HOPS: usize = 8;
/// A step of the node reading is at least this large, relative.
const LEAST_STEP: f64 = 0.04;

/// A step of the node reading: the hop it came with and its size, relative to
/// the reading before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NodeStep {
    pub(super) hop: usize,
    pub(super) change: f64,
}

/// The first sharp step of the node reading, if the reading at the end of the
/// hops is still another one than before it. In ring-up the reading moves too,
/// but no faster within a second than before and after it.
pub(super) fn node_step(channels: &ChannelMap, hops: &[HopEstimate]) -> Option<NodeStep> {
    let readings: Vec<f64> = hops
        .iter()
        .map(|hop| hop.ratio.map(|ratio| ratio.im))
        .collect::<Option<_>>()?;
    let noise = median(hops.iter().map(|hop| node_u(channels, hop)))?;
    let side = |from: usize| {
        let some = readings.get(from..from + STEP_SIDE_HOPS)?;
        let count = some.len() as f64;
        let mean = some.iter().sum::<f64>() / count;
        let scatter = some
            .iter()
            .map(|value| maths::square(value - mean))
            .sum::<f64>()
            / count;
        Some((mean, scatter.sqrt()))
    };
    let mut first: Option<(usize, f64)> = None;
    for at in STEP_SIDE_HOPS..readings.len() {
        let Some((after, after_scatter)) = side(at + ONSET_HOPS) else {
            break;
        };
        let (before, before_scatter) = side(at - STEP_SIDE_HOPS)?;
        let step = (after - before).abs();
        let is_large = step >= LEAST_STEP * before.abs().max(after.abs()) + 6.0 * noise;
        let is_sharp = before_scatter.max(after_scatter) <= step / 6.0 + 1.5 * noise;
        if is_large && is_sharp {
            first = Some((at, before));
            break;
        }
    }
    let (hop, before) = first?;
    let last = median(
        readings
            .get(readings.len().saturating_sub(STEP_SIDE_HOPS)..)?
            .iter()
            .copied(),
    )?;
    let change = last / before - 1.0;
    let lasts = (last - before).abs() >= 0.5 * LEAST_STEP * before.abs() + 3.0 * noise;
    lasts.then_some(NodeStep { hop, change })
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
    fn hops(
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
                    channels: Vec::new(),
                }
            })
            .collect()
    }

    fn onset(hops: &[HopEstimate]) -> Option<usize> {
        let channels = ChannelMap::default();
        let mut watch =
            TroubleWatch::new(&channels, &HoldRules::default(), &hops[..GOOD_HOPS]).unwrap();
        (GOOD_HOPS..hops.len()).find_map(|i| Some(i - watch.hop(&channels, &hops[i])?))
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

    #[test]
    fn a_step_of_the_node_reading_is_told_from_ring_up() {
        let step = |hops: &[HopEstimate]| node_step(&ChannelMap::default(), hops);
        let ringing = |tau_s: f64| move |t: f64| 0.1 * (1.0 + 0.3 * (-t / tau_s).exp());
        for tau_s in [1.0, 3.0, 10.0, 60.0] {
            assert_eq!(step(&hops(60.0, |_| 1.0, ringing(tau_s))), None, "{tau_s}");
        }
        let rung = ringing(6.0);
        let found = step(&hops(
            60.0,
            |_| 1.0,
            |t| rung(t) * if t < 25.0 { 1.0 } else { 0.75 },
        ))
        .unwrap();
        assert!((96..=104).contains(&found.hop), "{found:?}");
        assert!((found.change + 0.25).abs() < 0.02, "{found:?}");
        // A dropout that is over leaves the reading as it was.
        let dropout = |t: f64| if (20.0..23.0).contains(&t) { 0.0 } else { 0.1 };
        assert_eq!(step(&hops(60.0, |_| 1.0, dropout)), None);
    }
}
