//! How fast a recording becomes blocks: `cargo bench --bench wav_decode`.
//!
//! Throughput is in bytes of file. The file stays in the page cache, so this
//! is the decoder, not the disk.
#![allow(clippy::expect_used, reason = "a bench that cannot run should stop")]

use std::path::PathBuf;
use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use hound::{SampleFormat, WavSpec, WavWriter};
use spanhold::ingest::wav::WavReader;

const FRAMES: usize = 48_000 * 20;
const CHANNELS: u16 = 5;

fn recording(dir: &tempfile::TempDir, bits: u16, format: SampleFormat) -> PathBuf {
    let path = dir.path().join(format!("{bits}{format:?}.wav"));
    let spec = WavSpec {
        channels: CHANNELS,
        sample_rate: 48_000,
        bits_per_sample: bits,
        sample_format: format,
    };
    let mut writer = WavWriter::create(&path, spec).expect("a temporary file");
    for n in 0..FRAMES * usize::from(CHANNELS) {
        match format {
            SampleFormat::Int => writer.write_sample((n * 7_919 % 30_000) as i32),
            SampleFormat::Float => writer.write_sample(n as f32 * 1e-6),
        }
        .expect("room for a temporary file");
    }
    writer.finalize().expect("room for a temporary file");
    path
}

fn decode(criterion: &mut Criterion) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let mut group = criterion.benchmark_group("wav_decode");
    group
        .sample_size(10)
        .measurement_time(Duration::from_secs(3));
    for (bits, format) in [
        (16, SampleFormat::Int),
        (24, SampleFormat::Int),
        (32, SampleFormat::Int),
        (32, SampleFormat::Float),
    ] {
        let path = recording(&dir, bits, format);
        let bytes = FRAMES as u64 * u64::from(CHANNELS) * u64::from(bits / 8);
        group.throughput(Throughput::Bytes(bytes));
        group.bench_function(format!("{bits}-bit {format:?}, 5 channels"), |bencher| {
            bencher.iter(|| {
                let mut reader = WavReader::open(std::slice::from_ref(&path)).expect("readable");
                let mut frames = 0;
                while let Some(block) = reader.next_block(4_096).expect("readable") {
                    frames += block.samples.ncols();
                }
                assert_eq!(frames, FRAMES);
            });
        });
    }
    group.finish();
}

criterion_group!(benches, decode);
criterion_main!(benches);
