//! How the end of the span moves with the damper on, against the bare span.
//!
//! In: points and setup of a bare run, a damped run's point. Out: the ratio r
//! of the motion between clamp and damper over that of the bare span there, at
//! the same antinode velocity. Pure.
//!
//! The conductor between clamp and damper moves as `r sin(kx)`, x measured from
//! the clamp, where the bare span moves as `sin(kx)`. There are two ways to
//! find r:
//!
//! * From the strain at the end clamp. It is proportional to the slope there,
//!   and so to r: `r = (strain/V_a, damped) / (strain/V_a, bare)`. A gauge is
//!   compared with itself: where a run has several gauges at the end clamp, the
//!   channel names that occur in both runs give an r each, and the mean is
//!   taken. Where no name occurs in both (a gauge was replaced and named anew,
//!   for example), the mean strain of the one run is compared with that of the
//!   other, and the differences among the gauges of a run count as uncertainty.
//! * From the frequency. At resonance the drive force is in phase with the
//!   antinode's velocity; the free length behind the drive then sees a standing
//!   wave, and the nodes stand at whole half waves from the drive end's clamp,
//!   whatever the damper does. So the damper sits at the phase
//!   `theta = pi nu − beta`, where nu is the number of loops that the bare span
//!   has at that frequency, counted by the bare run's own harmonics, and
//!   `beta = k d` is the phase from the damper-end clamp. The conductor at the
//!   damper moves with `sqrt(sin² theta + S² cos² theta)` of the antinode, and
//!   r is that over `|sin beta|`.

#![expect(
    clippy::suboptimal_flops,
    reason = "written as the formulas are; nothing here is near cancellation"
)]

use std::collections::BTreeMap;
use std::f64::consts::PI;

use super::bare_readings::{AtFrequency, interpolated};
use crate::maths;
use crate::reduction::{Gauge, Measured, SettledPoint};
use crate::setup::{Setup, StrainLocation, Verdict};
use crate::span::StrungConductor;

/// Where beta is nearer to a half wave than this, rad, the damper sits by a node
/// of the length behind it, and the frequency says nothing about r.
const LEAST_FROM_NODE: f64 = 0.3;

/// Where r comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The strain at the end clamp in both runs.
    EndStrain,
    /// Frequency, place of the damper and the bare run's harmonics.
    Frequency,
}

/// How the end moves against the bare span, r.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EndMotion {
    /// r.
    pub r: Measured,
    /// What it rests on.
    pub basis: Basis,
}

/// Strain at a gauge of the end clamp over the antinode's velocity.
#[derive(Debug, Clone, Copy, PartialEq)]
struct EndStrain {
    over_velocity: f64,
    /// Relative standard uncertainty.
    relative: f64,
}

/// Name of the channel that reads a gauge of the end clamp; `None` where the
/// setup has none.
type GaugeName = Option<String>;

/// The end of the span in the bare run, and where the damper sits.
#[derive(Debug, Clone)]
pub struct SpanEnd {
    span: StrungConductor,
    damper_m: Option<f64>,
    /// Relative standard uncertainty of the wave speed between both runs.
    speed_standard_u: f64,
    /// Half of the relative standard uncertainty of EI.
    stiffness_standard_u: f64,
    /// Loops that the bare run counted less those of the formula.
    excess_loops: Vec<AtFrequency>,
    /// Name of the only gauge at the damped run's end clamp.
    only_gauge: GaugeName,
    /// Strain over antinode velocity in the bare run.
    end_strains: BTreeMap<GaugeName, Vec<AtFrequency>>,
}

impl SpanEnd {
    /// From the bare run, for points of `run`.
    pub fn of(run: &Setup, bare: &Setup, points: &[SettledPoint]) -> Self {
        let span = bare.strung_conductor();
        let mut excess_loops = Vec::new();
        let mut end_strains: BTreeMap<GaugeName, Vec<AtFrequency>> = BTreeMap::new();
        let bare_gauge = only_end_gauge(bare);
        let mut counted: Vec<(f64, &SettledPoint)> = points
            .iter()
            .filter(|p| p.verdict != Verdict::Rejected)
            .filter_map(|p| Some((p.frequency_hz?.value, p)))
            .collect();
        counted.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (frequency_hz, point) in counted {
            if let Some(n) = point.harmonic.or_else(|| bare.harmonic_of(frequency_hz)) {
                excess_loops.push(AtFrequency {
                    frequency_hz,
                    value: f64::from(n) - span.loops(frequency_hz),
                    relative: 0.0,
                });
            }
            for (gauge, strain) in end_strains_of(point, bare_gauge.as_ref()) {
                end_strains.entry(gauge).or_default().push(AtFrequency {
                    frequency_hz,
                    value: strain.over_velocity,
                    relative: strain.relative,
                });
            }
        }
        Self {
            span,
            damper_m: run.span.damper_position_m,
            // f goes with the root of the tension; half of k = 2.
            speed_standard_u: 0.25 * 0.01 * run.span.tension_uncertainty_pct,
            stiffness_standard_u: 0.25 * 0.01 * run.conductor.bending_stiffness_uncertainty_pct,
            excess_loops,
            only_gauge: only_end_gauge(run),
            end_strains,
        }
    }

    /// How the end moves at a point of the damped run; `None` where nothing
    /// tells it.
    pub fn motion(&self, point: &SettledPoint) -> Option<EndMotion> {
        let frequency_hz = point.frequency_hz?.value;
        let iswr = point.iswr?.value;
        self.by_strain(point, frequency_hz)
            .or_else(|| self.by_frequency(point, frequency_hz, iswr))
    }

    fn by_strain(&self, point: &SettledPoint, frequency_hz: f64) -> Option<EndMotion> {
        let damped: Vec<(GaugeName, EndStrain)> =
            end_strains_of(point, self.only_gauge.as_ref()).collect();
        let bare: BTreeMap<&GaugeName, EndStrain> = self
            .end_strains
            .iter()
            .filter_map(|(gauge, readings)| Some((gauge, end_strain(readings, frequency_hz)?)))
            .collect();
        let same_gauge: Vec<(f64, f64)> = damped
            .iter()
            .filter_map(|(gauge, damped)| ratio(*damped, *bare.get(gauge)?))
            .collect();
        let (r, relative) = if same_gauge.is_empty() {
            let damped: Vec<EndStrain> = damped.into_iter().map(|(_, strain)| strain).collect();
            let bare: Vec<EndStrain> = bare.into_values().collect();
            ratio(mean_strain(&damped)?, mean_strain(&bare)?)?
        } else {
            let count = same_gauge.len() as f64;
            // The same instruments read all of them: their uncertainty is not
            // averaged.
            (
                same_gauge.iter().map(|(r, _)| r).sum::<f64>() / count,
                same_gauge.iter().map(|(_, u)| *u).fold(0.0, f64::max),
            )
        };
        Some(EndMotion {
            r: Measured::with_standard_u(r, r * relative),
            basis: Basis::EndStrain,
        })
    }

    fn by_frequency(
        &self,
        point: &SettledPoint,
        frequency_hz: f64,
        iswr: f64,
    ) -> Option<EndMotion> {
        let beta = self.end_phase(frequency_hz)?;
        let loops = self.loops(frequency_hz)?;
        if beta > PI - LEAST_FROM_NODE {
            return None;
        }
        let r = |theta: f64| {
            maths::hypot(maths::sin(theta), iswr * maths::cos(theta)) / maths::sin(beta)
        };
        let theta = PI * loops - beta;
        // Off resonance by the drive's phase the nodes are off by that much.
        let drive = point.drive_phase_deg.map_or(0.0, |phase| {
            maths::atan(iswr * maths::tan(phase.value.to_radians()))
        });
        let theta_standard_u = maths::hypot(PI * loops * self.speed_standard_u, drive);
        let nominal = r(theta);
        let moved = (r(theta + theta_standard_u) - nominal)
            .abs()
            .max((r(theta - theta_standard_u) - nominal).abs());
        // Where the free length begins is known as well as the root of EI.
        let end_phase = self.stiffness_standard_u
            * self.span.end_correction_m(frequency_hz)
            * self.span.wave_number_per_m(frequency_hz);
        let standard_u = maths::hypot(moved, nominal * end_phase / maths::tan(beta));
        (nominal > 0.0).then_some(EndMotion {
            r: Measured::with_standard_u(nominal, standard_u),
            basis: Basis::Frequency,
        })
    }

    /// Phase from the damper-end clamp to the damper.
    pub fn end_phase(&self, frequency_hz: f64) -> Option<f64> {
        let k = self.span.wave_number_per_m(frequency_hz);
        let free_m = self.damper_m? - self.span.end_correction_m(frequency_hz);
        (free_m > 0.0).then_some(k * free_m)
    }

    /// The bare span's loops at a frequency, as its own harmonics count them.
    pub fn loops(&self, frequency_hz: f64) -> Option<f64> {
        let (excess, _) = interpolated(&self.excess_loops, frequency_hz)?;
        Some(self.span.loops(frequency_hz) + excess)
    }
}

/// Name of the channel that reads the end clamp's gauge.
fn only_end_gauge(setup: &Setup) -> GaugeName {
    setup
        .channels
        .iter()
        .find(|channel| channel.role.location() == Some(StrainLocation::End))
        .map(|channel| channel.name.clone())
}

/// Strain over antinode velocity at each gauge of the end clamp. A gauge that
/// the point names by its clamp alone is the only one there.
fn end_strains_of(
    point: &SettledPoint,
    only_gauge: Option<&String>,
) -> impl Iterator<Item = (GaugeName, EndStrain)> {
    let velocity = point.antinode_velocity_mm_s.map(|velocity| velocity.value);
    point
        .strain_pp_um_m
        .iter()
        .filter_map(move |(gauge, strain)| {
            let Gauge { location, channel } = gauge;
            let velocity = velocity.filter(|velocity| *velocity > 0.0)?;
            let usable = *location == StrainLocation::End && strain.value > 0.0 && strain.has_u();
            let name = channel.as_ref().or(only_gauge).cloned();
            let found = EndStrain {
                over_velocity: strain.value / velocity,
                relative: strain.standard_u() / strain.value,
            };
            usable.then_some((name, found))
        })
}

/// What the bare run says at a frequency.
fn end_strain(readings: &[AtFrequency], frequency_hz: f64) -> Option<EndStrain> {
    let (over_velocity, relative) = interpolated(readings, frequency_hz)?;
    Some(EndStrain {
        over_velocity,
        relative,
    })
}

/// The ratio r of two strains and its relative standard uncertainty.
fn ratio(damped: EndStrain, bare: EndStrain) -> Option<(f64, f64)> {
    let r = damped.over_velocity / bare.over_velocity;
    let relative = maths::hypot(damped.relative, bare.relative);
    (r.is_finite() && r > 0.0).then_some((r, relative))
}

/// The mean of several gauges. Half of what they differ by is the bound of a
/// rectangular distribution (JCGM 100, 4.3.7).
fn mean_strain(gauges: &[EndStrain]) -> Option<EndStrain> {
    let low = gauges.iter().map(|g| g.over_velocity).reduce(f64::min)?;
    let high = gauges.iter().map(|g| g.over_velocity).reduce(f64::max)?;
    let mean = gauges.iter().map(|g| g.over_velocity).sum::<f64>() / gauges.len() as f64;
    let spread = 0.5 * (high - low) / 3.0_f64.sqrt();
    let own = gauges.iter().map(|g| g.relative).fold(0.0, f64::max);
    Some(EndStrain {
        over_velocity: mean,
        relative: maths::hypot(own, spread / mean),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A string of 36 m whose damper sits a quarter wave from the clamp at
    /// ten and a half loops, where the bare span has no resonance.
    struct Bench {
        run: Setup,
        bare: Setup,
        bare_points: Vec<SettledPoint>,
        point: SettledPoint,
    }

    /// Strains as a file has them, by their keys, each ± 2 %.
    fn strains(keys: &[(&str, f64)]) -> BTreeMap<Gauge, Measured> {
        keys.iter()
            .map(|(key, strain)| (key.parse().unwrap(), Measured::new(*strain, 0.02 * strain)))
            .collect()
    }

    fn bench() -> Bench {
        let parse = |text: &str, name: &str| {
            let mut setup = crate::setup::parse(text, name).unwrap();
            setup.conductor.bending_stiffness_n_m2 = None;
            setup
        };
        let mut run = parse(include_str!("../../config/damped-trial.toml"), "damped");
        let bare = parse(include_str!("../../config/bare-trial.toml"), "bare");
        // A hair nearer, so that rounding does not put it beyond the node.
        run.span.damper_position_m = Some((1.0 - 1e-9) * 18.0 / 10.5);
        let f1 = bare.strung_conductor().string_harmonic_hz(1);
        let point = |loops: f64, strain: f64| SettledPoint {
            verdict: Verdict::Held,
            frequency_hz: Some(Measured::without_u(loops * f1)),
            antinode_velocity_mm_s: Some(Measured::without_u(200.0)),
            iswr: Some(Measured::without_u(0.2)),
            power_total_w: Some(Measured::new(0.02, 0.0004)),
            strain_pp_um_m: strains(&[("end", strain)]),
            ..SettledPoint::default()
        };
        let bare_points = [10, 11].map(|n| SettledPoint {
            harmonic: Some(n),
            ..point(f64::from(n), 50.0)
        });
        Bench {
            run,
            bare,
            bare_points: bare_points.to_vec(),
            point: point(10.5, 20.0),
        }
    }

    impl Bench {
        fn motion(&self) -> EndMotion {
            SpanEnd::of(&self.run, &self.bare, &self.bare_points)
                .motion(&self.point)
                .unwrap()
        }
    }

    #[test]
    fn a_damper_at_a_node_leaves_its_end_the_motion_of_the_node() {
        let mut bench = bench();
        bench.point.strain_pp_um_m.clear();
        let found = bench.motion();
        assert_eq!(found.basis, Basis::Frequency);
        // By hand: theta = 10.5 pi − pi/2, a node, where the conductor moves by
        // S = 0.2 of the antinode; the bare span moves there as its antinode.
        assert!((found.r.value - 0.2).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn a_second_gauge_at_the_end_changes_nothing_of_it() {
        let one = bench();
        let mut two = bench();
        two.point.strain_pp_um_m = strains(&[("end: left", 20.0), ("end: right", 24.0)]);
        for point in &mut two.bare_points {
            point.strain_pp_um_m = strains(&[("end: left", 50.0), ("end: right", 60.0)]);
        }
        let found = two.motion();
        assert_eq!(found.basis, Basis::EndStrain);
        // 20 for 50 and 24 for 60 um/m are both r = 0.4, as with one gauge.
        let only = one.motion();
        assert!((found.r.value - only.r.value).abs() < 1e-12, "{found:?}");
        assert!((found.r.u - only.r.u).abs() < 1e-12, "{found:?}");
    }

    #[test]
    fn a_gauge_is_compared_with_itself() {
        // The bare run had one gauge at the end, which the demo's setup names
        // "strain end"; the damped run has a second one.
        let mut bench = bench();
        let name = only_end_gauge(&bench.bare).unwrap();
        let own = format!("end: {name}");
        bench.point.strain_pp_um_m = strains(&[(&own, 20.0), ("end: second", 90.0)]);
        assert!((bench.motion().r.value - 0.4).abs() < 1e-12);
        // Both runs have two, of which one is in both.
        for point in &mut bench.bare_points {
            point.strain_pp_um_m = strains(&[(&own, 50.0), ("end: first", 10.0)]);
        }
        assert!((bench.motion().r.value - 0.4).abs() < 1e-12);
    }

    #[test]
    fn gauges_without_a_common_name_are_compared_by_their_mean() {
        let mut bench = bench();
        bench.point.strain_pp_um_m = strains(&[("end: c", 19.0), ("end: d", 21.0)]);
        for point in &mut bench.bare_points {
            point.strain_pp_um_m = strains(&[("end: a", 45.0), ("end: b", 55.0)]);
        }
        let found = bench.motion();
        assert_eq!(found.basis, Basis::EndStrain);
        // By hand: means 20 and 50; half ranges 1 and 5 over sqrt 3 are 2.89 %
        // and 5.77 %, with 1 % of each gauge 6.61 % of r.
        let r = found.r;
        assert!((r.value - 0.4).abs() < 1e-12, "{r:?}");
        assert!((r.standard_u() / r.value - 0.0661).abs() < 1e-4, "{r:?}");
    }
}
