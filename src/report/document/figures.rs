//! Efficiency, power and strain over frequency.

use std::collections::BTreeSet;

use maud::{Markup, html};

use crate::evaluation::reduced_point::ReducedPoint;
use crate::reduction::{Gauge, Measured, SettledPoint};
use crate::report::audit::figures::Picture;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::resonance::phasor::fold_half_turn_deg;
use crate::setup::{Requirement, Setup, Verdict};

/// Frequency, value, expanded uncertainty (infinite where none is stated).
pub(super) type Series = Vec<(f64, f64, f64)>;

/// The figures; that of the efficiency only where no criterion draws it already.
pub(super) fn section(
    setup: &Setup,
    points: &[&ReducedPoint],
    efficiency_is_drawn: bool,
) -> Markup {
    let efficiency = efficiency(setup, points).filter(|_| !efficiency_is_drawn);
    let pictures: Vec<Picture> = [
        damper_power(setup, points),
        powers(setup, points),
        strain(setup, points),
        drive_phase(setup, points),
        level(setup, points),
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
            h2 { "Power, strain, drive phase and level over frequency" } "\n"
            div class="grid large" { "\n" @for picture in &pictures { (picture.markup()) } } "\n"
        }
    }
}

pub(super) fn series(
    points: &[&ReducedPoint],
    of: impl Fn(&SettledPoint) -> Option<Measured>,
) -> Series {
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
pub(super) fn tops(series: &Series) -> impl Iterator<Item = f64> {
    series
        .iter()
        .map(|point| point.1 + if point.2.is_finite() { point.2 } else { 0.0 })
}

pub(super) fn frequency_axis(setup: &Setup, points: &[&ReducedPoint]) -> Axis {
    let measured = points
        .iter()
        .filter_map(|point| Some(point.point.frequency_hz?.value));
    Axis::over(
        "frequency, Hz",
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
    let y = Axis::from_zero("efficiency, %", tops(&held).chain(tops(&steady)));
    let mut figure = Figure::new(
        "efficiency over frequency",
        frequency_axis(setup, points),
        y,
    )
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

/// One part of a figure: look, name, values.
type Part<'a> = (Look, &'a str, Series);

/// Lines through points with their bars, and the key; parts without a value are
/// left out. `None` where no part has one.
fn of_parts(figure: Figure, parts: Vec<Part>) -> Option<Figure> {
    if parts.iter().all(|(_, _, series)| series.is_empty()) {
        return None;
    }
    let shown = parts
        .into_iter()
        .filter(|(_, _, series)| !series.is_empty());
    Some(shown.fold(figure, |figure, (look, name, series)| {
        figure
            .line(look, line(&series))
            .errors(look, series)
            .key(look, name)
    }))
}

fn all_tops<'a>(parts: &'a [Part]) -> impl Iterator<Item = f64> + 'a {
    parts.iter().flat_map(|(_, _, series)| tops(series))
}

fn damper_power(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let parts: Vec<Part> = vec![
        (Look::Hold, "damper", series(points, |p| p.power_damper_w)),
        (
            Look::Open,
            "damper, corrected",
            series(points, |p| p.power_damper_corrected_w),
        ),
    ];
    let y = Axis::from_zero("power, W", all_tops(&parts));
    let figure = Figure::new(
        "power of the damper over frequency",
        frequency_axis(setup, points),
        y,
    );
    Some(Picture {
        title: "Power of the damper".to_owned(),
        caption: "At the level of each point. Damper: total less bare span, the standard's plain difference. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure: of_parts(figure.half_width(), parts)?,
    })
}

/// The bare span loses a hundredth of what the damper takes: on a logarithmic
/// axis both can be read.
fn powers(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let parts: Vec<Part> = vec![
        (Look::Third, "total", series(points, |p| p.power_total_w)),
        (
            Look::Second,
            "bare span",
            series(points, |p| p.power_bare_w),
        ),
        (
            Look::Approach,
            "taken off",
            of_all(points, |point| point.damper.power_taken_off_w),
        ),
    ];
    let values = parts
        .iter()
        .flat_map(|(_, _, series)| series.iter().map(|point| point.1))
        .chain(all_tops(&parts));
    let y = Axis::logarithmic("power, W", values);
    let figure = Figure::new(
        "total power and losses of the bare span over frequency",
        frequency_axis(setup, points),
        y,
    );
    let losses = if parts
        .iter()
        .skip(1)
        .any(|(_, _, series)| !series.is_empty())
    {
        " Bare span: its losses at the level of each point. Taken off: what of them the corrected \
         power of the damper takes off."
    } else {
        ""
    };
    Some(Picture {
        title: "Total power, and losses of the bare span".to_owned(),
        caption: format!(
            "Logarithmic. Total: ½ sqrt(T m) V_a V_n, the standard's form.{losses} Bars: expanded uncertainty, k = 2."
        ),
        figure: of_parts(figure.half_width(), parts)?,
    })
}

/// 0 is resonance; shaded is what a hold is allowed.
fn drive_phase(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let phases = series(points, |point| {
        let phase = point.drive_phase_deg?;
        Some(Measured::new(fold_half_turn_deg(phase.value), phase.u))
    });
    if phases.is_empty() {
        return None;
    }
    let limit_deg = setup.hold.drive_phase_deg;
    let figure = Figure::new(
        "drive phase over frequency",
        frequency_axis(setup, points),
        Axis::new("drive phase, deg", -95.0, 95.0),
    )
    .half_width()
    .band_y(Look::Limit, -limit_deg, limit_deg)
    .key(Look::Limit, "allowed for a hold")
    .errors(Look::Hold, phases)
    .key(Look::Hold, "drive phase");
    Some(Picture {
        title: "Drive phase".to_owned(),
        caption: "Antinode velocity against drive force: 0 at resonance, ±45 where half the power is left. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}

/// How far each point is from the level that was asked for; without one, its
/// antinode velocity.
fn level(setup: &Setup, points: &[&ReducedPoint]) -> Option<Picture> {
    let x = frequency_axis(setup, points);
    let Some(asked) = setup.amplitude else {
        let velocities = series(points, |point| point.antinode_velocity_mm_s);
        let y = Axis::from_zero("antinode velocity, mm/s peak", tops(&velocities));
        let figure = Figure::new("antinode velocity over frequency", x, y).half_width();
        return (!velocities.is_empty()).then(|| Picture {
            title: "Level".to_owned(),
            caption: "Velocity of the antinode, peak; the setup asks for no level. Bars: expanded uncertainty, k = 2."
                .to_owned(),
            figure: figure.errors(Look::Hold, velocities),
        });
    };
    let deviations: Vec<(f64, f64)> = points
        .iter()
        .filter_map(|point| {
            let settled = &point.point;
            Some((settled.frequency_hz?.value, settled.target_deviation_pct?))
        })
        .collect();
    if deviations.is_empty() {
        return None;
    }
    let tolerance_pct = asked.tolerance_pct;
    let sizes = deviations.iter().map(|point| point.1.abs());
    let reach = 1.2 * sizes.fold(tolerance_pct, f64::max);
    let figure = Figure::new(
        "deviation from the level over frequency",
        x,
        Axis::new("off the level, %", -reach, reach),
    )
    .half_width()
    .band_y(Look::Limit, -tolerance_pct, tolerance_pct)
    .key(Look::Limit, "tolerance")
    .points(Look::Hold, deviations)
    .key(Look::Hold, "points");
    Some(Picture {
        title: "Level".to_owned(),
        caption: format!("Deviation from {}.", asked.statement()),
        figure,
    })
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
    let limits: BTreeSet<u64> = setup
        .criteria
        .iter()
        .filter_map(|criterion| match criterion.requirement {
            Requirement::StrainLimit { limit_pp_um_m, .. } => Some(limit_pp_um_m.to_bits()),
            _ => None,
        })
        .collect();
    let limits: Vec<f64> = limits.into_iter().map(f64::from_bits).collect();
    let y = Axis::from_zero(
        "strain, µm/m peak-to-peak",
        all.iter()
            .flat_map(|(_, series)| tops(series))
            .chain(limits.iter().copied()),
    );
    let looks = [
        Look::Hold,
        Look::Second,
        Look::Third,
        Look::Model,
        Look::Approach,
    ];
    let figure = Figure::new(
        "clamp strain over frequency",
        frequency_axis(setup, points),
        y,
    )
    .half_width();
    let figure = all.into_iter().zip(looks.into_iter().cycle()).fold(
        figure,
        |figure, ((gauge, series), look)| {
            figure
                .line(look, line(&series))
                .errors(look, series)
                .key(look, &gauge.to_string())
        },
    );
    let figure = limits
        .iter()
        .fold(figure, |figure, limit| figure.rule_y(Look::Limit, *limit));
    let figure = if limits.is_empty() {
        figure
    } else {
        figure.key(Look::Limit, "limit")
    };
    Some(Picture {
        title: "Clamp strain".to_owned(),
        caption: "Dynamic bending strain at the clamps, peak-to-peak, at the level of each point. Bars: expanded uncertainty, k = 2."
            .to_owned(),
        figure,
    })
}
