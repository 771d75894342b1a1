//! The pictures of one dwell, from its stretch of the trace.

#![expect(
    clippy::disallowed_methods,
    reason = "pictures: no number of a result comes from here"
)]

use std::f64::consts::TAU;

use maud::{Markup, html};

use super::case::Case;
use crate::analysis::TraceRow;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::wide;
use crate::report::number::{plain, significant};
use crate::resonance::HoldCriterion;
use crate::resonance::trend::trend;

/// A figure with its heading and what it shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Picture {
    /// Heading.
    pub title: String,
    /// How to read it; a sentence or two.
    pub caption: String,
    /// The figure.
    pub figure: Figure,
}

impl Picture {
    /// The figure under its heading and above its caption.
    pub fn markup(&self) -> Markup {
        self.framed("small", self.figure.svg())
    }

    /// The same over the whole width of the page.
    pub fn large_markup(&self) -> Markup {
        self.framed("large", wide(self.figure.clone().large().svg()))
    }

    fn framed(&self, class: &str, figure: Markup) -> Markup {
        html! {
            figure class=(class) { "\n"
                h4 { (self.title) } "\n"
                (figure)
                figcaption { (self.caption) } "\n"
            } "\n"
        }
    }
}

fn picture(title: &str, caption: String, figure: Figure) -> Picture {
    Picture {
        title: title.to_owned(),
        caption,
        figure,
    }
}

/// All pictures that the trace of a dwell can give, the strongest evidence
/// first.
pub fn pictures(case: &Case, window_s: Option<f64>) -> Vec<Picture> {
    [
        approach(case),
        frequency(case),
        drive_phase(case),
        resonance_circle(case),
        amplitude(case),
        beats(case, window_s),
        node_ratio(case),
        node_phase(case),
        distortion(case),
        noise(case),
        samples(case),
    ]
    .into_iter()
    .flatten()
    .collect()
}

const TIME: &str = "time, s";

fn series(rows: &[TraceRow], quantity: impl Fn(&TraceRow) -> Option<f64>) -> Vec<(f64, f64)> {
    rows.iter()
        .map(|row| (row.time_s, quantity(row).unwrap_or(f64::NAN)))
        .collect()
}

fn values(points: &[(f64, f64)]) -> impl Iterator<Item = f64> {
    points.iter().map(|point| point.1)
}

fn has_values(points: &[(f64, f64)]) -> bool {
    values(points).any(f64::is_finite)
}

impl Case<'_> {
    fn time_axis(&self) -> Axis {
        let first = self.rows.first().map_or(self.dwell_s.0, |row| row.time_s);
        Axis::new(TIME, first, self.dwell_s.1)
    }

    /// A figure over time with the hold shaded and the quantity drawn in the
    /// looks of approach and hold.
    fn over_time(
        &self,
        name: &str,
        y: Axis,
        quantity: impl Fn(&TraceRow) -> Option<f64> + Copy,
    ) -> Figure {
        let figure = Figure::new(&format!("{}: {name}", self.name()), self.time_axis(), y)
            .band_x(Look::Hold, self.point.start_s, self.point.end_s)
            .line(Look::Approach, series(self.rows, quantity))
            .line(Look::Hold, series(self.hold_rows(), quantity));
        self.gaps
            .iter()
            .fold(figure, |figure, gap| figure.rule_x(Look::Fail, gap.at_s))
    }
}

/// Frequency of a row, in half-power bandwidths from the settled one.
fn detuning(case: &Case) -> Option<impl Fn(&TraceRow) -> Option<f64> + Copy + use<>> {
    let settled_hz = case.point.frequency_hz?.value;
    let bandwidth_hz = case.point.bandwidth_hz.filter(|width| *width > 0.0)?;
    Some(move |row: &TraceRow| Some((row.frequency_hz? - settled_hz) / bandwidth_hz))
}

/// The largest size among some points.
fn largest(points: &[(f64, f64)]) -> f64 {
    values(points)
        .filter(|value| value.is_finite())
        .fold(0.0, |largest: f64, value| largest.max(value.abs()))
}

fn approach(case: &Case) -> Option<Picture> {
    let detuning = detuning(case)?;
    let bandwidth_mhz = 1e3 * case.point.bandwidth_hz?;
    let reach = (1.1 * largest(&series(case.rows, detuning))).clamp(0.2, 3.0);
    let y = Axis::new("off settled, bandwidths", -reach, reach);
    Some(picture(
        "Frequency, approach and hold",
        format!(
            "Distance from the settled frequency in half-power bandwidths; one is {} mHz here. Shaded: the hold.",
            significant(bandwidth_mhz, 3)
        ),
        case.over_time("frequency over time", y, detuning),
    ))
}

fn frequency(case: &Case) -> Option<Picture> {
    let hold = series(case.hold_rows(), detuning(case)?);
    let limit = case.limit(HoldCriterion::FrequencyDrift)?;
    let reach = limit.max(1.2 * largest(&hold));
    let x = Axis::new(TIME, case.point.start_s, case.point.end_s);
    let y = Axis::new("off settled, bandwidths", -reach, reach);
    Some(picture(
        "Frequency, hold alone",
        "The same, closer. Between the dashed lines lies the drift that is allowed.".to_owned(),
        Figure::new(&format!("{}: frequency during the hold", case.name()), x, y)
            .line(Look::Hold, hold)
            .rule_y(Look::Limit, 0.5 * limit)
            .rule_y(Look::Limit, -0.5 * limit),
    ))
}

fn drive_phase(case: &Case) -> Option<Picture> {
    let phase = |row: &TraceRow| row.drive_phase_deg;
    if !has_values(&series(case.rows, phase)) {
        return None;
    }
    let limit = case.limit(HoldCriterion::DrivePhase).unwrap_or(f64::NAN);
    let is_evidence = case
        .result(HoldCriterion::DrivePhase)
        .is_none_or(|result| result.met.is_some());
    let caption = if is_evidence {
        "Antinode velocity against drive force: 0 at resonance, ±45 deg at half power. Dashed: what is allowed."
    } else {
        "Antinode velocity against drive force. The drive sits by a node of its own at this harmonic: the phase is no evidence here."
    };
    let y = Axis::new("drive phase, deg", -95.0, 95.0);
    Some(picture(
        "Drive phase",
        caption.to_owned(),
        case.over_time("drive phase over time", y, phase)
            .rule_y(Look::Limit, limit)
            .rule_y(Look::Limit, -limit),
    ))
}

/// Response, velocity per force, of a row in the complex plane, mm/s/N.
fn response(row: &TraceRow) -> Option<(f64, f64)> {
    let force_n = row.drive_force_n.filter(|force| *force > 0.0)?;
    let modulus = row.antinode_velocity_mm_s? / force_n;
    let phase = row.drive_phase_deg?.to_radians();
    Some((modulus * phase.cos(), modulus * phase.sin()))
}

/// Points of the plane, few enough to draw; breaks stay breaks.
fn plane(rows: &[TraceRow]) -> Vec<(f64, f64)> {
    let step = rows.len().div_ceil(500).max(1);
    rows.iter()
        .step_by(step)
        .map(|row| response(row).unwrap_or((f64::NAN, f64::NAN)))
        .collect()
}

fn resonance_circle(case: &Case) -> Option<Picture> {
    let held: Vec<(f64, f64)> = case.hold_rows().iter().filter_map(response).collect();
    let count = held.len() as f64;
    let (re, im) = held
        .iter()
        .fold((0.0, 0.0), |sum, point| (sum.0 + point.0, sum.1 + point.1));
    let (re, im) = (re / count, im / count);
    // The circle through the origin and the held response with its centre on
    // the real axis: |H|² = D Re H.
    let diameter = (re * re + im * im) / re;
    if held.is_empty() || !diameter.is_finite() || diameter <= 0.0 {
        return None;
    }
    let model: Vec<(f64, f64)> = (0..=72)
        .map(|step| {
            let (sine, cosine) = (TAU * f64::from(step) / 72.0).sin_cos();
            (0.5 * diameter * (1.0 + cosine), 0.5 * diameter * sine)
        })
        .collect();
    let x = Axis::new(
        "in phase with force, mm/s per N",
        -0.1 * diameter,
        1.15 * diameter,
    );
    let y = Axis::new("in quadrature", -0.62 * diameter, 0.62 * diameter);
    Some(picture(
        "Resonance circle",
        "Antinode velocity per drive force in the complex plane. A resonance that is slowly passed runs along the dotted circle; its peak is the far end, on the axis. The hold has to stay there. Ring-up strays from the circle."
            .to_owned(),
        Figure::new(&format!("{}: resonance circle", case.name()), x, y)
            .height(150.0)
            .equal_units()
            .rule_y(Look::Approach, 0.0)
            .line(Look::Model, model)
            .line(Look::Approach, plane(case.approach_rows()))
            .points(Look::Hold, plane(case.hold_rows()))
            .key(Look::Approach, "approach, ring-up")
            .key(Look::Hold, "hold"),
    ))
}

fn amplitude(case: &Case) -> Option<Picture> {
    let mean = case.mean_velocity_mm_s()?;
    let off = |row: &TraceRow| {
        row.antinode_velocity_mm_s
            .map(|velocity| 100.0 * (velocity / mean - 1.0))
    };
    let limit = case.limit(HoldCriterion::AmplitudeVariation).unwrap_or(1.5);
    let hold = series(case.hold_rows(), off);
    let reach = (2.0 * limit).max(1.15 * largest(&hold));
    let held: Vec<f64> = values(&hold).filter(|value| value.is_finite()).collect();
    let line = trend(&held, 1);
    let middle = line.map_or(0.0, |line| line.mean);
    let change = line.map_or(0.0, |line| line.change);
    let ends = match (hold.first(), hold.last()) {
        (Some(first), Some(last)) => vec![
            (first.0, middle - 0.5 * change),
            (last.0, middle + 0.5 * change),
        ],
        _ => Vec::new(),
    };
    let y = Axis::new("off the hold's mean, %", -reach, reach);
    Some(picture(
        "Amplitude and its trend",
        format!(
            "Antinode velocity against its mean during the hold, {} mm/s peak. Dotted: its trend, {} % over the hold. Dashed: the deviation that is allowed.",
            significant(mean, 4),
            signed(change)
        ),
        case.over_time("antinode velocity over time", y, off)
            .line(Look::Model, ends)
            .rule_y(Look::Limit, limit)
            .rule_y(Look::Limit, -limit),
    ))
}

fn signed(value: f64) -> String {
    let sign = if value > 0.0 { "+" } else { "" };
    format!("{sign}{}", plain(value, 2))
}

/// Amplitude spectrum of the antinode envelope, % of its mean, straight line
/// taken off, the smoothing by the analysis window undone: what the criterion
/// `beat` takes its largest line from.
pub fn envelope_spectrum(values: &[f64], hop_s: f64, window_s: f64) -> Vec<(f64, f64)> {
    let Some(line) = trend(values, 1) else {
        return Vec::new();
    };
    let count = values.len() as f64;
    let middle = 0.5 * (count - 1.0);
    let slope = line.change / (count - 1.0);
    let length_s = count * hop_s;
    let (low_hz, high_hz, step_hz) = (1.5 / length_s, 0.7 / window_s, 0.25 / length_s);
    let steps = ((high_hz - low_hz) / step_hz).floor().max(0.0) as usize;
    (0..=steps)
        .map(|step| low_hz + step as f64 * step_hz)
        .filter(|hz| *hz <= high_hz)
        .map(|hz| {
            let (mut re, mut im) = (0.0, 0.0);
            for (place, value) in values.iter().enumerate() {
                let rest = value - line.mean - slope * (place as f64 - middle);
                let (sine, cosine) = (TAU * hz * place as f64 * hop_s).sin_cos();
                re += rest * cosine;
                im += rest * sine;
            }
            let angle = 0.5 * TAU * hz * window_s;
            let smoothing = angle.sin() / angle;
            (
                hz,
                100.0 * 2.0 * re.hypot(im) / count / line.mean / smoothing,
            )
        })
        .collect()
}

fn beats(case: &Case, window_s: Option<f64>) -> Option<Picture> {
    let rows = case.hold_rows();
    let envelope: Vec<f64> = rows
        .iter()
        .map(|row| row.antinode_velocity_mm_s)
        .collect::<Option<_>>()?;
    let (first, last) = (rows.first()?, rows.last()?);
    let hop_s = (last.time_s - first.time_s) / (rows.len() as f64 - 1.0);
    let spectrum = envelope_spectrum(&envelope, hop_s, window_s?);
    if spectrum.is_empty() {
        return None;
    }
    let limit = case.limit(HoldCriterion::Beat).unwrap_or(f64::NAN);
    let x = Axis::new(
        "beat frequency, Hz",
        0.0,
        spectrum.last().map_or(1.0, |line| line.0),
    );
    let y = Axis::from_zero(
        "depth (% of amplitude)",
        values(&spectrum).chain(std::iter::once(limit)),
    );
    Some(picture(
        "Beats",
        "Spectrum of the antinode's envelope during the hold. A neighbouring resonance or a second source shows as a line. Dashed: what is allowed."
            .to_owned(),
        Figure::new(&format!("{}: envelope spectrum", case.name()), x, y)
            .line(Look::Hold, spectrum)
            .rule_y(Look::Limit, limit),
    ))
}

fn node_ratio(case: &Case) -> Option<Picture> {
    let efficiency = |row: &TraceRow| row.iswr.map(|iswr| 100.0 * iswr);
    let hold = series(case.hold_rows(), efficiency);
    if !has_values(&hold) {
        return None;
    }
    let settled = case.point.efficiency_pct.map(|efficiency| efficiency.value);
    let largest = values(&hold).filter(|v| v.is_finite()).fold(0.0, f64::max);
    let high = 1.6 * largest.max(settled.unwrap_or(0.0));
    let y = Axis::new("100 V_n / V_a, %", 0.0, high);
    let figure = case.over_time("inverse standing wave ratio over time", y, efficiency);
    let figure = match settled {
        Some(settled) => figure.rule_y(Look::Model, settled),
        None => figure,
    };
    Some(picture(
        "Inverse standing wave ratio",
        "Node over antinode velocity hop by hop, the part in quadrature. Thin line: the value over the whole hold."
            .to_owned(),
        figure,
    ))
}

fn node_phase(case: &Case) -> Option<Picture> {
    let phase = |row: &TraceRow| row.node_phase_deg;
    if !has_values(&series(case.hold_rows(), phase)) {
        return None;
    }
    let offset = case
        .point
        .node_offset_mm
        .map_or_else(String::new, |offset| {
            format!(
                " The sensor stands {} mm off the node.",
                significant(offset.value.abs(), 2)
            )
        });
    let y = Axis::new("node phase, deg", -185.0, 185.0);
    Some(picture(
        "Node phase",
        format!(
            "Node motion against antinode motion: ±90 deg is damping, 0 or 180 deg is a sensor beside the node.{offset}"
        ),
        case.over_time("node phase over time", y, phase)
            .rule_y(Look::Model, 90.0)
            .rule_y(Look::Model, -90.0),
    ))
}

fn distortion(case: &Case) -> Option<Picture> {
    let quantity = |row: &TraceRow| row.distortion_pct;
    let hold = series(case.hold_rows(), quantity);
    if !has_values(&hold) {
        return None;
    }
    let limit = case.limit(HoldCriterion::Distortion).unwrap_or(f64::NAN);
    let y = Axis::from_zero("distortion, %", values(&hold).chain(std::iter::once(limit)));
    Some(picture(
        "Distortion",
        "Harmonics of the antinode signal against its fundamental. Dashed: what is allowed."
            .to_owned(),
        case.over_time("distortion over time", y, quantity)
            .rule_y(Look::Limit, limit),
    ))
}

fn noise(case: &Case) -> Option<Picture> {
    let quantity = |row: &TraceRow| row.snr_db;
    let all = series(case.rows, quantity);
    if !has_values(&all) {
        return None;
    }
    let limit = case.limit(HoldCriterion::SignalToNoise).unwrap_or(f64::NAN);
    let y = Axis::from_zero(
        "signal to noise, dB",
        values(&all).chain(std::iter::once(limit)),
    );
    Some(picture(
        "Noise",
        "Antinode tone above what is left when tone and harmonics are taken out. A changing frequency lowers it too. Dashed: the least that is needed."
            .to_owned(),
        case.over_time("signal to noise over time", y, quantity)
            .rule_y(Look::Limit, limit),
    ))
}

/// Clipped samples and gaps; nothing to draw where there are none.
fn samples(case: &Case) -> Option<Picture> {
    let clipped: Vec<(f64, f64)> = case
        .rows
        .iter()
        .filter(|row| row.clipped_samples > 0)
        .map(|row| (row.time_s, row.clipped_samples as f64))
        .collect();
    if clipped.is_empty() && case.gaps.is_empty() {
        return None;
    }
    let y = Axis::from_zero("clipped samples a hop", values(&clipped));
    let figure = Figure::new(
        &format!("{}: clipped samples and gaps", case.name()),
        case.time_axis(),
        y,
    )
    .band_x(Look::Hold, case.point.start_s, case.point.end_s)
    .bars(Look::Fail, clipped);
    Some(picture(
        "Clipping and gaps",
        "Bars: samples at full scale. Lines through the whole height: samples are missing there."
            .to_owned(),
        case.gaps
            .iter()
            .fold(figure, |figure, gap| figure.rule_x(Look::Fail, gap.at_s)),
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::resonance::trend::envelope_line;

    #[test]
    fn the_tallest_line_of_the_picture_is_the_criterions_value() {
        let values: Vec<f64> = (0..90)
            .map(|i| 5.0 * (1.0 + 0.013 * (TAU * 0.31 * f64::from(i) * 0.25).sin()))
            .collect();
        let judged = envelope_line(&values, 0.25, 1.0).unwrap();
        let drawn = envelope_spectrum(&values, 0.25, 1.0);
        let tallest = drawn
            .iter()
            .copied()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .unwrap();
        assert!(
            (tallest.0 - judged.frequency_hz).abs() < 0.02,
            "{tallest:?} {judged:?}"
        );
        // The picture's grid is twice as fine, so its crest is a little higher.
        let ratio = tallest.1 / (100.0 * judged.depth);
        assert!((1.0 - 1e-9..1.1).contains(&ratio), "{ratio}");
    }
}
