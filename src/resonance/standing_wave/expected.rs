//! How well fixed sensors will know a ratio, before anything is measured. Pure.
//!
//! The standing wave is laid down: its node, its ratio, its level. What the sensors
//! would err by gives, through the same least squares, the covariance of the waves (the
//! inverse of the normal equations, JCGM 102, 7.2 for a linear model), and the ratio's
//! part of it.

use num_complex::Complex64;

use super::two_waves::{FixedSensor, MOST_CONDITION, TwoWaves, WaveNumber, condition};

/// A standing wave that is reckoned with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExpectedWave {
    /// Place of the node that is read, m from the drive-end clamp.
    pub node_m: f64,
    /// Ratio there.
    pub iswr: f64,
    /// Velocity at the antinode, m/s peak.
    pub antinode_m_s: f64,
}

/// What sensors would show of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ExpectedReading {
    /// Condition of the places.
    pub condition: f64,
    /// Relative standard uncertainty of the ratio; `None` where the places tell nothing.
    pub iswr_standard_u: Option<f64>,
}

impl ExpectedReading {
    /// Whether the places tell the two waves apart.
    pub fn is_usable(&self) -> bool {
        self.condition <= MOST_CONDITION && self.iswr_standard_u.is_some()
    }
}

impl ExpectedWave {
    /// What sensors at these places, with these errors, would know of it. Their
    /// velocities are not looked at.
    pub fn read_by(&self, sensors: &[FixedSensor], number: WaveNumber) -> ExpectedReading {
        let condition = condition(sensors.iter().map(|sensor| sensor.place_m), number.per_m);
        if condition > MOST_CONDITION {
            return ExpectedReading {
                condition,
                iswr_standard_u: None,
            };
        }
        // At the node the waves are opposite.
        let towards_damper = 0.5 * self.antinode_m_s * (1.0 + self.iswr);
        let towards_drive = -0.5 * self.antinode_m_s * (1.0 - self.iswr);
        let waves = TwoWaves::through(
            self.node_m,
            [towards_damper, towards_drive].map(|m_s| Complex64::new(m_s, 0.0)),
            number,
        );
        let shown: Vec<FixedSensor> = sensors
            .iter()
            .map(|sensor| FixedSensor {
                velocity_m_s: waves.velocity_m_s(sensor.place_m),
                ..*sensor
            })
            .collect();
        let iswr = |waves: &TwoWaves| waves.node_nearest(self.node_m).iswr;
        let u = waves.standard_u(&shown, number, iswr);
        ExpectedReading {
            condition,
            iswr_standard_u: u.map(|u| u / self.iswr),
        }
    }
}
