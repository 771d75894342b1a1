//! A whole sweep in real time, from the program's own device over a line to
//! its points: what is held live is what is true, and what the recordings give.

use std::thread;
use std::time::Duration;

use nix::sys::signal::Signal;

use crate::bench::captured::{assert_same_samples, demo, ended};
use crate::bench::line::Cable;
use crate::bench::run_folder::RunFolder;

const SOON: Duration = Duration::from_mins(1);

#[test]
#[ignore = "takes ten minutes: a whole sweep in real time"]
fn a_rehearsed_sweep_in_real_time() {
    let cable = Cable::new();
    let bench = RunFolder::on_line(&demo(2000), &cable.far);
    let mut capture = bench.capture("run", &["--connect-seconds", "60"]);
    let played = ["--out", "sweep", "--clock-ppm", "150"];
    let player = bench.rehearse(&cable.near, &played);
    let (code, text, errors) = ended(player);
    assert_eq!(code, Some(0), "{errors}");
    eprintln!("{}", text.lines().next().unwrap());
    capture.wait_for("Point 20 is on disk", SOON);
    thread::sleep(Duration::from_secs(2));
    capture.signal(Signal::SIGTERM);
    let (code, _, log) = capture.end(SOON);
    assert_eq!(code, Some(0), "{log}");
    assert_same_samples(&bench.recordings("run"), &bench.path("sweep/setup.wav"));
    // Every dwell of the truth, and nothing else.
    let count = |text: &str, what: &str| text.lines().filter(|line| line.contains(what)).count();
    let points = bench.read("run", "points.jsonl");
    let truth = bench.read("sweep", "setup.truth.jsonl");
    let held = count(&points, "\"verdict\":\"held\"");
    eprintln!("{held} held of {} dwells", truth.lines().count());
    assert!(
        held >= 10 && held == count(&truth, "\"expected\":\"held\""),
        "{points}"
    );
    assert_eq!(bench.reprocess("run", "again").status.code(), Some(0));
    assert_eq!(bench.read("again", "points.jsonl"), points);
    // The clock of the device, as it was set and as it was found.
    let sum = log.lines().find(|line| line.contains("The link in sum"));
    let sum: serde_json::Value = serde_json::from_str(sum.unwrap()).unwrap();
    let part = |name: &str| sum[name].as_f64().unwrap();
    let (offset, u) = (part("offset_ppm"), part("offset_u_ppm"));
    eprintln!("the device's clock: {offset} ppm ± {u} ppm, set to 150 ppm");
    // Both are rounded to 1 ppm; k = 2 leaves one run in twenty outside.
    assert!((offset - 150.0).abs() <= 2.0 * u + 1.0, "{sum}");
}
