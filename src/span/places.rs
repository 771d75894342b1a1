//! Where to put the sensors: the node and the antinode next to the damper.
//!
//! In: a [`StrungConductor`], a frequency, where damper and drive sit. Out:
//! distances from both clamps. Pure.
//!
//! The places are those of the span's own standing wave. A damper shifts the
//! resonance, and with it every node by about x · Δf/f: the node has to be
//! found again at each harmonic by its motion being least and a quarter cycle
//! off the antinode's.

use std::f64::consts::PI;

use serde::Serialize;

use super::waves::StrungConductor;

/// A node closer to the damper clamp than this many near-field lengths 1/q is
/// passed over: at 5 the near field is below 1 % (e^−5).
const NEAR_FIELD_LENGTHS: f64 = 5.0;

/// A node outside the loop that holds the damper, and the antinode of the
/// next loop, mm from each clamp.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReadingPlaces {
    /// The node, from the damper-end clamp, mm.
    pub node_from_damper_end_mm: f64,
    /// The node, from the drive-end clamp, mm.
    pub node_from_drive_end_mm: f64,
    /// The antinode, from the damper-end clamp, mm.
    pub antinode_from_damper_end_mm: f64,
    /// The antinode, from the drive-end clamp, mm.
    pub antinode_from_drive_end_mm: f64,
}

impl StrungConductor {
    /// The node nearest to the damper that bounds a loop without damper, and
    /// the antinode of that loop, at a harmonic of the span.
    ///
    /// `damper_m` is from the damper-end clamp (`None`: bare span, then the
    /// loop at that clamp is the one left out), `drive_m` from the drive-end
    /// clamp. `None` where no such loop lies between damper and drive.
    pub fn reading_places(
        &self,
        frequency_hz: f64,
        damper_m: Option<f64>,
        drive_m: Option<f64>,
    ) -> Option<ReadingPlaces> {
        let k = self.wave_number_per_m(frequency_hz);
        let end_m = self.end_correction_m(frequency_hz);
        let node_m = |j: f64| end_m + j * PI / k;
        let damper_m = damper_m.unwrap_or(0.0);
        let damper_loop = ((damper_m - end_m) * k / PI).floor().max(0.0);
        let near_field_m = self
            .near_field_number_per_m(frequency_hz)
            .map_or(0.0, |q| NEAR_FIELD_LENGTHS / q);
        let mut node = damper_loop + 1.0;
        if node_m(node) - damper_m < near_field_m {
            node += 1.0;
        }
        let (node, antinode) = (node_m(node), node_m(node + 0.5));
        let reach_m = self.length_m - drive_m.unwrap_or(0.0);
        (antinode < reach_m && antinode < self.length_m - end_m).then_some(ReadingPlaces {
            node_from_damper_end_mm: node * 1e3,
            node_from_drive_end_mm: (self.length_m - node) * 1e3,
            antinode_from_damper_end_mm: antinode * 1e3,
            antinode_from_drive_end_mm: (self.length_m - antinode) * 1e3,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::waves::demo_span as span;
    use super::*;

    #[test]
    fn a_string_has_its_nodes_at_whole_loops() {
        // L = 36 m, n = 12: loops of 3 m. Damper in the first loop.
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..span()
        };
        let f = string.string_harmonic_hz(12);
        let places = string.reading_places(f, Some(0.95), Some(1.3)).unwrap();
        assert!((places.node_from_damper_end_mm - 3000.0).abs() < 1e-6);
        assert!((places.antinode_from_damper_end_mm - 4500.0).abs() < 1e-6);
        assert!((places.node_from_drive_end_mm - 33_000.0).abs() < 1e-6);
        assert!((places.antinode_from_drive_end_mm - 31_500.0).abs() < 1e-6);
    }

    #[test]
    fn the_motion_vanishes_at_the_node_and_peaks_at_the_antinode() {
        let span = span();
        for n in [5, 15, 30] {
            let f = span.harmonic_hz(n);
            let places = span.reading_places(f, Some(0.95), Some(1.3)).unwrap();
            // Seen from the other clamp, with the shape that knows nothing of loops.
            let node = span.motion_near_clamp(f, places.node_from_drive_end_mm * 1e-3);
            let antinode = span.motion_near_clamp(f, places.antinode_from_drive_end_mm * 1e-3);
            assert!(node.abs() < 1e-6, "n {n}: {node}");
            assert!((antinode.abs() - 1.0).abs() < 1e-6, "n {n}: {antinode}");
        }
    }

    #[test]
    fn the_damper_loop_is_left_out() {
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..span()
        };
        let f = string.string_harmonic_hz(36); // loops of 1 m
        let places = string.reading_places(f, Some(1.4), Some(1.3)).unwrap();
        assert!((places.node_from_damper_end_mm - 2000.0).abs() < 1e-6);
    }

    #[test]
    fn a_node_in_the_dampers_near_field_is_passed_over() {
        let span = span();
        let f = span.harmonic_hz(30);
        let (end_m, loop_m) = (span.end_correction_m(f), span.loop_length_m(f));
        let places = span
            .reading_places(f, Some(end_m + loop_m - 0.1), Some(1.3))
            .unwrap();
        assert!((places.node_from_damper_end_mm * 1e-3 - end_m - 2.0 * loop_m).abs() < 1e-9);
    }

    #[test]
    fn too_few_loops_give_no_place() {
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..span()
        };
        let f = string.string_harmonic_hz(1);
        assert_eq!(string.reading_places(f, Some(0.95), Some(1.3)), None);
    }
}
