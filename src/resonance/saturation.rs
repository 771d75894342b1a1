//! Saturation below full scale: whether a channel that the ratio rests on has
//! flattened extremes.

use super::finding::CriterionFinding;
use super::stretch::Stretch;
use crate::setup::Quantity;
use crate::tone::flattening::Extremes;
use crate::tone::noise_marks::Limited;

/// Noise at the node that breathes by more is no small error: an amplifier that
/// gives way takes a quarter of the depth from the tone, and more from a tone
/// beside strong noise.
const DEEPEST_BREATHING: f64 = 0.05;

impl Stretch<'_> {
    /// What saturation takes from a channel's fundamental, in per cent.
    pub(super) fn saturation(
        &self,
        (index, _): (usize, Quantity),
        name: &str,
        limit: f64,
    ) -> Option<CriterionFinding> {
        let interval = self.interval?;
        let channel = interval.channels.get(index)?;
        let finding = match channel.harmonics.extremes() {
            Extremes::Flat { loss } => {
                let pct = 100.0 * loss;
                CriterionFinding::new(
                    pct,
                    pct <= limit,
                    format!(
                        "saturation: the {name} channel's tops are cut off flat below full scale, which takes {pct:.1} % from its reading, at most {limit} % are allowed; look for an amplifier that is overdriven"
                    ),
                )
            }
            Extremes::Slewed { loss } => {
                let pct = 100.0 * loss;
                CriterionFinding::new(
                    pct,
                    pct <= limit,
                    format!(
                        "saturation: the {name} channel cannot follow its steepest parts, which takes {pct:.1} % or more from its reading, at most {limit} % are allowed; look for an amplifier or a cable driver whose slope is limited"
                    ),
                )
            }
            extremes => match self.saturation_by_noise(index, name) {
                Some(sentence) => CriterionFinding::new(None, false, sentence),
                None if extremes == Extremes::OutOfBand => CriterionFinding::new(
                    None,
                    None,
                    format!(
                        "whether the {name} channel saturates could not be judged: its band does not hold three times the frequency"
                    ),
                ),
                // What rounded tops may take is in the uncertainty: the span's own
                // third order can look the same.
                None => CriterionFinding::new(0.0, true, String::new()),
            },
        };
        Some(finding)
    }

    /// What a channel's noise says of its amplifier, if it says that it is at its
    /// limit; how much that takes from the reading it does not say.
    fn saturation_by_noise(&self, index: usize, name: &str) -> Option<String> {
        let channel = self.interval?.channels.get(index)?;
        let marks = channel.marks;
        let how = match marks.limited() {
            Some(Limited::Level) => "sample after sample stands at one value, below full scale",
            Some(Limited::Slope) => "its slope stays at one value, sample after sample",
            None => {
                let breathing = marks.breathing?;
                let antinode = self.antinode()?.marks.breathing;
                let (node_index, _) = self.channels.node?;
                let is_rounded = matches!(channel.harmonics.extremes(), Extremes::Rounded { .. });
                let surely = breathing
                    .beyond(antinode)
                    .is_some_and(|depth| depth > DEEPEST_BREATHING);
                let likely = is_rounded && breathing.is_weaker_at_tops(antinode);
                if index != node_index || !(surely || likely) {
                    return None;
                }
                "its noise comes through weaker where the tone stands high, and the antinode's does not"
            }
        };
        Some(format!(
            "saturation: the {name} channel is at its limit: {how}; how much is missing from its reading is not known; look for an amplifier that is overdriven, or a range so wide that the converter has too few steps for it"
        ))
    }
}
