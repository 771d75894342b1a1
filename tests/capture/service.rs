//! What a service manager and an operator do to a capture beside asking it to
//! stop: they wait for it, watch it, freeze it, and ask twice.

use std::os::unix::net::UnixDatagram;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use crate::bench::captured::setup;
use crate::bench::line::{Device, Line};
use crate::bench::run_folder::RunFolder;

const SOON: Duration = Duration::from_secs(30);

/// What is said over a socket until something is among it.
fn heard_until(socket: &UnixDatagram, what: &str) -> Vec<String> {
    let mut heard = Vec::new();
    let until = Instant::now() + SOON;
    socket
        .set_read_timeout(Some(Duration::from_secs(1)))
        .unwrap();
    while Instant::now() < until {
        let mut bytes = [0; 4096];
        let Ok(length) = socket.recv(&mut bytes) else {
            continue;
        };
        let text = String::from_utf8_lossy(&bytes[..length]).into_owned();
        heard.extend(text.lines().map(str::to_owned));
        if heard.iter().any(|line| line.starts_with(what)) {
            return heard;
        }
    }
    panic!("no {what} within {SOON:?}: {heard:?}");
}

/// The protocol of sd_notify(3): ready once devices deliver, alive more often
/// than the interval asks for, a status, stopping.
#[test]
fn a_service_manager_is_told_how_it_goes() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let socket = UnixDatagram::bind(bench.path("notify")).unwrap();
    let mut capture = bench
        .command(&["capture", "setup.toml", "--out", "run"])
        .env("NOTIFY_SOCKET", bench.path("notify"))
        .env("WATCHDOG_USEC", "900000")
        .spawn()
        .unwrap();
    // Not before there is a device.
    thread::sleep(Duration::from_millis(500));
    socket.set_nonblocking(true).unwrap();
    assert!(socket.recv(&mut [0; 64]).is_err(), "ready without a device");
    socket.set_nonblocking(false).unwrap();
    let _device = Device::start(&line, 1.0, u64::MAX);
    heard_until(&socket, "READY=1");
    for _ in 0..3 {
        let asked = Instant::now();
        heard_until(&socket, "WATCHDOG=1");
        let after = asked.elapsed();
        assert!(after < Duration::from_millis(900), "{after:?}");
    }
    let status = heard_until(&socket, "STATUS=");
    assert!(
        status.iter().any(|line| line.contains("harmonics")),
        "{status:?}"
    );
    let pid = Pid::from_raw(capture.id().cast_signed());
    kill(pid, Signal::SIGTERM).unwrap();
    heard_until(&socket, "STOPPING=1");
    assert_eq!(capture.wait().unwrap().code(), Some(0));
}

/// Frozen for longer than the line can hold what comes: the loss is a gap, and
/// the capture goes on.
#[test]
fn a_capture_that_was_frozen_goes_on_after_a_gap() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 4.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    capture.signal(Signal::SIGSTOP);
    thread::sleep(Duration::from_secs(3));
    capture.signal(Signal::SIGCONT);
    capture.wait_for("Point 3 is on disk", SOON);
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.points("again").first(), bench.points("run").first());
}

/// The second signal leaves at once with exit status 3; what was announced is
/// there, and the same command goes on.
#[test]
fn a_second_signal_leaves_at_once_and_loses_nothing_announced() {
    let line = Line::new();
    let bench = RunFolder::on_line(&setup(), &line);
    let _device = Device::start(&line, 4.0, u64::MAX);
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Point 1 is on disk", SOON);
    // Both wait for it, so that the second finds it on its way out.
    capture.signal(Signal::SIGSTOP);
    capture.signal(Signal::SIGTERM);
    capture.signal(Signal::SIGINT);
    capture.signal(Signal::SIGCONT);
    let announced = capture.announced();
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(3), "{log}");
    assert!(bench.points("run").len() >= announced.len());
    let mut capture = bench.capture("run", &[]);
    capture.wait_for("Going on with the run", SOON);
    capture.wait_for("Session 2 begins", SOON);
    capture.signal(Signal::SIGTERM);
    assert_eq!(capture.end(SOON).0, Some(0));
}
