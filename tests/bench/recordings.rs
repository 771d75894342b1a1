//! Recordings made of others.

use std::ops::Range;
use std::path::Path;

/// Some sample frames of a recording as one of its own. Gives its form.
pub fn cut(from: &Path, to: &Path, frames: Range<usize>) -> hound::WavSpec {
    let mut reader = hound::WavReader::open(from).unwrap();
    let spec = reader.spec();
    let channels = usize::from(spec.channels);
    let samples = reader.samples::<i32>().map(Result::unwrap);
    let mut writer = hound::WavWriter::create(to, spec).unwrap();
    for sample in samples
        .skip(frames.start * channels)
        .take(frames.len() * channels)
    {
        writer.write_sample(sample).unwrap();
    }
    writer.finalize().unwrap();
    spec
}
