//! What has to be so whatever happened: read from the files by code that is
//! not the program's, and held against what the device sent.

use std::collections::BTreeSet;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use spanhold::ingest::stretches::NamedFile;
use spanhold::ledger::{Run, RunState};
use spanhold::pipeline::{Collected, RecordedRun, ReplayOptions, recordings_of, replay};

use super::device::{self, CHANNELS, LIE, RATE_HZ};
use super::world::{Outcome, SessionEnd};

/// One recorded frame of samples.
#[derive(Debug, Clone, Copy)]
struct Frame {
    index: u64,
    stream: u64,
    counter: u64,
}

/// A hop of the analysis, and what of the next dwell may hide in it, s.
const AT_A_CUT_S: f64 = 0.5;
/// A device's frame has at most so many samples.
const FRAME_SAMPLES: u64 = 32;

macro_rules! must {
    ($holds:expr, $($text:tt)*) => {
        let holds: bool = $holds;
        if !holds {
            return Err(format!($($text)*));
        }
    };
}

pub fn check(outcome: &Outcome) -> Result<Summary, String> {
    let folder = outcome.run.join("recordings");
    if outcome.is_destroyed {
        let last = outcome.sessions.last().and_then(|end| end.closed.as_ref());
        let events = std::fs::read_to_string(outcome.run.join("events.jsonl"));
        must!(
            last.is_none_or(|captured| captured.record.state == RunState::Failed)
                || events.is_ok_and(|events| events.contains("\"missing-recording\"")),
            "something was removed, and the capture ended as if nothing had been"
        );
        return Ok(Summary::default());
    }
    let recorded = recorded(&folder)?;
    samples_are_the_devices(&recorded)?;
    nothing_vanishes(outcome, &recorded)?;
    let points = points(&outcome.run)?;
    announced_stays(outcome, &points)?;
    let cut_s = ends_of_sessions(outcome, &recorded);
    no_hold_over_a_gap(&recorded, &points, &cut_s)?;
    the_run_counts_right(outcome, &recorded)?;
    the_recordings_give_it_again(outcome, &points, &cut_s)?;
    let held = |verdict: &str| {
        points
            .iter()
            .filter(|point| point["verdict"] == verdict)
            .count()
    };
    Ok(Summary {
        samples: recorded.len() as u64,
        points: points.len() as u64,
        steady: (held("steady") + held("held")) as u64,
    })
}

/// What a seed came to.
#[derive(Debug, Clone, Copy, Default)]
pub struct Summary {
    pub samples: u64,
    pub points: u64,
    pub steady: u64,
}

/// Every frame of the recordings in order, read by another crate.
fn recorded(folder: &Path) -> Result<Vec<Frame>, String> {
    let mut files = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|error| error.to_string())? {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|end| end == "wav") {
            let beside = path.with_extension("wav.json");
            let text = std::fs::read_to_string(&beside)
                .map_err(|error| format!("{}: {error}", beside.display()))?;
            let sidecar: serde_json::Value = serde_json::from_str(&text).unwrap();
            files.push((sidecar["start_index"].as_u64().unwrap(), path, sidecar));
        }
    }
    files.sort_by_key(|(start, ..)| *start);
    let mut frames: Vec<Frame> = Vec::new();
    for (start, path, sidecar) in files {
        let name = path.display();
        let mut wav = hound::WavReader::open(&path).map_err(|error| format!("{name}: {error}"))?;
        let spec = wav.spec();
        let codes: Vec<i64> = if spec.sample_format == hound::SampleFormat::Float {
            let codes = wav.samples::<f32>();
            codes
                .map(|value| (f64::from(value.unwrap()) * device::CODES) as i64)
                .collect()
        } else {
            let shift = spec.bits_per_sample - 24;
            let codes = wav.samples::<i32>();
            codes
                .map(|code| i64::from(code.unwrap()) >> shift)
                .collect()
        };
        must!(
            codes.len().is_multiple_of(usize::from(CHANNELS)),
            "{name}: half a frame"
        );
        let count = codes.len() / usize::from(CHANNELS);
        must!(
            sidecar["frames"].as_u64() == Some(count as u64) && sidecar["blake3"].is_string(),
            "{name}: it holds {count} frames, its sidecar says {}",
            sidecar["frames"]
        );
        for (at, frame) in codes.chunks(usize::from(CHANNELS)).enumerate() {
            let (stream, counter) = device::identity(frame[2]);
            let index = start + at as u64;
            must!(
                frame == device::codes(stream, counter),
                "{name}: frame {index} is none of the device's"
            );
            must!(
                frames.last().is_none_or(|last| last.index < index),
                "{name}: index {index} is recorded twice"
            );
            frames.push(Frame {
                index,
                stream,
                counter,
            });
        }
    }
    Ok(frames)
}

/// Neighbours in the recording were neighbours in the device.
fn samples_are_the_devices(recorded: &[Frame]) -> Result<(), String> {
    for pair in recorded.windows(2) {
        let [before, after] = pair else { continue };
        let joined = after.index == before.index + 1;
        let follows = after.stream == before.stream && after.counter == before.counter + 1;
        must!(
            !joined || follows,
            "{before:?} and {after:?} stand side by side, and something is missing between them"
        );
    }
    Ok(())
}

/// Where the recordings of each session end, s.
fn ends_of_sessions(outcome: &Outcome, recorded: &[Frame]) -> Vec<f64> {
    (0..outcome.sessions.len())
        .filter_map(|number| of_session(recorded, &outcome.sessions, number).last())
        .map(|last| (last.index + 1) as f64 / RATE_HZ)
        .collect()
}

fn of_session<'a>(recorded: &'a [Frame], sessions: &[SessionEnd], number: usize) -> &'a [Frame] {
    let from = sessions[number].first_index;
    // A later session may begin below an earlier one of which nothing is left,
    // where the clock was set back between them.
    let later = sessions[number + 1..].iter();
    let to = later.map(|next| next.first_index).min().unwrap_or(u64::MAX);
    let at = |index| recorded.partition_point(|frame| frame.index < index);
    recorded.get(at(from)..at(to)).unwrap_or_default()
}

/// Recorded frames and counted losses make up what the device sent.
fn nothing_vanishes(outcome: &Outcome, recorded: &[Frame]) -> Result<(), String> {
    let device = outcome.device.lock().unwrap();
    for (number, session) in outcome.sessions.iter().enumerate() {
        let frames = of_session(recorded, &outcome.sessions, number);
        let counts = &session.statistics;
        let (Some(first), Some(last)) = (frames.first(), frames.last()) else {
            must!(
                session
                    .closed
                    .as_ref()
                    .is_none_or(|captured| captured.record.state == RunState::Failed)
                    || counts.samples == counts.dropped_samples,
                "session {number}: nothing is recorded of {} samples",
                counts.samples
            );
            continue;
        };
        must!(
            first.index >= session.first_index,
            "session {number} begins before itself"
        );
        // Within a stream, places in the run go as the device counts, unless a
        // frame in between told a lie about it.
        let streams: BTreeSet<u64> = frames.iter().map(|frame| frame.stream).collect();
        let lied = streams.contains(&LIE)
            || counts.inconsistent > 0
            || counts.restarts >= streams.len() as u64;
        for pair in frames.windows(2) {
            let [before, after] = pair else { continue };
            if before.stream == after.stream && !lied {
                must!(
                    after.index - before.index == after.counter.wrapping_sub(before.counter),
                    "session {number}: {before:?}, {after:?}: the gap is not what is missing"
                );
            }
        }
        let span = last.index + 1 - first.index;
        let missing = span - frames.len() as u64;
        let counted = counts.lost_samples + counts.estimated_lost_samples + counts.dropped_samples;
        must!(
            missing <= counted,
            "session {number}: {missing} samples are missing, {counted} were counted"
        );
        // What came whole is there, or was counted as refused or dropped.
        let mut there: BTreeSet<(u64, u64)> = BTreeSet::new();
        frames.iter().for_each(|frame| {
            there.insert((frame.stream, frame.counter));
        });
        let sent = device.sent.get(session.sent.0..session.sent.1).unwrap();
        let begins = sent
            .iter()
            .position(|sent| sent.stream == first.stream && sent.first >= first.counter);
        let ends = sent
            .iter()
            .rposition(|sent| sent.stream == last.stream && sent.first <= last.counter);
        let window: Range<usize> = begins.unwrap_or(0)..ends.unwrap_or(0);
        let unseen: u64 = sent
            .get(window)
            .unwrap_or_default()
            .iter()
            .filter(|sent| sent.is_intact)
            .map(|sent| {
                let all = sent.first..sent.first + sent.frames;
                all.filter(|counter| !there.contains(&(sent.stream, *counter)))
                    .count() as u64
            })
            .sum();
        let refused = counts.late + counts.inconsistent + counts.duplicates + counts.malformed;
        // A lost port takes with it what had come in; a lie may lie in front of
        // a frame that is held back for it.
        let explained = counts.dropped_samples
            + FRAME_SAMPLES * (refused + 2 * counts.disconnects + 6 * counts.restarts);
        must!(
            unseen <= explained,
            "session {number}: {unseen} samples came whole and were not recorded, {explained} are \
             accounted for: {counts:?}"
        );
    }
    Ok(())
}

fn points(run: &Path) -> Result<Vec<serde_json::Value>, String> {
    let text = std::fs::read_to_string(run.join("points.jsonl")).map_err(|e| e.to_string())?;
    let mut points = Vec::new();
    for line in text.lines() {
        let mut point: serde_json::Value =
            serde_json::from_str(line).map_err(|error| format!("points.jsonl: {error}"))?;
        point.as_object_mut().unwrap().remove("chain");
        points.push(point);
    }
    for (number, point) in (1_u64..).zip(&points) {
        must!(
            point["point"] == number,
            "point {number} is {}",
            point["point"]
        );
    }
    for pair in points.windows(2) {
        must!(
            pair[0]["end_s"].as_f64() <= pair[1]["start_s"].as_f64(),
            "points {} and the next are of the same time",
            pair[0]["point"]
        );
    }
    Ok(points)
}

/// No announced point is lost, altered, or there twice.
fn announced_stays(outcome: &Outcome, points: &[serde_json::Value]) -> Result<(), String> {
    for announced in &outcome.announced {
        let number = announced["point"].as_u64().unwrap();
        let logged = points.get(number as usize - 1);
        must!(
            logged == Some(announced),
            "point {number} was announced as {announced}, and the log has {logged:?}"
        );
    }
    must!(
        outcome.announced.len() == points.len()
            || outcome.sessions.iter().any(|s| s.closed.is_none()),
        "{} points were announced, {} are in the log",
        outcome.announced.len(),
        points.len()
    );
    let read = Run::open(&outcome.run).map_err(|error| error.to_string())?;
    must!(
        read.alterations.is_empty(),
        "the run does not prove itself: {:?}",
        read.alterations
    );
    Ok(())
}

/// A hold lies over no gap and within one dwell of the device, and its
/// frequency is that dwell's.
fn no_hold_over_a_gap(
    recorded: &[Frame],
    points: &[serde_json::Value],
    cut_s: &[f64],
) -> Result<(), String> {
    for point in points {
        let second = |key: &str| point[key].as_f64().unwrap();
        let from = (second("start_s") * RATE_HZ).ceil() as u64;
        let to = (second("end_s") * RATE_HZ).floor() as u64;
        let at = |index| recorded.partition_point(|frame| frame.index < index);
        let within = &recorded[at(from)..at(to)];
        let held = point["verdict"] != "rejected";
        must!(
            within.len() as u64 == to - from || !held,
            "point {} reaches over a gap: {} of {} samples are there",
            point["point"],
            within.len(),
            to - from
        );
        let (Some(first), true) = (within.first(), held) else {
            continue;
        };
        let place = |frame: &Frame| (frame.stream, device::dwell(frame.counter));
        let foreign = within
            .iter()
            .filter(|frame| place(frame) != place(first))
            .count();
        // Where a session ends as the next dwell begins, nobody can see it yet.
        let is_cut = cut_s
            .iter()
            .any(|cut_s| (cut_s - second("end_s")).abs() < AT_A_CUT_S);
        must!(
            foreign == 0 || is_cut && foreign as f64 <= AT_A_CUT_S * RATE_HZ,
            "point {} from {} s to {} s is of several dwells: {foreign} of {} samples",
            point["point"],
            point["start_s"],
            point["end_s"],
            within.len()
        );
        let truth = device::frequency_hz(first.stream, first.counter);
        let found = second("frequency_hz");
        must!(
            (found / truth - 1.0).abs() < 1e-3,
            "point {}: {found} Hz, the device held {truth} Hz",
            point["point"]
        );
    }
    Ok(())
}

/// Frames and missing frames in `run.json` are those of the recordings.
fn the_run_counts_right(outcome: &Outcome, recorded: &[Frame]) -> Result<(), String> {
    let Some(captured) = outcome.sessions.last().and_then(|end| end.closed.as_ref()) else {
        return Err("the last session was not closed".into());
    };
    let source = &captured.record.sources[0];
    let (Some(first), Some(last)) = (recorded.first(), recorded.last()) else {
        return Ok(());
    };
    let missing = last.index + 1 - first.index - recorded.len() as u64;
    must!(
        source.frames == recorded.len() as u64 && source.missing_frames == missing,
        "run.json counts {} frames and {} missing, the recordings hold {} and miss {missing}",
        source.frames,
        source.missing_frames,
        recorded.len()
    );
    Ok(())
}

/// What the recordings give is what the run logged.
fn the_recordings_give_it_again(
    outcome: &Outcome,
    points: &[serde_json::Value],
    cut_s: &[f64],
) -> Result<(), String> {
    let folder = outcome.run.join("recordings");
    let files = recordings_of(&folder, "bench").map_err(|error| error.to_string())?;
    let files: Vec<_> = files.into_iter().map(|(_, path)| path).collect();
    if files.is_empty() {
        must!(points.is_empty(), "points without a recording");
        return Ok(());
    }
    let setup = &outcome.loaded.setup;
    let files = vec![files.into_iter().map(NamedFile::from).collect()];
    let recorded_run = RecordedRun::open(setup, &files).map_err(|error| error.to_string())?;
    let mut again = Collected::default();
    let options = ReplayOptions {
        threads: 1,
        ..ReplayOptions::default()
    };
    replay(
        setup,
        recorded_run,
        options,
        &Arc::new(AtomicBool::new(false)),
        &mut again,
    );
    let again: Vec<serde_json::Value> = again
        .points
        .iter()
        .map(|(point, _)| serde_json::to_value(point).unwrap())
        .collect();
    must!(
        again.len() == points.len(),
        "{} points are logged, the recordings give {}",
        points.len(),
        again.len()
    );
    for (point, again) in points.iter().zip(&again) {
        if point == again {
            continue;
        }
        let end_s = point["end_s"].as_f64().unwrap();
        // A dwell that the end of a session cut short keeps what it was given then.
        let is_cut = cut_s.iter().any(|cut_s| (cut_s - end_s).abs() < 2.0);
        let (mut a, mut b) = (point.clone(), again.clone());
        for point in [&mut a, &mut b] {
            let point = point.as_object_mut().unwrap();
            point.remove("reasons");
            point.remove("missing_samples");
        }
        must!(
            is_cut && a == b,
            "point {} is {point}\nthe recordings give {again}",
            point["point"]
        );
    }
    Ok(())
}
