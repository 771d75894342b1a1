//! What the way to a dwell tells of the peak: hops before it and of it, in which the
//! frequency may have gone over the resonance.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::super::hop_estimate::{HopEstimate, median, median_frequency_hz};
use super::super::phasor::fold_half_turn_rad;
use super::super::signal_phase::PeakPhase;
use super::Tracker;
use crate::maths;
use crate::tone::swept_response::swept_response;

/// How far the frequency has to have gone before a fit of the passage is worth
/// it, bandwidths, and how far from the held one a hop may be.
const LEAST_RANGE: f64 = 0.3;
const FARTHEST: f64 = 4.0;
/// Most hops that are fitted, five minutes, and of the hold itself.
const MOST_HOPS: usize = 1200;
const MOST_HOLD_HOPS: usize = 16;
/// Standard uncertainty of a known angle that needs no better one, rad.
const GOOD_U_RAD: f64 = 0.03;

/// What a hop tells of a passage over the peak.
#[derive(Debug, Clone, Copy)]
pub(super) struct ApproachHop {
    hop: u64,
    frequency_hz: f64,
    frequency_u_hz: f64,
    antinode_m_s: f64,
    signal_v: Option<Complex64>,
    by_signal: Option<Complex64>,
}

impl ApproachHop {
    pub(super) fn of(hop: &HopEstimate) -> Self {
        Self {
            hop: hop.hop,
            frequency_hz: hop.frequency_hz,
            frequency_u_hz: hop.frequency_u_hz,
            antinode_m_s: hop.antinode_m_s,
            signal_v: hop.signal_v,
            by_signal: hop.by_signal,
        }
    }
}

impl Tracker {
    /// Whether the approach went over the peak: on both sides of the held
    /// frequency, 0.3 to 2 bandwidths away, the span moved less, as the
    /// resonance curve has it, and nowhere did it move more. The span traces
    /// that curve only if it has a time constant for each side; hops in which
    /// an old motion blurs the frequency tell nothing.
    pub(super) fn passed_the_peak(&self, hops: &[HopEstimate]) -> bool {
        let (Some(held_hz), Some(held_m_s), Some(bandwidth)) = (
            median_frequency_hz(hops),
            median(hops.iter().map(|hop| hop.antinode_m_s)),
            self.bandwidth_hz(hops),
        ) else {
            return false;
        };
        // At 0.3 bandwidths the curve is down to 1/sqrt(1 + 0.6²) = 0.86.
        let mut below = 0;
        let mut above = 0;
        // Within a bare span's band the drive is moved without a dwell's end.
        let own = self.dwell.iter().map(ApproachHop::of);
        for hop in self.approach.iter().copied().chain(own) {
            let detuning = (hop.frequency_hz - held_hz) / bandwidth;
            if detuning.abs() > 2.0 || hop.frequency_u_hz > 0.1 * bandwidth {
                continue;
            }
            if hop.antinode_m_s > 1.03 * held_m_s {
                return false;
            }
            if hop.antinode_m_s < 0.93 * held_m_s {
                below += usize::from(detuning < -0.3);
                above += usize::from(detuning > 0.3);
            }
        }
        let constant = (1.0 / (PI * bandwidth) / self.plan.hop_seconds()).ceil() as usize;
        let least = constant.max(self.plan.window_hops);
        below >= least && above >= least
    }

    /// Learns from a passage to the hold `first..last` of the dwell at which angle
    /// the antinode's velocity stands to the drive signal at the peak.
    pub(super) fn learn_from_passage(&mut self, first: usize, last: usize) {
        if let Some(phase) = self.phase_by_passage(first, last) {
            self.phases.enter(phase);
        }
    }

    fn phase_by_passage(&self, first: usize, last: usize) -> Option<PeakPhase> {
        self.channels.signal?;
        let hold = self.dwell.get(first..last)?;
        let (held_hz, bandwidth_hz) = (median_frequency_hz(hold)?, self.bandwidth_hz(hold)?);
        let known = self.phases.at(held_hz);
        if known.is_some_and(|known| known.angle_u_rad <= GOOD_U_RAD) {
            return None;
        }
        let until = last.min(first + MOST_HOLD_HOPS);
        let own = self.dwell.get(..until)?.iter().map(ApproachHop::of);
        let all: Vec<ApproachHop> = self.approach.iter().copied().chain(own).collect();
        // The hops without a break up to the hold.
        let mut next = all.last()?.hop + 1;
        let mut run: Vec<(Complex64, Complex64, f64)> = Vec::new();
        for hop in all.iter().rev().take(MOST_HOPS) {
            let (Some(response), Some(signal_v)) = (hop.by_signal, hop.signal_v) else {
                break;
            };
            let off_hz = (hop.frequency_hz - held_hz).abs();
            if hop.hop + 1 != next || off_hz > FARTHEST * bandwidth_hz {
                break;
            }
            next = hop.hop;
            run.push((response, signal_v, hop.frequency_hz));
        }
        run.reverse();
        let hop_s = self.plan.hop_seconds();
        // How far the signal has turned from one hop to the next tells its
        // frequency, however the span still rings at another.
        let drive_hz: Vec<f64> = run
            .windows(2)
            .filter_map(|pair| {
                let [(_, before, near_hz), (_, now, _)] = pair else {
                    return None;
                };
                let turned = maths::argument(now / before) - TAU * near_hz * hop_s;
                let beyond = turned - TAU * (turned / TAU).round();
                Some(near_hz + beyond / (TAU * hop_s))
            })
            .collect();
        let low_hz = drive_hz.iter().copied().fold(f64::INFINITY, f64::min);
        let high_hz = drive_hz.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if high_hz - low_hz < LEAST_RANGE * bandwidth_hz {
            return None;
        }
        let responses: Vec<Complex64> = run.iter().map(|(response, ..)| *response).collect();
        let shared = self.plan.window_hops as f64;
        let found = swept_response(&responses, &drive_hz, hop_s, bandwidth_hz, shared)?;
        let inside = (low_hz..=high_hz).contains(&found.frequency_hz);
        let phase = PeakPhase::of_passage(&found, self.spacing_hz(held_hz))?;
        // A resonance beyond the passage is told by its flank alone.
        let turned = responses
            .iter()
            .map(|response| fold_half_turn_rad(maths::argument(*response) - phase.angle_rad))
            .fold(0.0_f64, |most, angle| most.max(angle.abs()));
        (inside && turned > LEAST_RANGE).then_some(phase)
    }
}
