//! Recorder and feed: what the analysis gets live is what the recordings give.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::Duration;

use crossbeam_channel::{Receiver, bounded};
use ndarray::Array2;

use super::{Feed, RecorderStage, Recordings, recordings_of, spawn_feed, spawn_recorder};
use crate::ingest::wav::{WavMessages, WavReader};
use crate::ingest::{Block, End, Gap, Message, StreamFormat, SystemClock};
use crate::recorder::{Recorder, RecorderOptions, repair};
use crate::setup::SampleFormat;

const RATE_HZ: f64 = 1000.0;

/// A value that tells channel and index apart, exact in 24 bits.
fn sample(channel: usize, index: u64) -> f64 {
    f64::from(((index * 2 + channel as u64) % 8_000_000) as u32) / 8_388_608.0
}

fn block(first: u64, frames: usize) -> Message {
    Message::Block(Block {
        first_sample: first,
        samples: Array2::from_shape_fn((2, frames), |(c, f)| sample(c, first + f as u64)),
    })
}

fn recorder(folder: &Path) -> Recorder {
    let format = StreamFormat {
        rate_hz: RATE_HZ,
        channels: 2,
        clip_level: 1.0,
        start_utc: None,
    };
    let mut options = RecorderOptions::new(folder, "bench", format, SampleFormat::I24, Vec::new());
    // Several files, and syncs often enough to meet a recording half written.
    options.split_seconds = 0.7;
    options.sync_interval = Duration::from_millis(5);
    Recorder::new(options).unwrap()
}

/// Frames by index, and the gaps: blocks may be cut anywhere.
#[derive(Debug, Default, PartialEq)]
struct Heard {
    frames: Vec<(u64, f64, f64)>,
    gaps: Vec<Gap>,
    end: Option<End>,
}

fn hear(messages: &Receiver<Message>, pause: Duration) -> Heard {
    let mut heard = Heard::default();
    for message in messages {
        match message.decoded() {
            Message::Block(block) => {
                let indices = block.first_sample..;
                let frames = block.samples.columns().into_iter();
                heard.frames.extend(
                    indices
                        .zip(frames)
                        .map(|(index, frame)| (index, frame[0], frame[1])),
                );
            }
            Message::Gap(gap) => heard.gaps.push(gap),
            Message::Encoded(_) => unreachable!("it is decoded"),
            Message::End(end) => heard.end = Some(end),
        }
        thread::sleep(pause);
    }
    heard
}

fn read_back(folder: &Path) -> Heard {
    let files = recordings_of(folder, "bench").unwrap();
    let files: Vec<_> = files.into_iter().map(|(_, path)| path).collect();
    let (sender, messages) = bounded(4);
    let reader = WavReader::open(&files).unwrap();
    let mut read = WavMessages::new(reader, 333, Arc::default());
    thread::spawn(move || read.try_for_each(|message| sender.send(message)));
    hear(&messages, Duration::ZERO)
}

/// One session: a source that sends `blocks` blocks of 50 frames with two
/// gaps, an analysis that pauses after each message.
fn session(folder: &Path, base: u64, blocks: u64, room: usize, pause: Duration) -> Heard {
    let stop = Arc::new(AtomicBool::new(false));
    let (source, incoming) = bounded(8);
    let (live, to_feed) = bounded(room);
    let (out, messages) = bounded(2);
    let stage = RecorderStage::new(recorder(folder), base, live);
    let recorded = stage.recorded();
    spawn_recorder("bench", stage, incoming, Arc::clone(&stop)).unwrap();
    let recordings = Recordings {
        folder: folder.to_owned(),
        source: "bench".into(),
        rate_hz: RATE_HZ,
    };
    let clock = Arc::new(SystemClock::default());
    let feed = Feed::new(recordings, recorded, stop, clock);
    spawn_feed(feed, to_feed, out).unwrap();
    let sender = thread::spawn(move || {
        let mut at = base;
        for number in 0..blocks {
            if number == 7 || number == blocks - 1 {
                // Two losses in a row are one hole in the recording.
                for missing in [3, 4] {
                    let gap = Gap {
                        first_sample: at,
                        missing,
                    };
                    source.send(Message::Gap(gap)).unwrap();
                    at += missing;
                }
            }
            source.send(block(at, 50)).unwrap();
            at += 50;
        }
        source.send(Message::End(End::Complete)).unwrap();
    });
    let heard = hear(&messages, pause);
    sender.join().unwrap();
    heard
}

#[test]
fn a_slow_analysis_gets_every_frame_once_and_in_order() {
    for (room, pause_ms) in [(64, 0), (2, 3), (1, 10)] {
        let folder = tempfile::tempdir().unwrap();
        let heard = session(folder.path(), 0, 60, room, Duration::from_millis(pause_ms));
        assert_eq!(heard.frames.len(), 3000, "room {room}");
        assert!(heard.frames.is_sorted_by(|a, b| a.0 < b.0));
        for (index, a, b) in &heard.frames {
            assert_eq!((*a, *b), (sample(0, *index), sample(1, *index)), "{index}");
        }
        let holes: Vec<u64> = heard.gaps.iter().map(|gap| gap.missing).collect();
        assert_eq!(holes, [7, 7]);
        assert_eq!(heard, read_back(folder.path()), "room {room}");
    }
}

#[test]
fn a_run_that_is_gone_on_with_is_heard_from_its_beginning() {
    let folder = tempfile::tempdir().unwrap();
    let first = session(folder.path(), 0, 20, 4, Duration::ZERO);
    assert_eq!(first.frames.len(), 1000);
    repair(folder.path()).unwrap();
    let second = session(folder.path(), 5000, 20, 4, Duration::from_millis(1));
    assert_eq!(second.frames.len(), 2000);
    assert_eq!(second.frames[..1000], first.frames[..]);
    assert_eq!(second.frames[1000].0, 5000);
    // 1000 frames and 14 missing ones, then the break.
    let break_between = Gap {
        first_sample: 1014,
        missing: 5000 - 1014,
    };
    assert!(second.gaps.contains(&break_between), "{:?}", second.gaps);
    assert_eq!(second, read_back(folder.path()));
}

#[test]
fn recording_goes_on_when_the_analysis_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let (source, incoming) = bounded(8);
    let (live, to_feed) = bounded(1);
    drop(to_feed);
    let stage = RecorderStage::new(recorder(folder.path()), 0, live);
    let recorded = stage.recorded();
    let handle = spawn_recorder("bench", stage, incoming, stop).unwrap();
    for number in 0..40 {
        source.send(block(number * 50, 50)).unwrap();
    }
    source.send(Message::End(End::Stopped)).unwrap();
    handle.join().unwrap();
    assert!(recorded.is_done());
    assert_eq!(recorded.synced(), 2000);
    assert_eq!(read_back(folder.path()).frames.len(), 2000);
}

#[test]
fn a_recorder_that_fails_ends_its_source_and_asks_the_others_to_stop() {
    let folder = tempfile::tempdir().unwrap();
    let stop = Arc::new(AtomicBool::new(false));
    let (source, incoming) = bounded(8);
    let (live, to_feed) = bounded(8);
    let recorder = recorder(folder.path());
    // A folder that is gone is what a disk that is gone looks like.
    drop(folder);
    let stage = RecorderStage::new(recorder, 0, live);
    let handle = spawn_recorder("bench", stage, incoming, Arc::clone(&stop)).unwrap();
    // The reader may find nobody there any more; it must not hang.
    while source.send(block(0, 50)).is_ok() {}
    handle.join().unwrap();
    assert!(stop.load(Ordering::Relaxed));
    let Ok(Message::End(End::Failed(what))) = to_feed.recv() else {
        panic!("the source did not fail");
    };
    assert!(what.contains("recording"), "{what}");
}
