//! The worked examples of the guide: its commands are run, and what they print is what
//! the page says.

use crate::bench::run_folder::{RunFolder, code, copy_folder, repository, stderr, stdout};

/// The blocks of a page that are fenced as `kind`.
fn blocks<'a>(page: &'a str, kind: &str) -> Vec<&'a str> {
    let opening = format!("\n```{kind}\n");
    page.split(&opening)
        .skip(1)
        .map(|block| block.split("```").next().unwrap())
        .collect()
}

/// Runs every command of a page in a folder with the demo's files; what each printed.
fn run(page: &str) -> Vec<String> {
    let bench = RunFolder::empty();
    for folder in ["config", "recordings"] {
        copy_folder(&repository(folder), &bench.path(folder));
    }
    // What the page on `compare` says of the third setup.
    let setup = std::fs::read_to_string(bench.path("config/damped-trial.toml")).unwrap();
    let moved = setup
        .replace("damper_position_m = 0.95 ", "damper_position_m = 0.97 ")
        .replace("curves/", "config/curves/");
    assert_ne!(moved, setup);
    std::fs::write(bench.path("moved.toml"), moved).unwrap();
    // And the page on `match` of its channels.
    let more = blocks(page, "toml").concat();
    std::fs::write(bench.path("at-one-place.toml"), setup + "\n" + &more).unwrap();
    let commands = blocks(page, "sh").concat();
    let mut printed = Vec::new();
    for command in commands.lines() {
        let mut words = command.split_whitespace();
        assert_eq!(words.next(), Some("spanhold"), "{command}");
        let words: Vec<&str> = words.collect();
        let output = bench.spanhold(&words);
        assert_eq!(code(&output), 0, "{command}: {}", stderr(&output));
        printed.push(stdout(&output));
    }
    printed
}

#[test]
fn the_guide_prints_what_compare_prints() {
    let page = include_str!("../../src/guide/compare.md");
    let printed = run(page);
    // The first block is how the command is called.
    assert_eq!(blocks(page, "text")[1..], [printed.last().unwrap()]);
}

#[test]
fn the_guide_prints_what_field_prints() {
    let page = include_str!("../../src/guide/field.md");
    let printed = run(page);
    let [.., first, second] = &printed[..] else {
        panic!("{printed:?}");
    };
    assert_eq!(blocks(page, "text")[1..], [first, second]);
}

#[test]
fn the_guide_prints_what_match_prints() {
    let page = include_str!("../../src/guide/matching.md");
    let printed = run(page);
    assert_eq!(blocks(page, "text")[1..], [printed.last().unwrap()]);
}
