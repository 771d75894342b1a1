//! The reader thread of a serial device: over links that a test scripts, and
//! over a real pseudo terminal.

#![allow(clippy::float_cmp, reason = "transport is exact")]

use std::collections::VecDeque;
use std::fs::File;
use std::io::{self, ErrorKind, Read, Write};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use crossbeam_channel::{Receiver, bounded};
use ndarray::Array2;
use spanhold::ingest::frames::FrameWriter;
use spanhold::ingest::serial::{Link, PortLink, SerialOptions, SerialReader, spawn_serial};
use spanhold::ingest::wav::WavReader;
use spanhold::ingest::{End, Message};
use spanhold::recorder::{Recorder, RecorderOptions};
use spanhold::setup::Protocol;
use spanhold::setup::SampleFormat;
use tempfile::TempDir;

const RATE_HZ: f64 = 1_000.0;

/// What one read of a scripted link gives.
type Reply = io::Result<Vec<u8>>;

/// A link whose every opening and every read is written down beforehand.
struct Script {
    openings: VecDeque<io::Result<VecDeque<Reply>>>,
}

struct ScriptedPort(VecDeque<Reply>);

impl Read for ScriptedPort {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        match self.0.pop_front() {
            Some(Ok(mut reply)) => {
                let length = reply.len().min(bytes.len());
                bytes[..length].copy_from_slice(&reply[..length]);
                if length < reply.len() {
                    self.0.push_front(Ok(reply.split_off(length)));
                }
                Ok(length)
            }
            Some(Err(error)) => Err(error),
            None => {
                thread::sleep(Duration::from_millis(1));
                Err(ErrorKind::TimedOut.into())
            }
        }
    }
}

impl Link for Script {
    fn open(&mut self) -> io::Result<Box<dyn Read + Send>> {
        let replies = self
            .openings
            .pop_front()
            .unwrap_or_else(|| Err(ErrorKind::NotFound.into()))?;
        Ok(Box::new(ScriptedPort(replies)))
    }

    fn name(&self) -> &'static str {
        "/dev/scripted"
    }
}

#[expect(
    clippy::unnecessary_box_returns,
    reason = "every caller wants the box: a link is a trait object"
)]
fn script(openings: Vec<io::Result<Vec<Reply>>>) -> Box<Script> {
    let openings = openings
        .into_iter()
        .map(|opening| opening.map(VecDeque::from))
        .collect();
    Box::new(Script { openings })
}

fn options() -> SerialOptions {
    SerialOptions {
        start_deadline: Duration::from_millis(300),
        ..SerialOptions::new(Protocol::Frames, Some(RATE_HZ), 2)
    }
}

fn samples(counter: u64, frames: usize) -> Array2<f64> {
    Array2::from_shape_fn((2, frames), |(channel, frame)| {
        let code = (counter + frame as u64) as i64 * (1 - 2 * channel as i64);
        code as f64 / 8_388_608.0
    })
}

/// `count` frames of ten instants from a device that has just started.
fn device(stream_id: u32, channels: u16, count: usize) -> Vec<Vec<u8>> {
    let mut writer = FrameWriter::new(SampleFormat::I24, channels, RATE_HZ, stream_id);
    (0..count)
        .map(|_| {
            let counter = writer.header().first_sample;
            let mut line = Vec::new();
            let block = if channels == 2 {
                samples(counter, 10)
            } else {
                Array2::zeros((usize::from(channels), 10))
            };
            writer.write(block.view(), &mut line).unwrap();
            line
        })
        .collect()
}

/// A frame that states this rate, its check sum right.
fn stating(rate_hz: f64) -> Vec<u8> {
    let mut line = Vec::new();
    let mut writer = FrameWriter::new(SampleFormat::I24, 2, rate_hz, 1);
    writer.write(samples(0, 10).view(), &mut line).unwrap();
    line
}

fn refusal(link: Box<Script>, options: &SerialOptions) -> String {
    SerialReader::open(link, options)
        .err()
        .expect("a refusal")
        .to_string()
}

#[test]
fn what_cannot_be_read_is_said_at_the_start() {
    let ok = |bytes: Vec<u8>| Ok(vec![Ok(bytes)]);
    let noise: Vec<u8> = (0..5_000_u32).map(|n| (n * 37 % 251) as u8).collect();
    let frames = device(1, 2, 3).concat();
    for (link, options, words) in [
        (script(vec![]), options(), "plug the device in"),
        (
            script(vec![ok(stating(1e12))]),
            options(),
            "a sampling rate of 1000000000000 Hz; more than 0 Hz and at most 1000000 Hz",
        ),
        (
            script(vec![ok(Vec::new())]),
            SerialOptions {
                protocol: Protocol::Lines,
                rate_hz: Some(1e9),
                ..options()
            },
            "at most 1000000 Hz are right",
        ),
        (
            script(vec![Err(ErrorKind::PermissionDenied.into())]),
            options(),
            "dialout",
        ),
        (
            script(vec![Err(io::Error::other("Device or resource busy"))]),
            options(),
            "another program",
        ),
        (
            script(vec![Ok(vec![])]),
            options(),
            "nothing came within 0.3 s",
        ),
        (script(vec![ok(noise)]), options(), "check `baud`"),
        (
            script(vec![Ok(vec![Ok(vec![])])]),
            options(),
            "lost before the first sample",
        ),
        (
            script(vec![ok(frames.clone())]),
            SerialOptions {
                rate_hz: Some(2_000.0),
                ..options()
            },
            "samples at 1000 Hz, the setup says 2000 Hz",
        ),
        (
            script(vec![ok(frames.clone())]),
            SerialOptions {
                channels: 5,
                ..options()
            },
            "sends 2 channels, the setup uses 5",
        ),
        (
            script(vec![ok(frames)]),
            SerialOptions {
                protocol: Protocol::Lines,
                rate_hz: None,
                ..options()
            },
            "set `rate_hz`",
        ),
    ] {
        let message = refusal(link, &options);
        assert!(
            message.contains("/dev/scripted") && message.contains(words),
            "{message}"
        );
    }
}

/// Runs a reader until nothing new comes for a while.
fn run(link: Box<Script>) -> (Vec<Message>, spanhold::ingest::serial::LinkStatistics) {
    let reader = SerialReader::open(link, &options()).unwrap();
    let monitor = reader.monitor();
    let (sender, receiver) = bounded(1_000);
    let stop = Arc::new(AtomicBool::new(false));
    let thread = spawn_serial(reader, sender, Arc::clone(&stop));
    let mut messages = Vec::new();
    while let Ok(message) = receiver.recv_timeout(Duration::from_millis(1_200)) {
        messages.push(message);
    }
    stop.store(true, Ordering::Relaxed);
    messages.extend(&receiver);
    thread.join().unwrap();
    (messages, monitor.snapshot())
}

/// Frames and gaps as `(first sample, length, is a gap)`, neighbours joined.
fn outline(messages: &[Message]) -> Vec<(u64, u64, bool)> {
    let mut outline: Vec<(u64, u64, bool)> = Vec::new();
    for message in messages {
        let (first, length, is_gap) = match message {
            Message::Block(block) => (block.first_sample, block.samples.ncols() as u64, false),
            Message::Gap(gap) => (gap.first_sample, gap.missing, true),
            Message::Encoded(_) | Message::End(_) => continue,
        };
        match outline.last_mut() {
            Some(last) if last.2 == is_gap && last.0 + last.1 == first => last.1 += length,
            _ => outline.push((first, length, is_gap)),
        }
    }
    outline
}

#[test]
fn idle_and_interrupted_reads_are_no_loss() {
    let mut replies = Vec::new();
    for frame in device(1, 2, 20) {
        let (head, tail) = frame.split_at(7);
        replies.push(Ok(head.to_vec()));
        replies.push(Err(ErrorKind::Interrupted.into()));
        replies.push(Err(ErrorKind::TimedOut.into()));
        replies.push(Ok(tail.to_vec()));
        replies.push(Err(ErrorKind::WouldBlock.into()));
    }
    let (messages, statistics) = run(script(vec![Ok(replies)]));
    assert_eq!(outline(&messages), [(0, 200, false)]);
    assert_eq!(messages.last(), Some(&Message::End(End::Stopped)));
    assert_eq!((statistics.lost_samples, statistics.corrupt), (0, 0));
    assert!(statistics.idle_reads >= 40);
}

/// Every way in which the operating system says that the device is gone.
#[test]
fn a_lost_port_is_opened_again() {
    let gone = [
        Ok(Vec::new()),
        Err(ErrorKind::BrokenPipe.into()),
        Err(ErrorKind::NotFound.into()),
        Err(io::Error::other("EIO")),
    ];
    for gone in gone {
        let frames = device(1, 2, 20);
        let mut first: Vec<Reply> = frames[..5].iter().cloned().map(Ok).collect();
        first.push(Ok(frames[5][..9].to_vec()));
        first.push(gone);
        let second: Vec<Reply> = frames[8..].iter().cloned().map(Ok).collect();
        let link = script(vec![Ok(first), Err(ErrorKind::NotFound.into()), Ok(second)]);
        let (messages, statistics) = run(link);
        assert_eq!(
            outline(&messages),
            [(0, 50, false), (50, 30, true), (80, 120, false)]
        );
        assert_eq!((statistics.disconnects, statistics.reconnects), (1, 1));
        assert_eq!((statistics.lost_samples, statistics.lost_frames), (30, 3));
        assert_eq!(statistics.corrupt, 1, "the half frame");
    }
}

#[test]
fn a_restarted_device_goes_on_after_a_gap_of_estimated_length() {
    let first: Vec<Reply> = device(1, 2, 5)
        .into_iter()
        .map(Ok)
        .chain([Ok(Vec::new())])
        .collect();
    let second: Vec<Reply> = device(2, 2, 5).into_iter().map(Ok).collect();
    let (messages, statistics) = run(script(vec![Ok(first), Ok(second)]));
    let outline = outline(&messages);
    let missing = statistics.estimated_lost_samples;
    assert_eq!(
        outline,
        [
            (0, 50, false),
            (50, missing, true),
            (50 + missing, 50, false)
        ]
    );
    assert!(missing < 400, "{missing} samples of 1 ms");
    assert_eq!((statistics.restarts, statistics.lost_samples), (1, 0));
}

#[test]
fn a_device_that_comes_back_with_another_format_ends_the_run() {
    let first: Vec<Reply> = device(1, 2, 5).into_iter().map(Ok).collect();
    let second = device(2, 3, 5).into_iter().map(Ok);
    let (messages, _) = run(script(vec![Ok(first.into_iter().chain(second).collect())]));
    let Some(Message::End(End::Failed(text))) = messages.last() else {
        unreachable!("{messages:?}");
    };
    assert!(
        text.contains("/dev/scripted") && text.contains("3 channels"),
        "{text}"
    );
}

#[test]
fn a_consumer_that_is_too_slow_costs_samples_but_they_are_counted() {
    let replies: Vec<Reply> = device(1, 2, 200).into_iter().map(Ok).collect();
    let reader = SerialReader::open(script(vec![Ok(replies)]), &options()).unwrap();
    let monitor = reader.monitor();
    let (sender, receiver) = bounded(2);
    let stop = Arc::new(AtomicBool::new(false));
    let thread = spawn_serial(reader, sender, Arc::clone(&stop));
    let mut messages = Vec::new();
    while let Ok(message) = receiver.recv_timeout(Duration::from_millis(500)) {
        messages.push(message);
        thread::sleep(Duration::from_millis(45));
    }
    stop.store(true, Ordering::Relaxed);
    messages.extend(&receiver);
    thread.join().unwrap();
    let outline = outline(&messages);
    let taken: u64 = outline
        .iter()
        .filter(|part| !part.2)
        .map(|part| part.1)
        .sum();
    let statistics = monitor.snapshot();
    assert!(statistics.dropped_samples > 0);
    assert_eq!(taken + statistics.dropped_samples, 2_000);
    let mut expected = 0;
    for (first, length, _) in outline {
        assert_eq!(first, expected, "blocks and gaps leave no hole");
        expected += length;
    }
}

#[test]
fn a_reader_leaves_when_nobody_listens() {
    let replies: Vec<Reply> = device(1, 2, 50).into_iter().map(Ok).collect();
    let reader = SerialReader::open(script(vec![Ok(replies)]), &options()).unwrap();
    let (sender, receiver) = bounded(2);
    let thread = spawn_serial(reader, sender, Arc::default());
    drop(receiver);
    let started = Instant::now();
    thread.join().unwrap();
    assert!(started.elapsed() < Duration::from_secs(2));
}

/// A pseudo terminal whose other end the program opens by a path that stays
/// the same, as one under /dev/serial/by-id does.
fn plug_in(path: &Path) -> File {
    let pty = nix::pty::openpty(None, None).unwrap();
    let mut mode = nix::sys::termios::tcgetattr(&pty.slave).unwrap();
    nix::sys::termios::cfmakeraw(&mut mode);
    nix::sys::termios::tcsetattr(&pty.slave, nix::sys::termios::SetArg::TCSANOW, &mode).unwrap();
    let name = nix::unistd::ttyname(&pty.slave).unwrap();
    let _ = std::fs::remove_file(path);
    std::os::unix::fs::symlink(name, path).unwrap();
    // The slave stays open, or the master sees a hang-up before the program
    // has opened it.
    std::mem::forget(pty.slave);
    File::from(pty.master)
}

/// Sends frames in real time, a tenth faster than the device samples.
fn stream(mut line: File, frames: Vec<Vec<u8>>) -> thread::JoinHandle<File> {
    thread::spawn(move || {
        for frame in frames {
            line.write_all(&frame).unwrap();
            thread::sleep(Duration::from_millis(9));
        }
        line
    })
}

fn collect(receiver: &Receiver<Message>, until_sample: u64) -> Vec<Message> {
    let mut messages = Vec::new();
    while let Ok(message) = receiver.recv_timeout(Duration::from_secs(20)) {
        let end = match &message {
            Message::Block(block) => block.first_sample + block.samples.ncols() as u64,
            _ => 0,
        };
        messages.push(message);
        if end >= until_sample {
            break;
        }
    }
    messages
}

/// From a port through the recorder and back: the same stream, bit for bit.
#[test]
fn over_a_pseudo_terminal_into_a_recording() {
    let dir = TempDir::new().unwrap();
    let path = dir.path().join("bench-device");
    let frames = device(1, 2, 60);
    let writer = stream(plug_in(&path), frames[..20].to_vec());

    let link = PortLink {
        port: path.display().to_string(),
        baud: 921_600,
    };
    let options = SerialOptions::new(Protocol::Frames, Some(RATE_HZ), 2);
    let reader = SerialReader::open(Box::new(link), &options).unwrap();
    assert_eq!(reader.format().channels, 2);
    assert_eq!(reader.format().clip_level, 8_388_607.0 / 8_388_608.0);
    assert_eq!(reader.sample_format(), SampleFormat::I24);
    let format = reader.format().clone();
    let monitor = reader.monitor();
    let (sender, receiver) = bounded(1_000);
    let stop = Arc::new(AtomicBool::new(false));
    let thread = spawn_serial(reader, sender, Arc::clone(&stop));

    let mut messages = collect(&receiver, 200);
    // Unplugged: the kernel hangs up. It comes back under the same name, and
    // has gone on counting.
    drop(writer.join().unwrap());
    thread::sleep(Duration::from_millis(50));
    let writer = stream(plug_in(&path), frames[30..].to_vec());
    messages.extend(collect(&receiver, 600));
    stop.store(true, Ordering::Relaxed);
    messages.extend(&receiver);
    thread.join().unwrap();
    drop(writer.join().unwrap());

    assert_eq!(
        outline(&messages),
        [(0, 200, false), (200, 100, true), (300, 300, false)]
    );
    let statistics = monitor.snapshot();
    assert_eq!((statistics.disconnects, statistics.reconnects), (1, 1));
    assert_eq!(statistics.lost_samples, 100);

    let options = RecorderOptions::new(dir.path(), "bench", format, SampleFormat::I24, Vec::new());
    let mut recorder = Recorder::new(options).unwrap();
    for message in &messages {
        recorder.write(message).unwrap();
    }
    let mut reader = WavReader::open(&recorder.finish().unwrap()).unwrap();
    let mut recorded = Vec::new();
    while let Some(block) = reader.next_block(37).unwrap() {
        recorded.push(block);
    }
    let column = |blocks: Vec<&spanhold::ingest::Block>| -> Vec<(u64, Vec<f64>)> {
        blocks
            .into_iter()
            .flat_map(|block| {
                let columns = block.samples.columns().into_iter().enumerate();
                columns
                    .map(|(n, column)| (block.first_sample + n as u64, column.to_vec()))
                    .collect::<Vec<_>>()
            })
            .collect()
    };
    let live: Vec<_> = messages
        .iter()
        .filter_map(|message| match message {
            Message::Block(block) => Some(block),
            _ => None,
        })
        .collect();
    assert_eq!(column(live), column(recorded.iter().collect()));
    assert!(
        recorded
            .iter()
            .all(|block| { block.samples == samples(block.first_sample, block.samples.ncols()) })
    );
}
