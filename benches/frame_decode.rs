//! How fast device frames become blocks: `cargo bench --bench frame_decode`.
//!
//! 16 channels of i24 at 10 kHz, the largest device of the design; a second
//! of samples is 160 000 elements.

#![allow(clippy::expect_used, reason = "a bench that cannot run should stop")]

use std::time::Duration;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ndarray::Array2;
use spanhold::ingest::frames::FrameWriter;
use spanhold::ingest::serial::LinkDecoder;
use spanhold::setup::SampleFormat;

const CHANNELS: u16 = 16;
const RATE_HZ: f64 = 10_000.0;

fn decode(criterion: &mut Criterion) {
    let mut writer = FrameWriter::new(SampleFormat::I24, CHANNELS, RATE_HZ, 1);
    let mut line = Vec::new();
    for _ in 0..100 {
        let counter = writer.header().first_sample;
        let samples = Array2::from_shape_fn((usize::from(CHANNELS), 100), |(channel, frame)| {
            let code = (counter as i64 + frame as i64) * 7_919 * (channel as i64 + 1);
            (code % 8_000_000) as f64 / 8_388_608.0
        });
        writer
            .write(samples.view(), &mut line)
            .expect("24 bits hold it");
    }
    let mut group = criterion.benchmark_group("frame_decode");
    group
        .sample_size(20)
        .measurement_time(Duration::from_secs(3))
        .throughput(Throughput::Elements(u64::from(CHANNELS) * RATE_HZ as u64));
    group.bench_function("1 s of 16 channels x 10 kHz x i24", |bencher| {
        bencher.iter(|| {
            let mut feed = LinkDecoder::frames(0);
            let mut blocks = Vec::new();
            for bytes in line.chunks(4_096) {
                feed.push(bytes, Duration::ZERO, &mut blocks)
                    .expect("one format");
            }
            feed.flush(Duration::ZERO, &mut blocks);
            assert_eq!(feed.statistics().samples, 10_000);
            blocks
        });
    });
    group.finish();
}

criterion_group!(benches, decode);
criterion_main!(benches);
