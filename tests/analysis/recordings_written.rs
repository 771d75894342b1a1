//! Recording what comes in: nothing rounded, nothing lost by a crash, and the
//! same stream when read back.

#![allow(clippy::float_cmp, reason = "recording is exact")]

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use ndarray::Array2;
use proptest::prelude::*;
use spanhold::ingest::sidecar::read_sidecar;
use spanhold::ingest::wav::{WavMessages, WavReader};
use spanhold::ingest::{Block, End, Gap, Message, StreamFormat};
use spanhold::recorder::{
    Recorder, RecorderError, RecorderOptions, SpaceForecast, forecast_space, repair,
};
use spanhold::setup::SampleFormat;
use tempfile::TempDir;

const RATE_HZ: f64 = 2_000.0;

fn options(dir: &Path, channels: usize, sample_format: SampleFormat) -> RecorderOptions {
    let format = StreamFormat {
        rate_hz: RATE_HZ,
        channels,
        clip_level: 0.75,
        start_utc: Some("2026-11-25T10:00:00Z".parse().unwrap()),
    };
    RecorderOptions::new(dir, "bench", format, sample_format, Vec::new())
}

/// A sample that the format holds exactly and that tells its place.
fn value(format: SampleFormat, channel: usize, index: u64) -> f64 {
    let code = (index * 31 + channel as u64 * 7) % 60_001;
    let code = code as f64 - 30_000.0;
    match format {
        SampleFormat::I16 => code / 32_768.0,
        SampleFormat::I24 => (code * 256.0 + 3.0) / 8_388_608.0,
        SampleFormat::I32 => (code * 65_536.0 - 5.0) / 2_147_483_648.0,
        SampleFormat::F32 => f64::from(code as f32 * 1.1),
        SampleFormat::F64 => code / 7.0,
    }
}

fn block(format: SampleFormat, channels: usize, first_sample: u64, frames: usize) -> Message {
    Message::Block(Block {
        first_sample,
        samples: Array2::from_shape_fn((channels, frames), |(channel, frame)| {
            value(format, channel, first_sample + frame as u64)
        }),
    })
}

/// Everything that the recordings hold: `(index, frame)` and the gaps.
fn read_back(paths: &[PathBuf]) -> (Vec<(u64, Vec<f64>)>, Vec<Gap>) {
    let (mut frames, mut gaps) = (Vec::new(), Vec::new());
    for message in WavMessages::new(WavReader::open(paths).unwrap(), 333, Arc::default()) {
        match message.decoded() {
            Message::Block(block) => {
                for (frame, column) in block.samples.columns().into_iter().enumerate() {
                    frames.push((block.first_sample + frame as u64, column.to_vec()));
                }
            }
            Message::Gap(gap) => gaps.push(gap),
            Message::Encoded(_) => unreachable!("it is decoded"),
            Message::End(end) => assert_eq!(end, End::Complete),
        }
    }
    (frames, gaps)
}

const FORMATS: [SampleFormat; 5] = [
    SampleFormat::I16,
    SampleFormat::I24,
    SampleFormat::I32,
    SampleFormat::F32,
    SampleFormat::F64,
];

#[test]
fn every_format_comes_back_exactly_with_its_gaps_over_several_files() {
    for format in FORMATS {
        for channels in [1, 3] {
            let dir = TempDir::new().unwrap();
            let mut options = options(dir.path(), channels, format);
            options.split_seconds = 0.25; // 500 frames
            let mut recorder = Recorder::new(options).unwrap();
            let gap = |first_sample, missing| Gap {
                first_sample,
                missing,
            };
            recorder.write(&block(format, channels, 17, 601)).unwrap();
            recorder.write(&Message::Gap(gap(618, 82))).unwrap();
            recorder.write(&block(format, channels, 700, 1)).unwrap();
            // A jump without a message is a gap too.
            recorder
                .write(&block(format, channels, 800, 1_200))
                .unwrap();
            recorder.write(&Message::Gap(gap(2_000, 5))).unwrap();
            recorder.write(&Message::End(End::Stopped)).unwrap();
            let files = recorder.finish().unwrap();

            let (frames, gaps) = read_back(&files);
            assert_eq!(gaps, [gap(618, 82), gap(701, 99), gap(2_000, 5)]);
            let indices = (17..618).chain(700..701).chain(800..2_000);
            assert!(frames.iter().map(|(index, _)| *index).eq(indices));
            for (index, frame) in &frames {
                for (channel, sample) in frame.iter().enumerate() {
                    assert_eq!(*sample, value(format, channel, *index), "{format} {index}");
                }
            }
            let lengths: Vec<u64> = files
                .iter()
                .map(|file| read_sidecar(file).unwrap().unwrap().frames.unwrap())
                .collect();
            assert_eq!(lengths, [500, 101, 1, 500, 500, 200]);
            let mut sorted = files.clone();
            sorted.sort();
            assert_eq!(sorted, files, "names sort in order of time");
        }
    }
}

/// hound and the `blake3` crate read the files without any code of ours.
#[test]
fn others_can_read_the_recordings_and_check_their_hash() {
    for format in FORMATS {
        let dir = TempDir::new().unwrap();
        let mut recorder = Recorder::new(options(dir.path(), 3, format)).unwrap();
        recorder.write(&block(format, 3, 0, 333)).unwrap();
        let files = recorder.finish().unwrap();
        assert_eq!(files, [dir.path().join("20261125T100000.000Z_bench.wav")]);
        let sidecar = read_sidecar(&files[0]).unwrap().unwrap();
        let bytes = fs::read(&files[0]).unwrap();
        assert_eq!(bytes.len() % 2, 0);
        let hash = blake3::hash(&bytes).to_hex().to_string();
        assert_eq!(sidecar.blake3, Some(hash));
        assert_eq!(sidecar.clip_level, Some(0.75));
        if format == SampleFormat::F64 {
            continue; // hound does not read it
        }
        let mut reader = hound::WavReader::open(&files[0]).unwrap();
        assert_eq!(reader.spec().sample_rate, 2_000);
        assert_eq!(reader.duration(), 333);
        let full_scale = f64::from(reader.spec().bits_per_sample - 1).exp2();
        let samples: Vec<f64> = if format == SampleFormat::F32 {
            reader
                .samples::<f32>()
                .map(|sample| f64::from(sample.unwrap()))
                .collect()
        } else {
            reader
                .samples::<i32>()
                .map(|sample| f64::from(sample.unwrap()) / full_scale)
                .collect()
        };
        for (n, sample) in samples.iter().enumerate() {
            assert_eq!(*sample, value(format, n % 3, n as u64 / 3));
        }
    }
}

#[test]
fn a_sample_that_would_be_rounded_is_refused() {
    let dir = TempDir::new().unwrap();
    for (format, sample) in [
        (SampleFormat::I16, 0.1),
        (SampleFormat::I16, 1.0),
        (SampleFormat::I24, f64::NAN),
        (SampleFormat::I32, -1.1),
        (SampleFormat::F32, 0.1),
    ] {
        let mut recorder = Recorder::new(options(dir.path(), 2, format)).unwrap();
        recorder.write(&block(format, 2, 0, 10)).unwrap();
        let mut samples = Array2::zeros((2, 4));
        samples[(1, 2)] = sample;
        let error = recorder
            .write(&Message::Block(Block {
                first_sample: 10,
                samples,
            }))
            .unwrap_err();
        assert!(
            matches!(
                error,
                RecorderError::NotLossless {
                    channel: 1,
                    sample: 12,
                    ..
                }
            ),
            "{error}"
        );
        let files = recorder.finish().unwrap();
        assert_eq!(read_back(&files).0.len(), 10, "what came before is kept");
    }
}

#[test]
fn a_recording_can_be_read_while_it_is_being_written() {
    let dir = TempDir::new().unwrap();
    let mut recorder = Recorder::new(options(dir.path(), 1, SampleFormat::I24)).unwrap();
    for n in 0..5 {
        recorder
            .write(&block(SampleFormat::I24, 1, n * 101, 101))
            .unwrap();
        if n % 2 == 0 {
            recorder.sync().unwrap();
            assert_eq!(recorder.synced_to(), (n + 1) * 101);
        }
        let (frames, _) = read_back(recorder.files());
        assert_eq!(frames.len() as u64, (n + 1) * 101);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever of the unsynced tail a power cut leaves: repair keeps all
    /// whole frames and loses none that was synced.
    #[test]
    fn a_power_cut(
        format_index in 0..5_usize,
        channels in 1..4_usize,
        synced in 1..300_usize,
        unsynced in 0..300_usize,
        lost_fraction in 0.0..1.0_f64,
        ghost in prop_oneof![Just(""), Just(".json.new")],
    ) {
        let format = FORMATS[format_index];
        let dir = TempDir::new().unwrap();
        let mut recorder = Recorder::new(options(dir.path(), channels, format)).unwrap();
        recorder.write(&block(format, channels, 1_000, synced)).unwrap();
        recorder.sync().unwrap();
        if unsynced > 0 {
            recorder.write(&block(format, channels, 1_000 + synced as u64, unsynced)).unwrap();
        }
        let path = recorder.files()[0].clone();
        std::mem::forget(recorder);
        let full = fs::metadata(&path).unwrap().len();
        let tail = (unsynced * channels * format.sample_bytes()) as f64 * lost_fraction;
        let file = fs::OpenOptions::new().write(true).open(&path).unwrap();
        file.set_len(full - tail as u64).unwrap();
        if !ghost.is_empty() {
            fs::write(format!("{}{ghost}", path.display()), b"half a sidec").unwrap();
        }

        let before = read_back(std::slice::from_ref(&path)).0;
        let report = repair(dir.path()).unwrap();
        let (frames, _) = read_back(&report.recordings);
        prop_assert_eq!(&before, &frames, "readable before repair as after");
        prop_assert_eq!(report.repaired, vec![(path.clone(), frames.len() as u64)]);
        prop_assert!(frames.len() >= synced);
        for (n, (index, frame)) in frames.iter().enumerate() {
            prop_assert_eq!(*index, 1_000 + n as u64);
            prop_assert_eq!(frame[channels - 1], value(format, channels - 1, *index));
        }
        prop_assert!(WavReader::open(&[path]).unwrap().notes().is_empty());
        let again = repair(dir.path()).unwrap();
        prop_assert!(again.repaired.is_empty() && again.recordings == report.recordings);
        prop_assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2);
    }
}

/// A value that is missing in one channel stays so in the recording, and costs
/// the other channels nothing.
#[test]
fn a_missing_value_is_recorded_as_one() {
    for format in [SampleFormat::F32, SampleFormat::F64] {
        let dir = TempDir::new().unwrap();
        let mut recorder = Recorder::new(options(dir.path(), 2, format)).unwrap();
        let Message::Block(mut block) = block(format, 2, 0, 50) else {
            panic!("a block");
        };
        let sent = block.samples.clone();
        block.samples[(1, 20)] = f64::NAN;
        block.samples[(1, 21)] = f64::INFINITY;
        recorder.write(&Message::Block(block)).unwrap();
        let (frames, gaps) = read_back(&recorder.finish().unwrap());
        assert!(gaps.is_empty());
        assert_eq!(frames.len(), 50);
        for (index, frame) in &frames {
            let column = *index as usize;
            assert_eq!(frame[0], sent[(0, column)]);
            let is_missing = column == 20 || column == 21;
            assert_eq!(frame[1].is_finite(), !is_missing, "{format} {column}");
            assert!(is_missing || frame[1] == sent[(1, column)]);
        }
    }
}

#[test]
fn repair_removes_what_holds_no_frame_and_leaves_foreign_files() {
    let dir = TempDir::new().unwrap();
    let mut recorder = Recorder::new(options(dir.path(), 1, SampleFormat::I16)).unwrap();
    recorder.write(&block(SampleFormat::I16, 1, 0, 5)).unwrap();
    let path = recorder.files()[0].clone();
    std::mem::forget(recorder);
    fs::write(dir.path().join("other.wav"), b"RIFF").unwrap();
    fs::OpenOptions::new()
        .write(true)
        .open(&path)
        .unwrap()
        .set_len(3)
        .unwrap();
    let report = repair(dir.path()).unwrap();
    assert_eq!(report.removed, [path]);
    assert!(report.recordings.is_empty());
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn a_clock_set_back_overwrites_nothing() {
    let dir = TempDir::new().unwrap();
    for n in 1..4 {
        let mut recorder = Recorder::new(options(dir.path(), 1, SampleFormat::I16)).unwrap();
        recorder.write(&block(SampleFormat::I16, 1, 0, 5)).unwrap();
        recorder.finish().unwrap();
        assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 2 * n);
    }
}

#[test]
fn a_folder_that_is_not_there_or_goes_away() {
    let dir = TempDir::new().unwrap();
    let absent = dir.path().join("absent");
    let error = Recorder::new(options(&absent, 1, SampleFormat::I16)).unwrap_err();
    assert!(
        error.to_string().contains("absent: no such folder"),
        "{error}"
    );
    fs::create_dir(&absent).unwrap();
    let mut recorder = Recorder::new(options(&absent, 1, SampleFormat::I16)).unwrap();
    fs::remove_dir(&absent).unwrap();
    let error = recorder
        .write(&block(SampleFormat::I16, 1, 0, 5))
        .unwrap_err();
    assert!(error.to_string().contains("removed"), "{error}");
}

#[test]
fn blocks_that_go_back_or_have_other_channels_are_refused() {
    let dir = TempDir::new().unwrap();
    let mut recorder = Recorder::new(options(dir.path(), 2, SampleFormat::I16)).unwrap();
    recorder
        .write(&block(SampleFormat::I16, 2, 100, 5))
        .unwrap();
    let back = recorder
        .write(&block(SampleFormat::I16, 2, 104, 5))
        .unwrap_err();
    assert!(
        back.to_string()
            .contains("sample 104 after samples up to 105"),
        "{back}"
    );
    let wide = recorder
        .write(&block(SampleFormat::I16, 3, 105, 5))
        .unwrap_err();
    assert!(wide.to_string().contains("3 channels"), "{wide}");
}

#[test]
fn how_long_the_disk_lasts() {
    let forecast = SpaceForecast::from_free(1_000_000, 4_000.0, 200_000);
    assert_eq!(forecast.lasts, Some(Duration::from_secs(200)));
    assert!(!forecast.is_exhausted());
    assert!(SpaceForecast::from_free(200_000, 4_000.0, 200_000).is_exhausted());
    assert_eq!(SpaceForecast::from_free(5, 0.0, 0).lasts, None);
    let dir = TempDir::new().unwrap();
    assert!(forecast_space(dir.path(), 1.0, 0).unwrap().free_bytes > 0);
    assert!(forecast_space(&dir.path().join("absent"), 1.0, 0).is_err());
}

/// Set for the child that is to record until it is killed or cannot go on.
const CHILD_DIR: &str = "SPANHOLD_TEST_RECORD_INTO";

/// Not a test by itself: the child of the two below.
#[test]
fn child_records_until_it_cannot() {
    let Ok(dir) = std::env::var(CHILD_DIR) else {
        return;
    };
    let mut options = options(Path::new(&dir), 3, SampleFormat::I24);
    options.split_seconds = 3.0;
    options.sync_interval = Duration::from_millis(2);
    let mut recorder = Recorder::new(options).unwrap();
    let mut index = 0;
    loop {
        if let Err(error) = recorder.write(&block(SampleFormat::I24, 3, index, 97)) {
            println!("error {error}");
            return;
        }
        index += 97;
        println!("written {index}");
    }
}

fn child(dir: &Path) -> Command {
    let mut command = Command::new("sh");
    // The limit is 64 blocks of 512 bytes; the signal that comes with it is
    // ignored, so that the write fails as on a full disk.
    command
        .arg("-c")
        .arg("trap '' XFSZ; [ -z \"$LIMIT\" ] || ulimit -f \"$LIMIT\"; exec \"$@\"")
        .arg("sh")
        .arg(std::env::current_exe().unwrap())
        .args([
            "--exact",
            "recordings_written::child_records_until_it_cannot",
            "--nocapture",
        ])
        .env(CHILD_DIR, dir)
        .stdout(Stdio::piped());
    command
}

fn check_repaired(dir: &Path, announced: u64) -> u64 {
    let report = repair(dir).unwrap();
    let (frames, gaps) = read_back(&report.recordings);
    assert!(gaps.is_empty());
    assert!(
        frames.len() as u64 >= announced,
        "{} of {announced}",
        frames.len()
    );
    for (n, (index, frame)) in frames.iter().enumerate() {
        assert_eq!(*index, n as u64);
        for (channel, sample) in frame.iter().enumerate() {
            assert_eq!(*sample, value(SampleFormat::I24, channel, *index));
        }
    }
    frames.len() as u64
}

#[test]
fn killed_at_any_moment() {
    for round in 0..20_u64 {
        let dir = TempDir::new().unwrap();
        let mut child = child(dir.path()).spawn().unwrap();
        let mut announced = 0;
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        for line in lines.by_ref() {
            if let Some(index) = line.unwrap().strip_prefix("written ") {
                announced = index.parse().unwrap();
            }
            if announced > round * 3_301 {
                break;
            }
        }
        child.kill().unwrap();
        for line in lines {
            if let Some(index) = line.unwrap().strip_prefix("written ") {
                announced = index.parse().unwrap();
            }
        }
        child.wait().unwrap();
        check_repaired(dir.path(), announced);
    }
}

#[test]
fn a_full_disk_keeps_what_was_recorded() {
    let dir = TempDir::new().unwrap();
    let mut child = child(dir.path()).env("LIMIT", "64").spawn().unwrap();
    let (mut announced, mut error) = (0, String::new());
    for line in BufReader::new(child.stdout.take().unwrap()).lines() {
        let line = line.unwrap();
        if let Some(index) = line.strip_prefix("written ") {
            announced = index.parse().unwrap();
        } else if let Some(text) = line.strip_prefix("error ") {
            error = text.to_owned();
        }
    }
    child.wait().unwrap();
    assert!(
        error.contains("_bench.wav: cannot record samples"),
        "{error}"
    );
    assert!(announced > 2_000, "{announced}");
    assert_eq!(check_repaired(dir.path(), announced), announced);
}
