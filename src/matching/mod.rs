//! Fixed sensors matched: tone frames of a recording with all `wave` channels at one place →
//! gain and phase of each relative to their mean, over frequency. Pure.
//!
//! All sensors see the same motion, whatever it is: the ratio of two phasors is that of the
//! two sensors, at resonance or beside it, standing or sweeping. So every window counts in which
//! all of them show the tone clearly. Relative to the complex mean, no single sensor is the
//! truth (ISO 10534-2 switches its two microphones against one another to the same end; from
//! memory).
//!
//! | file | does |
//! |---|---|
//! | `windows` | frames → windows that count, and why others do not |
//! | `faults` | what shows that the sensors do not show one and the same motion |
//! | `rows` | windows → rows: means by frequency with their uncertainty |
//! | `course` | rows → what a smooth course over frequency leaves of them |

mod course;
mod error;
mod faults;
mod rows;
mod windows;

pub use error::MatchFaults;
pub use windows::MatchedWindows;

use crate::maths::{hypot, square};
use crate::setup::{MatchedChannel, MatchedRow, Setup};
use rows::Part;

/// What a smooth course may leave, of gain as a part of one and of phase in rad: 1 % and 0.6°.
/// More is the pattern of a standing wave, so the sensors are not at one place: at 64 Hz and
/// 135 m/s 5 mm between them are 1.5 % a quarter of a loop from a node and 5 % a twelfth of a
/// loop from a node (by k d cot(k x)).
const LARGEST_LEFT: f64 = 0.01;
/// Frequencies reach over this ratio at least: less shows no course.
const LEAST_REACH: f64 = 1.5;
/// Rows at least, for a course of two parameters.
const LEAST_ROWS: usize = 3;

/// The channels as they answered, and what is to be said of them.
#[derive(Debug, Clone, PartialEq)]
pub struct Matched {
    /// One entry a `wave` channel, in the order of the setup.
    pub channels: Vec<MatchedChannel>,
    /// What whoever uses them has to know; sentences.
    pub notes: Vec<String>,
}

/// Windows → rows of every channel.
///
/// # Errors
/// Where they are no matching, with every reason.
pub fn match_channels(setup: &Setup, windows: &MatchedWindows) -> Result<Matched, MatchFaults> {
    let clear = faults::clear_windows(windows)?;
    let tables = rows::rows(&clear, windows.names().len());
    let reach = tables
        .frequencies_hz
        .last()
        .zip(tables.frequencies_hz.first());
    let reach = reach.map_or(0.0, |(high, low)| high / low);
    if tables.frequencies_hz.len() < LEAST_ROWS || reach < LEAST_REACH {
        return Err(MatchFaults(vec![format!(
            "too little of a range: {} frequencies of at least {} windows each, the highest {reach:.2} \
             times the lowest; at least {LEAST_ROWS}, from end to end of the sweep, are right",
            tables.frequencies_hz.len(),
            rows::LEAST_WINDOWS,
        )]));
    }
    let mut channels = Vec::new();
    let mut wrong = Vec::new();
    for (number, name) in windows.names().iter().enumerate() {
        let of_channel = tables.of_channel(number);
        let left = course::left(&tables.frequencies_hz, &of_channel);
        if left.gain > LARGEST_LEFT || left.phase_rad > LARGEST_LEFT {
            wrong.push(format!(
                "channel \"{name}\": over frequency its gain strays from a smooth course by {:.1} % and \
                 its phase by {:.1} deg (rms), as in a standing wave: the sensors are not at one place, \
                 or one is loose",
                100.0 * left.gain,
                left.phase_rad.to_degrees()
            ));
        }
        let rows = tables.frequencies_hz.iter().zip(&of_channel);
        let rows = rows.map(|(hz, part)| row(*hz, part, left)).collect();
        channels.extend(matched_channel(setup, windows, number, rows));
    }
    if !wrong.is_empty() {
        return Err(MatchFaults(wrong));
    }
    let mut notes = windows.notes();
    notes.extend(beyond_certificates(setup, &channels));
    notes.extend(uncovered(setup, &tables.frequencies_hz));
    Ok(Matched { channels, notes })
}

fn matched_channel(
    setup: &Setup,
    windows: &MatchedWindows,
    number: usize,
    rows: Vec<MatchedRow>,
) -> Option<MatchedChannel> {
    let channel = setup.channels.get(windows.setup_index(number)?)?;
    Some(MatchedChannel {
        name: channel.name.clone(),
        serial: channel.serial.clone(),
        index: channel.index,
        unit: channel.unit,
        full_scale: channel.full_scale,
        position_m: channel.position_m,
        rows,
    })
}

fn row(frequency_hz: f64, part: &Part, left: course::Left) -> MatchedRow {
    let expanded = |own: f64, left: f64| 2.0 * hypot(own, left);
    MatchedRow {
        frequency_hz,
        gain: part.gain,
        gain_u: part.gain * expanded(part.gain_standard_u, left.gain),
        phase_deg: part.phase_rad.to_degrees(),
        phase_u_deg: expanded(part.phase_standard_u_rad, left.phase_rad).to_degrees(),
        windows: part.windows,
        snr_db: part.snr_db,
    }
}

/// A sentence for each channel that differs from the mean by more than the certificates of all
/// allow together.
fn beyond_certificates(setup: &Setup, channels: &[MatchedChannel]) -> Vec<String> {
    let stated = |channel: &MatchedChannel| {
        let mut all = setup.channels.iter();
        all.find(|other| other.name == channel.name)?
            .uncertainty_pct
    };
    let stated: Option<Vec<f64>> = channels.iter().map(stated).collect();
    let Some(stated) = stated else {
        return Vec::new();
    };
    let count = channels.len() as f64;
    let of_mean: f64 = stated.iter().map(|u| square(u / count)).sum();
    let mut notes = Vec::new();
    for (channel, own) in channels.iter().zip(&stated) {
        let others = of_mean - square(own / count);
        let allowed_pct = (square(own * (1.0 - 1.0 / count)) + others).sqrt();
        let worst = channel.rows.iter().map(|row| {
            let beyond = 100.0 * ((row.gain - 1.0).abs() - row.gain_u);
            (beyond, row)
        });
        let worst = worst.max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((beyond_pct, row)) = worst
            && beyond_pct > allowed_pct
        {
            notes.push(format!(
                "channel \"{}\": at {:.2} Hz its gain is {:+.2} % off the mean; the stated calibrations \
                 allow {allowed_pct:.2} %",
                channel.name,
                row.frequency_hz,
                100.0 * (row.gain - 1.0)
            ));
        }
    }
    notes
}

/// What of the sweep the rows do not reach.
fn uncovered(setup: &Setup, frequencies_hz: &[f64]) -> Option<String> {
    let (low, high) = (frequencies_hz.first()?, frequencies_hz.last()?);
    let sweep = setup.sweep;
    let far = |ratio: f64| ratio > 1.1;
    (far(low / sweep.low_hz) || far(sweep.high_hz / high)).then(|| {
        format!(
            "the sweep goes from {:.2} to {:.2} Hz, the matching from {low:.2} to {high:.2} Hz; beyond \
             that the stated calibrations stand",
            sweep.low_hz, sweep.high_hz
        )
    })
}
