//! A performance to a WAV recording, and the truth about it to JSON lines.
//! Touches the file it is given; flat in memory.
//!
//! The recording is written by `hound`, not by the recorder: so the reader of
//! recordings is tested with files that this program's own code did not make.

use std::fs::File;
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use hound::{WavSpec, WavWriter};

use super::error::RehearsalError;
use super::perform::{Performance, SampleRows};
use super::truth::DwellTruth;
use crate::setup::SampleFormat;

/// A WAV recording in the making.
pub struct Recording {
    path: PathBuf,
    writer: WavWriter<BufWriter<File>>,
    format: SampleFormat,
    rows: usize,
}

impl Recording {
    /// Begins the recording of a whole performance.
    pub fn create(
        path: &Path,
        performance: &Performance,
        format: SampleFormat,
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
    pub fn write(&mut self, block: &SampleRows<'_>) -> Result<(), RehearsalError> {
        let levels = 2f64.powi(i32::from(bits(self.format)) - 1);
        for frame in 0..block.frames {
            for row in 0..self.rows {
                let value = block.value(row, frame);
                match self.format {
                    SampleFormat::F32 => self.writer.write_sample(value as f32),
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

fn wav_spec(performance: &Performance, format: SampleFormat) -> Result<WavSpec, RehearsalError> {
    let rate = performance.rate_hz();
    if rate.fract().abs() > 0.0 || rate > f64::from(u32::MAX) {
        return Err(RehearsalError::Recording(format!(
            "sampling rate {rate} Hz: a WAV file can only state a whole number of Hz"
        )));
    }
    if format == SampleFormat::F64 {
        return Err(RehearsalError::Recording(
            "samples as f64: the recording of a rehearsal holds at most 32 bits a sample; f32 holds \
             the same values"
                .into(),
        ));
    }
    let rows = performance.rows() as u64;
    let bytes = performance.frames() * rows * format.sample_bytes() as u64;
    // The header's lengths have 32 bits.
    if rows > u64::from(u16::MAX) || bytes > u64::from(u32::MAX) - 1024 {
        return Err(RehearsalError::Recording(format!(
            "the recording would be {bytes} bytes, more than a WAV file can hold: use fewer dwells, a lower rate or fewer bits"
        )));
    }
    Ok(WavSpec {
        channels: rows as u16,
        sample_rate: rate as u32,
        bits_per_sample: bits(format),
        sample_format: if format.is_float() {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    })
}

/// Bits of one stored sample.
fn bits(format: SampleFormat) -> u16 {
    8 * format.sample_bytes() as u16
}

/// The truth of the dwells as JSON lines, one a dwell.
pub fn truth_lines(dwells: &[DwellTruth]) -> Result<Vec<u8>, RehearsalError> {
    let mut text = Vec::new();
    for dwell in dwells {
        serde_json::to_writer(&mut text, dwell)
            .map_err(|error| RehearsalError::Recording(format!("the truth as JSON: {error}")))?;
        text.push(b'\n');
    }
    Ok(text)
}
