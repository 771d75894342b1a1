//! The transient before a hold: the span's free response while the drive's
//! frequency stands still. Pure.
//!
//! In: the samples from the last change of frequency or level on. Out: natural
//! frequency and bandwidth, where the fit can be trusted.

use std::ops::Range;

use super::channel_map::ChannelMap;
use super::hold_samples::HoldSamples;
use crate::tone::TonePlan;
use crate::tone::free_response::{FreeResponse, free_response};

/// How long after the change the fit may begin, s: while frequency or level are
/// still being set the model is not the right one. The first that fits counts.
const STARTS_S: [f64; 4] = [0.25, 1.25, 2.5, 4.0];
/// Longest stretch that is fitted, s: more would only cost time.
const LONGEST_S: f64 = 40.0;
/// Largest standard uncertainty of the bandwidth, over the bandwidth.
const LARGEST_U: f64 = 0.1;
/// Farthest that the resonance may be from the drive, bandwidths: what is
/// farther away is another one's.
const FARTHEST_BANDWIDTHS: f64 = 2.0;
/// What the model may leave at the start, over the transient itself; less than
/// twice what it leaves at the end is noise.
const LARGEST_REST: f64 = 0.05;

/// The free response within the hops `hops`, the drive being at `drive_hz`.
pub(super) fn before_hold(
    samples: &HoldSamples,
    plan: &TonePlan,
    channels: &ChannelMap,
    hops: &Range<u64>,
    drive_hz: f64,
) -> Option<FreeResponse> {
    let (antinode, _) = channels.antinode?;
    let in_hops = |seconds: f64| (seconds / plan.hop_seconds()).round() as u64;
    STARTS_S.iter().find_map(|start_s| {
        let start = hops.start + in_hops(*start_s);
        let end = hops.end.min(start + in_hops(LONGEST_S));
        let row = |channel| samples.channel_by_hops(channel, &(start..end));
        let force = match channels.force {
            Some(force) => Some(row(force)?),
            None => None,
        };
        let found = free_response(
            &row(antinode)?,
            force.as_deref(),
            plan.decimated_rate_hz(),
            drive_hz,
        )?;
        is_trusted(&found, drive_hz).then_some(found)
    })
}

fn is_trusted(found: &FreeResponse, drive_hz: f64) -> bool {
    let distance_hz = (found.frequency_hz - drive_hz).abs();
    found.bandwidth_hz > 0.0
        && found.bandwidth_u_hz <= LARGEST_U * found.bandwidth_hz
        && distance_hz <= FARTHEST_BANDWIDTHS * found.bandwidth_hz
        && found.early_rest <= (2.0 * found.late_rest).max(LARGEST_REST * found.amplitude)
}
