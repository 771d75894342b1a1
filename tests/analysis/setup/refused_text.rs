//! Faults of the text itself: syntax, unknown keys, wrong kinds of values.

use super::{BENCH, DESIGN, bench_with, message, refused};
use spanhold::setup;

#[test]
fn what_is_no_toml_is_named_by_its_line_alone() {
    let text = bench_with(&[
        (15, "tension_kn = = 18"),
        (21, "high_hz 64"),
        (9, "mass = 1"),
    ]);
    let said = message(&text);
    let lines: Vec<&str> = said.lines().collect();
    assert!(
        lines[0].starts_with("bench.toml:15: `tension_kn = = 18` is no TOML: "),
        "{said}"
    );
    assert!(
        lines
            .iter()
            .any(|line| line.starts_with("bench.toml:21: `high_hz 64` is no TOML: ")),
        "{said}"
    );
    // What stands in which section cannot be told, so nothing else is blamed.
    assert!(
        lines.iter().all(|line| line.contains("is no TOML")),
        "{said}"
    );
}

#[test]
fn a_decimal_comma_and_single_brackets_are_told_what_they_are() {
    let said = message(&bench_with(&[(15, "tension_kn = 18,0   # by the cell")]));
    assert!(
        said.ends_with("; `tension_kn = 18.0`, with a decimal point, is right"),
        "{said}"
    );
    let said = message(&bench_with(&[]).replace("[[channel]]", "[channel]"));
    for line in said.lines() {
        assert!(
            line.contains("`[channel]` is no TOML: duplicate key; `[[channel]]`, in two brackets, once for each channel, is right"),
            "{said}"
        );
    }
    assert_eq!(
        said.lines().count() + 1,
        bench_with(&[]).matches("[[channel]]").count(),
        "{said}"
    );
}

#[test]
fn metres_where_millimetres_belong_are_asked_for() {
    let said = message(&bench_with(&[]).replace("diameter_mm = 21.8", "diameter_mm = 0.0218"));
    assert!(
        said.ends_with(
            "; 21.8 (mm), if 0.0218 is in metres, else a diameter from 1 to 1000 mm is right"
        ),
        "{said}"
    );
}

#[test]
fn a_key_given_twice() {
    let said = message(&bench_with(&[(17, "length_m = 40")]));
    assert!(
        said.starts_with("bench.toml:17: `length_m = 40` is no TOML: duplicate key;"),
        "{said}"
    );
    assert_eq!(said.lines().count(), 1, "{said}");
}

#[test]
fn a_misspelt_key_is_named_once_with_the_right_one() {
    refused(
        &[(15, "tensoin_kn = 18.0")],
        "bench.toml:15: span.tensoin_kn: there is no such key; \"tension_kn\" is right",
    );
    refused(
        &[(14, "length = 36")],
        "bench.toml:14: span.length: there is no such key; \"length_m\" is right",
    );
}

#[test]
fn a_key_nobody_knows() {
    refused(
        &[(22, "colour = \"red\"")],
        "bench.toml:22: sweep.colour: there is no such key; one of low_hz, high_hz is right",
    );
}

#[test]
fn a_key_in_the_wrong_section() {
    refused(
        &[(12, "drive_position_m = 1.3"), (17, "#")],
        "bench.toml:12: conductor.drive_position_m: there is no such key; its place under [span] \
         is right",
    );
}

#[test]
fn a_misspelt_section_is_named_once() {
    refused(
        &[(6, "[conducter]")],
        "bench.toml:6: conducter: there is no such section; \"conductor\" is right",
    );
    let channels = BENCH.replace("[[channel]]", "[[channels]]");
    assert_eq!(
        message(&channels),
        "bench.toml:44: channels: there is no such section; \"channel\" is right"
    );
}

#[test]
fn a_section_nobody_knows() {
    refused(
        &[(43, "[weather]")],
        "bench.toml:43: weather: there is no such section; one of test, report, instrument, picture, conductor, span, \
         sweep, amplitude, hold, limits, source, channel, place, criteria is right",
    );
}

#[test]
fn a_missing_section() {
    assert_eq!(
        message(&BENCH[BENCH.find("[conductor]").unwrap()..]),
        "bench.toml:1: test: the section is missing; a section [test] is right"
    );
    let without_channels = &BENCH[..BENCH.find("[[channel]]").unwrap()];
    assert_eq!(
        message(without_channels),
        "bench.toml:1: channel: the section is missing; at least one section [[channel]] is right"
    );
}

#[test]
fn single_and_double_brackets() {
    refused(
        &[(13, "[[span]]")],
        "bench.toml:13: span: a list stands here; one section [span] is right",
    );
    let one_source = bench_with(&[
        (32, "[source]"),
        (99, "index = 7"),
        (40, "#"),
        (41, "#"),
        (42, "#"),
    ]);
    assert_eq!(
        message(&one_source.replace("\"gauges\"", "\"bench\"")),
        "bench.toml:32: source: a table stands here; [[source]] in double brackets is right"
    );
}

#[test]
fn a_missing_key_is_named_at_its_section() {
    refused(
        &[(14, "#")],
        "bench.toml:13: span.length_m: is missing; a length above 0 m is right",
    );
    refused(
        &[(60, "#")],
        "bench.toml:55: channel[node].unit: is missing; one of m/s2, g, mm/s, m/s, mm, um, um/m, \
         N, kN, V is right",
    );
    refused(
        &[(56, "#")],
        "bench.toml:55: channel[#2].name: is missing; a name of its own is right",
    );
}

#[test]
fn the_wrong_kind_of_value() {
    refused(
        &[(15, "tension_kn = \"18\"")],
        "bench.toml:15: span.tension_kn: the text \"18\" stands here; a tension above 0 kN and \
         below the rated strength of 86.7 kN is right",
    );
    refused(
        &[(2, "title = 3")],
        "bench.toml:2: test.title: the number 3 stands here; a title for the run is right",
    );
    refused(
        &[(25, "value = [200, 300]")],
        "bench.toml:25: amplitude.value: a list stands here; a level above 0 mm/s peak is right",
    );
    refused(
        &[(29, "min_seconds = true")],
        "bench.toml:29: hold.min_seconds: true stands here; a time above 0 s is right",
    );
    refused(
        &[(48, "index = 0.5")],
        "bench.toml:48: channel[antinode].index: the number 0.5 stands here; a column of the \
         source, a whole number from 0 to 65535, is right",
    );
}

#[test]
fn a_word_that_is_not_in_the_list() {
    refused(
        &[(57, "role = \"nod\"")],
        "bench.toml:57: channel[node].role: \"nod\" is not in the list; \"node\" is right",
    );
    refused(
        &[(34, "kind = \"usb\""), (35, "#"), (36, "#"), (37, "#")],
        "bench.toml:34: source[bench].kind: \"usb\" is not in the list; one of serial, wav is \
         right",
    );
    refused(
        &[(24, "rule = \"const-velocity\"")],
        "bench.toml:24: amplitude.rule: \"const-velocity\" is not in the list; \
         \"constant-velocity\" is right",
    );
    refused(
        &[(60, "unit = \"rpm\"")],
        "bench.toml:60: channel[node].unit: \"rpm\" is not in the list; one of m/s2, g, mm/s, \
         m/s, mm, um, um/m, N, kN, V is right",
    );
    for (unit, right) in [
        ("kgf", "\"N\", with full_scale times 9.80665, is right"),
        ("inch", "\"mm\", with full_scale times 25.4, is right"),
        ("µm/m", "\"um/m\" is right"),
    ] {
        refused(
            &[(60, &format!("unit = \"{unit}\""))],
            &format!("bench.toml:60: channel[node].unit: \"{unit}\" is not in the list; {right}"),
        );
    }
    refused(
        &[(103, "location = \"left\"")],
        "bench.toml:103: channel[strain].location: \"left\" is not in the list; one of damper, \
         end is right",
    );
    refused(
        &[(37, "protocol = \"frame\"")],
        "bench.toml:37: source[bench].protocol: \"frame\" is not in the list; \"frames\" is right",
    );
}

#[test]
fn an_empty_text() {
    refused(
        &[(2, "title = \"  \"")],
        "bench.toml:2: test.title: the text is empty; a title for the run is right",
    );
    refused(
        &[(45, "name = \"anti\\nnode\"")],
        "bench.toml:45: channel[anti\\nnode].name: the text holds a control character; a name of \
         its own is right",
    );
}

#[test]
fn a_file_that_cannot_be_read() {
    let folder = tempfile::tempdir().unwrap();
    let missing = folder.path().join("none.toml");
    let faults = setup::load(&missing).unwrap_err();
    assert_eq!(faults.faults[0].line, None);
    let said = faults.to_string();
    assert!(
        said.starts_with(&format!("{}: cannot be read: ", missing.display())),
        "{said}"
    );

    let latin = folder.path().join("latin1.toml");
    std::fs::write(&latin, b"[test]\ntitle = \"Pr\xfcfstand\"\n").unwrap();
    assert_eq!(
        setup::load(&latin).unwrap_err().to_string(),
        format!(
            "{}:2: the text is not UTF-8; a file saved as UTF-8 is right",
            latin.display()
        )
    );
}

#[test]
fn a_date_that_is_none() {
    for date in ["17.03.2026", "2026-02-30", "2026-3-7"] {
        let text = format!("{DESIGN}\n[report]\ndate = \"{date}\"\n");
        let faults = setup::parse(&text, "b.toml").unwrap_err();
        assert_eq!(
            (
                faults.faults[0].key.as_str(),
                faults.faults[0].wrong.clone()
            ),
            ("report.date", format!("\"{date}\" is no date"))
        );
    }
}
