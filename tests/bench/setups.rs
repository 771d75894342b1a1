//! Setup texts that more than one test starts from. A text whose numbers a
//! test's arithmetic rests on stands in that test.

use super::run_folder::repository;

/// Antinode and node in mm/s, full scale 1 m/s, at 1000 Hz, from recordings.
pub const ANTINODE_AND_NODE: &str = r#"
[test]
title = "invented"
damper = "invented"
[conductor]
designation = "invented"
diameter_mm = 21.8
mass_kg_per_m = 0.98
[span]
length_m = 36.0
tension_kn = 18.0
damper_position_m = 0.95
drive_position_m = 1.3
[[source]]
name = "bench"
kind = "wav"
rate_hz = 1000.0
[[channel]]
name = "antinode"
role = "antinode"
source = "bench"
index = 0
unit = "mm/s"
full_scale = 1000.0
[[channel]]
name = "node"
role = "node"
source = "bench"
index = 1
unit = "mm/s"
full_scale = 1000.0
"#;

/// The demo's damped span without its criteria, whose curve lies beside it.
pub fn demo() -> String {
    let demo = std::fs::read_to_string(repository("config/damped-trial.toml")).unwrap();
    let (demo, _) = demo.split_once("[[criteria]]").unwrap();
    demo.to_owned()
}

/// The same to 50 Hz, further than its recording goes, at this rate.
pub fn demo_to_50_hz(low_hz: f64, rate_hz: u32) -> String {
    edited(
        &demo(),
        &[
            ("rate_hz = 220.0", &format!("rate_hz = {rate_hz}.0")),
            ("low_hz = 11.0", &format!("low_hz = {low_hz:?}")),
            ("high_hz = 27.0", "high_hz = 50.0"),
        ],
    )
}

/// Its recordings replaced by a serial line; `PORT` stands for the port.
pub fn on_line(setup: &str) -> String {
    let serial = "kind = \"serial\"\nport = \"PORT\"\nbaud = 921600";
    edited(setup, &[("kind = \"wav\"", serial)])
}

/// A text with some parts replaced, all of which have to be in it.
#[track_caller]
pub fn edited(text: &str, edits: &[(&str, &str)]) -> String {
    let mut text = text.to_owned();
    for (from, to) in edits {
        assert!(text.contains(from), "{from:?} is not in:\n{text}");
        text = text.replace(from, to);
    }
    text
}
