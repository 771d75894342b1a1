//! An hour of the program's own device in real time, over a line: what the
//! capture holds does not grow, and it stays abreast of the bench.

use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::Signal;

use crate::bench::captured::{assert_same_samples, demo, ended};
use crate::bench::line::Cable;
use crate::bench::run_folder::RunFolder;

const SOON: Duration = Duration::from_mins(2);
const LOOK: Duration = Duration::from_secs(10);
/// Between the first quarter and the end, kB.
const GROWS_BY_KB: u64 = 15_000;
/// The trace is written every two seconds, and its last rows wait for the end
/// of a window.
const BEHIND_S: f64 = 6.0;

#[derive(Debug, Clone, Copy)]
struct Look {
    at_s: f64,
    resident_kb: u64,
    files: usize,
    behind_s: f64,
}

fn look(process: u32, run: &Path, began: Instant) -> Option<Look> {
    let status = std::fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let resident = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:"))?;
    let trace = std::fs::read_to_string(run.join("trace.csv")).ok()?;
    let (whole, _) = trace.rsplit_once('\n')?;
    let reached: f64 = whole.lines().next_back()?.split(',').next()?.parse().ok()?;
    let at_s = began.elapsed().as_secs_f64();
    Some(Look {
        at_s,
        resident_kb: resident.split_whitespace().next()?.parse().ok()?,
        files: std::fs::read_dir(format!("/proc/{process}/fd"))
            .ok()?
            .count(),
        behind_s: at_s - reached,
    })
}

#[test]
#[ignore = "takes an hour, or SPANHOLD_SOAK_SECONDS: six channels at 2 kHz in real time"]
fn an_hour_in_real_time_holds_no_more_than_its_first_quarter() {
    let seconds = std::env::var("SPANHOLD_SOAK_SECONDS").map_or(3600, |text| text.parse().unwrap());
    let harmonics = ["8", "10", "12", "14", "16", "18", "20", "22", "24"];
    let cable = Cable::new();
    let bench = RunFolder::on_line(&demo(2000), &cable.far);
    let mut capture = bench.capture("run", &["--connect-seconds", "60"]);
    let each = (seconds / harmonics.len() as u64)
        .saturating_sub(8)
        .max(30)
        .to_string();
    let what = [
        "--harmonics",
        &harmonics.join(","),
        "--seconds",
        &each,
        "--out",
        "played",
    ];
    let mut player = bench.rehearse(&cable.near, &what);
    capture.wait_for("Session 1 begins", SOON);
    let began = Instant::now();
    let mut looks = Vec::new();
    while player.try_wait().unwrap().is_none() {
        looks.extend(look(capture.id(), &bench.path("run"), began));
        thread::sleep(LOOK.min(Duration::from_secs(1 + seconds / 60)));
    }
    assert_eq!(ended(player).0, Some(0));
    thread::sleep(Duration::from_secs(2));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert_same_samples(&bench.recordings("run"), &bench.path("played/setup.wav"));
    let settled = &looks[looks.len() / 4..];
    for look in looks.iter().step_by((looks.len() / 24).max(1)) {
        println!(
            "{:6.0} s: {} kB, {} files open, {:.1} s behind",
            look.at_s, look.resident_kb, look.files, look.behind_s
        );
    }
    let (first, last) = (settled[0], settled[settled.len() - 1]);
    assert!(
        last.resident_kb <= first.resident_kb + GROWS_BY_KB,
        "{first:?} {last:?}"
    );
    assert!(
        settled.iter().all(|look| look.files <= first.files + 2),
        "{looks:?}"
    );
    assert!(
        settled.iter().all(|look| look.behind_s.abs() < BEHIND_S),
        "{looks:?}"
    );
}
