//! The audit as one self-contained HTML page: an index, then a section a
//! dwell.

use std::fmt::Write as _;

use super::Audit;
use super::case::{Case, Judgement, Outcome};
use super::figures::{Picture, pictures};
use super::sentence::sentence;
use crate::reduction::SettledPoint;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::{escape, head, page, row};
use crate::report::number::{ABSENT, by_uncertainty, duration, fixed, significant};
use crate::resonance::reading::fold_half_turn_deg;

/// The whole audit; `deep` is HTML that follows the only case, if there is
/// one alone.
pub fn html(audit: &Audit, deep: &str) -> String {
    let mut body = String::new();
    opening(&mut body, audit);
    if audit.cases.len() > 1 {
        overview(&mut body, audit);
        index(&mut body, audit);
    }
    for case in &audit.cases {
        section(&mut body, case, audit.window_s);
        if audit.cases.len() > 1 {
            body.push_str("<p class=\"note\"><a href=\"#points\">All points</a></p>\n");
        }
    }
    body.push_str(deep);
    closing(&mut body, audit);
    page(&format!("Audit: {}", audit.title), &body)
}

fn opening(body: &mut String, audit: &Audit) {
    let record = &audit.run.record;
    let _ = write!(
        body,
        "<header>\n<p class=\"kicker\">Audit of {}</p>\n<h1>{}</h1>\n<p>{}.</p>\n</header>\n",
        escape(&audit.run.folder.display().to_string()),
        escape(audit.title),
        escape(&audit.counts()),
    );
    let class = if audit.recordings.any_changed() {
        "warning"
    } else {
        "note"
    };
    for sentence in audit.recordings.sentences() {
        let _ = writeln!(body, "<p class=\"{class}\">{}</p>", escape(&sentence));
    }
    for note in &audit.run.notes {
        let _ = writeln!(body, "<p class=\"warning\">{}</p>", escape(note));
    }
    let _ = writeln!(
        body,
        "<p class=\"note\">Made by {} {}, {}, started {}. Velocities are peak values.</p>",
        escape(&record.program),
        escape(&record.version),
        escape(&record.command),
        record.started_utc.strftime("%Y-%m-%d %H:%M:%S UTC"),
    );
}

fn look(case: &Case) -> Look {
    match case.verdict().1 {
        "pass" => Look::Pass,
        "open" => Look::Open,
        _ => Look::Fail,
    }
}

fn overview(body: &mut String, audit: &Audit) {
    let sweep: Vec<(f64, f64)> = audit
        .trace
        .iter()
        .map(|row| (row.time_s, row.frequency_hz.unwrap_or(f64::NAN)))
        .collect();
    let last_s = audit.trace.last().map_or(1.0, |row| row.time_s);
    let over_time = audit.cases.iter().fold(
        Figure::new(
            "frequency over the whole run, with every dwell",
            Axis::new("time (s)", 0.0, last_s),
            Axis::over("frequency (Hz)", sweep.iter().map(|point| point.1)),
        )
        .line(Look::Approach, sweep),
        |figure, case| figure.band_x(look(case), case.point.start_s, case.point.end_s),
    );
    let kinds = [
        (Look::Pass, "held"),
        (Look::Open, "steady"),
        (Look::Fail, "rejected"),
    ];
    let over_time = keyed(over_time, audit, &kinds);
    let _ = writeln!(
        body,
        "<div class=\"grid\">\n{}{}{}</div>",
        picture_html(&Picture {
            title: "The run".to_owned(),
            caption: "Drive frequency over time; shaded where a dwell was judged.".to_owned(),
            figure: over_time,
        }),
        of_points(audit, &kinds, &PHASE).map_or_else(String::new, |picture| picture_html(&picture)),
        of_points(audit, &kinds, &RATIO).map_or_else(String::new, |picture| picture_html(&picture)),
    );
}

fn keyed(figure: Figure, audit: &Audit, kinds: &[(Look, &str)]) -> Figure {
    kinds
        .iter()
        .filter(|(_, word)| audit.cases.iter().any(|case| case.verdict().0 == *word))
        .fold(figure, |figure, (look, word)| figure.key(*look, word))
}

/// A quantity of every point over frequency.
struct Quantity {
    title: &'static str,
    caption: &'static str,
    axis: &'static str,
    /// Value and expanded uncertainty.
    of: fn(&SettledPoint) -> (Option<f64>, Option<f64>),
    /// Ends of the axis, if they are fixed.
    range: Option<(f64, f64)>,
    /// Criterion whose limit is drawn on both sides of zero.
    criterion: Option<&'static str>,
}

/// The shortest proof of the whole run.
const PHASE: Quantity = Quantity {
    title: "Drive phase of every point",
    caption: "0 deg is resonance. Dashed: what is allowed. Bars: expanded uncertainty, k = 2.",
    axis: "drive phase (deg)",
    of: |point| {
        let folded = point.drive_phase_deg.map(fold_half_turn_deg);
        (folded, point.drive_phase_u_deg)
    },
    range: Some((-95.0, 95.0)),
    criterion: Some("drive phase"),
};

const RATIO: Quantity = Quantity {
    title: "Efficiency of every point",
    caption: "100 V_n / V_a, losses of the bare span included. Bars: expanded uncertainty, k = 2.",
    axis: "efficiency (%)",
    of: |point| (point.efficiency_pct, point.efficiency_u_pct),
    range: None,
    criterion: None,
};

fn of_points(audit: &Audit, kinds: &[(Look, &str)], quantity: &Quantity) -> Option<Picture> {
    let point_of = |case: &Case| {
        let (value, uncertainty) = (quantity.of)(case.point);
        Some((
            case.point.frequency_hz?,
            value?,
            uncertainty.unwrap_or(f64::NAN),
        ))
    };
    let all: Vec<(f64, f64, f64)> = audit.cases.iter().filter_map(point_of).collect();
    if all.is_empty() {
        return None;
    }
    let y = match quantity.range {
        Some((low, high)) => Axis::new(quantity.axis, low, high),
        None => Axis::from_zero(quantity.axis, all.iter().map(|point| point.1)),
    };
    let limit = quantity
        .criterion
        .and_then(|name| audit.cases.iter().find_map(|case| case.limit(name)));
    let figure = Figure::new(
        &format!("{} over frequency", quantity.title),
        Axis::over("frequency (Hz)", all.iter().map(|point| point.0)),
        y,
    );
    let figure = limit
        .into_iter()
        .flat_map(|limit| [limit, -limit])
        .fold(figure, |figure, at| figure.rule_y(Look::Limit, at));
    let figure = kinds.iter().fold(figure, |figure, (look, word)| {
        let points = audit
            .cases
            .iter()
            .filter(|case| case.verdict().0 == *word)
            .filter_map(point_of)
            .collect();
        figure.errors(*look, points)
    });
    Some(Picture {
        title: quantity.title.to_owned(),
        caption: quantity.caption.to_owned(),
        figure: keyed(figure, audit, kinds),
    })
}

fn index(body: &mut String, audit: &Audit) {
    let titles = [
        "Point",
        "Verdict",
        "Frequency, Hz",
        "Harmonic",
        "Length",
        "Ring-up, time constants",
        "Closest to its limit",
    ];
    let _ = write!(
        body,
        "<h2 id=\"points\">All points</h2>\n<div class=\"wide\"><table class=\"index\">\n{}<tbody>\n",
        head(&titles)
    );
    for case in &audit.cases {
        let point = case.point;
        let (word, class) = case.verdict();
        let cells = [
            format!("<a href=\"#point-{0}\">{0}</a>", point.point),
            format!("<span class=\"verdict {class}\">{word}</span>"),
            by_uncertainty(point.frequency_hz, point.frequency_u_hz),
            point
                .harmonic
                .map_or_else(|| ABSENT.to_owned(), |harmonic| harmonic.to_string()),
            duration(point.end_s - point.start_s),
            case.criterion("ring-up")
                .and_then(|criterion| criterion.value)
                .map_or_else(|| ABSENT.to_owned(), |constants| fixed(constants, 1)),
        ];
        let row = row(&cells);
        let _ = writeln!(
            body,
            "{}<td class=\"words\">{}</td></tr>",
            row.trim_end().trim_end_matches("</tr>"),
            closest(case)
        );
    }
    body.push_str("</tbody></table></div>\n");
}

/// What failed, or else the criterion that used up most of its limit.
fn closest(case: &Case) -> String {
    let judged = case.judgements();
    let failed: Vec<String> = judged
        .iter()
        .filter(|judged| judged.outcome == Outcome::Fail)
        .map(|judged| escape(judged.name))
        .collect();
    if !failed.is_empty() {
        return format!("not met: {}", failed.join(", "));
    }
    judged
        .iter()
        .filter(|judged| judged.outcome == Outcome::Pass)
        .filter_map(|judged| Some((judged, judged.used?)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .map_or_else(
            || ABSENT.to_owned(),
            |(judged, used)| format!("{}, {} % used", escape(judged.name), fixed(100.0 * used, 0)),
        )
}

fn section(body: &mut String, case: &Case, window_s: Option<f64>) {
    let (word, class) = case.verdict();
    let point = case.point;
    let _ = write!(
        body,
        "<section class=\"case\" id=\"point-{}\">\n<h2>{} <span class=\"verdict {class}\">{word}</span></h2>\n\
         <p class=\"spoken\">{}</p>\n",
        point.point,
        escape(&case.name()),
        escape(&sentence(case)),
    );
    let unsaid = case.unsaid_reasons();
    if !unsaid.is_empty() {
        body.push_str("<ul>\n");
        for reason in unsaid {
            let _ = writeln!(body, "<li>{}</li>", escape(reason));
        }
        body.push_str("</ul>\n");
    }
    let _ = writeln!(
        body,
        "<p class=\"note\">Dwell {} s to {} s, judged {} s to {} s{}. {} missing, {} clipped samples.</p>",
        fixed(case.dwell_s.0, 2),
        fixed(case.dwell_s.1, 2),
        fixed(point.start_s, 2),
        fixed(point.end_s, 2),
        point
            .start_utc
            .as_deref()
            .map_or_else(String::new, |utc| format!(", from {}", escape(utc))),
        point.missing_samples,
        point.clipped_samples,
    );
    criteria_table(body, case);
    body.push_str("<div class=\"grid\">\n");
    for picture in pictures(case, window_s) {
        body.push_str(&picture_html(&picture));
    }
    body.push_str("</div>\n</section>\n");
}

/// A figure with heading and caption.
pub fn picture_html(picture: &Picture) -> String {
    format!(
        "<figure>\n<h4>{}</h4>\n{}<figcaption>{}</figcaption>\n</figure>\n",
        escape(&picture.title),
        picture.figure.svg(),
        escape(&picture.caption)
    )
}

fn criteria_table(body: &mut String, case: &Case) {
    if case.criteria.is_empty() {
        body.push_str(
            "<p class=\"warning\">No evidence: evidence.jsonl has no line for this point. \
             <code>spanhold verify</code> works it out anew.</p>\n",
        );
        return;
    }
    let _ = write!(
        body,
        "<div class=\"wide\"><table class=\"criteria\">\n<thead><tr><th scope=\"col\">Criterion</th>\
         <th scope=\"col\">Result</th><th scope=\"col\" class=\"number\">Value</th>\
         <th scope=\"col\" class=\"number\">Limit</th><th scope=\"col\" class=\"number\">Margin</th>\
         <th scope=\"col\">Limit used</th></tr></thead>\n<tbody>\n"
    );
    let judged = case.judgements();
    for judged in &judged {
        criterion_row(body, judged);
    }
    body.push_str("</tbody></table></div>\n");
    if judged.iter().any(Judgement::within_allowance) {
        body.push_str(
            "<p class=\"note\">* past the limit by no more than the measurement can tell \
             (its noise, or one hop of length): let pass.</p>\n",
        );
    }
}

fn criterion_row(body: &mut String, judged: &Judgement) {
    let star = if judged.within_allowance() { "*" } else { "" };
    let _ = writeln!(
        body,
        "<tr><th scope=\"row\">{} <small>{}</small></th><td class=\"{}\">{}{star}</td><td class=\"number\">{}</td>\
         <td class=\"number\">{}</td><td class=\"number\">{}</td><td>{}</td></tr>",
        escape(judged.name),
        escape(judged.unit),
        judged.outcome.class(),
        judged.outcome.word(),
        judged.value_text(),
        escape(&judged.limit_text()),
        judged.margin_text(),
        share_bar(judged),
    );
}

/// A bar that is full, and meets the limit's mark, at two thirds of its room.
fn share_bar(judged: &Judgement) -> String {
    const ROOM: f64 = 120.0;
    const LIMIT: f64 = 80.0;
    if judged.value.is_none() {
        return ABSENT.to_owned();
    }
    // No share: the limit is zero and was passed, or the value is none at all.
    let length = judged.used.map_or(ROOM, |used| (LIMIT * used).min(ROOM));
    let said = judged.used.map_or_else(
        || "past it".to_owned(),
        |used| format!("{} %", significant(100.0 * used, 2)),
    );
    format!(
        "<svg class=\"share {}\" viewBox=\"0 0 {ROOM} 12\" role=\"img\" aria-label=\"{said} of the limit\">\
         <rect class=\"room\" x=\"0\" y=\"2\" width=\"{ROOM}\" height=\"8\"/>\
         <rect class=\"used\" x=\"0\" y=\"2\" width=\"{}\" height=\"8\"/>\
         <path class=\"end\" d=\"M{LIMIT} 0V12\"/></svg>",
        judged.outcome.class(),
        fixed(length, 1),
    )
}

fn closing(body: &mut String, audit: &Audit) {
    body.push_str(
        "<section>\n<h2>How a hold is judged</h2>\n\
         <p>A dwell is a stretch of constant drive frequency. It is judged whole, from the end of ring-up to its end. \
         It counts as held when every criterion is met and resonance is shown: by the phase between drive force and \
         antinode velocity, or by an approach that went over the peak on both sides. It is steady when all else is met \
         but resonance is neither shown nor excluded. Otherwise it is rejected, with the reasons.</p>\n\
         <p>Limits on a signed value hold for its size. The margin is what is left to the limit. In the bars the mark \
         is the limit.</p>\n<h2>Files</h2>\n<div class=\"wide\"><table>\n",
    );
    body.push_str(&head(&["File", "State", "BLAKE3 when the run was made"]));
    body.push_str("<tbody>\n");
    for file in audit.recordings.all() {
        let sentence = file.sentence();
        let state = sentence
            .strip_prefix(&file.named)
            .unwrap_or(&sentence)
            .trim();
        let _ = writeln!(
            body,
            "<tr><th scope=\"row\"><code>{}</code></th><td class=\"words\">{}</td><td class=\"words\"><code>{}</code></td></tr>",
            escape(&file.named),
            escape(state),
            escape(file.blake3.as_deref().unwrap_or(ABSENT)),
        );
    }
    body.push_str("</tbody></table></div>\n</section>\n");
}
