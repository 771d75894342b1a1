//! The node and the antinode next to the damper, from both clamps.
//!
//! In: a [`StrungConductor`], a frequency, where damper and drive sit. Out:
//! distances from both clamps. Pure.
//!
//! With a damper on, nodes are counted from the drive-end clamp, where nothing
//! but the conductor moves them ([`super::nodes`]): the places hold at the
//! frequency at which the span resonates, and at no other.

use serde::Serialize;

use super::waves::StrungConductor;

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
    /// The node that is read first ([`Self::first_node_from_drive`]) and the
    /// antinode beside it, towards the drive.
    ///
    /// `damper_m` is from the damper-end clamp (`None`: bare span, then the
    /// loop at that clamp is the one left out), `drive_m` from the drive-end
    /// clamp. `None` where no such antinode lies between damper and drive.
    pub fn reading_places(
        &self,
        frequency_hz: f64,
        damper_m: Option<f64>,
        drive_m: Option<f64>,
    ) -> Option<ReadingPlaces> {
        let number = f64::from(self.first_node_from_drive(frequency_hz, damper_m));
        let node_m = self.node_from_drive_m(frequency_hz, number);
        let antinode_m = self.node_from_drive_m(frequency_hz, number - 0.5);
        let least_m = drive_m
            .unwrap_or(0.0)
            .max(self.end_correction_m(frequency_hz));
        (number >= 1.0 && antinode_m > least_m).then_some(ReadingPlaces {
            node_from_damper_end_mm: (self.length_m - node_m) * 1e3,
            node_from_drive_end_mm: node_m * 1e3,
            antinode_from_damper_end_mm: (self.length_m - antinode_m) * 1e3,
            antinode_from_drive_end_mm: antinode_m * 1e3,
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
            let node = span.motion_near_clamp(f, places.node_from_damper_end_mm * 1e-3);
            let antinode = span.motion_near_clamp(f, places.antinode_from_damper_end_mm * 1e-3);
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
    fn too_few_loops_give_no_place() {
        let string = StrungConductor {
            bending_stiffness_n_m2: 0.0,
            ..span()
        };
        let f = string.string_harmonic_hz(1);
        assert_eq!(string.reading_places(f, Some(0.95), Some(1.3)), None);
    }
}
