//! The plan against facts from outside; the published sheets are in
//! `tests/analysis/published_sheets.rs`.

use super::*;
use crate::setup::{
    Amplitude, Channel, Conductor, HoldRules, Role, Source, SourceKind, Span, Sweep, Test, Unit,
};

fn setup(rule: LevelRule, value: f64) -> Setup {
    Setup {
        test: Test {
            title: "invented".into(),
            damper: Some("invented".into()),
            operator: None,
        },
        conductor: Conductor {
            designation: "invented".into(),
            diameter_mm: 21.8,
            mass_kg_per_m: 0.98,
            mass_uncertainty_pct: 0.5,
            rated_strength_kn: None,
            bending_stiffness_n_m2: Some(180.0),
            bending_stiffness_uncertainty_pct: 20.0,
            loss_factor_pct: 0.05,
            bending_loss_factor_pct: 2.0,
            loss_uncertainty_pct: 120.0,
            outer_wire_diameter_mm: None,
            least_bending_stiffness_n_m2: None,
        },
        span: Span {
            length_m: 36.0,
            length_uncertainty_mm: 10.0,
            tension_kn: 18.0,
            tension_uncertainty_pct: 1.0,
            damper_position_m: Some(0.95),
            drive_position_m: Some(1.3),
            drive_mass_kg: None,
            drive_mass_uncertainty_pct: 10.0,
            node_from_damper: None,
        },
        sweep: Sweep {
            low_hz: 8.3,
            high_hz: 64.0,
        },
        amplitude: Some(Amplitude {
            rule,
            value,
            tolerance_pct: 10.0,
        }),
        report: crate::setup::ReportParticulars::default(),
        instruments: Vec::new(),
        pictures: Vec::new(),
        limits: crate::setup::AlarmLimits::default(),
        hold: HoldRules::default(),
        sources: vec![Source {
            name: "bench".into(),
            kind: SourceKind::Wav,
            rate_hz: Some(1000.0),
            rate_uncertainty_ppm: 50.0,
            continues: false,
            utc_offset: None,
        }],
        channels: vec![
            channel("antinode", Role::Antinode, Unit::StandardGravity, 10.0),
            channel("node", Role::Node, Unit::MillimetrePerSecond, 100.0),
        ],
        placements: Vec::new(),
        criteria: Vec::new(),
        matching_file: None,
        matching: None,
    }
}

/// The plan with what is assumed of such a setup.
fn planned(setup: &Setup) -> Plan {
    Plan::of(setup, Assumptions::of(setup))
}

fn channel(name: &str, role: Role, unit: Unit, full_scale: f64) -> Channel {
    Channel {
        name: name.into(),
        role,
        source: 0,
        index: 0,
        unit,
        full_scale,
        phase_uncertainty_deg: None,
        serial: None,
        uncertainty_pct: None,
        reference: None,
        position_m: None,
        position_uncertainty_mm: 20.0,
        moving_mass_kg: None,
        moving_mass_uncertainty_pct: None,
    }
}

#[test]
fn amplitude_inverse_to_frequency_is_a_constant_velocity() {
    // Common practice, no source: 67/f mm peak-to-peak is about 210 mm/s peak
    // whatever the frequency.
    let plan = planned(&setup(LevelRule::InverseFrequency, 67.0));
    assert!(plan.harmonics.len() > 25);
    for h in &plan.harmonics {
        assert!((h.antinode_velocity_mm_s.unwrap() - 210.0).abs() < 1.0);
        let pp = h.antinode_amplitude_mm_pp.unwrap();
        assert!((pp - 67.0 / h.frequency_hz).abs() < 1e-9);
    }
}

#[test]
fn three_inches_over_frequency() {
    // Two published laboratory sheets (scribd 456219704, 456219705) test at
    // 3/f inch peak-to-peak: 239.4 mm/s peak (computed by other code).
    let plan = planned(&setup(LevelRule::InverseFrequency, 76.2));
    for h in &plan.harmonics {
        assert!((h.antinode_velocity_mm_s.unwrap() - 239.4).abs() < 0.05);
    }
}

#[test]
fn acceleration_against_the_range_of_the_channel() {
    // 1 g peak at 20 Hz is 0.621 mm peak (computed by other code), so
    // 78.04 mm/s: at that level an accelerometer sees about f/20 g.
    let plan = planned(&setup(LevelRule::ConstantVelocity, 78.04));
    let outlook = &plan.channels[0];
    let top = plan.harmonics.last().unwrap().frequency_hz;
    assert!((outlook.largest_peak.unwrap() - top / 20.0).abs() < 0.002 * top / 20.0);
    assert_eq!(outlook.range_suffices, Some(true));
    let mut narrow = setup(LevelRule::ConstantVelocity, 78.04);
    narrow.channels[0].full_scale = 3.5;
    let plan = planned(&narrow);
    assert_eq!(plan.channels[0].range_suffices, Some(false));
    assert!(
        plan.warnings
            .iter()
            .any(|w| w.contains("\"antinode\"") && w.contains("full scale"))
    );
}

#[test]
fn the_assumed_efficiency_sets_node_and_power() {
    // Common practice, no source: node 190 mm/s over antinode 310 mm/s is
    // about 61 %.
    let assumed = Assumptions {
        efficiency_pct: 61.3,
        converter_bits: 16,
    };
    let plan = Plan::of(&setup(LevelRule::ConstantVelocity, 310.0), assumed);
    let h = &plan.harmonics[0];
    assert!((h.node_velocity_mm_s.unwrap() - 190.0).abs() < 0.1);
    // By hand: 9.47 Hz and 190 mm/s are 11.31 m/s² peak.
    assert!((h.frequency_hz - 9.47).abs() < 0.01, "{}", h.frequency_hz);
    assert!((h.node_acceleration_m_s2.unwrap() - 11.31).abs() < 0.02);
    // P = ½ sqrt(T m) V_a V_n, by hand: ½ · 132.8 · 0.31 · 0.19 = 3.91 W.
    assert!((h.power_w.unwrap() - 3.91).abs() < 0.01);
}

#[test]
fn coarse_converters_and_slow_rates_are_found() {
    let mut slow = setup(LevelRule::ConstantVelocity, 200.0);
    slow.sources[0].rate_hz = Some(200.0);
    let assumed = Assumptions {
        converter_bits: 8,
        efficiency_pct: 2.0,
    };
    let plan = Plan::of(&slow, assumed);
    assert_eq!(plan.channels[1].rate_suffices, Some(false));
    // 4 mm/s peak on 100 mm/s full scale at 8 bits: 5 steps, about 22 dB.
    assert!((plan.channels[1].quantisation_snr_db.unwrap() - 21.96).abs() < 0.05);
    assert_eq!(plan.channels[1].resolution_suffices, Some(false));
}

#[test]
fn a_slow_value_is_not_asked_for_samples_a_cycle() {
    let mut with_load_cell = setup(LevelRule::ConstantVelocity, 200.0);
    with_load_cell.sources.push(Source {
        name: "load cell".into(),
        rate_hz: Some(10.0),
        ..with_load_cell.sources[0].clone()
    });
    with_load_cell.channels.push(Channel {
        name: "tension".into(),
        role: Role::Tension,
        source: 1,
        unit: Unit::Kilonewton,
        ..with_load_cell.channels[0].clone()
    });
    let says = |setup: &Setup| {
        let plan = planned(setup);
        let tension = plan.channels.last().unwrap();
        let said = plan.warnings.iter().any(|w| w.contains("samples a cycle"));
        (tension.rate_suffices, tension.samples_per_cycle, said)
    };
    assert_eq!(says(&with_load_cell), (Some(true), None, false));
    // An accelerometer at that rate is another matter.
    let last = with_load_cell.channels.last_mut().unwrap();
    last.role = Role::DriveMotion;
    assert_eq!(
        says(&with_load_cell),
        (Some(false), Some(10.0 / 64.0), true)
    );
}

#[test]
fn a_drive_near_its_own_node_is_named() {
    let mut far = setup(LevelRule::ConstantVelocity, 200.0);
    // Loops of 1.2 m: a drive at 1.25 m sits near the first node.
    far.span.drive_position_m = Some(1.25);
    let plan = planned(&far);
    let near: Vec<_> = plan
        .harmonics
        .iter()
        .filter(|h| h.drive_near_node)
        .collect();
    assert!(!near.is_empty());
    for h in &near {
        // Within 5 % of a whole loop from the equivalent string's end.
        let loops = 1.25 / h.loop_length_m;
        assert!((loops - 1.0).abs() < 0.15, "{loops}");
        assert!(h.drive_force_n.is_none());
    }
    assert!(plan.warnings.iter().any(|w| w.contains("near a node")));
}

#[test]
fn a_short_span_is_named() {
    let mut short = setup(LevelRule::ConstantVelocity, 200.0);
    assert!(!planned(&short).warnings.iter().any(|w| w.contains("30 m")));
    short.span.length_m = 29.0;
    let plan = planned(&short);
    assert!(
        plan.warnings
            .iter()
            .any(|w| w.contains("30 m") && w.contains("no source"))
    );
}

#[test]
fn clamp_strain_of_a_known_conductor() {
    // Drake: outer wires of 4.442 mm, EImin 44.4 N m² (computed from its wires
    // by other code); 150 µm/m zero-to-peak at 353 mm/s peak, so 300 µm/m
    // peak-to-peak.
    let mut drake = setup(LevelRule::ConstantVelocity, 353.0);
    drake.conductor.mass_kg_per_m = 1.628;
    drake.conductor.outer_wire_diameter_mm = Some(4.442);
    drake.conductor.least_bending_stiffness_n_m2 = Some(44.4);
    for h in &planned(&drake).harmonics {
        assert!((h.clamp_strain_pp_um_m.unwrap() - 300.0).abs() < 1.0);
    }
    drake.amplitude = Some(Amplitude {
        rule: LevelRule::ClampStrain,
        value: 300.0,
        tolerance_pct: 10.0,
    });
    for h in &planned(&drake).harmonics {
        assert!((h.antinode_velocity_mm_s.unwrap() - 353.0).abs() < 1.0);
    }
}

#[test]
fn a_bare_span_is_given_the_time_to_ring_up() {
    let damped = setup(LevelRule::ConstantVelocity, 200.0);
    let mut bare = damped.clone();
    bare.test.damper = None;
    bare.span.damper_position_m = None;
    let first = |setup: &Setup| planned(setup).harmonics[0].clone();
    // By hand: f1 = 1.882 Hz; df = 2 S f1/pi = 3.59 mHz at 0.3 %, and the time
    // constant 1/(pi df) = 88.6 s; at 10 % 2.66 s.
    let time_constant = |setup: &Setup| first(setup).ring_up_time_constant_s;
    assert!(
        (time_constant(&bare) - 88.6).abs() < 2.0,
        "{}",
        time_constant(&bare)
    );
    assert!(
        (time_constant(&damped) - 2.66).abs() < 0.06,
        "{}",
        time_constant(&damped)
    );
    // Seven of them, and one and a half of 100 cycles at 9.47 Hz, 15.8 s.
    let dwell_s = first(&bare).dwell_s;
    assert!(
        (dwell_s - (7.0 * time_constant(&bare) + 15.8)).abs() < 0.1,
        "{dwell_s}"
    );
}

#[test]
fn a_strain_or_motion_above_its_limit_is_named() {
    let mut drake = setup(LevelRule::ConstantVelocity, 353.0);
    drake.conductor.mass_kg_per_m = 1.628;
    drake.conductor.outer_wire_diameter_mm = Some(4.442);
    drake.conductor.least_bending_stiffness_n_m2 = Some(44.4);
    let warned = |setup: &Setup, words: &str| {
        let warnings = planned(setup).warnings;
        warnings.iter().any(|warning| warning.contains(words))
    };
    // 300 um/m peak-to-peak at 353 mm/s, computed by other code.
    for (limit, above) in [(298.0, true), (303.0, false)] {
        drake.limits.strain_pp_um_m = Some(limit);
        assert_eq!(warned(&drake, "limits.strain_pp_um_m"), above, "{limit}");
        drake.criteria = vec![crate::setup::Criterion {
            requirement: Requirement::StrainLimit {
                limit_pp_um_m: limit,
                location: None,
            },
            decision_rule: crate::setup::DecisionRule::SimpleAcceptance,
            level: crate::setup::CriterionLevel::Setup,
        }];
        assert_eq!(warned(&drake, "the limit of criterion 1"), above, "{limit}");
    }
    for (limit, above) in [(350.0, true), (356.0, false)] {
        drake.limits.antinode_velocity_mm_s = Some(limit);
        assert_eq!(warned(&drake, "limits.antinode_velocity_mm_s"), above);
    }
}

#[test]
fn a_damper_on_a_node_or_in_the_clamp_is_named() {
    let warned = |place_m: f64| {
        let mut setup = setup(LevelRule::ConstantVelocity, 200.0);
        setup.span.damper_position_m = Some(place_m);
        let warnings = planned(&setup).warnings;
        warnings
            .iter()
            .find(|warning| warning.contains("span.damper_position_m"))
            .cloned()
    };
    // sqrt(18000/0.98)/(2·64 Hz) = 1.06 m for a string; EI lengthens the loop,
    // and the clamp adds sqrt(EI/T) = 0.1 m: 1.19 m.
    for place_m in [0.6, 0.95, 1.1] {
        assert_eq!(warned(place_m), None);
    }
    assert!(warned(1.3).unwrap().contains("sits on a node"));
    assert!(warned(0.2).unwrap().contains("hardly moves"));
}
