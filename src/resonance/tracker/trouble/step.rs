//! A sharp step of the node reading, wherever in a dwell: ring-up moves it too, but
//! not within a second. Pure.

use super::super::super::channel_map::ChannelMap;
use super::super::super::hop_estimate::{HopEstimate, median};
use super::{ONSET_HOPS, median_u, node_u};
use crate::maths;

/// Hops on each side of a step of the node reading.
const STEP_SIDE_HOPS: usize = 8;
/// A step of the node reading is at least this large, relative.
const LEAST_STEP: f64 = 0.04;

/// A step of the node reading: the hop it came with and its size, relative to
/// the reading before it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in super::super) struct NodeStep {
    pub(in super::super) hop: usize,
    pub(in super::super) change: f64,
}

/// The first sharp step of the node reading, if the reading at the end of the
/// hops is still another one than before it. In ring-up the reading moves too,
/// but no faster within a second than before and after it.
pub(in super::super) fn node_step(channels: &ChannelMap, hops: &[HopEstimate]) -> Option<NodeStep> {
    let readings: Vec<f64> = hops
        .iter()
        .map(|hop| hop.ratio.map(|ratio| ratio.im))
        .collect::<Option<_>>()?;
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
    // While the drive comes up the motion is small, and its noise large beside it.
    let noise = |from: usize| {
        let some = hops.get(from..from + STEP_SIDE_HOPS).unwrap_or_default();
        median_u(some, |hop| Some(node_u(channels, hop)))
    };
    let mut first: Option<(usize, f64)> = None;
    for at in STEP_SIDE_HOPS..readings.len() {
        let Some((after, after_scatter)) = side(at + ONSET_HOPS) else {
            break;
        };
        let (before, before_scatter) = side(at - STEP_SIDE_HOPS)?;
        let step = (after - before).abs();
        let least = LEAST_STEP * before.abs().max(after.abs());
        // Seldom is the noise worth a look.
        if step < least {
            continue;
        }
        let noise = noise(at - STEP_SIDE_HOPS).max(noise(at + ONSET_HOPS));
        let is_large = step >= least + 6.0 * noise;
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
    let noise = noise(hop - STEP_SIDE_HOPS).max(noise(readings.len() - STEP_SIDE_HOPS));
    let lasts = (last - before).abs() >= 0.5 * LEAST_STEP * before.abs() + 3.0 * noise;
    lasts.then_some(NodeStep { hop, change })
}

#[cfg(test)]
mod tests {
    use super::super::tests::hops;
    use super::*;

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
