//! A criterion over frequency: what was measured against what is required.

use maud::{Markup, html};

use crate::evaluation::criteria::{Judgement, Outcome, PointJudgement, RequiredCurve};
use crate::evaluation::reduced_point::ReducedPoint;
use crate::report::audit::figures::Picture;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::number::{plain, with_micro_sign};
use crate::report::reduction::Reduction;

/// The unit that efficiency is judged in.
const PERCENT: &str = "%";

/// The criterion numbered from 1 as a figure; that of the efficiency, which
/// matters most, takes half a page.
pub(super) fn figure(
    reduction: &Reduction,
    number: usize,
    judgement: &Judgement,
    diameter_mm: f64,
    points: &[&ReducedPoint],
) -> Markup {
    let passed_over = if is_of_efficiency(judgement) {
        not_judged(judgement, points)
    } else {
        Vec::new()
    };
    let picture = picture(
        judgement,
        required(reduction, number, judgement, diameter_mm),
        passed_over,
    );
    html! {
        @if is_of_efficiency(judgement) {
            (picture.large_markup())
        } @else {
            div class="grid large" { "\n" (picture.markup()) } "\n"
        }
    }
}

/// Whether a criterion's figure shows the efficiency.
pub(super) fn is_of_efficiency(judgement: &Judgement) -> bool {
    judgement.unit == PERCENT
}

/// The efficiency at points that the criterion does not judge.
fn not_judged(judgement: &Judgement, points: &[&ReducedPoint]) -> Vec<(f64, f64, f64)> {
    points
        .iter()
        .map(|point| &point.point)
        .filter(|point| {
            !judgement
                .points
                .iter()
                .any(|judged| judged.point == point.point)
        })
        .filter_map(|point| {
            let efficiency = point.efficiency_pct?;
            Some((point.frequency_hz?.value, efficiency.value, efficiency.u))
        })
        .collect()
}

/// What is required over the whole range: the curve with its corners where
/// there is one, else a line from point to point.
pub(super) fn required(
    reduction: &Reduction,
    number: usize,
    judgement: &Judgement,
    diameter_mm: f64,
) -> Vec<(f64, f64)> {
    let curve = reduction
        .curves
        .iter()
        .find(|curve| curve.criterion == number)
        .and_then(|curve| RequiredCurve::parse(&curve.text, &curve.file).ok());
    if let Some(curve) = curve {
        return curve.corners_hz(diameter_mm);
    }
    let mut at_points: Vec<(f64, f64)> = judgement
        .points
        .iter()
        .filter_map(|point| Some((point.frequency_hz, point.required?)))
        .collect();
    at_points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let Some((_, first)) = at_points.first().copied() else {
        return at_points;
    };
    let (low_hz, high_hz) = judgement.range_hz;
    if at_points
        .iter()
        .all(|(_, required)| required.to_bits() == first.to_bits())
    {
        return vec![(low_hz, first), (high_hz, first)];
    }
    at_points
}

/// Quantity and unit of a criterion's value.
fn axis_label(judgement: &Judgement) -> String {
    let unit = with_micro_sign(&judgement.unit);
    let quantity = match judgement.unit.as_str() {
        PERCENT => "efficiency",
        "W" => "power",
        _ if unit.starts_with("µm/m") => "strain",
        _ => "value",
    };
    format!("{quantity}, {unit}")
}

fn picture(
    judgement: &Judgement,
    required: Vec<(f64, f64)>,
    passed_over: Vec<(f64, f64, f64)>,
) -> Picture {
    let of = |outcome: Outcome| -> Vec<(f64, f64, f64)> {
        judgement
            .points
            .iter()
            .filter(|point| point.outcome == outcome)
            .filter_map(|p| Some((p.frequency_hz, p.value?.value, p.value?.u)))
            .collect()
    };
    let top = |point: &PointJudgement| {
        let value = point.value?;
        Some(value.value + value.stated_u().unwrap_or(0.0))
    };
    let tops = judgement
        .points
        .iter()
        .filter_map(top)
        .chain(required.iter().map(|point| point.1))
        .chain(passed_over.iter().map(|point| point.1));
    let (low_hz, high_hz) = judgement.range_hz;
    let frequencies = judgement
        .points
        .iter()
        .map(|point| point.frequency_hz)
        .chain(required.iter().map(|point| point.0));
    let figure = Figure::new(
        &with_micro_sign(&judgement.criterion),
        Axis::over("frequency, Hz", frequencies.chain([low_hz, high_hz])),
        Axis::from_zero(&axis_label(judgement), tops),
    )
    .half_width()
    .band_x(Look::Approach, low_hz, high_hz)
    .key(Look::Approach, "to be covered");
    let figure = judgement.gaps.iter().fold(figure, |figure, gap| {
        figure.band_x(Look::Open, gap.from_hz, gap.to_hz)
    });
    let figure = if judgement.gaps.is_empty() {
        figure
    } else {
        figure.key(Look::Open, "not covered")
    };
    let figure = figure
        .line(Look::Limit, required)
        .key(Look::Limit, "required");
    let kinds = [
        (Look::Pass, Outcome::Pass),
        (Look::Fail, Outcome::Fail),
        (Look::Second, Outcome::Inconclusive),
    ];
    let figure = kinds
        .into_iter()
        .filter(|(_, outcome)| !of(*outcome).is_empty())
        .fold(figure, |figure, (look, outcome)| {
            figure
                .errors(look, of(outcome))
                .key(look, &outcome.word().to_lowercase())
        });
    let figure = if passed_over.is_empty() {
        figure
    } else {
        figure
            .errors(Look::Model, passed_over)
            .key(Look::Model, "not judged")
    };
    let covered = format!(
        "The range to be covered is {} Hz to {} Hz.",
        plain(low_hz, 4),
        plain(high_hz, 4)
    );
    let what = if is_of_efficiency(judgement) {
        " Efficiency is 100 V_n / V_a, losses of the bare span included."
    } else {
        ""
    };
    Picture {
        title: "Value and requirement".to_owned(),
        caption: format!("{covered}{what} Bars: expanded uncertainty, k = 2."),
        figure,
    }
}
