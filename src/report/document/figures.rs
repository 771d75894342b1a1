//! Efficiency, power and strain over frequency.

use std::collections::BTreeSet;

use maud::{Markup, html};

use crate::evaluation::reduced_point::ReducedPoint;
use crate::reduction::{Gauge, Measured, SettledPoint};
use crate::report::audit::figures::Picture;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::setup::Setup;
use crate::setup::Verdict;

/// Frequency, value, expanded uncertainty (infinite where none is stated).
type Series = Vec<(f64, f64, f64)>;

/// The figures; that of the efficiency only where no criterion draws it already.
pub(super) fn section(
    setup: &Setup,
    points: &[&ReducedPoint],
    efficiency_is_drawn: bool,
) -> Markup {
    let efficiency = efficiency(setup, points).filter(|_| !efficiency_is_drawn);
    let pictures: Vec<Picture> = [
        power(setup, points),
        losses(setup, points),
        strain(setup, points),
    ]
    .into_iter()
    .flatten()
    .collect();
    html! {
        @if let Some(efficiency) = efficiency {
            h2 { "Efficiency over frequency" } "\n"
            (efficiency.large_markup())
        }
        @if !pictures.is_empty() {
            h2 { "Power and strain over frequency" } "\n"
            div class="grid large" { "\n" @for picture in &pictures { (picture.markup()) } } "\n"
        }
    }
}

fn series(points: &[&ReducedPoint], of: impl Fn(&SettledPoint) -> Option<Measured>) -> Series {
    of_all(points, |point| of(&point.point))
}

fn of_all(points: &[&ReducedPoint], of: impl Fn(&ReducedPoint) -> Option<Measured>) -> Series {
    let mut series: Series = points
        .iter()
        .filter_map(|point| {
            let value = of(point)?;
            Some((point.point.frequency_hz?.value, value.value, value.u))
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

fn frequency_axis(setup: &Setup, points: &[&ReducedPoint]) -> Axis {
    let measured = points
        .iter()
        .filter_map(|point| Some(point.point.frequency_hz?.value));
    Axis::over(
        "frequency (Hz)",
        measured.chain([setup.sweep.low_hz, setup.sweep.high_hz]),
    )
}

fn efficiency(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let of = |verdict: Verdict| {
        series(points, |point| {
            point.efficiency_pct.filter(|_| point.verdict == verdict)
        })
    };
    let (held, mut steady) = (of(Verdict::Held), of(Verdict::Steady));
    let off_peak = of(Verdict::OffPeak);
    let open = match (steady.is_empty(), off_peak.is_empty()) {
        (_, true) => "steady",
        (true, false) => "off the peak",
        (false, false) => "steady or off the peak",
    };
    steady.extend(off_peak);
    if held.is_empty() && steady.is_empty() {
        return None;
    }
    let y = Axis::from_zero("efficiency (%)", tops(&held).chain(tops(&steady)));
    let mut figure = Figure::new(
        "efficiency over frequency",
        frequency_axis(setup, points),
        y,
    )
    .height(150.0)
    .errors(Look::Hold, held);
    if !steady.is_empty() {
        figure = figure
            .errors(Look::Open, steady)
            .key(Look::Hold, "held")
            .key(Look::Open, open);
    }
    Some(Picture {
        title: "Efficiency".to_owned(),
        caption: "Node over antinode velocity, 100 V_n / V_a. It includes the losses of the bare span. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}

/// Losses of the bare span are a hundredth of the rest: on one axis they would
/// lie on its foot, so they have a figure of their own.
fn power(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let parts = [
        (Look::Third, "total", series(points, |p| p.power_total_w)),
        (Look::Hold, "damper", series(points, |p| p.power_damper_w)),
    ];
    Some(Picture {
        title: "Dissipated power".to_owned(),
        caption: "At the level of each point. Total: ½ sqrt(T m) V_a V_n, the standard's form. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure: powers("power over frequency", setup, points, parts)?,
    })
}

fn losses(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let taken_off = of_all(points, |point| point.damper.power_taken_off_w);
    let parts = [
        (
            Look::Second,
            "bare span",
            series(points, |p| p.power_bare_w),
        ),
        (Look::Approach, "taken off", taken_off),
    ];
    Some(Picture {
        title: "Losses of the bare span".to_owned(),
        caption: "At the level of each point, and what of them the corrected damper power takes off. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure: powers("losses of the bare span over frequency", setup, points, parts)?,
    })
}

fn powers(
    name: &str,
    setup: &Setup,
    points: &[&ReducedPoint],
    parts: [(Look, &str, Series); 2],
) -> Option<Figure> {
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
            Figure::new(name, frequency_axis(setup, points), y).height(150.0),
            |figure, (look, name, series)| {
                figure
                    .line(look, line(&series))
                    .errors(look, series)
                    .key(look, name)
            },
        );
    Some(figure)
}

fn strain(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let gauges: BTreeSet<&Gauge> = points
        .iter()
        .flat_map(|point| point.point.strain_pp_um_m.keys())
        .collect();
    if gauges.is_empty() {
        return None;
    }
    let all: Vec<(&Gauge, Series)> = gauges
        .into_iter()
        .map(|gauge| {
            let of_gauge = series(points, |point| point.strain_pp_um_m.get(gauge).copied());
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
        .height(150.0),
        |figure, ((gauge, series), look)| {
            figure
                .line(look, line(&series))
                .errors(look, series)
                .key(look, &gauge.to_string())
        },
    );
    Some(Picture {
        title: "Clamp strain".to_owned(),
        caption: "Dynamic bending strain at the clamps, peak-to-peak, at the level of each point. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}
