//! What one hop says of the readings that numbers rest on. Pure.

use super::super::super::channel_map::ChannelMap;
use super::super::super::hop_estimate::HopEstimate;
use super::Sign;
use crate::maths;
use crate::tone::ChannelTone;

/// Signs whose departures from the beginning are followed, in the order of
/// [`Readings::values`].
pub(super) const FOLLOWED: [Sign; 8] = [
    Sign::Antinode,
    Sign::Node,
    Sign::Place,
    Sign::Force,
    Sign::Frequency,
    Sign::AntinodeOrders,
    Sign::NodeOrders,
    Sign::ForceOrders,
];

/// What one hop says.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Readings {
    /// One a sign that is followed: antinode velocity m/s, quadrature and in-phase
    /// part of the node over the antinode, drive force over antinode velocity,
    /// frequency Hz, and orders over each channel's reference. Zero where there is
    /// no such channel.
    pub(super) values: [f64; FOLLOWED.len()],
    /// Residuals of antinode and node over their references.
    pub(super) residuals: [f64; 2],
    pub(super) clipped: bool,
}

/// A channel's tone and what it is compared with.
type Sensor<'a> = Option<(&'a ChannelTone, f64)>;

impl Readings {
    pub(super) fn new(channels: &ChannelMap, hop: &HopEstimate) -> Self {
        let tone = |index: usize| hop.channels.get(index);
        let amplitude = |index: usize| Some(maths::modulus(tone(index)?.amplitude));
        let antinode = channels
            .antinode
            .and_then(|(index, _)| Some((tone(index)?, amplitude(index)?)));
        let node = channels.node.and_then(|(index, quantity)| {
            let own = amplitude(index)?;
            Some((
                tone(index)?,
                channels.rattle_reference(own, quantity, amplitude),
            ))
        });
        let force = channels
            .force
            .and_then(|index| Some((tone(index)?, amplitude(index)?)));
        let over = |size: f64, reference: f64| {
            if reference > 0.0 {
                size / reference
            } else {
                0.0
            }
        };
        let orders = |sensor: Sensor| {
            sensor.map_or(0.0, |(tone, reference)| {
                over(tone.distortion * maths::modulus(tone.amplitude), reference)
            })
        };
        let residual = |sensor: Sensor| {
            sensor.map_or(0.0, |(tone, reference)| over(tone.residual_rms, reference))
        };
        let ratio = hop.ratio.unwrap_or_default();
        Self {
            values: [
                hop.antinode_m_s,
                ratio.im,
                ratio.re,
                hop.force_n
                    .map_or(0.0, |force_n| force_n / hop.antinode_m_s),
                hop.frequency_hz,
                orders(antinode),
                orders(node),
                orders(force),
            ],
            residuals: [residual(antinode), residual(node)],
            clipped: channels
                .judged()
                .filter_map(|(index, _)| tone(index))
                .any(|tone| tone.clipped > 0),
        }
    }

    /// The value that belongs to a sign.
    pub(super) fn of(&self, sign: Sign) -> f64 {
        match sign {
            Sign::AntinodeNoise => self.residuals[0],
            Sign::NodeNoise => self.residuals[1],
            Sign::Clipping => f64::from(u8::from(self.clipped)),
            followed => FOLLOWED
                .iter()
                .zip(self.values)
                .find(|(sign, _)| **sign == followed)
                .map_or(0.0, |(_, value)| value),
        }
    }
}
