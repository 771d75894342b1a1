//! Reading a steady field: nodes and antinodes, power, losses. Fields in,
//! numbers in SI out; amplitudes are peak. Pure.

use num_complex::Complex64;

use super::beam::{Beam, DisplacementField};

/// Where a node or an antinode was looked for and found, m from the drive end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct NodeAndAntinode {
    pub(super) antinode_m: f64,
    pub(super) node_m: f64,
}

/// What stands at an extremum of the displacement amplitude.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Extremum {
    Node,
    Antinode,
}

/// Slope of |y|² along the span: zero at nodes and antinodes.
fn amplitude_slope(field: &DisplacementField, x: f64) -> f64 {
    let [y, slope, ..] = field.at(x);
    2.0 * (y * slope.conj()).re
}

/// The node next to the damper but one or more away from the loop that holds
/// it, and the antinode beside it. Looks from `from_m` (the damper, or the
/// clamp of a bare span) towards the drive at `drive_m`; passes over
/// `nodes_passed` nodes where the span is long enough. `None` where the motion
/// has no node and antinode there.
pub(super) fn places(
    field: &DisplacementField,
    drive_m: f64,
    from_m: f64,
    nodes_passed: usize,
) -> Option<NodeAndAntinode> {
    let loop_m = std::f64::consts::PI / field.waves.travelling.im.abs();
    let step = loop_m / 24.0;
    // The clamp itself is a node, and next to it fading waves rule.
    let mut x = from_m - 0.2 * loop_m;
    let mut slope = amplitude_slope(field, x);
    let mut nodes: Vec<f64> = Vec::new();
    let mut best = None;
    while x - step > drive_m {
        let next = x - step;
        let next_slope = amplitude_slope(field, next);
        if (slope > 0.0) != (next_slope > 0.0) {
            // Walking towards the drive: slope + then − is a rise behind us,
            // a fall ahead, so |y| was least where slope turns from + to −.
            let kind = if slope > 0.0 {
                Extremum::Node
            } else {
                Extremum::Antinode
            };
            let place = bisect(|x| amplitude_slope(field, x), next, x);
            match (kind, nodes.last()) {
                (Extremum::Node, _) => nodes.push(place),
                (Extremum::Antinode, Some(&node_m)) => {
                    best = Some(NodeAndAntinode {
                        antinode_m: place,
                        node_m,
                    });
                    if nodes.len() > nodes_passed {
                        return best;
                    }
                }
                (Extremum::Antinode, None) => {}
            }
        }
        x = next;
        slope = next_slope;
    }
    best
}

/// A zero of `function` between `low` and `high`, where its signs differ.
pub(super) fn bisect(function: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut low, mut high) = (low, high);
    let (mut at_low, mut at_high) = (function(low), function(high));
    let mut last = f64::NAN;
    // Illinois: false position that halves a value it has kept twice.
    let mut kept = 0;
    for _ in 0..100 {
        let middle = low + (high - low) * (at_low / (at_low - at_high));
        if !middle.is_finite() || (middle - last).abs() <= 2.0 * f64::EPSILON * middle.abs() {
            break;
        }
        last = middle;
        let value = function(middle);
        if (value > 0.0) == (at_low > 0.0) {
            low = middle;
            at_low = value;
            if kept == 1 {
                at_high *= 0.5;
            }
            kept = 1;
        } else {
            high = middle;
            at_high = value;
            if kept == -1 {
                at_low *= 0.5;
            }
            kept = -1;
        }
    }
    last
}

/// Mean power that the field carries towards the damper end through the
/// section at `x`, W: shear force times velocity and moment times rotation
/// rate of the field itself.
pub(super) fn power_past_w(beam: &Beam, field: &DisplacementField, x: f64) -> f64 {
    let [y, slope, moment, shear] = field.at(x);
    let stiffness = field.waves.stiffness;
    let force = stiffness * shear - slope * beam.tension_n;
    let couple = stiffness * moment;
    0.5 * (force * (field.s * y).conj() - couple * (field.s * slope).conj()).re
}

/// Mean power of a force phasor at a point with a velocity phasor, W.
pub(super) fn power_w(force: Complex64, velocity: Complex64) -> f64 {
    0.5 * (force * velocity.conj()).re
}
