//! What a device says of itself, held against the setup.
//!
//! In: a setup, and the announcement of the device of one of its sources. Out:
//! a sentence for each difference. Pure. The setup decides how samples are
//! scaled; a device that says otherwise was calibrated, wired or set anew.

use crate::ingest::frames::{AnnouncedChannel, Announcement};
use crate::setup::{Channel, Setup, Unit};

/// Full scales that differ by less are the same, written in other units.
const SAME_SCALE: f64 = 1e-6;

/// One sentence for each difference; `source` is an index into the setup's.
pub fn differences(setup: &Setup, source: usize, announcement: &Announcement) -> Vec<String> {
    let own = || setup.channels.iter().filter(|c| c.source == source);
    let columns = announcement.channels.len();
    own()
        .flat_map(|channel| match announcement.channels.get(channel.index) {
            None => vec![format!(
                "channel \"{}\": the device announces {columns} channels, the setup gives it index \
                 {}; correct the `index` or the device",
                channel.name, channel.index
            )],
            Some(announced) => of_channel(channel, announced, own()),
        })
        .collect()
}

fn of_channel<'a>(
    channel: &Channel,
    announced: &AnnouncedChannel,
    mut all: impl Iterator<Item = &'a Channel>,
) -> Vec<String> {
    let mut found = Vec::new();
    let other = all.find(|c| c.name == announced.name && c.name != channel.name);
    if let Some(other) = other {
        found.push(format!(
            "channel \"{}\": the device announces \"{}\" at index {}, the setup has that at index \
             {}; two cables may have changed places",
            channel.name, announced.name, channel.index, other.index
        ));
    }
    let unit = Unit::ALL
        .into_iter()
        .find(|unit| unit.symbol() == announced.unit);
    let is_same = unit.is_some_and(|unit| {
        let own = channel.full_scale * channel.unit.to_si();
        let ratio = announced.full_scale * unit.to_si() / own;
        unit.quantity() == channel.unit.quantity() && (ratio - 1.0).abs() < SAME_SCALE
    });
    if !is_same {
        found.push(format!(
            "channel \"{}\": the device announces a full scale of {} {}, the setup says {} {}, and \
             counts; correct one of them",
            channel.name, announced.full_scale, announced.unit, channel.full_scale, channel.unit
        ));
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::SampleFormat;

    fn found(channels: &[(&str, &str, f64)]) -> Vec<String> {
        let text = include_str!("../../../config/damped-trial.toml");
        let mut setup = crate::setup::parse(text, "trial.toml").unwrap();
        setup.channels.truncate(2);
        let channels = channels
            .iter()
            .map(|(name, unit, full_scale)| AnnouncedChannel {
                name: (*name).to_owned(),
                unit: (*unit).to_owned(),
                full_scale: *full_scale,
            })
            .collect();
        let announcement = Announcement {
            sample_format: SampleFormat::I24,
            stream_id: 1,
            rate_hz: 400.0,
            device: "invented".into(),
            channels,
        };
        differences(&setup, 0, &announcement)
    }

    #[test]
    fn the_same_scale_in_another_unit_is_no_difference() {
        let node = ("node", "m/s2", 196.133);
        assert!(found(&[("antinode", "g", 50.0), node]).is_empty());
        assert!(found(&[("ch 1", "m/s2", 490.3325), node]).is_empty());
        for (unit, full_scale) in [("g", 10.0), ("mm/s", 490.3325), ("furlong", 1.0)] {
            let texts = found(&[("antinode", unit, full_scale), node]);
            assert_eq!(texts.len(), 1);
            assert!(texts[0].contains(unit) && texts[0].contains("490.3325 m/s2"));
        }
    }

    #[test]
    fn changed_places_and_missing_channels_are_said() {
        let texts = found(&[("node", "m/s2", 490.3325), ("antinode", "m/s2", 196.133)]);
        assert_eq!(texts.len(), 2);
        assert!(texts[0].contains("changed places"), "{texts:?}");
        let texts = found(&[("antinode", "g", 50.0)]);
        assert!(texts[0].contains("announces 1 channels"), "{texts:?}");
    }
}
