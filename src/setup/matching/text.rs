//! The file of a matching: TOML that people can read, with a hash of itself.
//!
//! The hash is the BLAKE3 of the file's bytes with the value of its own key left empty: a
//! number that was altered by hand is noticed without anything else to compare with. It keeps
//! nobody from making such a file anew; that is what the hashes of setup and recording are for.

use super::{MatchedChannel, MatchedRecording, MatchedRow, Matching};
use crate::setup::words::Unit;
use serde::Deserialize;
use serde_spanned::Spanned;
use std::fmt::{self, Write as _};

/// The version of the format.
const FORMAT: u32 = 1;
/// The key of the file's own hash.
const HASH_KEY: &str = "matching_blake3";
/// Rows a channel has at least: two leave a smooth course no freedom.
const LEAST_ROWS: usize = 3;
/// Channels a matching has at least.
const LEAST_CHANNELS: usize = 2;

const HEAD: &str = "\
# Matching of fixed sensors: gain and phase of each channel relative to the complex mean of all of
# them, measured with all of them at one place. Written by `spanhold match`; used by a setup that
# says `matching = \"THIS FILE\"`. Uncertainties are expanded, k = 2. A file that was altered by
# hand is refused: make it again from the recordings.
";
const ROW_HEAD: &str = "# frequency_hz, gain, gain_u, phase_deg, phase_u_deg, windows, snr_db";

/// Why a matching cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{wrong}; {right} is right")]
pub struct MatchingFault {
    /// Line in the file, from 1, where one is to blame.
    pub line: Option<usize>,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub right: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenMatching {
    format: Spanned<u32>,
    matching_blake3: Spanned<String>,
    program: String,
    arithmetic: u32,
    made_utc: Spanned<String>,
    setup_file: String,
    setup_blake3: String,
    #[serde(default)]
    recording: Vec<Recording>,
    #[serde(default)]
    channel: Vec<Channel>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Recording {
    file: String,
    blake3: String,
    begun: Option<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Channel {
    name: Spanned<String>,
    serial: Option<String>,
    index: usize,
    unit: Unit,
    full_scale: f64,
    position_m: Option<f64>,
    rows: Vec<Spanned<[f64; 7]>>,
}

impl Matching {
    /// The file's text, with its hash.
    pub fn text(&self) -> String {
        let mut text = String::new();
        // Writing into a String cannot fail.
        let _ = self.write(&mut text);
        let hash = blake3::hash(text.as_bytes()).to_hex();
        text.replacen(&entry(""), &entry(&hash), 1)
    }

    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "{HEAD}")?;
        writeln!(out, "format = {FORMAT}")?;
        writeln!(out, "{}", entry(""))?;
        writeln!(out, "program = {}", quoted(&self.program))?;
        writeln!(out, "arithmetic = {}", self.arithmetic)?;
        writeln!(out, "made_utc = {}", quoted(&self.made_utc.to_string()))?;
        writeln!(out, "setup_file = {}", quoted(&self.setup_file))?;
        writeln!(out, "setup_blake3 = {}", quoted(&self.setup_blake3))?;
        for recording in &self.recordings {
            writeln!(out, "\n[[recording]]\nfile = {}", quoted(&recording.file))?;
            writeln!(out, "blake3 = {}", quoted(&recording.blake3))?;
            if let Some(begun) = &recording.begun {
                writeln!(out, "begun = {}", quoted(begun))?;
            }
        }
        for channel in &self.channels {
            channel.write(out)?;
        }
        Ok(())
    }

    /// Reads a file's text. Out: the matching, and the line of each channel.
    ///
    /// # Errors
    /// What is wrong with it; of several things the first.
    pub fn parse(text: &str) -> Result<(Self, Vec<usize>), MatchingFault> {
        let line = |offset: usize| 1 + text.bytes().take(offset).filter(|b| *b == b'\n').count();
        let fault = |offset: Option<usize>, wrong: String| MatchingFault {
            line: offset.map(line),
            wrong,
            right: "a file as `spanhold match` writes it".to_owned(),
        };
        let file: WrittenMatching = toml::from_str(text).map_err(|error| {
            let what = error.message().trim().replace('\n', ", ");
            fault(
                error.span().map(|span| span.start),
                format!("it is no matching: {what}"),
            )
        })?;
        if *file.format.get_ref() != FORMAT {
            let wrong = format!(
                "it has format {}, this program knows {FORMAT}",
                file.format.get_ref()
            );
            return Err(fault(Some(file.format.span().start), wrong));
        }
        let said = file.matching_blake3.get_ref();
        let without = text.replacen(&entry(said), &entry(""), 1);
        if blake3::hash(without.as_bytes()).to_hex().as_str() != said {
            return Err(fault(
                Some(file.matching_blake3.span().start),
                "it was altered since it was written: its hash is not that of its text".to_owned(),
            ));
        }
        let Ok(made_utc) = file.made_utc.get_ref().parse() else {
            let wrong = format!("\"{}\" is no time", file.made_utc.get_ref());
            return Err(fault(Some(file.made_utc.span().start), wrong));
        };
        if file.channel.len() < LEAST_CHANNELS || file.recording.is_empty() {
            return Err(fault(
                None,
                "it has not two channels and a recording".to_owned(),
            ));
        }
        let lines = file
            .channel
            .iter()
            .map(|channel| line(channel.name.span().start));
        let lines = lines.collect();
        let channels: Result<Vec<_>, _> = file
            .channel
            .into_iter()
            .map(|channel| {
                channel
                    .checked()
                    .map_err(|(offset, wrong)| fault(Some(offset), wrong))
            })
            .collect();
        let recordings = file.recording.into_iter();
        let matching = Self {
            program: file.program,
            arithmetic: file.arithmetic,
            made_utc,
            setup_file: file.setup_file,
            setup_blake3: file.setup_blake3,
            recordings: recordings
                .map(|recording| MatchedRecording {
                    file: recording.file,
                    blake3: recording.blake3,
                    begun: recording.begun,
                })
                .collect(),
            channels: channels?,
        };
        Ok((matching, lines))
    }
}

impl MatchedChannel {
    fn write(&self, out: &mut String) -> fmt::Result {
        writeln!(out, "\n[[channel]]\nname = {}", quoted(&self.name))?;
        if let Some(serial) = &self.serial {
            writeln!(out, "serial = {}", quoted(serial))?;
        }
        writeln!(out, "index = {}", self.index)?;
        writeln!(out, "unit = {}", quoted(self.unit.symbol()))?;
        writeln!(out, "full_scale = {:?}", self.full_scale)?;
        if let Some(place_m) = self.position_m {
            writeln!(out, "position_m = {place_m:?}")?;
        }
        writeln!(out, "{ROW_HEAD}\nrows = [")?;
        for row in &self.rows {
            writeln!(
                out,
                "  [{:.4}, {:.6}, {:.6}, {:.4}, {:.4}, {}, {:.1}],",
                row.frequency_hz,
                row.gain,
                row.gain_u,
                row.phase_deg,
                row.phase_u_deg,
                row.windows,
                row.snr_db
            )?;
        }
        writeln!(out, "]")
    }
}

impl Channel {
    /// The channel, if its table can be one; else where it cannot and why.
    fn checked(self) -> Result<MatchedChannel, (usize, String)> {
        let at = self.name.span().start;
        if self.rows.len() < LEAST_ROWS {
            return Err((at, format!("the channel has fewer than {LEAST_ROWS} rows")));
        }
        if !(self.full_scale.is_finite() && self.full_scale > 0.0) {
            return Err((at, format!("{} is no full scale", self.full_scale)));
        }
        let mut rows: Vec<MatchedRow> = Vec::with_capacity(self.rows.len());
        for row in self.rows {
            let at = row.span().start;
            let values = row.into_inner();
            let [
                frequency_hz,
                gain,
                gain_u,
                phase_deg,
                phase_u_deg,
                windows,
                snr_db,
            ] = values;
            let possible = (1e-3..=1e6).contains(&frequency_hz)
                && (0.5..=2.0).contains(&gain)
                && (0.0..=1.0).contains(&gain_u)
                && (-180.0..=180.0).contains(&phase_deg)
                && (0.0..=180.0).contains(&phase_u_deg)
                && (1.0..=1e9).contains(&windows)
                && (-1e3..=1e3).contains(&snr_db);
            if !possible {
                return Err((at, "the row holds a number that is impossible".to_owned()));
            }
            if rows
                .last()
                .is_some_and(|last| last.frequency_hz >= frequency_hz)
            {
                return Err((at, "the frequencies of the rows do not rise".to_owned()));
            }
            rows.push(MatchedRow {
                frequency_hz,
                gain,
                gain_u,
                phase_deg,
                phase_u_deg,
                windows: windows as u32,
                snr_db,
            });
        }
        Ok(MatchedChannel {
            name: self.name.into_inner(),
            serial: self.serial,
            index: self.index,
            unit: self.unit,
            full_scale: self.full_scale,
            position_m: self.position_m,
            rows,
        })
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn entry(hash: &str) -> String {
    format!("{HASH_KEY} = \"{hash}\"")
}
