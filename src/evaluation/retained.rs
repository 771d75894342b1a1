//! What of the bare span's losses is still lost with the damper on.
//!
//! In: points and setup of a bare run, a damped run's point. Out: the part of
//! the bare span's power that is lost beyond the node with the damper on, but
//! not in the damper: what the corrected damper power takes off. Pure.
//!
//! In a bare span the power that passes the node is lost in two places: at the
//! end, that is in the clamp and in what rubs there, and in the conductor
//! between node and clamp. Both lose another power with the damper on, because
//! they move otherwise. The end moves r times as far ([`super::end_motion`])
//! and loses `r^l` of what it lost before, l the exponent of the level.
//!
//! The conductor's own losses are proportional to the square of its motion:
//! `sin² u + S² cos² u` between node and damper, `r² sin² u` behind the damper.
//! How long the first part is follows from which node was read
//! ([`super::node`]), in the bare run and in this one. What a loop of the
//! conductor takes is bounded from above: by the power past the bare span's
//! node, and by what the drive feeds into the bare span beyond it, which other
//! losses on the drive's side may account for as well. From below it is bounded
//! by zero. As likely at the one bound as at the other: the middle is taken,
//! and half of the way between them is one standard uncertainty.
//!
//! What is not lost in the conductor may be lost in the holder of an antinode
//! sensor that stands between node and damper instead of at the clamp. It then
//! moves with the damper on as it did before, and loses the same. Unless its
//! place is known to be on the drive's side of the node in both runs, half of the
//! way from the one to the other is one more standard uncertainty, as all of the
//! loss may be there.

#![expect(
    clippy::suboptimal_flops,
    reason = "written as the formulas are; nothing here is near cancellation"
)]

use std::f64::consts::PI;

use super::bare::{BareLosses, Refusal};
use super::bare_readings::{AtFrequency, interpolated};
use super::end_motion::{EndMotion, SpanEnd};
use super::node::{NoNode, NodeBasis, NodePhase, Nodes};
use crate::maths;
use crate::reduction::{Measured, SettledPoint};
use crate::setup::{Setup, Verdict};
use crate::span::StrungConductor;

/// Standard uncertainty, as a part of the bare power, of the correction's own
/// approximations where losses sit at the clamp. On virtual spans 0.003 remains
/// where all of them do (`tests/analysis/decay.rs`); the near field of the damper,
/// where the conductor bends more than anywhere, is not modelled.
pub const RETAINED_STANDARD_U: f64 = 0.01;

/// What is to be taken off a point for the corrected damper power, and what
/// that rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Retained {
    /// As a part of the bare span's power past its node.
    pub part: Measured,
    /// Of it, what the conductor takes between node and damper.
    pub conductor_part: Measured,
    /// How the end moves.
    pub end: EndMotion,
    /// Length of conductor between damper and node, m.
    pub node_to_damper_m: Measured,
    /// By what the node of the damped run is known.
    pub node: NodeBasis,
}

/// Why there is no corrected damper power.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoCorrection {
    /// r is not known.
    #[error(
        "how the end of the span moves with the damper on is not known without the strain at the \
         end clamp in both runs, or the frequency at which the drive is in phase and \
         damper_position_m with less than a loop behind the damper"
    )]
    EndMotion,
    /// It is not said which node was read.
    #[error(
        "which node was read is not known in the {run} run: span.node_from_damper, [[place]] or \
         the node channel's position_m in its setup says it"
    )]
    Node {
        /// "damped" or "bare".
        run: &'static str,
    },
    /// The node's place is impossible.
    #[error(
        "by its place the node was read between damper and clamp; its distance from the drive-end \
         clamp is right"
    )]
    NodePlace,
    /// There are no bare losses to start from.
    #[error(transparent)]
    Bare(#[from] Refusal),
    /// The point or the bare run has nothing that can be computed with.
    #[error("the point has no ratio, or the bare span no losses that can be told from zero")]
    NothingToGoBy,
}

/// The bare run as it bears on the damped one.
#[derive(Debug, Clone)]
pub struct RetainedLosses {
    span: StrungConductor,
    end: SpanEnd,
    /// The damped run's.
    nodes: Nodes,
    /// Loops between node and clamp in the bare run.
    bare_loops: Vec<AtFrequency>,
    /// Whether the antinode sensor of every point of the bare run is known to
    /// stand on the drive's side of the node.
    bare_antinode_is_driveward: bool,
}

/// What a loop of the conductor takes, W.
#[derive(Debug, Clone, Copy)]
struct LoopLoss {
    middle_w: f64,
    /// Half of the way from the least to the most there may be.
    half_w: f64,
}

impl RetainedLosses {
    /// From the bare run, for points of `run`.
    pub fn of(run: &Setup, bare: &Setup, points: &[SettledPoint]) -> Self {
        let bare_nodes = Nodes::of(bare);
        let mut bare_loops: Vec<AtFrequency> = points
            .iter()
            .filter(|p| p.verdict != Verdict::Rejected)
            .filter_map(|p| {
                Some(AtFrequency {
                    frequency_hz: p.frequency_hz?.value,
                    // Not a number where it is not known, so that nothing
                    // is interpolated from further away.
                    value: bare_nodes
                        .of_bare(p)
                        .map_or(f64::NAN, |node| node.nearest / PI),
                    relative: 0.0,
                })
            })
            .collect();
        bare_loops.sort_by(|a, b| a.frequency_hz.total_cmp(&b.frequency_hz));
        Self {
            span: bare.strung_conductor(),
            end: SpanEnd::of(run, bare, points),
            nodes: Nodes::of(run),
            bare_loops,
            bare_antinode_is_driveward: points
                .iter()
                .filter(|p| p.verdict != Verdict::Rejected)
                .all(|p| {
                    bare_nodes
                        .of_bare(p)
                        .is_ok_and(|node| bare_nodes.antinode_is_driveward(p, node))
                }),
        }
    }

    /// What is to be taken off a point of the damped run. `node` are the bare
    /// span's losses past its node, `whole` all of its losses, where they are
    /// known.
    pub fn at(
        &self,
        point: &SettledPoint,
        node: &BareLosses,
        whole: Option<&BareLosses>,
    ) -> Result<Retained, NoCorrection> {
        let nothing = NoCorrection::NothingToGoBy;
        let (frequency_hz, velocity, iswr) = point
            .frequency_hz
            .zip(point.antinode_velocity_mm_s)
            .zip(point.iswr)
            .map(|((f, v), s)| (f.value, v.value, s.value))
            .ok_or(nothing.clone())?;
        let past_node = node.power_w(frequency_hz, velocity)?;
        let all = whole.and_then(|whole| whole.power_w(frequency_hz, velocity).ok());
        let end = self.end.motion(point).ok_or(NoCorrection::EndMotion)?;
        let bare_loops = interpolated(&self.bare_loops, frequency_hz)
            .map(|(loops, _)| loops)
            .filter(|loops| loops.is_finite())
            .ok_or(NoCorrection::Node { run: "bare" })?;
        let loops = self
            .end
            .loops(frequency_hz)
            .unwrap_or_else(|| self.span.loops(frequency_hz));
        let beta = self.end.end_phase(frequency_hz).unwrap_or(0.0);
        let read = self
            .nodes
            .of_damped(point, PI * loops - beta)
            .map_err(|none| match none {
                NoNode::NotStated => NoCorrection::Node { run: "damped" },
                NoNode::Impossible => NoCorrection::NodePlace,
            })?;

        let exponent = node.level_exponent();
        let gain = maths::powf(end.r.value, exponent.value);
        let gain_standard_u = gain
            * maths::hypot(
                exponent.value * end.r.standard_u() / end.r.value,
                maths::ln(end.r.value) * exponent.standard_u(),
            );
        let before = between(read, iswr);
        let behind = gain * (beta / PI - maths::sin(2.0 * beta) / (2.0 * PI));
        let a_loop = loop_loss(past_node, bare_loops, all, loops - bare_loops);

        // What a watt more of each loop's adds, as the end has then less.
        let lever = before.0 + behind - gain * bare_loops;
        let taken_w = gain * past_node.value + a_loop.middle_w * lever;
        let end_w = past_node.value - a_loop.middle_w * bare_loops;
        let holder_is_clear =
            self.bare_antinode_is_driveward && self.nodes.antinode_is_driveward(point, read);
        let in_holder_w = if holder_is_clear {
            0.0
        } else {
            0.5 * (1.0 - gain) * end_w
        };
        let standard_u_w = [
            end_w * gain_standard_u,
            in_holder_w,
            a_loop.half_w * lever,
            a_loop.middle_w * before.1,
            RETAINED_STANDARD_U * past_node.value,
        ]
        .into_iter()
        .fold(0.0, maths::hypot);
        let conductor_standard_u_w =
            maths::hypot(a_loop.half_w * before.0, a_loop.middle_w * before.1);
        let k = self.span.wave_number_per_m(frequency_hz);
        let (metres, half_metres) = read.spread(|phase| phase / k);
        let of_bare = |w: f64, u_w: f64| {
            Measured::with_standard_u(w / past_node.value, u_w / past_node.value)
        };
        let found = Retained {
            part: of_bare(taken_w, standard_u_w),
            conductor_part: of_bare(a_loop.middle_w * before.0, conductor_standard_u_w),
            end,
            node_to_damper_m: Measured::with_standard_u(metres, half_metres),
            node: read.basis,
        };
        let sound = past_node.value > 0.0 && found.part.value.is_finite() && found.part.has_u();
        sound.then_some(found).ok_or(nothing)
    }
}

/// Loops of conductor between damper and node, each counted by the mean square
/// of its motion over that of a bare span's loop: middle and half range.
fn between(read: NodePhase, iswr: f64) -> (f64, f64) {
    let s2 = iswr * iswr;
    read.spread(|phase| phase / PI * (1.0 + s2) - maths::sin(2.0 * phase) / (2.0 * PI) * (1.0 - s2))
}

/// `past_node` is the bare span's power past its node, which has `loops`
/// between itself and the clamp; `all` what the drive feeds in, `more_loops` how
/// many loops that covers beyond the node.
fn loop_loss(past_node: Measured, loops: f64, all: Option<Measured>, more_loops: f64) -> LoopLoss {
    let most_w = past_node.value / loops;
    let most_w = match all.filter(|_| more_loops > 0.0) {
        Some(all) => {
            let beyond_w = all.value - past_node.value;
            // Both were read: the difference may be larger by its uncertainty.
            let standard_u_w = maths::hypot(all.standard_u(), past_node.standard_u());
            most_w.min((beyond_w.max(0.0) + standard_u_w) / more_loops)
        }
        None => most_w,
    };
    LoopLoss {
        middle_w: 0.5 * most_w,
        half_w: 0.5 * most_w,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;

    use crate::evaluation::end_motion::Basis;
    use crate::reduction::Gauge;

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
            setup.span.node_from_damper = Some(1);
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
            antinode_position_m: Some(20.0),
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
        fn at(&self, whole_w: Option<f64>) -> Result<Retained, NoCorrection> {
            let node = BareLosses::of(&self.bare_points, 1.88).unwrap();
            let points: Vec<SettledPoint> = self
                .bare_points
                .iter()
                .map(|p| SettledPoint {
                    power_force_w: whole_w.map(|w| Measured::new(w, 0.0)),
                    ..p.clone()
                })
                .collect();
            let whole = BareLosses::by(&points, 1.88, |p| p.power_force_w).ok();
            RetainedLosses::of(&self.run, &self.bare, &points).at(
                &self.point,
                &node,
                whole.as_ref(),
            )
        }
    }

    fn close(found: f64, expected: f64) {
        assert!((found - expected).abs() < 1e-6, "{found} {expected}");
    }

    /// Else what is lost at the clamp may be lost in its holder instead.
    #[test]
    fn an_antinode_sensor_on_the_drives_side_makes_the_correction_sharper() {
        type Of = fn(&mut Bench) -> &mut SettledPoint;
        let standard_u = |of: Of, antinode_m| {
            let mut bench = bench();
            of(&mut bench).antinode_position_m = antinode_m;
            bench.at(Some(0.02)).unwrap().part.standard_u()
        };
        let damped: Of = |bench| &mut bench.point;
        let bare: Of = |bench| &mut bench.bare_points[1];
        let clear = standard_u(damped, Some(20.0));
        // By hand: nearly all of it is lost at the end, 0.16 remains or all.
        let doubt = clear.hypot(0.5 * 0.84);
        // The nodes stand 36/7 m and 36/11 m from the clamp.
        for unclear in [
            standard_u(damped, None),
            standard_u(damped, Some(32.0)),
            standard_u(bare, None),
            standard_u(bare, Some(33.0)),
        ] {
            assert!((unclear - doubt).abs() < 0.005, "{unclear} {doubt}");
        }
        assert!(clear < 0.05, "{clear}");
        close(standard_u(damped, Some(30.8)), clear);
        close(standard_u(bare, Some(32.7)), clear);
    }

    #[test]
    fn a_damper_at_a_node_keeps_its_end_still() {
        let mut bench = bench();
        bench.point.strain_pp_um_m.clear();
        let retained = bench.at(None).unwrap();
        assert_eq!(retained.end.basis, Basis::Frequency);
        // By hand: theta = 10.5 pi − pi/2, a node, so r = S = 0.2 and r² =
        // 0.04. That node cannot be read for the damper; the first one is a loop
        // away. Without the drive's power up to 0.02 W goes into the one loop
        // of the bare span, half of it is taken. End: 0.01 · 0.04 W; a loop and
        // half a one behind the damper: 0.01 W · (1.04 + 0.5 · 0.04).
        close(retained.part.value, 0.55);
        close(retained.conductor_part.value, 0.52);
        // Were all of it the conductor's, 1.06; were none, 0.04: half of the
        // way is 0.51. With 1 % of the approximation, and l of 2 ± 0.29 on the
        // end's half: 0.5 · 0.04 · ln 0.2 · 0.2887 = 0.0093.
        let u = 0.51_f64.hypot(0.01).hypot(0.009_293);
        assert!(
            (retained.part.standard_u() - u).abs() < 1e-4,
            "{retained:?}"
        );
    }

    #[test]
    fn the_gauge_at_the_end_goes_before_the_frequency() {
        let retained = bench().at(None).unwrap();
        assert_eq!(retained.end.basis, Basis::EndStrain);
        // By hand: 20 for 50 um/m is r = 0.4, r² = 0.16: 0.0016 W at the end,
        // and 0.01 W · (1.04 + 0.5 · 0.16) = 0.0112 W: 0.64 of 0.02 W.
        close(retained.part.value, 0.64);
    }

    #[test]
    fn the_drive_says_what_the_conductor_takes_at_most() {
        // By hand: the bare node is known to 1 %, 0.0002 W, and there are 9.5
        // loops more in the span. All at the end: at most 0.0002 W on them,
        // 21 uW a loop, the middle 10.5 uW; a watt a loop counts 1.04 + 0.08
        // less 0.16.
        let end = bench().at(Some(0.02)).unwrap();
        close(end.part.value, 0.16 + 10.5263e-6 * 0.96 / 0.02);
        assert!(end.part.standard_u() < 0.05, "{end:?}");
        // 9.5 mW more: up to 1.021 mW a loop.
        let both = bench().at(Some(0.029_5)).unwrap();
        close(both.part.value, 0.16 + 510.526e-6 * 0.96 / 0.02);
        // A node further on: another loop of conductor, which is not the
        // damper's and no loss of the bare span's end.
        let mut further = bench();
        further.run.span.node_from_damper = Some(2);
        let two = further.at(Some(0.029_5)).unwrap();
        close(two.part.value - both.part.value, 510.526e-6 * 1.04 / 0.02);
        let loop_m = 36.0 / 10.5;
        close(both.node_to_damper_m.value, loop_m);
        close(two.node_to_damper_m.value, 2.0 * loop_m);
    }

    #[test]
    fn the_place_of_the_node_goes_before_its_number() {
        // 36 m, damper 36/21 m from its clamp: half a loop before a node that
        // stands three loops from the damper.
        let mut placed = bench();
        let loop_m = 36.0 / 10.5;
        placed.point.node_position_m = Some(36.0 - 0.5 * loop_m - 3.0 * loop_m);
        let retained = placed.at(None).unwrap();
        assert_eq!(retained.node, NodeBasis::Place);
        close(retained.node_to_damper_m.value, 3.0 * loop_m);
        // The bare run's node 1 stands a loop from the clamp: of the 0.01 W that
        // are taken for a loop, 3 · 1.04 + 0.08 loops remain, and 0.0016 W.
        close(retained.part.value, (0.01 * 3.2 + 0.0016) / 0.02);
        placed.point.node_position_m = Some(35.0);
        assert_eq!(placed.at(None).unwrap_err(), NoCorrection::NodePlace);
    }

    #[test]
    fn a_node_that_may_be_too_near_to_be_read_is_a_doubt() {
        let mut bench = bench();
        // A tenth of a loop from the damper: it or the next one was the first.
        let loop_m = 36.0 / 10.5;
        bench.run.span.damper_position_m = Some(0.4 * loop_m);
        let retained = bench.at(None).unwrap();
        close(retained.node_to_damper_m.value, 0.6 * loop_m);
        close(retained.node_to_damper_m.standard_u(), 0.5 * loop_m);
    }

    #[test]
    fn with_nothing_to_go_by_there_is_no_correction() {
        let mut without_end = bench();
        without_end.point.strain_pp_um_m.clear();
        without_end.run.span.damper_position_m = None;
        assert_eq!(without_end.at(None).unwrap_err(), NoCorrection::EndMotion);
        for bare in [false, true] {
            let mut bench = bench();
            let setup = if bare {
                &mut bench.bare
            } else {
                &mut bench.run
            };
            setup.span.node_from_damper = None;
            let run = if bare { "bare" } else { "damped" };
            assert_eq!(bench.at(None).unwrap_err(), NoCorrection::Node { run });
        }
        // Of the two bare points on either side one says where it was read.
        let mut half = bench();
        half.bare.span.node_from_damper = None;
        half.bare_points[0].node_position_m = Some(30.0);
        let none = half.at(None).unwrap_err();
        assert_eq!(none, NoCorrection::Node { run: "bare" });
    }
}
