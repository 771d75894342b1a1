//! The report: its numbers are those of the files, its pictures those that the run
//! was begun with, and nothing in it says where it was made.

use serde_json::Value;

use crate::bench::run_folder::{RunFolder, code, repository, stderr};
use crate::bench::setups::{demo, edited};

/// The demo's damped run in a folder of its own, with more lines at the end of its
/// setup; reported.
fn demo_run(more: &str) -> RunFolder {
    let bench = RunFolder::with_setup(&(demo() + more));
    let recording = repository("recordings/damped-trial.wav");
    std::fs::copy(recording, bench.path("damped.wav")).unwrap();
    bench
}

fn reprocessed(bench: &RunFolder) -> String {
    let out = bench.path("run").display().to_string();
    let setup = bench.path("setup.toml").display().to_string();
    let wav = bench.path("damped.wav").display().to_string();
    let made = bench.spanhold(&["reprocess", &setup, &wav, "--out", &out]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    stderr(&made)
}

fn report(bench: &RunFolder) -> String {
    let made = bench.spanhold(&["report", "run"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    bench.read("run", "report.html")
}

/// The tables of a page as texts: rows of cells, the headings first.
fn tables(page: &str) -> Vec<Vec<Vec<String>>> {
    let within = |text: &str, tag: &str| -> Vec<String> {
        let open = format!("<{tag}");
        text.split(&open)
            .skip(1)
            .filter(|rest| rest.starts_with(['>', ' ']))
            .filter_map(|rest| rest.split_once('>'))
            .map(|(_, rest)| rest.split(&format!("</{tag}>")).next().unwrap().to_owned())
            .collect()
    };
    within(page, "table")
        .iter()
        .map(|table| {
            within(table, "tr")
                .iter()
                .map(|row| {
                    let cells = row.replace("<td", "<th").replace("</td>", "</th>");
                    within(&cells, "th")
                })
                .collect()
        })
        .collect()
}

/// A printed number, and half of its last digit.
fn printed(text: &str) -> (f64, f64) {
    let decimals = text.split_once('.').map_or(0, |(_, digits)| digits.len());
    let half = 0.5 * 10f64.powi(-(decimals as i32));
    (text.parse().unwrap(), half * (1.0 + 1e-9))
}

#[test]
fn every_number_of_the_settled_points_is_that_of_the_file() {
    let bench = demo_run("");
    reprocessed(&bench);
    let page = report(&bench);
    let points: Vec<Value> = bench
        .points("run")
        .iter()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect();
    // Heading in the report, key in the file, key of the uncertainty.
    let columns = [
        ("Frequency, Hz", "frequency_hz", "frequency_u_hz"),
        (
            "Antinode velocity, mm/s peak",
            "antinode_velocity_mm_s",
            "antinode_velocity_u_mm_s",
        ),
        (
            "Node velocity, mm/s peak",
            "node_velocity_mm_s",
            "node_velocity_u_mm_s",
        ),
        (
            "Antinode amplitude, mm pp",
            "antinode_amplitude_mm_pp",
            "antinode_amplitude_u_mm_pp",
        ),
        ("Efficiency, %", "efficiency_pct", "efficiency_u_pct"),
        ("Drive phase, deg", "drive_phase_deg", "drive_phase_u_deg"),
        ("Off target level, %", "target_deviation_pct", ""),
        ("Total power, W", "power_total_w", "power_total_u_w"),
        (
            "Total with stiffness, W",
            "power_total_stiffness_w",
            "power_total_stiffness_u_w",
        ),
        ("From force, W", "power_force_w", "power_force_u_w"),
    ];
    let tables = tables(&page);
    for (heading, key, u_key) in columns {
        let table = tables
            .iter()
            .find(|table| {
                table[0].first().is_some_and(|cell| cell == "Point")
                    && table[0].iter().any(|cell| cell == heading)
            })
            .unwrap_or_else(|| panic!("no table has {heading}"));
        let at = table[0].iter().position(|cell| cell == heading).unwrap();
        assert_eq!(table.len(), points.len() + 1, "{heading}");
        for (row, point) in table[1..].iter().zip(&points) {
            assert_eq!(row[0], point["point"].to_string());
            // In the first of two tables the frequency bears its uncertainty.
            let (value, u) = match row[at].split_once(" ±\u{a0}") {
                Some((value, u)) => (value, Some(u)),
                None => (row[at].as_str(), None),
            };
            let (value, half) = printed(value);
            let mut in_file = point[key].as_f64().unwrap();
            if key == "drive_phase_deg" {
                // Against the force cell's sign; the report has it within a half turn.
                in_file -= 180.0 * ((in_file - value) / 180.0).round();
            }
            assert!(
                (value - in_file).abs() <= half,
                "{heading}: {row:?} {in_file}"
            );
            assert_eq!(u.is_some(), !u_key.is_empty(), "{heading}: {row:?}");
            if let Some(u) = u {
                let (u, half) = printed(u);
                let in_file = point[u_key].as_f64().unwrap();
                assert!((u - in_file).abs() <= half, "{heading}: {row:?} {in_file}");
            }
        }
    }
}

/// Base64 by the table of RFC 4648, section 4.
fn decoded(text: &str) -> Vec<u8> {
    let digit = |letter: u8| match letter {
        b'A'..=b'Z' => letter - b'A',
        b'a'..=b'z' => letter - b'a' + 26,
        b'0'..=b'9' => letter - b'0' + 52,
        b'+' => 62,
        b'/' => 63,
        _ => panic!("{letter}"),
    };
    let mut bytes = Vec::new();
    let (mut bits, mut held) = (0_u32, 0);
    for letter in text.trim_end_matches('=').bytes() {
        bits = bits << 6 | u32::from(digit(letter));
        held += 6;
        if held >= 8 {
            held -= 8;
            bytes.push((bits >> held) as u8);
        }
    }
    bytes
}

const PICTURES: &str = r#"
[[picture]]
file = "bench.png"
caption = "the <bench>"
[[picture]]
file = "drawings/sketch.svg"
caption = "a sketch"
[[picture]]
file = "notes.png"
caption = "no picture at all"
"#;

#[test]
fn pictures_are_embedded_as_they_were_when_the_run_was_begun() {
    let bench = demo_run(PICTURES);
    // What only its first bytes and its text make a picture; a browser would
    // refuse to draw it.
    let png = b"\x89PNG\r\n\x1a\n and so on".to_vec();
    let svg = "<svg xmlns='http://www.w3.org/2000/svg'><script>alert('x')</script></svg>";
    std::fs::write(bench.path("bench.png"), &png).unwrap();
    std::fs::create_dir(bench.path("drawings")).unwrap();
    std::fs::write(bench.path("drawings/sketch.svg"), svg).unwrap();
    std::fs::write(bench.path("notes.png"), "text under a picture's name").unwrap();
    let said = reprocessed(&bench);
    assert!(
        said.contains("notes.png: the picture cannot be taken: it is no PNG, JPEG or SVG"),
        "{said}"
    );

    let page = report(&bench);
    let images: Vec<&str> = page
        .split("<img src=\"")
        .skip(1)
        .map(|rest| rest.split('"').next().unwrap())
        .collect();
    let [of_png, of_svg] = images[..] else {
        panic!("{images:?}");
    };
    let bytes_of = |address: &str, media_type: &str| {
        let data = address.strip_prefix(&format!("data:{media_type};base64,"));
        decoded(data.unwrap_or_else(|| panic!("{address}")))
    };
    assert_eq!(bytes_of(of_png, "image/png"), png);
    assert_eq!(bytes_of(of_svg, "image/svg+xml"), svg.as_bytes());
    assert!(!page.contains("<script"), "a script is part of the page");
    assert!(page.contains("Picture 1. the &lt;bench&gt;"));
    assert!(page.contains("notes.png is not shown: it is no PNG, JPEG or SVG"));
    let hash = blake3::hash(&png).to_hex().to_string();
    assert!(page.contains(&hash), "the annex lacks the picture's hash");
    assert_eq!(code(&bench.spanhold(&["verify", "run"])), 0);

    // The run carries its pictures: what becomes of the others is no matter.
    std::fs::remove_file(bench.path("bench.png")).unwrap();
    assert_eq!(report(&bench), page);

    // One that was altered is no longer what the run was begun with.
    let mut altered = png;
    *altered.last_mut().unwrap() ^= 1;
    std::fs::write(bench.path("run/bench.png"), altered).unwrap();
    let refused = bench.spanhold(&["report", "run"]);
    assert_eq!(code(&refused), 2);
    assert!(
        stderr(&refused).contains("bench.png: it is not the picture that the run was begun with"),
        "{}",
        stderr(&refused)
    );
}

/// A report is handed on: paths of the machine it was made on mean nothing there.
#[test]
fn no_path_of_the_machine_stands_in_the_report() {
    let bench = demo_run("");
    reprocessed(&bench);
    let reduced = bench.spanhold(&["reduce", &bench.path("run").display().to_string()]);
    assert_eq!(code(&reduced), 0, "{}", stderr(&reduced));
    let page = report(&bench);
    let root = bench.root().display().to_string();
    assert!(!page.contains(&root), "{root}");
    assert!(page.contains("damped.wav"));
}

/// Two samples of one type; the second is the demo's recording under another
/// title, with a limit that it does not keep.
#[test]
fn a_summary_has_every_sample_and_its_own_verdict() {
    let bench = RunFolder::empty();
    let limit =
        |limit: &str| format!("[[criteria]]\nkind = \"strain-limit\"\nlimit_pp_um_m = {limit}\n");
    for (name, title, criterion) in [
        ("first", "sample <one>", limit("300.0")),
        ("second", "sample two", limit("200.0")),
    ] {
        let title = ("Invented demo: damper trial 3, sample B", title);
        let setup = edited(&demo(), &[title]) + &criterion;
        std::fs::write(bench.path(&format!("{name}.toml")), setup).unwrap();
        let recording = repository("recordings/damped-trial.wav");
        let made = bench.spanhold(&[
            "reprocess",
            &format!("{name}.toml"),
            &recording.display().to_string(),
            "--out",
            name,
        ]);
        assert_eq!(code(&made), 0, "{}", stderr(&made));
        let reduced = bench.spanhold(&["reduce", name]);
        assert_eq!(code(&reduced), i32::from(name == "second"));
    }
    let nowhere = bench.spanhold(&["report", "first", "second"]);
    assert_eq!(code(&nowhere), 2);
    assert!(stderr(&nowhere).contains("--out"), "{}", stderr(&nowhere));
    let twice = bench.spanhold(&["report", "first", "./first", "--out", "s.html"]);
    assert_eq!(code(&twice), 2);
    assert!(stderr(&twice).contains("named twice"), "{}", stderr(&twice));

    let made = bench.spanhold(&["report", "first", "second", "--out", "summary.html"]);
    assert_eq!(code(&made), 0, "{}", stderr(&made));
    let page = std::fs::read_to_string(bench.path("summary.html")).unwrap();
    for said in [
        "1 of 2 samples pass, 1 fail, 0 inconclusive",
        "sample &lt;one&gt;",
        "sample two",
        "sample 2</text>",
        "Required values come from the licensed text",
    ] {
        assert!(page.contains(said), "{said}");
    }
    // Both were read from one recording: the same values stand beside each other.
    let tables = tables(&page);
    let efficiency = tables
        .iter()
        .find(|table| table[0].iter().any(|cell| cell == "Mean"))
        .unwrap();
    let points = bench.points("first");
    assert!(efficiency.len() > 5, "{efficiency:?}");
    for row in &efficiency[1..] {
        assert_eq!(row[2], row[3], "{row:?}");
        let value = row[2].split(' ').next().unwrap();
        let (value, half) = printed(value);
        let there = points.iter().any(|line| {
            let point: Value = serde_json::from_str(line).unwrap();
            (point["efficiency_pct"].as_f64().unwrap() - value).abs() <= half
        });
        assert!(there, "{row:?}");
    }
    let root = bench.root().display().to_string();
    assert!(!page.contains(&root), "{root}");
}
