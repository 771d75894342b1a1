//! The files that the run itself wrote: `run.json`, points, evidence, events,
//! trace, table.

use serde::de::DeserializeOwned;
use serde_json::{Value, json};

use super::difference::{
    Agreement, Difference, Exactness, compare_lines, compare_objects, compare_tables, not_logged,
    not_recomputed,
};
use super::recompute::Recomputed;
use super::stored::Stored;
use crate::analysis::{Event, TraceRow};
use crate::ingest::sidecar::{hash_of_file, hash_of_sidecar};
use crate::ledger::{
    EVENTS_FILE, EVIDENCE_FILE, FileRecord, LedgerError, POINTS_FILE, PointCounts, PointEvidence,
    RUN_FILE, RunRecord, RunState, SourceRecord, TABLE_FILE, TRACE_FILE, chain_lines, json_lines,
    points_csv, trace_csv, unchain_lines,
};
use crate::reduction::SettledPoint;
use crate::report::recordings::{Checked, Standing};

use super::files::Files;

/// What the run found, as far as it had come: what the reduction and the
/// report have to rest on.
#[derive(Debug, Clone)]
pub(super) struct Accepted {
    pub record: RunRecord,
    pub points: Vec<SettledPoint>,
    /// `points.jsonl`, to be hashed.
    pub points_text: Vec<u8>,
    pub evidence: Vec<PointEvidence>,
    pub events: Vec<Event>,
    pub trace: Vec<TraceRow>,
}

/// Compares the files of the run. What is accepted comes out of the recordings,
/// and is taken as it was logged where only last digits differ.
pub(super) fn compare_run(
    stored: &Stored,
    recomputed: &Recomputed,
    files: &mut Files,
) -> Result<Accepted, LedgerError> {
    let exactness = stored.exactness();
    let expected = stored.made(POINTS_FILE, json_lines(&recomputed.points))?;
    let points = lines(stored, POINTS_FILE, &expected, files)?;
    let expected = stored.made(EVIDENCE_FILE, json_lines(&recomputed.evidence))?;
    let evidence = lines(stored, EVIDENCE_FILE, &expected, files)?;
    let (trace, whole) = trace(stored, recomputed, files)?;
    let events = events(stored, recomputed, whole, exactness, files)?;
    let accepted = Accepted {
        record: stored.record.clone(),
        points: parsed(&points),
        evidence: parsed(&evidence),
        events,
        trace,
        points_text: if stored.is_chained() {
            chain_lines(&points)
        } else {
            points
        },
    };
    table(stored, &accepted, files)?;
    let record = record(stored, recomputed, &accepted);
    let stands = compare_objects(&stored.record_json, &record, Exactness::Bytes);
    files.add(RUN_FILE, stands);
    Ok(Accepted {
        record: serde_json::from_value(record).unwrap_or(accepted.record),
        ..accepted
    })
}

fn parsed<T: DeserializeOwned>(text: &[u8]) -> Vec<T> {
    text.split(|byte| *byte == b'\n')
        .filter_map(|line| serde_json::from_slice(line).ok())
        .collect()
}

fn count(text: &[u8]) -> usize {
    text.split_inclusive(|byte| *byte == b'\n')
        .filter(|line| line.ends_with(b"\n"))
        .count()
}

/// The first `count` lines.
fn first_lines(text: &[u8], count: usize) -> &[u8] {
    let length = text
        .split_inclusive(|byte| *byte == b'\n')
        .take(count)
        .map(<[u8]>::len)
        .sum();
    text.get(..length).unwrap_or(text)
}

/// A file of lines, but for their chain values, against all that comes out or, where the run did not come
/// to its end, against as many lines as it had finished. Returns the accepted
/// text.
fn lines(
    stored: &Stored,
    name: &str,
    recomputed: &[u8],
    files: &mut Files,
) -> Result<Vec<u8>, LedgerError> {
    let Some(logged) = stored.file(name)? else {
        files.add(name, missing(recomputed));
        return Ok(recomputed.to_vec());
    };
    // Whether the lines hang together is told of the folder as a whole.
    let logged = unchain_lines(&logged);
    let exactness = stored.exactness();
    if stored.is_done() {
        return Ok(accept(name, &logged, recomputed.to_vec(), exactness, files));
    }
    // A torn last line was never acknowledged.
    let finished = count(&logged);
    let logged = first_lines(&logged, finished);
    let mut expected = first_lines(recomputed, finished).to_vec();
    let before = finished.saturating_sub(1);
    let (logged_before, expected_before) =
        (first_lines(logged, before), first_lines(&expected, before));
    let only_last = !stored.is_capture()
        && matches!(
            compare_lines(logged, &expected, exactness),
            Agreement::Differs(_)
        )
        && !matches!(
            compare_lines(logged_before, expected_before, exactness),
            Agreement::Differs(_)
        );
    if only_last {
        // The dwell of its last point ended where the reading was stopped.
        files.notes.push(format!(
            "{name}: the run was stopped within its last dwell, which is left out of the comparison."
        ));
        expected.truncate(expected_before.len());
        let last = logged.get(logged_before.len()..).unwrap_or_default();
        expected.extend_from_slice(last);
    }
    Ok(accept(name, logged, expected, exactness, files))
}

/// Compares, and returns what is to be gone on with.
fn accept(
    name: &str,
    logged: &[u8],
    expected: Vec<u8>,
    exactness: Exactness,
    files: &mut Files,
) -> Vec<u8> {
    let agreement = compare_lines(logged, &expected, exactness);
    let as_logged = agreement == Agreement::LastDigits;
    files.add(name, agreement);
    if as_logged { logged.to_vec() } else { expected }
}

fn missing(recomputed: &[u8]) -> Agreement {
    if recomputed.is_empty() {
        return Agreement::Identical;
    }
    let lines = count(recomputed);
    Agreement::Differs(Difference::whole(format!(
        "it is missing, and {lines} lines come out of the recordings"
    )))
}

/// The trace, and whether the run had come to the end of its recordings.
fn trace(
    stored: &Stored,
    recomputed: &Recomputed,
    files: &mut Files,
) -> Result<(Vec<TraceRow>, bool), LedgerError> {
    let all = stored.made(TRACE_FILE, trace_csv(&recomputed.trace))?;
    let Some(mut logged) = stored.file(TRACE_FILE)? else {
        files.add(TRACE_FILE, missing(&all));
        return Ok((recomputed.trace.clone(), stored.is_done()));
    };
    let whole = stored.is_done() || count(&logged) >= count(&all);
    let mut expected = all;
    if !stored.is_done() {
        let finished = count(&logged);
        logged.truncate(first_lines(&logged, finished).len());
        expected.truncate(first_lines(&expected, finished).len());
    }
    let agreement = compare_tables(&logged, &expected, stored.exactness());
    let text = if agreement == Agreement::LastDigits {
        &logged
    } else {
        &expected
    };
    let rows = csv::Reader::from_reader(text.as_slice())
        .deserialize()
        .filter_map(Result::ok)
        .collect();
    files.add(TRACE_FILE, agreement);
    Ok((rows, whole))
}

/// Kinds of events that the samples do not tell: when a session began, what was
/// repaired then, how long a device was silent.
const OF_THE_CLOCK: [&str; 4] = ["session", "repair", "silence", "missing-recording"];

/// Events: what comes from the samples has to come out again; the rest only
/// the log can say. Returns the accepted events.
fn events(
    stored: &Stored,
    recomputed: &Recomputed,
    whole: bool,
    exactness: Exactness,
    files: &mut Files,
) -> Result<Vec<Event>, LedgerError> {
    if !stored.is_capture() {
        // What was named twice is in the record of the run; the samples cannot
        // say it.
        let expected: Vec<Event> = stored
            .record
            .sources
            .iter()
            .filter_map(SourceRecord::repeated_event)
            .chain(recomputed.events.iter().cloned())
            .collect();
        let expected = stored.made(EVENTS_FILE, json_lines(&expected))?;
        return Ok(parsed(&lines(stored, EVENTS_FILE, &expected, files)?));
    }
    let logged = stored.file(EVENTS_FILE)?.unwrap_or_default();
    let logged = unchain_lines(first_lines(&logged, count(&logged)));
    let logged = logged.as_slice();
    let mut expected: Vec<Vec<u8>> = Vec::new();
    for event in recomputed.events.iter().chain(&recomputed.alarms) {
        expected.push(stored.made(EVENTS_FILE, json_lines(std::slice::from_ref(event)))?);
    }
    let mut agreement = Agreement::Identical;
    for (number, line) in (1..).zip(logged.split_inclusive(|byte| *byte == b'\n')) {
        let kind = serde_json::from_slice::<Event>(line).map_or(String::new(), |event| event.kind);
        if OF_THE_CLOCK.contains(&kind.as_str()) {
            continue;
        }
        let found = |wanted: Agreement| {
            expected
                .iter()
                .position(|other| compare_lines(line, other, exactness) == wanted)
        };
        let place = found(Agreement::Identical).or_else(|| found(Agreement::LastDigits));
        let Some(place) = place else {
            agreement = Agreement::Differs(Difference {
                line: Some(number),
                what: not_recomputed(line),
            });
            break;
        };
        expected.remove(place);
    }
    if let (Agreement::Identical, true, Some(line)) = (&agreement, whole, expected.first()) {
        agreement = Agreement::Differs(Difference::whole(not_logged(line)));
    }
    files.add(EVENTS_FILE, agreement);
    Ok(parsed(logged))
}

fn table(stored: &Stored, accepted: &Accepted, files: &mut Files) -> Result<(), LedgerError> {
    let expected = stored.made(TABLE_FILE, points_csv(&accepted.points))?;
    let agreement = match stored.file(TABLE_FILE)? {
        Some(logged) => compare_tables(&logged, &expected, Exactness::Bytes),
        // It is written when the folder is closed.
        None if !stored.is_closed() => return Ok(()),
        None => missing(&expected),
    };
    files.add(TABLE_FILE, agreement);
    Ok(())
}

/// `run.json` with everything in it that can be known from the recordings, the
/// setup and the other files.
fn record(stored: &Stored, recomputed: &Recomputed, accepted: &Accepted) -> Value {
    let mut record = stored.record_json.clone();
    let mut set = |key: &str, value: Value| {
        if let Some(object) = record.as_object_mut() {
            object.insert(key.to_owned(), value);
        }
    };
    set("program", json!(env!("CARGO_PKG_NAME")));
    set(
        "setup_blake3",
        json!(blake3::hash(stored.setup_text.as_bytes()).to_hex().as_str()),
    );
    set("sources", sources(stored, recomputed));
    if stored.is_closed() {
        let mut counts = PointCounts::default();
        accepted
            .points
            .iter()
            .for_each(|point| counts.add(point.verdict));
        set("points", json!(counts));
        set("events", json!(accepted.events.len()));
    }
    if !stored.is_capture() {
        set("sessions", json!(1));
        if stored.is_closed() && used_everything(stored, recomputed) {
            set("state", json!(RunState::Done));
        }
    }
    if record.get("state") == Some(&json!(RunState::Done))
        && let Some(object) = record.as_object_mut()
    {
        object.insert("reason".to_owned(), Value::Null);
    }
    record
}

/// Whether the run read its recordings to the end.
fn used_everything(stored: &Stored, recomputed: &Recomputed) -> bool {
    stored.record.sources.len() == recomputed.sources.len()
        && stored
            .record
            .sources
            .iter()
            .zip(&recomputed.sources)
            .all(|(logged, recomputed)| logged.frames >= recomputed.frames)
}

fn sources(stored: &Stored, recomputed: &Recomputed) -> Value {
    let sources = recomputed.sources.iter().enumerate();
    let records = sources.map(|(number, source)| {
        let logged = stored
            .record_json
            .get("sources")
            .and_then(|all| all.get(number));
        let mut record = logged.cloned().unwrap_or_else(|| json!({}));
        let Some(object) = record.as_object_mut() else {
            return json!(source);
        };
        let mut set = |key: &str, value: Value| drop(object.insert(key.to_owned(), value));
        set("name", json!(source.name));
        set("rate_hz", json!(source.rate_hz));
        set("channels", json!(source.channels));
        set("start_utc", json!(source.start_utc));
        if !stored.is_capture() {
            set("ordered_by", json!(source.ordered_by));
        }
        let as_logged = stored.record.sources.get(number);
        let used = |used: u64, logged: Option<u64>| {
            // A run that was broken off may have used less.
            let less = !stored.is_done() && logged.is_some_and(|logged| logged < used);
            json!(if less { logged.unwrap_or(used) } else { used })
        };
        set("frames", used(source.frames, as_logged.map(|s| s.frames)));
        set(
            "missing_frames",
            used(source.missing_frames, as_logged.map(|s| s.missing_frames)),
        );
        let checked = stored.recordings.sources.get(number);
        let names = checked
            .into_iter()
            .flatten()
            .enumerate()
            .map(|(place, file)| {
                let logged = logged.and_then(|source| source["files"].get(place));
                let mut record = file_record(logged, file, stored.is_done());
                let read = source.files.get(place).filter(|_| !stored.is_capture());
                say_header(&mut record, read);
                record
            });
        let names: Vec<Value> = names.collect();
        set("files", Value::Array(names));
        record
    });
    Value::Array(records.collect())
}

/// What `run.json` should say of a recording's place and begin.
fn say_header(record: &mut Value, read: Option<&FileRecord>) {
    let (Some(object), Some(read)) = (record.as_object_mut(), read) else {
        return;
    };
    let keys = [
        ("start_s", read.start_s.map(|value| json!(value))),
        ("begun", read.begun.as_ref().map(|value| json!(value))),
    ];
    for (key, value) in keys {
        match value {
            Some(value) => drop(object.insert(key.to_owned(), value)),
            None => drop(object.remove(key)),
        }
    }
}

/// What `run.json` should say of a recording, as it is now.
fn file_record(logged: Option<&Value>, file: &Checked, is_done: bool) -> Value {
    let mut record = logged.cloned().unwrap_or_else(|| json!({}));
    let Some(object) = record.as_object_mut() else {
        return record;
    };
    let known = match file.standing {
        Standing::Changed { .. } => true,
        // The hash comes last; a run that was broken off has none.
        Standing::Unhashed => is_done,
        Standing::Unchanged | Standing::Missing | Standing::Unreadable { .. } => false,
    };
    if let Some(path) = file.found.as_ref().filter(|_| known)
        && let Ok(hash) = hash_of_file(path)
        && let Ok(metadata) = path.metadata()
    {
        object.insert("bytes".to_owned(), json!(metadata.len()));
        object.insert("blake3".to_owned(), json!(hash));
        // Runs of versions that did not say it have none.
        if let (Ok(Some(hash)), Some(said)) =
            (hash_of_sidecar(path), object.get_mut("sidecar_blake3"))
        {
            *said = json!(hash);
        }
    }
    record
}
