//! Raw samples of a stretch of time, read from the recordings of a source.

#![expect(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "pictures: no number of a result comes from here"
)]

use std::path::PathBuf;

use ndarray::{Array1, Array2, s};
use realfft::RealFftPlanner;

use crate::ingest::IngestError;
use crate::ingest::wav::WavReader;

/// Frames read at once.
const BLOCK_FRAMES: usize = 1 << 16;
/// Most frames that are kept: 44 s at 48 kHz.
const MOST_FRAMES: u64 = 1 << 21;
/// Floor of a spectrum, dB.
const FLOOR_DB: f64 = -180.0;

/// Consecutive samples of all columns of a source; digital full scale = 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    /// Sampling rate, Hz.
    pub rate_hz: f64,
    /// Index of the first frame since the source started.
    pub first_sample: u64,
    /// Columns × frames.
    pub values: Array2<f64>,
}

impl Samples {
    /// Reads what the recordings, each with its begin in the time of the run where
    /// that is known, hold of `from_s..to_s`, at most the first
    /// `MOST_FRAMES` of it; where samples are missing it ends there.
    pub fn read(
        recordings: &[(PathBuf, Option<f64>)],
        from_s: f64,
        to_s: f64,
    ) -> Result<Self, IngestError> {
        let mut reader = reader_at(recordings, from_s, to_s)?;
        let rate_hz = reader.format().rate_hz;
        let from = (from_s * rate_hz).round().max(0.0) as u64;
        let to = ((to_s * rate_hz).round().max(0.0) as u64).min(from + MOST_FRAMES);
        let mut samples = Self {
            rate_hz,
            first_sample: from,
            values: Array2::zeros((reader.format().channels, to.saturating_sub(from) as usize)),
        };
        let mut reached = from;
        while reached < to
            && let Some(block) = reader.next_block(BLOCK_FRAMES)?
        {
            let end = block.first_sample + block.samples.ncols() as u64;
            if end <= reached {
                continue;
            }
            if block.first_sample > reached {
                // Missing samples: what comes behind them does not join on.
                break;
            }
            let skip = (reached - block.first_sample) as usize;
            let take = (end.min(to) - reached) as usize;
            let at = (reached - from) as usize;
            samples
                .values
                .slice_mut(s![.., at..at + take])
                .assign(&block.samples.slice(s![.., skip..skip + take]));
            reached += take as u64;
        }
        let kept = (reached - from) as usize;
        if kept < samples.values.ncols() {
            samples.values = samples.values.slice(s![.., ..kept]).to_owned();
        }
        Ok(samples)
    }

    /// Frames there are.
    pub fn frames(&self) -> usize {
        self.values.ncols()
    }

    /// Time of the first frame, s.
    pub fn start_s(&self) -> f64 {
        self.first_sample as f64 / self.rate_hz
    }

    /// One column, empty if there is no such column.
    pub fn column(&self, index: usize) -> Array1<f64> {
        if index < self.values.nrows() {
            self.values.row(index).to_owned()
        } else {
            Array1::zeros(0)
        }
    }
}

/// The recordings that reach into `from_s..to_s`, numbered in the time of the
/// run. Where it is not known when they begin they are one stream.
fn reader_at(
    recordings: &[(PathBuf, Option<f64>)],
    from_s: f64,
    to_s: f64,
) -> Result<WavReader, IngestError> {
    let begins: Option<Vec<f64>> = recordings.iter().map(|(_, begin)| *begin).collect();
    let paths = |files: &[(PathBuf, Option<f64>)]| -> Vec<PathBuf> {
        files.iter().map(|(path, _)| path.clone()).collect()
    };
    let Some(begins) = begins else {
        return WavReader::open(&paths(recordings));
    };
    let first = begins
        .partition_point(|begin| *begin <= from_s)
        .saturating_sub(1);
    let last = begins.partition_point(|begin| *begin < to_s).max(first + 1);
    let mut reader = WavReader::open(&paths(recordings.get(first..last).unwrap_or_default()))?;
    let begin = begins.get(first).copied().unwrap_or(0.0) * reader.format().rate_hz;
    reader.shift(begin.round() as i64 - reader.first_sample() as i64);
    Ok(reader)
}

/// Amplitude spectrum under a Hann window: frequency in Hz and level in dB
/// below the largest line.
pub fn spectrum_db(values: &Array1<f64>, rate_hz: f64) -> Vec<(f64, f64)> {
    let count = values.len();
    if count < 8 {
        return Vec::new();
    }
    let mean = values.sum() / count as f64;
    let mut windowed: Vec<f64> = values
        .iter()
        .enumerate()
        .map(|(place, value)| {
            let angle = std::f64::consts::TAU * place as f64 / count as f64;
            (value - mean) * 0.5 * (1.0 - angle.cos())
        })
        .collect();
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(count);
    let mut lines = transform.make_output_vec();
    if transform.process(&mut windowed, &mut lines).is_err() {
        return Vec::new();
    }
    let largest = lines.iter().map(|line| line.norm()).fold(0.0, f64::max);
    if largest <= 0.0 {
        return Vec::new();
    }
    lines
        .iter()
        .enumerate()
        .map(|(bin, line)| {
            let level_db = (20.0 * (line.norm() / largest).log10()).max(FLOOR_DB);
            (bin as f64 * rate_hz / count as f64, level_db)
        })
        .collect()
}

/// The largest line of each of `groups` groups within a range of frequency:
/// no line is lost, however many there are to a pixel.
pub fn crests(
    spectrum: &[(f64, f64)],
    low_hz: f64,
    high_hz: f64,
    groups: usize,
) -> Vec<(f64, f64)> {
    let first = spectrum.partition_point(|line| line.0 < low_hz);
    let last = spectrum.partition_point(|line| line.0 <= high_hz);
    let within = spectrum.get(first..last).unwrap_or_default();
    let size = within.len().div_ceil(groups.max(1)).max(1);
    within
        .chunks(size)
        .filter_map(|chunk| chunk.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1)))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn two_tones_stand_at_their_frequencies_and_levels() {
        let rate_hz = 1000.0;
        let values: Array1<f64> = (0..8000)
            .map(|i| {
                let t = f64::from(i) / rate_hz;
                (TAU * 20.0 * t).sin() + 0.01 * (TAU * 21.0 * t).sin() + 3.0
            })
            .collect();
        let spectrum = spectrum_db(&values, rate_hz);
        let level = |hz: f64| crests(&spectrum, hz - 0.05, hz + 0.05, 1)[0].1;
        assert!(level(20.0).abs() < 1e-9);
        assert!((level(21.0) + 40.0).abs() < 0.01, "{}", level(21.0));
        assert!(level(30.0) < -150.0);
    }
}
