//! All faults at once, in line order, and the account of a setup.

use super::{BENCH, bench_with, message};
use spanhold::setup;

#[test]
fn ten_faults_in_ten_places_come_out_together() {
    let text = bench_with(&[
        (4, "operater = \"bench 2\""),
        (8, "diameter_mm = \"21.8\""),
        (15, "tension_kn = -18"),
        (16, "damper_position_m = 99"),
        (21, "high_hz = 8"),
        (29, "min_second = 8.0"),
        (35, "#"),
        (58, "source = \"gauges\""),
        (71, "unit = \"mm\""),
        (97, "role = \"strain\""),
    ]);
    insta::assert_snapshot!(message(&text), @"");
}

#[test]
fn faults_are_data_as_well_as_text() {
    let faults = setup::parse(&bench_with(&[(15, "tension_kn = 0")]), "b.toml").unwrap_err();
    let fault = &faults.faults[0];
    assert_eq!(faults.file, "b.toml");
    assert_eq!(fault.line, Some(15));
    assert_eq!(fault.key, "span.tension_kn");
    assert_eq!(fault.wrong, "0 is impossible");
    assert_eq!(
        fault.right,
        "a tension above 0 kN and below the rated strength of 86.7 kN"
    );
}

#[test]
fn an_account_of_what_the_setup_means() {
    let setup = setup::parse(BENCH, "bench.toml").unwrap();
    insta::assert_snapshot!(setup::explain(&setup), @"");
}

#[test]
fn an_account_of_a_bare_span() {
    let text = bench_with(&[
        (3, "#"),
        (11, "#"),
        (16, "#"),
        (24, "rule = \"inverse-frequency\""),
        (25, "value = 67"),
    ]);
    insta::assert_snapshot!(setup::explain(&setup::parse(&text, "bench.toml").unwrap()), @"");
}
