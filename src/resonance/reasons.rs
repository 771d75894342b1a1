//! Which of the criteria that are not met to say: root causes first, and not
//! what only follows from them.

use super::criteria::{HoldCriterion, Judged};

/// Most reasons that a dwell gives; the rest is in its evidence.
pub const MOST_REASONS: usize = 3;

/// The sentences of the criteria that are not met, likeliest root cause first,
/// without those that one before them explains.
pub fn root_causes(judged: &[Judged]) -> Vec<String> {
    let failed: Vec<&Judged> = judged
        .iter()
        .filter(|judged| judged.result.met == Some(false))
        .collect();
    let is_explained = |effect: &Judged| {
        failed
            .iter()
            .any(|cause| explains(cause.result.criterion, effect.result.criterion))
    };
    failed
        .iter()
        .filter(|judged| !is_explained(judged))
        .take(MOST_REASONS)
        .map(|judged| judged.sentence.clone())
        .collect()
}

/// Whether the one trouble brings the other about.
fn explains(cause: HoldCriterion, effect: HoldCriterion) -> bool {
    use HoldCriterion as C;
    let bent = [
        C::Distortion,
        C::NodeDistortion,
        C::AntinodeHighOrders,
        C::NodeHighOrders,
        C::AntinodeImpulses,
        C::NodeImpulses,
        C::SignalToNoise,
        C::AntinodeFlatTops,
        C::NodeFlatTops,
    ];
    let node = [C::NodeVariation, C::NodeDrift, C::NodePlace];
    match cause {
        C::ClippedSamples => bent.contains(&effect),
        // Nothing moves, or what was read is no node and antinode.
        C::Level => ![C::Level, C::NodeAgainstAntinode, C::ClippedSamples].contains(&effect),
        // A drive that wanders off takes node and antinode away from the sensors.
        C::NodeAgainstAntinode => ![
            C::NodeAgainstAntinode,
            C::ClippedSamples,
            C::Level,
            C::FrequencyDrift,
            C::AmplitudeDrift,
        ]
        .contains(&effect),
        C::AntinodeImpulses | C::AntinodeHighOrders => [
            C::Distortion,
            C::SignalToNoise,
            C::NodeVariation,
            C::NodePlace,
        ]
        .contains(&effect),
        C::NodeImpulses | C::NodeHighOrders => {
            [C::NodeDistortion, C::NodeVariation, C::NodePlace].contains(&effect)
        }
        C::FrequencyDrift => [
            C::DrivePhaseDrift,
            C::SignalPhaseDrift,
            C::AmplitudeVariation,
        ]
        .into_iter()
        .chain(node)
        .any(|explained| explained == effect),
        C::Beat | C::OtherTone => [C::AmplitudeVariation, C::AmplitudeDrift]
            .into_iter()
            .chain(node)
            .any(|explained| explained == effect),
        C::AmplitudeDrift | C::AmplitudeVariation => {
            [C::NodeVariation, C::NodeDrift].contains(&effect)
        }
        C::ReadingStep => [
            C::HoldLength,
            C::RingUp,
            C::Beat,
            C::AmplitudeVariation,
            C::AmplitudeDrift,
        ]
        .into_iter()
        .chain(node)
        .any(|explained| explained == effect),
        C::NodeVariation => [C::NodeDrift, C::NodePlace].contains(&effect),
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Otherwise a dwell could fail and give no reason.
    #[test]
    fn nothing_explains_itself_by_any_way_round() {
        fn reaches(from: HoldCriterion, to: HoldCriterion, steps: usize) -> bool {
            HoldCriterion::ALL.iter().any(|next| {
                explains(from, *next) && (*next == to || steps > 0 && reaches(*next, to, steps - 1))
            })
        }
        for criterion in HoldCriterion::ALL {
            assert!(!reaches(*criterion, *criterion, 3), "{}", criterion.name());
        }
    }
}
