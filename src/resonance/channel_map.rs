//! Which entry of a tone frame belongs to which role of the setup.

use num_complex::Complex64;

use super::drive_point::DrivePoint;
use super::phasor::velocity_m_s;
use crate::setup::{Channel, Quantity, Role, Setup};
use crate::tone::TonePlan;

/// Index of each role's channel in the frames of one source.
#[derive(Debug, Clone, Default)]
pub struct ChannelMap {
    /// The antinode: index in the frame, and its quantity.
    pub antinode: Option<(usize, Quantity)>,
    /// The node.
    pub node: Option<(usize, Quantity)>,
    /// The drive force.
    pub force: Option<usize>,
    /// The generator's signal.
    pub signal: Option<usize>,
    /// The drive motion.
    pub drive_motion: Option<(usize, Quantity)>,
    /// What else is known of the drive point.
    pub drive_point: Option<DrivePoint>,
}

impl ChannelMap {
    /// Looks the roles up in the plan of a source.
    pub fn new(setup: &Setup, plan: &TonePlan) -> Self {
        let find = |role: Role| {
            plan.channels
                .iter()
                .enumerate()
                .find_map(|(index, planned)| {
                    let channel: &Channel = setup.channels.get(planned.setup_index)?;
                    (channel.role == role).then(|| (index, channel.unit.quantity()))
                })
        };
        Self {
            antinode: find(Role::Antinode),
            node: find(Role::Node),
            force: find(Role::DriveForce).map(|(index, _)| index),
            signal: find(Role::DriveSignal).map(|(index, _)| index),
            drive_motion: find(Role::DriveMotion),
            drive_point: Some(DrivePoint::of(setup)),
        }
    }

    /// Force into the conductor, N peak, and velocity of the drive point, m/s
    /// peak, from the phasors of the channels: the velocity by the drive-motion
    /// channel, else as the standing wave has it.
    pub fn force_and_velocity(
        &self,
        frequency_hz: f64,
        phasor: impl Fn(usize) -> Option<Complex64>,
    ) -> Option<(Complex64, Complex64)> {
        let cell_force_n = phasor(self.force?)?;
        let velocity = |(index, quantity): (usize, Quantity)| {
            Some(velocity_m_s(quantity, phasor(index)?, frequency_hz))
        };
        let drive_point = self.drive_point.as_ref()?;
        let drive_m_s = if let Some(motion) = self.drive_motion {
            velocity(motion)?
        } else {
            let antinode_m_s = velocity(self.antinode?)?;
            let ratio = self.node.and_then(velocity).map(|node| node / antinode_m_s);
            let iswr = ratio.map_or(0.0, |ratio| ratio.im.abs());
            drive_point.velocity_from_wave_m_s(frequency_hz, antinode_m_s, iswr, cell_force_n)?
        };
        let force_n = drive_point.conductor_force_n(frequency_hz, cell_force_n, drive_m_s);
        Some((force_n, drive_m_s))
    }

    /// Force into the conductor, N peak: what the cell shows, less the inertia of
    /// what it carries.
    pub fn conductor_force_n(
        &self,
        frequency_hz: f64,
        phasor: impl Fn(usize) -> Option<Complex64>,
    ) -> Option<Complex64> {
        if self.moving_mass_kg() > 0.0 {
            let (force_n, _) = self.force_and_velocity(frequency_hz, phasor)?;
            return Some(force_n);
        }
        phasor(self.force?)
    }

    /// What the force cell carries besides the conductor, kg.
    pub fn moving_mass_kg(&self) -> f64 {
        self.drive_point.map_or(0.0, |point| point.moving_mass_kg)
    }

    /// What residuals, impulses and high orders of a sensor are compared with: its own
    /// amplitude, or a tenth of the antinode's where that is more (a node's
    /// amplitude may be next to nothing).
    pub(super) fn rattle_reference(
        &self,
        own: f64,
        quantity: Quantity,
        amplitude: impl Fn(usize) -> Option<f64>,
    ) -> f64 {
        match self.antinode {
            Some((index, antinode_quantity)) if antinode_quantity == quantity => {
                amplitude(index).map_or(own, |antinode| own.max(0.1 * antinode))
            }
            _ => own,
        }
    }

    /// The channels whose faults spoil a hold, with their names for messages.
    pub fn judged(&self) -> impl Iterator<Item = (usize, &'static str)> {
        [
            self.antinode.map(|(index, _)| (index, "antinode")),
            self.node.map(|(index, _)| (index, "node")),
            self.force.map(|index| (index, "drive-force")),
        ]
        .into_iter()
        .flatten()
    }
}
