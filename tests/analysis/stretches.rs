//! Recordings as a bench has them: one a resonance, in a folder, in any order,
//! with or without times. Signals are invented; what the program makes of them
//! is compared with what it makes of each recording alone, and with layouts of
//! chunks written here after EBU Tech 3285.

use std::f64::consts::TAU;
use std::path::PathBuf;

use serde_json::Value;

use crate::bench::run_folder::{RunFolder, code, repository, stderr, stdout};
use crate::bench::setups::{ANTINODE_AND_NODE as SETUP, edited};

const RATE_HZ: u32 = 1000;

struct Bench(RunFolder);

/// Date, time of day, and samples since midnight, as a header has them.
type Begin = (&'static str, &'static str, u64);

/// How a recording is written.
#[derive(Clone, Copy)]
struct Form {
    rate_hz: u32,
    bits: u16,
}

const USUAL: Form = Form {
    rate_hz: RATE_HZ,
    bits: 24,
};

impl Bench {
    fn new(setup: &str) -> Self {
        Self(RunFolder::with_setup(setup))
    }

    /// A steady tone from `from_s` to `to_s` of one and the same signal: antinode
    /// 200 mm/s peak, node 20 mm/s peak in quadrature.
    fn record(&self, name: &str, hz: f64, from_s: u32, to_s: u32, form: Form) -> PathBuf {
        let path = self.0.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: form.rate_hz,
            bits_per_sample: form.bits,
            sample_format: hound::SampleFormat::Int,
        };
        let mut wav = hound::WavWriter::create(&path, spec).unwrap();
        let full_scale = f64::from((1_i32 << (form.bits - 1)) - 1);
        for frame in from_s * form.rate_hz..to_s * form.rate_hz {
            let t_s = f64::from(frame) / f64::from(form.rate_hz);
            for (channel, peak, phase) in [(0, 0.2, 0.0), (1, 0.02, 0.25 * TAU)] {
                let noise = 1e-4 * scatter(u64::from(frame) * 2 + channel);
                let value = peak * (TAU * hz * t_s + phase).cos() + noise;
                wav.write_sample((value * full_scale) as i32).unwrap();
            }
        }
        wav.finalize().unwrap();
        path
    }

    /// A recording of 40 s with a `bext` chunk: date, time, samples since midnight.
    fn record_at(&self, name: &str, hz: f64, from_s: u32, to_s: u32, at: (&str, &str, u64)) {
        let path = self.record(name, hz, from_s, to_s, USUAL);
        insert_chunk(&path, *b"bext", &bext(at));
    }

    fn reprocess(&self, arguments: &[&str]) -> std::process::Output {
        self.0
            .spanhold(&[&["reprocess", "setup.toml"], arguments].concat())
    }

    #[track_caller]
    fn run(&self, out: &str, files: &[&str]) -> String {
        let output = self.reprocess(&[files, &["--out", out]].concat());
        assert_eq!(code(&output), 0, "{}", stderr(&output));
        stderr(&output)
    }

    fn points(&self, run: &str) -> Vec<Value> {
        let text = self.0.read(run, "points.jsonl");
        text.lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    }

    fn record_of(&self, run: &str) -> Value {
        serde_json::from_str(&self.0.read(run, "run.json")).unwrap()
    }

    fn names(&self, run: &str) -> Vec<String> {
        let record = self.record_of(run);
        let files = record["sources"][0]["files"].as_array().unwrap();
        let path = |file: &Value| PathBuf::from(file["path"].as_str().unwrap());
        let name = |path: PathBuf| path.file_name().unwrap().to_string_lossy().into_owned();
        files.iter().map(|file| name(path(file))).collect()
    }
}

/// −1..1, without a period that matters (SplitMix64).
fn scatter(index: u64) -> f64 {
    let mut z = (index + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 52) as f64 - 1.0
}

/// Puts a chunk in front of the samples.
fn insert_chunk(path: &std::path::Path, name: [u8; 4], body: &[u8]) {
    let mut bytes = std::fs::read(path).unwrap();
    let mut chunk = name.to_vec();
    chunk.extend(u32::try_from(body.len()).unwrap().to_le_bytes());
    chunk.extend(body);
    bytes.splice(12..12, chunk);
    let riff = u32::try_from(bytes.len() - 8).unwrap();
    bytes[4..8].copy_from_slice(&riff.to_le_bytes());
    std::fs::write(path, bytes).unwrap();
}

/// EBU Tech 3285, version 1: 602 bytes before the coding history.
fn bext((date, time, sample_of_day): (&str, &str, u64)) -> Vec<u8> {
    let mut body = vec![0; 602];
    body[..8].copy_from_slice(b"invented");
    body[320..330].copy_from_slice(date.as_bytes());
    body[330..338].copy_from_slice(time.as_bytes());
    body[338..346].copy_from_slice(&sample_of_day.to_le_bytes());
    body[346] = 1;
    body
}

/// All files of a run that rest on the samples.
const RESULTS: [&str; 5] = [
    "points.jsonl",
    "evidence.jsonl",
    "events.jsonl",
    "trace.csv",
    "points.csv",
];

#[test]
fn no_hold_reaches_over_the_seam_of_two_recordings() {
    // One tone without a break in it: as one recording it is one dwell of 60 s;
    // as two, nobody knows what was between them.
    let bench = Bench::new(SETUP);
    bench.record("a.wav", 12.3, 0, 30, USUAL);
    bench.record("b.wav", 12.3, 30, 60, USUAL);
    let said = bench.run("apart", &["a.wav", "b.wav"]);
    assert!(said.contains("2 recordings, each for itself"), "{said}");
    let points = bench.points("apart");
    assert_eq!(points.len(), 2);
    for (point, name) in points.iter().zip(["a.wav", "b.wav"]) {
        assert_eq!(point["recording"], name);
        let number = |key: &str| point[key].as_f64().unwrap();
        let (start_s, end_s) = (number("recording_start_s"), number("end_s"));
        assert!(start_s >= 0.0 && end_s - number("start_s") + start_s <= 30.0);
    }
    let joined = Bench::new(&edited(SETUP, &[("rate_hz = 1000.0", "continues = true")]));
    joined.record("a.wav", 12.3, 0, 30, USUAL);
    joined.record("b.wav", 12.3, 30, 60, USUAL);
    joined.run("joined", &["b.wav", "a.wav"]);
    assert_eq!(joined.points("joined").len(), 1);
    for run in [(&bench, "apart"), (&joined, "joined")] {
        let verified = run.0.0.spanhold(&["verify", run.1]);
        assert_eq!(code(&verified), 0, "{}", stdout(&verified));
    }
}

#[test]
fn a_recording_gives_the_same_in_company_as_alone() {
    let bench = Bench::new(SETUP);
    let recordings = [("r2.wav", 12.3), ("r10.wav", 16.1), ("r9.wav", 20.5)];
    for (nth, (name, hz)) in recordings.into_iter().enumerate() {
        // Lengths that are no whole number of hops.
        bench.record(name, hz, 0, 40 + nth as u32, USUAL);
    }
    bench.run("all", &["r2.wav", "r9.wav", "r10.wav"]);
    assert_eq!(bench.names("all"), ["r2.wav", "r9.wav", "r10.wav"]);
    let together = bench.points("all");
    assert_eq!(together.len(), 3);
    let close = |a: &Value, b: &Value, key: &str, tolerance: f64| {
        let (a, b) = (a[key].as_f64().unwrap(), b[key].as_f64().unwrap());
        assert!(
            (a - b).abs() <= tolerance * b.abs().max(1.0),
            "{key}: {a} {b}"
        );
    };
    for point in &together {
        let name = point["recording"].as_str().unwrap();
        let run = format!("only-{name}");
        bench.run(&run, &[name]);
        let alone = bench.points(&run);
        assert_eq!(alone.len(), 1);
        assert_eq!(alone[0]["recording"], name);
        assert_eq!(alone[0]["verdict"], point["verdict"]);
        for key in [
            "frequency_hz",
            "antinode_velocity_mm_s",
            "iswr",
            "iswr_u",
            "recording_start_s",
        ] {
            // To the rounding of times.
            close(point, &alone[0], key, 1e-9);
        }
    }
}

#[test]
fn the_order_in_which_recordings_are_named_makes_no_difference() {
    let bench = Bench::new(SETUP);
    for (name, hz) in [("x1.wav", 12.3), ("x2.wav", 16.1), ("x10.wav", 20.5)] {
        bench.record(name, hz, 0, 35, USUAL);
    }
    bench.run("first", &["x1.wav", "x2.wav", "x10.wav"]);
    let orders = [
        ["x10.wav", "x2.wav", "x1.wav"],
        ["x2.wav", "x10.wav", "x1.wav"],
        ["x10.wav", "x1.wav", "x2.wav"],
    ];
    for (nth, order) in orders.iter().enumerate() {
        let run = format!("order{nth}");
        bench.run(&run, order);
        for name in RESULTS {
            assert_eq!(
                bench.0.read(&run, name),
                bench.0.read("first", name),
                "{name}"
            );
        }
    }
    let log = bench.0.read("first", "events.jsonl");
    assert_eq!(log.matches("\"recording\"").count(), 3, "{log}");
}

#[test]
fn times_in_the_headers_put_recordings_in_order_and_date_the_test() {
    let setup = edited(SETUP, &[("rate_hz = 1000.0", "utc_offset = \"+05:30\"")]);
    let bench = Bench::new(&setup);
    // By name they would stand the other way about.
    bench.record_at("b.wav", 12.3, 0, 35, ("2024-05-06", "10:11:12", 0));
    bench.record_at("a.wav", 20.5, 0, 35, ("2024:05:06", "10-31-00", 0));
    let said = bench.run("run", &["a.wav", "b.wav"]);
    assert!(said.contains("order of their start times"), "{said}");
    assert_eq!(bench.names("run"), ["b.wav", "a.wav"]);
    let record = bench.record_of("run");
    assert_eq!(record["sources"][0]["ordered_by"], "start-time");
    assert_eq!(
        record["sources"][0]["files"][0]["begun"],
        "2024-05-06 10:11:12"
    );
    assert_eq!(record["sources"][0]["start_utc"], "2024-05-06T04:41:12Z");
    // The second one by its own clock, not by the run's count.
    let points = bench.points("run");
    let from_s = points[1]["recording_start_s"].as_f64().unwrap();
    let label = points[1]["start_utc"].as_str().unwrap();
    let label: jiff::Timestamp = label.parse().unwrap();
    let begun: jiff::Timestamp = "2024-05-06T05:01:00Z".parse().unwrap();
    let apart_s = label.duration_since(begun).as_secs_f64();
    assert!((apart_s - from_s).abs() < 0.002, "{apart_s} {from_s}");
    // Without the offset the times order, and label nothing.
    let plain = Bench::new(SETUP);
    plain.record_at("b.wav", 12.3, 0, 35, ("2024-05-06", "10:11:12", 0));
    plain.record_at("a.wav", 20.5, 0, 35, ("2024-05-06", "10:31:00", 0));
    plain.run("run", &["a.wav", "b.wav"]);
    assert_eq!(plain.names("run"), ["b.wav", "a.wav"]);
    assert_eq!(plain.points("run")[0]["start_utc"], Value::Null);
    let report = plain.0.spanhold(&["report", "run"]);
    assert_eq!(code(&report), 0, "{}", stderr(&report));
    let page = plain.0.read("run", "report.html");
    assert!(page.contains("2024-05-06 10:11:12"), "no date of the test");
}

#[test]
fn recordings_that_join_by_their_count_of_samples_are_one() {
    let day = 86_400 * u64::from(RATE_HZ);
    let cases: [(&str, [Begin; 2], usize); 5] = [
        (
            "to the sample",
            [
                ("2024-05-06", "10:00:00", 36_000_000),
                ("2024-05-06", "10:00:30", 36_030_000),
            ],
            1,
        ),
        (
            "over midnight",
            [
                ("2024-05-06", "23:59:50", day - 10_000),
                ("2024-05-07", "00:00:20", 20_000),
            ],
            1,
        ),
        (
            "a tenth of a second is missing",
            [
                ("2024-05-06", "10:00:00", 36_000_000),
                ("2024-05-06", "10:00:30", 36_030_100),
            ],
            2,
        ),
        (
            "whole seconds join, no count",
            [("2024-05-06", "10:00:00", 0), ("2024-05-06", "10:00:30", 0)],
            2,
        ),
        (
            "the count of another day",
            [
                ("2024-05-06", "10:00:00", 36_000_000),
                ("2024-05-07", "10:00:30", 36_030_000),
            ],
            2,
        ),
    ];
    for (what, [first, second], expected) in cases {
        let bench = Bench::new(SETUP);
        bench.record_at("z.wav", 12.3, 0, 30, first);
        bench.record_at("a.wav", 12.3, 30, 60, second);
        bench.run("run", &["a.wav", "z.wav"]);
        assert_eq!(bench.names("run"), ["z.wav", "a.wav"], "{what}");
        assert_eq!(bench.points("run").len(), expected, "{what}");
    }
}

#[test]
fn times_that_cannot_be_are_said_and_not_used() {
    let bench = Bench::new(SETUP);
    // A clock that was never set: the same for each.
    bench.record_at("n2.wav", 12.3, 0, 30, ("2000-01-01", "00:00:00", 0));
    bench.record_at("n10.wav", 16.1, 0, 30, ("2000-01-01", "00:00:00", 0));
    let said = bench.run("same", &["n10.wav", "n2.wav"]);
    assert!(said.contains("same time, which cannot be"), "{said}");
    assert_eq!(bench.names("same"), ["n2.wav", "n10.wav"]);
    // No date at all.
    let bench = Bench::new(SETUP);
    bench.record_at("n2.wav", 12.3, 0, 30, ("0000-00-00", "00:00:00", 0));
    bench.record_at("n10.wav", 16.1, 0, 30, ("2000-13-41", "25:61:00", 7));
    let said = bench.run("none", &["n10.wav", "n2.wav"]);
    assert!(said.contains("order of their names"), "{said}");
    assert_eq!(
        bench.record_of("none")["sources"][0]["files"][0]["begun"],
        Value::Null
    );
    // One inside the other.
    let bench = Bench::new(SETUP);
    bench.record_at("n2.wav", 12.3, 0, 30, ("2024-05-06", "10:00:10", 0));
    bench.record_at("n10.wav", 16.1, 0, 30, ("2024-05-06", "10:00:00", 0));
    let said = bench.run("over", &["n2.wav", "n10.wav"]);
    assert!(
        said.contains("begins before") && said.contains("n2.wav"),
        "{said}"
    );
    assert_eq!(bench.points("over").len(), 2);
    // One has a time, the other none.
    let bench = Bench::new(SETUP);
    bench.record_at("n2.wav", 12.3, 0, 30, ("2024-05-06", "10:00:10", 0));
    bench.record("n10.wav", 16.1, 0, 30, USUAL);
    let said = bench.run("half", &["n10.wav", "n2.wav"]);
    assert!(said.contains("does not say when it was begun"), "{said}");
    assert_eq!(bench.names("half"), ["n2.wav", "n10.wav"]);
}

#[test]
fn a_folder_stands_for_the_recordings_in_it() {
    let bench = Bench::new(SETUP);
    for (name, hz) in [("day/n1.wav", 12.3), ("day/n2.WAV", 16.1)] {
        bench.record(name, hz, 0, 30, USUAL);
    }
    bench.record("day/old/n3.wav", 20.5, 0, 30, USUAL);
    let other = |name: &str| std::fs::write(bench.0.path(name), "invented").unwrap();
    other("day/notes.txt");
    other("day/._n1.wav");
    let said = bench.run("run", &["day"]);
    assert!(said.contains("1 folder in it"), "{said}");
    assert!(said.contains("2 files that are no recordings"), "{said}");
    assert_eq!(bench.names("run"), ["n1.wav", "n2.WAV"]);
    assert_eq!(bench.points("run").len(), 2);
    let verified = bench.0.spanhold(&["verify", "run"]);
    assert_eq!(code(&verified), 0, "{}", stdout(&verified));
    let audit = bench.0.spanhold(&["audit", "run", "--point", "2"]);
    assert_eq!(code(&audit), 0, "{}", stderr(&audit));
    // From the samples of the right recording: logged and recomputed agree.
    let text = stdout(&audit);
    assert!(!text.contains("No samples"), "{text}");
    // Moved as a whole it can still be verified.
    std::fs::rename(bench.0.path("day"), bench.0.path("moved")).unwrap();
    std::fs::rename(bench.0.path("moved"), bench.0.path("run/recordings")).unwrap();
    let verified = bench.0.spanhold(&["verify", "run"]);
    assert_eq!(code(&verified), 0, "{}", stdout(&verified));

    std::fs::create_dir(bench.0.path("empty")).unwrap();
    let refused = bench.reprocess(&["empty", "--out", "none"]);
    assert_eq!(code(&refused), 2);
    assert!(
        stderr(&refused).contains("no recording"),
        "{}",
        stderr(&refused)
    );
}

#[test]
fn among_many_the_faulty_ones_are_named_all_at_once() {
    let bench = Bench::new(SETUP);
    for nth in 0..12 {
        bench.record(&format!("day/n{nth}.wav"), 12.3, 0, 2, USUAL);
    }
    std::fs::write(bench.0.path("day/n3.wav"), "").unwrap();
    std::fs::write(bench.0.path("day/n7.wav"), "no WAV at all").unwrap();
    let refused = bench.reprocess(&["day", "--out", "run"]);
    assert_eq!(code(&refused), 2);
    let said = stderr(&refused);
    for name in ["2 recordings", "n3.wav", "n7.wav"] {
        assert!(said.contains(name), "{said}");
    }
    assert!(!bench.0.path("run").exists());
    // Cut short, what is whole of it is used, and it is said.
    let bench = Bench::new(SETUP);
    bench.record("day/n1.wav", 12.3, 0, 40, USUAL);
    let cut = bench.record("day/n2.wav", 16.1, 0, 40, USUAL);
    let bytes = std::fs::read(&cut).unwrap();
    std::fs::write(&cut, &bytes[..bytes.len() * 3 / 4]).unwrap();
    // A header without a frame.
    bench.record("day/n3.wav", 16.1, 0, 0, USUAL);
    bench.record("day/n4.wav", 20.5, 0, 40, USUAL);
    let said = bench.run("run", &["day"]);
    assert!(
        said.contains("n2.wav") && said.contains("the end is missing"),
        "{said}"
    );
    assert_eq!(bench.points("run").len(), 3);
    let verified = bench.0.spanhold(&["verify", "run"]);
    assert_eq!(code(&verified), 0, "{}", stdout(&verified));
}

#[test]
fn recordings_of_other_rates_and_widths_are_read_each_for_itself() {
    let bench = Bench::new(&edited(SETUP, &[("rate_hz = 1000.0\n", "")]));
    let forms = [(1000, 24), (2000, 16), (1600, 32)];
    for (nth, (rate_hz, bits)) in forms.into_iter().enumerate() {
        let hz = 12.3 + 4.0 * nth as f64;
        bench.record(&format!("n{nth}.wav"), hz, 0, 40, Form { rate_hz, bits });
    }
    bench.run("run", &["n2.wav", "n0.wav", "n1.wav"]);
    let points = bench.points("run");
    assert_eq!(points.len(), 3);
    for (point, hz) in points.iter().zip([12.3, 16.3, 20.3]) {
        let number = |key: &str| point[key].as_f64().unwrap();
        assert!((number("frequency_hz") - hz).abs() < 1e-3);
        assert!((number("iswr") - 0.1).abs() < 1e-3, "{point}");
    }
    let verified = bench.0.spanhold(&["verify", "run"]);
    assert_eq!(code(&verified), 0, "{}", stdout(&verified));
    // Where the setup states the rate, the one that differs is named.
    let strict = Bench::new(SETUP);
    strict.record("n0.wav", 12.3, 0, 40, USUAL);
    let other = Form {
        rate_hz: 2000,
        ..USUAL
    };
    strict.record("n1.wav", 16.3, 0, 40, other);
    let refused = strict.reprocess(&["n0.wav", "n1.wav", "--out", "run"]);
    assert_eq!(code(&refused), 2);
    assert!(stderr(&refused).contains("n1.wav"), "{}", stderr(&refused));
}

/// The demo of the README: the bench without a force cell, a recording a resonance,
/// bare and damped, each read in one command.
#[test]
fn the_bench_without_a_force_cell_comes_to_its_verdict_from_two_folders() {
    let folder = RunFolder::empty();
    let config = |name: &str| repository(name).display().to_string();
    let read = |setup: &str, recordings: &str, out: &str, more: &[&str]| {
        let (setup, recordings) = (config(setup), config(recordings));
        let first = ["reprocess", &setup, &recordings, "--out", out];
        let arguments = [&first[..], more].concat();
        let output = folder.spanhold(&arguments);
        (code(&output), stdout(&output), stderr(&output))
    };
    let (bare, _, said) = read(
        "config/short-bare.toml",
        "recordings/short-bare",
        "bare",
        &[],
    );
    assert_eq!(bare, 0, "{said}");
    let (damped, table, said) = read(
        "config/short-damped.toml",
        "recordings/short-damped",
        "run",
        &["--baseline", "bare"],
    );
    assert_eq!(damped, 0, "{said}{table}");
    assert!(table.contains("PASS"), "{table}");
    for (run, name) in [("bare", "short-bare"), ("run", "short-damped")] {
        let truth =
            std::fs::read_to_string(repository(&format!("recordings/{name}/{name}.truth.jsonl")))
                .unwrap();
        let points = folder.read(run, "points.jsonl");
        let points: Vec<Value> = points
            .lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect();
        assert_eq!(points.len(), truth.lines().count());
        for (point, truth) in points.iter().zip(truth.lines()) {
            let truth: Value = serde_json::from_str(truth).unwrap();
            assert_eq!(point["recording"], truth["recording"]);
            assert_eq!(point["verdict"], "steady");
            let number = |from: &Value, key: &str| from[key].as_f64().unwrap();
            let error = number(point, "iswr") - number(&truth, "iswr");
            assert!(error.abs() <= 1.5 * number(point, "iswr_u"), "{point}");
        }
        let verified = folder.spanhold(&["verify", run]);
        assert_eq!(code(&verified), 0, "{}", stdout(&verified));
    }
}
