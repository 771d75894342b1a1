//! One look at the course of a dwell: where does a reading leave what it was,
//! and does it set in at once? Pure.

use std::collections::VecDeque;

use super::super::super::channel_map::ChannelMap;
use super::super::super::hop_estimate::{HopEstimate, RunningMedian, median};
use super::readings::{FOLLOWED, Readings};
use super::{ONSET_HOPS, Onset, Sign, median_u, node_u};
use crate::maths;
use crate::setup::HoldRules;

/// Hops over which a trouble is looked at, and that a beginning has; how many of them have to show
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
/// Standard deviations of noise that a hop may be off.
const NOISE: f64 = 5.0;
/// Noise of a median over that of a mean, of a normal distribution: sqrt(pi/2).
const MEDIAN_NOISE: f64 = 1.2533;
/// Hops that share samples.
const WINDOW_HOPS: f64 = 4.0;
/// Residual over the reference above which it counts, over twice the usual.
const RESIDUAL: f64 = 0.005;
/// In-phase part of the node, as an angle k δ, that counts as another place.
const PLACE_RAD: f64 = 0.02;
/// Change of the drive force against the antinode that counts.
const FORCE: f64 = 0.04;
/// Change of frequency that counts, bandwidths, and where none is known, Hz.
const FREQUENCY_BANDWIDTHS: f64 = 0.1;
const FREQUENCY_HZ: f64 = 0.01;
/// Change of the orders that counts: flat tops that take 0.3 % leave as much.
const ORDERS: f64 = 0.004;

/// How far a reading is from the beginning, one a sign that is followed.
type Distances = [f64; FOLLOWED.len()];

/// The middle of each sign that is followed.
type Middles = [RunningMedian; FOLLOWED.len()];

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

/// A hop that is looked at.
#[derive(Debug, Clone, Copy)]
struct Glance {
    departures: Distances,
    /// What needs no onset, if anything.
    plain: Option<Sign>,
    troubled: bool,
}

/// One look at a dwell from a good beginning on, at the middle of some hops.
#[derive(Debug, Clone)]
pub(super) struct Outlook {
    usual: Readings,
    /// What each of the departures may be before it is trouble.
    limits: Distances,
    /// Hops that the middle is taken of, and the last of them.
    look_hops: usize,
    last: VecDeque<Readings>,
    middles: Middles,
    /// Values of the beginning, as long as there are few.
    learned: Vec<Readings>,
    usual_middles: Middles,
    /// Number of hops before those that are looked at, and their largest
    /// departures.
    good_hops: usize,
    spread: Distances,
    recent: VecDeque<Glance>,
}

impl Outlook {
    pub(super) fn new(
        channels: &ChannelMap,
        rules: &HoldRules,
        good: &[HopEstimate],
        bandwidth_hz: Option<f64>,
        look_hops: usize,
    ) -> Option<Self> {
        let readings: Vec<Readings> = good
            .iter()
            .map(|hop| Readings::new(channels, hop))
            .collect();
        let usual_of = |of: &dyn Fn(&Readings) -> f64| median(readings.iter().map(of));
        let mut usual = Readings::default();
        for (i, value) in usual.values.iter_mut().enumerate() {
            *value = usual_of(&|r| r.values.get(i).copied().unwrap_or_default())?;
        }
        usual.residuals = [
            usual_of(&|r| r.residuals[0])?,
            usual_of(&|r| r.residuals[1])?,
        ];
        // Noise of the middle of windows that share samples.
        let windows = (look_hops as f64 / WINDOW_HOPS).max(1.0);
        let of_middle = if look_hops == 1 { 1.0 } else { MEDIAN_NOISE };
        let noise = |u: f64| NOISE * of_middle * u / windows.sqrt();
        let antinode_u = median_u(good, |hop| Some(hop.antinode_u_rel));
        let node_u = median_u(good, |hop| Some(node_u(channels, hop)));
        let frequency_u_hz = median_u(good, |hop| Some(hop.frequency_u_hz));
        let relative_u = |index: Option<usize>| {
            median_u(good, |hop| {
                let tone = hop.channels.get(index?)?;
                let amplitude = maths::modulus(tone.amplitude);
                (amplitude > 0.0).then(|| tone.amplitude_u / amplitude)
            })
        };
        let force_u = relative_u(channels.force);
        let node_size = usual.of(Sign::Node).abs().max(f64::MIN_POSITIVE);
        // Against its reference, a tenth of the antinode where it is faint.
        let node_orders_u = node_u / node_size.max(0.1);
        let frequency_hz = bandwidth_hz.map_or(FREQUENCY_HZ, |df| FREQUENCY_BANDWIDTHS * df);
        let mut watch = Self {
            limits: [
                0.01 * rules.amplitude_variation_pct + noise(antinode_u),
                0.01 * rules.node_drift_pct + noise(node_u / node_size),
                PLACE_RAD + noise(node_u),
                FORCE + noise(maths::hypot(force_u, antinode_u)),
                frequency_hz + noise(frequency_u_hz),
                ORDERS + noise(antinode_u),
                ORDERS + noise(node_orders_u),
                ORDERS + noise(force_u),
            ],
            look_hops,
            last: VecDeque::new(),
            middles: Middles::default(),
            learned: Vec::new(),
            usual_middles: Middles::default(),
            good_hops: 0,
            spread: [0.0; FOLLOWED.len()],
            recent: VecDeque::new(),
            usual,
        };
        for readings in &readings {
            if let Some(middle) = watch.middle(readings) {
                watch.learn(middle);
            }
        }
        Some(watch)
    }

    /// Takes a value as one of the good beginning. What a longer look calls usual is
    /// the middle of its first ones.
    fn learn(&mut self, middle: Readings) {
        self.good_hops += 1;
        if self.look_hops == 1 || self.learned.len() >= LOOK_HOPS {
            self.widen(self.departures(&middle));
            return;
        }
        self.learned.push(middle);
        let usual = self.usual.values.iter_mut().zip(&mut self.usual_middles);
        for ((usual, running), value) in usual.zip(middle.values) {
            running.add(value);
            if let Some(middle) = running.value() {
                *usual = middle;
            }
        }
        self.spread = [0.0; FOLLOWED.len()];
        for i in 0..self.learned.len() {
            if let Some(learned) = self.learned.get(i) {
                self.widen(self.departures(learned));
            }
        }
    }

    /// The middle of the latest readings, which a knock does not move; `None` until
    /// there are enough.
    fn middle(&mut self, readings: &Readings) -> Option<Readings> {
        if self.look_hops == 1 {
            return Some(*readings);
        }
        self.last.push_back(*readings);
        let is_full = self.last.len() > self.look_hops;
        let oldest = if is_full { self.last.pop_front() } else { None };
        for (i, running) in self.middles.iter_mut().enumerate() {
            let of = |readings: &Readings| readings.values.get(i).copied().unwrap_or_default();
            running.add(of(readings));
            if let Some(oldest) = &oldest {
                running.remove(of(oldest));
            }
        }
        if self.last.len() < self.look_hops {
            return None;
        }
        let mut middle = *readings;
        for (value, running) in middle.values.iter_mut().zip(&self.middles) {
            *value = running.value()?;
        }
        Some(middle)
    }

    fn departures(&self, readings: &Readings) -> Distances {
        let mut departures = [0.0; FOLLOWED.len()];
        let both = readings.values.iter().zip(self.usual.values);
        for ((departure, sign), (now, usual)) in departures.iter_mut().zip(FOLLOWED).zip(both) {
            let is_relative = matches!(sign, Sign::Antinode | Sign::Node | Sign::Force);
            *departure = if !is_relative {
                (now - usual).abs()
            } else if usual == 0.0 {
                0.0
            } else {
                (now / usual - 1.0).abs()
            };
        }
        departures
    }

    fn widen(&mut self, departures: Distances) {
        for (spread, departure) in self.spread.iter_mut().zip(departures) {
            *spread = spread.max(departure);
        }
    }

    /// What of a single hop is trouble however it came.
    fn plain(&self, readings: &Readings) -> Option<Sign> {
        if self.look_hops > 1 {
            return None;
        }
        let noise = [Sign::AntinodeNoise, Sign::NodeNoise];
        let noisy = noise
            .into_iter()
            .find(|sign| readings.of(*sign) > 2.0 * self.usual.of(*sign) + RESIDUAL);
        noisy.or(readings.clipped.then_some(Sign::Clipping))
    }

    /// Takes the next hop; gives the trouble that has lasted since it began, at
    /// the latest a window before it showed.
    pub(super) fn hop(&mut self, readings: &Readings) -> Option<Onset> {
        let middle = self.middle(readings)?;
        if self.good_hops < LOOK_HOPS {
            self.learn(middle);
            return None;
        }
        let departures = self.departures(&middle);
        let plain = self.plain(&middle);
        let off = departures
            .iter()
            .zip(self.limits)
            .any(|(departure, limit)| *departure > limit);
        self.recent.push_back(Glance {
            departures,
            plain,
            troubled: plain.is_some() || off,
        });
        let before = BEFORE_HOPS + self.look_hops - 1;
        while self.recent.len() > LOOK_HOPS + before
            && let Some(look) = self.recent.pop_front()
        {
            self.widen(look.departures);
            self.good_hops += 1;
        }
        let first = self.first_troubled()?;
        let looked_at = || self.recent.iter().skip(first);
        if looked_at().filter(|look| look.troubled).count() < TROUBLED_HOPS {
            return None;
        }
        let latest_cut = first.saturating_sub(ONSET_HOPS + self.look_hops - 1);
        let change = |sign: Sign| {
            let which = FOLLOWED.iter().position(|followed| *followed == sign);
            which.map_or(Change::None, |which| self.onset(which, first, latest_cut))
        };
        let found = FOLLOWED.map(|sign| (sign, change(sign)));
        // A wander must not be cut where it reaches the end of a range, whatever
        // else happens: what the drive itself does has to be an onset.
        // A longer look, which smooths, cannot tell it from a wander.
        let wanders = |(sign, change): &(Sign, Change)| {
            let is_told = self.look_hops == 1 && matches!(change, Change::Onset(_));
            sign.is_of_the_motion() && *change != Change::None && !is_told
        };
        if found.iter().any(wanders) {
            return None;
        }
        let onset = found.into_iter().find_map(|(sign, change)| match change {
            Change::Onset(cut) => Some((sign, cut)),
            Change::None | Change::Slow => None,
        });
        let plain = || {
            let signs = || looked_at().filter_map(|look| look.plain);
            (signs().count() >= TROUBLED_HOPS).then(|| (signs().next(), latest_cut))
        };
        let (sign, cut) = match onset {
            Some(onset) => onset,
            None => plain().and_then(|(sign, cut)| Some((sign?, cut)))?,
        };
        Some(Onset {
            ago: self.recent.len() - 1 - cut,
            sign,
        })
    }

    fn first_troubled(&self) -> Option<usize> {
        self.recent.iter().position(|look| look.troubled)
    }

    /// Hops since trouble first showed.
    pub(super) fn troubled_hops(&self) -> Option<usize> {
        Some(self.recent.len() - self.first_troubled()?)
    }

    /// Whether one of the departures leaves its limit from the hop `first` on,
    /// and if it sets in at once, where it does: `latest_cut` or before.
    fn onset(&self, which: usize, first: usize, latest_cut: usize) -> Change {
        let of = |departures: &Distances| departures.get(which).copied().unwrap_or_default();
        let limit = of(&self.limits);
        let looked_at = || {
            let hops = self.recent.iter().enumerate().skip(first).take(LOOK_HOPS);
            hops.map(|(i, look)| (i, of(&look.departures)))
        };
        if looked_at().all(|(_, departure)| departure <= limit) {
            return Change::None;
        }
        let usual = of(&self.spread);
        let mut spread = usual;
        let mut found = Change::Slow;
        for cut in 0..=latest_cut {
            if let Some(look) = cut.checked_sub(1).and_then(|i| self.recent.get(i)) {
                spread = spread.max(of(&look.departures));
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
}
