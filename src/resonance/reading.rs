//! One tone frame in the terms of the trade: velocities, ratio, drive phase.

use num_complex::Complex64;
use std::f64::consts::TAU;
use std::sync::Arc;

use crate::maths;
use crate::setup::{Channel, Quantity, Role, Setup};
use crate::tone::{ChannelTone, ToneFrame, TonePlan};

/// Peak velocity phasor in m/s of a motion channel's peak phasor.
/// V = A/(j omega) from acceleration, V = j omega Y from displacement.
pub fn velocity_m_s(quantity: Quantity, phasor: Complex64, frequency_hz: f64) -> Complex64 {
    let j_omega = Complex64::new(0.0, TAU * frequency_hz);
    match quantity {
        Quantity::Acceleration => phasor / j_omega,
        Quantity::Displacement => phasor * j_omega,
        Quantity::Velocity | Quantity::Strain | Quantity::Force => phasor,
    }
}

/// Folds an angle into −90…90 degrees: which of two neighbouring antinodes, or
/// which way round a sensor is mounted, says nothing about resonance.
pub fn fold_half_turn_deg(angle_deg: f64) -> f64 {
    let folded = angle_deg.rem_euclid(180.0);
    if folded > 90.0 {
        folded - 180.0
    } else {
        folded
    }
}

/// Where in a frame the channels of a role stand.
#[derive(Debug, Clone, Default)]
pub struct Places {
    /// The antinode: place in the frame, and its quantity.
    pub antinode: Option<(usize, Quantity)>,
    /// The node.
    pub node: Option<(usize, Quantity)>,
    /// The drive force.
    pub force: Option<usize>,
    /// The drive motion.
    pub drive_motion: Option<(usize, Quantity)>,
}

impl Places {
    /// Looks the roles up in a plan.
    pub fn new(setup: &Setup, plan: &TonePlan) -> Self {
        let find = |role: Role| {
            plan.channels
                .iter()
                .enumerate()
                .find_map(|(place, planned)| {
                    let channel: &Channel = setup.channels.get(planned.setup_index)?;
                    (channel.role == role).then(|| (place, channel.unit.quantity()))
                })
        };
        Self {
            antinode: find(Role::Antinode),
            node: find(Role::Node),
            force: find(Role::DriveForce).map(|(place, _)| place),
            drive_motion: find(Role::DriveMotion),
        }
    }

    /// The channels whose faults spoil a hold, with their names for messages.
    pub fn judged(&self) -> impl Iterator<Item = (usize, &'static str)> {
        [
            self.antinode.map(|(place, _)| (place, "antinode")),
            self.node.map(|(place, _)| (place, "node")),
            self.force.map(|place| (place, "drive-force")),
        ]
        .into_iter()
        .flatten()
    }
}

/// One hop in the terms of the trade.
#[derive(Debug, Clone)]
pub struct Reading {
    /// End of the hop, s.
    pub end_s: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Its standard uncertainty, Hz.
    pub frequency_u_hz: f64,
    /// Antinode velocity, m/s peak.
    pub antinode_m_s: f64,
    /// Standard uncertainty of its modulus, relative.
    pub antinode_u_rel: f64,
    /// Node velocity over antinode velocity, complex.
    pub ratio: Option<Complex64>,
    /// Drive force, N peak.
    pub force_n: Option<f64>,
    /// Phase of the antinode velocity against the drive force, degrees,
    /// folded into −90…90.
    pub drive_phase_deg: Option<f64>,
    /// The frame; its samples may have been let go.
    pub frame: Arc<ToneFrame>,
}

impl Reading {
    /// Reads a frame; `None` where no tone stands out or no antinode is known.
    pub fn new(places: &Places, frame: &Arc<ToneFrame>) -> Option<Self> {
        let frequency_hz = frame.frequency_hz?;
        let (place, quantity) = places.antinode?;
        let antinode = frame.channels.get(place)?;
        let antinode_velocity = velocity_m_s(quantity, antinode.amplitude, frequency_hz);
        let modulus = maths::modulus(antinode_velocity);
        if modulus <= 0.0 || !modulus.is_finite() {
            return None;
        }
        let ratio = places.node.and_then(|(place, quantity)| {
            let node = frame.channels.get(place)?;
            Some(velocity_m_s(quantity, node.amplitude, frequency_hz) / antinode_velocity)
        });
        let force: Option<&ChannelTone> = places.force.and_then(|place| frame.channels.get(place));
        Some(Self {
            end_s: frame.end_s,
            frequency_hz,
            frequency_u_hz: frame.frequency_u_hz,
            antinode_m_s: modulus,
            antinode_u_rel: antinode.amplitude_u / maths::modulus(antinode.amplitude),
            ratio,
            force_n: force.map(|force| maths::modulus(force.amplitude)),
            drive_phase_deg: force.map(|force| {
                fold_half_turn_deg(
                    maths::argument(antinode_velocity / force.amplitude).to_degrees(),
                )
            }),
            frame: Arc::clone(frame),
        })
    }

    /// The inverse standing wave ratio of this hop: the part of the node
    /// motion in quadrature with the antinode (design, 7.3).
    pub fn iswr(&self) -> Option<f64> {
        self.ratio.map(|ratio| ratio.im.abs())
    }
}

/// Median of some values; `None` of none.
pub fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.filter(|value| value.is_finite()).collect();
    if sorted.is_empty() {
        return None;
    }
    let middle = sorted.len() / 2;
    let (_, value, _) = sorted.select_nth_unstable_by(middle, f64::total_cmp);
    Some(*value)
}

/// Middle value of the frequency of some readings, Hz.
pub fn middle_hz(readings: &[Reading]) -> Option<f64> {
    median(readings.iter().map(|reading| reading.frequency_hz))
}
