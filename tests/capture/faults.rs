//! What a laboratory does to a capture: each a clear message and a defined
//! exit code.

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::thread;
use std::time::Duration;

use nix::sys::signal::Signal;

use super::bench::{Bench, Device, Line, SETUP};

const SOON: Duration = Duration::from_secs(30);
const QUICK: [&str; 2] = ["--connect-seconds", "2"];

fn fails(bench: &Bench, run: &str, arguments: &[&str], code: i32, says: &[&str]) {
    let (got, _, log) = bench.capture(run, arguments).end(SOON);
    assert_eq!(got, Some(code), "{log}");
    for part in says {
        assert!(log.contains(part), "{part:?} is not in:\n{log}");
    }
}

#[test]
fn a_port_that_is_not_there() {
    let line = Line::new();
    let setup = SETUP.replace("PORT", "/dev/ttyNOWHERE");
    let bench = Bench::new(&setup, &line);
    fails(
        &bench,
        "run",
        &QUICK,
        3,
        &["/dev/ttyNOWHERE", "plug the device in"],
    );
    // The folder says so too, and the next start goes on.
    assert!(bench.read("run", "run.json").contains("/dev/ttyNOWHERE"));
}

#[test]
fn a_port_and_a_run_folder_in_use() {
    let line = Line::new();
    let bench = Bench::new(SETUP, &line);
    let _device = Device::start(&line, 1.0, u64::MAX);
    let mut first = bench.capture("run", &[]);
    first.wait_for("Session 1 begins", SOON);
    fails(&bench, "run", &QUICK, 2, &["another spanhold", "run.lock"]);
    // Exclusive use of a port does not bind a privileged user.
    if !is_privileged(&bench) {
        fails(&bench, "other", &QUICK, 3, &["close it"]);
    }
    first.signal(Signal::SIGTERM);
    assert_eq!(first.end(SOON).0, Some(0));
}

fn is_privileged(bench: &Bench) -> bool {
    let locked = bench.path("locked");
    std::fs::create_dir_all(&locked).unwrap();
    std::fs::set_permissions(&locked, std::fs::Permissions::from_mode(0o555)).unwrap();
    std::fs::write(locked.join("probe"), "").is_ok()
}

#[test]
fn a_folder_without_permission() {
    let line = Line::new();
    let bench = Bench::new(SETUP, &line);
    // Permissions do not bind a privileged user; /proc refuses everybody.
    let run = if is_privileged(&bench) {
        "/proc/run"
    } else {
        "locked/run"
    };
    let output = bench
        .command(&["capture", "setup.toml", "--out", run])
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{text}");
    assert!(
        text.contains(run) && text.contains("cannot create the folder"),
        "{text}"
    );
}

#[test]
fn silence_and_noise_on_the_line() {
    let line = Line::new();
    let bench = Bench::new(SETUP, &line);
    fails(&bench, "silent", &QUICK, 3, &["nothing came", "cable"]);
    // A wrong baud rate is bytes that make no frame.
    let mut device = line.device();
    thread::spawn(move || {
        for n in 0_u64.. {
            let bytes: Vec<u8> = (0..40).map(|k| ((n * 40 + k) * 97 % 251) as u8).collect();
            if device.write_all(&bytes).is_err() {
                return;
            }
            thread::sleep(Duration::from_millis(5));
        }
    });
    fails(&bench, "noisy", &QUICK, 3, &["baud"]);
}

#[test]
fn a_wrong_channel_count_and_a_wrong_rate() {
    let line = Line::new();
    let _device = Device::start(&line, 1.0, u64::MAX);
    let wide = Bench::new(&SETUP.replace("index = 1", "index = 7"), &line);
    fails(&wide, "run", &QUICK, 3, &["2 channels", "the setup uses 8"]);
    let fast = Bench::new(
        &SETUP.replace("rate_hz = 1000.0", "rate_hz = 2000.0"),
        &line,
    );
    fails(&fast, "run", &QUICK, 3, &["1000 Hz", "2000 Hz"]);
}

#[test]
fn a_disk_that_fills_up_is_a_clear_stop() {
    let line = Line::new();
    let bench = Bench::new(SETUP, &line);
    let _device = Device::start(&line, 1.0, u64::MAX);
    let most = ["--keep-free-mb", "1000000000"];
    fails(
        &bench,
        "run",
        &most,
        3,
        &["MB are free", "start the same command again"],
    );
    let record: serde_json::Value = serde_json::from_str(&bench.read("run", "run.json")).unwrap();
    assert_eq!(record["state"], "failed");
}

#[test]
fn a_run_folder_that_is_removed() {
    let line = Line::new();
    let bench = Bench::new(SETUP, &line);
    let _device = Device::start(&line, 5.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    std::fs::remove_dir_all(bench.path("run")).unwrap();
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(3), "{log}");
    assert!(log.contains("was removed"), "{log}");
}

#[test]
fn a_setup_of_recordings_is_sent_to_reprocess() {
    let line = Line::new();
    let wav = SETUP.replace(
        "kind = \"serial\"\nport = \"PORT\"\nbaud = 921600",
        "kind = \"wav\"",
    );
    let bench = Bench::new(&wav, &line);
    fails(&bench, "run", &[], 2, &["\"bench\"", "reprocess"]);
}
