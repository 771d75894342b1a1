//! `spanhold rehearse --to`: the program's own device on a serial line.

use std::io::Read as _;
use std::process::Child;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use serde_json::Value;
use spanhold::ingest::frames::{Announcement, Frame, FrameDecoder};
use spanhold::setup::SampleFormat;

use crate::bench::captured::{assert_same_samples, demo, ended, setup};
use crate::bench::finished_run::matched_trial;
use crate::bench::line::{Cable, Device, Line};
use crate::bench::run_folder::{RunFolder, repository};
use crate::bench::setups::on_line;

const SOON: Duration = Duration::from_mins(1);

#[test]
fn what_is_captured_is_what_was_played() {
    let cable = Cable::new();
    let bench = RunFolder::on_line(&demo(400), &cable.far);
    let capture = bench.capture("run", &["--connect-seconds", "30"]);
    let player = bench.rehearse(&cable.near, &["--out", "sweep", "--harmonics", "22"]);
    let (code, text, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    assert!(text.contains("behind real time"), "{text}");
    assert_eq!(errors, "", "quiet where nobody watches");
    thread::sleep(Duration::from_secs(1));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    for complaint in ["not clean", "samples missing", "announces"] {
        assert!(!log.contains(complaint), "{log}");
    }
    assert_same_samples(&bench.recordings("run"), &bench.path("sweep/setup.wav"));
    let points = bench.points("run");
    assert!(points.len() == 1 && points[0].contains("\"held\""), "{log}");
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again"), points);
}

/// A live capture by fixed sensors that were matched: it carries the matching along, tells node
/// and antinode by their waves, and its recordings give the same points.
#[test]
fn matched_fixed_sensors_are_captured_live() {
    let cable = Cable::new();
    let folder = tempfile::tempdir().unwrap();
    let setup = on_line(&matched_trial(folder.path()));
    let bench = RunFolder::on_line(&setup, &cable.far);
    let matching = std::fs::read(folder.path().join("sensors.match")).unwrap();
    std::fs::write(bench.path("sensors.match"), &matching).unwrap();
    let capture = bench.capture("run", &["--connect-seconds", "30"]);
    let player = bench.rehearse(&cable.near, &["--harmonics", "13"]);
    let until = Instant::now() + SOON;
    let state = loop {
        let status = bench.spanhold(&["status", "run", "--json"]);
        let state: Value = serde_json::from_slice(&status.stdout).unwrap_or_default();
        if state["place"]["by"] == "waves" && state["reading"]["settled"] == true {
            break state;
        }
        assert!(Instant::now() < until, "{state:#}");
        thread::sleep(Duration::from_millis(100));
    };
    assert!(state["place"]["from_drive_end_u_mm"].as_f64().unwrap() < 20.0);
    let current = |mark: &&Value| mark["current"] == true;
    let marks = state["harmonics"].as_array().unwrap();
    assert_eq!(marks.iter().find(current).unwrap()["harmonic"], 13);
    let (code, _, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    thread::sleep(Duration::from_secs(1));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");

    let points = bench.points("run");
    assert!(points.len() == 1 && points[0].contains("\"held\""), "{log}");
    let record: Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["matching"]["path"], "sensors.match");
    assert_eq!(
        std::fs::read(bench.path("run/sensors.match")).unwrap(),
        matching
    );
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again"), points);
    let verified = bench.spanhold(&["verify", "run"]);
    assert_eq!(verified.status.code(), Some(0));
}

/// The bare run that is named tells the map of the plan and the places of the sensors, as it
/// tells `plan`; the points are the same without it.
#[test]
fn a_bare_run_tells_where_the_harmonics_are_while_tuning() {
    let cable = Cable::new();
    let bench = RunFolder::on_line(&demo(400), &cable.far);
    let bare = ["config/bare-trial.toml", "recordings/bare-trial.wav"];
    let [setup, recording] = bare.map(|file| repository(file).display().to_string());
    let made = bench.spanhold(&["reprocess", &setup, &recording, "--out", "bare"]);
    assert_eq!(made.status.code(), Some(0));
    let planned = bench.spanhold(&["plan", "setup.toml", "--bare", "bare", "--json"]);
    let planned: Value = serde_json::from_slice(&planned.stdout).unwrap();
    let capture = bench.capture("run", &["--bare", "bare", "--connect-seconds", "30"]);
    let player = bench.rehearse(&cable.near, &["--harmonics", "22"]);
    let until = Instant::now() + SOON;
    let state = loop {
        let status = bench.spanhold(&["status", "run", "--json"]);
        let state: Value = serde_json::from_slice(&status.stdout).unwrap_or_default();
        if state["place"]["from_drive_end_u_mm"].is_number() {
            break state;
        }
        assert!(Instant::now() < until, "{state:#}");
        thread::sleep(Duration::from_millis(100));
    };
    let (code, _, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));

    let harmonics = |value: &Value, key: &str| -> Vec<(u64, f64)> {
        let all = value["harmonics"].as_array().unwrap().iter();
        all.map(|h| (h["harmonic"].as_u64().unwrap(), h[key].as_f64().unwrap()))
            .collect()
    };
    let shown = harmonics(&state, "planned_hz");
    assert_eq!(shown, harmonics(&planned, "frequency_hz"));
    let stated = bench.spanhold(&["plan", "setup.toml", "--json"]);
    let stated: Value = serde_json::from_slice(&stated.stdout).unwrap();
    assert_ne!(shown, harmonics(&stated, "frequency_hz"));
    // The places are better known, too.
    let hz = format!("{:.3}", state["reading"]["frequency_hz"].as_f64().unwrap());
    let stated = bench.spanhold(&["plan", "setup.toml", "--at", &hz, "--json"]);
    let stated: Value = serde_json::from_slice(&stated.stdout).unwrap();
    let stated_mm = stated["places"][0]["from_drive_end_u_mm"].as_f64().unwrap();
    let shown_mm = state["place"]["from_drive_end_u_mm"].as_f64().unwrap();
    assert!(shown_mm < 0.6 * stated_mm, "{shown_mm} mm, {stated_mm} mm");
    let points = bench.points("run");
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again"), points);

    let refused = bench.spanhold(&["capture", "setup.toml", "--out", "no", "--bare", "none"]);
    assert_eq!(refused.status.code(), Some(2));
    assert!(!bench.path("no").exists());
}

/// What came out of a line, decoded.
struct Heard {
    announcements: Vec<Announcement>,
    /// Sample counter after the last frame; every frame joined on.
    frames: u64,
    decoder: FrameDecoder,
    took: Duration,
}

/// Reads a line until nothing has come for a second after the player's end.
fn hear(line: &Line, player: &mut Child) -> Heard {
    let began = Instant::now();
    let mut heard = Heard {
        announcements: Vec::new(),
        frames: 0,
        decoder: FrameDecoder::default(),
        took: Duration::ZERO,
    };
    let (sender, receiver) = std::sync::mpsc::channel();
    let mut device = line.device();
    thread::spawn(move || {
        let mut bytes = vec![0; 4096];
        while let Ok(length) = device.read(&mut bytes) {
            if sender.send(bytes[..length].to_vec()).is_err() {
                return;
            }
        }
    });
    let mut ended = false;
    loop {
        match receiver.recv_timeout(Duration::from_secs(1)) {
            Ok(bytes) => {
                heard.took = began.elapsed();
                let (announcements, frames) = (&mut heard.announcements, &mut heard.frames);
                heard.decoder.push(&bytes, |frame| match frame {
                    Frame::Announcement(announcement) => announcements.push(announcement),
                    Frame::Samples(samples) => {
                        assert_eq!(samples.header.first_sample, *frames);
                        assert_eq!(samples.header.sample_format, SampleFormat::I16);
                        *frames += samples.frames();
                    }
                });
            }
            Err(_) if ended => return heard,
            Err(_) => ended = player.try_wait().unwrap().is_some(),
        }
    }
}

const SHORT: [&str; 7] = [
    "--harmonics",
    "22",
    "--seconds",
    "2",
    "--paused",
    "--format",
    "i16",
];

#[test]
fn the_stream_is_the_protocol_in_real_time() {
    let line = Line::new();
    let bench = RunFolder::on_line(&demo(1000), &line);
    // A clock that is slow by a tenth.
    let arguments = [&SHORT[..], &["--clock-ppm", "-100000"]].concat();
    let mut player = bench.rehearse(&line, &arguments);
    let heard = hear(&line, &mut player);
    let (code, text, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    let counts = heard.decoder.counts();
    assert_eq!((counts.corrupt, counts.malformed), (0, 0));
    let nominal_s = heard.frames as f64 / 1000.0;
    assert!(text.contains(&format!("{nominal_s:.1} s")), "{text}");
    // Never ahead of its clock, but for the first frame, 20 ms.
    let took_s = heard.took.as_secs_f64();
    assert!(took_s > nominal_s / 0.9 - 0.05, "{took_s} {nominal_s}");
    // At the start and once a second.
    assert_eq!(heard.announcements.len(), nominal_s.ceil() as usize);
    let first = &heard.announcements[0];
    assert!(heard.announcements.iter().all(|other| other == first));
    assert_eq!(first.channels.len(), 6);
    let antinode = &first.channels[0];
    assert_eq!(
        (antinode.name.as_str(), antinode.unit.as_str()),
        ("antinode", "m/s2")
    );
    assert!((antinode.full_scale - 490.3325).abs() < 1e-9);
}

#[test]
fn a_stop_finishes_the_frame_and_what_was_recorded() {
    let line = Line::new();
    let bench = RunFolder::on_line(&demo(1000), &line);
    let arguments = ["--out", "part", "--format", "i16"];
    let mut player = bench.rehearse(&line, &arguments);
    let pid = Pid::from_raw(player.id().cast_signed());
    thread::spawn(move || {
        thread::sleep(Duration::from_secs(4));
        kill(pid, Signal::SIGTERM).unwrap();
    });
    let heard = hear(&line, &mut player);
    let (code, text, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    assert!(text.contains("broken off"), "{text}");
    let counts = heard.decoder.counts();
    assert_eq!((counts.corrupt, counts.malformed), (0, 0));
    let recorded = hound::WavReader::open(bench.path("part/setup.wav")).unwrap();
    assert!(heard.frames > 0);
    assert_eq!(u64::from(recorded.duration()), heard.frames);
}

#[test]
fn a_line_that_nobody_reads_is_said_and_left_on_request() {
    let line = Line::new();
    let bench = RunFolder::on_line(&demo(2000), &line);
    let player = bench.rehearse(&line, &[]);
    thread::sleep(Duration::from_secs(6));
    let asked = Instant::now();
    kill(Pid::from_raw(player.id().cast_signed()), Signal::SIGTERM).unwrap();
    let (code, _, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    assert!(errors.contains("nobody reads yet"), "{errors}");
    assert!(asked.elapsed() < Duration::from_secs(5));
}

#[test]
fn ports_and_sources_that_cannot_be_played() {
    let line = Line::new();
    let refuses = |setup: &str, port: &str, code: i32, says: &[&str]| {
        let bench = RunFolder::on_line(setup, &line);
        let output = bench
            .command(&["rehearse", "setup.toml", "--to", port])
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(code), "{text}");
        for part in says {
            assert!(text.contains(part), "{part:?} is not in: {text}");
        }
    };
    let demo = demo(1000);
    let nowhere = "/dev/ttyNOWHERE";
    refuses(&demo, nowhere, 3, &[nowhere, "plug the device in"]);
    refuses(&demo, "/dev/null", 3, &["/dev/null", "no serial port"]);
    // 6 × 3 bytes × 1000 Hz are 18 000 bytes a second without any framing.
    let slow = demo.replace("921600", "9600");
    refuses(&slow, nowhere, 2, &["9600 baud are too slow", "at least"]);
    let wav = demo.replace("\"serial\"\nport = \"PORT\"\nbaud = 921600", "\"wav\"");
    refuses(&wav, nowhere, 2, &["\"bench\"", "kind = \"serial\""]);
    let more = "[[source]]\nname = \"gauges\"\nkind = \"serial\"\nport = \"/dev/ttyOTHER\"\n\
                baud = 921600\n[[channel]]\nname = \"gauge\"\nrole = \"clamp-strain\"\n\
                source = \"gauges\"\nindex = 0\nunit = \"um/m\"\nfull_scale = 1000.0\n\
                location = \"damper\"\n";
    let two = format!("{demo}\n{more}");
    refuses(&two, nowhere, 2, &["bench, gauges", "--source"]);
    // Its port tells the source.
    refuses(&two, "/dev/ttyOTHER", 3, &["plug the device in"]);
    // In use.
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 1.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Session 1 begins", SOON);
    let port = line.port.to_str().unwrap();
    refuses(&demo, port, 3, &[port, "another program uses the port"]);
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
}
