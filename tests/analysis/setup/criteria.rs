//! `[[criteria]]`: what a run is held against.

use spanhold::setup;
use spanhold::setup::{Amplitude, CriterionLevel, DecisionRule, LevelRule, Requirement};

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

#[test]
fn a_criterion_states_the_level_that_it_holds_for() {
    let criterion = |level: &str| {
        format!("[[criteria]]\nkind = \"strain-limit\"\nlimit_pp_um_m = 300\n{level}\n")
    };
    let level = |text: &str| with(&criterion(text)).unwrap().criteria[0].level;
    assert_eq!(level(""), CriterionLevel::Setup);
    assert_eq!(level("level = \"setup\""), CriterionLevel::Setup);
    assert_eq!(level("level = \"any\""), CriterionLevel::Any);
    let own = |tolerance_pct| {
        CriterionLevel::Own(Amplitude {
            rule: LevelRule::InverseFrequency,
            value: 67.0,
            tolerance_pct,
        })
    };
    // The default of [amplitude] holds here too.
    assert_eq!(
        level("level = { rule = \"inverse-frequency\", value = 67 }"),
        own(10.0)
    );
    assert_eq!(
        level("level = { rule = \"inverse-frequency\", value = 67.0, tolerance_pct = 5 }"),
        own(5.0)
    );
    for (text, wrong) in [
        (
            "level = \"setups\"",
            "\"setups\" is not in the list; \"setup\" is right",
        ),
        (
            "level = 200",
            "the number 200 stands here; one of setup, any, or a table { rule, value, \
             tolerance_pct }, is right",
        ),
        ("level = { value = 67 }", "its rule is missing"),
        (
            "level = { rule = \"constant-velocity\" }",
            "its value is missing; a level above 0 mm/s peak is right",
        ),
        (
            "level = { rule = \"constant-velocity\", value = -1 }",
            "its value: -1 is impossible; a level above 0 mm/s peak is right",
        ),
        (
            "level = { rule = \"constant-velocity\", value = 1, tolerance = 3 }",
            "it has no key \"tolerance\"",
        ),
        (
            "level = { rule = \"constant\", value = 1 }",
            "its rule: \"constant\" is not in the list",
        ),
    ] {
        let faults = with(&criterion(text)).unwrap_err().to_string();
        assert!(faults.contains("criteria[#1].level: "), "{faults}");
        assert!(faults.contains(wrong), "{text}: {faults}");
    }
}

#[test]
fn a_criterion_states_its_level_once() {
    let wind = "[[criteria]]\nkind = \"wind-power\"\nwind = \"diana-falco-1971\"\n\
                span_length_m = 300\nantinode_velocity_mm_s = 200\n";
    assert!(with(wind).is_ok());
    assert_eq!(
        faults(&format!("{wind}level = \"any\"\n")),
        [(6, "criteria[#1].level".into())]
    );
}
