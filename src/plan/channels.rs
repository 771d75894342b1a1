//! What each channel will see, and whether range, resolution and rate suffice.
//!
//! In: the setup and the planned harmonics. Out: one [`ChannelOutlook`] a
//! channel. Pure.

use std::f64::consts::TAU;

use serde::Serialize;

use super::{Assumptions, PlannedHarmonic};
use crate::maths;
use crate::setup::{Channel, Protocol, Quantity, RoleKind, SensorPlace, Setup, SourceKind};
use crate::span::StrungConductor;

/// Full scale over the largest expected peak should be at least this: room
/// for the level tolerance, distortion and the overshoot of a transient.
const LEAST_RANGE_MARGIN: f64 = 1.5;

/// Quantisation should stay this far below the least signal-to-noise ratio
/// that a hold needs, dB, so that it is not what decides.
const QUANTISATION_RESERVE_DB: f64 = 20.0;

/// The distortion check needs this harmonic of the drive below 0.4 of the rate.
const HIGHEST_OVERTONE: f64 = 3.0;
const USABLE_PART_OF_RATE: f64 = 0.4;

/// What one channel will see over the planned harmonics. Peak values in the
/// channel's own unit; `None` where the setup does not say enough.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[allow(
    missing_docs,
    reason = "each field's name carries its meaning; units are the channel's"
)]
pub struct ChannelOutlook {
    pub name: String,
    pub role: RoleKind,
    pub unit: crate::setup::Unit,
    pub full_scale: f64,
    pub largest_peak: Option<f64>,
    pub largest_at_hz: Option<f64>,
    pub smallest_peak: Option<f64>,
    pub smallest_at_hz: Option<f64>,
    /// Full scale over the largest expected peak.
    pub range_margin: Option<f64>,
    pub range_suffices: Option<bool>,
    /// Signal over quantisation noise at the smallest expected peak.
    pub quantisation_snr_db: Option<f64>,
    pub resolution_suffices: Option<bool>,
    pub rate_hz: Option<f64>,
    /// Samples a cycle at the top of the sweep; `None` for a slow value, in which no
    /// tone is measured: any rate suffices for that.
    pub samples_per_cycle: Option<f64>,
    pub rate_suffices: Option<bool>,
}

impl ChannelOutlook {
    pub(super) fn all(
        setup: &Setup,
        span: &StrungConductor,
        assumed: Assumptions,
        harmonics: &[PlannedHarmonic],
    ) -> Vec<Self> {
        setup
            .channels
            .iter()
            .map(|channel| Self::of(setup, span, assumed, harmonics, channel))
            .collect()
    }

    fn of(
        setup: &Setup,
        span: &StrungConductor,
        assumed: Assumptions,
        harmonics: &[PlannedHarmonic],
        channel: &Channel,
    ) -> Self {
        let seen = || {
            harmonics.iter().filter_map(|h| {
                expected_peak(setup, span, channel, h).map(|peak| (peak, h.frequency_hz))
            })
        };
        let largest = seen().max_by(|a, b| a.0.total_cmp(&b.0));
        let smallest = seen().min_by(|a, b| a.0.total_cmp(&b.0));
        let source = setup.sources.get(channel.source);
        // For text lines full_scale is the value of the number 1, no limit.
        let is_digital = !matches!(
            source.map(|s| &s.kind),
            Some(SourceKind::Serial {
                protocol: Protocol::Lines,
                ..
            })
        );
        let range_margin = largest
            .filter(|&(peak, _)| is_digital && peak > 0.0)
            .map(|(peak, _)| channel.full_scale.abs() / peak);
        // A wave sensor may stand at a node: no least signal is asked of it.
        let quantisation_snr_db = smallest
            .filter(|_| is_digital && channel.role.kind() != RoleKind::Wave)
            .map(|(peak, _)| quantisation_snr_db(peak, channel.full_scale, assumed));
        let rate_hz = source.and_then(|s| s.rate_hz);
        let least_snr_db = setup.hold.min_snr_db + QUANTISATION_RESERVE_DB;
        Self {
            name: channel.name.clone(),
            role: channel.role.kind(),
            unit: channel.unit,
            full_scale: channel.full_scale,
            largest_peak: largest.map(|l| l.0),
            largest_at_hz: largest.map(|l| l.1),
            smallest_peak: smallest.map(|s| s.0),
            smallest_at_hz: smallest.map(|s| s.1),
            range_margin,
            range_suffices: range_margin.map(|m| m >= LEAST_RANGE_MARGIN),
            quantisation_snr_db,
            resolution_suffices: quantisation_snr_db.map(|snr| snr >= least_snr_db),
            rate_hz,
            samples_per_cycle: rate_hz
                .filter(|_| channel.role.has_tone())
                .map(|rate| rate / setup.sweep.high_hz),
            rate_suffices: rate_hz.map(|rate| {
                let needed_hz = HIGHEST_OVERTONE * setup.sweep.high_hz / USABLE_PART_OF_RATE;
                !channel.role.has_tone() || rate >= needed_hz
            }),
        }
    }

    pub(super) fn warnings(&self, assumed: Assumptions) -> Vec<String> {
        let mut out = Vec::new();
        if let (Some(false), Some(margin)) = (self.range_suffices, self.range_margin) {
            out.push(format!(
                "channel \"{}\": full scale is {margin:.2} times the largest expected peak; \
                 {LEAST_RANGE_MARGIN} times is needed",
                self.name
            ));
        }
        if let (Some(false), Some(snr)) = (self.resolution_suffices, self.quantisation_snr_db) {
            out.push(format!(
                "channel \"{}\": at {} bits the smallest expected signal is only {snr:.0} dB \
                 above quantisation; lower full_scale or raise the gain",
                self.name, assumed.converter_bits
            ));
        }
        if let (Some(false), Some(samples)) = (self.rate_suffices, self.samples_per_cycle) {
            out.push(format!(
                "channel \"{}\": {samples:.1} samples a cycle at the top of the sweep; {} are \
                 needed to see the third harmonic of the drive",
                self.name,
                HIGHEST_OVERTONE / USABLE_PART_OF_RATE
            ));
        }
        out
    }
}

/// Signal over quantisation noise, dB: peak A against a step q gives
/// 10 log(6 A²/q²), the step's noise being q/sqrt(12) rms.
fn quantisation_snr_db(peak: f64, full_scale: f64, assumed: Assumptions) -> f64 {
    let step = full_scale.abs() / maths::powf(2f64, f64::from(assumed.converter_bits) - 1.0);
    10.0 * maths::log10(6.0 * maths::square(peak / step))
}

/// Peak that a channel will see at one harmonic, in the channel's unit.
fn expected_peak(
    setup: &Setup,
    span: &StrungConductor,
    channel: &Channel,
    harmonic: &PlannedHarmonic,
) -> Option<f64> {
    let place = channel.role.kind().row().place;
    let motion_m_s = || motion_m_s(setup, span, channel, place, harmonic);
    let omega = TAU * harmonic.frequency_hz;
    let si = match (channel.unit.quantity(), place) {
        (_, SensorPlace::Anywhere) | (Quantity::Voltage, _) => return None,
        (Quantity::Acceleration, _) => motion_m_s()? * omega,
        (Quantity::Velocity, _) => motion_m_s()?,
        (Quantity::Displacement, _) => motion_m_s()? / omega,
        (Quantity::Force, _) => harmonic.drive_force_n?,
        (Quantity::Strain, _) => harmonic.clamp_strain_pp_um_m? * 1e-6 / 2.0,
    };
    Some(si / channel.unit.to_si())
}

/// Peak velocity, m/s, where a motion channel sits.
fn motion_m_s(
    setup: &Setup,
    span: &StrungConductor,
    channel: &Channel,
    place: SensorPlace,
    harmonic: &PlannedHarmonic,
) -> Option<f64> {
    let velocity_mm_s = harmonic.antinode_velocity_mm_s;
    match place {
        SensorPlace::Antinode => Some(velocity_mm_s? * 1e-3),
        SensorPlace::Node => Some(harmonic.node_velocity_mm_s? * 1e-3),
        // Near a node of its own the drive hardly moves; nothing is expected.
        SensorPlace::DrivePoint if harmonic.drive_near_node => None,
        SensorPlace::DrivePoint => Some(velocity_mm_s? * 1e-3 * harmonic.drive_sine?),
        SensorPlace::Fixed => {
            let x = channel.position_m?;
            Some(velocity_mm_s? * 1e-3 * wave_part(setup, span, harmonic, x))
        }
        SensorPlace::Clamp | SensorPlace::Anywhere => None,
    }
}

/// |y|/Y_a at x from the drive end with the assumed node motion in quadrature.
fn wave_part(setup: &Setup, span: &StrungConductor, harmonic: &PlannedHarmonic, x: f64) -> f64 {
    let from_clamp = x.min(setup.span.length_m - x);
    let in_phase = span.motion_near_clamp(harmonic.frequency_hz, from_clamp);
    let iswr = match (harmonic.node_velocity_mm_s, harmonic.antinode_velocity_mm_s) {
        (Some(node), Some(antinode)) if antinode > 0.0 => node / antinode,
        _ => 0.0,
    };
    let quadrature_2 = iswr * iswr * (1.0 - in_phase * in_phase).max(0.0);
    (in_phase * in_phase + quadrature_2).sqrt()
}
