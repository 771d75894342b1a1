//! The audit as one self-contained HTML page: an index, then a section a
//! dwell.

use maud::{Markup, html};

use super::Audit;
use super::case::{Case, Judgement, Outcome};
use super::figures::{Picture, pictures};
use super::sentence::sentence;
use crate::ledger::CheckedSeal;
use crate::reduction::{Measured, SettledPoint};
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::{head, page, table, wide};
use crate::report::number::{ABSENT, by_uncertainty, duration, fixed, significant};
use crate::resonance::HoldCriterion;
use crate::resonance::phasor::fold_half_turn_deg;

/// The whole audit; `deep` follows the only case, if there is one alone.
pub fn html(audit: &Audit, deep: Markup) -> String {
    let several = audit.cases.len() > 1;
    let body = html! {
        (opening(audit))
        @if several {
            (overview(audit))
            (index(audit))
        }
        @for case in &audit.cases {
            (section(case, audit.window_s))
            @if several { p class="note back" { a href="#points" { "All points" } } "\n" }
        }
        (deep)
        (closing(audit))
    };
    page(&format!("Audit: {}", audit.title), body)
}

fn opening(audit: &Audit) -> Markup {
    let record = &audit.run.record;
    let class = if audit.any_changed() {
        "warning"
    } else {
        "note"
    };
    let started = record.started_utc.strftime("%Y-%m-%d %H:%M:%S UTC");
    html! {
        header { "\n"
            p class="kicker" { "Audit of " (audit.run.folder.display()) } "\n"
            h1 { (audit.title) } "\n"
            p { (audit.counts()) "." } "\n"
        } "\n"
        @for alteration in &audit.run.alterations {
            p class=(class) { "Not what the run wrote: " (alteration) "." } "\n"
        }
        @for sentence in audit.recordings.sentences() { p class=(class) { (sentence) } "\n" }
        @for sentence in audit.seal.iter().flat_map(CheckedSeal::text) { p class=(class) { (sentence) } "\n" }
        @for note in &audit.run.notes { p class="warning" { (note) } "\n" }
        @for note in audit.run.notes_without_point() { p class="warning" { (note) "." } "\n" }
        p class="note" {
            "Made by " (record.program) " " (record.version) ", " (record.command) ", started " (started)
            ". Velocities are peak values."
        } "\n"
    }
}

fn look(case: &Case) -> Look {
    match case.verdict().1 {
        "pass" => Look::Pass,
        "open" => Look::Open,
        _ => Look::Fail,
    }
}

fn overview(audit: &Audit) -> Markup {
    let sweep: Vec<(f64, f64)> = audit
        .trace
        .iter()
        .map(|row| (row.time_s, row.frequency_hz.unwrap_or(f64::NAN)))
        .collect();
    let last_s = audit.trace.last().map_or(1.0, |row| row.time_s);
    let over_time = audit.cases.iter().fold(
        Figure::new(
            "frequency over the whole run, with every dwell",
            Axis::new("time, s", 0.0, last_s),
            Axis::over("frequency, Hz", sweep.iter().map(|point| point.1)),
        )
        .line(Look::Approach, sweep),
        |figure, case| figure.band_x(look(case), case.point.start_s, case.point.end_s),
    );
    let kinds = [
        (Look::Pass, "held"),
        (Look::Open, "steady or off the peak"),
        (Look::Fail, "rejected"),
    ];
    let over_time = keyed(over_time, audit, &kinds);
    let run = Picture {
        title: "The run".to_owned(),
        caption: "Drive frequency over time; shaded where a dwell was judged.".to_owned(),
        figure: over_time,
    };
    html! {
        div class="grid" { "\n"
            (run.markup())
            @for quantity in [&PHASE, &PATTERN, &RATIO, &DIFFERENCE] {
                @if let Some(picture) = of_points(audit, &kinds, quantity) { (picture.markup()) }
            }
        } "\n"
    }
}

fn keyed(figure: Figure, audit: &Audit, kinds: &[(Look, &str)]) -> Figure {
    kinds
        .iter()
        .filter(|(_, word)| audit.cases.iter().any(|case| case.verdict().0 == *word))
        .fold(figure, |figure, (look, word)| figure.key(*look, word))
}

/// What the axis of a quantity covers.
enum Range {
    /// From here to there.
    Fixed(f64, f64),
    /// From zero up.
    FromZero,
    /// Zero in the middle, and the bars.
    AboutZero,
}

/// A quantity of every point over frequency.
struct PointQuantity {
    title: &'static str,
    caption: &'static str,
    axis: &'static str,
    of: fn(&SettledPoint) -> Option<Measured>,
    range: Range,
    /// Criterion whose limit is drawn on both sides of zero.
    criterion: Option<HoldCriterion>,
}

/// The shortest proof of the whole run.
const PHASE: PointQuantity = PointQuantity {
    title: "Drive phase of every point",
    caption: "0 deg is resonance. Dashed: what is allowed. Bars: expanded uncertainty, k = 2.",
    axis: "drive phase, deg",
    of: |point| {
        let phase = point.drive_phase_deg?;
        Some(Measured::new(fold_half_turn_deg(phase.value), phase.u))
    },
    range: Range::Fixed(-95.0, 95.0),
    criterion: Some(HoldCriterion::DrivePhase),
};

/// The second one, where fixed sensors show it.
const PATTERN: PointQuantity = PointQuantity {
    title: "Peak by the place of the nodes",
    caption: "By fixed sensors, against the drive-end clamp; 0 is resonance. Dashed: what is allowed. Bars: expanded uncertainty, k = 2.",
    axis: "above the peak, bandwidths",
    of: |point| point.node_pattern_bandwidths,
    range: Range::Fixed(-1.0, 1.0),
    criterion: Some(HoldCriterion::NodePattern),
};

/// Both methods at once.
const DIFFERENCE: PointQuantity = PointQuantity {
    title: "Fixed sensors against the pair",
    caption: "Their ratio less that of the pair that was moved, of the pair's. Bars: joint expanded uncertainty, k = 2.",
    axis: "difference of the ratio, %",
    of: |point| point.wave_difference_pct,
    range: Range::AboutZero,
    criterion: None,
};

const RATIO: PointQuantity = PointQuantity {
    title: "Efficiency of every point",
    caption: "100 V_n / V_a, losses of the bare span included. Bars: expanded uncertainty, k = 2.",
    axis: "efficiency, %",
    of: |point| point.efficiency_pct,
    range: Range::FromZero,
    criterion: None,
};

fn of_points(audit: &Audit, kinds: &[(Look, &str)], quantity: &PointQuantity) -> Option<Picture> {
    let point_of = |case: &Case| {
        let value = (quantity.of)(case.point)?;
        Some((case.point.frequency_hz?.value, value.value, value.u))
    };
    let all: Vec<(f64, f64, f64)> = audit.cases.iter().filter_map(point_of).collect();
    if all.is_empty() {
        return None;
    }
    let y = match quantity.range {
        Range::Fixed(low, high) => Axis::new(quantity.axis, low, high),
        Range::FromZero => Axis::from_zero(quantity.axis, all.iter().map(|point| point.1)),
        Range::AboutZero => {
            let reach = all.iter().map(|point| point.1.abs() + point.2);
            let most = reach.filter(|reach| reach.is_finite()).fold(0.0, f64::max);
            let most = if most > 0.0 { 1.08 * most } else { 1.0 };
            Axis::new(quantity.axis, -most, most)
        }
    };
    let limit = quantity
        .criterion
        .and_then(|criterion| audit.cases.iter().find_map(|case| case.limit(criterion)));
    let figure = Figure::new(
        &format!("{} over frequency", quantity.title),
        Axis::over("frequency, Hz", all.iter().map(|point| point.0)),
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

fn index(audit: &Audit) -> Markup {
    let titles = [
        "Point",
        "Verdict",
        "Frequency, Hz",
        "Harmonic",
        "Length",
        "Ring-up, time constants",
        "Closest to its limit",
    ];
    html! {
        h2 id="points" { "All points" } "\n"
        (wide(html! {
            table class="index" { "\n"
                (head(&titles))
                tbody { "\n" @for case in &audit.cases { (index_row(case)) } }
            }
        }))
    }
}

fn index_row(case: &Case) -> Markup {
    let point = case.point;
    let (word, class) = case.verdict();
    let harmonic = point
        .harmonic
        .map_or_else(|| ABSENT.to_owned(), |harmonic| harmonic.to_string());
    let ring_up = case
        .result(HoldCriterion::RingUp)
        .and_then(|result| result.value)
        .map_or_else(|| ABSENT.to_owned(), |constants| fixed(constants, 1));
    html! {
        tr {
            th scope="row" { a href={ "#point-" (point.point) } { (point.point) } }
            td { span class={ "verdict " (class) } { (word) } }
            td { (by_uncertainty(point.frequency_hz)) }
            td { (harmonic) }
            td { (duration(point.end_s - point.start_s)) }
            td { (ring_up) }
            td class="words" { (closest(case)) }
        } "\n"
    }
}

/// What failed, or else the criterion that used up most of its limit.
fn closest(case: &Case) -> String {
    let judged = case.judgements();
    let failed: Vec<&str> = judged
        .iter()
        .filter(|judged| judged.outcome == Outcome::Fail)
        .map(|judged| judged.name)
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
            |(judged, used)| format!("{}, {} % used", judged.name, fixed(100.0 * used, 0)),
        )
}

fn section(case: &Case, window_s: Option<f64>) -> Markup {
    let (word, class) = case.verdict();
    let point = case.point;
    let unsaid = case.unsaid_reasons();
    html! {
        section class="case" id={ "point-" (point.point) } { "\n"
            h2 { (case.name()) " " span class={ "verdict " (class) } { (word) } } "\n"
            p class="spoken" { (sentence(case)) } "\n"
            @if !unsaid.is_empty() {
                ul { "\n" @for reason in unsaid { li { (reason) } "\n" } } "\n"
            }
            @if case.is_excluded() {
                p class="warning" { "Excluded: it does not count for any requirement." } "\n"
            }
            @if !case.notes.is_empty() {
                ul { "\n" @for note in &case.notes { li { (note.sentence()) } "\n" } } "\n"
            }
            p class="note" {
                "Dwell " (fixed(case.dwell_s.0, 2)) " s to " (fixed(case.dwell_s.1, 2)) " s, judged "
                (fixed(point.start_s, 2)) " s to " (fixed(point.end_s, 2)) " s"
                @if let Some(utc) = &point.start_utc { ", from " (utc) }
                ". " (point.missing_samples) " missing, " (point.clipped_samples) " clipped samples."
            } "\n"
            (criteria_table(case))
            div class="grid" { "\n"
                @for picture in pictures(case, window_s) { (picture.markup()) }
            } "\n"
        } "\n"
    }
}

fn criteria_table(case: &Case) -> Markup {
    if case.criteria.is_empty() {
        return html! {
            p class="warning" {
                "No evidence: evidence.jsonl has no line for this point. " code { "spanhold verify" }
                " recomputes it."
            } "\n"
        };
    }
    let judged = case.judgements();
    let heading =
        |title: &str, class: Option<&str>| html! { th scope="col" class=[class] { (title) } };
    html! {
        (wide(html! {
            table class="criteria" { "\n"
                thead {
                    tr {
                        (heading("Criterion", None))
                        (heading("Result", None))
                        @for title in ["Value", "Limit", "Margin"] { (heading(title, Some("number"))) }
                        (heading("Limit used", None))
                    }
                } "\n"
                tbody { "\n" @for judged in &judged { (criterion_row(judged)) } }
            }
        }))
        @if judged.iter().any(Judgement::within_allowance) {
            p class="note" {
                "* past the limit by no more than the measurement can tell \
                 (its noise, or one hop of length): let pass."
            } "\n"
        }
    }
}

fn criterion_row(judged: &Judgement) -> Markup {
    html! {
        tr {
            th scope="row" { (judged.name) " " small { (judged.unit) } }
            td class=(judged.outcome.class()) {
                (judged.outcome.word()) @if judged.within_allowance() { "*" }
            }
            td class="number" { (judged.value_text()) }
            td class="number" { (judged.limit_text()) }
            td class="number" { (judged.margin_text()) }
            td { (share_bar(judged)) }
        } "\n"
    }
}

/// A bar that is full, and meets the limit's mark, at two thirds of its room.
fn share_bar(judged: &Judgement) -> Markup {
    const ROOM: f64 = 120.0;
    const LIMIT: f64 = 80.0;
    if judged.value.is_none() {
        return html! { (ABSENT) };
    }
    // No share: the limit is zero and was passed, or the value is none at all.
    let length = judged.used.map_or(ROOM, |used| (LIMIT * used).min(ROOM));
    let said = judged.used.map_or_else(
        || "past it".to_owned(),
        |used| format!("{} %", significant(100.0 * used, 2)),
    );
    html! {
        svg class={ "share " (judged.outcome.class()) } viewBox={ "0 0 " (ROOM) " 12" } role="img"
            aria-label={ (said) " of the limit" } {
            rect class="room" x="0" y="2" width=(ROOM) height="8" {}
            rect class="used" x="0" y="2" width=(fixed(length, 1)) height="8" {}
            path class="end" d={ "M" (LIMIT) " 0V12" } {}
        }
    }
}

fn closing(audit: &Audit) -> Markup {
    let rows = html! {
        @for file in audit.recordings.all() {
            @let sentence = file.sentence();
            tr {
                th scope="row" { code { (file.named) } }
                td class="words" { (sentence.strip_prefix(&file.named).unwrap_or(&sentence).trim()) }
                td class="words" { code { (file.blake3.as_deref().unwrap_or(ABSENT)) } }
            } "\n"
        }
    };
    html! {
        section { "\n"
            h2 { "How a hold is judged" } "\n"
            p {
                "A dwell is a stretch of constant drive frequency. It is judged whole, from the end of ring-up to its \
                 end. It counts as held when every criterion is met and resonance is shown: by the phase between \
                 drive force and antinode velocity, or by an approach that went over the peak on both sides. It is \
                 steady when all else is met but resonance is neither shown nor excluded. Otherwise it is rejected, \
                 with the reasons."
            } "\n"
            p {
                "Limits on a signed value hold for its size. The margin is what is left to the limit. In the bars \
                 the mark is the limit."
            } "\n"
            h2 { "Files" } "\n"
            (table(&["File", "State", "BLAKE3 when the run was made"], rows))
        } "\n"
    }
}
