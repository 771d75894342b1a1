//! The matching of fixed sensors: gain and phase of each `wave` channel relative to the mean
//! of all of them, over frequency, measured with all of them at one place.
//!
//! In: the text of the file that `spanhold match` wrote. Out: a [`Matching`], which says how a
//! channel answers at a frequency, and with which uncertainty. Pure; who reads the file is
//! [`super::Loaded::with_matching`].

mod fits;
mod text;

pub use text::MatchingFault;

use super::words::Unit;
use crate::maths;
use num_complex::Complex64;

/// Neighbouring rows of a table may be this far apart, a ratio of frequencies: further apart
/// nothing is known of what lies between them.
const WIDEST_GAP: f64 = 1.5;
/// So far beyond the last row a table still holds, a ratio of frequencies; its uncertainty
/// grows by what the slope there would make of it.
const MARGIN: f64 = 1.1;

/// What a matching says, and of what it was made.
#[derive(Debug, Clone, PartialEq)]
pub struct Matching {
    /// The program that made it, with its version.
    pub program: String,
    /// The arithmetic of its numbers, [`crate::maths::ARITHMETIC_VERSION`].
    pub arithmetic: u32,
    /// When it was made.
    pub made_utc: jiff::Timestamp,
    /// The setup that it was made with, as it was named.
    pub setup_file: String,
    /// BLAKE3 of that file, hexadecimal.
    pub setup_blake3: String,
    /// The recordings that it was made from; never empty.
    pub recordings: Vec<MatchedRecording>,
    /// The channels that were at one place, two at least. The mean that all are relative to is
    /// the complex mean of these.
    pub channels: Vec<MatchedChannel>,
}

/// A recording that a matching was made from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MatchedRecording {
    /// The file, as it was named.
    pub file: String,
    /// BLAKE3 of it, hexadecimal.
    pub blake3: String,
    /// When it was begun, where its header says so.
    pub begun: Option<String>,
}

/// One channel of a matching: what it was then, and how it answers.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchedChannel {
    /// Its name in the setup.
    pub name: String,
    /// Serial number of the sensor, where the setup states it.
    pub serial: Option<String>,
    /// Column in its source.
    pub index: usize,
    /// Unit of `full_scale`.
    pub unit: Unit,
    /// Value in `unit` of digital full scale, by which its gain is meant.
    pub full_scale: f64,
    /// Where it stood then by the setup, from the drive-end clamp, m.
    pub position_m: Option<f64>,
    /// How it answers, by rising frequency; three rows at least.
    pub rows: Vec<MatchedRow>,
}

/// How a channel answers about one frequency, relative to the mean of all.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct MatchedRow {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Gain over that of the mean.
    pub gain: f64,
    /// Its expanded uncertainty (k = 2), a part of one.
    pub gain_u: f64,
    /// Phase ahead of the mean, degrees.
    pub phase_deg: f64,
    /// Its expanded uncertainty (k = 2), degrees.
    pub phase_u_deg: f64,
    /// Windows it was made of.
    pub windows: u32,
    /// Their mean signal-to-noise ratio in this channel, dB.
    pub snr_db: f64,
}

/// How a channel answers at a frequency, relative to the mean of all matched channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RelativeResponse {
    /// What the channel's phasor is to be divided by, in whichever quantity it is.
    pub factor: Complex64,
    /// Standard uncertainty of its modulus over its modulus.
    pub gain_standard_u: f64,
    /// Standard uncertainty of its argument, rad.
    pub phase_standard_u_rad: f64,
}

impl Matching {
    /// How a channel answers at a frequency: linear between the rows of its table. `None` where
    /// the channel was not matched, or not at such frequencies; [`Self::uncovered`] says which.
    ///
    /// Channel i shows c_i times what there is, and `factor` is c_i over the mean of all c. After
    /// the division all channels show that mean times what there is: what they differ by is down
    /// to `gain_standard_u` and `phase_standard_u_rad`, and what they err by in common is what
    /// their calibrations leave in the mean.
    pub fn relative(&self, channel: &str, frequency_hz: f64) -> Option<RelativeResponse> {
        let rows = &self.channel(channel)?.rows;
        let row = answer(rows, frequency_hz)?;
        Some(RelativeResponse {
            factor: row.gain * maths::cis(row.phase_deg.to_radians()),
            gain_standard_u: 0.5 * row.gain_u / row.gain,
            phase_standard_u_rad: (0.5 * row.phase_u_deg).to_radians(),
        })
    }

    /// Why [`Self::relative`] has nothing for a channel at a frequency; `None` where it has.
    pub fn uncovered(&self, channel: &str, frequency_hz: f64) -> Option<String> {
        if self.relative(channel, frequency_hz).is_some() {
            return None;
        }
        let Some((low_hz, high_hz)) = self.range_hz(channel) else {
            return Some(format!(
                "channel \"{channel}\" was not matched: its stated calibration stands"
            ));
        };
        let measured = if (low_hz..=high_hz).contains(&frequency_hz) {
            "has a gap there".to_owned()
        } else {
            format!("goes from {low_hz:.2} to {high_hz:.2} Hz")
        };
        Some(format!(
            "at {frequency_hz:.2} Hz the matching says nothing of channel \"{channel}\", it {measured}: \
             the stated calibration stands"
        ))
    }

    /// The channel of a name.
    pub fn channel(&self, name: &str) -> Option<&MatchedChannel> {
        self.channels.iter().find(|channel| channel.name == name)
    }

    /// Lowest and highest frequency at which a channel was matched, Hz.
    pub fn range_hz(&self, channel: &str) -> Option<(f64, f64)> {
        let rows = &self.channel(channel)?.rows;
        Some((rows.first()?.frequency_hz, rows.last()?.frequency_hz))
    }
}

/// The row of a frequency, between or a little beyond those of the table.
fn answer(rows: &[MatchedRow], frequency_hz: f64) -> Option<MatchedRow> {
    if !(frequency_hz.is_finite() && frequency_hz > 0.0) {
        return None;
    }
    let above = rows.partition_point(|row| row.frequency_hz < frequency_hz);
    let right = rows.get(above);
    let left = above.checked_sub(1).and_then(|below| rows.get(below));
    if let Some(exact) = right.filter(|row| row.frequency_hz <= frequency_hz) {
        return Some(*exact);
    }
    if let (Some(left), Some(right)) = (left, right)
        && right.frequency_hz <= WIDEST_GAP * left.frequency_hz
    {
        return Some(between(left, right, frequency_hz));
    }
    // Beside a gap or an end: the row next to it, and the one behind that row for the slope.
    let by_left = left
        .filter(|left| frequency_hz <= MARGIN * left.frequency_hz)
        .and_then(|edge| Some((edge, above.checked_sub(2).and_then(|nth| rows.get(nth))?)));
    let by_right = right
        .filter(|right| right.frequency_hz <= MARGIN * frequency_hz)
        .and_then(|edge| Some((edge, rows.get(above + 1)?)));
    let (edge, behind) = by_left.or(by_right)?;
    Some(beyond(edge, behind, frequency_hz))
}

fn between(left: &MatchedRow, right: &MatchedRow, frequency_hz: f64) -> MatchedRow {
    let share = (frequency_hz - left.frequency_hz) / (right.frequency_hz - left.frequency_hz);
    let mixed = |left: f64, right: f64| left + share * (right - left);
    MatchedRow {
        frequency_hz,
        gain: mixed(left.gain, right.gain),
        gain_u: left.gain_u.max(right.gain_u),
        phase_deg: mixed(left.phase_deg, right.phase_deg),
        phase_u_deg: left.phase_u_deg.max(right.phase_u_deg),
        windows: left.windows.min(right.windows),
        snr_db: left.snr_db.min(right.snr_db),
    }
}

/// The last row, held; what going on along the slope would make of it is doubt.
fn beyond(edge: &MatchedRow, behind: &MatchedRow, frequency_hz: f64) -> MatchedRow {
    let share = (frequency_hz - edge.frequency_hz) / (edge.frequency_hz - behind.frequency_hz);
    MatchedRow {
        frequency_hz,
        gain_u: maths::hypot(edge.gain_u, share * (edge.gain - behind.gain)),
        phase_u_deg: maths::hypot(
            edge.phase_u_deg,
            share * (edge.phase_deg - behind.phase_deg),
        ),
        ..*edge
    }
}

#[cfg(test)]
mod tests;
