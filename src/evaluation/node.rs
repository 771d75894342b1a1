//! How much conductor lies between the node that was read and the damper, or
//! the clamp of a bare span.
//!
//! In: a setup, a settled point, where the first node that can be read stands.
//! Out: the phase from there to the node of the point. Pure.
//!
//! Where the place of the node sensor is known (`node_position_m` of the point,
//! from `[[place]]` or from the node channel), it decides. Else the node was
//! counted (`span.node_from_damper`; on a bare span from the damper-end clamp).
//! Where neither is given nothing is said: between the first node and the fifth
//! lies more loss than the correction is about.

use std::f64::consts::{FRAC_PI_2, PI};

use crate::reduction::SettledPoint;
use crate::setup::Setup;
use crate::span::StrungConductor;
use crate::span::nodes::{CLEAR_LENGTHS, CLEAR_LOOPS};

/// A node nearer to the damper than this many near-field lengths 1/q nobody
/// reads: the conductor there is bent by the damper's force.
const SURELY_NEAR_LENGTHS: f64 = 1.0;

/// Nor one nearer than this part of a loop: the damper's clamp is in the way.
const SURELY_NEAR_LOOPS: f64 = 0.05;

/// By what the node of a point is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NodeBasis {
    /// The place of its sensor.
    Place,
    /// Its number, counted from the damper or the clamp of a bare span.
    Number(u32),
}

/// Phase from the damper, or from the clamp of a bare span, to the node.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NodePhase {
    /// The nearest that it may be, rad.
    pub nearest: f64,
    /// The furthest, rad.
    pub furthest: f64,
    /// What it rests on.
    pub basis: NodeBasis,
}

/// Why it cannot be told where the node was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoNode {
    /// The setup does not say it.
    NotStated,
    /// It says a place that is none on the drive's side of the damper.
    Impossible,
}

/// The nodes of one setup's span.
#[derive(Debug, Clone)]
pub struct Nodes {
    span: StrungConductor,
    damper_m: Option<f64>,
    drive_m: f64,
    node_from_damper: Option<u32>,
}

impl Nodes {
    /// Of a span, damped or bare.
    pub fn of(setup: &Setup) -> Self {
        Self {
            span: setup.strung_conductor(),
            damper_m: setup.span.damper_position_m,
            drive_m: setup.span.drive_position_m.unwrap_or(0.0),
            node_from_damper: setup.span.node_from_damper,
        }
    }

    /// On a bare span: the first node stands a loop from the clamp.
    pub fn of_bare(&self, point: &SettledPoint) -> Result<NodePhase, NoNode> {
        self.at(point, (PI, PI))
    }

    /// With a damper, which stands at the phase `theta` from a node on its
    /// drive side. That node is the first to be read if it is clear of the
    /// damper's near field.
    pub fn of_damped(&self, point: &SettledPoint, theta: f64) -> Result<NodePhase, NoNode> {
        let frequency_hz = point.frequency_hz.ok_or(NoNode::NotStated)?.value;
        let k = self.span.wave_number_per_m(frequency_hz);
        let near_field = self
            .span
            .near_field_number_per_m(frequency_hz)
            .map_or(0.0, |q| k / q);
        let theta = theta.rem_euclid(PI);
        let clear = (CLEAR_LENGTHS * near_field).max(CLEAR_LOOPS * PI);
        let near = (SURELY_NEAR_LENGTHS * near_field).max(SURELY_NEAR_LOOPS * PI);
        let first = if theta <= near {
            (theta + PI, theta + PI)
        } else if theta >= clear {
            (theta, theta)
        } else {
            (theta, theta + PI)
        };
        self.at(point, first)
    }

    /// Whether the antinode sensor is known to stand on the drive's side of the
    /// node, wherever that may be.
    pub fn antinode_is_driveward(&self, point: &SettledPoint, node: NodePhase) -> bool {
        let Some((antinode_m, frequency)) = point.antinode_position_m.zip(point.frequency_hz)
        else {
            return false;
        };
        let k = self.span.wave_number_per_m(frequency.value);
        let node_m = self.span.length_m - self.origin_m(frequency.value) - node.furthest / k;
        antinode_m < node_m
    }

    /// From where phases count, from the damper-end clamp: the damper, or where
    /// the free length of a bare span begins.
    fn origin_m(&self, frequency_hz: f64) -> f64 {
        self.damper_m
            .unwrap_or_else(|| self.span.end_correction_m(frequency_hz))
    }

    fn at(&self, point: &SettledPoint, first: (f64, f64)) -> Result<NodePhase, NoNode> {
        let frequency_hz = point.frequency_hz.ok_or(NoNode::NotStated)?.value;
        let k = self.span.wave_number_per_m(frequency_hz);
        let origin_m = self.origin_m(frequency_hz);
        if let Some(node_m) = point.node_position_m {
            let phase = k * (self.span.length_m - node_m - origin_m);
            let found = NodePhase {
                nearest: phase,
                furthest: phase,
                basis: NodeBasis::Place,
            };
            return (phase > 0.0).then_some(found).ok_or(NoNode::Impossible);
        }
        let number = self.node_from_damper.ok_or(NoNode::NotStated)?;
        let reach = k * (self.span.length_m - self.drive_m - origin_m);
        // Beyond the node there is an antinode before the drive; where the span
        // has fewer loops the last such node is read.
        let numbered = |first: f64| {
            let last = ((reach - FRAC_PI_2 - first) / PI).floor().max(0.0);
            first + PI * f64::from(number.saturating_sub(1)).min(last)
        };
        Ok(NodePhase {
            nearest: numbered(first.0),
            furthest: numbered(first.1),
            basis: NodeBasis::Number(number),
        })
    }
}

impl NodePhase {
    /// Middle and half of the range of `of`, which rises with the phase.
    pub fn spread(self, of: impl Fn(f64) -> f64) -> (f64, f64) {
        let (low, high) = (of(self.nearest), of(self.furthest));
        (0.5 * (low + high), 0.5 * (high - low))
    }
}
