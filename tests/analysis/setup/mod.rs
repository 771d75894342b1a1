//! The setup file as its user meets it: what is right is taken as written,
//! what is wrong is named with its line, its key and what would be right.

mod accepted;
mod complete;
mod criteria;
mod mutations;
mod ranges;
mod refused_bench;
mod refused_text;
mod refused_wiring;
mod report;
mod too_much;
mod warned;

use spanhold::setup;

/// The example of the design document, section 4, as it stands there.
const DESIGN: &str = include_str!("design.toml");

/// A whole bench without fault or warning. The tests name its lines by number.
const BENCH: &str = include_str!("bench.toml");

/// [`BENCH`] with some lines, counted from 1, replaced. To keep the numbers of
/// the lines after it, a replacement is one line; `#` drops a line.
fn bench_with(edits: &[(usize, &str)]) -> String {
    let mut lines: Vec<&str> = BENCH.lines().collect();
    for (number, replacement) in edits {
        lines[number - 1] = replacement;
    }
    lines.join("\n")
}

/// What is said about a text that is refused.
fn message(text: &str) -> String {
    setup::parse(text, "bench.toml")
        .expect_err("this text has a fault")
        .to_string()
}

/// The edited bench is refused with exactly these lines.
#[track_caller]
fn refused(edits: &[(usize, &str)], expected: &str) {
    assert_eq!(message(&bench_with(edits)), expected);
}
