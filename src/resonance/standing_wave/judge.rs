//! Whether what the fixed sensors show of a hold can be two waves. Pure.

use super::suspect::{Suspect, suspect};
use super::two_waves::{FixedSensor, NodeReading, TwoWaves, WaveFitError, WaveNumber};
use crate::resonance::criteria::{HoldCriterion, Judged};
use crate::resonance::finding::CriterionFinding;
use crate::setup::HoldRules;

/// Standard deviations of the ratio that a flow towards the drive may be explained by.
const FLOW_DEVIATIONS: f64 = 3.0;

/// Holds the waves, or why there are none, against the criteria of fixed sensors.
/// `names` are the sensors', in their order.
pub fn judge(
    rules: &HoldRules,
    frequency_hz: f64,
    waves: Result<(&TwoWaves, NodeReading), WaveFitError>,
    (sensors, number): (&[FixedSensor], WaveNumber),
    names: &[String],
) -> Vec<Judged> {
    let judged = |criterion: HoldCriterion, finding: CriterionFinding| {
        Judged::new(criterion, criterion.limit(rules, frequency_hz), finding)
    };
    let (waves, read) = match waves {
        Ok(found) => found,
        Err(error) => {
            let value = match error {
                WaveFitError::Blind { condition, .. } => Some(condition),
                _ => None,
            };
            let finding = CriterionFinding::new(value, false, error.to_string());
            return vec![judged(HoldCriterion::WaveCondition, finding)];
        }
    };
    let mut all = vec![judged(
        HoldCriterion::WaveCondition,
        CriterionFinding::new(waves.condition, true, String::new()),
    )];
    if let Some(beyond) = waves.beyond_explained() {
        let met = beyond <= 1.0;
        let sentence = if met {
            String::new()
        } else {
            misfit(waves, suspect(sensors, number), names)
        };
        let finding = CriterionFinding::new(beyond, met, sentence);
        all.push(judged(HoldCriterion::WaveResidual, finding));
    }
    let flow_pct = 100.0 * read.iswr;
    // Where the places hardly tell, the ratio of a bare span may come out below zero.
    let explained = waves.standard_u(sensors, number, |w| w.node_nearest(read.node_m).iswr);
    let explained_pct = 100.0 * FLOW_DEVIATIONS * explained.unwrap_or_default();
    let limit_pct = HoldCriterion::WaveFlow.limit(rules, frequency_hz);
    let sentence = format!(
        "the fixed sensors show power flowing from the damper to the drive (ratio {flow_pct:.1} %), \
         which no damper does: a sensor is turned round, two cables are swapped, or the places are \
         counted from the wrong clamp"
    );
    let finding = CriterionFinding::new(flow_pct, flow_pct + explained_pct >= limit_pct, sentence);
    all.push(judged(HoldCriterion::WaveFlow, finding));
    all
}

fn misfit(waves: &TwoWaves, suspect: Option<Suspect>, names: &[String]) -> String {
    let name = |i: usize| names.get(i).map_or("?", String::as_str);
    let left_pct = 100.0 * waves.residual_ratio();
    let head = format!(
        "two waves do not explain what the fixed sensors show: {left_pct:.2} % of the antinode's motion \
         is left, {:.1} times what their stated errors explain",
        waves.beyond_explained().unwrap_or_default()
    );
    let tail = match suspect {
        Some(Suspect::Swapped(one, other)) => format!(
            "the cables of \"{}\" and \"{}\" look swapped",
            name(one),
            name(other)
        ),
        Some(Suspect::Inverted(one)) => format!("\"{}\" looks turned round", name(one)),
        Some(Suspect::Misfit(one)) => format!(
            "\"{}\" does not fit the others: is it loose, out of the vertical, elsewhere than \
             stated, or its scale wrong?",
            name(one)
        ),
        None if names.len() < 4 => {
            "which of them is wrong three cannot tell; look at all of them".to_owned()
        }
        None => {
            "no single sensor explains it; look at all of them, and at tension and mass".to_owned()
        }
    };
    // The largest share tells where to begin.
    let worst = waves
        .left_squares
        .iter()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(b.1));
    match (suspect, worst) {
        (None, Some((worst, _))) if names.len() > 3 => {
            format!("{head}; {tail}, \"{}\" first", name(worst))
        }
        _ => format!("{head}; {tail}"),
    }
}
