//! Reading recordings as other programs leave them: plain and extensible,
//! continued, cut short, never finished, damaged.
//!
//! `hound` writes the plain files, so that writer and reader share no code;
//! headers that no library writes are laid out by hand here.

#![allow(clippy::float_cmp, reason = "decoding is exact")]

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use hound::{SampleFormat, WavSpec, WavSpecEx, WavWriter};
use proptest::prelude::*;
use spanhold::ingest::wav::{WavMessages, WavReader};
use spanhold::ingest::{End, Gap, IngestError, Message};
use tempfile::TempDir;

/// Reads everything; one row a channel.
fn read_all(reader: &mut WavReader, block_frames: usize) -> Result<Vec<Vec<f64>>, IngestError> {
    let mut rows = vec![Vec::new(); reader.format().channels];
    let mut expected = reader.first_sample();
    while let Some(block) = reader.next_block(block_frames)? {
        assert!(block.first_sample >= expected, "blocks in order");
        assert!(block.samples.ncols() > 0, "no empty block");
        expected = block.first_sample + block.samples.ncols() as u64;
        for (row, samples) in rows.iter_mut().zip(block.samples.rows()) {
            row.extend_from_slice(samples.as_slice().expect("rows are contiguous"));
        }
    }
    Ok(rows)
}

fn open(path: &Path) -> Result<WavReader, IngestError> {
    WavReader::open(&[path.to_owned()])
}

fn write_file(dir: &TempDir, name: &str, bytes: &[u8]) -> PathBuf {
    let path = dir.path().join(name);
    fs::write(&path, bytes).unwrap();
    path
}

/// One chunk, with the pad byte that an odd length demands.
fn chunk(name: [u8; 4], body: &[u8]) -> Vec<u8> {
    let mut bytes = name.to_vec();
    bytes.extend((body.len() as u32).to_le_bytes());
    bytes.extend(body);
    if body.len() % 2 == 1 {
        bytes.push(0);
    }
    bytes
}

fn fmt(tag: u16, channels: u16, rate_hz: u32, sample_bytes: u16, bits: u16) -> Vec<u8> {
    let block = channels * sample_bytes;
    let mut body = Vec::new();
    body.extend(tag.to_le_bytes());
    body.extend(channels.to_le_bytes());
    body.extend(rate_hz.to_le_bytes());
    body.extend(rate_hz.wrapping_mul(u32::from(block)).to_le_bytes());
    body.extend(block.to_le_bytes());
    body.extend(bits.to_le_bytes());
    chunk(*b"fmt ", &body)
}

fn riff(chunks: &[Vec<u8>]) -> Vec<u8> {
    let body: Vec<u8> = chunks.concat();
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((body.len() as u32 + 4).to_le_bytes());
    bytes.extend(b"WAVE");
    bytes.extend(body);
    bytes
}

/// 100 frames of two channels, 16 bits: channel 0 counts up, channel 1 down.
fn counting() -> (Vec<u8>, Vec<Vec<f64>>) {
    let mut data = Vec::new();
    let mut rows = vec![Vec::new(); 2];
    for n in 0..100_i16 {
        for (row, value) in rows.iter_mut().zip([n * 11, -n * 7]) {
            data.extend(value.to_le_bytes());
            row.push(f64::from(value) / 32_768.0);
        }
    }
    (data, rows)
}

fn plain(data: &[u8]) -> Vec<u8> {
    riff(&[fmt(1, 2, 2_000, 2, 16), chunk(*b"data", data)])
}

#[test]
fn every_integer_width_as_hound_writes_it() {
    let dir = TempDir::new().unwrap();
    for (bits, channels) in [(16, 1), (16, 6), (24, 1), (24, 5), (32, 2), (32, 16)] {
        let path = dir.path().join(format!("i{bits}x{channels}.wav"));
        let spec = WavSpec {
            channels,
            sample_rate: 48_000,
            bits_per_sample: bits,
            sample_format: SampleFormat::Int,
        };
        let full_scale = f64::from(bits - 1).exp2();
        let top = (full_scale - 1.0) as i32;
        let codes = [0, 1, -1, top, -top - 1, top / 3, -top / 7];
        let mut writer = WavWriter::create(&path, spec).unwrap();
        for frame in 0..1_000 {
            for channel in 0..usize::from(channels) {
                writer
                    .write_sample(codes[(frame + channel) % codes.len()])
                    .unwrap();
            }
        }
        writer.finalize().unwrap();

        let mut reader = open(&path).unwrap();
        assert_eq!(reader.format().channels, usize::from(channels));
        assert_eq!(reader.format().clip_level, f64::from(top) / full_scale);
        assert_eq!(reader.total_frames(), Some(1_000));
        assert!(reader.notes().is_empty(), "{:?}", reader.notes());
        let rows = read_all(&mut reader, 37).unwrap();
        for (channel, row) in rows.iter().enumerate() {
            assert_eq!(row.len(), 1_000);
            for (frame, value) in row.iter().enumerate() {
                let code = codes[(frame + channel) % codes.len()];
                assert_eq!(
                    *value,
                    f64::from(code) / full_scale,
                    "{bits} bits, frame {frame}"
                );
            }
        }
    }
}

#[test]
fn floats_come_through_unchanged() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("f32.wav");
    let spec = WavSpec {
        channels: 3,
        sample_rate: 10_000,
        bits_per_sample: 32,
        sample_format: SampleFormat::Float,
    };
    let values = [0.25_f32, -1.5, f32::MIN_POSITIVE, 1.0, -0.1];
    let mut writer = WavWriter::create(&path, spec).unwrap();
    for n in 0..300 {
        writer.write_sample(values[n % values.len()]).unwrap();
    }
    writer.finalize().unwrap();
    let mut reader = open(&path).unwrap();
    assert_eq!(reader.format().clip_level, 1.0);
    let rows = read_all(&mut reader, 4096).unwrap();
    for n in 0..300 {
        assert_eq!(rows[n % 3][n / 3], f64::from(values[n % values.len()]));
    }

    let doubles = [std::f64::consts::PI, -1e-300, 12_345.678_9];
    let data: Vec<u8> = doubles
        .iter()
        .flat_map(|value| value.to_le_bytes())
        .collect();
    let path = write_file(
        &dir,
        "f64.wav",
        &riff(&[fmt(3, 1, 50, 8, 64), chunk(*b"data", &data)]),
    );
    let rows = read_all(&mut open(&path).unwrap(), 2).unwrap();
    assert_eq!(rows, [doubles]);
}

/// Layout of WAVEFORMATEXTENSIBLE: the valid bits stand at the top of the
/// container (Microsoft, "Extensible Wave-Format Descriptors").
#[test]
fn twenty_four_bits_in_four_bytes_on_either_side() {
    let dir = TempDir::new().unwrap();
    let codes = [0, 1, -1, 8_388_607, -8_388_608, 4_194_304];
    let expected: Vec<f64> = codes
        .iter()
        .map(|code| f64::from(*code) / 8_388_608.0)
        .collect();

    let mut extensible = fmt(0xFFFE, 1, 8_000, 4, 32);
    extensible[4] = 40;
    extensible.extend(22_u16.to_le_bytes());
    extensible.extend(24_u16.to_le_bytes());
    extensible.extend([0; 4]);
    extensible.extend([
        1, 0, 0, 0, 0, 0, 0x10, 0, 0x80, 0, 0, 0xaa, 0, 0x38, 0x9b, 0x71,
    ]);
    let data: Vec<u8> = codes
        .iter()
        .flat_map(|code: &i32| (code << 8).to_le_bytes())
        .collect();
    let path = write_file(
        &dir,
        "left.wav",
        &riff(&[extensible, chunk(*b"data", &data)]),
    );
    let mut reader = open(&path).unwrap();
    assert_eq!(reader.format().clip_level, 8_388_607.0 / 8_388_608.0);
    assert_eq!(
        read_all(&mut reader, 4).unwrap(),
        std::slice::from_ref(&expected)
    );
    assert!(reader.notes().is_empty());

    // hound puts them at the bottom.
    let path = dir.path().join("right.wav");
    let spec = WavSpecEx {
        spec: WavSpec {
            channels: 1,
            sample_rate: 8_000,
            bits_per_sample: 24,
            sample_format: SampleFormat::Int,
        },
        bytes_per_sample: 4,
    };
    let file = std::io::BufWriter::new(fs::File::create(&path).unwrap());
    let mut writer = WavWriter::new_with_spec_ex(file, spec).unwrap();
    for code in codes {
        writer.write_sample(code).unwrap();
    }
    writer.finalize().unwrap();
    let mut reader = open(&path).unwrap();
    assert_eq!(read_all(&mut reader, 4).unwrap(), [expected]);
    assert!(reader.notes()[0].contains("bottom"), "{:?}", reader.notes());
}

#[test]
fn bits_beyond_the_declared_ones_are_refused() {
    let dir = TempDir::new().unwrap();
    let data = 0x1234_5678_i32.to_le_bytes();
    let bytes = riff(&[fmt(1, 1, 8_000, 4, 24), chunk(*b"data", &data)]);
    let error = open(&write_file(&dir, "a.wav", &bytes))
        .unwrap_err()
        .to_string();
    assert!(error.contains("24 valid bits"), "{error}");
}

/// EBU Tech 3306: sizes of all ones in the 32-bit fields, the true ones in
/// `ds64`.
#[test]
fn rf64_and_bw64() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    for magic in [b"RF64", b"BW64"] {
        for known in [true, false] {
            let mut sizes = Vec::new();
            let data_bytes = if known { data.len() as u64 } else { u64::MAX };
            sizes.extend(1_000_u64.to_le_bytes());
            sizes.extend(data_bytes.to_le_bytes());
            sizes.extend([0; 12]);
            let mut body = chunk(*b"data", &data);
            body[4..8].fill(0xFF);
            let mut bytes = riff(&[chunk(*b"ds64", &sizes), fmt(1, 2, 2_000, 2, 16), body]);
            bytes[..4].copy_from_slice(magic);
            bytes[4..8].fill(0xFF);
            let path = write_file(&dir, "long.wav", &bytes);
            let mut reader = open(&path).unwrap();
            assert_eq!(reader.notes().is_empty(), known, "{:?}", reader.notes());
            assert_eq!(read_all(&mut reader, 16).unwrap(), rows);
        }
    }
}

#[test]
fn odd_chunks_with_and_without_their_pad_byte() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    let odd = chunk(*b"LIST", b"odd");
    let chunks = |list: Vec<u8>| {
        riff(&[
            fmt(1, 2, 2_000, 2, 16),
            list,
            chunk(*b"data", &data),
            chunk(*b"LIST", b"after the samples"),
        ])
    };
    let padded = write_file(&dir, "padded.wav", &chunks(odd.clone()));
    let mut reader = open(&padded).unwrap();
    assert_eq!(read_all(&mut reader, 16).unwrap(), rows);
    assert!(reader.notes().is_empty(), "{:?}", reader.notes());

    let unpadded = write_file(&dir, "unpadded.wav", &chunks(odd[..odd.len() - 1].to_vec()));
    let mut reader = open(&unpadded).unwrap();
    assert_eq!(read_all(&mut reader, 16).unwrap(), rows);
    assert!(
        reader.notes()[0].contains("pad byte"),
        "{:?}",
        reader.notes()
    );
}

/// A killed recorder leaves sizes of 0, of all ones, or those of its last
/// rewrite.
#[test]
fn a_header_that_was_never_finished() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    for size in [0, u32::MAX, 40] {
        let mut bytes = plain(&data);
        let riff_size = if size == 40 { 36 + 40 } else { size };
        bytes[4..8].copy_from_slice(&riff_size.to_le_bytes());
        bytes[40..44].copy_from_slice(&size.to_le_bytes());
        let mut reader = open(&write_file(&dir, "killed.wav", &bytes)).unwrap();
        assert_eq!(read_all(&mut reader, 16).unwrap(), rows, "size {size}");
        assert_eq!(reader.notes().len(), 1, "{:?}", reader.notes());
    }
}

/// hound itself leaves a header of zeros when it is not finalised.
#[test]
fn a_killed_hound() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("killed.wav");
    let spec = WavSpec {
        channels: 1,
        sample_rate: 2_000,
        bits_per_sample: 16,
        sample_format: SampleFormat::Int,
    };
    let mut writer = WavWriter::create(&path, spec).unwrap();
    for n in 0..25_000_i16 {
        writer.write_sample(n).unwrap();
    }
    std::mem::forget(writer);
    let bytes = fs::read(&path).unwrap();
    assert!(bytes.len() > 40_000, "hound has written something");
    let rows = read_all(&mut open(&path).unwrap(), 1_000).unwrap();
    assert_eq!(rows[0].len(), (bytes.len() - 44) / 2);
    assert!(
        rows[0]
            .iter()
            .enumerate()
            .all(|(n, value)| *value == n as f64 / 32_768.0)
    );
}

#[test]
fn a_file_cut_short_gives_its_whole_frames_and_says_what_is_missing() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    let bytes = plain(&data);
    for cut in 1..400 {
        let path = write_file(&dir, "cut.wav", &bytes[..bytes.len() - cut]);
        let mut reader = open(&path).unwrap();
        let frames = (400 - cut) / 4;
        let read = read_all(&mut reader, 16).unwrap();
        assert_eq!(read[1], rows[1][..frames]);
        assert!(
            reader.notes()[0].contains(&format!("promises 100 frames, the file holds {frames}")),
            "{:?}",
            reader.notes()
        );
    }
}

/// Whatever length stands in the header of a whole file: all of it is read and
/// it is said, or the file is refused. Samples are never left out in silence.
#[test]
fn lengths_that_would_hide_samples() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    let mut with_list = plain(&data);
    with_list.extend(chunk(*b"LIST", b"INFOISFT\x06\0\0\0bench\0"));
    let list_bytes = with_list.len() as u32 - 8;
    with_list[4..8].copy_from_slice(&list_bytes.to_le_bytes());
    for whole in [plain(&data), with_list] {
        for declared in 0..400_u32 {
            for riff in [None, Some(u32::MAX), Some(0)] {
                let mut bytes = whole.clone();
                bytes[40..44].copy_from_slice(&declared.to_le_bytes());
                if let Some(riff) = riff {
                    bytes[4..8].copy_from_slice(&riff.to_le_bytes());
                }
                let path = write_file(&dir, "short.wav", &bytes);
                match open(&path) {
                    Ok(mut reader) => {
                        let read = read_all(&mut reader, 64).unwrap();
                        let note = &reader.notes()[0];
                        if declared == 399 {
                            // With its pad byte that is the whole file.
                            assert!(note.contains("cut off after 3 of 4 bytes"), "{note}");
                            continue;
                        }
                        assert_eq!(read[1][..100], rows[1], "{declared} {riff:?}");
                        assert!(note.contains("not finished"), "{note}");
                    }
                    Err(error) => {
                        assert!(riff.is_none() && declared > 0, "{declared} {riff:?}");
                        let text = error.to_string();
                        assert!(text.contains("contradict one another"), "{text}");
                    }
                }
            }
        }
    }
}

/// Samples in a second place are not taken for the end of the first.
#[test]
fn a_second_data_chunk_and_a_second_file_are_refused() {
    let dir = TempDir::new().unwrap();
    let (data, _) = counting();
    let format = fmt(1, 2, 2_000, 2, 16);
    let (first, second) = data.split_at(200);
    let two = riff(&[
        format.clone(),
        chunk(*b"data", first),
        chunk(*b"LIST", b"between"),
        chunk(*b"data", second),
    ]);
    let joined = [plain(first), plain(second)].concat();
    for (bytes, words) in [(two, "a second 'data' chunk"), (joined, "another WAV file")] {
        let error = open(&write_file(&dir, "two.wav", &bytes)).unwrap_err();
        assert!(error.to_string().contains(words), "{error}");
    }
    // Chunks that nobody knows are no samples.
    let private = riff(&[format, chunk(*b"data", &data), chunk(*b"acme", b"own")]);
    let reader = open(&write_file(&dir, "private.wav", &private)).unwrap();
    assert_eq!(reader.total_frames(), Some(100));
    assert!(reader.notes().is_empty(), "{:?}", reader.notes());
}

#[test]
fn no_source_samples_faster_than_one_megahertz() {
    let dir = TempDir::new().unwrap();
    let (data, _) = counting();
    for (rate_hz, is_right) in [
        (1_000_000, true),
        (1_000_001, false),
        (4_000_000_000, false),
    ] {
        let bytes = riff(&[fmt(1, 2, rate_hz, 2, 16), chunk(*b"data", &data)]);
        match open(&write_file(&dir, "fast.wav", &bytes)) {
            Ok(_) => assert!(is_right, "{rate_hz}"),
            Err(error) => {
                assert!(!is_right, "{rate_hz}");
                let text = error.to_string();
                assert!(text.contains("1 Hz to 1000000 Hz are right"), "{text}");
            }
        }
    }
}

/// A pipe without a writer would be waited for, a device read for ever.
#[cfg(unix)]
#[test]
fn what_is_no_regular_file_is_refused_at_once() {
    let dir = TempDir::new().unwrap();
    let pipe = dir.path().join("pipe.wav");
    let mode = nix::sys::stat::Mode::S_IRWXU;
    nix::unistd::mkfifo(&pipe, mode).unwrap();
    let path = write_file(&dir, "a.wav", &plain(&counting().0));
    nix::unistd::mkfifo(&dir.path().join("a.wav.json"), mode).unwrap();
    let started = Instant::now();
    for path in [pipe.as_path(), Path::new("/dev/zero"), &path] {
        let error = open(path).unwrap_err().to_string();
        assert!(error.contains("a regular file is right"), "{error}");
    }
    assert!(started.elapsed() < Duration::from_secs(5));
}

#[test]
fn files_that_continue_one_another_are_one_stream() {
    let dir = TempDir::new().unwrap();
    let (data, rows) = counting();
    let paths = [
        write_file(&dir, "a.wav", &plain(&data[..120])),
        write_file(&dir, "b.wav", &plain(&data[120..132])),
        write_file(&dir, "c.wav", &plain(&data[132..])),
    ];
    for block_frames in [1, 7, 4096] {
        let mut reader = WavReader::open(&paths).unwrap();
        assert_eq!(reader.total_frames(), Some(100));
        assert_eq!(read_all(&mut reader, block_frames).unwrap(), rows);
    }
}

#[test]
fn a_file_of_another_format_does_not_continue() {
    let dir = TempDir::new().unwrap();
    let (data, _) = counting();
    let first = write_file(&dir, "a.wav", &plain(&data));
    for (format, word) in [
        (fmt(1, 2, 4_000, 2, 16), "4000 Hz after 2000 Hz"),
        (fmt(1, 1, 2_000, 2, 16), "1 channels after 2"),
        (fmt(3, 2, 2_000, 4, 32), "32-bit float after 16-bit integer"),
    ] {
        let second = write_file(&dir, "b.wav", &riff(&[format, chunk(*b"data", &data)]));
        let error = WavReader::open(&[first.clone(), second]).unwrap_err();
        assert!(matches!(error, IngestError::Mismatch { .. }));
        let error = error.to_string();
        assert!(error.contains(word) && error.contains("b.wav"), "{error}");
    }
}

#[test]
fn what_is_not_read_is_named() {
    let dir = TempDir::new().unwrap();
    let (data, _) = counting();
    let with_magic = |magic: &[u8]| {
        let mut bytes = plain(&data);
        bytes[..magic.len()].copy_from_slice(magic);
        bytes
    };
    let with_format = |format| riff(&[format, chunk(*b"data", &data)]);
    for (bytes, word) in [
        (with_magic(b"riff"), "W64"),
        (with_magic(b"RIFX"), "big-endian"),
        (with_magic(b"fLaC"), "FLAC"),
        (with_magic(b"\0\0\0\0"), "not a WAV file"),
        (with_format(fmt(1, 2, 2_000, 1, 8)), "8-bit"),
        (with_format(fmt(7, 2, 2_000, 1, 8)), "lossy"),
        (with_format(fmt(1, 2, 0, 2, 16)), "0 Hz"),
        (with_format(fmt(1, 0, 2_000, 2, 16)), "0 channels"),
        (riff(&[chunk(*b"data", &data)]), "before 'fmt '"),
        (riff(&[fmt(1, 2, 2_000, 2, 16)]), "before its 'data'"),
        (b"RIFF".to_vec(), "too short"),
        (Vec::new(), "0 bytes long"),
    ] {
        let error = open(&write_file(&dir, "x.wav", &bytes))
            .unwrap_err()
            .to_string();
        assert!(
            error.contains(word) && error.contains("x.wav"),
            "{error} / {word}"
        );
    }
    assert!(
        open(&dir.path().join("absent.wav"))
            .unwrap_err()
            .to_string()
            .contains("absent.wav")
    );
    assert!(open(dir.path()).is_err());
    assert!(matches!(WavReader::open(&[]), Err(IngestError::NoFiles)));
}

#[test]
fn values_that_are_no_finite_numbers_are_missing_in_their_channel_alone() {
    let dir = TempDir::new().unwrap();
    let mut values: Vec<f32> = (0..40_u8).map(f32::from).collect();
    values[10] = f32::NAN; // frame 5, both channels
    values[11] = f32::INFINITY;
    values[13] = f32::INFINITY; // frame 6, the second
    values[38] = f32::NEG_INFINITY; // frame 19, the last, both
    values[39] = f32::NAN;
    let data: Vec<u8> = values
        .iter()
        .flat_map(|value| value.to_le_bytes())
        .collect();
    let bytes = riff(&[fmt(3, 2, 2_000, 4, 32), chunk(*b"data", &data)]);
    let path = write_file(&dir, "nan.wav", &bytes);
    for block_frames in [1, 2, 6, 100] {
        let (gaps, frames, end) = read_messages(open(&path).unwrap(), block_frames);
        assert_eq!(end, End::Complete);
        assert_eq!(frames, 18);
        let gap = |first_sample, missing| Gap {
            first_sample,
            missing,
        };
        assert_eq!(gaps, [gap(5, 1), gap(19, 1)], "blocks of {block_frames}");
        let rows = read_all(&mut open(&path).unwrap(), block_frames).unwrap();
        assert_eq!(rows[0][4..7], [8.0, 12.0, 14.0]);
        assert!(rows[1][5].is_infinite());
        assert_eq!(rows[1].iter().filter(|value| !value.is_finite()).count(), 1);
    }
}

fn read_messages(reader: WavReader, block_frames: usize) -> (Vec<Gap>, usize, End) {
    let (mut gaps, mut frames, mut end) = (Vec::new(), 0, None);
    for message in WavMessages::new(reader, block_frames, Arc::default()) {
        assert!(end.is_none(), "nothing after the end");
        match message.decoded() {
            Message::Block(block) => frames += block.samples.ncols(),
            Message::Gap(gap) => gaps.push(gap),
            Message::Encoded(_) => unreachable!("it is decoded"),
            Message::End(how) => end = Some(how),
        }
    }
    (gaps, frames, end.expect("an end"))
}

#[test]
fn sidecars_make_a_gap_of_a_jump_between_files() {
    let dir = TempDir::new().unwrap();
    let (data, _) = counting();
    let mut paths = Vec::new();
    for (name, start_index, utc) in [
        ("a.wav", 1_000, "2026-11-25T10:00:00.5Z"),
        ("b.wav", 1_250, "2026-11-25T10:00:00.625Z"),
    ] {
        let path = write_file(&dir, name, &plain(&data));
        let sidecar = format!(
            r#"{{"version": 1, "source": "bench", "rate_hz": 2000.25, "channels": 2,
                "sample_format": "i16", "clip_level": null, "start_index": {start_index},
                "start_utc": "{utc}", "calibration": [], "frames": 100, "blake3": null}}"#
        );
        write_file(&dir, &format!("{name}.json"), sidecar.as_bytes());
        paths.push(path);
    }
    let reader = WavReader::open(&paths).unwrap();
    assert_eq!(reader.format().rate_hz, 2000.25);
    assert_eq!(reader.format().clip_level, f64::INFINITY);
    assert_eq!(reader.first_sample(), 1_000);
    assert_eq!(reader.total_frames(), Some(1_350));
    // Sample 1000 at 10:00:00.5; sample 0 is 1000 / 2000.25 s earlier.
    let start = reader.format().start_utc.unwrap();
    let expected: jiff::Timestamp = "2026-11-25T10:00:00.000062492Z".parse().unwrap();
    assert!(
        start.duration_since(expected).abs() < jiff::SignedDuration::from_nanos(2),
        "{start}"
    );
    let (gaps, frames, end) = read_messages(reader, 64);
    assert_eq!((frames, end), (200, End::Complete));
    assert_eq!(
        gaps,
        [Gap {
            first_sample: 1_100,
            missing: 150
        }]
    );

    paths.reverse();
    let error = WavReader::open(&paths).unwrap_err().to_string();
    assert!(error.contains("order"), "{error}");
}

#[test]
fn a_foreign_sidecar_is_refused() {
    let dir = TempDir::new().unwrap();
    let path = write_file(&dir, "a.wav", &plain(&counting().0));
    write_file(&dir, "a.wav.json", b"{}");
    let error = open(&path).unwrap_err().to_string();
    assert!(error.contains("a.wav.json"), "{error}");
}

#[test]
fn a_reader_that_is_told_to_stop_says_so() {
    let dir = TempDir::new().unwrap();
    let path = write_file(&dir, "a.wav", &plain(&counting().0));
    let stop = Arc::new(AtomicBool::new(false));
    let mut messages = WavMessages::new(open(&path).unwrap(), 1, Arc::clone(&stop));
    let first = messages.next().unwrap();
    assert!(matches!(first, Message::Encoded(_)));
    messages.reuse(first);
    stop.store(true, Ordering::Relaxed);
    assert_eq!(messages.next(), Some(Message::End(End::Stopped)));
    assert_eq!(messages.next(), None);
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    /// Any damage to the first bytes: an error or samples, never a panic and
    /// never more samples than the file has bytes for.
    #[test]
    fn damaged_headers(
        hits in proptest::collection::vec((0_usize..120, any::<u8>()), 1..6),
        length in 0_usize..600,
        is_long: bool,
    ) {
        let (data, _) = counting();
        let mut chunks = vec![fmt(1, 2, 2_000, 2, 16), chunk(*b"LIST", b"odd"), chunk(*b"data", &data)];
        if is_long {
            chunks.insert(0, chunk(*b"ds64", &[0xFF; 28]));
        }
        let mut bytes = riff(&chunks);
        for (place, value) in hits {
            bytes[place] = value;
        }
        bytes.truncate(length);
        let dir = TempDir::new().unwrap();
        let path = write_file(&dir, "hit.wav", &bytes);
        if let Ok(mut reader) = open(&path)
            && let Ok(rows) = read_all(&mut reader, 1_000)
        {
            let samples: usize = rows.iter().map(Vec::len).sum();
            prop_assert!(samples * 2 <= bytes.len());
        }
    }

    /// Pure noise behind a valid start.
    #[test]
    fn noise(noise in proptest::collection::vec(any::<u8>(), 0..300), kind in 0..3_usize) {
        let mut bytes = [b"RIFF", b"RF64", b"BW64"][kind].to_vec();
        bytes.extend([0xFF; 4]);
        bytes.extend(b"WAVE");
        bytes.extend(noise);
        let dir = TempDir::new().unwrap();
        if let Ok(mut reader) = open(&write_file(&dir, "noise.wav", &bytes)) {
            let _ = read_all(&mut reader, 10);
        }
    }
}
