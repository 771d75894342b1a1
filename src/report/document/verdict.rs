//! What the reduction says: criteria, gaps in the coverage, second methods, the
//! bare run.

use maud::{Markup, html};

use super::requirement;
use crate::evaluation::criteria::{Judgement, Outcome};
use crate::evaluation::fixed_sweep::SweptChannel;
use crate::evaluation::methods::MethodCheck;
use crate::evaluation::reduced::BarePoint;
use crate::evaluation::reduced_point::ReducedPoint;
use crate::report::html::{facts_list, row, table, unbroken};
use crate::report::number::{
    ABSENT, by_uncertainty, fixed, measured, plain, significant, with_micro_sign,
};
use crate::report::point_table::marked;
use crate::report::reduction::Reduction;
use crate::setup::Setup;

/// The style sheet's class for an outcome.
fn class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "fail",
        Outcome::Inconclusive => "open",
    }
}

pub(super) fn badge(outcome: Outcome) -> Markup {
    html! { span class={ "verdict " (class(outcome)) } { (outcome.word()) } }
}

/// The verdict in short, for the head of the report, and what it rests on.
pub(super) fn summary(reduction: &Reduction) -> Markup {
    let rows = html! {
        @for judgement in &reduction.judgements {
            @let count = |outcome: Outcome| {
                judgement.points.iter().filter(|point| point.outcome == outcome).count()
            };
            tr {
                th scope="row" class="words" { (with_micro_sign(&judgement.criterion)) }
                td { (badge(judgement.outcome)) }
                td class="words" {
                    (count(Outcome::Pass)) " pass, " (count(Outcome::Fail)) " fail, "
                    (count(Outcome::Inconclusive)) " inconclusive"
                    @match judgement.gaps.len() {
                        0 => {},
                        1 => { "; 1 gap in the coverage" },
                        more => { "; " (more) " gaps in the coverage" },
                    }
                }
                td { (plain(judgement.range_hz.0, 4)) " to " (plain(judgement.range_hz.1, 4)) " Hz" }
            } "\n"
        }
    };
    html! {
        @if let Some(outcome) = reduction.outcome {
            h2 { "Verdict " (badge(outcome)) } "\n"
            (table(&["Criterion", "Outcome", "Points", "Range to be covered"], rows))
            @for rule in decision_rules(&reduction.judgements) {
                p class="note" { (rule) } "\n"
            }
        }
    }
}

/// Each decision rule once, with the criteria that it is that of where there are
/// several.
fn decision_rules(judgements: &[Judgement]) -> Vec<String> {
    let mut rules: Vec<(&str, Vec<String>)> = Vec::new();
    for (number, judgement) in (1..).zip(judgements) {
        let rule = judgement.decision_rule.as_str();
        match rules.iter_mut().find(|(known, _)| *known == rule) {
            Some((_, of)) => of.push(number.to_string()),
            None => rules.push((rule, vec![number.to_string()])),
        }
    }
    let several = rules.len() > 1;
    rules
        .into_iter()
        .map(|(rule, of)| {
            if several {
                format!("Decision rule of criterion {}: {rule}.", of.join(", "))
            } else {
                format!("Decision rule: {rule}.")
            }
        })
        .collect()
}

/// Every criterion point by point, then what the reduction rests on.
pub(super) fn details(setup: &Setup, reduction: &Reduction, points: &[&ReducedPoint]) -> Markup {
    let diameter_mm = setup.conductor.diameter_mm;
    html! {
        @for (number, judgement) in (1..).zip(&reduction.judgements) {
            (criterion(judgement, requirement::figure(reduction, number, judgement, diameter_mm, points)))
        }
        (checks(&reduction.method_checks))
        (basis(reduction))
    }
}

fn criterion(judgement: &Judgement, figure: Markup) -> Markup {
    let gaps: Vec<String> = judgement
        .gaps
        .iter()
        .map(|gap| format!("{} to {} Hz", plain(gap.from_hz, 4), plain(gap.to_hz, 4)))
        .collect();
    html! {
        h2 { (capital(&with_micro_sign(&judgement.criterion))) " " (badge(judgement.outcome)) } "\n"
        @if !judgement.level.is_empty() {
            p class="note" { "Judged by points at the level: " (with_micro_sign(&judgement.level)) "." } "\n"
        }
        @if !judgement.accepted.is_empty() {
            p class="note" { (capital(&judgement.accepted)) "." } "\n"
        }
        @if !gaps.is_empty() {
            p class="warning" { "Not covered, no judged point between: " (gaps.join(", ")) "." } "\n"
        }
        (figure)
        (points_table(judgement))
    }
}

fn points_table(judgement: &Judgement) -> Markup {
    let remarks = judgement.points.iter().any(|point| point.reason.is_some());
    let unit = with_micro_sign(&judgement.unit);
    let (value, required) = (format!("Value, {unit}"), format!("Required, {unit}"));
    let mut titles = vec!["Point", "Outcome", "Frequency, Hz", &value, &required];
    if remarks {
        titles.push("Remark");
    }
    let rows = html! {
        @for point in &judgement.points {
            tr {
                th scope="row" { (point.point) }
                td class=(class(point.outcome)) { (point.outcome.word()) }
                td { (significant(point.frequency_hz, 5)) }
                td { (unbroken(&marked(measured(point.value), point.uncertainty_incomplete))) }
                td { (point.required.map_or_else(|| ABSENT.to_owned(), |required| significant(required, 4))) }
                @if remarks {
                    td class="words" { (point.reason.as_deref().unwrap_or_default()) }
                }
            } "\n"
        }
    };
    table(&titles, rows)
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

fn checks(checks: &[MethodCheck]) -> Markup {
    let titles = [
        "Point",
        "Frequency, Hz",
        "Method",
        "Compared",
        "Standing wave, W",
        "Second method, W",
        "E_n",
    ];
    let cells = |check: &MethodCheck| {
        [
            check.point.to_string(),
            significant(check.frequency_hz, 5),
            name_of(&check.method),
            name_of(&check.compared),
            measured(Some(check.standing_wave_w)),
            measured(Some(check.second_w)),
            check.e_n.map_or_else(
                || ABSENT.to_owned(),
                |e_n| marked(fixed(e_n, 2), check.uncertainty_incomplete),
            ),
        ]
    };
    html! {
        @if !checks.is_empty() {
            h2 { "Second methods" } "\n"
            p class="note" {
                "E_n is the difference over the joint expanded uncertainty; \
                 beyond ±1 the methods disagree (ISO/IEC 17043)."
            } "\n"
            (table(&titles, html! { @for check in checks { (row(&cells(check))) } }))
        }
    }
}

/// An enum's name as the files have it.
fn name_of(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|value| value.as_str().map(|name| name.replace('-', " ")))
        .unwrap_or_default()
}

fn basis(reduction: &Reduction) -> Markup {
    let mut facts = vec![(
        "Reduced by",
        format!("{} {}", reduction.program, reduction.version),
    )];
    match &reduction.baseline {
        None => facts.push(("Bare run", "none: no losses were taken off".to_owned())),
        Some(bare) => {
            facts.push(("Bare run", bare.title.clone()));
        }
    }
    if let Some(losses) = &reduction.bare_losses {
        let origin = if losses.level_exponent_fitted {
            "fitted to the bare run's levels"
        } else {
            "the default"
        };
        facts.push((
            "Bare losses",
            format!(
                "{} harmonics from {} Hz to {} Hz; level exponent {} ({origin}); what of them remains with the damper on: {}{}",
                losses.harmonics,
                plain(losses.low_hz, 4),
                plain(losses.high_hz, 4),
                measured(Some(losses.level_exponent)),
                losses.basis(),
                if losses.corrected() > 0 {
                    format!(
                        "; the correction is good to {} % of the bare power, k = 2",
                        plain(losses.subtraction_u_pct, 2)
                    )
                } else {
                    String::new()
                },
            ),
        ));
    }
    if let Some(sweep) = &reduction.fixed_sensors {
        facts.push(("Fixed sensors", sweep.sentence()));
    }
    html! {
        h2 { "What the damper's power rests on" } "\n"
        (facts_list(&facts))
        @for note in &reduction.notes { p class="note" { (note) } "\n" }
        (bare_points(&reduction.bare_points))
        @if let Some(sweep) = &reduction.fixed_sensors { (swept_sensors(&sweep.sensors)) }
    }
}

/// What the fixed sensors turned out to be by all points together.
fn swept_sensors(sensors: &[SweptChannel]) -> Markup {
    let titles = [
        "Channel",
        "Further from the drive than stated, mm",
        "Shows more than the others, %",
        "Leads the others, degrees",
    ];
    let cells = |sensor: &SweptChannel| {
        [
            sensor.channel.clone(),
            measured(Some(sensor.place_off_mm)),
            measured(Some(sensor.gain_off_pct)),
            measured(Some(sensor.phase_off_deg)),
        ]
    };
    html! {
        h3 { "Fixed sensors by all points together" } "\n"
        (table(&titles, html! { @for sensor in sensors { (row(&cells(sensor))) } }))
    }
}

/// What the bare span's losses were read at.
fn bare_points(points: &[BarePoint]) -> Markup {
    let titles = [
        "Point",
        "Verdict",
        "Harmonic",
        "Frequency, Hz",
        "Antinode velocity, mm/s peak",
        "Ratio V_n / V_a",
        "Power lost, W",
    ];
    let cells = |point: &BarePoint| {
        [
            point.point.to_string(),
            point.verdict.word().to_owned(),
            point
                .harmonic
                .map_or_else(|| ABSENT.to_owned(), |harmonic| harmonic.to_string()),
            by_uncertainty(point.frequency_hz),
            measured(point.antinode_velocity_mm_s),
            measured(point.iswr),
            measured(point.power_total_w),
        ]
    };
    html! {
        @if !points.is_empty() {
            h3 { "Points of the bare span" } "\n"
            (table(&titles, html! { @for point in points { (row(&cells(point))) } }))
        }
    }
}
