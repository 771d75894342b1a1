//! Streams of a device over a bad line: what is taken is right, what is lost
//! is counted, and the next good frame is good again.

#![allow(clippy::float_cmp, reason = "transport is exact")]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::time::Duration;

use ndarray::Array2;
use proptest::prelude::*;
use rand::{Rng, RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use spanhold::ingest::Block;
use spanhold::ingest::frames::{
    AnnouncedChannel, Announcement, Frame, FrameDecoder, FrameWriter, SampleHeader,
    encode_announcement, encode_samples,
};
use spanhold::ingest::lines::LineDecoder;
use spanhold::ingest::serial::{LinkDecoder, LinkStatistics};
use spanhold::setup::SampleFormat;

const GUIDE: &str = include_str!("../../src/guide/device-protocol.md");

/// The bytes of a fenced block of the guide.
fn guide_bytes(name: &str) -> Vec<u8> {
    let (_, rest) = GUIDE.split_once(&format!("```text {name}\n")).unwrap();
    let (hex, _) = rest.split_once("```").unwrap();
    hex.split_whitespace()
        .map(|byte| u8::from_str_radix(byte, 16).unwrap())
        .collect()
}

/// The bytes in the guide were made with Python's `struct` and `zlib.crc32`
/// and a COBS encoder written from the paper, not with this program.
#[test]
fn the_worked_example_of_the_guide() {
    let (body, crc, line) = (guide_bytes("body"), guide_bytes("crc"), guide_bytes("line"));
    let header = SampleHeader {
        sample_format: SampleFormat::I16,
        channels: 2,
        stream_id: 0x1234_5678,
        first_sample: 80,
        device_time_us: 40_000,
        rate_hz: 2_000.0,
        sequence: 2,
    };
    let samples: Vec<u8> = [1_i16, -1, 256, -32_768]
        .iter()
        .flat_map(|sample| sample.to_le_bytes())
        .collect();
    let mut encoded = Vec::new();
    encode_samples(&header, &samples, &mut encoded);
    assert_eq!(encoded, line);

    assert_eq!(body[36..], samples);
    let sum = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&body);
    assert_eq!(sum.to_le_bytes(), crc[..]);
    assert_eq!(
        crc::CRC_32_ISO_HDLC.check,
        0xCBF4_3926,
        "the check value in the guide"
    );

    let mut decoder = FrameDecoder::default();
    let mut frames = 0;
    decoder.push(&line, |frame| {
        let Frame::Samples(frame) = frame else {
            panic!("{frame:?}");
        };
        assert_eq!((frame.header, frame.samples), (header, &samples[..]));
        frames += 1;
    });
    assert_eq!(frames, 1);
}

/// The check sum of the text example in the guide.
#[test]
fn the_text_example_of_the_guide() {
    let (_, rest) = GUIDE.split_once("`0.0123,-0.5,118*").unwrap();
    let line = format!("half\n0.0123,-0.5,118*{}\r\n", &rest[..2]);
    let mut taken = Vec::new();
    LineDecoder::default().push(line.as_bytes(), |line| {
        taken.push(line.unwrap().values.to_vec());
    });
    assert_eq!(taken, [[0.0123, -0.5, 118.0]]);
}

const CHANNELS: usize = 3;
const RATE_HZ: f64 = 1_000.0;

/// Three channels that vouch for one another: sample counter, number of the
/// stream, and a mixture of both.
fn codes(stream: u32, counter: u64) -> [i32; CHANNELS] {
    let mixed = (counter ^ (u64::from(stream) << 40)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    [counter as i32, stream as i32, (mixed >> 33) as i32]
}

fn sample_block(stream: u32, counter: u64, frames: usize) -> Array2<f64> {
    Array2::from_shape_fn((CHANNELS, frames), |(channel, frame)| {
        f64::from(codes(stream, counter + frame as u64)[channel]) / 2_147_483_648.0
    })
}

/// What of a stream was delivered.
#[derive(Debug, Default, Clone, Copy)]
struct Delivered {
    first: u64,
    end: u64,
    samples: u64,
    /// Index of sample 0.
    origin: i128,
}

/// Checks every delivered sample against what was sent.
fn check_blocks(blocks: &[Block]) -> BTreeMap<u32, Delivered> {
    let mut streams: BTreeMap<u32, Delivered> = BTreeMap::new();
    let mut end = 0;
    for block in blocks {
        assert!(block.first_sample >= end, "indices never go back");
        end = block.first_sample + block.samples.ncols() as u64;
        for (n, column) in block.samples.columns().into_iter().enumerate() {
            let code = |channel: usize| (column[channel] * 2_147_483_648.0) as i32;
            let (counter, stream) = (code(0) as u64, code(1) as u32);
            assert_eq!(
                [code(0), code(1), code(2)],
                codes(stream, counter),
                "a false sample"
            );
            let origin = i128::from(block.first_sample) + n as i128 - i128::from(counter);
            let seen = streams.entry(stream).or_insert(Delivered {
                first: counter,
                end: counter,
                samples: 0,
                origin,
            });
            assert_eq!(origin, seen.origin, "the index follows the counter");
            assert!(counter >= seen.end, "in order");
            seen.end = counter + 1;
            seen.samples += 1;
        }
    }
    streams
}

/// One frame on the line and whether a fault touched it.
struct Sent {
    bytes: Vec<u8>,
    stream: u32,
    counter: u64,
    is_touched: bool,
}

/// A device that sends `count` frames, with restarts.
fn send(rng: &mut ChaCha8Rng, count: usize, restart_rate: f64) -> Vec<Sent> {
    let mut sent = Vec::new();
    let mut stream = 1;
    let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, stream);
    for _ in 0..count {
        if rng.random_bool(restart_rate) {
            stream += 1;
            writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, stream);
        }
        let counter = writer.header().first_sample;
        let frames = rng.random_range(1..30);
        let mut bytes = Vec::new();
        writer
            .write(sample_block(stream, counter, frames).view(), &mut bytes)
            .unwrap();
        sent.push(Sent {
            bytes,
            stream,
            counter,
            is_touched: false,
        });
    }
    sent
}

#[derive(Debug, Clone, Copy)]
enum Fault {
    LoseByte,
    InsertBytes,
    FlipBit,
    Burst,
    Truncate,
    LoseFrame,
}

const FAULTS: [Fault; 6] = [
    Fault::LoseByte,
    Fault::InsertBytes,
    Fault::FlipBit,
    Fault::Burst,
    Fault::Truncate,
    Fault::LoseFrame,
];

fn damage(rng: &mut ChaCha8Rng, sent: &mut Sent, fault: Fault) {
    let bytes = &mut sent.bytes;
    let place = rng.random_range(0..bytes.len());
    sent.is_touched = true;
    match fault {
        Fault::LoseByte => {
            bytes.remove(place);
        }
        Fault::InsertBytes => {
            for _ in 0..rng.random_range(1..4) {
                bytes.insert(place, rng.random());
            }
        }
        Fault::FlipBit => bytes[place] ^= 1 << rng.random_range(0..8),
        Fault::Burst => {
            let end = (place + rng.random_range(1..200)).min(bytes.len());
            rng.fill_bytes(&mut bytes[place..end]);
        }
        Fault::Truncate => bytes.truncate(place),
        Fault::LoseFrame => bytes.clear(),
    }
}

/// Feeds a line in random portions.
fn receive(rng: &mut ChaCha8Rng, line: &[u8]) -> (Vec<Block>, LinkStatistics) {
    let mut feed = LinkDecoder::frames(0);
    let mut blocks = Vec::new();
    let mut rest = line;
    let mut now = Duration::ZERO;
    while !rest.is_empty() {
        let (portion, tail) = rest.split_at(rng.random_range(1..=rest.len().min(700)));
        now += Duration::from_millis(1);
        feed.push(portion, now, &mut blocks).unwrap();
        rest = tail;
    }
    feed.flush(now, &mut blocks);
    (blocks, feed.statistics().clone())
}

/// Every rate with every mixture of faults and restarts, each with its own
/// seed, which the message names.
#[test]
fn the_fault_campaign() {
    let (mut taken, mut lost, mut corrupt) = (0, 0, 0);
    for seed in 0..300_u64 {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let fault_rate = [0.0, 0.001, 0.01, 0.1, 0.5][seed as usize % 5];
        let restart_rate = [0.0, 0.002, 0.02][seed as usize / 5 % 3];
        let mut sent = send(rng, 400, restart_rate);
        for frame in &mut sent {
            while rng.random_bool(fault_rate) {
                let fault = FAULTS[rng.random_range(0..FAULTS.len())];
                if !frame.bytes.is_empty() {
                    damage(rng, frame, fault);
                }
            }
        }
        // Start in mid-frame, after a boot message.
        let cut = rng.random_range(0..40);
        sent[0].is_touched |= cut > 0;
        let mut line = b"boot v1.2 ok\r\n".to_vec();
        line.extend(sent.iter().flat_map(|frame| frame.bytes.iter()).skip(cut));
        let (blocks, statistics) = receive(rng, &line);

        let streams = check_blocks(&blocks);
        let delivered: u64 = streams.values().map(|stream| stream.samples).sum();
        let missing: u64 = streams
            .values()
            .map(|stream| stream.end - stream.first - stream.samples)
            .sum();
        assert_eq!(statistics.samples, delivered, "seed {seed}");
        assert_eq!(statistics.lost_samples, missing, "seed {seed}");
        assert_eq!(
            statistics.restarts as usize,
            streams.len().saturating_sub(1),
            "seed {seed}"
        );
        assert_eq!(statistics.lost_in_device, 0, "seed {seed}");
        assert_eq!(statistics.inconsistent + statistics.late, 0, "seed {seed}");
        let holes: u64 = blocks
            .windows(2)
            .map(|pair| {
                pair[1].first_sample - pair[0].first_sample - pair[0].samples.ncols() as u64
            })
            .sum();
        assert_eq!(
            holes,
            missing + statistics.estimated_lost_samples,
            "seed {seed}"
        );

        // A frame that is whole, behind one whose end is whole, is taken.
        for pair in sent.windows(2) {
            if !pair[0].is_touched && !pair[1].is_touched {
                let stream = streams.get(&pair[1].stream).expect("its stream was seen");
                let index = stream.origin + i128::from(pair[1].counter);
                assert!(
                    blocks.iter().any(|block| {
                        let first = i128::from(block.first_sample);
                        (first..first + block.samples.ncols() as i128).contains(&index)
                    }),
                    "seed {seed}: a clean frame was not taken"
                );
            }
        }
        taken += delivered;
        lost += missing;
        corrupt += statistics.corrupt;
    }
    // The campaign did what it is for.
    assert!(
        taken > 800_000 && lost > 100_000 && corrupt > 5_000,
        "{taken} {lost} {corrupt}"
    );
}

/// Random bytes are never taken for samples.
#[test]
fn noise_gives_nothing() {
    let rng = &mut ChaCha8Rng::seed_from_u64(7);
    let mut line = vec![0; 3_000_000];
    rng.fill_bytes(&mut line);
    let (blocks, statistics) = receive(rng, &line);
    assert!(blocks.is_empty());
    assert!(statistics.corrupt > 10_000);
}

#[test]
fn duplicates_and_changed_order_are_mended_and_counted() {
    let rng = &mut ChaCha8Rng::seed_from_u64(1);
    let sent = send(rng, 12, 0.0);
    let total = sent[11].counter;
    let order = [0, 1, 1, 3, 4, 2, 5, 6, 6, 10, 7, 8, 9, 11, 3];
    let line: Vec<u8> = order.iter().flat_map(|n| sent[*n].bytes.clone()).collect();
    let (blocks, statistics) = receive(rng, &line);
    let streams = check_blocks(&blocks);
    assert!(streams[&1].samples > total);
    assert_eq!(statistics.lost_samples, 0);
    assert_eq!(statistics.lost_frames, 0);
    assert_eq!(statistics.duplicates, 3);
    assert_eq!(
        statistics.reordered, 4,
        "frames 2, 7, 8 and 9 were overtaken"
    );
    assert_eq!(statistics.frames, 12);
}

#[test]
fn a_frame_overtaken_by_too_many_is_missing_and_late() {
    let rng = &mut ChaCha8Rng::seed_from_u64(2);
    let sent = send(rng, 12, 0.0);
    let order = [0, 2, 3, 4, 5, 6, 7, 1, 8];
    let line: Vec<u8> = order.iter().flat_map(|n| sent[*n].bytes.clone()).collect();
    let (blocks, statistics) = receive(rng, &line);
    check_blocks(&blocks);
    assert_eq!(statistics.lost_samples, sent[2].counter - sent[1].counter);
    assert_eq!((statistics.lost_frames, statistics.late), (1, 1));
}

#[test]
fn what_the_device_itself_skips_is_told_from_what_the_line_loses() {
    let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, 1);
    let mut line = Vec::new();
    let mut counter = 0;
    for n in 0..10 {
        let mut header = *writer.header();
        header.first_sample = counter;
        let block = sample_block(1, counter, 8);
        if n == 5 {
            // Lost on the line: the sequence number is used up.
            writer.skip(8);
        } else {
            let mut bytes = Vec::new();
            let samples: Vec<u8> = block
                .columns()
                .into_iter()
                .flat_map(|column| column.to_vec())
                .flat_map(|value| ((value * 2_147_483_648.0) as i32).to_le_bytes())
                .collect();
            encode_samples(&header, &samples, &mut bytes);
            line.extend(bytes);
            writer.skip(8);
        }
        // After the third frame the device itself skips 100.
        counter += if n == 2 { 108 } else { 8 };
    }
    let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(3), &line);
    check_blocks(&blocks);
    assert_eq!(statistics.lost_samples, 108);
    assert_eq!(statistics.lost_in_device, 100);
    assert_eq!(statistics.lost_frames, 1);
}

/// A device that keeps its stream id over a restart breaks the protocol, but
/// its samples are not refused for ever.
#[test]
fn a_restart_with_the_old_id_is_noticed() {
    let mut line = Vec::new();
    for _ in 0..2 {
        let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, 1);
        for n in 0..100 {
            writer
                .write(sample_block(1, n * 10, 10).view(), &mut line)
                .unwrap();
        }
    }
    let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(4), &line);
    assert_eq!(statistics.restarts, 1);
    assert_eq!(
        statistics.frames, 185,
        "16 frames pass before it is noticed, one is taken"
    );
    assert!(
        blocks
            .windows(2)
            .all(|pair| pair[1].first_sample > pair[0].first_sample)
    );
}

/// However soon a device restarts and whatever it sends: its old stream id does
/// not join what came before to what came after.
#[test]
fn a_restart_with_the_old_id_is_never_spliced() {
    for frames_before in 1..40 {
        for signal in [1, 2] {
            if signal == 1 && frames_before == 1 {
                // One frame that comes twice, byte for byte: nobody can tell.
                continue;
            }
            let mut line = Vec::new();
            for (count, signal) in [(frames_before, 1), (80, signal)] {
                let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, 1);
                for n in 0..count {
                    let block = sample_block(signal, n * 10, 10);
                    writer.write(block.view(), &mut line).unwrap();
                }
            }
            let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(8), &line);
            assert_eq!(statistics.restarts, 1, "{frames_before} {signal}");
            assert_eq!(statistics.frames, frames_before + 80);
            let end = frames_before * 10;
            let next = blocks.iter().find(|block| block.first_sample >= end);
            assert!(next.unwrap().first_sample > end, "{frames_before} {signal}");
        }
    }
}

/// Devices that restart at random moments and choose among three stream ids:
/// samples with neighbouring indices were taken one after the other.
#[test]
fn mixed_streams_are_never_spliced() {
    let mut restarts_found = 0;
    for seed in 0..3_000 {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let mut line = Vec::new();
        // The number of the stream stands in its samples; its id may repeat.
        for stream in 1..rng.random_range(2..8) {
            let id = rng.random_range(1..4);
            let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, id);
            let frames = rng.random_range(1..30);
            for _ in 0..rng.random_range(1..25) {
                let counter = writer.header().first_sample;
                let block = sample_block(stream, counter, frames);
                let start = line.len();
                writer.write(block.view(), &mut line).unwrap();
                if rng.random_bool(0.05) {
                    line.extend_from_within(start..);
                }
            }
        }
        let (blocks, statistics) = receive(rng, &line);
        restarts_found += statistics.restarts;
        let mut before: Option<(u64, u64, i32)> = None;
        for block in &blocks {
            for (n, column) in block.samples.columns().into_iter().enumerate() {
                let index = block.first_sample + n as u64;
                let code = |channel: usize| (column[channel] * 2_147_483_648.0) as i32;
                let (counter, stream) = (code(0) as u64, code(1));
                if let Some((last_index, last_counter, last_stream)) = before {
                    assert!(index > last_index, "seed {seed}");
                    if index == last_index + 1 {
                        let now = (counter, stream);
                        assert_eq!(now, (last_counter + 1, last_stream), "seed {seed}");
                    }
                }
                before = Some((index, counter, stream));
            }
        }
    }
    assert!(restarts_found > 5_000, "{restarts_found}");
}

/// A frame of samples with any counter, its check sum right.
fn frame_at(counter: u64, rate_hz: f64) -> Vec<u8> {
    let writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, rate_hz, 1);
    let header = SampleHeader {
        first_sample: counter,
        ..*writer.header()
    };
    let mut bytes = Vec::new();
    encode_samples(&header, &[0; 10 * CHANNELS * 4], &mut bytes);
    bytes
}

/// One frame that claims to be years ahead costs nothing but itself, however
/// often it comes.
#[test]
fn a_counter_far_ahead_is_no_loss_of_samples() {
    for every in [1, 3, 50] {
        let mut writer = FrameWriter::new(SampleFormat::I32, CHANNELS as u16, RATE_HZ, 1);
        let mut line = Vec::new();
        let mut rogues = 0;
        for n in 0..100 {
            writer
                .write(sample_block(1, n * 10, 10).view(), &mut line)
                .unwrap();
            if n % every == 0 {
                // The last one whose samples the counter can still hold, a
                // sign bit, and a day of samples.
                let ahead = [u64::MAX - 10, 1 << 63, 86_400_000][rogues as usize % 3];
                line.extend(frame_at(ahead, RATE_HZ));
                rogues += 1;
            }
        }
        let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(9), &line);
        assert_eq!(check_blocks(&blocks)[&1].samples, 1_000, "{every}");
        assert_eq!(statistics.lost_samples, 0);
        assert_eq!((statistics.inconsistent, statistics.restarts), (rogues, 0));
    }
}

/// A device that does go on at another count is followed, after a gap.
#[test]
fn a_count_that_stays_far_ahead_is_a_restart() {
    let mut line = Vec::new();
    for n in 0..100 {
        let offset = if n < 20 { 0 } else { 1 << 62 };
        line.extend(frame_at(offset + n * 10, RATE_HZ));
    }
    let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(10), &line);
    assert_eq!((statistics.restarts, statistics.frames), (1, 85));
    let last = blocks.last().unwrap();
    assert!(last.first_sample < 10_000, "{}", last.first_sample);
    let jumps = blocks.windows(2).filter(|pair| {
        pair[1].first_sample > pair[0].first_sample + pair[0].samples.ncols() as u64
    });
    assert_eq!(jumps.count(), 1);
}

/// A rate that no device has is refused with the frame, before memory is set
/// aside for it.
#[test]
fn frames_that_state_an_impossible_rate_are_refused() {
    let rates = [1e308, 1e12, 1_000_000.1, 0.0, -1.0, f64::NAN, f64::INFINITY];
    let mut line: Vec<u8> = rates.iter().flat_map(|hz| frame_at(0, *hz)).collect();
    let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(11), &line);
    assert!(blocks.is_empty());
    assert_eq!(statistics.malformed, 7);
    assert_eq!(statistics.refused_rate_hz, Some(f64::INFINITY));
    for (n, hz) in [(0, 1e6), (10, 1e6)] {
        line.extend(frame_at(n, hz));
    }
    let (blocks, _) = receive(&mut ChaCha8Rng::seed_from_u64(11), &line);
    assert_eq!(blocks[0].samples.ncols(), 20);
}

#[test]
fn an_announcement_comes_through() {
    let announcement = Announcement {
        sample_format: SampleFormat::I24,
        stream_id: 9,
        rate_hz: 2_000.5,
        device: "frönt end 7".into(),
        channels: vec![
            AnnouncedChannel {
                name: "antinode".into(),
                unit: "m/s2".into(),
                full_scale: 490.332_5,
            },
            AnnouncedChannel {
                name: "x".repeat(300),
                unit: String::new(),
                full_scale: 1.0,
            },
        ],
    };
    let mut line = Vec::new();
    encode_announcement(&announcement, &mut line);
    let mut expected = announcement;
    expected.channels[1].name = "x".repeat(255);
    let mut feed = LinkDecoder::frames(0);
    feed.push(&line, Duration::ZERO, &mut Vec::new()).unwrap();
    assert_eq!(feed.statistics().announcement, Some(expected));
}

#[test]
fn every_sample_format_comes_through_exactly() {
    for (format, step) in [
        (SampleFormat::I16, 1.0 / 32_768.0),
        (SampleFormat::I24, 1.0 / 8_388_608.0),
        (SampleFormat::I32, 1.0 / 2_147_483_648.0),
        (SampleFormat::F32, 0.125),
        (SampleFormat::F64, 0.1),
    ] {
        let samples = Array2::from_shape_fn((2, 50), |(channel, frame)| {
            (frame as f64 - 25.0 - channel as f64) * step
        });
        let mut line = Vec::new();
        FrameWriter::new(format, 2, RATE_HZ, 1)
            .write(samples.view(), &mut line)
            .unwrap();
        let (blocks, _) = receive(&mut ChaCha8Rng::seed_from_u64(5), &line);
        assert_eq!(blocks[0].samples, samples, "{format}");
    }
}

#[test]
fn a_float_that_is_no_number_is_missing_in_its_channel_alone() {
    let mut samples = Array2::zeros((2, 10));
    samples[(1, 4)] = f64::NAN;
    samples[(0, 7)] = f64::NAN;
    samples[(1, 7)] = f64::INFINITY;
    let bytes: Vec<u8> = samples
        .columns()
        .into_iter()
        .flat_map(|column| column.to_vec())
        .flat_map(|value: f64| (value as f32).to_le_bytes())
        .collect();
    let header = *FrameWriter::new(SampleFormat::F32, 2, RATE_HZ, 1).header();
    let mut line = Vec::new();
    encode_samples(&header, &bytes, &mut line);
    let (blocks, statistics) = receive(&mut ChaCha8Rng::seed_from_u64(6), &line);
    let places: Vec<_> = blocks
        .iter()
        .map(|b| (b.first_sample, b.samples.ncols()))
        .collect();
    assert_eq!(
        places,
        [(0, 7), (8, 2)],
        "an instant without any value is missing"
    );
    assert!(blocks[0].samples[(1, 4)].is_nan());
    assert_eq!(blocks[0].samples[(0, 4)], 0.0);
    assert_eq!(statistics.values_missing, 3);
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 300,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    /// Frames do not depend on how the bytes are portioned.
    #[test]
    fn any_split_gives_the_same_blocks(seed: u64, fault in 0.0..0.3_f64) {
        let rng = &mut ChaCha8Rng::seed_from_u64(seed);
        let mut sent = send(rng, 40, 0.02);
        for frame in &mut sent {
            if rng.random_bool(fault) {
                let kind = FAULTS[rng.random_range(0..FAULTS.len())];
                damage(rng, frame, kind);
            }
        }
        let line: Vec<u8> = sent.into_iter().flat_map(|frame| frame.bytes).collect();
        let decode = |portion: usize| {
            let mut feed = LinkDecoder::frames(5);
            let mut blocks = Vec::new();
            for bytes in line.chunks(portion) {
                feed.push(bytes, Duration::ZERO, &mut blocks).unwrap();
            }
            feed.flush(Duration::ZERO, &mut blocks);
            let counts = feed.statistics().clone();
            (blocks, counts.corrupt, counts.lost_samples, counts.frames)
        };
        let whole = decode(usize::MAX);
        for portion in [1, 2, 7, 64, 1_000] {
            prop_assert_eq!(&decode(portion), &whole);
        }
    }

    /// Whatever is in a frame whose check sum is right: no panic.
    #[test]
    fn any_body_with_a_right_check_sum(mut body in proptest::collection::vec(any::<u8>(), 0..200), kind in 0x10_u8..0x14) {
        if let Some(first) = body.first_mut() {
            *first = kind;
        }
        let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC).checksum(&body);
        body.extend(crc.to_le_bytes());
        let mut line = cobs::encode_vec(&body);
        line.push(0);
        let mut feed = LinkDecoder::frames(0);
        let mut blocks = Vec::new();
        let _ = feed.push(&line, Duration::ZERO, &mut blocks);
        feed.flush(Duration::ZERO, &mut blocks);
    }

    /// Text: any bytes, any split.
    #[test]
    fn any_text(text in "([#*,.0-9e\n-]|nan|inf|\r\n){0,200}", portion in 1_usize..50) {
        let decode = |portion: usize| {
            let mut lines = Vec::new();
            let mut decoder = LineDecoder::default();
            for bytes in text.as_bytes().chunks(portion) {
                decoder.push(bytes, |line| {
                    // As bits: a value that is missing is NaN, which equals nothing.
                    lines.push(line.map(|line| {
                        let bits: Vec<u64> = line.values.iter().map(|v| v.to_bits()).collect();
                        (line.counter, bits)
                    }));
                });
            }
            lines
        };
        let whole = decode(usize::MAX);
        for (_, values) in whole.iter().flatten() {
            prop_assert!(!values.is_empty());
            prop_assert!(values.iter().all(|bits| !f64::from_bits(*bits).is_infinite()));
        }
        prop_assert_eq!(decode(portion), whole);
    }
}

fn feed_lines(text: &str) -> (Vec<(u64, Vec<f64>)>, LinkStatistics) {
    let mut feed = LinkDecoder::lines(0, 100.0);
    let mut blocks = Vec::new();
    feed.push(text.as_bytes(), Duration::ZERO, &mut blocks)
        .unwrap();
    feed.flush(Duration::ZERO, &mut blocks);
    let mut rows = Vec::new();
    for block in &blocks {
        for (n, column) in block.samples.columns().into_iter().enumerate() {
            rows.push((block.first_sample + n as u64, column.to_vec()));
        }
    }
    (rows, feed.statistics().clone())
}

#[test]
fn plain_lines_settle_and_count_what_is_damaged() {
    let (rows, statistics) =
        feed_lines("7,8\nready\n1,1\n2,2\n3,3\n0.5,-1e-3\r\n\n 1 , 2 \nx,2\n1,2,3\nnan,1\n4,5\n6,");
    let values: Vec<_> = rows
        .iter()
        .map(|(index, row)| (*index, row[0], row[1]))
        .collect();
    assert_eq!(values[..2], [(0, 0.5, -1e-3), (1, 1.0, 2.0)]);
    assert!(
        values[2].1.is_nan() && values[2].2 == 1.0,
        "one channel has no value"
    );
    assert_eq!((values[2].0, values[3]), (4, (5, 4.0, 5.0)));
    assert_eq!(statistics.lost_samples, 2);
}

/// A counter that was altered on the line is no loss of millions.
#[test]
fn a_line_whose_counter_is_far_ahead_is_left_out() {
    let mut text = String::from("\n#0,0\n#1,1\n#2,2\n");
    for n in 3..40_u32 {
        let counter = if n % 5 == 0 { 2_000_000_000 + n } else { n };
        writeln!(text, "#{counter},{n}").unwrap();
    }
    let (rows, statistics) = feed_lines(&text);
    let first = rows[0].1[0] as u64;
    for (index, row) in &rows {
        assert_eq!(
            *index + first,
            row[0] as u64,
            "the index follows the counter"
        );
    }
    assert_eq!((rows.len(), statistics.lost_samples), (30, 7));
    assert_eq!((statistics.inconsistent, statistics.restarts), (7, 0));
}

#[test]
fn lines_with_counter_and_check_sum_count_every_loss() {
    let line = |counter: u32, value: f64| {
        let text = format!("#{counter},{value}");
        let sum = text.bytes().fold(0, |sum, byte| sum ^ byte);
        format!("{text}*{sum:02X}\n")
    };
    let mut text = String::from("\n");
    for n in 0..3 {
        text += &line(u32::MAX - 4 + n, 0.0);
    }
    for n in 0..30_u32 {
        let sent = line(u32::MAX.wrapping_add(n).wrapping_sub(1), f64::from(n));
        match n {
            4 | 5 => {}
            9 => text += &sent.replace('9', "8"),
            12 => text += &(sent.clone() + &sent),
            _ => text += &sent,
        }
    }
    let (rows, statistics) = feed_lines(&text);
    for (index, row) in &rows {
        assert_eq!(*index as f64, row[0], "the index follows the counter");
    }
    assert_eq!(rows.len(), 27);
    assert_eq!(statistics.lost_samples, 3);
    assert_eq!(statistics.duplicates, 1);
}
