//! Whether a matching is one of the sensors that a setup has now.

use super::{MatchedChannel, Matching, MatchingFault};
use crate::setup::model::{Channel, Setup};
use crate::setup::role::Role;

/// Sensitivities that differ by less are the same number written otherwise.
const SAME_NUMBER: f64 = 1e-9;

impl Matching {
    /// What keeps it from being used with a setup, and what is odd; `lines` as
    /// [`Self::parse`] gives them.
    pub(in crate::setup) fn fits(
        &self,
        setup: &Setup,
        lines: &[usize],
    ) -> (Vec<MatchingFault>, Vec<String>) {
        let (mut faults, mut odd) = (Vec::new(), Vec::new());
        for channel in &setup.channels {
            if channel.role != Role::Wave {
                continue;
            }
            let found = self.channels.iter().zip(lines);
            let found = found
                .into_iter()
                .find(|(matched, _)| matched.name == channel.name);
            let Some((matched, line)) = found else {
                let names: Vec<&str> = self.channels.iter().map(|c| c.name.as_str()).collect();
                faults.push(MatchingFault {
                    line: None,
                    wrong: format!(
                        "wave channel \"{}\" is not in it; it has {}",
                        channel.name,
                        names.join(", ")
                    ),
                    right: "a matching of all wave channels".to_owned(),
                });
                continue;
            };
            faults.extend(
                differs(channel, matched).map(|(wrong, right)| MatchingFault {
                    line: Some(*line),
                    wrong: format!("channel \"{}\" {wrong}", channel.name),
                    right,
                }),
            );
            if channel.index != matched.index {
                odd.push(format!(
                    "channel \"{}\" was matched on column {}, the setup has it on column {}: what the \
                     inputs of the converter differ by was matched along",
                    channel.name, matched.index, channel.index
                ));
            }
        }
        (faults, odd)
    }
}

/// What makes it another sensor than the one that was matched.
fn differs(channel: &Channel, matched: &MatchedChannel) -> Option<(String, String)> {
    let again =
        || "a matching of the sensors as they are now, or the setup as it was then,".to_owned();
    if channel.serial != matched.serial {
        let words = |serial: &Option<String>| {
            serial.as_ref().map_or_else(
                || "none stated".to_owned(),
                |serial| format!("\"{serial}\""),
            )
        };
        let wrong = format!(
            "was matched with serial number {}, the setup has {}",
            words(&matched.serial),
            words(&channel.serial)
        );
        return Some((wrong, again()));
    }
    let (then, now) = (
        matched.full_scale * matched.unit.to_si(),
        channel.full_scale * channel.unit.to_si(),
    );
    let same = channel.unit.quantity() == matched.unit.quantity()
        && (then - now).abs() <= SAME_NUMBER * then;
    (!same).then(|| {
        let wrong = format!(
            "was matched with full_scale = {} {}, the setup has {} {}",
            matched.full_scale, matched.unit, channel.full_scale, channel.unit
        );
        (wrong, again())
    })
}
