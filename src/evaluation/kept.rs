//! What of the bare span's losses is still lost with the damper on.
//!
//! In: points and setup of a bare run, a damped run's point. Out: the part of
//! the bare span's power, beyond the node and of the whole span, that is to be
//! taken off. Pure.
//!
//! The power past the node of a bare span goes into two things: the end, that
//! is the clamp and what it rubs, and the conductor between node and clamp.
//! With the damper on neither is what it was. The conductor between clamp and
//! damper moves as `r sin(kx)`, x from the clamp, where the bare span moves as
//! `sin(kx)`; the end then loses `r^l` of what it lost, mostly less, seldom
//! more. r is had in two ways:
//!
//! * from the strain at the end clamp, which goes with the slope there and so
//!   with r: `r = (strain/V_a, damped) / (strain/V_a, bare)`;
//! * from the frequency. At resonance the nodes stand at whole half waves from
//!   the drive end's clamp, whatever the damper does: with the drive force in
//!   phase with the antinode velocity the free length behind the drive sees a
//!   standing wave whose node it is. So the damper sits at the phase
//!   `theta = pi nu − beta`, nu being the bare span's loops at that frequency
//!   and `beta = k d` the phase from the damper-end clamp; its conductor moves
//!   with `sqrt(sin² theta + S² cos² theta)` of the antinode, and r is that
//!   over `|sin beta|`. nu is taken from the bare run's own harmonics.
//!
//! The conductor's own losses go with the square of the motion along it:
//! `sin² u + S² cos² u` before the damper, `r² sin² u` behind it. They are had
//! from what the drive feeds into the bare span beyond what passes its node.

#![expect(
    clippy::suboptimal_flops,
    reason = "written as the formulas are; nothing here is near cancellation"
)]

use std::collections::BTreeMap;
use std::f64::consts::PI;

use super::bare::{BareLosses, Part};
use crate::maths;
use crate::reduction::SettledPoint;
use crate::setup::{Setup, Verdict};
use crate::span::StrungConductor;

/// Loops between the node that is read and the clamp of the bare span: the
/// node next to the damper, or the one after it.
const NODE_LOOPS: f64 = 1.5;

/// A node nearer to the damper than this part of a loop cannot be read beside
/// it. A damper holds the conductor nearly still, so this is the rule.
const NEAREST_NODE: f64 = 0.2;

/// Standard uncertainty, as a part, of what the conductor loses beyond the
/// node: the node may be half a loop further or nearer (0.2, rectangular), and
/// a part of what the drive feeds may be lost at the drive's own end.
const CONDUCTOR_STANDARD: f64 = 0.5;

/// Standard uncertainty, as a part of the bare power, where r is known: what
/// is left on virtual spans (`tests/analysis/decay.rs`; the guide has the numbers).
pub const KEPT_STANDARD: f64 = 0.01;

/// The same where r is not known and all of the bare power is taken off. The
/// error is one-sided, the damper being given too little; root mean square over
/// the same spans, as JCGM 100 (F.2.4.5) has it for an effect that is not
/// corrected.
pub const UNKNOWN_STANDARD: f64 = 0.81;

/// Nearer to a half wave behind the damper than this, rad, it sits by a node of
/// that length, and the frequency says nothing of r.
const LEAST_FROM_NODE: f64 = 0.3;

/// Where r comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// The strain at the end clamp in both runs.
    EndStrain,
    /// Frequency, place of the damper and the bare run's harmonics.
    Frequency,
    /// Nothing.
    Unknown,
}

/// What is to be taken off a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kept {
    /// Of the bare span's power past the node.
    pub node: Part,
    /// Of what the bare span loses as a whole.
    pub whole: Part,
    /// What it rests on.
    pub basis: Basis,
}

impl Kept {
    /// All of the bare power, with its doubt.
    const UNKNOWN: Self = {
        let all = Part {
            ratio: 1.0,
            standard: UNKNOWN_STANDARD,
        };
        Self {
            node: all,
            whole: all,
            basis: Basis::Unknown,
        }
    };
}

/// How the end moves against the bare span, r, with its standard uncertainty.
#[derive(Debug, Clone, Copy)]
struct EndMotion {
    r: f64,
    standard: f64,
    basis: Basis,
}

/// A reading of the bare run at a frequency, Hz: value and relative standard
/// uncertainty.
type At = (f64, f64, f64);

/// The bare run as it bears on the damped one.
#[derive(Debug, Clone)]
pub struct KeptLosses {
    span: StrungConductor,
    damper_m: Option<f64>,
    /// Relative standard uncertainty of the wave speed between both runs.
    speed_standard: f64,
    /// Half of the relative standard uncertainty of EI.
    stiffness_standard: f64,
    /// Loops that the bare run counted less those of the formula.
    excess_loops: Vec<At>,
    /// Strain at each gauge of the end clamp over antinode velocity.
    end_strains: BTreeMap<String, Vec<At>>,
}

impl KeptLosses {
    /// From the bare run, for points of `run`.
    pub fn of(run: &Setup, bare: &Setup, points: &[SettledPoint]) -> Self {
        let span = bare.strung_conductor();
        let mut excess_loops = Vec::new();
        let mut end_strains: BTreeMap<String, Vec<At>> = BTreeMap::new();
        let mut counted: Vec<(f64, &SettledPoint)> = points
            .iter()
            .filter(|p| p.verdict != Verdict::Rejected)
            .filter_map(|p| Some((p.frequency_hz?, p)))
            .collect();
        counted.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (frequency_hz, point) in counted {
            if let Some(n) = point.harmonic.or_else(|| bare.harmonic_of(frequency_hz)) {
                excess_loops.push((frequency_hz, f64::from(n) - span.loops(frequency_hz), 0.0));
            }
            for (gauge, value, relative) in end_strains_of(point) {
                let at = (frequency_hz, value, relative);
                end_strains.entry(gauge.to_owned()).or_default().push(at);
            }
        }
        Self {
            span,
            damper_m: run.span.damper_position_m,
            // f goes with the root of the tension; half of k = 2.
            speed_standard: 0.25 * 0.01 * run.span.tension_uncertainty_pct,
            stiffness_standard: 0.25 * 0.01 * run.conductor.bending_stiffness_uncertainty_pct,
            excess_loops,
            end_strains,
        }
    }

    /// What is to be taken off a point of the damped run. `node` are the bare
    /// span's losses past its node, `whole` all of them; without these how much
    /// of them the conductor takes is not known.
    pub fn at(&self, point: &SettledPoint, node: &BareLosses, whole: Option<&BareLosses>) -> Kept {
        self.known(point, node, whole).unwrap_or(Kept::UNKNOWN)
    }

    fn known(
        &self,
        point: &SettledPoint,
        node: &BareLosses,
        whole: Option<&BareLosses>,
    ) -> Option<Kept> {
        let frequency_hz = point.frequency_hz?;
        let velocity = point.antinode_velocity_mm_s?;
        let iswr = point.iswr?;
        let past_node_w = node.power(frequency_hz, velocity).ok()?.power_w;
        let end = self.end_motion(point, frequency_hz, iswr)?;
        let (exponent, exponent_standard, _) = node.level_exponent();
        let gain = maths::powf(end.r, exponent);
        let gain_standard = gain
            * maths::hypot(
                exponent * end.standard / end.r,
                maths::ln(end.r) * exponent_standard,
            );
        let along = self.along(frequency_hz, iswr, gain);
        let all_w = whole.and_then(|w| Some(w.power(frequency_hz, velocity).ok()?.power_w));
        // What one loop of the bare span's conductor takes: the least and the
        // most there may be where the drive's power is not known.
        let most_w = past_node_w / NODE_LOOPS;
        let (loop_w, loop_standard_w) = match all_w {
            Some(all_w) => {
                let loop_w = (all_w - past_node_w) / (along.bare_whole - NODE_LOOPS);
                let loop_w = loop_w.clamp(0.0, most_w);
                (loop_w, CONDUCTOR_STANDARD * loop_w)
            }
            // As likely at the one bound as at the other: half of the way
            // between them is one standard uncertainty.
            None => (0.5 * most_w, 0.5 * most_w),
        };
        let end_w = past_node_w - NODE_LOOPS * loop_w;
        let part = |damped_loops: f64, bare_loops: f64, of_w: f64| {
            let more_loops = damped_loops - bare_loops;
            let kept_w = of_w - end_w * (1.0 - gain) + loop_w * more_loops;
            // More to the conductor is less to the end.
            let spread_w = loop_standard_w * (more_loops + NODE_LOOPS * (1.0 - gain));
            let standard_w = maths::hypot(
                maths::hypot(end_w * gain_standard, spread_w),
                KEPT_STANDARD * past_node_w,
            );
            Part {
                ratio: kept_w / of_w,
                standard: standard_w / of_w,
            }
        };
        let all_w = all_w.unwrap_or(past_node_w);
        let node = part(along.damped_beyond, NODE_LOOPS, past_node_w);
        let whole = part(along.damped_whole, along.bare_whole, all_w);
        let sound = |p: &Part| p.ratio.is_finite() && p.standard.is_finite();
        (past_node_w > 0.0 && all_w > 0.0 && sound(&node) && sound(&whole)).then_some(Kept {
            node,
            whole,
            basis: end.basis,
        })
    }

    fn end_motion(&self, point: &SettledPoint, frequency_hz: f64, iswr: f64) -> Option<EndMotion> {
        self.by_strain(point, frequency_hz)
            .or_else(|| self.by_frequency(point, frequency_hz, iswr))
    }

    /// Mean over the gauges that both runs have at the end clamp.
    fn by_strain(&self, point: &SettledPoint, frequency_hz: f64) -> Option<EndMotion> {
        let found: Vec<(f64, f64)> = end_strains_of(point)
            .filter_map(|(gauge, value, relative)| {
                let (bare, bare_relative) =
                    interpolated(self.end_strains.get(gauge)?, frequency_hz)?;
                Some((value / bare, maths::hypot(relative, bare_relative)))
            })
            .filter(|(r, _)| r.is_finite() && *r > 0.0)
            .collect();
        if found.is_empty() {
            return None;
        }
        let count = found.len() as f64;
        let r = found.iter().map(|f| f.0).sum::<f64>() / count;
        let relative = found.iter().map(|f| f.1).fold(0.0, f64::max);
        Some(EndMotion {
            r,
            standard: r * relative,
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
            maths::atan(iswr * maths::tan(phase.to_radians()))
        });
        let doubt = maths::hypot(PI * loops * self.speed_standard, drive);
        let nominal = r(theta);
        let moved = (r(theta + doubt) - nominal)
            .abs()
            .max((r(theta - doubt) - nominal).abs());
        // Where the free length begins is known as well as the root of EI.
        let end_phase = self.stiffness_standard
            * self.span.end_correction_m(frequency_hz)
            * self.span.wave_number_per_m(frequency_hz);
        let standard = maths::hypot(moved, nominal * end_phase / maths::tan(beta));
        (nominal > 0.0).then_some(EndMotion {
            r: nominal,
            standard,
            basis: Basis::Frequency,
        })
    }

    /// Phase from the damper-end clamp to the damper.
    fn end_phase(&self, frequency_hz: f64) -> Option<f64> {
        let k = self.span.wave_number_per_m(frequency_hz);
        let free_m = self.damper_m? - self.span.end_correction_m(frequency_hz);
        (free_m > 0.0).then_some(k * free_m)
    }

    /// The bare span's loops at a frequency, as its own harmonics count them.
    fn loops(&self, frequency_hz: f64) -> Option<f64> {
        let (excess, _) = interpolated(&self.excess_loops, frequency_hz)?;
        Some(self.span.loops(frequency_hz) + excess)
    }

    /// Loops of the conductor, each counted by the square of its motion.
    fn along(&self, frequency_hz: f64, iswr: f64, gain: f64) -> Along {
        let loops = self
            .loops(frequency_hz)
            .unwrap_or_else(|| self.span.loops(frequency_hz));
        let beta = self.end_phase(frequency_hz).unwrap_or(0.0);
        let both = 1.0 + iswr * iswr;
        let mut theta = (PI * loops - beta).rem_euclid(PI);
        if theta < NEAREST_NODE * PI {
            theta += PI;
        }
        let last = theta / PI * both - maths::sin(2.0 * theta) / (2.0 * PI) * (1.0 - iswr * iswr);
        let behind = gain * (beta / PI - maths::sin(2.0 * beta) / (2.0 * PI));
        Along {
            bare_whole: loops,
            damped_beyond: (NODE_LOOPS - 1.0) * both + last + behind,
            damped_whole: (loops - (beta + theta) / PI) * both + last + behind,
        }
    }
}

/// Loops of conductor, each counted by the mean square of its motion over that
/// of a bare span's loop.
#[derive(Debug, Clone, Copy)]
struct Along {
    bare_whole: f64,
    damped_beyond: f64,
    damped_whole: f64,
}

/// Strain over antinode velocity at each gauge of the end clamp, with the
/// relative standard uncertainty of the strain.
fn end_strains_of(point: &SettledPoint) -> impl Iterator<Item = (&str, f64, f64)> {
    point.strain_pp_um_m.iter().filter_map(|(gauge, strain)| {
        let at_end = gauge == "end" || gauge.starts_with("end ");
        let velocity = point.antinode_velocity_mm_s.filter(|v| *v > 0.0)?;
        let u = point.strain_pp_u_um_m.get(gauge)?;
        (at_end && *strain > 0.0).then_some((gauge.as_str(), strain / velocity, 0.5 * u / strain))
    })
}

/// Straight between neighbours, the nearest one outside.
fn interpolated(readings: &[At], frequency_hz: f64) -> Option<(f64, f64)> {
    let above = readings.iter().find(|r| r.0 >= frequency_hz);
    let below = readings.iter().rfind(|r| r.0 <= frequency_hz);
    match (below, above) {
        (Some(below), Some(above)) if above.0 > below.0 => {
            let part = (frequency_hz - below.0) / (above.0 - below.0);
            let value = below.1 + part * (above.1 - below.1);
            Some((value, below.2.max(above.2)))
        }
        (below, above) => below.or(above).map(|r| (r.1, r.2)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::evaluation::bare::Power;

    /// A string of 36 m whose damper sits a quarter wave from the clamp at
    /// ten and a half loops, where the bare span has no resonance.
    struct Bench {
        run: Setup,
        bare: Setup,
        bare_points: Vec<SettledPoint>,
        point: SettledPoint,
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
            frequency_hz: Some(loops * f1),
            antinode_velocity_mm_s: Some(200.0),
            iswr: Some(0.2),
            power_total_w: Some(0.02),
            power_total_u_w: Some(0.0004),
            strain_pp_um_m: [("end".to_owned(), strain)].into(),
            strain_pp_u_um_m: [("end".to_owned(), 0.02 * strain)].into(),
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
        fn kept(&self) -> Kept {
            let node = BareLosses::of(&self.bare_points, 1.88).unwrap();
            KeptLosses::of(&self.run, &self.bare, &self.bare_points).at(&self.point, &node, None)
        }
    }

    #[test]
    fn a_damper_at_a_node_keeps_its_end_still() {
        let mut bench = bench();
        bench.point.strain_pp_um_m.clear();
        let kept = bench.kept();
        assert_eq!(kept.basis, Basis::Frequency);
        // By hand: theta = 10.5 pi − pi/2, a node, so r = S = 0.2 and r² =
        // 0.04; the node that is read is a loop further, or two. Without the
        // drive's power half of 0.02 W goes into 1.5 loops of conductor.
        // End: 0.01 · 0.04 W; one and a half loops and half a one behind the
        // damper: 0.00667 W · (1.5 · 1.04 + 0.5 · 0.04); 0.010933 W in all.
        assert!((kept.node.ratio - 0.546_667).abs() < 1e-6, "{kept:?}");
    }

    #[test]
    fn the_gauge_at_the_end_goes_before_the_frequency() {
        let bench = bench();
        let kept = bench.kept();
        assert_eq!(kept.basis, Basis::EndStrain);
        // By hand: 20 for 50 um/m is r = 0.4, r² = 0.16: 0.0016 W at the end,
        // and 0.00667 W · (1.5 · 1.04 + 0.5 · 0.16) = 0.010933 W: 0.6267 of 0.02 W.
        assert!((kept.node.ratio - 0.626_667).abs() < 1e-6, "{kept:?}");
    }

    #[test]
    fn the_drive_says_what_the_conductor_takes() {
        let bench = bench();
        let node = BareLosses::of(&bench.bare_points, 1.88).unwrap();
        let with = |power_w: f64| {
            let points: Vec<SettledPoint> = bench
                .bare_points
                .iter()
                .map(|p| SettledPoint {
                    power_force_w: Some(power_w),
                    power_force_u_w: Some(0.0),
                    ..p.clone()
                })
                .collect();
            let force = |p: &SettledPoint| p.power_force_w.zip(p.power_force_u_w);
            let whole = BareLosses::by(&points, 1.88, force).unwrap();
            let kept = KeptLosses::of(&bench.run, &bench.bare, &points);
            kept.at(&bench.point, &node, Some(&whole))
        };
        // All at the end: 0.16 of it is left, by both methods.
        let end = with(0.02);
        assert!((end.node.ratio - 0.16).abs() < 1e-6, "{end:?}");
        assert!((end.whole.ratio - 0.16).abs() < 1e-6, "{end:?}");
        // 0.001 W a loop, nine loops more: 0.0015 W of 0.02 W is conductor,
        // 0.0185 W the end. By hand: 0.0185 · 0.16 + 0.001 · 1.64 = 0.0046 W;
        // of 0.029 W in all 0.0185 · 0.16 + 0.001 · (10 · 1.04 + 0.08).
        let both = with(0.029);
        assert!((both.node.ratio - 0.23).abs() < 1e-6, "{both:?}");
        assert!(
            (both.whole.ratio * 0.029 - 0.013_44).abs() < 1e-9,
            "{both:?}"
        );
    }

    #[test]
    fn with_nothing_to_go_by_all_is_taken_off() {
        let mut bench = bench();
        bench.point.strain_pp_um_m.clear();
        bench.run.span.damper_position_m = None;
        assert_eq!(bench.kept(), Kept::UNKNOWN);
        let node = BareLosses::of(&bench.bare_points, 1.88).unwrap();
        let total = Power {
            power_w: 0.5,
            power_u_w: 0.0,
        };
        let taken = node
            .taken_off(&bench.point, total, bench.kept().node)
            .unwrap();
        assert!((taken.damper.power_w - 0.48).abs() < 1e-9);
    }
}
