//! The demo by fixed sensors reduced: every ratio rests on all points, is that of the virtual span
//! (exact field), and comes out of the recordings again.

use serde_json::Value;

use crate::bench::run_folder::{RunFolder, code, repository, stderr, stdout};

fn lines(text: &str) -> Vec<Value> {
    let lines = text.lines();
    lines
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

#[test]
fn a_reduced_run_by_fixed_sensors_rests_on_all_its_points() {
    let bench = RunFolder::empty();
    let done = |arguments: &[&str]| {
        let output = bench.spanhold(arguments);
        assert!(code(&output) <= 1, "{arguments:?}: {}", stderr(&output));
        stdout(&output)
    };
    let of = |path: &str| repository(path).display().to_string();
    let (setup, wav) = (
        of("config/fixed-trial.toml"),
        of("recordings/fixed-trial.wav"),
    );
    done(&["reprocess", &setup, &wav, "--out", "run"]);
    let said = done(&["reduce", "run"]);
    assert!(said.contains("from 8 points together"), "{said}");
    let reduction: Value = serde_json::from_str(&bench.read("run", "reduction.json")).unwrap();
    let sweep = &reduction["fixed_sensors"];
    assert_eq!(sweep["points"], 8);
    assert_eq!(sweep["sensors"].as_array().unwrap().len(), 3);

    let truth = std::fs::read_to_string(repository("recordings/fixed-trial.truth.jsonl")).unwrap();
    let points = lines(&bench.read("run", "points.jsonl"));
    let reduced = lines(&bench.read("run", "reduced.jsonl"));
    for ((point, reduced), truth) in points.iter().zip(&reduced).zip(lines(&truth)) {
        let number = |value: &Value, key: &str| value[key].as_f64().unwrap();
        // What the point alone read stands beside it.
        assert_eq!(reduced["iswr_alone"], point["iswr"]);
        assert_eq!(reduced["iswr_alone_u"], point["iswr_u"]);
        let iswr = number(reduced, "iswr");
        let off = (iswr - number(&truth, "iswr")).abs();
        assert!(off <= number(reduced, "iswr_u"), "{truth}");
        assert!(number(reduced, "iswr_u") < 0.7 * number(point, "iswr_u"));
        assert!(
            number(reduced, "antinode_velocity_u_mm_s") < number(point, "antinode_velocity_u_mm_s")
        );
        assert!((number(reduced, "efficiency_pct") - 100.0 * iswr).abs() < 1e-9);
        let power_w = number(reduced, "power_total_stiffness_w");
        let off_w = (power_w - number(&truth, "power_past_node_w")).abs();
        assert!(
            off_w <= number(reduced, "power_total_stiffness_u_w"),
            "{truth}"
        );
    }
    let said = done(&["verify", "run"]);
    assert!(said.contains("byte for byte"), "{said}");
}
