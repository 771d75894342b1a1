//! What a laboratory does to a capture: each a clear message and a defined
//! exit code.

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::os::unix::process::CommandExt as _;
use std::process::Command;
use std::thread;
use std::time::Duration;

use ndarray::Array2;
use nix::sys::signal::Signal;
use spanhold::ingest::frames::FrameWriter;
use spanhold::ingest::wav::WavReader;
use spanhold::setup::SampleFormat;

use crate::bench::captured::{announced, demo, ended, setup};
use crate::bench::line::{Cable, Device, Line};
use crate::bench::run_folder::RunFolder;
use crate::bench::setups::ANTINODE_AND_NODE;

const SOON: Duration = Duration::from_secs(30);
const QUICK: [&str; 2] = ["--connect-seconds", "2"];

fn fails(bench: &RunFolder, run: &str, arguments: &[&str], code: i32, says: &[&str]) {
    let (got, _, log) = bench.capture(run, arguments).end(SOON);
    assert_eq!(got, Some(code), "{log}");
    for part in says {
        assert!(log.contains(part), "{part:?} is not in:\n{log}");
    }
}

#[test]
fn a_port_that_is_not_there() {
    let line = Line::new();
    let setup = setup().replace("PORT", "/dev/ttyNOWHERE");
    let bench = RunFolder::on_line(&setup, &line);
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
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 1.0, u64::MAX);
    let mut first = bench.capture("run", &[]);
    first.wait_for("Session 1 begins", SOON);
    fails(&bench, "run", &QUICK, 2, &["another spanhold", "run.lock"]);
    fails(
        &bench,
        "other",
        &QUICK,
        3,
        &["another program uses the port"],
    );
    first.signal(Signal::SIGTERM);
    assert_eq!(first.end(SOON).0, Some(0));
}

/// Permissions do not bind a privileged user: somebody else has to try.
fn as_nobody(bench: &RunFolder, arguments: &[&str]) -> (Option<i32>, String) {
    let program = bench.path("spanhold");
    std::fs::copy(assert_cmd::cargo::cargo_bin!("spanhold"), &program).unwrap();
    let open = std::fs::Permissions::from_mode(0o755);
    std::fs::set_permissions(bench.root(), open).unwrap();
    let mut command = Command::new(program);
    command.current_dir(bench.root()).args(arguments);
    if nix::unistd::geteuid().is_root() {
        command.uid(65_534).gid(65_534);
    }
    let output = command.output().unwrap();
    let text = String::from_utf8_lossy(&output.stderr).into_owned();
    (output.status.code(), text)
}

#[test]
fn a_folder_and_a_port_without_permission() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    std::fs::create_dir(bench.path("locked")).unwrap();
    std::fs::create_dir(bench.path("open")).unwrap();
    let mode = std::fs::Permissions::from_mode;
    std::fs::set_permissions(bench.path("locked"), mode(0o555)).unwrap();
    std::fs::set_permissions(bench.path("open"), mode(0o777)).unwrap();
    std::fs::set_permissions(&line.port, mode(0o000)).unwrap();
    for (run, code, says) in [
        ("locked/run", 2, "cannot create the folder"),
        ("open/run", 3, "give this user the right to use the port"),
    ] {
        let (got, text) = as_nobody(&bench, &["capture", "setup.toml", "--out", run]);
        assert_eq!(got, Some(code), "{text}");
        assert!(text.contains(says), "{text}");
    }
    let port = line.port.to_str().unwrap();
    let (code, text) = as_nobody(&bench, &["rehearse", "setup.toml", "--to", port]);
    assert_eq!(code, Some(3), "{text}");
    assert!(text.contains("right to use the port"), "{text}");
}

#[test]
fn silence_and_noise_on_the_line() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
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
    let wide = RunFolder::on_line(&setup().replace("index = 1", "index = 7"), &line);
    fails(&wide, "run", &QUICK, 3, &["2 channels", "the setup uses 8"]);
    let fast = RunFolder::on_line(
        &setup().replace("rate_hz = 1000.0", "rate_hz = 2000.0"),
        &line,
    );
    fails(&fast, "run", &QUICK, 3, &["1000 Hz", "2000 Hz"]);
}

#[test]
fn a_disk_that_fills_up_is_a_clear_stop() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
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

/// A disk of its own, as long as this lives.
#[cfg(target_os = "linux")]
struct SmallDisk(std::path::PathBuf);

#[cfg(target_os = "linux")]
impl SmallDisk {
    /// `None` where this user may not mount anything.
    fn new(folder: std::path::PathBuf, size: &str) -> Option<Self> {
        std::fs::create_dir(&folder).unwrap();
        let mounted = Self::mount(&folder, nix::mount::MsFlags::empty(), size);
        mounted.then_some(Self(folder))
    }

    fn grow(&self, size: &str) {
        assert!(Self::mount(&self.0, nix::mount::MsFlags::MS_REMOUNT, size));
    }

    fn mount(folder: &std::path::Path, flags: nix::mount::MsFlags, size: &str) -> bool {
        let options = format!("size={size}");
        let tmpfs = Some("tmpfs");
        nix::mount::mount(tmpfs, folder, tmpfs, flags, Some(options.as_str())).is_ok()
    }
}

#[cfg(target_os = "linux")]
impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = nix::mount::umount2(&self.0, nix::mount::MntFlags::MNT_DETACH);
    }
}

/// Nobody watched the space: the disk itself says no, in the middle of a write.
#[test]
#[cfg(target_os = "linux")]
fn a_disk_that_is_full_to_the_last_byte() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let Some(disk) = SmallDisk::new(bench.path("disk"), "1m") else {
        println!("skipped: this user may not mount a small disk");
        return;
    };
    let _device = Device::start(&line, 12.0, u64::MAX);
    let arguments = ["--keep-free-mb", "0", "--split-seconds", "60"];
    let mut capture = bench.capture("disk/run", &arguments);
    capture.wait_for("Point 1 is on disk", SOON);
    capture.wait_for("No space left", SOON);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(3), "{log}");
    // Whichever file it is that finds no room first.
    let remedies = ["make room and start again", "free some space or name"];
    assert!(remedies.iter().any(|remedy| log.contains(remedy)), "{log}");
    let announced = announced(&log);
    let logged = bench.points("disk/run").len() as u64;
    assert!(announced.iter().all(|point| *point <= logged), "{log}");
    for path in bench.recordings("disk/run") {
        WavReader::open(&[path]).unwrap();
    }
    // With room it goes on, and the recordings give the whole run again.
    disk.grow("64m");
    let mut capture = bench.capture("disk/run", &arguments);
    capture.wait_for(&format!("Point {} is on disk", logged + 2), SOON);
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert_eq!(bench.reprocess("disk/run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again"), bench.points("disk/run"));
}

#[test]
fn a_device_that_announces_something_else() {
    let cable = Cable::new();
    let device = RunFolder::on_line(&demo(400), &cable.far);
    let player = device.rehearse(&cable.near, &[]);
    let other = demo(400)
        .replace("full_scale = 490.3325", "full_scale = 98.0665")
        .replace("name = \"node\"", "name = \"the node\"");
    let bench = RunFolder::on_line(&other, &cable.far);
    let says = "announces a full scale of 490.3325 m/s2, the setup says 98.0665 m/s2";
    let mut check = bench.command(&["check", "setup.toml", "--seconds", "3"]);
    let text = check.output().unwrap();
    let text = String::from_utf8_lossy(&text.stdout).into_owned();
    assert!(text.contains(says), "{text}");
    let mut capture = bench.capture("run", &[]);
    capture.wait_for(says, SOON);
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    let pid = nix::unistd::Pid::from_raw(player.id().cast_signed());
    nix::sys::signal::kill(pid, Signal::SIGTERM).unwrap();
    assert_eq!(ended(player).0, Some(0));
}

#[test]
fn a_device_that_comes_back_as_another() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let mut device = line.device();
    thread::spawn(move || {
        for channels in [2_u16, 3] {
            let id = u32::from(channels);
            let mut writer = FrameWriter::new(SampleFormat::I24, channels, 1000.0, id);
            for _ in 0..150 {
                let mut bytes = Vec::new();
                let silence = Array2::zeros((usize::from(channels), 20));
                writer.write(silence.view(), &mut bytes).unwrap();
                if device.write_all(&bytes).is_err() {
                    return;
                }
                thread::sleep(Duration::from_millis(20));
            }
        }
    });
    fails(
        &bench,
        "run",
        &[],
        3,
        &["now sends 3 channels", "2 of i24", "start a new run"],
    );
    let recorded = WavReader::open(&bench.recordings("run")).unwrap();
    assert!(recorded.total_frames() > Some(2_000));
}

#[test]
fn a_run_folder_that_is_removed() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 5.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    std::fs::remove_dir_all(bench.path("run")).unwrap();
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(3), "{log}");
    assert!(log.contains("was removed"), "{log}");
}

#[test]
fn a_recording_that_is_removed() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 5.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    std::fs::remove_file(bench.recordings("run").last().unwrap()).unwrap();
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(3), "{log}");
    assert!(log.contains("was removed"), "{log}");
}

/// The samples and points do not depend on anybody reading the log.
#[test]
fn a_log_that_cannot_be_written() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 5.0, u64::MAX);
    let mut capture = bench
        .command(&["capture", "setup.toml", "--out", "run"])
        .stderr(std::fs::File::create("/dev/full").unwrap())
        .spawn()
        .unwrap();
    let points = bench.path("run/points.jsonl");
    let until = std::time::Instant::now() + SOON;
    while std::fs::read(&points).is_ok_and(|text| text.is_empty()) || !points.exists() {
        assert_eq!(capture.try_wait().unwrap(), None);
        assert!(std::time::Instant::now() < until, "no point");
        thread::sleep(Duration::from_millis(20));
    }
    nix::sys::signal::kill(
        nix::unistd::Pid::from_raw(capture.id().cast_signed()),
        Signal::SIGINT,
    )
    .unwrap();
    assert_eq!(capture.wait().unwrap().code(), Some(0));
    assert!(bench.read("run", "run.json").contains("\"stopped\""));
}

/// A device that stops sending is said after ten seconds, in the log and in
/// the run, and so is its coming back.
#[test]
fn a_device_that_falls_silent() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 5.0, 3_000);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("has sent no sample for 1", SOON);
    capture.signal(Signal::SIGINT);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert!(log.contains("is the device on, and the cable in?"), "{log}");
    assert!(bench.read("run", "events.jsonl").contains("\"silence\""));
    let folder = bench.path("run").display().to_string();
    let verified = bench.spanhold(&["verify", &folder]);
    assert_eq!(verified.status.code(), Some(0));
}

#[test]
fn a_setup_of_recordings_is_sent_to_reprocess() {
    let line = Line::new();
    let bench = RunFolder::on_line(ANTINODE_AND_NODE, &line);
    fails(&bench, "run", &[], 2, &["\"bench\"", "reprocess"]);
}
