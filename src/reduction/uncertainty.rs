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
use crate::resonance::phasor::velocity_m_s;
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
    /// Fixed sensor number i.
    Wave(usize),
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
    /// Rounding to the converter's steps, likewise.
    Rounding {
        /// Which phasor.
        sensor: InputPhasor,
        /// Direction in the complex plane.
        along: Complex64,
        /// Standard uncertainty, SI.
        standard_u: f64,
    },
    /// Mains hum that cannot be told from the drive, likewise.
    Hum {
        /// Which phasor.
        sensor: InputPhasor,
        /// Direction in the complex plane.
        along: Complex64,
        /// Standard uncertainty, SI.
        standard_u: f64,
    },
    /// What knocks once a cycle may add to one phasor, likewise.
    Knocks {
        /// Which phasor.
        sensor: InputPhasor,
        /// Direction in the complex plane.
        along: Complex64,
        /// Standard uncertainty, SI.
        standard_u: f64,
    },
    /// A part of one phasor that its flattened extremes may lack.
    Flattening {
        /// Which phasor.
        sensor: InputPhasor,
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// What is left of ring-up: all motion is too small, and the ratio too large
    /// because energy still goes into the loops beyond the node.
    RingUp {
        /// Relative standard uncertainty of the motion.
        standard_u: f64,
        /// Share of the span's loops that lie beyond the node.
        beyond_node: f64,
    },
    /// An error of the phase of all these phasors together.
    Phase {
        /// Which phasors.
        sensors: Vec<InputPhasor>,
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
    /// What these readings changed together during the hold: each is one
    /// value, and they had several.
    Drift {
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
    /// What a stiffness that nobody stated does to the wave number that fixed sensors are
    /// read by.
    UnstatedStiffness {
        /// Relative standard uncertainty of the wave number.
        standard_u: f64,
    },
    /// A relative error of the loss factor of what the tension stores, seen by fixed
    /// sensors alone.
    TensionLoss {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// The same of what bending stores.
    BendingLoss {
        /// Relative standard uncertainty.
        standard_u: f64,
    },
    /// A sensor stands elsewhere along the span than where it is taken to
    /// stand.
    Place {
        /// The antinode or the node sensor, or a fixed one.
        sensor: InputPhasor,
        /// Standard uncertainty, m.
        standard_u: f64,
    },
    /// A relative error of the mass that the force cell carries.
    MovingMass {
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
            }
            | Self::Rounding {
                sensor,
                along,
                standard_u,
            }
            | Self::Hum {
                sensor,
                along,
                standard_u,
            }
            | Self::Knocks {
                sensor,
                along,
                standard_u,
            } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor += along * (times * standard_u);
                }
            }
            Self::Phase {
                sensors,
                standard_u,
            } => {
                for sensor in sensors {
                    if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                        *phasor *= maths::cis(times * standard_u);
                    }
                }
            }
            Self::Flattening { sensor, standard_u } => {
                if let Some(phasor) = phasor_mut(&mut moved, *sensor) {
                    *phasor *= 1.0 + times * standard_u;
                }
            }
            Self::RingUp {
                standard_u,
                beyond_node,
            } => {
                let factor = 1.0 + times * standard_u;
                moved.antinode.0 *= factor;
                if let Some((phasor, _)) = &mut moved.drive_motion {
                    *phasor *= factor;
                }
                for strain in &mut moved.strains {
                    *strain *= factor;
                }
                if let Some((phasor, _)) = &mut moved.node {
                    *phasor *= 1.0 + times * standard_u * (1.0 - beyond_node);
                }
            }
            Self::Gain {
                sensors,
                standard_u,
            }
            | Self::Drift {
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
            Self::UnstatedStiffness { standard_u } => {
                if let Some(fixed) = &mut moved.fixed {
                    fixed.wave_number_factor *= 1.0 + times * standard_u;
                }
            }
            Self::TensionLoss { standard_u } => {
                if let Some(fixed) = &mut moved.fixed {
                    fixed.loss.tension *= 1.0 + times * standard_u;
                }
            }
            Self::BendingLoss { standard_u } => {
                if let Some(fixed) = &mut moved.fixed {
                    fixed.loss.bending *= 1.0 + times * standard_u;
                }
            }
            Self::Place { sensor, standard_u } => {
                displace(&mut moved, inputs, *sensor, times * standard_u);
            }
            Self::MovingMass { standard_u } => moved.moving_mass_kg *= 1.0 + times * standard_u,
        }
        moved
    }

    /// The cause in words; `name` gives a channel's name.
    pub fn words(&self, name: impl Fn(InputPhasor) -> String) -> String {
        let names = |sensors: &[InputPhasor]| {
            let names: Vec<String> = sensors.iter().map(|sensor| name(*sensor)).collect();
            names.join(", ")
        };
        match self {
            Self::Noise { sensor, .. } => format!("noise and scatter of {}", name(*sensor)),
            Self::Rounding { sensor, .. } => format!("rounding of {}", name(*sensor)),
            Self::Hum { sensor, .. } => format!("mains hum on {}", name(*sensor)),
            Self::Knocks { sensor, .. } => format!("knocks on {}", name(*sensor)),
            Self::Flattening { sensor, .. } => format!("flattened tops of {}", name(*sensor)),
            Self::RingUp { .. } => "what is left of ring-up".to_owned(),
            Self::Phase { sensors, .. } => format!("phase of {}", names(sensors)),
            Self::Gain { sensors, .. } => match sensors.as_slice() {
                [sensor] => format!("calibration of {}", name(*sensor)),
                several => format!("reference shared by {}", names(several)),
            },
            Self::MovingMass { .. } => "mass that the force cell carries".to_owned(),
            Self::Drift { sensors, .. } => match sensors.as_slice() {
                [sensor] => format!("trend of {}", name(*sensor)),
                _ => "trend of the motion".to_owned(),
            },
            Self::Clock { .. } => "sampling clock".to_owned(),
            Self::Frequency { .. } => "frequency".to_owned(),
            Self::Tension { .. } => "tension".to_owned(),
            Self::Mass { .. } => "mass per length".to_owned(),
            Self::Stiffness { .. } | Self::UnstatedStiffness { .. } => {
                "bending stiffness".to_owned()
            }
            Self::TensionLoss { .. } | Self::BendingLoss { .. } => {
                "the conductor's own loss".to_owned()
            }
            Self::Place { sensor, .. } => format!("place of {}", name(*sensor)),
        }
    }

    /// Whether it is one that fixed sensors are read with: a sensor's own noise, calibration
    /// or place, or the wave number and the loss.
    pub(super) fn is_of_waves(&self) -> bool {
        let is_fixed = |sensor: &InputPhasor| matches!(sensor, InputPhasor::Wave(_));
        match self {
            Self::Noise { sensor, .. } | Self::Place { sensor, .. } => is_fixed(sensor),
            Self::Phase { sensors, .. } | Self::Gain { sensors, .. } => match sensors.as_slice() {
                [sensor] => is_fixed(sensor),
                _ => false,
            },
            Self::Tension { .. }
            | Self::Mass { .. }
            | Self::Stiffness { .. }
            | Self::UnstatedStiffness { .. }
            | Self::TensionLoss { .. }
            | Self::BendingLoss { .. } => true,
            _ => false,
        }
    }

    /// Whether its effect has a part that is the same whichever way it errs,
    /// and that matters.
    fn has_even_part(&self) -> bool {
        matches!(self, Self::Place { .. })
    }
}

/// A node sensor further off the node than this cosine of its phase sees the
/// antinode's motion and little else.
const LEAST_COSINE: f64 = 0.1;

/// The inputs with a sensor moved along the span, away from the other one.
///
/// About an antinode the motion is `Y_a cos(k δ)`, with the node's share
/// `Y_n sin(k δ)` in quadrature: a sensor beside the antinode reads too little,
/// whichever side it stands on. What a node sensor reads says by itself where
/// it stands; its place counts for the distance between the two alone.
fn displace(moved: &mut Inputs, inputs: &Inputs, sensor: InputPhasor, by_m: f64) {
    if let InputPhasor::Wave(number) = sensor {
        if let Some(input) = moved.wave_sensor_mut(number) {
            input.sensor.place_m += by_m;
        }
        return;
    }
    if sensor == InputPhasor::Antinode {
        let angle = by_m * inputs.conductor.wave_number_per_m(inputs.frequency_hz);
        let ratio = inputs.node.map_or(0.0, |(node, quantity)| {
            let velocity = |quantity, phasor| velocity_m_s(quantity, phasor, inputs.frequency_hz);
            let antinode = velocity(inputs.antinode.1, inputs.antinode.0);
            let ratio = velocity(quantity, node) / antinode;
            // The ratio at the node itself, as the equations have it.
            let beside = 1.0 - maths::square(ratio.re.clamp(-1.0, 1.0));
            ratio.im / beside.sqrt().max(LEAST_COSINE)
        });
        moved.antinode.0 *= Complex64::new(maths::cos(angle), -ratio * maths::sin(angle));
    }
    if let Some(distance) = &mut moved.sensor_distance_m {
        *distance += distance.signum() * by_m;
    }
}

/// The square of the standard uncertainty that one cause gives each quantity,
/// `value` being the quantities as they stand.
///
/// Half the difference between up and down is the part of first order. Where
/// the effect has an even part as well, b for one standard uncertainty, a
/// normal error leaves `3 b²` about the value taken (JCGM 100, 5.1.2 note, for
/// the terms of higher order; what is one-sided stays in the uncertainty, as in
/// F.2.4.5).
pub(super) fn squares(inputs: &Inputs, value: &Quantities<f64>, cause: &Cause) -> Quantities<f64> {
    let up = evaluate(&cause.moved(inputs, 1.0));
    let down = evaluate(&cause.moved(inputs, -1.0));
    let odd = up.less(&down);
    if !cause.has_even_part() {
        return odd.both(&odd, |difference, _| maths::square(0.5 * difference));
    }
    let even = up.less(value).both(&down.less(value), |a, b| 0.5 * (a + b));
    odd.both(&even, |difference, even| {
        maths::square(0.5 * difference) + 3.0 * maths::square(even)
    })
}

fn phasor_mut(inputs: &mut Inputs, sensor: InputPhasor) -> Option<&mut Complex64> {
    match sensor {
        InputPhasor::Antinode => Some(&mut inputs.antinode.0),
        InputPhasor::Node => inputs.node.as_mut().map(|node| &mut node.0),
        InputPhasor::Force => inputs.force_n.as_mut(),
        InputPhasor::DriveMotion => inputs.drive_motion.as_mut().map(|motion| &mut motion.0),
        InputPhasor::Strain(gauge) => inputs.strains.get_mut(gauge),
        InputPhasor::Wave(number) => inputs
            .wave_sensor_mut(number)
            .map(|input| &mut input.phasor),
    }
}

/// The quantities with their expanded uncertainties (k = [`COVERAGE`]).
pub fn propagate(inputs: &Inputs, causes: &[Cause]) -> Quantities<Measured> {
    let value = evaluate(inputs);
    let mut sum = value.both(&value, |_, _| 0.0);
    for cause in causes {
        sum = sum.both(&squares(inputs, &value, cause), |sum, own| sum + own);
    }
    value.both(&sum, |value, square| {
        Measured::new(value, COVERAGE * square.sqrt())
    })
}
