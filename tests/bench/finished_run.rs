//! A finished run in which everything occurs, as the program makes it.

use std::path::Path;

use spanhold::ingest::sidecar::{SIDECAR_VERSION, Sidecar, sidecar_path};
use spanhold::setup::SampleFormat;

use super::recordings::cut;
use super::run_folder::{code, spanhold, stderr};

/// Makes `run`, reduced against `bare` and reported, in a folder: dwells held,
/// off the peak, and with the drive cut in them (a free decay), a gap before
/// them (an event), a start time; curve and strain criteria; a note, and a point that
/// was excluded.
pub fn make(folder: &Path) {
    let path = |name: &str| folder.join(name).display().to_string();
    let setup = "config/damped-trial.toml";
    let faults = ["--harmonics", "10,13", "--faults=drive-cut,off-peak"];
    run(&[&["rehearse", setup, "--out", &path("made")][..], &faults].concat());
    let recordings = with_a_gap(&path("made/damped-trial.wav"), folder);
    let bare = ["config/bare-trial.toml", "recordings/bare-trial.wav"];
    run(&[&["reprocess"][..], &bare, &["--out", &path("bare")]].concat());
    let [first, second] = recordings.each_ref().map(String::as_str);
    let out = ["--out", &path("run"), "--baseline", &path("bare")];
    run(&[&["reprocess", setup, first, second][..], &out].concat());
    let note = ["note", &path("run"), "--by", "A. Name", "--point"];
    run(&[&note[..], &["1", "the wind was at the door"]].concat());
    run(&[&note[..], &["2", "--exclude", "somebody leant on the span"]].concat());
    run(&["reduce", &path("run"), "--baseline", &path("bare")]);
    run(&["report", &path("run")]);
}

/// Cuts a recording in two with some frames missing between, and a start time.
fn with_a_gap(recording: &str, folder: &Path) -> [String; 2] {
    let recording = Path::new(recording);
    let frames = hound::WavReader::open(recording).unwrap().duration() as usize;
    // The drive is off at the very beginning: the gap cuts no dwell.
    let parts = [(0, 200), (300, frames)];
    parts.map(|(from, to)| {
        let path = folder.join(format!("part-{from}.wav"));
        let spec = cut(recording, &path, from..to);
        let rate_hz = f64::from(spec.sample_rate);
        let start: jiff::Timestamp = "2026-03-04T05:06:07Z".parse().unwrap();
        let since = jiff::SignedDuration::from_secs_f64(from as f64 / rate_hz);
        let sidecar = Sidecar {
            version: SIDECAR_VERSION,
            source: "bench".into(),
            rate_hz,
            channels: usize::from(spec.channels),
            sample_format: SampleFormat::I24,
            clip_level: Some(1.0),
            start_index: from as u64,
            start_utc: Some(start + since),
            calibration: Vec::new(),
            gaps: Vec::new(),
            frames: None,
            blake3: None,
        };
        std::fs::write(sidecar_path(&path), serde_json::to_vec(&sidecar).unwrap()).unwrap();
        path.display().to_string()
    })
}

/// The demo that is read by three fixed sensors, its setup wherever it lies.
pub fn fixed_trial() -> String {
    let curves = std::fs::canonicalize("config/curves").unwrap();
    std::fs::read_to_string("config/fixed-trial.toml")
        .unwrap()
        .replace("\"curves/", &format!("\"{}/", curves.display()))
}

/// The same with a matching of its sensors, which this makes in the folder: `sensors.match`.
pub fn matched_trial(folder: &Path) -> String {
    let path = |name: &str| folder.join(name).display().to_string();
    let text = fixed_trial();
    let at_one_place = ["30.69", "34.40"].iter().fold(text.clone(), |text, place| {
        text.replace(&format!("position_m = {place}"), "position_m = 32.50")
    });
    std::fs::write(path("at-one-place.toml"), at_one_place).unwrap();
    let (setup, made) = (path("at-one-place.toml"), path("side-by-side"));
    let harmonics = ["--harmonics", "7,9,11,13"];
    run(&[&["rehearse", &setup, "--out", &made][..], &harmonics].concat());
    let recording = path("side-by-side/at-one-place.wav");
    run(&["match", &setup, &recording, "--out", &path("sensors.match")]);
    format!("matching = \"sensors.match\"\n{text}")
}

/// Makes `matched` in a folder: a run that is read by three fixed sensors, whose gain and phase
/// a matching says that the run carries along.
pub fn make_matched(folder: &Path) {
    let path = |name: &str| folder.join(name).display().to_string();
    std::fs::write(path("matched.toml"), matched_trial(folder)).unwrap();
    let (setup, out) = (path("matched.toml"), path("matched"));
    run(&[
        "reprocess",
        &setup,
        "recordings/fixed-trial.wav",
        "--out",
        &out,
    ]);
}

fn run(arguments: &[&str]) {
    let output = spanhold(arguments);
    assert!(code(&output) < 2, "{arguments:?}: {}", stderr(&output));
}
