//! The map of the plan's harmonics, and which comes next. Pure.

use std::borrow::Cow;

use super::state::{HarmonicMark, NextHarmonic};
use crate::analysis::Exclusion;
use crate::pipeline::capture::{Coverage, HarmonicState};
use crate::reduction::SettledPoint;
use crate::setup::{AcceptedVerdicts, Verdict};

/// The harmonics of the plan; `current`: the number at which the drive is. A point that is
/// excluded counts for none.
pub(super) fn marks(
    coverage: &Coverage,
    points: &[SettledPoint],
    exclusions: &[Exclusion],
    accept: AcceptedVerdicts,
    current: Option<u32>,
) -> Vec<HarmonicMark> {
    let coverage = if exclusions.is_empty() {
        Cow::Borrowed(coverage)
    } else {
        Cow::Owned(coverage.without(exclusions, points))
    };
    let exclusion = |point: &SettledPoint| exclusions.iter().find(|e| e.point == point.point);
    coverage
        .harmonics
        .iter()
        .map(|(harmonic, planned_hz, state)| {
            let (name, verdict) = match state {
                HarmonicState::Held => ("held", Some(Verdict::Held)),
                HarmonicState::Steady => ("steady", Some(Verdict::Steady)),
                HarmonicState::OffPeak => ("off-peak", Some(Verdict::OffPeak)),
                HarmonicState::Failed(_) => ("failed", None),
                HarmonicState::Open => ("open", None),
            };
            let own = |point: &&SettledPoint| {
                point.harmonic == Some(*harmonic)
                    && Some(point.verdict) == verdict
                    && exclusion(point).is_none()
            };
            let excluded = || {
                let own = points
                    .iter()
                    .filter(|point| point.harmonic == Some(*harmonic));
                own.filter_map(exclusion).map(Exclusion::reason).collect()
            };
            let found = points.iter().rev().find(own);
            HarmonicMark {
                harmonic: *harmonic,
                planned_hz: *planned_hz,
                found_hz: found.and_then(|point| Some(point.frequency_hz?.value)),
                state: name.to_owned(),
                done: verdict.is_some_and(|verdict| accept.obstacle(verdict).is_none()),
                current: current == Some(*harmonic),
                reasons: match state {
                    HarmonicState::Failed(reasons) => reasons.clone(),
                    HarmonicState::Open => excluded(),
                    _ => Vec::new(),
                },
            }
        })
        .collect()
}

/// The next harmonic that is not done: the nearest above the current one, else the lowest.
pub(super) fn next(marks: &[HarmonicMark], current_hz: Option<f64>) -> Option<NextHarmonic> {
    let at = marks.iter().find(|mark| mark.current);
    let open = || marks.iter().filter(|mark| !mark.done && !mark.current);
    let above = at.and_then(|at| open().find(|mark| mark.harmonic > at.harmonic));
    let mark = above.or_else(|| open().next())?;
    // A damper moves neighbours by about as much.
    let found = marks.iter().filter_map(|other| {
        let own_hz = if other.current {
            current_hz
        } else {
            other.found_hz
        };
        Some((other, own_hz?))
    });
    let nearest = found.min_by_key(|(other, _)| other.harmonic.abs_diff(mark.harmonic));
    let moved_hz = nearest.map_or(0.0, |(other, hz)| hz - other.planned_hz);
    Some(NextHarmonic {
        harmonic: mark.harmonic,
        expected_hz: mark.planned_hz + moved_hz,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mark(harmonic: u32, state: &str, found_hz: Option<f64>, current: bool) -> HarmonicMark {
        HarmonicMark {
            harmonic,
            planned_hz: 2.0 * f64::from(harmonic),
            found_hz,
            state: state.into(),
            done: state == "held",
            current,
            reasons: Vec::new(),
        }
    }

    #[test]
    fn the_next_is_the_nearest_above_moved_as_its_neighbour_was() {
        let marks = [
            mark(7, "open", None, false),
            mark(8, "held", Some(15.5), false),
            mark(9, "held", Some(17.6), true),
            mark(10, "open", None, false),
        ];
        let found = next(&marks, Some(17.6)).unwrap();
        assert_eq!(found.harmonic, 10);
        assert!((found.expected_hz - 19.6).abs() < 1e-9, "{found:?}");
        // At the top the lowest that is open.
        let top = next(&marks[..3], Some(17.6)).unwrap();
        assert_eq!(top.harmonic, 7);
        assert!((top.expected_hz - 13.5).abs() < 1e-9, "{top:?}");
        assert_eq!(next(&marks[1..3], None), None);
    }
}
