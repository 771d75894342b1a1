//! What the reduction says: criteria, holes, second methods, the bare run.

use std::fmt::Write as _;

use super::facts_list;
use crate::evaluation::criteria::{Judgement, Outcome, PointJudgement};
use crate::evaluation::methods::MethodCheck;
use crate::report::audit::figures::Picture;
use crate::report::audit::page::picture_html;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::{escape, head, row};
use crate::report::number::{ABSENT, fixed, plain, significant, with_uncertainty};
use crate::report::reduction::Reduction;

/// The style sheet's class for an outcome.
fn class(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "fail",
        Outcome::Inconclusive => "open",
    }
}

fn badge(outcome: Outcome) -> String {
    let (class, word) = (class(outcome), outcome.word());
    format!("<span class=\"verdict {class}\">{word}</span>")
}

/// The verdict in short, for the head of the report.
pub(super) fn summary(body: &mut String, reduction: &Reduction) {
    let Some(outcome) = reduction.outcome else {
        return;
    };
    let _ = write!(
        body,
        "<h2>Verdict {}</h2>\n<div class=\"wide\"><table>\n{}<tbody>\n",
        badge(outcome),
        head(&["Criterion", "Outcome", "Points", "Decision rule"])
    );
    for judgement in &reduction.judgements {
        let count = |outcome: Outcome| {
            judgement
                .points
                .iter()
                .filter(|point| point.outcome == outcome)
                .count()
        };
        let holes = match judgement.holes.len() {
            0 => String::new(),
            1 => "; 1 hole in the coverage".to_owned(),
            more => format!("; {more} holes in the coverage"),
        };
        let _ = writeln!(
            body,
            "<tr><th scope=\"row\" class=\"words\">{}</th><td>{}</td><td class=\"words\">{} pass, {} fail, {} inconclusive{holes}</td>\
             <td class=\"words\">{}</td></tr>",
            escape(&judgement.criterion),
            badge(judgement.outcome),
            count(Outcome::Pass),
            count(Outcome::Fail),
            count(Outcome::Inconclusive),
            escape(&judgement.decision_rule),
        );
    }
    body.push_str("</tbody></table></div>\n");
}

/// Every criterion point by point, then what the reduction rests on.
pub(super) fn details(body: &mut String, reduction: &Reduction) {
    for judgement in &reduction.judgements {
        criterion(body, judgement);
    }
    checks(body, &reduction.method_checks);
    basis(body, reduction);
}

fn criterion(body: &mut String, judgement: &Judgement) {
    let _ = writeln!(
        body,
        "<h2>{} {}</h2>",
        escape(&capital(&judgement.criterion)),
        badge(judgement.outcome)
    );
    if !judgement.holes.is_empty() {
        let holes: Vec<String> = judgement
            .holes
            .iter()
            .map(|hole| format!("{} to {} Hz", plain(hole.from_hz, 4), plain(hole.to_hz, 4)))
            .collect();
        let _ = writeln!(
            body,
            "<p class=\"warning\">Not covered, no judged point between: {}.</p>",
            holes.join(", ")
        );
    }
    body.push_str("<div class=\"grid\">\n");
    body.push_str(&picture_html(&picture(judgement)));
    body.push_str("</div>\n");
    points_table(body, judgement);
}

fn points_table(body: &mut String, judgement: &Judgement) {
    let remarks = judgement.points.iter().any(|point| point.reason.is_some());
    let (value, required) = (
        format!("Value, {}", judgement.unit),
        format!("Required, {}", judgement.unit),
    );
    let mut titles = vec!["Point", "Outcome", "Frequency, Hz", &value, &required];
    if remarks {
        titles.push("Remark");
    }
    let _ = write!(
        body,
        "<div class=\"wide\"><table>\n{}<tbody>\n",
        head(&titles)
    );
    for point in &judgement.points {
        let (word, class) = (point.outcome.word(), class(point.outcome));
        let _ = write!(
            body,
            "<tr><th scope=\"row\">{}</th><td class=\"{class}\">{word}</td><td>{}</td><td>{}</td><td>{}</td>",
            point.point,
            significant(point.frequency_hz, 5),
            with_uncertainty(point.value, point.value_u),
            point
                .required
                .map_or_else(|| ABSENT.to_owned(), |required| significant(required, 4)),
        );
        if remarks {
            let remark = point.reason.as_deref().unwrap_or_default();
            let _ = write!(body, "<td class=\"words\">{}</td>", escape(remark));
        }
        body.push_str("</tr>\n");
    }
    body.push_str("</tbody></table></div>\n");
}

fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// Value against requirement over frequency.
fn picture(judgement: &Judgement) -> Picture {
    let of = |outcome: Outcome| -> Vec<(f64, f64, f64)> {
        judgement
            .points
            .iter()
            .filter(|point| point.outcome == outcome)
            .filter_map(|p| Some((p.frequency_hz, p.value?, p.value_u.unwrap_or(f64::NAN))))
            .collect()
    };
    let mut required: Vec<(f64, f64)> = judgement
        .points
        .iter()
        .filter_map(|point| Some((point.frequency_hz, point.required?)))
        .collect();
    required.sort_by(|a, b| a.0.total_cmp(&b.0));
    let top = |point: &PointJudgement| Some(point.value? + point.value_u.unwrap_or(0.0));
    let tops = judgement
        .points
        .iter()
        .filter_map(top)
        .chain(required.iter().map(|point| point.1));
    let (low_hz, high_hz) = judgement.range_hz;
    let frequencies = judgement.points.iter().map(|point| point.frequency_hz);
    let figure = Figure::new(
        &judgement.criterion,
        Axis::over("frequency (Hz)", frequencies.chain([low_hz, high_hz])),
        Axis::from_zero(&format!("value ({})", judgement.unit), tops),
    )
    .height(190.0);
    let figure = judgement.holes.iter().fold(figure, |figure, hole| {
        figure.band_x(Look::Fail, hole.from_hz, hole.to_hz)
    });
    let kinds = [
        (Look::Pass, Outcome::Pass),
        (Look::Fail, Outcome::Fail),
        (Look::Open, Outcome::Inconclusive),
    ];
    let figure = kinds
        .into_iter()
        .filter(|(_, outcome)| !of(*outcome).is_empty())
        .fold(figure, |figure, (look, outcome)| {
            figure
                .errors(look, of(outcome))
                .key(look, &outcome.word().to_lowercase())
        });
    Picture {
        title: "Value and requirement".to_owned(),
        caption: "Line: what is required at each point. Bars: expanded uncertainty, k = 2. Shaded: no judged point."
            .to_owned(),
        figure: figure.line(Look::Limit, required).key(Look::Limit, "required"),
    }
}

fn checks(body: &mut String, checks: &[MethodCheck]) {
    if checks.is_empty() {
        return;
    }
    let _ = write!(
        body,
        "<h2>Second methods</h2>\n<p class=\"note\">E_n is the difference over the joint expanded uncertainty; \
         beyond ±1 the methods disagree (ISO/IEC 17043).</p>\n<div class=\"wide\"><table>\n{}<tbody>\n",
        head(&[
            "Point",
            "Frequency, Hz",
            "Method",
            "Compared",
            "Standing wave, W",
            "Second method, W",
            "E_n",
        ])
    );
    for check in checks {
        body.push_str(&row(&[
            check.point.to_string(),
            significant(check.frequency_hz, 5),
            escape(&name_of(&check.method)),
            escape(&name_of(&check.compared)),
            with_uncertainty(Some(check.standing_wave_w), Some(check.standing_wave_u_w)),
            with_uncertainty(Some(check.second_w), Some(check.second_u_w)),
            check
                .e_n
                .map_or_else(|| ABSENT.to_owned(), |e_n| fixed(e_n, 2)),
        ]));
    }
    body.push_str("</tbody></table></div>\n");
}

/// An enum's name as the files have it.
fn name_of(value: &impl serde::Serialize) -> String {
    serde_json::to_value(value)
        .ok()
        .and_then(|value| value.as_str().map(|name| name.replace('-', " ")))
        .unwrap_or_default()
}

fn basis(body: &mut String, reduction: &Reduction) {
    body.push_str("<h2>What the damper's power rests on</h2>\n");
    let mut facts = vec![(
        "Reduced by",
        format!("{} {}", reduction.program, reduction.version),
    )];
    match &reduction.baseline {
        None => facts.push(("Bare run", "none: no losses were taken off".to_owned())),
        Some(bare) => {
            facts.push(("Bare run", format!("{}, {}", bare.title, bare.folder)));
            facts.push(("BLAKE3 of its points", bare.points_blake3.clone()));
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
                "{} harmonics from {} Hz to {} Hz; level exponent {} ({origin}); what of them remains with the damper on: {}, good to {} % of the bare power, k = 2",
                losses.harmonics,
                plain(losses.low_hz, 4),
                plain(losses.high_hz, 4),
                with_uncertainty(Some(losses.level_exponent), Some(losses.level_exponent_u)),
                losses.basis(),
                plain(losses.subtraction_u_pct, 2),
            ),
        ));
    }
    for curve in &reduction.curves {
        facts.push((
            "Required curve",
            format!(
                "criterion {}: {}, BLAKE3 {}",
                curve.criterion, curve.file, curve.blake3
            ),
        ));
    }
    facts_list(body, &facts);
    for note in &reduction.notes {
        let _ = writeln!(body, "<p class=\"note\">{}</p>", escape(note));
    }
}
