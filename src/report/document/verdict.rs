//! What the reduction says: criteria, gaps in the coverage, second methods, the
//! bare run.

use maud::{Markup, html};

use super::requirement;
use super::signoff::file_name;
use crate::evaluation::criteria::{Judgement, Outcome};
use crate::evaluation::methods::MethodCheck;
use crate::report::html::{facts_list, row, table};
use crate::report::number::{ABSENT, fixed, measured, plain, significant, with_micro_sign};
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

fn badge(outcome: Outcome) -> Markup {
    html! { span class={ "verdict " (class(outcome)) } { (outcome.word()) } }
}

/// The verdict in short, for the head of the report.
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
                td class="words" { (judgement.decision_rule) }
            } "\n"
        }
    };
    html! {
        @if let Some(outcome) = reduction.outcome {
            h2 { "Verdict " (badge(outcome)) } "\n"
            (table(&["Criterion", "Outcome", "Points", "Decision rule"], rows))
        }
    }
}

/// Every criterion point by point, then what the reduction rests on.
pub(super) fn details(setup: &Setup, reduction: &Reduction) -> Markup {
    html! {
        @for (number, judgement) in (1..).zip(&reduction.judgements) {
            (criterion(judgement, requirement::figure(reduction, number, judgement, setup.conductor.diameter_mm)))
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
                td { (marked(measured(point.value), point.uncertainty_incomplete)) }
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
    for curve in &reduction.curves {
        facts.push((
            "Required curve",
            format!(
                "criterion {}: {}, BLAKE3 {}",
                curve.criterion,
                file_name(&curve.file),
                curve.blake3
            ),
        ));
    }
    html! {
        h2 { "What the damper's power rests on" } "\n"
        (facts_list(&facts))
        @for note in &reduction.notes { p class="note" { (note) } "\n" }
    }
}
