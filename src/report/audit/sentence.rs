//! One sentence a dwell that a person can read out.

use super::case::Case;
use crate::report::number::{duration, plain, within};
use crate::resonance::HoldCriterion;
use crate::setup::Verdict;

/// What is to be said of a dwell.
pub fn sentence(case: &Case) -> String {
    match case.point.verdict {
        Verdict::Held => held(case),
        Verdict::Steady => steady(case),
        Verdict::OffPeak => off_peak(case),
        Verdict::Rejected => rejected(case),
    }
}

fn length(case: &Case) -> String {
    duration(case.point.end_s - case.point.start_s)
}

fn ring_up(case: &Case) -> String {
    case.result(HoldCriterion::RingUp)
        .and_then(|result| result.value)
        .map_or_else(String::new, |constants| {
            format!(" after {constants:.1} time constants of ring-up")
        })
}

fn held(case: &Case) -> String {
    let mut parts = Vec::new();
    let phase = case.result(HoldCriterion::DrivePhase);
    let largest_deg = case.largest(|row| row.drive_phase_deg);
    let shown_by = [
        (
            HoldCriterion::FreeResponse,
            "the span's free motion when the drive changed",
        ),
        (
            HoldCriterion::SignalPhase,
            "the phase against the drive signal",
        ),
        (
            HoldCriterion::NodePattern,
            "the place of the nodes against the drive-end clamp",
        ),
    ]
    .into_iter()
    .find_map(|(criterion, what)| {
        let shown = case
            .result(criterion)
            .filter(|result| result.met == Some(true));
        Some((what, shown?.value?))
    });
    match (phase, largest_deg) {
        (Some(result), Some(largest_deg)) if result.met == Some(true) => {
            parts.push(format!(
                "the drive phase stayed within {} deg of resonance ({} are allowed)",
                plain(largest_deg.ceil().max(1.0), 3),
                plain(result.limit, 3)
            ));
        }
        (Some(result), _) if result.met.is_none() => parts.push(match shown_by {
            Some((what, off)) => format!(
                "{what} shows the drive {} half-power bandwidths from the peak",
                within(off, 2, 0.01)
            ),
            None => "the drive phase says nothing here, but the approach went over the peak on both sides"
                .to_owned(),
        }),
        _ => {}
    }
    if let (Some(bandwidth_hz), Some(settled)) = (case.point.bandwidth_hz, case.point.frequency_hz)
        && let Some(off_hz) = case.largest(|row| {
            row.frequency_hz
                .map(|frequency_hz| frequency_hz - settled.value)
        })
    {
        parts.push(format!(
            "the frequency within {} half-power bandwidths",
            within(off_hz / bandwidth_hz, 2, 0.001)
        ));
    }
    if let Some(mean) = case.mean_velocity_mm_s()
        && let Some(off_pct) = case.largest(|row| {
            row.antinode_velocity_mm_s
                .map(|velocity| 100.0 * (velocity / mean - 1.0))
        })
    {
        parts.push(format!(
            "the antinode velocity within {} % of its mean",
            within(off_pct, 2, 0.01)
        ));
    }
    let opening = format!(
        "{}: held for {}{}",
        case.name(),
        length(case),
        ring_up(case)
    );
    if parts.is_empty() {
        format!("{opening}.")
    } else {
        format!("{opening}; {}.", enumeration(&parts))
    }
}

fn steady(case: &Case) -> String {
    let why = case
        .point
        .reasons
        .first()
        .map_or("resonance is neither shown nor excluded", String::as_str);
    format!(
        "{}: steady for {}{}, but not shown to be at resonance: {}.",
        case.name(),
        length(case),
        ring_up(case),
        without_stop(why)
    )
}

fn off_peak(case: &Case) -> String {
    let why = case
        .point
        .reasons
        .first()
        .map_or("the drive stands off the peak", String::as_str);
    format!(
        "{}: steady for {}{}, but off the peak of the resonance: {}.",
        case.name(),
        length(case),
        ring_up(case),
        without_stop(why)
    )
}

fn rejected(case: &Case) -> String {
    let mut reasons = case.point.reasons.iter();
    let first = reasons
        .next()
        .map_or("no reason was recorded", String::as_str);
    let more = match reasons.count() {
        0 => String::new(),
        1 => "; one more reason follows".to_owned(),
        more => format!("; {more} more reasons follow"),
    };
    format!(
        "{}: the dwell from {:.1} s to {:.1} s does not count: {}{more}.",
        case.name(),
        case.dwell_s.0,
        case.dwell_s.1,
        without_stop(first)
    )
}

fn without_stop(reason: &str) -> &str {
    reason.trim_end().trim_end_matches('.')
}

/// `a`, `a and b`, `a, b and c`.
fn enumeration(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [only] => only.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::TraceRow;
    use crate::reduction::{Measured, SettledPoint};
    use crate::resonance::CriterionResult;

    fn result(
        criterion: HoldCriterion,
        value: Option<f64>,
        limit: f64,
        met: Option<bool>,
    ) -> CriterionResult {
        CriterionResult {
            criterion,
            value,
            limit,
            met,
        }
    }

    fn point(verdict: Verdict, reasons: &[&str]) -> SettledPoint {
        SettledPoint {
            point: 7,
            verdict,
            reasons: reasons.iter().map(|&reason| reason.to_owned()).collect(),
            start_s: 30.0,
            end_s: 53.5,
            harmonic: Some(9),
            frequency_hz: Some(Measured::without_u(16.714)),
            bandwidth_hz: Some(0.1),
            ..SettledPoint::default()
        }
    }

    fn row(time_s: f64, frequency_hz: f64, velocity_mm_s: f64, phase_deg: f64) -> TraceRow {
        TraceRow {
            time_s,
            frequency_hz: Some(frequency_hz),
            antinode_velocity_mm_s: Some(velocity_mm_s),
            drive_phase_deg: Some(phase_deg),
            ..TraceRow::default()
        }
    }

    fn said(point: &SettledPoint, criteria: &[CriterionResult]) -> String {
        let rows = [
            // Before the hold: says nothing about it.
            row(29.0, 16.5, 120.0, 70.0),
            row(40.0, 16.714, 200.0, -2.4),
            row(50.0, 16.715, 200.4, 1.0),
        ];
        sentence(&Case {
            point,
            dwell_s: (20.0, 55.0),
            criteria,
            budget: &[],
            rows: &rows,
            gaps: Vec::new(),
            notes: Vec::new(),
        })
    }

    #[test]
    fn a_hold_is_told_with_what_convinces() {
        let criteria = [
            result(HoldCriterion::RingUp, Some(7.04), 4.0, Some(true)),
            result(HoldCriterion::DrivePhase, Some(-2.0), 20.0, Some(true)),
        ];
        assert_eq!(
            said(&point(Verdict::Held, &[]), &criteria),
            "Point 7, harmonic 9, 16.71 Hz: held for 23.5 s after 7.0 time constants of ring-up; \
             the drive phase stayed within 3 deg of resonance (20 are allowed), the frequency \
             within 0.01 half-power bandwidths and the antinode velocity within 0.1 % of its mean."
        );
    }

    #[test]
    fn a_phase_that_is_no_evidence_is_not_claimed() {
        let criteria = [result(HoldCriterion::DrivePhase, Some(-60.0), 20.0, None)];
        let said = said(&point(Verdict::Held, &[]), &criteria);
        assert!(said.contains("the drive phase says nothing here"), "{said}");
        assert!(!said.contains("deg"), "{said}");
    }

    #[test]
    fn what_does_not_count_gives_its_first_reason() {
        assert_eq!(
            said(
                &point(
                    Verdict::Rejected,
                    &["off resonance: by far.", "beat", "drift"]
                ),
                &[]
            ),
            "Point 7, harmonic 9, 16.71 Hz: the dwell from 20.0 s to 55.0 s does not count: \
             off resonance: by far; 2 more reasons follow."
        );
        assert_eq!(
            said(
                &point(Verdict::Steady, &["there is no drive-force channel"]),
                &[]
            ),
            "Point 7, harmonic 9, 16.71 Hz: steady for 23.5 s, but not shown to be at resonance: \
             there is no drive-force channel."
        );
    }
}
