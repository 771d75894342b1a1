//! One dwell down to its samples: waveforms at the start, the middle and the
//! end of the hold, spectra, and the main values recomputed from the samples at
//! the full sampling rate, without decimation and tracker.

#![expect(
    clippy::disallowed_methods,
    reason = "pictures: no number of a result comes from here"
)]

use std::fmt::Write as _;
use std::path::PathBuf;

use maud::{Markup, html};
use ndarray::{Array2, Axis as ArrayAxis};
use num_complex::Complex64;

use super::case::Case;
use super::figures::Picture;
use crate::reduction::Measured;
use crate::report::axis::Axis;
use crate::report::figure::{Figure, Look};
use crate::report::html::{row, table};
use crate::report::number::{ABSENT, fixed, measured, significant};
use crate::report::recordings::Recordings;
use crate::report::samples::{Samples, crests, spectrum_db};
use crate::resonance::phasor::{fold_half_turn_deg, velocity_m_s};
use crate::resonance::standing_wave::{FixedSensor, TwoWaves, WaveNumber, reading_end_m};
use crate::setup::{Channel, Role, Setup};
use crate::tone::fit::{ToneGuess, fit};

/// Periods in a waveform.
const PERIODS: f64 = 4.0;
/// Harmonics shown in a spectrum, and fitted along.
const ORDERS: usize = 6;
/// Half the width of the close view of a spectrum, Hz.
const CLOSE_HZ: f64 = 2.0;
/// Lines drawn in a spectrum.
const LINES: usize = 400;

/// What the samples say.
#[derive(Debug, Clone, Default)]
pub struct Deep {
    /// For the text.
    pub text: String,
    /// For the page.
    pub html: Markup,
}

/// A value as logged, and as recomputed from the samples.
struct Recomputed {
    quantity: &'static str,
    logged: Option<Measured>,
    from_samples: Option<f64>,
}

/// Looks into the samples of a dwell.
pub fn deep(case: &Case, setup: &Setup, recordings: &Recordings) -> Deep {
    let mut text = String::new();
    let main = setup.main_source().map(|(source, _)| source);
    let mut of_sources = Vec::with_capacity(setup.sources.len());
    for (source, described) in setup.sources.iter().enumerate() {
        of_sources.push(match read(case, recordings, source) {
            Ok(samples) => {
                let values =
                    (main == Some(source)).then(|| recompute(case, setup, source, &samples));
                if let Some(values) = &values {
                    write_recomputed(&mut text, values);
                }
                html! {
                    @if let Some(values) = &values { (recomputed_table(values)) }
                    (pictures(case, setup, source, &samples))
                }
            }
            Err(what) => {
                let sentence = format!("No samples of source {}: {what}.", described.name);
                let _ = writeln!(text, "  {sentence}");
                html! { p class="warning" { (sentence) } "\n" }
            }
        });
    }
    let html = html! {
        section { "\n"
            h2 { "From the samples" } "\n"
            @for of_source in of_sources { (of_source) }
        } "\n"
    };
    Deep { text, html }
}

fn read(case: &Case, recordings: &Recordings, source: usize) -> Result<Samples, String> {
    let files = recordings
        .sources
        .get(source)
        .map_or(&[][..], Vec::as_slice);
    let paths: Vec<(PathBuf, Option<f64>)> = files
        .iter()
        .map(|file| match &file.found {
            Some(found) => Ok((found.clone(), file.start_s)),
            None => Err(format!("{} is missing", file.named)),
        })
        .collect::<Result<_, _>>()?;
    let samples = Samples::read(&paths, case.point.start_s, case.point.end_s)
        .map_err(|error| error.to_string())?;
    if samples.frames() == 0 {
        return Err("the recordings do not reach to this dwell".to_owned());
    }
    Ok(samples)
}

/// The fit of all channels that bear on the main values, at the full rate.
fn recompute(case: &Case, setup: &Setup, source: usize, samples: &Samples) -> Vec<Recomputed> {
    let point = case.point;
    let is_fixed = setup.reads_by_fixed_sensors();
    let bears = |role: Role| match role {
        Role::Antinode | Role::Node | Role::DriveForce => true,
        Role::Wave => is_fixed,
        _ => false,
    };
    let channels: Vec<&Channel> = setup
        .channels
        .iter()
        .filter(|channel| channel.source == source && bears(channel.role))
        .collect();
    let mut rows = Array2::zeros((channels.len(), samples.frames()));
    for (mut row, channel) in rows.axis_iter_mut(ArrayAxis(0)).zip(&channels) {
        let to_si = channel.full_scale * channel.unit.to_si();
        row.assign(&samples.column(channel.index).mapv(|value| value * to_si));
    }
    let fitted = point.frequency_hz.and_then(|logged| {
        let guess_hz = logged.value;
        let tone = ToneGuess {
            frequency_hz: guess_hz,
            free: true,
            orders: ((0.45 * samples.rate_hz / guess_hz) as usize).clamp(1, ORDERS),
        };
        fit(
            rows.view(),
            samples.rate_hz,
            &[tone],
            &vec![true; channels.len()],
        )
        .ok()
    });
    let frequency_hz = fitted
        .as_ref()
        .and_then(|fitted| Some(fitted.frequencies.first()?.frequency_hz));
    let at = |place: usize| -> Option<Complex64> {
        let value = fitted
            .as_ref()?
            .channels
            .get(place)?
            .phasors
            .first()?
            .first()?
            .value;
        Some(value)
    };
    let phasor = |role: Role| {
        let place = channels.iter().position(|channel| channel.role == role)?;
        let quantity = channels.get(place)?.unit.quantity();
        Some(velocity_m_s(quantity, at(place)?, frequency_hz?))
    };
    let (antinode, node) = if is_fixed {
        by_waves(setup, frequency_hz, &channels, at).unzip()
    } else {
        (phasor(Role::Antinode), phasor(Role::Node))
    };
    let ratio = antinode.and_then(|antinode| Some(node? / antinode));
    let drive = antinode.and_then(|antinode| Some(antinode / phasor(Role::DriveForce)?));
    vec![
        Recomputed {
            quantity: "frequency, Hz",
            logged: point.frequency_hz,
            from_samples: frequency_hz,
        },
        Recomputed {
            quantity: "antinode velocity, mm/s peak",
            logged: point.antinode_velocity_mm_s,
            from_samples: antinode.map(|antinode| 1e3 * antinode.norm()),
        },
        Recomputed {
            quantity: "efficiency, %",
            logged: point.efficiency_pct,
            from_samples: ratio.map(|ratio| 100.0 * ratio.im.abs()),
        },
        Recomputed {
            quantity: "drive phase, deg",
            logged: point
                .drive_phase_deg
                .map(|phase| Measured::new(fold_half_turn_deg(phase.value), phase.u)),
            from_samples: drive.map(|drive| fold_half_turn_deg(drive.arg().to_degrees())),
        },
    ]
}

/// Antinode and node, m/s peak, by the two waves that the fixed sensors show.
fn by_waves(
    setup: &Setup,
    frequency_hz: Option<f64>,
    channels: &[&Channel],
    at: impl Fn(usize) -> Option<Complex64>,
) -> Option<(Complex64, Complex64)> {
    let frequency_hz = frequency_hz?;
    let sensors: Vec<FixedSensor> = channels
        .iter()
        .enumerate()
        .filter(|(_, channel)| channel.role == Role::Wave)
        .filter_map(|(place, channel)| {
            let shown = at(place)?;
            Some(FixedSensor::reading(
                setup,
                channel,
                frequency_hz,
                shown,
                0.0,
            ))
        })
        .collect();
    let waves = TwoWaves::fit(&sensors, WaveNumber::of(setup, frequency_hz)).ok()?;
    let read = waves.node_before(reading_end_m(setup, frequency_hz));
    Some((read.antinode_m_s, read.node_m_s))
}

impl Recomputed {
    /// Quantity; as logged; recomputed; the difference.
    fn words(&self) -> [String; 4] {
        let recomputed = self
            .from_samples
            .map_or_else(|| ABSENT.to_owned(), |value| significant(value, 6));
        let difference = match (self.logged, self.from_samples) {
            (Some(logged), Some(recomputed)) => significant(recomputed - logged.value, 2),
            _ => ABSENT.to_owned(),
        };
        [
            self.quantity.to_owned(),
            measured(self.logged),
            recomputed,
            difference,
        ]
    }
}

fn write_recomputed(text: &mut String, values: &[Recomputed]) {
    let _ = writeln!(
        text,
        "  recomputed from the samples at their full rate (all modelled tones, no decimation):"
    );
    for value in values {
        let [quantity, logged, recomputed, difference] = value.words();
        let _ = writeln!(
            text,
            "    {quantity:<30} {logged:>24} logged {recomputed:>12} recomputed {difference:>12} apart"
        );
    }
}

fn recomputed_table(values: &[Recomputed]) -> Markup {
    let titles = ["Quantity", "Logged, k = 2", "Recomputed", "Difference"];
    html! {
        p {
            "The main values recomputed from the samples of the hold at their full rate, \
             without decimation and tracker:"
        } "\n"
        (table(&titles, html! { @for value in values { (row(&value.words())) } }))
    }
}

fn pictures(case: &Case, setup: &Setup, source: usize, samples: &Samples) -> Markup {
    let frequency_hz = case.point.frequency_hz.map(|frequency| frequency.value);
    let Some(frequency_hz) = frequency_hz.filter(|hz| *hz > 0.0) else {
        return Markup::default();
    };
    let channels = setup
        .channels
        .iter()
        .filter(|channel| channel.source == source);
    html! {
        p class="note" {
            "Each waveform begins a whole number of periods of the settled frequency after the first. \
             If frequency, amplitude and phase were held, the three of a channel look the same."
        } "\n"
        @for channel in channels {
            h3 { (channel.name) " (" (channel.role) ")" } "\n"
            div class="grid" { "\n"
                @for picture in waveforms(channel, samples, frequency_hz)
                    .iter()
                    .chain(&spectra(channel, samples, frequency_hz)) {
                    (picture.markup())
                }
            } "\n"
        }
    }
}

fn waveforms(channel: &Channel, samples: &Samples, frequency_hz: f64) -> Vec<Picture> {
    let column = samples.column(channel.index);
    let period = samples.rate_hz / frequency_hz;
    let length = (PERIODS * period).ceil() as usize + 1;
    let Some(last) = column.len().checked_sub(length) else {
        return Vec::new();
    };
    let reach = column
        .iter()
        .map(|value| (value * channel.full_scale).abs())
        .fold(0.0, f64::max);
    let starts = [("start", 0.0), ("middle", 0.5), ("end", 1.0)];
    starts
        .iter()
        .map(|(name, share)| {
            // A whole number of periods: the picture's origin falls between
            // two samples, and the samples stand where they were taken.
            let periods = (share * last as f64 / period).floor();
            let origin = periods * period;
            let first = origin.ceil() as usize;
            let points = column
                .iter()
                .enumerate()
                .skip(first)
                .take(length)
                .map(|(place, value)| {
                    let ms = 1e3 * (place as f64 - origin) / samples.rate_hz;
                    (ms, value * channel.full_scale)
                })
                .collect();
            let at_s = samples.start_s() + origin / samples.rate_hz;
            let unit = channel.unit.symbol();
            Picture {
                title: format!("At the {name}"),
                caption: format!("From {} s.", fixed(at_s, 3)),
                figure: Figure::new(
                    &format!("{}: waveform at the {name} of the hold", channel.name),
                    Axis::new("time, ms", 0.0, 1e3 * PERIODS / frequency_hz),
                    Axis::new(
                        &format!("{}, {unit}", channel.name),
                        -1.08 * reach,
                        1.08 * reach,
                    ),
                )
                .height(96.0)
                .rule_y(Look::Approach, 0.0)
                .line(Look::Hold, points),
            }
        })
        .collect()
}

fn spectra(channel: &Channel, samples: &Samples, frequency_hz: f64) -> Vec<Picture> {
    let spectrum = spectrum_db(&samples.column(channel.index), samples.rate_hz);
    if spectrum.is_empty() {
        return Vec::new();
    }
    let top_hz = ((ORDERS as f64 + 0.5) * frequency_hz).min(0.5 * samples.rate_hz);
    let resolution_mhz = 1e3 * samples.rate_hz / samples.frames() as f64;
    let views = [
        (
            "Spectrum",
            0.0,
            top_hz,
            "Hann window over the hold; dB below the largest line.".to_owned(),
        ),
        (
            "Spectrum, close",
            (frequency_hz - CLOSE_HZ).max(0.0),
            frequency_hz + CLOSE_HZ,
            format!(
                "Lines {} mHz apart. A beat shows as a second line beside the first.",
                significant(resolution_mhz, 2)
            ),
        ),
    ];
    views
        .into_iter()
        .map(|(title, low_hz, high_hz, caption)| {
            let lines = crests(&spectrum, low_hz, high_hz, LINES);
            let floor = lines.iter().map(|line| line.1).fold(-60.0, f64::min);
            Picture {
                title: title.to_owned(),
                caption,
                figure: Figure::new(
                    &format!("{}: {}", channel.name, title.to_lowercase()),
                    Axis::new("frequency, Hz", low_hz, high_hz),
                    Axis::new("level, dB", floor.max(-160.0), 5.0),
                )
                .height(96.0)
                .line(Look::Hold, lines),
            }
        })
        .collect()
}
