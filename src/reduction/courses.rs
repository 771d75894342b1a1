//! How the readings of a hold went: what of their trends goes into the
//! uncertainty, and which of them were too unsteady to be a value.
//!
//! In: the fits of a hold with the course of every channel. Out: causes of
//! uncertainty, and reasons for values that are absent. Pure.

use super::fitted_channel::{FittedChannel, Parts, sensor_of};
use super::uncertainty::{Cause, InputPhasor};
use crate::maths;
use crate::resonance::ring_up::TransientLeft;
use crate::resonance::steadiness::{Reading, Steadiness, ratio_course};
use crate::setup::{Quantity, Role};
use crate::tone::interval::IntervalTone;

/// Change of force, drive motion or strain against the antinode beyond which its
/// mean is no value. At the limit of the drive phase, 20 degrees, the force of a
/// dwell whose detuning drifts by its limit of 0.1 bandwidths changes by 7 %.
const UNSTEADY: f64 = 0.08;

/// The channels of a hold against its antinode.
pub(super) struct Courses<'a> {
    antinode: &'a FittedChannel<'a>,
    frequency_hz: f64,
    /// Relative standard uncertainty that all readings share: the trend of the
    /// antinode's motion.
    level_u: f64,
    /// The source of the antinode; channels of others have another grid of hops.
    source: usize,
}

impl<'a> Courses<'a> {
    /// `transient`: what is left of one in the hold, which is counted by itself
    /// and taken off the trend.
    pub(super) fn new(
        interval: &IntervalTone,
        antinode: &'a FittedChannel<'a>,
        transient: Option<TransientLeft>,
    ) -> Self {
        let own = match transient {
            Some(transient) => transient.trend_u,
            None => own_course(antinode).map_or(0.0, |steady| steady.trend_standard_u()),
        };
        Self {
            antinode,
            frequency_hz: interval.frequency_hz,
            level_u: own,
            source: antinode.channel.source,
        }
    }

    /// What the readings changed during the hold, as causes of uncertainty:
    /// together, and each against the antinode.
    pub(super) fn causes(&self, fits: &[FittedChannel], parts: &Parts) -> Vec<Cause> {
        let mut together = Vec::new();
        let mut causes = Vec::new();
        for fit in fits {
            // What fixed sensors changed by is in the antinode and the node that are read by
            // them.
            let Some(sensor) =
                sensor_of(fit, parts).filter(|sensor| !matches!(sensor, InputPhasor::Wave(_)))
            else {
                continue;
            };
            together.push(sensor);
            if sensor == InputPhasor::Antinode {
                continue;
            }
            let standard_u = self
                .course(fit)
                .map_or(0.0, |steady| steady.trend_standard_u());
            if standard_u > 0.0 {
                causes.push(Cause::Drift {
                    sensors: vec![sensor],
                    standard_u,
                });
            }
        }
        if self.level_u > 0.0 {
            causes.push(Cause::Drift {
                sensors: together,
                standard_u: self.level_u,
            });
        }
        causes
    }

    /// By how much a channel's reading changed against the antinode, %, if it
    /// was too unsteady to be a value.
    pub(super) fn unsteady_pct(&self, fit: &FittedChannel) -> Option<f64> {
        let steady = self.course(fit)?;
        let is_steady = steady.trend_within(UNSTEADY) && steady.departures_within(UNSTEADY);
        (!is_steady).then(|| 100.0 * steady.change.abs().max(steady.departure.abs()))
    }

    /// Why there is no power at the drive, if force or motion were unsteady.
    pub(super) fn unsteady_drive(&self, fits: &[FittedChannel]) -> Option<String> {
        [
            (Role::DriveForce, "force"),
            (Role::DriveMotion, "motion"),
        ]
        .iter()
        .find_map(|(role, name)| {
            let fit = fits.iter().find(|fit| fit.channel.role == *role)?;
            let change_pct = self.unsteady_pct(fit)?;
            Some(format!(
                "no power at the drive: the drive {name} changed by {change_pct:.0} % during the hold while the span moved evenly; look at its sensor and cable"
            ))
        })
    }

    /// Of the node the quadrature part, of which the ratio is made; of the others
    /// the size. Relative; `None` without a course.
    fn course(&self, fit: &FittedChannel) -> Option<Steadiness> {
        if fit.channel.source != self.source {
            return own_course(fit);
        }
        let (ratios, noise_u) =
            ratio_course(reading(fit), reading(self.antinode), self.frequency_hz);
        let values: Vec<f64> = ratios
            .iter()
            .map(|ratio| match fit.channel.role {
                Role::Node => ratio.im,
                _ => maths::modulus(*ratio),
            })
            .collect();
        let steady = Steadiness::new(&values, noise_u)?;
        (steady.mean != 0.0).then(|| steady.relative())
    }
}

fn reading<'a>(fit: &FittedChannel<'a>) -> Reading<'a> {
    let quantity: Quantity = fit.channel.unit.quantity();
    (fit.fit, quantity)
}

/// A channel's size by itself, relative.
fn own_course(fit: &FittedChannel) -> Option<Steadiness> {
    let sizes: Vec<f64> = fit.fit.course.iter().map(|p| maths::modulus(*p)).collect();
    let steady = Steadiness::new(&sizes, fit.fit.course_u)?;
    (steady.mean != 0.0).then(|| steady.relative())
}
