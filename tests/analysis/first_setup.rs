//! `spanhold new`: from answers to a setup that the other commands take.

use std::io::Write as _;
use std::path::Path;
use std::process::{Command, Output, Stdio};

use crate::bench::run_folder::{code, stderr, stdout};

fn new(folder: &Path, answers: &str) -> Output {
    let mut child = Command::new(assert_cmd::cargo::cargo_bin!("spanhold"))
        .current_dir(folder)
        .args(["new", "bench.toml"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut input = child.stdin.take().unwrap();
    // Where the file is there already nobody reads the answers.
    let _ = input.write_all(answers.as_bytes());
    drop(input);
    child.wait_with_output().unwrap()
}

/// An invented bench with two accelerometers and a gauge; the diameter is typed
/// in metres and with a comma first.
const ANSWERS: &str = "Invented trial\ninvented damper\ninvented conductor\n0,0218\n0.0218\n21.8\n.98\n\n\n36\n18\n0.95\n\n\n200\n\n\n490.3325\n1\n\ndamper\n1000\n";

#[test]
fn the_answers_make_a_setup_that_can_be_planned_with() {
    let folder = tempfile::tempdir().unwrap();
    let made = new(folder.path(), ANSWERS);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    assert!(stdout(&made).contains("Next: `spanhold plan bench.toml`"));
    let said = stderr(&made);
    assert!(
        said.contains("the decimal sign is a point: write 0.0218"),
        "{said}"
    );
    assert!(
        said.contains("a diameter from 1 to 1000 mm is right"),
        "{said}"
    );
    let text = std::fs::read_to_string(folder.path().join("bench.toml")).unwrap();
    for line in [
        "diameter_mm = 21.8 ",
        "mass_kg_per_m = 0.98 ",
        "# rated_strength_kn = ",
    ] {
        assert!(text.contains(line), "{line}\n{text}");
    }
    let plan = Command::new(assert_cmd::cargo::cargo_bin!("spanhold"))
        .current_dir(folder.path())
        .args(["plan", "bench.toml"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert_eq!(code(&plan), 0, "{}", stderr(&plan));
    // A second one does not take its place.
    let again = new(folder.path(), ANSWERS);
    assert_eq!(code(&again), 2);
    assert!(stderr(&again).contains("bench.toml is there already"));
    assert_eq!(
        std::fs::read_to_string(folder.path().join("bench.toml")).unwrap(),
        text
    );
}

#[test]
fn answers_that_end_too_soon_write_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let made = new(folder.path(), "Invented trial\n");
    assert_eq!(code(&made), 2);
    assert!(stderr(&made).contains("nothing was written"));
    assert!(!folder.path().join("bench.toml").exists());
}
