//! Where the sensors stood at a point, for sensors that are moved.
//!
//! In: a `[[place]]` of the setup; frequency and time of a hold. Out: whether
//! it applied. Pure. [`super::Setup::sensor_positions`] goes by it.

use serde::Deserialize;

/// `[[place]]`: where node and antinode sensor stood in a recording or in a
/// range of frequencies. It has either a file or both ends of a range, and at
/// least one place.
#[derive(Debug, Clone, PartialEq, Deserialize)]
pub struct Placement {
    /// Name of the recording, without folders.
    pub file: Option<String>,
    /// Lowest frequency, Hz.
    pub low_hz: Option<f64>,
    /// Highest frequency, Hz.
    pub high_hz: Option<f64>,
    /// Node sensor from the drive-end clamp, m.
    pub node_position_m: Option<f64>,
    /// Antinode sensor from the drive-end clamp, m.
    pub antinode_position_m: Option<f64>,
    /// When the recording `file` begins and ends, s from sample 0 of the main
    /// source; known once recordings are read ([`super::Setup::with_recordings`]).
    #[serde(skip)]
    recorded_s: Option<(f64, f64)>,
}

/// A recording of the main source.
#[derive(Debug, Clone, PartialEq)]
pub struct RecordedFile {
    /// Its name, without folders.
    pub name: String,
    /// Its first sample, s from sample 0 of the source.
    pub start_s: f64,
    /// Its end, s.
    pub end_s: f64,
}

/// Where the sensors stood, m from the drive-end clamp; `None` where the setup
/// does not say it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct SensorPositions {
    /// The node sensor.
    pub node_m: Option<f64>,
    /// The antinode sensor.
    pub antinode_m: Option<f64>,
}

impl Placement {
    /// Takes from the recordings of the main source when its own began and
    /// ended.
    pub(super) fn find_recording(&mut self, files: &[RecordedFile]) {
        let name = self.file.as_deref();
        self.recorded_s = files
            .iter()
            .find(|file| name == Some(&file.name))
            .map(|file| (file.start_s, file.end_s));
    }

    /// Whether it holds for a hold from one time to another, s from sample 0.
    pub(super) fn holds(&self, frequency_hz: f64, (from_s, to_s): (f64, f64)) -> bool {
        match (self.low_hz, self.high_hz, self.recorded_s) {
            (Some(low), Some(high), _) => (low..=high).contains(&frequency_hz),
            (_, _, Some((start_s, end_s))) => start_s <= from_s && to_s <= end_s,
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::{Role, Setup};

    fn setup(places: &str) -> Setup {
        let text = include_str!("../../config/damped-trial.toml");
        crate::setup::parse(&format!("{text}\n{places}"), "damped-trial.toml").unwrap()
    }

    #[test]
    fn the_place_that_applies_is_that_of_the_recording_or_of_the_frequency() {
        let setup = setup(
            "[[place]]\nfile = \"n12.wav\"\nnode_position_m = 30.0\nantinode_position_m = 28.5\n\
             [[place]]\nlow_hz = 20.0\nhigh_hz = 22.0\nnode_position_m = 31.0\n",
        );
        let node_m = |setup: &Setup, hz, hold_s| setup.sensor_positions(hz, hold_s).node_m;
        // Before the recordings are read their names say nothing.
        assert_eq!(node_m(&setup, 12.0, (5.0, 15.0)), None);
        let file = |name: &str, start_s, end_s| RecordedFile {
            name: name.to_owned(),
            start_s,
            end_s,
        };
        let read =
            setup.with_recordings(&[file("n11.wav", 0.0, 60.0), file("n12.wav", 60.0, 120.0)]);
        assert_eq!(node_m(&read, 12.0, (5.0, 15.0)), None);
        assert_eq!(node_m(&read, 12.0, (65.0, 75.0)), Some(30.0));
        // A hold that goes beyond the recording stands in neither.
        assert_eq!(node_m(&read, 12.0, (115.0, 125.0)), None);
        assert_eq!(node_m(&read, 21.0, (5.0, 15.0)), Some(31.0));
        assert_eq!(read.sensor_positions(21.0, (5.0, 15.0)).antinode_m, None);
    }

    #[test]
    fn a_sensor_that_is_not_moved_stands_where_its_channel_says() {
        let mut setup = setup("[[place]]\nlow_hz = 20.0\nhigh_hz = 22.0\nnode_position_m = 31.0\n");
        let (at, _) = setup.channel(Role::Node).unwrap();
        setup.channels[at].position_m = Some(33.0);
        assert_eq!(setup.sensor_positions(19.0, (0.0, 9.0)).node_m, Some(33.0));
        assert_eq!(setup.sensor_positions(21.0, (0.0, 9.0)).node_m, Some(31.0));
    }
}
