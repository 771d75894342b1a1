//! One tone frame in the terms of the trade: velocities, ratio, drive phase.

use super::channel_map::ChannelMap;
use super::phasor::{SHOWS, fold_half_turn_deg, velocity_m_s};
use crate::maths;
use crate::tone::{ChannelTone, ToneFrame};
use num_complex::Complex64;

/// What one hop says about the span.
#[derive(Debug, Clone)]
pub struct HopEstimate {
    /// Hop number since sample 0 of the source.
    pub hop: u64,
    /// End of the hop, s.
    pub end_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty, Hz.
    pub frequency_u_hz: f64,
    /// Antinode velocity, m/s peak.
    pub antinode_m_s: f64,
    /// Standard uncertainty of its modulus, relative.
    pub antinode_u_rel: f64,
    /// Node velocity over antinode velocity, complex.
    pub ratio: Option<Complex64>,
    /// Drive force, N peak, as the cell shows it.
    pub force_n: Option<f64>,
    /// Phase of the antinode velocity against the force into the conductor,
    /// degrees, folded into −90…90.
    pub drive_phase_deg: Option<f64>,
    /// The drive signal, V peak, at the window's centre; `None` where the channel shows
    /// nothing.
    pub signal_v: Option<Complex64>,
    /// Antinode velocity over drive signal, (m/s)/V.
    pub by_signal: Option<Complex64>,
    /// The tone of each channel of the source, in the order of its plan.
    pub channels: Vec<ChannelTone>,
}

impl HopEstimate {
    /// How hard the span is driven: the drive force, N; the antinode's velocity, m/s, where
    /// there is no force channel.
    pub fn level(&self) -> f64 {
        self.force_n.unwrap_or(self.antinode_m_s)
    }

    /// From a frame; `None` where no tone stands out or no antinode is known.
    pub fn new(channels: &ChannelMap, frame: &ToneFrame) -> Option<Self> {
        let frequency_hz = frame.frequency_hz?;
        let (index, quantity) = channels.antinode?;
        let antinode = frame.channels.get(index)?;
        let antinode_velocity = velocity_m_s(quantity, antinode.amplitude, frequency_hz);
        let modulus = maths::modulus(antinode_velocity);
        if modulus <= 0.0 || !modulus.is_finite() {
            return None;
        }
        let ratio = channels.node.and_then(|(index, quantity)| {
            let node = frame.channels.get(index)?;
            Some(velocity_m_s(quantity, node.amplitude, frequency_hz) / antinode_velocity)
        });
        let force: Option<&ChannelTone> =
            channels.force.and_then(|index| frame.channels.get(index));
        let phasor = |index: usize| Some(frame.channels.get(index)?.amplitude);
        let conductor_force_n = channels
            .conductor_force_n(frequency_hz, phasor)
            .filter(|force_n| force_n.norm_sqr() > 0.0);
        let signal_v = channels
            .signal
            .and_then(|index| frame.channels.get(index))
            .filter(|signal| maths::modulus(signal.amplitude) > SHOWS * signal.amplitude_u)
            .map(|signal| signal.amplitude);
        Some(Self {
            hop: frame.hop,
            end_s: frame.end_s,
            frequency_hz,
            frequency_u_hz: frame.frequency_u_hz,
            antinode_m_s: modulus,
            antinode_u_rel: antinode.amplitude_u / maths::modulus(antinode.amplitude),
            ratio,
            force_n: force.map(|force| maths::modulus(force.amplitude)),
            drive_phase_deg: conductor_force_n.map(|force_n| {
                fold_half_turn_deg(maths::argument(antinode_velocity / force_n).to_degrees())
            }),
            signal_v,
            by_signal: signal_v.map(|signal_v| antinode_velocity / signal_v),
            channels: frame.channels.clone(),
        })
    }

    /// The inverse standing wave ratio of this hop: the part of the node
    /// motion in quadrature with the antinode (design, 7.3).
    pub fn iswr(&self) -> Option<f64> {
        self.ratio.map(|ratio| ratio.im.abs())
    }
}

/// Median of some values; `None` of none.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted = finite(values);
    if sorted.is_empty() {
        return None;
    }
    let middle = sorted.len() / 2;
    let (_, value, _) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*value)
}

/// Those that are numbers, in memory that is taken once.
fn finite(values: impl Iterator<Item = f64>) -> Vec<f64> {
    let mut finite = Vec::with_capacity(values.size_hint().1.unwrap_or_default());
    finite.extend(values.filter(|value| value.is_finite()));
    finite
}

/// [`median`] of values that come and go one by one, which are kept in order.
#[derive(Debug, Clone, Default)]
pub struct RunningMedian {
    sorted: Vec<f64>,
}

impl RunningMedian {
    /// Takes a value.
    pub fn add(&mut self, value: f64) {
        if value.is_finite() {
            let less = |other: &f64| other.total_cmp(&value).is_lt();
            let place = self.sorted.partition_point(less);
            self.sorted.insert(place, value);
        }
    }

    /// Forgets a value that was added.
    pub fn remove(&mut self, value: f64) {
        let found = self
            .sorted
            .binary_search_by(|other| other.total_cmp(&value));
        if let Ok(place) = found {
            self.sorted.remove(place);
        }
    }

    /// The median of those that are left; `None` of none.
    pub fn value(&self) -> Option<f64> {
        self.sorted.get(self.sorted.len() / 2).copied()
    }
}

/// Between what the median of a series stays while a few more values come to its end, and as
/// many or fewer leave its beginning.
#[derive(Debug, Clone, Copy)]
pub struct MedianBounds {
    /// The median as it is.
    pub median: f64,
    /// What it is not below, and not above.
    pub bounds: [f64; 2],
    /// So many values.
    pub more: usize,
}

/// Values for which [`MedianBounds`] are told at most.
const BOUNDED_VALUES: usize = 16;

impl MedianBounds {
    /// Of some values; `None` of none.
    pub fn new(values: impl Iterator<Item = f64>) -> Option<Self> {
        let mut sorted = finite(values);
        // A value more or less moves the place of the median by one at most.
        let more = BOUNDED_VALUES.min(sorted.len() / 4);
        let middle = sorted.len() / 2;
        if sorted.is_empty() {
            return None;
        }
        let (below, median, above) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
        let median = *median;
        let mut bounds = [median; 2];
        if let (Some(place), Some(next)) = (middle.checked_sub(more), more.checked_sub(1)) {
            let (_, low, _) = below.select_nth_unstable_by(place, f64::total_cmp);
            let (_, high, _) = above.select_nth_unstable_by(next, f64::total_cmp);
            bounds = [*low, *high];
        }
        Some(Self {
            median,
            bounds,
            more,
        })
    }
}

/// Median of the frequency of some hops, Hz.
pub fn median_frequency_hz(hops: &[HopEstimate]) -> Option<f64> {
    median(hops.iter().map(|hop| hop.frequency_hz))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::VecDeque;

    /// What is kept in order has the same median as what is sorted anew, zeros of either sign,
    /// equal values and what is no number included.
    #[test]
    fn a_running_median_is_the_median() {
        let mut state = 1_u64;
        let mut random = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            match state >> 60 {
                0 => f64::NAN,
                1 => f64::INFINITY,
                2 => -0.0,
                3 => 0.0,
                4 => 1.0,
                _ => (state >> 40) as f64 - 8e6,
            }
        };
        let (mut values, mut running) = (VecDeque::new(), RunningMedian::default());
        for i in 0..2000 {
            // Longer and shorter by turns.
            if i % 200 < 100 || values.is_empty() {
                values.push_back(random());
                running.add(values[values.len() - 1]);
            }
            if i % 3 == 0 || i % 200 >= 100 {
                running.remove(values.pop_front().unwrap());
            }
            let expected = median(values.iter().copied());
            assert_eq!(
                running.value().map(f64::to_bits),
                expected.map(f64::to_bits)
            );
        }
    }

    /// The bounds hold for as many values as they say, whatever comes and goes.
    #[test]
    fn the_median_stays_within_its_bounds() {
        let mut state = 1_u64;
        let mut random = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64
        };
        for count in 1..90_usize {
            let mut values: VecDeque<f64> = (0..count).map(|_| random()).collect();
            let found = MedianBounds::new(values.iter().copied()).unwrap();
            let median = median(values.iter().copied()).unwrap();
            assert_eq!(found.median.to_bits(), median.to_bits());
            assert_eq!(found.more, (count / 4).min(16));
            let ([low, high], off) = (found.bounds, random() - 8e6);
            for more in 0..found.more {
                // All from one side, or from either.
                values.push_back(random() + if count % 3 == 0 { 1e9 } else { off });
                if (more + count).is_multiple_of(2) {
                    values.pop_front();
                }
                let now = super::median(values.iter().copied()).unwrap();
                assert!(
                    (low..=high).contains(&now),
                    "{count} {more}: {now} {found:?}"
                );
            }
        }
        assert!(MedianBounds::new(std::iter::empty()).is_none());
    }
}
