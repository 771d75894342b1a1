//! The run as a machine: it ends whoever dies first, and nobody's timing shows
//! in what it finds.

use std::f64::consts::TAU;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc;
use std::thread;
use std::time::Duration;

use crossbeam_channel::{Sender, bounded};
use ndarray::Array2;

use super::*;
use crate::analysis::{Analysis, Finding};
use crate::ingest::{Block, End, Gap, Message, StreamFormat};
use crate::setup::{self, Setup};
use crate::tone::TonePlan;

const RATE_HZ: f64 = 1000.0;

const SETUP: &str = r#"
[test]
title = "invented"
damper = "invented"
[conductor]
designation = "invented"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
damper_position_m = 0.95
drive_position_m = 1.3
[[source]]
name = "bench"
kind = "wav"
[[source]]
name = "gauges"
kind = "wav"
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "mm/s"
full_scale = 1000.0
[[channel]]
name = "node"
role = "node"
source = "bench"
index = 1
unit = "mm/s"
full_scale = 1000.0
[[channel]]
name = "gauge"
role = "clamp-strain"
source = "gauges"
index = 0
unit = "um/m"
full_scale = 1000.0
location = "damper"
"#;

fn setup() -> Setup {
    setup::parse(SETUP, "test").unwrap()
}

fn plans(setup: &Setup) -> Vec<TonePlan> {
    let format = |channels| StreamFormat {
        rate_hz: RATE_HZ,
        channels,
        clip_level: 1.0,
        start_utc: None,
    };
    vec![
        TonePlan::new(setup, 0, &format(2)).unwrap(),
        TonePlan::new(setup, 1, &format(1)).unwrap(),
    ]
}

/// Two steady dwells, at 12.3 and 20.5 Hz.
fn block(first: u64, frames: usize, channels: usize) -> Block {
    let samples = Array2::from_shape_fn((channels, frames), |(channel, frame)| {
        let t_s = (first + frame as u64) as f64 / RATE_HZ;
        let frequency_hz = if t_s < 30.0 { 12.3 } else { 20.5 };
        let (peak, phase) = if channel == 0 {
            (0.2, 0.0)
        } else {
            (0.02, 0.25 * TAU)
        };
        peak * (TAU * frequency_hz * t_s + phase).cos()
    });
    Block {
        first_sample: first,
        samples,
    }
}

/// A reader that sends `seconds` of signal in blocks of `frames`, a gap of 100
/// frames in the middle, and then `end`, or nothing and is gone.
fn reader(
    sender: Sender<Message>,
    channels: usize,
    frames: usize,
    seconds: f64,
    end: Option<End>,
) -> thread::JoinHandle<()> {
    thread::spawn(move || {
        let total = (seconds * RATE_HZ) as u64;
        let gap = total / 2;
        let mut at = 0;
        while at < total {
            let stop = if at < gap { gap } else { total };
            let count = frames.min((stop - at) as usize);
            if sender
                .send(Message::Block(block(at, count, channels)))
                .is_err()
            {
                return;
            }
            at += count as u64;
            if at == gap {
                let missing = Gap {
                    first_sample: gap,
                    missing: 100,
                };
                if sender.send(Message::Gap(missing)).is_err() {
                    return;
                }
                at += 100;
            }
        }
        if let Some(end) = end {
            let _ = sender.send(Message::End(end));
        }
    })
}

/// Two readers; `frames` are their block lengths.
fn inputs(setup: &Setup, frames: [usize; 2], ends: [Option<End>; 2]) -> Vec<Input> {
    let channels = [2, 1];
    plans(setup)
        .into_iter()
        .zip(channels)
        .zip(frames)
        .zip(ends)
        .map(|(((plan, channels), frames), end)| {
            let (sender, messages) = bounded(2);
            Input {
                name: format!("source with {channels} channels"),
                plan,
                messages: Messages::Sent(messages),
                threads: vec![reader(sender, channels, frames, 61.0, end)],
            }
        })
        .collect()
}

/// Keeps what it is told; fails from finding number `fails_at` on.
struct Notes {
    findings: Vec<Finding>,
    fails_at: usize,
}

impl Sink for Notes {
    fn finding(&mut self, finding: Finding) -> anyhow::Result<()> {
        anyhow::ensure!(self.findings.len() < self.fails_at, "the disk is full");
        self.findings.push(finding);
        Ok(())
    }

    fn tick(&mut self, _progress: &Progress, _analysis: &Analysis) -> anyhow::Result<()> {
        Ok(())
    }
}

/// Runs on another thread, so that a deadlock fails the test instead of
/// hanging it.
fn run_guarded(
    inputs: Vec<Input>,
    threads: usize,
    order: Order,
    fails_at: usize,
    stop: &Arc<AtomicBool>,
) -> (Outcome, Vec<Finding>) {
    let (sender, receiver) = mpsc::sync_channel(1);
    let stop = Arc::clone(stop);
    thread::spawn(move || {
        let mut notes = Notes {
            findings: Vec::new(),
            fails_at,
        };
        let options = Options { threads, order };
        let outcome = run(
            &setup(),
            Beforehand::default(),
            inputs,
            options,
            &stop,
            &mut notes,
        );
        let _ = sender.send((outcome, notes.findings));
    });
    receiver
        .recv_timeout(Duration::from_mins(10))
        .expect("the run did not end: a deadlock")
}

fn never() -> Arc<AtomicBool> {
    Arc::new(AtomicBool::new(false))
}

const COMPLETE: [Option<End>; 2] = [Some(End::Complete), Some(End::Complete)];

#[test]
fn neither_threads_nor_block_lengths_nor_interleaving_show() {
    let setup = setup();
    let (outcome, expected) = run_guarded(
        inputs(&setup, [1000, 1000], COMPLETE),
        1,
        Order::ByTime,
        usize::MAX,
        &never(),
    );
    assert!(
        matches!(outcome.reason, StopReason::Complete),
        "{}",
        outcome.reason
    );
    assert_eq!(outcome.sources[0].frames, 60_900);
    assert_eq!(outcome.sources[0].missing_frames, 100);
    let points = |findings: &[Finding]| -> Vec<Finding> {
        let is_point = |finding: &&Finding| matches!(finding, Finding::Point(..));
        findings.iter().filter(is_point).cloned().collect()
    };
    assert!(points(&expected).len() >= 2, "{}", expected.len());
    for (frames, threads) in [([7, 5000], 2), ([30_000, 97], 3), ([333, 1], 8)] {
        let (_, findings) = run_guarded(
            inputs(&setup, frames, COMPLETE),
            threads,
            Order::ByTime,
            usize::MAX,
            &never(),
        );
        assert_eq!(findings, expected, "{frames:?} {threads}");
        let (_, live) = run_guarded(
            inputs(&setup, frames, COMPLETE),
            threads,
            Order::AsItComes,
            usize::MAX,
            &never(),
        );
        assert_eq!(points(&live), points(&expected), "{frames:?} {threads}");
    }
}

#[test]
fn a_reader_that_is_gone_without_a_word_ends_its_source_not_the_run() {
    let setup = setup();
    let (outcome, findings) = run_guarded(
        inputs(&setup, [100, 100], [None, Some(End::Complete)]),
        2,
        Order::ByTime,
        usize::MAX,
        &never(),
    );
    let StopReason::SourceFailed { name, what } = outcome.reason else {
        panic!("{}", outcome.reason);
    };
    assert!(name.contains("2 channels") && what.contains("without a word"));
    // What came before is analysed to its end.
    assert!(
        findings
            .iter()
            .any(|finding| matches!(finding, Finding::Point(..)))
    );
    assert_eq!(outcome.sources[1].end, Some(End::Complete));
}

#[test]
fn a_failing_sink_ends_the_run_and_every_thread() {
    let setup = setup();
    for fails_at in [0, 1, 20] {
        for order in [Order::ByTime, Order::AsItComes] {
            let stop = never();
            let inputs = inputs(&setup, [10, 10], COMPLETE);
            let (outcome, findings) = run_guarded(inputs, 3, order, fails_at, &stop);
            assert!(outcome.reason.to_string().contains("disk is full"));
            assert_eq!(findings.len(), fails_at);
            assert!(stop.load(Ordering::Relaxed), "idle readers must hear of it");
        }
    }
}

#[test]
fn a_stage_that_panics_is_named_and_ends_the_run() {
    let setup = setup();
    let mut inputs = inputs(&setup, [100, 100], COMPLETE);
    // A block with too few channels cannot come from a checked reader; the
    // windows stage panics on it.
    let (sender, messages) = bounded(2);
    inputs[0].messages = Messages::Sent(messages);
    inputs[0].threads.push(thread::spawn(move || {
        let _ = sender.send(Message::Block(block(0, 5000, 1)));
        thread::sleep(Duration::from_millis(50));
    }));
    let (outcome, _) = run_guarded(inputs, 2, Order::ByTime, usize::MAX, &never());
    let StopReason::StageDied { name } = &outcome.reason else {
        panic!("{}", outcome.reason);
    };
    assert!(name.contains("windows"), "{name}");
}

#[test]
fn a_stopped_source_is_drained_and_said_so() {
    let setup = setup();
    let ends = [Some(End::Stopped), Some(End::Complete)];
    let (outcome, findings) = run_guarded(
        inputs(&setup, [100, 100], ends),
        1,
        Order::AsItComes,
        usize::MAX,
        &never(),
    );
    assert!(
        matches!(outcome.reason, StopReason::Asked),
        "{}",
        outcome.reason
    );
    assert!(
        findings
            .iter()
            .any(|finding| matches!(finding, Finding::Point(..)))
    );
}

#[test]
fn the_graver_reason_stays() {
    let mut reason = StopReason::default();
    assert!(reason.to_string().contains("unknown"));
    reason.note(StopReason::Asked);
    reason.note(StopReason::Complete);
    assert!(matches!(reason, StopReason::Asked));
    reason.note(StopReason::SinkFailed(anyhow::anyhow!("full")));
    reason.note(StopReason::StageDied { name: "x".into() });
    assert!(matches!(reason, StopReason::SinkFailed(_)));
}

/// Both readers of the test as lists of messages.
fn messages(frames: [usize; 2]) -> Vec<Vec<Message>> {
    [2, 1]
        .into_iter()
        .zip(frames)
        .map(|(channels, frames)| {
            let (sender, messages) = bounded(2);
            let reader = reader(sender, channels, frames, 61.0, Some(End::Complete));
            let all = messages.iter().collect();
            reader.join().unwrap();
            all
        })
        .collect()
}

#[test]
fn one_thread_step_by_step_finds_what_the_threads_find() {
    let setup = setup();
    let (_, expected) = run_guarded(
        inputs(&setup, [1000, 1000], COMPLETE),
        2,
        Order::ByTime,
        usize::MAX,
        &never(),
    );
    // One source far ahead of the other, either way round, and both in turns.
    let of_kind = |findings: &[Finding], kind: fn(&Finding) -> bool| -> Vec<Finding> {
        findings.iter().filter(|f| kind(f)).cloned().collect()
    };
    let kinds: [fn(&Finding) -> bool; 3] = [
        |finding| matches!(finding, Finding::Point(..)),
        |finding| matches!(finding, Finding::Event(_)),
        |finding| matches!(finding, Finding::Trace(_)),
    ];
    for (frames, first) in [
        ([50, 5000], Some(0)),
        ([5000, 50], Some(1)),
        ([97, 97], None),
    ] {
        let mut stages = SingleThread::new(&setup, &plans(&setup), None);
        let mut notes = Notes {
            findings: Vec::new(),
            fails_at: usize::MAX,
        };
        let mut queues: Vec<_> = messages(frames)
            .into_iter()
            .map(std::collections::VecDeque::from)
            .collect();
        let mut turn = first.unwrap_or(0);
        while queues.iter().any(|queue| !queue.is_empty()) {
            match queues[turn].pop_front() {
                Some(message) => {
                    assert!(!stages.is_done());
                    stages.push(turn, message, &mut notes).unwrap();
                    turn = if first.is_some() { turn } else { 1 - turn };
                }
                None => turn = 1 - turn,
            }
        }
        assert!(stages.is_done());
        assert_eq!(stages.frames(0), (60_900, 100));
        for kind in kinds {
            assert_eq!(
                of_kind(&notes.findings, kind),
                of_kind(&expected, kind),
                "{frames:?}"
            );
        }
        // Nothing is heard after the end.
        stages
            .push(0, Message::Block(block(61_000, 50_000, 2)), &mut notes)
            .unwrap();
        assert_eq!(notes.findings.len(), expected.len());
    }
}

#[test]
fn a_failing_sink_is_heard_of_step_by_step_too() {
    let setup = setup();
    let mut stages = SingleThread::new(&setup, &plans(&setup), None);
    let mut notes = Notes {
        findings: Vec::new(),
        fails_at: 3,
    };
    let failed = messages([1000, 1000])
        .remove(0)
        .into_iter()
        .map(|message| stages.push(0, message, &mut notes))
        .position(|pushed| pushed.is_err());
    // Windows of 1 s, four hops a second: the fourth row of the trace ends
    // before 2 s.
    assert_eq!(failed, Some(1));
}
