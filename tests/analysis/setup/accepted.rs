//! What is right is taken as written.

use super::{BENCH, DESIGN, bench_with};
use spanhold::setup::{
    self, AcceptedVerdicts, Amplitude, HoldRules, LevelRule, Protocol, Quantity, Role, RoleKind,
    SourceKind, StrainLocation, Unit,
};
use std::path::Path;

#[test]
#[expect(clippy::float_cmp, reason = "numbers are taken as written, to the bit")]
fn the_example_of_the_design() {
    let setup = setup::parse(DESIGN, "design.toml").unwrap();
    assert_eq!(setup.test.title, "Damper type trial 3, sample B");
    assert_eq!(setup.test.damper.as_deref(), Some("4-resonance, 5.1 kg"));
    assert_eq!(setup.test.operator.as_deref(), Some("bench 2"));
    assert_eq!(setup.conductor.designation, "ACSR 26/7, 21.8 mm");
    assert_eq!(setup.conductor.diameter_mm, 21.8);
    assert_eq!(setup.conductor.mass_kg_per_m, 0.98);
    assert_eq!(setup.conductor.rated_strength_kn, Some(86.7));
    assert_eq!(setup.conductor.bending_stiffness_n_m2, Some(180.0));
    assert_eq!(setup.span.length_m, 36.0);
    assert_eq!(setup.span.tension_kn, 18.0);
    assert_eq!(setup.span.damper_position_m, Some(0.95));
    assert_eq!(setup.span.drive_position_m, Some(1.3));
    assert_eq!((setup.sweep.low_hz, setup.sweep.high_hz), (8.3, 64.0));
    assert_eq!(
        setup.amplitude,
        Some(Amplitude {
            rule: LevelRule::ConstantVelocity,
            value: 200.0,
            tolerance_pct: 10.0
        })
    );
    assert_eq!(setup.hold, HoldRules::default());
    assert_eq!(setup.sources.len(), 1);
    assert_eq!(setup.sources[0].name, "bench");
    assert_eq!(
        setup.sources[0].kind,
        SourceKind::Serial {
            port: "/dev/ttyUSB0".to_owned(),
            baud: 921_600,
            protocol: Protocol::Frames
        }
    );
    assert_eq!(setup.sources[0].rate_hz, None);
    assert_eq!(setup.channels.len(), 1);
    let channel = &setup.channels[0];
    assert_eq!(channel.name, "antinode");
    assert_eq!(channel.role, Role::Antinode);
    assert_eq!((channel.source, channel.index), (0, 0));
    assert_eq!(channel.unit, Unit::MetrePerSecondSquared);
    assert_eq!(channel.full_scale, 490.3325);
    assert_eq!(channel.uncertainty_pct, Some(1.0));
    assert_eq!(channel.position_m, Some(33.1));
    assert_eq!(channel.role.location(), None);
}

/// Worked by hand: T = 18 000 N, m = 0.98 kg/m.
#[test]
fn impedance_speed_and_fundamental() {
    let setup = setup::parse(DESIGN, "design.toml").unwrap();
    // 132.8157² = 17 640.01, 135.5262² = 18 367.35.
    assert!((setup.wave_impedance_n_s_per_m() - 132.8157).abs() < 1e-4);
    assert!((setup.wave_speed_m_s() - 135.5262).abs() < 1e-4);
    // 135.5262/72.
    assert!((setup.string_fundamental_hz() - 1.882_308).abs() < 1e-6);
}

#[test]
#[expect(clippy::float_cmp, reason = "numbers are taken as written, to the bit")]
fn every_key_of_a_whole_bench() {
    let hold = "[hold]\nmin_seconds = 9\nmin_cycles = 120\nmax_seconds = 50\n\
                ring_up_time_constants = 5\ndrive_phase_deg = 15\ndrift_bandwidths = 0.2\n\
                amplitude_drift_pct = 2\namplitude_variation_pct = 3\nnode_drift_pct = 2.5\nnode_variation_pct = 4.0\nbeat_pct = 0.9\n\
                distortion_pct = 11\nmin_snr_db = 25\ndrive_node_sine = 0.2\naccept = [\"steady\", \"held\"]";
    let text = bench_with(&[
        (
            12,
            "mass_uncertainty_pct = 1.1\nbending_stiffness_uncertainty_pct = 30",
        ),
        (
            18,
            "length_uncertainty_mm = 5\ntension_uncertainty_pct = 1.2",
        ),
        (28, hold),
        (29, "#"),
        (30, "#"),
        (39, "rate_uncertainty_ppm = 20"),
    ]);
    let setup = setup::parse(&text, "bench.toml").unwrap();
    assert_eq!(setup.conductor.mass_uncertainty_pct, 1.1);
    assert_eq!(setup.conductor.bending_stiffness_uncertainty_pct, 30.0);
    assert_eq!(setup.span.length_uncertainty_mm, 5.0);
    assert_eq!(setup.span.tension_uncertainty_pct, 1.2);
    assert_eq!(
        setup.hold,
        HoldRules {
            min_seconds: 9.0,
            min_cycles: 120.0,
            max_seconds: 50.0,
            ring_up_time_constants: 5.0,
            drive_phase_deg: 15.0,
            drift_bandwidths: 0.2,
            amplitude_drift_pct: 2.0,
            amplitude_variation_pct: 3.0,
            node_drift_pct: 2.5,
            node_variation_pct: 4.0,
            beat_pct: 0.9,
            distortion_pct: 11.0,
            min_snr_db: 25.0,
            drive_node_sine: 0.2,
            accept: AcceptedVerdicts {
                steady: true,
                off_peak: false,
            },
        }
    );
    assert_eq!(setup.sources[0].rate_hz, Some(1000.0));
    assert_eq!(setup.sources[0].rate_uncertainty_ppm, 20.0);
    assert_eq!(setup.sources[1].kind, SourceKind::Wav);
    let strain = &setup.channels[5];
    assert_eq!((strain.source, strain.index), (1, 0));
    assert_eq!(strain.role.location(), Some(StrainLocation::Damper));
    let reference = setup.channels[1].reference.as_ref().unwrap();
    assert_eq!(reference.name, "standard");
    assert_eq!(reference.uncertainty_pct, 0.6);
    assert_eq!(setup.main_source().map(|(nth, _)| nth), Some(0));
}

/// IEC 61897: 0.18/d to 1.4/d; for d = 21.8 mm 8.257 and 64.220 Hz by hand.
#[test]
fn the_sweep_defaults_to_the_aeolian_range() {
    let text = bench_with(&[(20, "#"), (21, "#")]);
    let sweep = setup::parse(&text, "bench.toml").unwrap().sweep;
    assert!((sweep.low_hz - 8.257).abs() < 1e-3);
    assert!((sweep.high_hz - 64.220).abs() < 1e-3);

    let text = bench_with(&[(19, "#"), (20, "#"), (21, "#")]);
    assert_eq!(setup::parse(&text, "bench.toml").unwrap().sweep, sweep);
}

#[test]
fn what_is_optional_may_be_missing() {
    let text = "[test]\ntitle = \"t\"\n[conductor]\ndesignation = \"c\"\ndiameter_mm = 20\n\
                mass_kg_per_m = 1\n[span]\nlength_m = 30\ntension_kn = 20\n\
                [[source]]\nname = \"Prüfstand-2\"\nkind = \"wav\"\n\
                [[channel]]\nname = \"a\"\nrole = \"antinode\"\nsource = \"Prüfstand-2\"\n\
                index = 0x0\nunit = \"g\"\nfull_scale = 5_0\n";
    for text in [
        text.to_owned(),
        text.replace('\n', "\r\n"),
        format!("\u{feff}{text}"),
    ] {
        let loaded = setup::examine(&text, "bare.toml").unwrap();
        let setup = &loaded.setup;
        assert_eq!(setup.amplitude, None);
        assert_eq!(setup.hold, HoldRules::default());
        assert_eq!(setup.test.damper, None);
        assert_eq!(setup.span.drive_position_m, None);
        assert_eq!(setup.channels[0].uncertainty_pct, None);
        assert_eq!(loaded.text, text, "kept byte for byte");
    }
}

#[test]
fn the_setups_that_come_along() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("config");
    for name in ["damped-trial.toml", "bare-trial.toml", "serial-bench.toml"] {
        let path = folder.join(name);
        let loaded = setup::read(&path).unwrap_or_else(|faults| panic!("{faults}"));
        assert_eq!(loaded.warnings, [], "{name}");
        assert_eq!(loaded.text.as_bytes(), std::fs::read(&path).unwrap());
        let roles: Vec<Role> = loaded.setup.channels.iter().map(|c| c.role).collect();
        assert_eq!(
            roles,
            [
                Role::Antinode,
                Role::Node,
                Role::DriveForce,
                Role::DriveMotion,
                Role::ClampStrain {
                    location: StrainLocation::Damper
                },
                Role::ClampStrain {
                    location: StrainLocation::End
                }
            ],
            "{name}"
        );
        assert_eq!(loaded.setup.test.damper.is_none(), name.starts_with("bare"));
        assert_eq!(setup::load(&path).unwrap(), loaded.setup);
    }
}

/// The words of the file and the words of the messages are the same.
#[test]
fn units_and_roles_are_called_as_in_the_file() {
    for unit in Unit::ALL {
        assert_eq!(serde_json::to_value(unit).unwrap(), unit.symbol());
    }
    for kind in RoleKind::ALL {
        assert_eq!(serde_json::to_value(kind).unwrap(), kind.row().word);
    }
    for rule in [
        LevelRule::ConstantVelocity,
        LevelRule::InverseFrequency,
        LevelRule::ClampStrain,
    ] {
        assert_eq!(serde_json::to_value(rule).unwrap(), rule.name());
    }
}

/// SI factors from the SI brochure; standard gravity from CGPM 1901.
#[test]
fn units_convert_to_si() {
    let expected = [
        ("m/s2", Quantity::Acceleration, 1.0),
        ("g", Quantity::Acceleration, 9.806_65),
        ("mm/s", Quantity::Velocity, 0.001),
        ("m/s", Quantity::Velocity, 1.0),
        ("mm", Quantity::Displacement, 0.001),
        ("um", Quantity::Displacement, 0.000_001),
        ("um/m", Quantity::Strain, 0.000_001),
        ("N", Quantity::Force, 1.0),
        ("kN", Quantity::Force, 1000.0),
    ];
    for (unit, (symbol, quantity, factor)) in Unit::ALL.into_iter().zip(expected) {
        assert_eq!(unit.symbol(), symbol);
        assert_eq!(unit.quantity(), quantity);
        assert!((unit.to_si() / factor - 1.0).abs() < 1e-15);
    }
}

#[test]
fn the_bench_of_these_tests_has_no_warning() {
    assert_eq!(setup::examine(BENCH, "bench.toml").unwrap().warnings, []);
}
