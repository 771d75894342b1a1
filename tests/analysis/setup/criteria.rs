//! `[[criteria]]`: what a run is held against.

use spanhold::setup;
use spanhold::setup::DecisionRule;
use spanhold::setup::Requirement;

use super::BENCH;

fn with(criteria: &str) -> Result<setup::Setup, setup::SetupFaults> {
    setup::parse(&format!("{BENCH}\n{criteria}"), "bench.toml")
}

/// The lines of the faults, counted from the first line of `criteria`, with their keys.
fn faults(criteria: &str) -> Vec<(usize, String)> {
    let before = BENCH.lines().count() + 1;
    let faults = with(criteria).expect_err("a faulty setup was taken");
    faults
        .faults
        .into_iter()
        .map(|fault| (fault.line.map_or(0, |line| line - before), fault.key))
        .collect()
}

#[test]
fn all_kinds_are_read() {
    let setup = with(
        "[[criteria]]\nkind = \"efficiency-curve\"\ncurve = \"curves/a.csv\"\n\
         decision_rule = \"guard-band\"\n\
         [[criteria]]\nkind = \"wind-power\"\nwind = \"diana-falco-1971\"\nspan_length_m = 300\n\
         dampers = 2\nantinode_velocity_mm_s = 200\n\
         [[criteria]]\nkind = \"strain-limit\"\nlimit_pp_um_m = 300\nlocation = \"damper\"\n",
    )
    .unwrap();
    assert_eq!(setup.criteria.len(), 3);
    assert_eq!(setup.criteria[0].decision_rule, DecisionRule::GuardBand);
    assert_eq!(
        setup.criteria[1].decision_rule,
        DecisionRule::SimpleAcceptance
    );
    assert!(matches!(
        &setup.criteria[1].requirement,
        Requirement::WindPower { wind, dampers: 2, .. } if wind.year == Some(1971)
    ));
    assert!(setup.criteria[2].statement().contains("zero-to-peak"));
}

#[test]
fn a_setup_needs_no_criteria() {
    assert!(with("").unwrap().criteria.is_empty());
}

#[test]
fn each_fault_has_its_line_and_key() {
    assert_eq!(
        faults(
            "[[criteria]]\nkind = \"wind-power\"\nwind = \"brika-1995\"\nspan_length_m = -3\n\
             curve = \"a.csv\"\n"
        ),
        [
            (3, "criteria[#1].wind".into()),
            (4, "criteria[#1].span_length_m".into()),
            (5, "criteria[#1].curve".into()),
        ]
    );
    assert_eq!(
        faults("[[criteria]]\nkind = \"strain-limit\"\nlimit_um_m = 300\n"),
        [(3, "criteria[#1].limit_um_m".into())]
    );
    assert_eq!(
        faults("[[criteria]]\nkind = \"efficiency-curve\"\n"),
        [(1, "criteria[#1].curve".into())]
    );
    assert_eq!(
        faults("[[criteria]]\nkind = \"efficiency\"\n"),
        [(2, "criteria[#1].kind".into())]
    );
}

#[test]
fn a_misspelt_wind_function_is_met_with_its_name() {
    let text =
        with("[[criteria]]\nkind = \"wind-power\"\nwind = \"diana-falco\"\nspan_length_m = 9\n")
            .unwrap_err()
            .to_string();
    assert!(text.contains("\"diana-falco-1971\" is right"), "{text}");
}
