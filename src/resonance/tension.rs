//! The tension over a hold, where a channel measures it: mean, trend, steps.
//! Pure.
//!
//! In: the mean tension of each hop of a hold. Out: what the point takes its
//! tension from, and whether the tension stood still. A resonance goes with the
//! square root of the tension, so a change of tension by dT moves it by
//! f dT/(2 T); that is judged in half-power bandwidths, as a drift of the drive
//! frequency is. Noise of the load cell is allowed for in full: one that cannot
//! see so small a change says nothing about it.

use super::criteria::{HoldCriterion, Judged};
use super::finding::CriterionFinding;
use super::trend::trend;
use crate::maths;
use crate::setup::HoldRules;

/// Values on either side of a step, at least.
const LEAST_SIDE: usize = 3;
/// A step is seen from so many of its standard uncertainties on: over the
/// places of a long hold, noise alone reaches four now and then.
const STEP_SIGNIFICANCE: f64 = 5.0;

/// The tension over a hold.
#[derive(Debug, Clone, PartialEq)]
pub struct HeldTension {
    /// Mean, N.
    pub mean_n: f64,
    /// Its standard uncertainty from scatter, N.
    pub mean_u_n: f64,
    /// Change along a straight line over the hold, what a step makes taken off,
    /// with its standard uncertainty, N.
    drift_n: [f64; 2],
    /// The step, with its standard uncertainty, N, and when, s.
    step: Option<([f64; 2], f64)>,
}

impl HeldTension {
    /// From the mean of each hop, N, with the hop's end, s. `None` for fewer
    /// than three values.
    pub fn new(hops: &[(f64, f64)]) -> Option<Self> {
        let values: Vec<f64> = hops.iter().map(|(_, value)| *value).collect();
        let line = trend(&values, 1)?;
        let count = values.len() as f64;
        let step = largest_step(&values);
        let flattened: Vec<f64> = match &step {
            Some(step) => values
                .iter()
                .enumerate()
                .map(|(i, value)| value - if i >= step.at { step.change } else { 0.0 })
                .collect(),
            None => values.clone(),
        };
        let rest = trend(&flattened, 1)?;
        let spread: f64 = values
            .iter()
            .map(|value| maths::square(value - line.mean))
            .sum();
        Some(Self {
            mean_n: line.mean,
            mean_u_n: (spread / (count - 1.0) / count).sqrt(),
            drift_n: [rest.change, rest.change_u],
            step: step.and_then(|step| {
                Some(([step.change, step.u], hops.get(step.at.checked_sub(1)?)?.0))
            }),
        })
    }

    /// Holds the tension against its criteria, for a resonance at `frequency_hz`
    /// that is `bandwidth_hz` wide.
    pub fn judge(&self, rules: &HoldRules, frequency_hz: f64, bandwidth_hz: f64) -> Vec<Judged> {
        let bandwidths =
            |change_n: f64| 0.5 * frequency_hz * change_n / (self.mean_n * bandwidth_hz);
        let judged = |criterion: HoldCriterion, [change_n, u_n]: [f64; 2], how: &str| {
            let limit = criterion.limit(rules, frequency_hz);
            let moved = bandwidths(change_n);
            let met = moved.abs() <= limit + 2.0 * bandwidths(u_n);
            let sentence = format!(
                "the tension {how} by {:+.3} kN ({:+.2} %): that moves the resonance by {moved:+.2} bandwidths, at most {limit} are allowed; look at the anchors, the temperature and the load cell",
                1e-3 * change_n,
                100.0 * change_n / self.mean_n
            );
            let finding = CriterionFinding::new(moved, met, sentence);
            Judged::new(criterion, limit, finding)
        };
        let (step, at) = self
            .step
            .map_or(([0.0, 0.0], String::new()), |(step, at_s)| {
                (step, format!(" at {at_s:.1} s"))
            });
        vec![
            judged(HoldCriterion::TensionStep, step, &format!("stepped{at}")),
            judged(HoldCriterion::TensionDrift, self.drift_n, "drifted"),
        ]
    }
}

/// A step within some values.
struct TensionStep {
    /// Index of the first value behind it.
    at: usize,
    change: f64,
    /// Standard uncertainty.
    u: f64,
}

/// The step that leaves least scatter, if it leaves less than a straight line
/// does and stands out of that scatter.
fn largest_step(values: &[f64]) -> Option<TensionStep> {
    let count = values.len();
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let squares = |part: &[f64], level: f64| -> f64 {
        part.iter().map(|value| maths::square(value - level)).sum()
    };
    let (scatter, step) = (LEAST_SIDE..(count + 1).saturating_sub(LEAST_SIDE))
        .filter_map(|at| {
            let (before, after) = values.split_at_checked(at)?;
            let (low, high) = (mean(before), mean(after));
            let rest = squares(before, low) + squares(after, high);
            let variance = rest / (count as f64 - 2.0);
            let sides = 1.0 / before.len() as f64 + 1.0 / after.len() as f64;
            let step = TensionStep {
                at,
                change: high - low,
                u: (variance * sides).sqrt(),
            };
            Some((rest, step))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let line = trend(values, 1)?;
    let middle = 0.5 * (count as f64 - 1.0);
    let slope = line.change / (count as f64 - 1.0);
    let of_line: f64 = values
        .iter()
        .enumerate()
        .map(|(i, value)| maths::square(value - line.mean - slope * (i as f64 - middle)))
        .sum();
    (scatter < of_line && step.change.abs() > STEP_SIGNIFICANCE * step.u).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hops of a quarter second about 18 kN with some newtons of scatter.
    fn hops(tension_n: impl Fn(f64) -> f64) -> Vec<(f64, f64)> {
        (0..60_u32)
            .map(|i| {
                let t = 0.25 * f64::from(i + 1);
                let scatter = f64::from(i.wrapping_mul(2_654_435_761) >> 20) / 4096.0 - 0.5;
                (t, tension_n(t) + 6.0 * scatter)
            })
            .collect()
    }

    fn met(held: &HeldTension) -> [Option<bool>; 2] {
        // 20 Hz and 0.1 Hz of bandwidth: a tenth of it is 18 N of 18 kN.
        let judged = held.judge(&HoldRules::default(), 20.0, 0.1);
        [judged[0].result.met, judged[1].result.met]
    }

    #[test]
    fn a_steady_tension_is_its_mean() {
        let held = HeldTension::new(&hops(|_| 18_000.0)).unwrap();
        assert!((held.mean_n - 18_000.0).abs() < 1.5, "{held:?}");
        assert!(held.mean_u_n > 0.1 && held.mean_u_n < 0.4, "{held:?}");
        assert_eq!(met(&held), [Some(true), Some(true)]);
        assert_eq!(HeldTension::new(&[(1.0, 5.0), (2.0, 5.0)]), None);
    }

    #[test]
    fn a_drift_and_a_step_are_told_apart() {
        let drifting = HeldTension::new(&hops(|t| 18_000.0 + 4.0 * t)).unwrap();
        assert_eq!(met(&drifting), [Some(true), Some(false)]);
        let stepped = |t: f64| if t > 9.0 { 18_060.0 } else { 18_000.0 };
        let stepped = HeldTension::new(&hops(stepped)).unwrap();
        assert_eq!(met(&stepped), [Some(false), Some(true)]);
        let judged = stepped.judge(&HoldRules::default(), 20.0, 0.1);
        assert!(
            judged[0].sentence.contains("stepped at 9.0 s by +0.06"),
            "{judged:?}"
        );
        // f dT/(2 T df) = 20 · 60/18000/2/0.1.
        let moved = judged[0].result.value.unwrap();
        assert!((moved - 0.333).abs() < 0.02, "{moved}");
    }
}
