//! The phase against the drive signal over several recordings: what one showed of
//! a resonance says of the next, which shows nothing by itself, where the drive
//! stands. Against the virtual span, whose exact field knows its resonance.

use crate::bench::recordings::cut;
use crate::bench::run_folder::{RunFolder, code, stderr};
use crate::bench::setups::{demo, edited};

/// The demo's bench without force cell and drive accelerometer; the generator's signal
/// on the force cell's input.
fn setup() -> String {
    edited(
        &demo(),
        &[
            (
                "role = \"drive-force\"\nsource = \"bench\"\nindex = 2\nunit = \"N\"\nfull_scale = 200.0\nuncertainty_pct = 1.5\nphase_uncertainty_deg = 0.2\n",
                "role = \"drive-signal\"\nsource = \"bench\"\nindex = 2\n",
            ),
            ("role = \"drive-motion\"", "role = \"monitor\""),
        ],
    )
}

/// The part of a recording between two times, s.
fn part(bench: &RunFolder, from: &str, to: &str, seconds: std::ops::Range<usize>) {
    let from = bench.path(from);
    let rate_hz = hound::WavReader::open(&from).unwrap().spec().sample_rate as usize;
    let frames = seconds.start * rate_hz..seconds.end * rate_hz;
    cut(&from, &bench.path(to), frames);
}

fn verdicts(bench: &RunFolder, files: &[&str], out: &str) -> Vec<String> {
    let arguments = [&["reprocess", "setup.toml"], files, &["--out", out]].concat();
    let output = bench.spanhold(&arguments);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let points = bench.points(out).into_iter().map(|line| {
        let point: serde_json::Value = serde_json::from_str(&line).unwrap();
        println!("{}: {} {}", out, point["verdict"], point["reasons"]);
        point["verdict"].as_str().unwrap().to_owned()
    });
    points.collect()
}

#[test]
fn what_one_recording_showed_of_a_resonance_holds_for_the_next() {
    let bench = RunFolder::with_setup(&setup());
    let output = bench.spanhold(&[
        "rehearse",
        "setup.toml",
        "--out",
        "whole",
        "--harmonics",
        "9",
        "--seconds",
        "75",
    ]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    // The one has the span ring up, the other begins long after.
    part(&bench, "whole/setup.wav", "1-first.wav", 0..40);
    part(&bench, "whole/setup.wav", "2-later.wav", 45..70);
    assert_eq!(verdicts(&bench, &["2-later.wav"], "alone"), ["steady"]);
    assert_eq!(verdicts(&bench, &["1-first.wav"], "first"), ["held"]);
    assert_eq!(
        verdicts(&bench, &["1-first.wav", "2-later.wav"], "both"),
        ["held", "held"]
    );
    // What would have to be known first comes too late.
    part(&bench, "whole/setup.wav", "0-later.wav", 45..70);
    assert_eq!(
        verdicts(&bench, &["0-later.wav", "1-first.wav"], "before"),
        ["steady", "held"]
    );
}
