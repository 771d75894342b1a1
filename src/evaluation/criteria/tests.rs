//! Decision rules, curves, coverage, and the two published sheets.

use super::*;
use crate::analysis::Exclusion;
use crate::reduction::{Gauge, Measured, SettledPoint};
use crate::setup::{
    Amplitude, Criterion, CriterionLevel, DecisionRule, LevelRule, PowerForm, Requirement, Setup,
    StrainLocation, Verdict,
};
use crate::span::wind::WindFunction;

fn efficiency_point(point: u64, frequency_hz: f64, efficiency_pct: f64) -> SettledPoint {
    SettledPoint {
        point,
        verdict: Verdict::Held,
        frequency_hz: Some(Measured::without_u(frequency_hz)),
        efficiency_pct: Some(Measured::new(efficiency_pct, 1.0)),
        ..SettledPoint::default()
    }
}

fn setup() -> Setup {
    crate::setup::parse(
        "[test]\ntitle = \"t\"\n[conductor]\ndesignation = \"795 kcmil\"\ndiameter_mm = 28.2\n\
         mass_kg_per_m = 1.33\nbending_stiffness_n_m2 = 1505.0\n\
         [span]\nlength_m = 48.5\ntension_kn = 34.53\n[sweep]\nlow_hz = 5.87\nhigh_hz = 44.5\n\
         [[source]]\nname = \"bench\"\nkind = \"wav\"\nrate_hz = 1000.0\n\
         [[channel]]\nname = \"antinode\"\nrole = \"antinode\"\nsource = \"bench\"\nindex = 0\n\
         unit = \"mm/s\"\nfull_scale = 1000.0\n",
        "test.toml",
    )
    .unwrap()
}

/// Points as a laboratory published them (scribd 456219704, 26.2 % overall).
fn published_points() -> Vec<SettledPoint> {
    include_str!("../../../tests/reference/lab_sheet_795_acsr.csv")
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .zip(1..)
        .map(|(line, n)| {
            let (f, e) = line.split_once(',').unwrap();
            efficiency_point(n, f.parse().unwrap(), e.parse().unwrap())
        })
        .collect()
}

fn curve_criterion(decision_rule: DecisionRule) -> Criterion {
    Criterion {
        requirement: Requirement::EfficiencyCurve {
            curve: "curve.csv".into(),
        },
        decision_rule,
        level: CriterionLevel::Setup,
    }
}

fn flat_curve(pct: f64) -> RequiredCurve {
    let text = format!("frequency_hz,efficiency_pct\n5,{pct}\n50,{pct}\n");
    RequiredCurve::parse(&text, "curve.csv").unwrap()
}

#[test]
fn decision_rules_decide_as_the_guide_says() {
    use DecisionRule::{GuardBand, SimpleAcceptance};
    use Demand::{AtLeast, AtMost};
    use Outcome::{Fail, Inconclusive, Pass};
    // ILAC-G8:09/2019: acceptance limit = limit ± w, with w = 0 or w = U.
    for (rule, demand, value, u, limit, outcome) in [
        (SimpleAcceptance, AtLeast, 25.0, Some(2.0), 25.0, Pass),
        (SimpleAcceptance, AtLeast, 24.9, Some(2.0), 25.0, Fail),
        (SimpleAcceptance, AtMost, 301.0, None, 300.0, Fail),
        (GuardBand, AtLeast, 27.0, Some(2.0), 25.0, Pass),
        (GuardBand, AtLeast, 26.9, Some(2.0), 25.0, Inconclusive),
        (GuardBand, AtLeast, 23.1, Some(2.0), 25.0, Inconclusive),
        (GuardBand, AtLeast, 22.9, Some(2.0), 25.0, Fail),
        (GuardBand, AtMost, 290.0, Some(9.0), 300.0, Pass),
        (GuardBand, AtMost, 299.0, Some(9.0), 300.0, Inconclusive),
        (GuardBand, AtLeast, 99.0, None, 25.0, Inconclusive),
        (
            SimpleAcceptance,
            AtLeast,
            f64::NAN,
            None,
            25.0,
            Inconclusive,
        ),
    ] {
        assert_eq!(
            decide(rule, demand, value, u, limit),
            outcome,
            "{rule:?} {value} {limit}"
        );
    }
}

#[test]
fn the_published_sheet_passes_a_curve_below_all_its_points_and_no_higher() {
    // The sheet's lowest efficiency is 17.23 %.
    let (setup, points) = (setup(), published_points());
    let criterion = curve_criterion(DecisionRule::SimpleAcceptance);
    let low = judge(&setup, &points, &[], &criterion, Some(&flat_curve(17.2)));
    assert_eq!(low.outcome, Outcome::Pass, "{:?}", low.gaps);
    assert_eq!(low.points.len(), 22);
    // At 26 % flat, four published rows are below: 17.23, 25.00, 24.30 — and
    // 6.70, 22.10, 23.89 Hz are theirs.
    let high = judge(&setup, &points, &[], &criterion, Some(&flat_curve(26.0)));
    assert_eq!(high.outcome, Outcome::Fail);
    let failed: Vec<f64> = high
        .points
        .iter()
        .filter(|p| p.outcome == Outcome::Fail)
        .map(|p| p.frequency_hz)
        .collect();
    assert_eq!(failed, [6.70, 22.10, 23.89]);
    // With a guard band of 1 % the row of 17.23 % cannot pass 17.2 %.
    let guarded = curve_criterion(DecisionRule::GuardBand);
    let guarded = judge(&setup, &points, &[], &guarded, Some(&flat_curve(17.2)));
    assert_eq!(guarded.outcome, Outcome::Inconclusive);
}

#[test]
fn a_missing_harmonic_is_a_finding_and_no_pass() {
    let setup = setup();
    let criterion = curve_criterion(DecisionRule::SimpleAcceptance);
    let mut points = published_points();
    points.remove(10);
    let judgement = judge(&setup, &points, &[], &criterion, Some(&flat_curve(10.0)));
    assert_eq!(judgement.outcome, Outcome::Inconclusive);
    assert_eq!(
        judgement.gaps,
        [CoverageGap {
            from_hz: 22.10,
            to_hz: 25.70
        }]
    );
    // A point whose resonance was not shown leaves the same hole.
    let mut points = published_points();
    points[10].verdict = Verdict::Steady;
    let judgement = judge(&setup, &points, &[], &criterion, Some(&flat_curve(10.0)));
    assert_eq!(judgement.outcome, Outcome::Inconclusive);
    assert_eq!(judgement.gaps.len(), 1);
    // And none at all is no pass either.
    let judgement = judge(&setup, &[], &[], &criterion, Some(&flat_curve(10.0)));
    assert_eq!(judgement.outcome, Outcome::Inconclusive);
    assert_eq!(judgement.gaps.len(), 1);
}

#[test]
fn the_ends_of_the_range_count() {
    let spacing = |_: f64| 2.0;
    let all: Vec<f64> = (3..=20).map(|n| 2.0 * f64::from(n)).collect();
    assert_eq!(coverage_gaps(&all, (5.0, 41.0), spacing), []);
    assert_eq!(
        coverage_gaps(&all[1..], (5.0, 41.0), spacing),
        [CoverageGap {
            from_hz: 5.0,
            to_hz: 8.0
        }]
    );
    assert_eq!(
        coverage_gaps(&all, (5.0, 44.0), spacing),
        [CoverageGap {
            from_hz: 40.0,
            to_hz: 44.0
        }]
    );
}

#[test]
fn a_curve_is_straight_between_its_points_and_silent_beyond() {
    let text = "# invented\nfrequency_diameter_hz_m,efficiency_pct\n0.2, 10\n0.6,30\n1.4,14\n";
    let curve = RequiredCurve::parse(text, "c.csv").unwrap();
    // 20 mm: f·d = 0.4 at 20 Hz, half way; 1.0 at 50 Hz.
    assert!((curve.required_pct(20.0, 20.0).unwrap() - 20.0).abs() < 1e-9);
    assert!((curve.required_pct(50.0, 20.0).unwrap() - 22.0).abs() < 1e-9);
    assert_eq!(curve.required_pct(9.0, 20.0), None);
    let (low, high) = curve.range_hz(20.0);
    assert!((low - 10.0).abs() < 1e-9 && (high - 70.0).abs() < 1e-9);
}

#[test]
fn every_fault_of_a_curve_has_its_line() {
    let faults = |text: &str| -> Vec<(u64, String)> {
        let faults = RequiredCurve::parse(text, "c.csv").unwrap_err().faults;
        faults.into_iter().map(|f| (f.line, f.text)).collect()
    };
    let found =
        faults("# curve\nfrequency_hz,efficiency_pct\n5,10\n4,12\n6,x\n7,120\n8,1,2\n-1,5\n9,20\n");
    assert_eq!(
        found.iter().map(|f| f.0).collect::<Vec<_>>(),
        [4, 5, 6, 7, 8]
    );
    // As the published sheet heads its frequencies.
    let wind = faults("wind speed (mph),efficiency_pct\n6.70,17.23\n8.40,28.85\n");
    assert!(wind[0].0 == 1 && wind[0].1.contains("Strouhal"), "{wind:?}");
    assert_eq!(faults("f,eff\n1,2\n3,4\n")[0].0, 1);
    assert_eq!(faults("").len(), 1);
    assert_eq!(faults("frequency_hz,efficiency_pct\n5,10\n").len(), 1);
}

#[test]
fn the_shipped_example_curve_is_whole_and_says_that_it_is_invented() {
    let text = include_str!("../../../config/curves/example-curve.csv");
    assert!(text.contains("INVENTED"));
    let curve = RequiredCurve::parse(text, "example-curve.csv").unwrap();
    // Common practice, no source: a peak of about 25 %.
    let peak = (10..140)
        .filter_map(|n| curve.required_pct(f64::from(n), 10.0))
        .fold(0.0, f64::max);
    assert!((peak - 25.0).abs() < 0.5);
}

#[test]
fn strain_limits_are_peak_to_peak() {
    let criterion = Criterion {
        requirement: Requirement::StrainLimit {
            limit_pp_um_m: 300.0,
            location: None,
        },
        decision_rule: DecisionRule::SimpleAcceptance,
        level: CriterionLevel::Setup,
    };
    // Common practice, no source: 300 peak-to-peak is 150 zero-to-peak.
    assert!(
        criterion
            .statement()
            .contains("300 um/m peak-to-peak (150 um/m zero-to-peak)")
    );
    let strained = |damper: f64, end: f64| SettledPoint {
        verdict: Verdict::Held,
        frequency_hz: Some(Measured::without_u(20.0)),
        strain_pp_um_m: [
            (
                Gauge::only_at(StrainLocation::Damper),
                Measured::new(damper, 5.0),
            ),
            (Gauge::only_at(StrainLocation::End), Measured::new(end, 5.0)),
        ]
        .into(),
        ..SettledPoint::default()
    };
    let judged = |point| judge(&setup(), &[point], &[], &criterion, None).points[0].outcome;
    assert_eq!(judged(strained(160.0, 290.0)), Outcome::Pass);
    assert_eq!(judged(strained(160.0, 301.0)), Outcome::Fail);
    let without = SettledPoint {
        verdict: Verdict::Held,
        frequency_hz: Some(Measured::without_u(20.0)),
        ..SettledPoint::default()
    };
    assert_eq!(judged(without), Outcome::Inconclusive);
}

/// One of two gauges is silent: it may be the one that would pass the limit.
#[test]
fn a_silent_gauge_leaves_a_strain_limit_open_unless_another_passes_it() {
    let text = include_str!("../../../config/damped-trial.toml");
    let setup = crate::setup::parse(text, "damped-trial.toml").unwrap();
    let gauges = setup.channels.iter().filter(|c| c.role.is_clamp_strain());
    assert_eq!(gauges.count(), 2);
    let criterion = Criterion {
        requirement: Requirement::StrainLimit {
            limit_pp_um_m: 300.0,
            location: None,
        },
        decision_rule: DecisionRule::SimpleAcceptance,
        level: CriterionLevel::Any,
    };
    let judged = |damper: f64| {
        let point = SettledPoint {
            verdict: Verdict::Held,
            frequency_hz: Some(Measured::without_u(20.0)),
            strain_pp_um_m: [(
                Gauge::only_at(StrainLocation::Damper),
                Measured::new(damper, 5.0),
            )]
            .into(),
            ..SettledPoint::default()
        };
        judge(&setup, &[point], &[], &criterion, None).points[0].clone()
    };
    let open = judged(160.0);
    assert_eq!(open.outcome, Outcome::Inconclusive);
    assert!(open.reason.unwrap().contains("1 of 2 gauges"));
    assert_eq!(judged(301.0).outcome, Outcome::Fail);
}

fn wind_criterion(antinode_velocity_mm_s: Option<f64>) -> Criterion {
    Criterion {
        requirement: Requirement::WindPower {
            wind: WindFunction::by_id("iec-61897-1998").unwrap(),
            span_length_m: 300.0,
            dampers: 2,
            antinode_velocity_mm_s,
            tolerance_pct: 10.0,
            power: PowerForm::Standard,
        },
        decision_rule: DecisionRule::SimpleAcceptance,
        level: CriterionLevel::Setup,
    }
}

#[test]
fn power_against_the_wind() {
    // Drake, 28.12 mm, 20 Hz, 200 mm/s: IEC 2.335 mW/m (computed by other
    // code), 0.7005 W on 300 m, so two dampers need 0.350 W each.
    let mut setup = setup();
    setup.conductor.diameter_mm = 28.12;
    let powered = |w: f64, v: f64| SettledPoint {
        verdict: Verdict::Held,
        frequency_hz: Some(Measured::without_u(20.0)),
        antinode_velocity_mm_s: Some(Measured::new(v, 0.01 * v)),
        power_damper_w: Some(Measured::new(w, 0.03 * w)),
        ..SettledPoint::default()
    };
    let judged = |point, criterion: &Criterion| {
        judge(&setup, &[point], &[], criterion, None)
            .points
            .remove(0)
    };
    let own = wind_criterion(None);
    let pass = judged(powered(0.355, 200.0), &own);
    assert!((pass.required.unwrap() - 0.7005).abs() < 0.001);
    assert_eq!(pass.outcome, Outcome::Pass);
    assert_eq!(judged(powered(0.345, 200.0), &own).outcome, Outcome::Fail);
    // The requirement's own uncertainty enters: about 1 % of velocity, times
    // an exponent near 1.8, and 3 % of the power.
    let u = pass.value.unwrap().u / pass.value.unwrap().value;
    assert!((0.030..0.040).contains(&u), "{u}");
    let level = wind_criterion(Some(200.0));
    assert_eq!(judged(powered(0.355, 210.0), &level).outcome, Outcome::Pass);
    let off = judged(powered(0.9, 240.0), &level);
    assert_eq!(off.outcome, Outcome::Inconclusive);
    assert!(off.reason.unwrap().contains("another level"));
    // Y peak/d beyond the function's range: no requirement, no verdict.
    let wild = judged(powered(99.0, 2000.0), &own);
    assert_eq!(wild.outcome, Outcome::Inconclusive);
    let mut total_only = powered(9.0, 200.0);
    total_only.power_damper_w = None;
    assert!(
        judged(total_only, &own)
            .reason
            .unwrap()
            .contains("bare span")
    );
}

#[test]
fn a_criterion_holds_the_power_that_it_names() {
    // As above 0.350 W are needed: the plain difference falls short, the
    // corrected power does not.
    let mut setup = setup();
    setup.conductor.diameter_mm = 28.12;
    let mut point = SettledPoint {
        verdict: Verdict::Held,
        frequency_hz: Some(Measured::without_u(20.0)),
        antinode_velocity_mm_s: Some(Measured::new(200.0, 2.0)),
        power_damper_w: Some(Measured::new(0.345, 0.01)),
        power_damper_corrected_w: Some(Measured::new(0.355, 0.01)),
        ..SettledPoint::default()
    };
    let standard = wind_criterion(None);
    let mut corrected = wind_criterion(None);
    if let Requirement::WindPower { power, .. } = &mut corrected.requirement {
        *power = PowerForm::Corrected;
    }
    let judged = |point: &SettledPoint, criterion: &Criterion| {
        let mut found = judge(&setup, std::slice::from_ref(point), &[], criterion, None);
        (found.points.remove(0), found.criterion)
    };
    let (fail, said) = judged(&point, &standard);
    assert_eq!(fail.outcome, Outcome::Fail);
    assert!(said.contains("standard damper power"), "{said}");
    let (pass, said) = judged(&point, &corrected);
    assert_eq!(pass.outcome, Outcome::Pass);
    assert!(said.contains("corrected damper power"), "{said}");
    point.power_damper_corrected_w = None;
    let (open, _) = judged(&point, &corrected);
    assert_eq!(open.outcome, Outcome::Inconclusive);
    assert!(open.reason.unwrap().contains("corrected damper power"));
    assert_eq!(judged(&point, &standard).0.outcome, Outcome::Fail);
}

#[test]
fn a_criterion_names_author_and_convention() {
    let text = wind_criterion(None).statement();
    assert!(
        text.contains("IEC 61897 Annex C 1998") && text.contains("peak-to-peak"),
        "{text}"
    );
}

fn velocity_level(value: f64) -> Amplitude {
    Amplitude {
        rule: LevelRule::ConstantVelocity,
        value,
        tolerance_pct: 10.0,
    }
}

/// The published points, all taken at one velocity.
fn published_points_at(velocity_mm_s: f64) -> Vec<SettledPoint> {
    let mut points = published_points();
    for point in &mut points {
        point.antinode_velocity_mm_s = Some(Measured::new(velocity_mm_s, 1.0));
    }
    points
}

#[test]
fn a_sweep_a_third_below_its_level_does_not_pass() {
    let mut setup = setup();
    setup.amplitude = Some(velocity_level(200.0));
    let criterion = curve_criterion(DecisionRule::SimpleAcceptance);
    let curve = flat_curve(17.2);
    let judged = |velocity| {
        let points = published_points_at(velocity);
        judge(&setup, &points, &[], &criterion, Some(&curve))
    };
    // At the edge of the tolerance and just beyond it, on both sides.
    assert_eq!(judged(180.1).outcome, Outcome::Pass);
    assert_eq!(judged(219.9).outcome, Outcome::Pass);
    for velocity in [179.9, 220.1, 134.0] {
        let judgement = judged(velocity);
        assert_eq!(judgement.outcome, Outcome::Inconclusive, "{velocity}");
        assert_eq!(judgement.gaps.len(), 1, "nothing of the range is covered");
        for point in &judgement.points {
            assert_eq!(point.outcome, Outcome::Inconclusive);
            let reason = point.reason.as_deref().unwrap();
            assert!(reason.contains("another level"), "{reason}");
            assert!(reason.contains("200 mm/s peak ± 10 %"), "{reason}");
        }
    }
    // Nor does one whose level nobody knows.
    let unknown = judge(&setup, &published_points(), &[], &criterion, Some(&curve));
    assert_eq!(unknown.outcome, Outcome::Inconclusive);
    let reason = unknown.points[0].reason.as_deref().unwrap();
    assert!(reason.contains("not known"), "{reason}");
}

#[test]
fn one_sweep_at_two_levels_serves_two_criteria() {
    let mut setup = setup();
    setup.amplitude = Some(velocity_level(200.0));
    let at = |level| Criterion {
        level,
        ..curve_criterion(DecisionRule::SimpleAcceptance)
    };
    let mut points = published_points_at(200.0);
    // At 100 mm/s the same damper does half as well.
    let low = published_points_at(100.0).into_iter().map(|mut point| {
        point.point += 100;
        let efficiency = point.efficiency_pct.unwrap();
        point.efficiency_pct = Some(efficiency.times(0.5));
        point
    });
    points.extend(low);
    let judged = |level, pct| judge(&setup, &points, &[], &at(level), Some(&flat_curve(pct)));
    let high = judged(CriterionLevel::Setup, 17.2);
    assert_eq!(high.outcome, Outcome::Pass, "{high:?}");
    assert!(high.level.contains("200"), "{}", high.level);
    let own = CriterionLevel::Own(velocity_level(100.0));
    let low = judged(own, 8.6);
    assert_eq!(low.outcome, Outcome::Pass, "{low:?}");
    // The lowest of them, 8.615 %, decides at this level.
    assert_eq!(judged(own, 8.7).outcome, Outcome::Fail);
    // At any level the poorer half fails what the better one passes.
    assert_eq!(judged(CriterionLevel::Any, 17.2).outcome, Outcome::Fail);
    // A harmonic that was read at the other level only is missing.
    points.retain(|point| point.point != 11);
    let judgement = judge(
        &setup,
        &points,
        &[],
        &at(CriterionLevel::Setup),
        Some(&flat_curve(17.2)),
    );
    assert_eq!(judgement.outcome, Outcome::Inconclusive);
    assert_eq!(judgement.gaps.len(), 1);
}

#[test]
fn a_level_kept_by_strain_is_told_by_the_largest_gauge() {
    let mut setup = setup();
    setup.amplitude = Some(Amplitude {
        rule: LevelRule::ClampStrain,
        value: 300.0,
        tolerance_pct: 10.0,
    });
    let criterion = Criterion {
        requirement: Requirement::StrainLimit {
            limit_pp_um_m: 320.0,
            location: None,
        },
        decision_rule: DecisionRule::SimpleAcceptance,
        level: CriterionLevel::Setup,
    };
    let outcome = |damper: f64, end: f64| {
        let point = SettledPoint {
            verdict: Verdict::Held,
            frequency_hz: Some(Measured::without_u(20.0)),
            antinode_velocity_mm_s: Some(Measured::new(200.0, 2.0)),
            strain_pp_um_m: [
                (
                    Gauge::only_at(StrainLocation::Damper),
                    Measured::new(damper, 5.0),
                ),
                (Gauge::only_at(StrainLocation::End), Measured::new(end, 5.0)),
            ]
            .into(),
            ..SettledPoint::default()
        };
        judge(&setup, &[point], &[], &criterion, None).points[0].outcome
    };
    assert_eq!(outcome(150.0, 290.0), Outcome::Pass);
    assert_eq!(outcome(290.0, 150.0), Outcome::Pass);
    assert_eq!(outcome(325.0, 150.0), Outcome::Fail);
    assert_eq!(outcome(150.0, 200.0), Outcome::Inconclusive);
}

#[test]
fn a_guard_band_as_wide_as_half_the_error_decides_nothing() {
    let mut points = published_points();
    for point in &mut points {
        point.efficiency_pct = Some(Measured::new(point.efficiency_pct.unwrap().value, 0.0005));
        point.uncertainty_incomplete = vec!["node: no uncertainty_pct".to_owned()];
        point.uncertainty_incomplete_keys = vec!["efficiency_pct".to_owned()];
    }
    let (setup, curve) = (setup(), flat_curve(10.0));
    let judged = |rule| judge(&setup, &points, &[], &curve_criterion(rule), Some(&curve));
    let guarded = judged(DecisionRule::GuardBand);
    assert_eq!(guarded.outcome, Outcome::Inconclusive);
    for point in &guarded.points {
        let reason = point.reason.as_deref().unwrap();
        assert!(
            reason.contains("node: no uncertainty_pct") && reason.contains("guard band"),
            "{reason}"
        );
    }
    // Where the value alone decides, it decides; the mark stays.
    let simple = judged(DecisionRule::SimpleAcceptance);
    assert_eq!(simple.outcome, Outcome::Pass);
    assert!(
        simple
            .points
            .iter()
            .all(|point| point.uncertainty_incomplete)
    );
    // A complete uncertainty of the same size passes.
    for point in &mut points {
        point.uncertainty_incomplete_keys = vec!["power_total_w".to_owned()];
    }
    let complete = curve_criterion(DecisionRule::GuardBand);
    let complete = judge(&setup, &points, &[], &complete, Some(&curve));
    assert_eq!(complete.outcome, Outcome::Pass);
    assert!(
        complete
            .points
            .iter()
            .all(|point| !point.uncertainty_incomplete)
    );
}

#[test]
fn a_curve_of_fractions_and_one_beside_the_sweep_are_odd() {
    let sweep = crate::setup::Sweep {
        low_hz: 10.0,
        high_hz: 30.0,
    };
    let odd = |rows: &str| {
        let text = format!("frequency_hz,efficiency_pct\n{rows}");
        RequiredCurve::parse(&text, "a.csv")
            .unwrap()
            .oddities(sweep, 20.0)
    };
    assert_eq!(odd("5,10\n50,25\n"), Vec::<String>::new());
    let fractions = odd("5,0.1\n50,0.25\n");
    assert!(
        fractions[0].contains("per cent are right: 25 for 0.25"),
        "{fractions:?}"
    );
    let part = odd("20,10\n50,25\n");
    assert!(
        part[0].contains("only 20.00 to 30.00 Hz are judged"),
        "{part:?}"
    );
    let none = odd("40,10\n50,25\n");
    assert!(none[0].contains("nothing of the sweep"), "{none:?}");
}

fn excluded(point: u64) -> Exclusion {
    Exclusion {
        point,
        by: "A. Name".into(),
        text: "the node sensor had slipped".into(),
        written_utc: jiff::Timestamp::UNIX_EPOCH,
    }
}

/// A pass is no pass any more when one of its points is excluded: what it showed, no
/// other shows. With another reading of the same resonance it is one.
#[test]
fn an_excluded_point_leaves_the_verdict_open_unless_another_was_taken() {
    let setup = setup();
    let criterion = curve_criterion(DecisionRule::SimpleAcceptance);
    let mut points = published_points();
    let judged = |points: &[SettledPoint], exclusions: &[Exclusion], pct| {
        judge(
            &setup,
            points,
            exclusions,
            &criterion,
            Some(&flat_curve(pct)),
        )
    };
    assert_eq!(judged(&points, &[], 17.2).outcome, Outcome::Pass);
    for number in 1..=22 {
        let open = judged(&points, &[excluded(number)], 17.2);
        assert_eq!(open.outcome, Outcome::Inconclusive, "{number}");
        let of_it = &open.points[number as usize - 1];
        assert_eq!(of_it.outcome, Outcome::Inconclusive);
        assert_eq!(
            of_it.reason.as_deref(),
            Some(&*format!(
                "point {number} excluded by A. Name: the node sensor had slipped"
            ))
        );
        // Its value is still shown.
        assert!(of_it.value.is_some());
    }
    let another = SettledPoint {
        point: 100,
        ..points[10].clone()
    };
    points.push(another);
    assert_eq!(
        judged(&points, &[excluded(11)], 17.2).outcome,
        Outcome::Pass
    );
    let both = [excluded(11), excluded(100)];
    assert_eq!(judged(&points, &both, 17.2).outcome, Outcome::Inconclusive);
    // What fails, fails without the excluded one as well; and an exclusion alone
    // never turns a failure into a pass.
    assert_eq!(judged(&points, &[excluded(1)], 26.0).outcome, Outcome::Fail);
    let failing: Vec<Exclusion> = judged(&points, &[], 26.0)
        .points
        .iter()
        .filter(|point| point.outcome == Outcome::Fail)
        .map(|point| excluded(point.point))
        .collect();
    assert_eq!(
        judged(&points, &failing, 26.0).outcome,
        Outcome::Inconclusive
    );
}
