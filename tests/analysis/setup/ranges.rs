//! What is possible, and more than the program takes: the fault says why.

use super::{bench_with, message, refused};
use spanhold::setup;

#[test]
fn numbers_that_decide_over_memory_have_an_upper_end() {
    refused(
        &[(30, "max_seconds = 3601")],
        "bench.toml:30: hold.max_seconds: 3601 is not taken, because the samples of a hold are kept \
         in memory until it is closed; a time up to 3600 s is right",
    );
    refused(
        &[(38, "rate_hz = 1e7")],
        "bench.toml:38: source[bench].rate_hz: 1e7 is not taken, because no accelerometer channel \
         of the trade samples faster; a sampling rate up to 1000000 Hz is right",
    );
    refused(
        &[(14, "length_m = 1000.5")],
        "bench.toml:14: span.length_m: 1000.5 is not taken, because this is an indoor span; a \
         length up to 1000 m is right",
    );
    let window = "the analysis window is as long as the lowest frequency asks for, at a rate that \
                  the highest asks for; a frequency from 0.1 to 5000 Hz is right";
    refused(
        &[(20, "low_hz = 0.01")],
        &format!("bench.toml:20: sweep.low_hz: 0.01 is not taken, because {window}"),
    );
    refused(
        &[(21, "high_hz = 6000")],
        &format!("bench.toml:21: sweep.high_hz: 6000 is not taken, because {window}"),
    );
    refused(
        &[(8, "diameter_mm = 0.5")],
        "bench.toml:8: conductor.diameter_mm: 0.5 is not taken, because no overhead conductor is \
         thinner or thicker; a diameter from 1 to 1000 mm is right",
    );
}

#[test]
fn the_ends_themselves_are_taken() {
    let text = bench_with(&[
        (14, "length_m = 1000"),
        (30, "max_seconds = 3600"),
        (38, "rate_hz = 1_000_000"),
    ]);
    let setup = setup::parse(&text, "bench.toml").unwrap();
    assert!(setup.span.length_m.to_bits() == 1000.0_f64.to_bits());
    assert!(setup.hold.max_seconds.to_bits() == 3600.0_f64.to_bits());
}

#[test]
fn a_sweep_too_wide_for_the_window() {
    let said = message(&bench_with(&[(20, "low_hz = 0.1"), (21, "high_hz = 101")]));
    assert_eq!(
        said,
        "bench.toml:21: sweep.high_hz: the sweep runs from 0.1 to 101 Hz: the memory of the \
         analysis window grows with the ratio; a high_hz of at most 1000 times low_hz is right"
    );
    setup::parse(
        &bench_with(&[(20, "low_hz = 0.1"), (21, "high_hz = 100")]),
        "bench.toml",
    )
    .unwrap();
}
