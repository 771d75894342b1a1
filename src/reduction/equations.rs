//! The measurement equations: what the sensors said → efficiency, power,
//! strain, and from there into the keys and units of a point. Plain values in,
//! plain values out; uncertainty is carried through them by
//! [`super::uncertainty`].
//!
//! Peak values throughout, SI units inside.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::fixed_inputs::{FixedInput, FixedInputs};
use super::measured::Measured;
use super::point::SettledPoint;
use crate::maths;
use crate::resonance::drive_point::{DrivePoint, power_w};
use crate::resonance::phasor::velocity_m_s;
use crate::setup::Quantity;
use crate::span::StrungConductor;

/// Everything a settled point is computed from.
#[derive(Debug, Clone, PartialEq)]
pub struct Inputs {
    /// Drive frequency, Hz.
    pub frequency_hz: f64,
    /// Antinode sensor: peak phasor and what it measures.
    pub antinode: (Complex64, Quantity),
    /// Node sensor.
    pub node: Option<(Complex64, Quantity)>,
    /// Drive force as the cell shows it, N peak.
    pub force_n: Option<Complex64>,
    /// What the force cell carries besides the conductor, kg.
    pub moving_mass_kg: f64,
    /// Place of the drive from its clamp, m.
    pub drive_position_m: Option<f64>,
    /// Drive motion.
    pub drive_motion: Option<(Complex64, Quantity)>,
    /// Strain gauges, peak, 1.
    pub strains: Vec<Complex64>,
    /// The conductor as strung; without a known bending stiffness a string.
    pub conductor: StrungConductor,
    /// Signed distance from the antinode sensor to the node sensor, m, if the
    /// places of both are known.
    pub sensor_distance_m: Option<f64>,
    /// Sign of the quadrature part, fixed from the nominal values so that
    /// propagation does not fold a faint ratio at zero.
    pub quadrature_sign: f64,
    /// Where antinode and node are read by fixed sensors: those. `antinode` and `node` are
    /// then their nominal reading, and what moves the sensors moves them.
    pub fixed: Option<FixedInputs>,
}

impl Inputs {
    /// Fixed sensor number `number`.
    pub(super) fn wave_sensor_mut(&mut self, number: usize) -> Option<&mut FixedInput> {
        self.fixed.as_mut()?.sensors.get_mut(number)
    }
}

/// What two sets of quantities have in one place.
trait Both {
    /// The same with another type of value.
    type With<U>;

    /// Joins value with value.
    fn both<U>(&self, other: &Self, f: impl Fn(f64, f64) -> U) -> Self::With<U>;
}

impl Both for f64 {
    type With<U> = U;

    fn both<U>(&self, other: &Self, f: impl Fn(f64, f64) -> U) -> U {
        f(*self, *other)
    }
}

impl Both for Option<f64> {
    type With<U> = Option<U>;

    fn both<U>(&self, other: &Self, f: impl Fn(f64, f64) -> U) -> Option<U> {
        Some(f((*self)?, (*other)?))
    }
}

impl Both for Vec<f64> {
    type With<U> = Vec<U>;

    fn both<U>(&self, other: &Self, f: impl Fn(f64, f64) -> U) -> Vec<U> {
        self.iter().zip(other).map(|(a, b)| f(*a, *b)).collect()
    }
}

/// Declares the quantities with what works on all of them. A quantity that is
/// an angle in degrees, where 180 and -180 are the same, is marked `circular`.
macro_rules! quantities {
    (
        $(#[$outer:meta])*
        pub struct $name:ident<$value:ident> {
            $( $(#[$attribute:meta])* $key:ident: $type:ty $(, $circular:ident)?; )*
        }
    ) => {
        $(#[$outer])*
        pub struct $name<$value> {
            $( $(#[$attribute])* pub $key: $type, )*
        }

        impl $name<f64> {
            /// Joins two sets of quantities value by value.
            #[must_use]
            pub fn both<U>(&self, other: &Self, f: impl Fn(f64, f64) -> U) -> $name<U> {
                $name { $( $key: Both::both(&self.$key, &other.$key, &f), )* }
            }

            /// The differences from another set; of angles the shorter way
            /// round.
            #[must_use]
            pub fn less(&self, other: &Self) -> Self {
                Self {
                    $( $key: Both::both(
                        &self.$key,
                        &other.$key,
                        quantities!(@less $($circular)?),
                    ), )*
                }
            }
        }
    };

    (@less) => { |a, b| a - b };
    (@less circular) => {
        |a: f64, b: f64| if (a - b).abs() > 180.0 {
            a - (b + (a - b).signum() * 360.0)
        } else {
            a - b
        }
    };
}

quantities! {
    /// What comes out, as plain values or with their uncertainties. SI units;
    /// peak unless the name says `pp`.
    #[derive(Debug, Clone, PartialEq)]
    #[allow(
        missing_docs,
        reason = "each field's name carries its quantity and unit"
    )]
    pub struct Quantities<Value> {
        frequency_hz: Value;
        antinode_velocity_m_s: Value;
        node_velocity_m_s: Option<Value>;
        iswr: Option<Value>;
        node_phase_deg: Option<Value>, circular;
        node_offset_m: Option<Value>;
        antinode_offset_m: Option<Value>;
        drive_phase_deg: Option<Value>, circular;
        power_total_w: Option<Value>;
        power_total_stiffness_w: Option<Value>;
        power_force_w: Option<Value>;
        strains_pp: Vec<Value>;
    }
}

/// Evaluates the measurement equations.
pub fn evaluate(inputs: &Inputs) -> Quantities<f64> {
    let velocity = |(phasor, quantity)| velocity_m_s(quantity, phasor, inputs.frequency_hz);
    let [antinode_moved, node_moved] = match &inputs.fixed {
        Some(fixed) => fixed.moved_by(&inputs.conductor, inputs.frequency_hz),
        None => [Complex64::new(0.0, 0.0); 2],
    };
    let antinode = velocity(inputs.antinode) + antinode_moved;
    let antinode_velocity_m_s = maths::modulus(antinode);
    let wave_number = inputs.conductor.wave_number_per_m(inputs.frequency_hz);
    let node = inputs.node.map(|node| {
        let node = velocity(node) + node_moved;
        NodeGeometry::new(node / antinode, wave_number, inputs)
    });
    let iswr = node.as_ref().map(|node| node.iswr);
    let node_velocity_m_s = iswr.map(|iswr| iswr * antinode_velocity_m_s);
    let carried = |impedance: f64| {
        node_velocity_m_s.map(|node| 0.5 * impedance * antinode_velocity_m_s * node)
    };
    let drive_m_s = inputs.drive_motion.map(velocity);
    let force_n = conductor_force_n(inputs, antinode, iswr.unwrap_or_default(), drive_m_s);
    let power_force_w = match (force_n, drive_m_s) {
        (Some(force_n), Some(drive_m_s)) => Some(power_w(force_n, drive_m_s)),
        _ => None,
    };
    Quantities {
        frequency_hz: inputs.frequency_hz,
        antinode_velocity_m_s,
        node_velocity_m_s,
        iswr,
        node_phase_deg: node.as_ref().map(|node| node.phase_deg),
        // Fixed sensors are read at the node itself.
        node_offset_m: node
            .as_ref()
            .filter(|_| inputs.fixed.is_none())
            .map(|node| node.node_offset_m),
        antinode_offset_m: node.as_ref().and_then(|node| node.antinode_offset_m),
        drive_phase_deg: force_n.map(|force| maths::argument(antinode / force).to_degrees()),
        // IEEE 664: Z = sqrt(T m).
        power_total_w: carried(inputs.conductor.wave_impedance_n_s_per_m()),
        // Shear and moment of a bent conductor carry power too (design, 7.2).
        power_total_stiffness_w: (inputs.conductor.bending_stiffness_n_m2 > 0.0)
            .then(|| {
                carried(
                    inputs
                        .conductor
                        .stiff_wave_impedance_n_s_per_m(inputs.frequency_hz),
                )
            })
            .flatten(),
        power_force_w,
        strains_pp: inputs
            .strains
            .iter()
            .map(|strain| 2.0 * maths::modulus(*strain))
            .collect(),
    }
}

/// Force into the conductor, N peak: what the cell shows, less the inertia of
/// what it carries.
fn conductor_force_n(
    inputs: &Inputs,
    antinode_m_s: Complex64,
    iswr: f64,
    drive_m_s: Option<Complex64>,
) -> Option<Complex64> {
    let cell_force_n = inputs.force_n?;
    if inputs.moving_mass_kg <= 0.0 {
        return Some(cell_force_n);
    }
    let drive_point = DrivePoint {
        moving_mass_kg: inputs.moving_mass_kg,
        conductor: inputs.conductor,
        position_m: inputs.drive_position_m,
    };
    let frequency_hz = inputs.frequency_hz;
    let drive_m_s = match drive_m_s {
        Some(drive_m_s) => drive_m_s,
        None => {
            drive_point.velocity_from_wave_m_s(frequency_hz, antinode_m_s, iswr, cell_force_n)?
        }
    };
    Some(drive_point.conductor_force_n(frequency_hz, cell_force_n, drive_m_s))
}

impl Quantities<Measured> {
    /// Enters into a point what moved, where, and in which phase.
    pub(super) fn enter_motion(&self, point: &mut SettledPoint) {
        let millimetres = |metres: Option<Measured>| metres.map(|m| m.times(1e3));
        point.frequency_hz = Some(self.frequency_hz);
        point.antinode_velocity_mm_s = Some(self.antinode_velocity_m_s.times(1e3));
        point.antinode_amplitude_mm_pp = Some(self.amplitude_mm_pp(self.antinode_velocity_m_s));
        point.drive_phase_deg = self.drive_phase_deg;
        point.node_phase_deg = self.node_phase_deg;
        point.node_offset_mm = millimetres(self.node_offset_m);
        point.antinode_offset_mm = millimetres(self.antinode_offset_m);
    }

    /// Enters the ratio and what follows from it.
    pub(super) fn enter_ratio(&self, point: &mut SettledPoint) {
        point.iswr = self.iswr;
        point.efficiency_pct = self.iswr.map(|iswr| iswr.times(100.0));
        point.node_velocity_mm_s = self.node_velocity_m_s.map(|v| v.times(1e3));
        point.node_amplitude_mm_pp = self.node_velocity_m_s.map(|v| self.amplitude_mm_pp(v));
        point.power_total_w = self.power_total_w;
        point.power_total_stiffness_w = self.power_total_stiffness_w;
    }

    /// Displacement, mm peak-to-peak, at a velocity, m/s peak. The frequency's
    /// own part is parts per million: both have the same relative uncertainty.
    fn amplitude_mm_pp(&self, velocity_m_s: Measured) -> Measured {
        let of = |velocity_m_s: f64| 2e3 * velocity_m_s / (TAU * self.frequency_hz.value);
        Measured::new(of(velocity_m_s.value), of(velocity_m_s.u))
    }
}

/// Node and antinode sensor against the standing wave.
struct NodeGeometry {
    iswr: f64,
    phase_deg: f64,
    node_offset_m: f64,
    antinode_offset_m: Option<f64>,
}

impl NodeGeometry {
    /// With x from the node, y = Y_a sin(k x) cos(omega t) + Y_n cos(k x)
    /// sin(omega t): a node sensor off by delta sees sin(k delta) in phase
    /// with the antinode, an error, and S cos(k delta) in quadrature, the
    /// measurement (design, 7.3).
    fn new(ratio: Complex64, wave_number: f64, inputs: &Inputs) -> Self {
        let in_phase = ratio.re.clamp(-1.0, 1.0);
        let angle = maths::asin(in_phase);
        let node_offset_m = angle / wave_number;
        // Node and antinode stand an odd number of quarter waves apart; what
        // the sensors' distance lacks of it, the two offsets share.
        let antinode_offset_m = inputs.sensor_distance_m.map(|distance| {
            let distance = distance.abs();
            let quarter = 0.25 * TAU / wave_number;
            let odd = 2.0 * ((distance / quarter - 1.0) / 2.0).round().max(0.0) + 1.0;
            odd * quarter - distance - node_offset_m
        });
        Self {
            iswr: inputs.quadrature_sign * ratio.im / maths::cos(angle),
            phase_deg: maths::argument(ratio).to_degrees(),
            node_offset_m,
            antinode_offset_m,
        }
    }
}
