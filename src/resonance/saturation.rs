//! Saturation below full scale: whether a channel that the ratio rests on has
//! flattened extremes.

use super::finding::CriterionFinding;
use super::stretch::Stretch;
use crate::setup::Quantity;
use crate::tone::flattening::Extremes;

impl Stretch<'_> {
    /// What flat tops take from a channel's fundamental, in per cent.
    pub(super) fn flat_tops(
        &self,
        (index, _): (usize, Quantity),
        name: &str,
        limit: f64,
    ) -> Option<CriterionFinding> {
        let interval = self.interval?;
        let harmonics = &interval.channels.get(index)?.harmonics;
        let finding = match harmonics.extremes() {
            Extremes::OutOfBand => CriterionFinding::new(
                None,
                None,
                format!(
                    "whether the {name} channel saturates could not be judged: its band does not hold three times the frequency"
                ),
            ),
            // What rounded tops may take is in the uncertainty: the span's own
            // third order can look the same.
            Extremes::Sound | Extremes::Rounded { .. } => {
                CriterionFinding::new(0.0, true, String::new())
            }
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
        };
        Some(finding)
    }
}
