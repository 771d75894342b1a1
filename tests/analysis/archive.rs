//! `spanhold reprocess --archive`: many runs, restarted, interrupted, damaged, on any
//! number of threads.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant, SystemTime};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::bench::run_folder::{RunFolder, code, copy_folder, repository, stderr, stdout};

/// The demo's four runs, two of them bare, and one that is none, in the middle and out
/// of the order of who needs whom.
const LIST: &str = "\
# An invented archive.
run,setup,baseline,recordings
damped,config/damped-trial.toml,bare,recordings/damped-trial.wav
short bare,config/short-bare.toml,,recordings/short-bare
torn,config/bare-trial.toml,,torn.wav
bare,config/bare-trial.toml,,recordings/bare-trial.wav
short,config/short-damped.toml,short bare,recordings/short-damped/short-damped-01.wav,recordings/short-damped/short-damped-02.wav
";
const SOUND: [&str; 4] = ["damped", "short bare", "bare", "short"];

struct Archive(RunFolder);

impl Archive {
    fn new(list: &str) -> Self {
        let new = RunFolder::empty();
        copy_folder(&repository("config"), &new.path("config"));
        copy_folder(&repository("recordings"), &new.path("recordings"));
        std::fs::write(new.path("torn.wav"), "no recording").unwrap();
        std::fs::write(new.path("list.csv"), list).unwrap();
        Self(new)
    }

    fn command(&self, out: &str, threads: &str) -> Command {
        let arguments = [
            "reprocess",
            "--archive",
            "list.csv",
            "--out",
            out,
            "--threads",
            threads,
        ];
        self.0.command(&arguments)
    }

    fn reprocess(&self, out: &str, threads: &str) -> Output {
        self.command(out, threads).output().unwrap()
    }

    /// Begins, and comes back once the first run is done.
    fn begun(&self, out: &str) -> Child {
        let mut command = self.command(out, "2");
        command.stdout(Stdio::null()).stderr(Stdio::null());
        let child = command.spawn().unwrap();
        let begun = Instant::now();
        let done = |folder: PathBuf| {
            let record = std::fs::read(folder.join("run.json")).unwrap_or_default();
            let record: Result<serde_json::Value, _> = serde_json::from_slice(&record);
            record.is_ok_and(|record| record["state"] == "done")
        };
        while !std::fs::read_dir(self.0.path(out))
            .is_ok_and(|runs| runs.flatten().any(|run| done(run.path())))
        {
            assert!(begun.elapsed() < Duration::from_mins(1), "no run is done");
            std::thread::sleep(Duration::from_millis(2));
        }
        child
    }

    /// Every file of an archive by its path, but for clock times and where it is.
    fn files(&self, out: &str) -> BTreeMap<PathBuf, Vec<u8>> {
        let root = self.0.path(out);
        let mut files = BTreeMap::new();
        read_all(&root, &mut files);
        let name = format!("{out}/");
        files
            .into_iter()
            .filter_map(|(path, bytes)| {
                let file = path.file_name()?.to_str()?;
                let bytes = match file {
                    // They hold the time of the day, or a hash of it.
                    "report.html" | "results.jsonl" => return None,
                    "run.json" => without_times(&bytes),
                    _ => bytes,
                };
                let bytes = match String::from_utf8(bytes) {
                    Ok(text) => text.replace(&name, "").into_bytes(),
                    Err(error) => error.into_bytes(),
                };
                Some((path.strip_prefix(&root).unwrap().to_owned(), bytes))
            })
            .collect()
    }

    /// When the points of each run were written.
    fn written(&self, out: &str) -> Vec<SystemTime> {
        let at = |run: &&str| {
            let file = self.0.path(out).join(run).join("points.jsonl");
            file.metadata().unwrap().modified().unwrap()
        };
        SOUND.iter().map(at).collect()
    }

    /// Which runs were made since.
    fn anew(&self, out: &str, before: &[SystemTime]) -> Vec<bool> {
        let pairs = self.written(out).into_iter().zip(before);
        pairs.map(|(now, then)| now != *then).collect()
    }
}

fn read_all(folder: &Path, into: &mut BTreeMap<PathBuf, Vec<u8>>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            read_all(&path, into);
        } else {
            into.insert(path.clone(), std::fs::read(&path).unwrap());
        }
    }
}

fn without_times(json: &[u8]) -> Vec<u8> {
    let mut record: serde_json::Value = serde_json::from_slice(json).unwrap();
    for key in ["started_utc", "ended_utc", "record_blake3"] {
        record.as_object_mut().unwrap().remove(key).unwrap();
    }
    record.to_string().into_bytes()
}

fn states(archive: &Archive, out: &str) -> Vec<(String, String)> {
    let mut csv = csv::Reader::from_path(archive.0.path(out).join("archive.csv")).unwrap();
    csv.records()
        .map(|row| {
            let row = row.unwrap();
            (row[0].to_owned(), row[1].to_owned())
        })
        .collect()
}

#[test]
fn any_number_of_threads_makes_the_same_archive_and_a_torn_recording_stops_nothing() {
    let archive = Archive::new(LIST);
    let first = archive.reprocess("one", "1");
    assert_eq!(code(&first), 2, "{}", stderr(&first));
    let said = stderr(&first);
    assert!(
        said.contains("failed: torn: ") && said.contains("torn.wav"),
        "{said}"
    );
    assert!(
        said.contains("1 of 5 runs failed, the others are done"),
        "{said}"
    );
    let expected = archive.files("one");
    let wanted = ["damped", "short bare", "torn", "bare", "short"];
    for ((run, state), wanted) in states(&archive, "one").into_iter().zip(wanted) {
        assert_eq!(run, wanted, "the order of the list");
        assert_eq!(state, if run == "torn" { "failed" } else { "done" });
    }
    for run in SOUND {
        for kind in ["points", "trace"] {
            let table = PathBuf::from(format!("parquet/{kind}/{run}.parquet"));
            assert!(expected[&table].starts_with(b"PAR1"), "{run}");
        }
    }
    assert!(!expected.contains_key(Path::new("parquet/points/torn.parquet")));
    assert!(expected.contains_key(Path::new("damped/reduced.jsonl")));
    for threads in ["2", "3", "7"] {
        // A name that no folder above it ends with: it is taken out of what is compared.
        let out = format!("by-{threads}-threads");
        let output = archive.reprocess(&out, threads);
        let table = |output: &Output, out: &str| stdout(output).replace(&format!("{out}/"), "");
        assert_eq!(table(&output, &out), table(&first, "one"));
        assert_eq!(archive.files(&out), expected, "{threads} threads");
    }
    // What `reprocess` makes of one of them alone.
    let alone = [
        "reprocess",
        "config/bare-trial.toml",
        "recordings/bare-trial.wav",
        "--out",
        "alone",
    ];
    assert_eq!(code(&archive.0.spanhold(&alone)), 0);
    archive.0.assert_same_results("alone", "one/bare");
}

#[test]
fn what_is_done_is_done_again_only_where_something_changed() {
    let archive = Archive::new(LIST);
    archive.reprocess("out", "2");
    let before = archive.written("out");
    let files = archive.files("out");
    let again = archive.reprocess("out", "2");
    assert_eq!(code(&again), 2);
    assert_eq!(
        stdout(&again).matches("done, unchanged").count(),
        4,
        "{}",
        stdout(&again)
    );
    assert_eq!(archive.written("out"), before);
    assert_eq!(archive.files("out"), files);

    // The recording is mended, a setup altered: its run and what rests on it.
    let path = |name: &str| archive.0.path(name);
    std::fs::copy(path("recordings/bare-trial.wav"), path("torn.wav")).unwrap();
    let setup = std::fs::read_to_string(path("config/short-bare.toml")).unwrap();
    let tension = "tension_kn = 24.0";
    assert!(setup.contains(tension));
    std::fs::write(
        path("config/short-bare.toml"),
        setup.replace(tension, "tension_kn = 24.00"),
    )
    .unwrap();
    let reduced = archive.0.read("out/short", "reduction.json");
    let mended = archive.reprocess("out", "2");
    assert!(code(&mended) < 2, "{}", stderr(&mended));
    assert_eq!(
        archive.anew("out", &before),
        [false, true, false, false],
        "{SOUND:?}"
    );
    assert_ne!(archive.0.read("out/short", "reduction.json"), reduced);
    assert!(path("out/parquet/points/torn.parquet").exists());

    // A curve, a recording and a result of the run, one byte each.
    let before = archive.written("out");
    let curve = path("config/curves/example-curve.csv");
    let text = std::fs::read_to_string(&curve).unwrap();
    std::fs::write(&curve, format!("{text}\n")).unwrap();
    let wav = path("recordings/short-damped/short-damped-02.wav");
    let mut bytes = std::fs::read(&wav).unwrap();
    let last = bytes.len() - 2;
    bytes[last] ^= 1;
    std::fs::write(&wav, bytes).unwrap();
    let points = path("out/bare/points.jsonl");
    let lines = std::fs::read_to_string(&points).unwrap();
    std::fs::write(&points, lines.replacen("\"point\":1,", "\"point\":9,", 1)).unwrap();
    assert!(code(&archive.reprocess("out", "3")) < 2);
    assert_eq!(
        archive.anew("out", &before),
        [true, false, true, true],
        "{SOUND:?}"
    );
    assert_eq!(std::fs::read_to_string(&points).unwrap(), lines);
}

#[test]
fn an_archive_that_was_broken_off_is_gone_on_with() {
    let rows = (0..12)
        .map(|n| format!("run {n},config/damped-trial.toml,bare,recordings/damped-trial.wav\n"));
    let list = format!(
        "run,setup,baseline,recordings\n{}bare,config/bare-trial.toml,,recordings/bare-trial.wav\n",
        rows.collect::<String>()
    );
    let archive = Archive::new(&list);
    assert!(code(&archive.reprocess("whole", "2")) < 2);
    let expected = archive.files("whole");
    for (signal, out) in [(Signal::SIGKILL, "killed"), (Signal::SIGINT, "stopped")] {
        let mut child = archive.begun(out);
        kill(Pid::from_raw(child.id().cast_signed()), signal).unwrap();
        let status = child.wait().unwrap();
        let wanted = (signal == Signal::SIGINT).then_some(3);
        assert_eq!(status.code(), wanted, "it ended before it was told to");
        if wanted.is_some() {
            assert!(
                states(&archive, out)
                    .iter()
                    .any(|(_, state)| state == "open")
            );
        }
        let before: Vec<PathBuf> = (0..12)
            .map(|n| archive.0.path(&format!("{out}/run {n}/reduction.json")))
            .filter(|file| file.exists())
            .collect();
        assert!(before.len() < 12, "nothing was broken off");
        let output = archive.reprocess(out, "2");
        assert!(code(&output) < 2, "{}", stderr(&output));
        assert!(
            stdout(&output).contains("done, unchanged"),
            "{}",
            stdout(&output)
        );
        assert_eq!(archive.files(out), expected, "{signal}");
    }
}

#[test]
fn every_fault_of_a_list_is_named_with_its_line_before_anything_is_done() {
    let archive = Archive::new(
        "run,setup,baseline,recordings\n\
         a,config/bare-trial.toml,,recordings/bare-trial.wav\n\
         A,config/bare-trial.toml,,recordings/bare-trial.wav\n\
         ../b,config/bare-trial.toml,nowhere,\n\
         c,,c,x.wav\n",
    );
    let output = archive.reprocess("out", "2");
    assert_eq!(code(&output), 2);
    let said = stderr(&output);
    for fault in [
        "line 3: run \"A\" is in line 2 already",
        "line 4: run \"../b\": a name",
        "line 4: no recording is named",
        "line 4: baseline \"nowhere\" is neither",
        "line 5: no setup is named",
        "line 5: run \"c\" is its own baseline",
    ] {
        assert!(said.contains(fault), "{fault}\n{said}");
    }
    assert!(!archive.0.path("out").exists());
    std::fs::write(
        archive.0.path("list.csv"),
        "run;setup;baseline;recordings\n",
    )
    .unwrap();
    let said = stderr(&archive.reprocess("out", "2"));
    assert!(said.contains("separated by commas"), "{said}");
}
