//! A stretch of hops under judgement, and the quantities that several criteria
//! ask for.

use super::channel_map::ChannelMap;
use super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::phasor::{fold_half_turn_deg, velocity_m_s};
use crate::maths;
use crate::setup::{Quantity, Setup};
use crate::tone::TonePlan;
use crate::tone::interval::{IntervalChannel, IntervalTone};

/// A band narrower than this, Hz, is a bare span's: a change of tension by a
/// thousandth carries a resonance at 20 Hz through half of it.
const NARROW_HZ: f64 = 0.02;

/// A stretch of hops under judgement.
pub struct Stretch<'a> {
    /// Setup with the rules.
    pub setup: &'a Setup,
    /// Plan of the source.
    pub plan: &'a TonePlan,
    /// Which entry of a frame belongs to which role.
    pub channels: &'a ChannelMap,
    /// The hops in order, none missing.
    pub hops: &'a [HopEstimate],
    /// The fit over all their samples.
    pub interval: Option<&'a IntervalTone>,
    /// Half-power bandwidth, Hz.
    pub bandwidth_hz: Option<f64>,
    /// Seconds since frequency or level last changed before the stretch.
    pub waited_s: f64,
}

impl Stretch<'_> {
    /// Shortest length that counts, s.
    pub fn least_seconds(setup: &Setup, frequency_hz: f64) -> f64 {
        setup
            .hold
            .min_seconds
            .max(setup.hold.min_cycles / frequency_hz)
    }

    pub(super) fn seconds(&self) -> f64 {
        self.hops.len() as f64 * self.plan.hop_seconds()
    }

    pub(super) fn frequency_hz(&self) -> f64 {
        median_frequency_hz(self.hops).unwrap_or_default()
    }

    /// What the fit over the whole stretch found at the antinode.
    pub(super) fn antinode(&self) -> Option<&IntervalChannel> {
        self.interval?.channels.get(self.channels.antinode?.0)
    }

    /// Antinode velocity of each hop, m/s peak.
    pub(super) fn envelope(&self) -> Vec<f64> {
        self.hops.iter().map(|hop| hop.antinode_m_s).collect()
    }

    /// Standard uncertainty of one hop's antinode amplitude, %.
    pub(super) fn noise_pct(&self) -> f64 {
        100.0 * median(self.hops.iter().map(|hop| hop.antinode_u_rel)).unwrap_or_default()
    }

    /// What to add where a band is so narrow that the span drifts through it by
    /// itself: f goes with the square root of the tension.
    pub(super) fn narrow_band(&self) -> String {
        match self.bandwidth_hz {
            Some(df) if df < NARROW_HZ => format!(
                "; the band is {:.1} mHz wide and moves by its own width when the tension changes by {:.3} %",
                1e3 * df,
                200.0 * df / self.frequency_hz().max(df)
            ),
            _ => String::new(),
        }
    }

    /// |sin(k x_drive)|: 0 where the drive sits on a node of its own.
    pub(super) fn drive_sine(&self) -> Option<f64> {
        let drive_m = self.setup.span.drive_position_m?;
        let wave_number = self
            .setup
            .strung_conductor()
            .wave_number_per_m(self.frequency_hz());
        Some(maths::sin(wave_number * drive_m).abs())
    }

    /// Whether the drive phase tells how far the peak is.
    pub(super) fn phase_is_evidence(&self) -> bool {
        self.channels.force.is_some()
            && self
                .drive_sine()
                .is_none_or(|sine| sine >= self.setup.hold.drive_node_sine)
    }

    /// Phase of the antinode velocity against the drive force over the whole
    /// stretch, degrees, folded into −90…90; before the stretch is fitted, the
    /// median of its hops.
    pub fn drive_phase_deg(&self) -> Option<f64> {
        let Some(interval) = self.interval else {
            return median(self.hops.iter().filter_map(|hop| hop.drive_phase_deg));
        };
        let (_, quantity) = self.channels.antinode?;
        let antinode = self.antinode()?.phasor.value;
        let force = interval.channels.get(self.channels.force?)?.phasor.value;
        let velocity = velocity_m_s(quantity, antinode, interval.frequency_hz);
        Some(fold_half_turn_deg(
            maths::argument(velocity / force).to_degrees(),
        ))
    }

    /// What impulses and high orders of a sensor are compared with: its own
    /// amplitude, or a tenth of the antinode's where that is more (a node's
    /// amplitude may be next to nothing).
    pub(super) fn rattle_reference(
        &self,
        own: f64,
        quantity: Quantity,
        amplitude: impl Fn(usize) -> Option<f64>,
    ) -> f64 {
        match self.channels.antinode {
            Some((index, antinode_quantity)) if antinode_quantity == quantity => {
                amplitude(index).map_or(own, |antinode| own.max(0.1 * antinode))
            }
            _ => own,
        }
    }
}
