//! Efficiency, power and strain over frequency.

use maud::{Markup, html};

use crate::reduction::SettledPoint;
use crate::report::audit::figures::Picture;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::setup::Setup;
use crate::setup::Verdict;

/// Frequency, value, expanded uncertainty.
type Series = Vec<(f64, f64, f64)>;

pub(super) fn section(setup: &Setup, points: &[&SettledPoint]) -> Markup {
    let pictures: Vec<Picture> = [
        efficiency(setup, points),
        power(setup, points),
        strain(setup, points),
    ]
    .into_iter()
    .flatten()
    .collect();
    html! {
        @if !pictures.is_empty() {
            h2 { "Over frequency" } "\n"
            div class="grid large" { "\n" @for picture in &pictures { (picture.markup()) } } "\n"
        }
    }
}

fn series(
    points: &[&SettledPoint],
    fields: impl Fn(&SettledPoint) -> (Option<f64>, Option<f64>),
) -> Series {
    let mut series: Series = points
        .iter()
        .filter_map(|point| {
            let (value, uncertainty) = fields(point);
            Some((point.frequency_hz?, value?, uncertainty.unwrap_or(f64::NAN)))
        })
        .collect();
    series.sort_by(|a, b| a.0.total_cmp(&b.0));
    series
}

fn line(series: &Series) -> Vec<(f64, f64)> {
    series.iter().map(|point| (point.0, point.1)).collect()
}

/// Upper ends of the uncertainty bars.
fn tops(series: &Series) -> impl Iterator<Item = f64> {
    series
        .iter()
        .map(|point| point.1 + if point.2.is_finite() { point.2 } else { 0.0 })
}

fn frequency_axis(setup: &Setup, points: &[&SettledPoint]) -> Axis {
    let measured = points.iter().filter_map(|point| point.frequency_hz);
    Axis::over(
        "frequency (Hz)",
        measured.chain([setup.sweep.low_hz, setup.sweep.high_hz]),
    )
}

fn efficiency(setup: &Setup, points: &[&SettledPoint]) -> Option<Picture> {
    let of = |verdict: Verdict| {
        series(points, |point| {
            if point.verdict == verdict {
                (point.efficiency_pct, point.efficiency_u_pct)
            } else {
                (None, None)
            }
        })
    };
    let (held, steady) = (of(Verdict::Held), of(Verdict::Steady));
    if held.is_empty() && steady.is_empty() {
        return None;
    }
    let y = Axis::from_zero("efficiency 100 S (%)", tops(&held).chain(tops(&steady)));
    let mut figure = Figure::new(
        "efficiency over frequency",
        frequency_axis(setup, points),
        y,
    )
    .height(190.0)
    .errors(Look::Hold, held);
    if !steady.is_empty() {
        figure = figure
            .errors(Look::Open, steady)
            .key(Look::Hold, "held")
            .key(Look::Open, "steady");
    }
    Some(Picture {
        title: "Efficiency".to_owned(),
        caption: "Node over antinode velocity, 100 V_n / V_a. It includes the losses of the bare span. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}

fn power(setup: &Setup, points: &[&SettledPoint]) -> Option<Picture> {
    let parts = [
        (
            Look::Approach,
            "total",
            series(points, |p| (p.power_total_w, p.power_total_u_w)),
        ),
        (
            Look::Second,
            "bare span",
            series(points, |p| (p.power_bare_w, p.power_bare_u_w)),
        ),
        (
            Look::Hold,
            "damper",
            series(points, |p| (p.power_damper_w, p.power_damper_u_w)),
        ),
    ];
    if parts.iter().all(|(_, _, series)| series.is_empty()) {
        return None;
    }
    let y = Axis::from_zero(
        "power (W)",
        parts.iter().flat_map(|(_, _, series)| tops(series)),
    );
    let figure = parts
        .into_iter()
        .filter(|(_, _, series)| !series.is_empty())
        .fold(
            Figure::new("power over frequency", frequency_axis(setup, points), y).height(190.0),
            |figure, (look, name, series)| {
                figure
                    .line(look, line(&series))
                    .errors(look, series)
                    .key(look, name)
            },
        );
    Some(Picture {
        title: "Dissipated power".to_owned(),
        caption: "At the level of each point. Total: ½ sqrt(T m) V_a V_n, the standard's form. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}

fn strain(setup: &Setup, points: &[&SettledPoint]) -> Option<Picture> {
    let mut gauges: Vec<&String> = points
        .iter()
        .flat_map(|point| point.strain_pp_um_m.keys())
        .collect();
    gauges.sort();
    gauges.dedup();
    if gauges.is_empty() {
        return None;
    }
    let all: Vec<(&String, Series)> = gauges
        .into_iter()
        .map(|gauge| {
            let of_gauge = series(points, |point| {
                (
                    point.strain_pp_um_m.get(gauge).copied(),
                    point.strain_pp_u_um_m.get(gauge).copied(),
                )
            });
            (gauge, of_gauge)
        })
        .collect();
    let y = Axis::from_zero(
        "strain (µm/m peak-to-peak)",
        all.iter().flat_map(|(_, series)| tops(series)),
    );
    let looks = [
        Look::Hold,
        Look::Second,
        Look::Third,
        Look::Model,
        Look::Approach,
    ];
    let figure = all.into_iter().zip(looks.into_iter().cycle()).fold(
        Figure::new(
            "clamp strain over frequency",
            frequency_axis(setup, points),
            y,
        )
        .height(190.0),
        |figure, ((gauge, series), look)| {
            figure
                .line(look, line(&series))
                .errors(look, series)
                .key(look, gauge)
        },
    );
    Some(Picture {
        title: "Clamp strain".to_owned(),
        caption: "Dynamic bending strain at the clamps, peak-to-peak, at the level of each point. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}
