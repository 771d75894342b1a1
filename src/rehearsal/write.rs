//! A performance to files: a WAV recording, and the truth beside it as JSON
//! lines. Touches the two files it is given; flat in memory.

use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;

use hound::{SampleFormat, WavSpec, WavWriter};

use super::RehearsalError;
use super::perform::Performance;
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

/// Performs to the end, writing samples to `recording` and the truth of every
/// dwell to `truth`. `progress` is told the frames done, now and then.
pub fn write(
    mut performance: Performance,
    recording: &Path,
    truth: &Path,
    format: Format,
    progress: &mut dyn FnMut(u64),
) -> Result<Vec<DwellTruth>, RehearsalError> {
    let spec = wav_spec(&performance, format)?;
    let failed = |error: &dyn std::fmt::Display| RehearsalError::Write {
        file: recording.display().to_string(),
        cause: error.to_string(),
    };
    let mut writer = WavWriter::create(recording, spec).map_err(|e| failed(&e))?;
    let rows = performance.rows();
    let levels = 2f64.powi(i32::from(format.bits()) - 1);
    let mut done = 0u64;
    while let Some(block) = performance.next_block() {
        for frame in 0..block.frames {
            for row in 0..rows {
                let value = block.value(row, frame);
                match format {
                    Format::F32 => writer.write_sample(value as f32),
                    // Already rounded to a level and within the range.
                    _ => writer.write_sample((value * levels).round() as i32),
                }
                .map_err(|e| failed(&e))?;
            }
        }
        done += block.frames as u64;
        if done % 4096 < block.frames as u64 {
            progress(done);
        }
    }
    writer.finalize().map_err(|e| failed(&e))?;
    progress(done);
    let dwells = performance.into_truth();
    write_truth(&dwells, truth).map_err(|error| RehearsalError::Write {
        file: truth.display().to_string(),
        cause: error.to_string(),
    })?;
    Ok(dwells)
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

fn write_truth(dwells: &[DwellTruth], path: &Path) -> std::io::Result<()> {
    let mut file = BufWriter::new(File::create(path)?);
    for dwell in dwells {
        serde_json::to_writer(&mut file, dwell)?;
        file.write_all(b"\n")?;
    }
    file.flush()
}
