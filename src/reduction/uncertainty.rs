//! Uncertainty to the end: JCGM 100 (GUM), by propagation through the
//! measurement equations themselves.
//!
//! Every independent cause of error is a [`Cause`] with a standard
//! uncertainty. Each output is evaluated with each cause moved up and down by
//! it; half the difference is that cause's contribution, and contributions of
//! independent causes add in square. Correlation between inputs needs no
//! matrix: two channels calibrated against one reference share that cause, and
//! it moves both.

use num_complex::Complex64;

use super::equations::{Inputs, Quantities, evaluate};
use crate::maths;
use crate::tone::fit::PhasorEstimate;

/// Which input phasor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sensor {
    /// The antinode sensor.
    Antinode,
    /// The node sensor.
    Node,
    /// The drive force.
    Force,
    /// The drive motion.
    DriveMotion,
    /// Strain gauge number i.
    Strain(usize),
}

/// One independent cause of error.
#[derive(Debug, Clone, PartialEq)]
pub enum Cause {
    /// An error of `standard` (SI) along the direction `along` (of modulus 1)
    /// in one phasor: noise and scatter.
    Noise {
        /// Which phasor.
        sensor: Sensor,
        /// Direction in the complex plane.
        along: Complex64,
        /// Standard uncertainty, SI.
        standard: f64,
    },
    /// An error of one channel's phase.
    Phase {
        /// Which phasor.
        sensor: Sensor,
        /// Standard uncertainty, rad.
        standard: f64,
    },
    /// A relative gain error of all these phasors together.
    Gain {
        /// Which phasors.
        sensors: Vec<Sensor>,
        /// Relative standard uncertainty.
        standard: f64,
    },
    /// A relative error of the sampling clock, hence of the frequency.
    Clock {
        /// Relative standard uncertainty.
        standard: f64,
    },
    /// An error of the frequency from noise, Hz.
    Frequency {
        /// Standard uncertainty, Hz.
        standard: f64,
    },
    /// A relative error of the tension.
    Tension {
        /// Relative standard uncertainty.
        standard: f64,
    },
    /// A relative error of the mass per length.
    Mass {
        /// Relative standard uncertainty.
        standard: f64,
    },
    /// A relative error of the bending stiffness.
    Stiffness {
        /// Relative standard uncertainty.
        standard: f64,
    },
}

impl Cause {
    /// The two independent noise causes of a phasor: the principal axes of its
    /// covariance.
    pub fn noise(sensor: Sensor, phasor: &PhasorEstimate) -> [Self; 2] {
        let (a, b, c) = (phasor.var_re, phasor.var_im, phasor.cov);
        let angle = 0.5 * maths::atan2(2.0 * c, a - b);
        let middle = 0.5 * (a + b);
        let spread = maths::hypot(0.5 * (a - b), c);
        let axis = |variance: f64, angle: f64| Self::Noise {
            sensor,
            along: maths::cis(angle),
            standard: variance.max(0.0).sqrt(),
        };
        [
            axis(middle + spread, angle),
            axis(middle - spread, angle + std::f64::consts::FRAC_PI_2),
        ]
    }

    /// The inputs with this cause moved by `times` its standard uncertainty.
    pub fn moved(&self, inputs: &Inputs, times: f64) -> Inputs {
        let mut moved = inputs.clone();
        match self {
            Self::Noise {
                sensor,
                along,
                standard,
            } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor += along * (times * standard);
                }
            }
            Self::Phase { sensor, standard } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor *= maths::cis(times * standard);
                }
            }
            Self::Gain { sensors, standard } => {
                for sensor in sensors {
                    if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                        *phasor *= 1.0 + times * standard;
                    }
                }
            }
            Self::Clock { standard } => moved.frequency_hz *= 1.0 + times * standard,
            Self::Frequency { standard } => moved.frequency_hz += times * standard,
            Self::Tension { standard } => moved.conductor.tension_n *= 1.0 + times * standard,
            Self::Mass { standard } => moved.conductor.mass_kg_per_m *= 1.0 + times * standard,
            Self::Stiffness { standard } => {
                moved.conductor.bending_stiffness_n_m2 *= 1.0 + times * standard;
            }
        }
        moved
    }
}

fn phasor_mut(inputs: &mut Inputs, sensor: Sensor) -> Option<&mut Complex64> {
    match sensor {
        Sensor::Antinode => Some(&mut inputs.antinode.0),
        Sensor::Node => inputs.node.as_mut().map(|node| &mut node.0),
        Sensor::Force => inputs.force_n.as_mut(),
        Sensor::DriveMotion => inputs.drive_motion.as_mut().map(|motion| &mut motion.0),
        Sensor::Strain(gauge) => inputs.strains.get_mut(gauge),
    }
}

/// Coverage factor of every uncertainty that leaves the program.
pub const COVERAGE: f64 = 2.0;

/// The quantities and, in the same shape, their expanded uncertainties
/// (k = [`COVERAGE`]).
pub fn propagate(inputs: &Inputs, causes: &[Cause]) -> (Quantities, Quantities) {
    let value = evaluate(inputs);
    let mut squares = value.map2(&value, |_, _| 0.0);
    for cause in causes {
        let up = evaluate(&cause.moved(inputs, 1.0));
        let down = evaluate(&cause.moved(inputs, -1.0));
        let contribution = up.map2(&down, |up, down| maths::square(0.5 * (up - down)));
        squares = squares.map2(&contribution, |sum, square| sum + square);
    }
    let expanded = squares.map2(&squares, |square, _| COVERAGE * square.sqrt());
    (value, expanded)
}

impl Quantities {
    /// Combines two sets of quantities field by field.
    #[must_use]
    pub fn map2(&self, other: &Self, f: impl Fn(f64, f64) -> f64) -> Self {
        let both = |a: Option<f64>, b: Option<f64>| Some(f(a?, b?));
        // Phases are compared on the circle: ±180 degrees are one direction.
        let phase = |a: Option<f64>, b: Option<f64>| {
            let (a, b) = (a?, b?);
            let near = if (a - b).abs() > 180.0 {
                b + (a - b).signum() * 360.0
            } else {
                b
            };
            Some(f(a, near))
        };
        Self {
            frequency_hz: f(self.frequency_hz, other.frequency_hz),
            antinode_velocity_m_s: f(self.antinode_velocity_m_s, other.antinode_velocity_m_s),
            node_velocity_m_s: both(self.node_velocity_m_s, other.node_velocity_m_s),
            iswr: both(self.iswr, other.iswr),
            node_phase_deg: phase(self.node_phase_deg, other.node_phase_deg),
            node_offset_m: both(self.node_offset_m, other.node_offset_m),
            antinode_offset_m: both(self.antinode_offset_m, other.antinode_offset_m),
            drive_phase_deg: phase(self.drive_phase_deg, other.drive_phase_deg),
            power_total_w: both(self.power_total_w, other.power_total_w),
            power_total_stiffness_w: both(
                self.power_total_stiffness_w,
                other.power_total_stiffness_w,
            ),
            power_force_w: both(self.power_force_w, other.power_force_w),
            strains_pp: self
                .strains_pp
                .iter()
                .zip(&other.strains_pp)
                .map(|(a, b)| f(*a, *b))
                .collect(),
        }
    }
}
