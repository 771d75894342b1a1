//! Memory does not grow with the length of a hold (design, section 8): one
//! dwell of more than an hour, of which `hold.max_seconds = 3600` makes one point.

use std::process::{Child, Stdio};
use std::thread;
use std::time::Duration;

use crate::bench::run_folder::{RunFolder, code, stderr};
use crate::bench::setups::{demo, edited};
use crate::memory::peak_kb;

const MOST_KB: u64 = 100_000;

/// Waits for the end; exit code and peak memory. The last reading is at most
/// ten milliseconds older than the end.
fn ended_with_peak(mut child: Child) -> (Option<i32>, u64) {
    let mut peak = 0;
    loop {
        peak = peak_kb(child.id()).unwrap_or(peak);
        if let Some(status) = child.try_wait().unwrap() {
            return (status.code(), peak);
        }
        thread::sleep(Duration::from_millis(10));
    }
}

fn an_hour_at(rate_hz: u32) {
    let setup = edited(
        &demo(),
        &[
            (
                "# [hold] is left at its defaults.",
                "[hold]\nmax_seconds = 3600.0",
            ),
            ("rate_hz = 220.0", &format!("rate_hz = {rate_hz}.0")),
        ],
    );
    let folder = RunFolder::with_setup(&setup);
    let dwell = ["--harmonics", "12", "--seconds", "3640"];
    let made = folder.spanhold(&[&["rehearse", "setup.toml", "--out", "."][..], &dwell].concat());
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let reprocess = ["reprocess", "setup.toml", "setup.wav", "--out", "run"];
    let child = folder
        .command(&reprocess)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let (code, peak_kb) = ended_with_peak(child);
    assert_eq!(code, Some(0));
    let first: serde_json::Value = serde_json::from_str(&folder.points("run")[0]).unwrap();
    let second = |key: &str| first[key].as_f64().unwrap();
    let hold_s = second("end_s") - second("start_s");
    println!("{rate_hz} Hz: a hold of {hold_s:.0} s, {peak_kb} kB at most");
    // Of the last 3600 s only whole pieces of the fit are kept.
    assert!((3400.0..=3600.5).contains(&hold_s), "{hold_s} s");
    assert_eq!(first["verdict"], "held", "{first}");
    assert!(peak_kb < MOST_KB, "{peak_kb} kB for a hold of {hold_s} s");
}

#[test]
fn an_hour_at_a_low_rate_stays_small() {
    an_hour_at(220);
}

#[test]
#[ignore = "takes half a minute of processor time: seven million frames"]
fn an_hour_at_2_khz_stays_small() {
    an_hour_at(2000);
}
