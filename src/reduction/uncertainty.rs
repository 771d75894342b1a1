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
use super::measured::{COVERAGE, Measured};
use crate::maths;
use crate::tone::fit::PhasorEstimate;

/// Which input phasor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InputPhasor {
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
    /// An error of `standard_u` (SI) along the direction `along` (of modulus 1)
    /// in one phasor: noise and scatter.
    Noise {
        /// Which phasor.
        sensor: InputPhasor,
        /// Direction in the complex plane.
        along: Complex64,
        /// Standard uncertainty, SI.
        standard_u: f64,
    },
    /// An error of one channel's phase.
    Phase {
        /// Which phasor.
        sensor: InputPhasor,
        /// Standard uncertainty, rad.
        standard_u: f64,
    },
    /// A relative gain error of all these phasors together.
    Gain {
        /// Which phasors.
        sensors: Vec<InputPhasor>,
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// A relative error of the sampling clock, hence of the frequency.
    Clock {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// An error of the frequency from noise, Hz.
    Frequency {
        /// Standard uncertainty, Hz.
        standard_u: f64,
    },
    /// A relative error of the tension.
    Tension {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// A relative error of the mass per length.
    Mass {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// A relative error of the bending stiffness.
    Stiffness {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
}

impl Cause {
    /// The two independent noise causes of a phasor: the principal axes of its
    /// covariance.
    pub fn noise(sensor: InputPhasor, phasor: &PhasorEstimate) -> [Self; 2] {
        let (a, b, c) = (phasor.var_re, phasor.var_im, phasor.cov);
        let angle = 0.5 * maths::atan2(2.0 * c, a - b);
        let middle = 0.5 * (a + b);
        let spread = maths::hypot(0.5 * (a - b), c);
        let axis = |variance: f64, angle: f64| Self::Noise {
            sensor,
            along: maths::cis(angle),
            standard_u: variance.max(0.0).sqrt(),
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
                standard_u,
            } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor += along * (times * standard_u);
                }
            }
            Self::Phase { sensor, standard_u } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor *= maths::cis(times * standard_u);
                }
            }
            Self::Gain {
                sensors,
                standard_u,
            } => {
                for sensor in sensors {
                    if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                        *phasor *= 1.0 + times * standard_u;
                    }
                }
            }
            Self::Clock { standard_u } => moved.frequency_hz *= 1.0 + times * standard_u,
            Self::Frequency { standard_u } => moved.frequency_hz += times * standard_u,
            Self::Tension { standard_u } => moved.conductor.tension_n *= 1.0 + times * standard_u,
            Self::Mass { standard_u } => moved.conductor.mass_kg_per_m *= 1.0 + times * standard_u,
            Self::Stiffness { standard_u } => {
                moved.conductor.bending_stiffness_n_m2 *= 1.0 + times * standard_u;
            }
        }
        moved
    }
}

fn phasor_mut(inputs: &mut Inputs, sensor: InputPhasor) -> Option<&mut Complex64> {
    match sensor {
        InputPhasor::Antinode => Some(&mut inputs.antinode.0),
        InputPhasor::Node => inputs.node.as_mut().map(|node| &mut node.0),
        InputPhasor::Force => inputs.force_n.as_mut(),
        InputPhasor::DriveMotion => inputs.drive_motion.as_mut().map(|motion| &mut motion.0),
        InputPhasor::Strain(gauge) => inputs.strains.get_mut(gauge),
    }
}

/// The quantities with their expanded uncertainties (k = [`COVERAGE`]).
pub fn propagate(inputs: &Inputs, causes: &[Cause]) -> Quantities<Measured> {
    let value = evaluate(inputs);
    let mut squares = value.both(&value, |_, _| 0.0);
    for cause in causes {
        let up = evaluate(&cause.moved(inputs, 1.0));
        let down = evaluate(&cause.moved(inputs, -1.0));
        squares = squares.both(&up.less(&down), |sum, difference| {
            sum + maths::square(0.5 * difference)
        });
    }
    value.both(&squares, |value, square| {
        Measured::new(value, COVERAGE * square.sqrt())
    })
}
