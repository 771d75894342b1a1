//! A performance to files: a WAV recording, and the truth beside it as JSON
//! lines. Touches the files it is given; flat in memory.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use hound::{SampleFormat, WavSpec, WavWriter};

use super::RehearsalError;
use super::perform::{Block, Performance};
use super::sensors::Quantisation;
use super::truth::DwellTruth;

/// How samples are stored in the recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// 16-bit integers.
    I16,
    /// 24-bit integers.
    I24,
    /// 32-bit integers.
    I32,
    /// 32-bit floats that hold the values of a 24-bit converter.
    F32,
}

impl Format {
    /// What the converter has to round to.
    pub fn quantisation(self) -> Quantisation {
        Quantisation::Bits(match self {
            Self::I16 => 16,
            Self::I24 | Self::F32 => 24,
            Self::I32 => 32,
        })
    }

    fn bits(self) -> u16 {
        match self {
            Self::I16 => 16,
            Self::I24 => 24,
            Self::I32 | Self::F32 => 32,
        }
    }
}

/// A WAV recording in the making.
pub struct Recording {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    format: Format,
    rows: usize,
}

impl Recording {
    /// Begins the recording of a whole performance.
    pub fn create(
        path: &Path,
        performance: &Performance,
        format: Format,
    ) -> Result<Self, RehearsalError> {
        let spec = wav_spec(performance, format)?;
        let writer = WavWriter::create(path, spec).map_err(|error| failed(path, &error))?;
        Ok(Self {
            path: path.to_owned(),
            writer,
            format,
            rows: performance.rows(),
        })
    }

    /// Appends what was performed.
    pub fn write(&mut self, block: &Block<'_>) -> Result<(), RehearsalError> {
        let levels = 2f64.powi(i32::from(self.format.bits()) - 1);
        for frame in 0..block.frames {
            for row in 0..self.rows {
                let value = block.value(row, frame);
                match self.format {
                    Format::F32 => self.writer.write_sample(value as f32),
                    // Already rounded to a level and within the range.
                    _ => self.writer.write_sample((value * levels).round() as i32),
                }
                .map_err(|error| failed(&self.path, &error))?;
            }
        }
        Ok(())
    }

    /// Completes the file, after however much of the performance.
    pub fn finish(self) -> Result<(), RehearsalError> {
        self.writer
            .finalize()
            .map_err(|error| failed(&self.path, &error))
    }
}

fn failed(path: &Path, cause: &dyn std::fmt::Display) -> RehearsalError {
    RehearsalError::Write {
        file: path.display().to_string(),
        cause: cause.to_string(),
    }
}

fn wav_spec(performance: &Performance, format: Format) -> Result<WavSpec, RehearsalError> {
    let rate = performance.rate_hz();
    if rate.fract().abs() > 0.0 || rate > f64::from(u32::MAX) {
        return Err(RehearsalError::Recording(format!(
            "sampling rate {rate} Hz: a WAV file can only state a whole number of Hz"
        )));
    }
    let rows = performance.rows() as u64;
    let bytes = performance.frames() * rows * u64::from(format.bits() / 8);
    // The header's lengths have 32 bits.
    if rows > u64::from(u16::MAX) || bytes > u64::from(u32::MAX) - 1024 {
        return Err(RehearsalError::Recording(format!(
            "the recording would be {bytes} bytes, more than a WAV file can hold: use fewer dwells, a lower rate or fewer bits"
        )));
    }
    Ok(WavSpec {
        channels: rows as u16,
        sample_rate: rate as u32,
        bits_per_sample: format.bits(),
        sample_format: match format {
            Format::F32 => SampleFormat::Float,
            _ => SampleFormat::Int,
        },
    })
}

/// Writes the truth of the dwells, one a line.
pub fn write_truth(dwells: &[DwellTruth], path: &Path) -> Result<(), RehearsalError> {
    (|| {
        let mut file = BufWriter::new(File::create(path)?);
        for dwell in dwells {
            serde_json::to_writer(&mut file, dwell)?;
            file.write_all(b"\n")?;
        }
        file.flush()
    })()
    .map_err(|error: std::io::Error| failed(path, &error))
}
