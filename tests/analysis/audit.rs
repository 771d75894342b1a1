//! A reviewer doubts a point: audit, verify and report of a rehearsed run.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use tempfile::TempDir;

use crate::bench::run_folder::{code, copy_folder, repository, spanhold, stderr, stdout, unchain};
use crate::bench::setups::demo;

/// The run of the demo recording, which all tests copy: eight held dwells, one
/// off the peak, one too short. The recording lies in the run folder alone.
fn rehearsed() -> &'static TempDir {
    static RUN: OnceLock<TempDir> = OnceLock::new();
    RUN.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let recording = folder.path().join("damped-trial.wav");
        std::fs::copy(repository("recordings/damped-trial.wav"), &recording).unwrap();
        let run = folder.path().join("run");
        let made = spanhold(&[
            "reprocess",
            "config/damped-trial.toml",
            run_of(&recording),
            "--out",
            run_of(&run),
        ]);
        assert!(made.status.success(), "{}", stderr(&made));
        std::fs::create_dir(run.join("recordings")).unwrap();
        std::fs::rename(&recording, run.join("recordings/damped-trial.wav")).unwrap();
        folder
    })
}

/// A copy of the rehearsed run to spoil.
fn copy() -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let run = folder.path().join("run");
    copy_folder(&rehearsed().path().join("run"), &run);
    (folder, run)
}

fn run_of(path: &Path) -> &str {
    path.to_str().unwrap()
}

fn criteria(run: &Path) -> Vec<String> {
    let evidence = std::fs::read_to_string(run.join("evidence.jsonl")).unwrap();
    let mut names: Vec<String> = evidence
        .lines()
        .flat_map(|line| {
            let line: serde_json::Value = serde_json::from_str(line).unwrap();
            let criteria = line["criteria"].as_array().unwrap().clone();
            criteria
                .into_iter()
                .map(|criterion| criterion["name"].as_str().unwrap().to_owned())
        })
        .collect();
    names.sort();
    names.dedup();
    names
}

/// Panics unless every tag is closed in order, and attributes are quoted.
fn assert_well_formed(html: &str) {
    const VOID: [&str; 5] = ["meta", "br", "hr", "img", "!DOCTYPE"];
    let mut open: Vec<String> = Vec::new();
    let mut rest = html;
    while let Some(start) = rest.find('<') {
        let inside = &rest[start + 1..];
        let end = inside.find('>').expect("a tag that never ends");
        let tag = &inside[..end];
        assert_eq!(tag.matches('"').count() % 2, 0, "quotes in <{tag}>");
        let name: String = tag
            .trim_start_matches('/')
            .chars()
            .take_while(|c| !c.is_whitespace() && *c != '/')
            .collect();
        if tag.starts_with('/') {
            assert_eq!(open.pop().as_deref(), Some(name.as_str()), "</{name}>");
        } else if !tag.ends_with('/') && !VOID.contains(&name.as_str()) {
            open.push(name.clone());
        }
        rest = &inside[end + 1..];
        if name == "style" && !tag.starts_with('/') {
            rest = &rest[rest.find("</style>").unwrap()..];
        }
    }
    assert!(open.is_empty(), "left open: {open:?}");
}

#[test]
fn text_and_page_show_every_criterion_of_every_dwell() {
    let (folder, run) = copy();
    let page = folder.path().join("audit.html");
    let output = spanhold(&["audit", run_of(&run), "--html", run_of(&page)]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let (text, html) = (stdout(&output), std::fs::read_to_string(&page).unwrap());
    assert_well_formed(&html);
    for name in criteria(&run) {
        assert!(text.contains(&format!("\n  {name} ")), "{name} in\n{text}");
        assert!(
            html.contains(&format!("<th scope=\"row\">{name} <small>")),
            "{name}"
        );
    }
    assert!(text.contains("unchanged since the run was made"), "{text}");
    assert!(text.contains("held for"), "{text}");
    assert!(
        text.contains("off the peak of the resonance: off resonance"),
        "{text}"
    );
    for outside in [
        "http:", "https:", "src=", "url(", "@import", "<script", "<link",
    ] {
        assert!(!html.contains(outside), "{outside}");
    }
}

#[test]
fn json_gives_the_margin_of_each_criterion() {
    let (_folder, run) = copy();
    let output = spanhold(&["audit", run_of(&run), "--json", "--point", "1"]);
    let json: serde_json::Value = serde_json::from_str(&stdout(&output)).unwrap();
    let points = json["points"].as_array().unwrap();
    assert_eq!(points.len(), 1);
    for criterion in points[0]["criteria"].as_array().unwrap() {
        let (Some(value), Some(margin)) =
            (criterion["value"].as_f64(), criterion["margin"].as_f64())
        else {
            assert_eq!(criterion["outcome"], "open", "{criterion}");
            continue;
        };
        let limit = criterion["limit"].as_f64().unwrap();
        let expected = if criterion["at_most"].as_bool().unwrap() {
            limit - value.abs()
        } else {
            value - limit
        };
        assert!((margin - expected).abs() < 1e-12, "{criterion}");
    }
}

#[test]
fn one_point_is_shown_down_to_its_samples() {
    let (folder, run) = copy();
    let page = folder.path().join("point.html");
    let output = spanhold(&[
        "audit",
        run_of(&run),
        "--point",
        "1",
        "--html",
        run_of(&page),
    ]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let html = std::fs::read_to_string(&page).unwrap();
    assert_well_formed(&html);
    for heading in [
        "At the start",
        "At the middle",
        "At the end",
        "Spectrum, close",
    ] {
        assert!(html.contains(&format!("<h4>{heading}</h4>")), "{heading}");
    }
    // What the samples give at their full rate lies within the uncertainty
    // that was logged.
    let logged = std::fs::read_to_string(run.join("points.jsonl")).unwrap();
    let point: serde_json::Value = serde_json::from_str(logged.lines().next().unwrap()).unwrap();
    let text = stdout(&output);
    let recomputed = |quantity: &str| -> f64 {
        let line = text
            .lines()
            .find(|line| line.trim_start().starts_with(quantity));
        let words: Vec<&str> = line.unwrap().split_whitespace().collect();
        let place = words.iter().position(|word| *word == "recomputed").unwrap();
        words[place - 1].parse().unwrap()
    };
    for (quantity, value, uncertainty) in [
        (
            "antinode velocity",
            "antinode_velocity_mm_s",
            "antinode_velocity_u_mm_s",
        ),
        ("efficiency", "efficiency_pct", "efficiency_u_pct"),
    ] {
        let apart = recomputed(quantity) - point[value].as_f64().unwrap();
        assert!(
            apart.abs() < point[uncertainty].as_f64().unwrap(),
            "{quantity}: {text}"
        );
    }
}

#[test]
fn a_point_that_is_not_there_is_an_error_that_names_the_range() {
    let (_folder, run) = copy();
    let output = spanhold(&["audit", run_of(&run), "--point", "99"]);
    assert_eq!(code(&output), 2);
    assert!(
        stderr(&output).contains("no point 99; the run has points 1 to"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn names_from_the_setup_cannot_become_markup() {
    let (folder, run) = copy();
    let setup = run.join("setup.toml");
    let text = std::fs::read_to_string(&setup).unwrap();
    let hostile = text.replace("Invented demo", "<script>alert(1)</script>");
    assert_ne!(hostile, text);
    std::fs::write(&setup, &hostile).unwrap();
    let page = folder.path().join("audit.html");
    // The setup was changed: that is said, and the exit code is 1.
    let output = spanhold(&["audit", run_of(&run), "--html", run_of(&page)]);
    assert_eq!(code(&output), 1);
    assert!(
        std::fs::read_to_string(&page)
            .unwrap()
            .contains("HAS CHANGED")
    );
    assert_eq!(code(&spanhold(&["report", run_of(&run)])), 2);
    // A run that was made with such a setup has a report.
    unchain(&run);
    let hash = |text: &str| blake3::hash(text.as_bytes()).to_hex().to_string();
    let record = std::fs::read_to_string(run.join("run.json")).unwrap();
    std::fs::write(
        run.join("run.json"),
        record.replace(&hash(&text), &hash(&hostile)),
    )
    .unwrap();
    assert_eq!(code(&spanhold(&["report", run_of(&run)])), 0);
    for file in [page, run.join("report.html")] {
        let html = std::fs::read_to_string(&file).unwrap();
        assert_well_formed(&html);
        assert!(html.contains("&lt;script&gt;alert(1)") && !html.contains("<script"));
    }
}

#[test]
fn a_changed_and_a_missing_recording_are_told_apart() {
    let (_folder, run) = copy();
    let recording = run.join("recordings/damped-trial.wav");
    let mut bytes = std::fs::read(&recording).unwrap();
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    std::fs::write(&recording, &bytes).unwrap();
    let output = spanhold(&["audit", run_of(&run)]);
    assert_eq!(code(&output), 1);
    assert!(stdout(&output).contains("HAS CHANGED since the run was made: its BLAKE3 hash was"));
    let output = spanhold(&["verify", run_of(&run)]);
    assert_eq!(code(&output), 1, "{}", stdout(&output));

    std::fs::remove_file(&recording).unwrap();
    let output = spanhold(&["audit", run_of(&run), "--point", "1"]);
    assert_eq!(code(&output), 0);
    assert!(
        stdout(&output).contains("is missing"),
        "{}",
        stdout(&output)
    );
    let output = spanhold(&["verify", run_of(&run)]);
    assert_eq!(code(&output), 2);
    assert!(
        stderr(&output).contains("damped-trial.wav is missing"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn a_run_stands_until_one_digit_is_altered() {
    let (_folder, run) = copy();
    let output = spanhold(&["verify", run_of(&run)]);
    assert_eq!(code(&output), 0, "{}{}", stdout(&output), stderr(&output));
    assert!(stdout(&output).contains("stands: "), "{}", stdout(&output));

    for (name, key) in [
        ("points.jsonl", "efficiency_pct"),
        ("evidence.jsonl", "dwell_end_s"),
    ] {
        let path = run.join(name);
        let logged = std::fs::read_to_string(&path).unwrap();
        let at = logged.find(&format!("\"{key}\":")).unwrap() + key.len() + 3;
        let digit = logged.as_bytes()[at];
        assert!(digit.is_ascii_digit());
        let mut altered = logged.clone().into_bytes();
        altered[at] = if digit == b'9' { b'8' } else { digit + 1 };
        std::fs::write(&path, altered).unwrap();
        let output = spanhold(&["verify", run_of(&run)]);
        assert_eq!(code(&output), 1, "{}", stdout(&output));
        let text = stdout(&output);
        assert!(
            text.contains(&format!("{name}, line ")) && text.contains("DOES NOT STAND"),
            "{text}"
        );
        assert!(text.contains(&format!("{key} is logged as ")), "{text}");
        std::fs::write(&path, logged).unwrap();
    }
}

#[test]
fn another_program_version_is_said() {
    let (_folder, run) = copy();
    unchain(&run);
    let path = run.join("run.json");
    let record = std::fs::read_to_string(&path).unwrap();
    let other = record.replace(
        &format!("\"version\": \"{}\"", env!("CARGO_PKG_VERSION")),
        "\"version\": \"0.0.1\"",
    );
    assert_ne!(other, record);
    std::fs::write(&path, other).unwrap();
    let output = spanhold(&["verify", run_of(&run)]);
    assert_eq!(code(&output), 0, "{}", stdout(&output));
    assert!(stdout(&output).contains("was made by spanhold 0.0.1; this is spanhold"));
}

#[test]
fn the_report_holds_cautions_points_and_hashes() {
    let (_folder, run) = copy();
    let output = spanhold(&["report", run_of(&run)]);
    assert_eq!(code(&output), 0, "{}", stderr(&output));
    let html = std::fs::read_to_string(run.join("report.html")).unwrap();
    assert_well_formed(&html);
    for caution in [
        "dangerous energy",
        "line of the conductor",
        "dead-weight",
        "no interlock and no emergency stop",
        "licensed text of the standard",
        "responsible engineer",
    ] {
        assert!(html.contains(caution), "{caution}");
    }
    let record: serde_json::Value =
        serde_json::from_slice(&std::fs::read(run.join("run.json")).unwrap()).unwrap();
    let hash = record["sources"][0]["files"][0]["blake3"].as_str().unwrap();
    assert!(html.contains(hash));
    assert!(html.contains("1 off the peak") && html.contains("off resonance"));
    assert!(html.contains("strain, µm/m peak-to-peak"));
}

#[test]
fn a_reduced_run_is_reported_with_its_verdict_until_its_points_change() {
    let folder = tempfile::tempdir().unwrap();
    let setup = folder.path().join("judged.toml");
    let mut text = demo();
    // Two limits around the largest strain of the demo, some 230 um/m: one is
    // met and one is not.
    text.push_str("\n[[criteria]]\nkind = \"strain-limit\"\nlimit_pp_um_m = 260\n");
    text.push_str("\n[[criteria]]\nkind = \"strain-limit\"\nlimit_pp_um_m = 10\n");
    std::fs::write(&setup, text).unwrap();
    let run = folder.path().join("run");
    let recording = repository("recordings/damped-trial.wav");
    let reprocess = [
        "reprocess",
        run_of(&setup),
        run_of(&recording),
        "--out",
        run_of(&run),
    ];
    assert_eq!(code(&spanhold(&reprocess)), 0);
    let reduced = spanhold(&["reduce", run_of(&run)]);
    assert_eq!(code(&reduced), 1, "{}", stderr(&reduced));
    let report = |expected: &[&str], absent: &[&str]| {
        assert_eq!(code(&spanhold(&["report", run_of(&run)])), 0);
        let html = std::fs::read_to_string(run.join("report.html")).unwrap();
        assert_well_formed(&html);
        for text in expected {
            assert!(html.contains(text), "{text}");
        }
        for text in absent {
            assert!(!html.contains(text), "{text}");
        }
    };
    report(
        &[
            "<h2>Verdict <span class=\"verdict fail\">FAIL</span></h2>",
            "at most 260 µm/m peak-to-peak",
            "at most 10 µm/m peak-to-peak",
            "simple acceptance (ILAC-G8:09/2019)",
            "8 pass, 0 fail",
            "0 pass, 8 fail",
        ],
        &["The points have changed since the run was reduced"],
    );
    // Points that were altered are no ground for a report.
    let points = run.join("points.jsonl");
    let logged = std::fs::read_to_string(&points).unwrap();
    std::fs::write(&points, logged.replacen("\"snr_db\":", "\"snr_db\":1", 1)).unwrap();
    let refused = spanhold(&["report", run_of(&run)]);
    assert_eq!(code(&refused), 2);
    assert!(
        stderr(&refused).contains("points.jsonl: line "),
        "{}",
        stderr(&refused)
    );
    std::fs::write(&points, logged).unwrap();
    unchain(&run);
    let mut logged = std::fs::read_to_string(&points).unwrap();
    logged = logged.replacen("\"snr_db\":", "\"snr_db\": ", 1);
    std::fs::write(&points, logged).unwrap();
    report(
        &["The points have changed since the run was reduced"],
        &["<h2>Verdict"],
    );
}
