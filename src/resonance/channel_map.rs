//! Which entry of a tone frame belongs to which role of the setup.

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
    /// The drive motion.
    pub drive_motion: Option<(usize, Quantity)>,
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
            drive_motion: find(Role::DriveMotion),
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
