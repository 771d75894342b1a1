//! What a run folder keeps, refuses and gives back.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::Path;

use super::*;
use crate::analysis::{Event, Evidence, TraceRow};
use crate::reduction::{Measured, SettledPoint};
use crate::setup::Verdict;

const SETUP: &[u8] = b"[test]\ntitle = \"invented\"\n";

fn begin(command: &str) -> RunRecord {
    RunRecord::begin(
        command,
        Path::new("setup.toml"),
        SETUP,
        jiff::Timestamp::UNIX_EPOCH,
    )
}

/// A point with only what the ledger looks at.
fn point(start_s: f64, verdict: Verdict) -> SettledPoint {
    let absent = serde_json::json!({
        "point": 0, "verdict": verdict, "reasons": ["one", "two, with a comma"],
        "start_s": start_s, "end_s": start_s + 10.0, "frequency_hz": 12.25,
        "strain_pp_um_m": {}, "strain_pp_u_um_m": {},
        "clipped_samples": 0, "missing_samples": 0
    });
    serde_json::from_value(absent).unwrap()
}

fn evidence(at_s: f64) -> Evidence {
    Evidence {
        dwell_start_s: at_s - 3.0,
        dwell_end_s: at_s + 10.0,
        criteria: Vec::new(),
        uncertainty_budget: Vec::new(),
        fixed_sensors: None,
    }
}

fn row(time_s: f64) -> TraceRow {
    TraceRow {
        time_s,
        frequency_hz: Some(12.5),
        antinode_velocity_mm_s: None,
        node_velocity_mm_s: None,
        iswr: None,
        node_phase_deg: None,
        drive_force_n: None,
        drive_phase_deg: None,
        signal_phase_deg: None,
        detuning_bandwidths: None,
        bandwidth_hz: None,
        snr_db: None,
        distortion_pct: None,
        clipped_samples: 0,
    }
}

fn event(at_s: f64) -> Event {
    Event {
        at_s,
        kind: "gap".into(),
        message: "5 samples are missing.".into(),
    }
}

/// A run with two points, as a killed process leaves it: not closed.
fn killed(folder: &Path) {
    let mut ledger = Ledger::create(folder, SETUP, begin("capture"), false).unwrap();
    for (start_s, number) in [(5.0, 1), (25.0, 2)] {
        ledger.trace(&row(start_s)).unwrap();
        let written = ledger
            .point(point(start_s, Verdict::Held), evidence(start_s))
            .unwrap();
        assert_eq!(written.unwrap().point, number);
    }
    assert!(ledger.event(&event(40.0)).unwrap());
}

#[test]
fn a_point_is_in_the_file_when_the_call_returns_with_its_evidence_before_it() {
    let folder = tempfile::tempdir().unwrap();
    killed(folder.path());
    let run = Run::open(folder.path()).unwrap();
    assert_eq!(run.record.state, RunState::Running);
    assert_eq!(run.setup_text.as_bytes(), SETUP);
    let numbers: Vec<u64> = run.points.iter().map(|point| point.point).collect();
    assert_eq!(numbers, [1, 2]);
    assert_eq!(run.evidence_of(2), Some(&evidence(25.0)));
    assert_eq!(run.trace(0.0, 10.0).unwrap(), vec![row(5.0)]);
}

#[test]
fn a_resumed_run_numbers_on_and_writes_nothing_twice() {
    let folder = tempfile::tempdir().unwrap();
    killed(folder.path());
    let (mut ledger, found) = Ledger::resume(folder.path(), SETUP).unwrap();
    assert_eq!(found.points.len(), 2);
    // The whole recording is analysed again: what is known comes first.
    for start_s in [5.0, 25.0] {
        ledger.trace(&row(start_s)).unwrap();
        assert_eq!(
            ledger
                .point(point(start_s, Verdict::Held), evidence(start_s))
                .unwrap(),
            None
        );
    }
    assert!(!ledger.event(&event(40.0)).unwrap());
    ledger.trace(&row(50.0)).unwrap();
    let third = ledger
        .point(point(50.0, Verdict::Rejected), evidence(50.0))
        .unwrap();
    assert_eq!(third.unwrap().point, 3);
    let record = ledger
        .close(RunState::Done, None, jiff::Timestamp::UNIX_EPOCH)
        .unwrap();
    assert_eq!(record.sessions, 2);
    assert_eq!(record.events, 1);
    assert_eq!(
        record.points,
        PointCounts {
            held: 2,
            steady: 0,
            off_peak: 0,
            rejected: 1
        }
    );
    let run = Run::open(folder.path()).unwrap();
    assert_eq!(run.points.len(), 3);
    assert_eq!(run.evidence.len(), 3);
    assert_eq!(run.trace(0.0, 100.0).unwrap().len(), 3);
}

#[test]
fn torn_ends_are_cut_and_told_and_evidence_without_its_point_goes() {
    let folder = tempfile::tempdir().unwrap();
    killed(folder.path());
    let append = |name: &str, text: &str| {
        let path = folder.path().join(name);
        let mut file = std::fs::OpenOptions::new().append(true).open(path).unwrap();
        file.write_all(text.as_bytes()).unwrap();
    };
    let orphan = PointEvidence {
        point: 3,
        evidence: evidence(50.0),
    };
    append(
        EVIDENCE_FILE,
        &format!("{}\n", serde_json::to_string(&orphan).unwrap()),
    );
    append(POINTS_FILE, "{\"point\":3,\"verd");
    append(TRACE_FILE, "50.25,12.");
    let (mut ledger, found) = Ledger::resume(folder.path(), SETUP).unwrap();
    assert_eq!(found.notes.len(), 1);
    assert!(
        found.notes[0].contains("points.jsonl:3"),
        "{:?}",
        found.notes
    );
    ledger.trace(&row(50.25)).unwrap();
    ledger
        .point(point(51.0, Verdict::Steady), evidence(51.0))
        .unwrap()
        .unwrap();
    drop(ledger);
    let run = Run::open(folder.path()).unwrap();
    assert!(run.notes.is_empty());
    assert_eq!(run.points.len(), 3);
    assert_eq!(run.evidence_of(3), Some(&evidence(51.0)));
    assert_eq!(run.trace(0.0, 100.0).unwrap().len(), 3);
}

#[test]
fn a_second_writer_and_another_setup_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let first = Ledger::create(folder.path(), SETUP, begin("capture"), false).unwrap();
    let error = Ledger::resume(folder.path(), SETUP).unwrap_err();
    assert!(matches!(error, LedgerError::Busy { .. }), "{error}");
    drop(first);
    let error = Ledger::resume(folder.path(), b"[test]\ntitle = \"other\"\n").unwrap_err();
    assert!(
        matches!(error, LedgerError::OtherSetup { line: 2, .. }),
        "{error}"
    );
}

#[test]
fn what_is_there_is_replaced_only_on_request_and_a_capture_never() {
    let folder = tempfile::tempdir().unwrap();
    let stranger = folder.path().join("stranger");
    std::fs::create_dir(&stranger).unwrap();
    std::fs::write(stranger.join("thesis.tex"), "years of work").unwrap();
    let error = Ledger::create(&stranger, SETUP, begin("reprocess"), true).unwrap_err();
    assert!(error.to_string().contains("no run"), "{error}");

    let run = folder.path().join("run");
    let mut ledger = Ledger::create(&run, SETUP, begin("reprocess"), false).unwrap();
    ledger
        .point(point(1.0, Verdict::Held), evidence(1.0))
        .unwrap();
    ledger
        .close(RunState::Done, None, jiff::Timestamp::UNIX_EPOCH)
        .unwrap();
    let error = Ledger::create(&run, SETUP, begin("reprocess"), false).unwrap_err();
    assert!(error.to_string().contains("1 points") && error.to_string().contains("--force"));
    std::fs::create_dir(run.join(RECORDINGS_FOLDER)).unwrap();
    drop(Ledger::create(&run, SETUP, begin("reprocess"), true).unwrap());
    assert!(Run::open(&run).unwrap().points.is_empty());
    assert!(run.join(RECORDINGS_FOLDER).is_dir());

    let capture = folder.path().join("capture");
    killed(&capture);
    let error = Ledger::create(&capture, SETUP, begin("reprocess"), true).unwrap_err();
    assert!(error.to_string().contains("never replaced"), "{error}");
    assert_eq!(Run::open(&capture).unwrap().points.len(), 2);
}

#[test]
fn the_table_has_all_fields_in_order_and_a_column_a_gauge() {
    let mut first = point(1.0, Verdict::Held);
    first.strain_pp_um_m =
        BTreeMap::from([("damper".parse().unwrap(), Measured::without_u(118.5))]);
    let mut second = point(20.0, Verdict::Steady);
    second.strain_pp_um_m = BTreeMap::from([("end".parse().unwrap(), Measured::without_u(60.0))]);
    let table = points_csv(&[first.clone(), second]).unwrap();
    let mut reader = csv::Reader::from_reader(table.as_slice());
    let header: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    assert_eq!(
        header[..5],
        ["point", "verdict", "reasons", "start_s", "end_s"]
    );
    assert_eq!(header.last().unwrap(), "uncertainty_incomplete_keys");
    let column = |name: &str| header.iter().position(|h| h == name).unwrap();
    let (damper, end) = (
        column("strain_pp_um_m.damper"),
        column("strain_pp_um_m.end"),
    );
    let rows: Vec<csv::StringRecord> = reader.records().map(Result::unwrap).collect();
    assert_eq!((&rows[0][damper], &rows[0][end]), ("118.5", ""));
    assert_eq!((&rows[1][damper], &rows[1][end]), ("", "60.0"));
    assert_eq!(&rows[0][2], "one; two, with a comma");
    assert_eq!(&rows[0][column("iswr")], "");
    // Every scalar key of points.jsonl is a column.
    for (key, value) in serde_json::to_value(&first).unwrap().as_object().unwrap() {
        assert!(value.is_object() || header.contains(key), "{key}");
    }
}

#[test]
fn a_folder_that_cannot_be_made_says_which_and_why() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    std::fs::write(&file, "").unwrap();
    let error = Ledger::create(&file.join("run"), SETUP, begin("reprocess"), false).unwrap_err();
    assert!(error.to_string().contains("file/run"), "{error}");
    let error = Ledger::resume(&folder.path().join("gone"), SETUP).unwrap_err();
    assert!(error.to_string().contains("gone"), "{error}");
}

#[test]
fn a_removed_folder_is_noticed_before_the_next_point_is_announced() {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("run");
    let mut ledger = Ledger::create(&run, SETUP, begin("capture"), false).unwrap();
    ledger
        .point(point(1.0, Verdict::Held), evidence(1.0))
        .unwrap();
    std::fs::remove_dir_all(&run).unwrap();
    let error = ledger
        .point(point(20.0, Verdict::Held), evidence(20.0))
        .unwrap_err();
    assert!(error.to_string().contains("was removed"), "{error}");
}

#[test]
fn a_record_names_its_arithmetic_and_one_without_is_read() {
    let whole = serde_json::to_value(begin("reprocess")).unwrap();
    assert_eq!(whole["arithmetic"], crate::maths::ARITHMETIC_VERSION);
    let target = whole["target"].as_str().unwrap();
    assert!(target.contains(std::env::consts::ARCH), "{target}");
    // As versions wrote it that took their functions from the C library.
    let mut before = whole.clone();
    let keys = before.as_object_mut().unwrap();
    keys.remove("arithmetic");
    keys.remove("target");
    let read: RunRecord = serde_json::from_value(before).unwrap();
    assert_eq!((read.arithmetic, read.target.clone()), (1, None));
}
