//! Files that are no setup, however long: refused soon, and in few words.

use super::{BENCH, message};
use spanhold::setup;
use std::fmt::Write as _;
use std::time::{Duration, Instant};

/// Generous for a busy machine; without limits these files took half a minute
/// or never ended.
const SOON: Duration = Duration::from_secs(10);

/// The refusal of a text, which comes soon.
#[track_caller]
fn refused_soon(text: &str) -> Vec<setup::Fault> {
    let start = Instant::now();
    let faults = setup::parse(text, "bench.toml").unwrap_err().faults;
    assert!(start.elapsed() < SOON, "{:?}", start.elapsed());
    faults
}

#[test]
fn fifty_unknown_keys_are_told_and_the_rest_is_counted() {
    let unknown = |count: usize| {
        let mut text = BENCH.to_owned();
        text.push_str("[limits]\n");
        for number in 0..count {
            let _ = writeln!(text, "no_such_{number} = 1");
        }
        text
    };
    let faults = refused_soon(&unknown(50));
    assert_eq!(faults.len(), 50);
    assert!(
        faults
            .iter()
            .all(|fault| fault.wrong == "there is no such key")
    );

    let faults = refused_soon(&unknown(60_000));
    assert_eq!(faults.len(), 51);
    let line = BENCH.lines().count() + 52;
    assert_eq!(
        faults[50].wrong,
        "59950 more faults of the same kind begin here"
    );
    assert_eq!(faults[50].line, Some(line));
}

#[test]
fn lines_that_are_no_toml_are_counted_likewise() {
    let faults = refused_soon(&"= = =\n".repeat(150_000));
    assert_eq!(faults.len(), 51);
    refused_soon(&"= ".repeat(500_000));
    refused_soon(&"[".repeat(1_000_000));
    refused_soon(&format!("a = {}", "[".repeat(1_000_000)));
    refused_soon(&format!("a = {}", "{a=".repeat(300_000)));
    refused_soon(&format!("{} = 1", "a.".repeat(500_000)));
    refused_soon(&format!("{} = 1", "a".repeat(1_000_000)));
}

#[test]
fn more_sections_than_any_bench_has() {
    let text = "[[channel]]\n".repeat(80_000);
    let faults = refused_soon(&text);
    let too_many = faults
        .iter()
        .find(|fault| fault.wrong == "there are 80000 sections [[channel]]")
        .unwrap();
    assert_eq!(too_many.line, Some(1025));
    assert_eq!(too_many.right, "at most 1024");

    let sources = "[[source]]\nname = \"a\"\nkind = \"wav\"\n".repeat(65);
    assert!(message(&sources).contains("there are 65 sections [[source]]; at most 64 is right"));
}

#[test]
fn a_file_that_is_too_long() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.toml");
    let padded = |bytes: usize| format!("{BENCH}\n{}", "#".repeat(bytes - BENCH.len() - 1));
    std::fs::write(&path, padded(1 << 20)).unwrap();
    setup::load(&path).unwrap();
    std::fs::write(&path, padded((1 << 20) + 1)).unwrap();
    assert_eq!(
        setup::load(&path).unwrap_err().to_string(),
        format!(
            "{}: is longer than 1048576 bytes; a setup file is right",
            path.display()
        )
    );
}

#[test]
#[cfg(unix)]
fn what_is_no_file_is_not_opened() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).unwrap();
    for path in [pipe.as_path(), "/dev/zero".as_ref(), folder.path()] {
        assert_eq!(
            setup::load(path).unwrap_err().to_string(),
            format!(
                "{}: cannot be read: it is no regular file; a readable setup file is right",
                path.display()
            )
        );
    }
}
