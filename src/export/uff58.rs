//! The recordings of a run as a universal file, dataset 58 in its binary form (58b):
//! evenly spaced time responses, a dataset a channel and a stretch without a gap.
//!
//! Layout: 'Universal File Datasets', dataset 58, function at nodal degree of freedom, as
//! published by the University of Cincinnati's Structural Dynamics Research
//! Laboratory; `tests/reference/archive/archive.py` reads it back with pyuff. Values are
//! 64-bit floats in SI units, times in the header have six digits: the sampling rate
//! and the first sample stand in the ID lines with all of theirs. The node number is the
//! place of the channel in the setup, from 1; directions are left open (0).

use std::io::{self, Write};
use std::path::Path;

use crate::ingest::IngestError;
use crate::ingest::wav::WavReader;
use crate::report::loaded_run::{LoadError, LoadedRun};
use crate::report::recordings::{Checked, Recordings};
use crate::setup::{Channel, Quantity};

/// Frames read at once.
const BLOCK_FRAMES: usize = 1 << 14;
/// Longest ID line.
const ID_LETTERS: usize = 80;

/// Why recordings cannot be written.
#[derive(Debug, thiserror::Error)]
pub enum Uff58Error {
    /// The run folder.
    #[error(transparent)]
    Run(#[from] LoadError),
    /// A recording is not there or not what it was.
    #[error("{0}")]
    Recording(String),
    /// A recording cannot be read.
    #[error(transparent)]
    Ingest(#[from] IngestError),
    /// The file cannot be written.
    #[error("cannot be written: {0}")]
    Write(#[from] io::Error),
}

/// Consecutive frames.
struct Stretch {
    first_sample: u64,
    frames: u64,
}

/// Writes the recordings of a run that have not changed since it was made. Each is read
/// once and once more a channel: memory does not grow with their length.
///
/// # Errors
/// Where a recording is missing, has changed or cannot be read; what was written by then
/// is no whole file.
pub fn uff58(folder: &Path, out: &mut dyn Write) -> Result<(), Uff58Error> {
    let LoadedRun { run, setup } = LoadedRun::open(folder)?;
    let recordings = Recordings::check(&run);
    for (source, files) in recordings.sources.iter().enumerate() {
        for file in files {
            let path = usable(file)?;
            let stretches = stretches(path)?;
            for (number, channel) in (1..).zip(&setup.channels) {
                if channel.source != source {
                    continue;
                }
                let name = path.file_name().unwrap_or_default().to_string_lossy();
                for stretch in &stretches {
                    let ids = [
                        format!("{}: {name}", setup.test.title),
                        format!("{}, {}", channel.name, channel.role.kind()),
                        file.begun.clone().unwrap_or_else(|| "NONE".to_owned()),
                        String::new(),
                        format!("{} {}", env!("CARGO_PKG_NAME"), env!("CARGO_PKG_VERSION")),
                    ];
                    dataset(path, (number, channel), stretch, ids, out)?;
                }
            }
        }
    }
    out.flush()?;
    Ok(())
}

fn usable(file: &Checked) -> Result<&Path, Uff58Error> {
    match &file.found {
        Some(path) if file.is_unchanged() => Ok(path),
        _ => Err(Uff58Error::Recording(file.sentence())),
    }
}

/// What of a recording is without a gap.
fn stretches(path: &Path) -> Result<Vec<Stretch>, IngestError> {
    let mut reader = WavReader::open(&[path.to_owned()])?;
    let mut stretches: Vec<Stretch> = Vec::new();
    while let Some(block) = reader.next_block(BLOCK_FRAMES)? {
        let frames = block.samples.ncols() as u64;
        match stretches.last_mut() {
            Some(last) if last.first_sample + last.frames == block.first_sample => {
                last.frames += frames;
            }
            _ => stretches.push(Stretch {
                first_sample: block.first_sample,
                frames,
            }),
        }
    }
    Ok(stretches)
}

fn dataset(
    path: &Path,
    (number, channel): (usize, &Channel),
    stretch: &Stretch,
    mut ids: [String; 5],
    out: &mut dyn Write,
) -> Result<(), Uff58Error> {
    let mut reader = WavReader::open(&[path.to_owned()])?;
    let rate_hz = reader.format().rate_hz;
    let first = stretch.first_sample;
    ids[3] = format!("rate_hz = {rate_hz}, first_sample = {first}");
    let (kind, label, unit) = ordinate(channel.unit.quantity());
    let bytes = 8 * stretch.frames;
    write!(
        out,
        "{:6}\n{:6}b{:6}{:6}{:12}{bytes:12}{:6}{:6}{:12}{:12}\n",
        -1, 58, 1, 2, 11, 0, 0, 0, 0
    )?;
    for id in &ids {
        writeln!(out, "{:<ID_LETTERS$}", line(id))?;
    }
    writeln!(
        out,
        "{:5}{:10}{:5}{:10} {:<10}{number:10}{:4} {:<10}{:10}{:4}",
        1, 0, 0, 0, "NONE", 0, "NONE", 0, 0
    )?;
    writeln!(
        out,
        "{:10}{:10}{:10}{}{}{}",
        4,
        stretch.frames,
        1,
        exponential(first as f64 / rate_hz),
        exponential(1.0 / rate_hz),
        exponential(0.0)
    )?;
    for (kind, label, unit) in [
        (17, "Time", "s"),
        (kind, label, unit),
        (0, "NONE", "NONE"),
        (0, "NONE", "NONE"),
    ] {
        writeln!(out, "{kind:10}{:5}{:5}{:5} {label:<20} {unit:<20}", 0, 0, 0)?;
    }
    let to_si = channel.full_scale * channel.unit.to_si();
    let mut left = stretch.frames;
    while let Some(block) = reader.next_block(BLOCK_FRAMES)? {
        if block.first_sample < first || left == 0 {
            continue;
        }
        if channel.index >= block.samples.nrows() {
            return Err(Uff58Error::Recording(format!(
                "{}: it has no column {} for the channel \"{}\"",
                path.display(),
                channel.index,
                channel.name
            )));
        }
        for value in block.samples.row(channel.index) {
            out.write_all(&(value * to_si).to_le_bytes())?;
        }
        left = left.saturating_sub(block.samples.ncols() as u64);
    }
    writeln!(out, "{:6}", -1)?;
    Ok(())
}

/// Code of the data, label and unit of the axis.
fn ordinate(quantity: Quantity) -> (i32, &'static str, &'static str) {
    match quantity {
        Quantity::Displacement => (8, "Displacement", "m"),
        Quantity::Velocity => (11, "Velocity", "m/s"),
        Quantity::Acceleration => (12, "Acceleration", "m/s^2"),
        Quantity::Force => (13, "Excitation force", "N"),
        Quantity::Strain => (3, "Strain", "m/m"),
        Quantity::Voltage => (1, "Voltage", "V"),
    }
}

/// One line of an ID: of plain letters, no longer than there is room for.
fn line(text: &str) -> String {
    let plain = |letter: char| match letter {
        ' '..='~' => letter,
        _ => '?',
    };
    text.chars().map(plain).take(ID_LETTERS).collect()
}

/// As Fortran's E13.5 has it, `1.25000e-01` in 13 columns.
fn exponential(value: f64) -> String {
    let text = format!("{value:.5e}");
    let (digits, exponent) = text.split_once('e').unwrap_or((&text, "0"));
    let exponent: i32 = exponent.parse().unwrap_or_default();
    let sign = if exponent < 0 { '-' } else { '+' };
    format!("{:>13}", format!("{digits}e{sign}{:02}", exponent.abs()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_of_the_header_have_thirteen_columns() {
        assert_eq!(exponential(0.0), "  0.00000e+00");
        assert_eq!(exponential(1.0 / 48_000.0), "  2.08333e-05");
        assert_eq!(exponential(-14_400.3), " -1.44003e+04");
    }
}
