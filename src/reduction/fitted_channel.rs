//! What a fit found, joined to the setup's channels.

use super::uncertainty::InputPhasor;
use crate::resonance::standing_wave::matched;
use crate::setup::{Channel, RelativeResponse, Role, Setup};
use crate::tone::TonePlan;
use crate::tone::interval::{IntervalChannel, IntervalTone};

/// A channel's part in the point: the setup's channel, what the fit found, and
/// how many samples of the hold were clipped.
#[derive(Debug, Clone, Copy)]
pub struct FittedChannel<'a> {
    /// The channel of the setup.
    pub channel: &'a Channel,
    /// What the fit found.
    pub fit: &'a IntervalChannel,
    /// Clipped raw samples within the hold.
    pub clipped: u64,
    /// Raw samples within the hold that have no value.
    pub missing: u64,
    /// Mains hum that other holds of the run showed on the channel: nominal
    /// frequency in Hz and peak in SI.
    pub hum: &'a [(f64, f64)],
}

/// Joins a fit to the setup's channels. `counts` are the clipped samples and
/// those without a value, by place in the plan.
pub fn fitted_channels<'a>(
    setup: &'a Setup,
    plan: &TonePlan,
    interval: &'a IntervalTone,
    counts: [&[u64]; 2],
) -> Vec<FittedChannel<'a>> {
    plan.channels
        .iter()
        .zip(&interval.channels)
        .enumerate()
        .filter_map(|(place, (planned, fit))| {
            let count = |counts: &[u64]| counts.get(place).copied().unwrap_or_default();
            Some(FittedChannel {
                channel: setup.channels.get(planned.setup_index)?,
                fit,
                clipped: count(counts[0]),
                missing: count(counts[1]),
                hum: &[],
            })
        })
        .collect()
}

/// The channels of which a point may have several.
#[derive(Debug)]
pub(super) struct Parts<'a> {
    /// The strain gauges.
    pub(super) gauges: Vec<&'a FittedChannel<'a>>,
    /// The fixed sensors that antinode and node are read by; none where they have
    /// sensors of their own.
    pub(super) fixed: Vec<&'a FittedChannel<'a>>,
}

impl<'a> Parts<'a> {
    pub(super) fn of(fits: &'a [FittedChannel<'a>]) -> Self {
        let is_fixed = fits.iter().any(|fit| fit.channel.is_worked_out());
        let of = |is_part: fn(Role) -> bool| {
            let fits = fits.iter();
            fits.filter(|fit| is_part(fit.channel.role)).collect()
        };
        Self {
            gauges: of(Role::is_clamp_strain),
            fixed: if is_fixed {
                of(|role| role == Role::Wave)
            } else {
                Vec::new()
            },
        }
    }

    /// What a fixed sensor was matched to differ from the others by.
    pub(super) fn matched(
        &self,
        sensor: InputPhasor,
        setup: &Setup,
        frequency_hz: f64,
    ) -> Option<RelativeResponse> {
        let InputPhasor::Wave(number) = sensor else {
            return None;
        };
        matched(setup, self.fixed.get(number)?.channel, frequency_hz)
    }
}

fn place_of(fit: &FittedChannel, among: &[&FittedChannel]) -> Option<usize> {
    let same = |other: &&FittedChannel| other.channel.name == fit.channel.name;
    among.iter().position(same)
}

/// The input phasor that a channel's fit is; `None` where nothing is computed
/// from it.
pub(super) fn sensor_of(fit: &FittedChannel, parts: &Parts) -> Option<InputPhasor> {
    match fit.channel.role {
        Role::Antinode => Some(InputPhasor::Antinode),
        Role::Node => Some(InputPhasor::Node),
        Role::DriveForce => Some(InputPhasor::Force),
        Role::DriveMotion => Some(InputPhasor::DriveMotion),
        Role::ClampStrain { .. } => place_of(fit, &parts.gauges).map(InputPhasor::Strain),
        Role::Wave => place_of(fit, &parts.fixed).map(InputPhasor::Wave),
        Role::DriveSignal | Role::Tension | Role::Monitor => None,
    }
}
