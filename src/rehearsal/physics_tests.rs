//! The virtual span against closed forms, handbook values and conservation.

use num_complex::Complex64;
use std::f64::consts::{PI, TAU};

use super::beam::{Beam, DisplacementField};
use super::field::{power_past_w, power_w};
use super::poles::{SearchRegion, zeros};
use super::{Shaker, SpanModel, VirtualSpan};
use crate::setup::{
    Channel, Conductor, HoldRules, Role, Setup, Source, SourceKind, Span, StrainLocation, Sweep,
    Test, Unit,
};

/// An invented 36 m span with a four-resonance damper.
pub(super) fn setup(damped: bool) -> Setup {
    let channel = |name: &str, role, index, unit, full_scale| Channel {
        name: name.into(),
        role,
        source: 0,
        index,
        unit,
        full_scale,
        uncertainty_pct: Some(1.0),
        phase_uncertainty_deg: None,
        serial: None,
        reference: None,
        position_m: None,
        position_uncertainty_mm: 20.0,
        moving_mass_kg: None,
        moving_mass_uncertainty_pct: None,
    };
    let acceleration = Unit::MetrePerSecondSquared;
    let strain = Unit::MicrometrePerMetre;
    Setup {
        test: Test {
            title: "invented".into(),
            damper: damped.then(|| "invented four-resonance damper".into()),
            operator: None,
        },
        conductor: Conductor {
            designation: "invented 26/7".into(),
            diameter_mm: 21.8,
            mass_kg_per_m: 0.98,
            mass_uncertainty_pct: 0.5,
            rated_strength_kn: Some(86.7),
            bending_stiffness_n_m2: Some(180.0),
            bending_stiffness_uncertainty_pct: 10.0,
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
            damper_position_m: damped.then_some(0.95),
            drive_position_m: Some(1.3),
            drive_mass_kg: None,
            drive_mass_uncertainty_pct: 10.0,
            node_from_damper: None,
        },
        sweep: Sweep {
            low_hz: 8.3,
            high_hz: 64.0,
        },
        amplitude: None,
        report: crate::setup::ReportParticulars::default(),
        instruments: Vec::new(),
        pictures: Vec::new(),
        limits: crate::setup::AlarmLimits::default(),
        hold: HoldRules::default(),
        sources: vec![Source {
            name: "bench".into(),
            kind: SourceKind::Wav,
            rate_hz: None,
            rate_uncertainty_ppm: 0.0,
            continues: false,
            utc_offset: None,
        }],
        channels: vec![
            channel("antinode", Role::Antinode, 0, acceleration, 490.0),
            channel("node", Role::Node, 1, acceleration, 100.0),
            channel("force", Role::DriveForce, 2, Unit::Newton, 200.0),
            channel("drive", Role::DriveMotion, 3, acceleration, 490.0),
            channel(
                "damper clamp",
                Role::ClampStrain {
                    location: StrainLocation::Damper,
                },
                4,
                strain,
                1000.0,
            ),
            channel(
                "end clamp",
                Role::ClampStrain {
                    location: StrainLocation::End,
                },
                5,
                strain,
                1000.0,
            ),
        ],
        placements: Vec::new(),
        criteria: Vec::new(),
        matching_file: None,
        matching: None,
    }
}

/// Mean power lost along the conductor between two places of one segment, W:
/// viscous and Kelvin–Voigt dissipation, integrated by Gauss–Legendre panels.
fn power_lost_w(beam: &Beam, field: &DisplacementField, from: f64, to: f64) -> f64 {
    // Nodes and weights of the five-point rule (Abramowitz & Stegun, table 25.4).
    const RULE: [(f64, f64); 5] = [
        (0.0, 0.568_888_888_888_888_9),
        (-0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
        (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
        (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
        (0.906_179_845_938_664, 0.236_926_885_056_189_08),
    ];
    // Short panels: fading waves are as short as sqrt(EI/T).
    let shortest = field.waves.evanescent.re.max(field.waves.travelling.im);
    let panels = ((to - from) * shortest).ceil().clamp(16.0, 20_000.0);
    let width = (to - from) / panels;
    let mut sum = 0.0;
    for panel in 0..(panels as usize) {
        let centre = from + (panel as f64 + 0.5) * width;
        for (place, weight) in RULE {
            let [y, _, curvature, _] = field.at(centre + 0.5 * width * place);
            let s2 = field.s.norm_sqr();
            let viscous = beam.viscous_n_s_per_m2 * s2 * y.norm_sqr();
            let bending = beam.stiffness_n_m2 * beam.self_damping_s * s2 * curvature.norm_sqr();
            sum += weight * (viscous + bending);
        }
    }
    0.25 * sum * width
}

fn spans() -> Vec<VirtualSpan> {
    let shaken = SpanModel {
        shaker: Some(Shaker {
            moving_mass_kg: 0.4,
            stiffness_n_m: 4000.0,
            damping_n_s_m: 30.0,
        }),
        ..SpanModel::default()
    };
    vec![
        VirtualSpan::new(&setup(true), &SpanModel::default()).unwrap(),
        VirtualSpan::new(&setup(false), &SpanModel::default()).unwrap(),
        VirtualSpan::new(&setup(true), &shaken).unwrap(),
    ]
}

/// Conservation of energy: what enters at the force cell leaves through the
/// damper, the conductor's own losses and the clamp that gives.
#[test]
fn power_in_is_power_out() {
    for span in spans() {
        for resonance in span.resonances() {
            let steady = span.driven.steady(resonance.frequency_hz + 0.03).unwrap();
            let field = &steady.field;
            let velocity = |x: f64| field.s * field.at(x)[0];
            let entering = power_w(steady.cell, velocity(span.driven.drive_m));
            let damper = span.driven.damper_m.map_or(0.0, |x| {
                0.5 * velocity(x).norm_sqr() * span.driven.model.damper.impedance(field.s).re
            });
            let lost: f64 = span
                .driven
                .beam
                .bounds
                .windows(2)
                .map(|ends| power_lost_w(&span.driven.beam, field, ends[0], ends[1]))
                .sum();
            let length = span.driven.setup.span.length_m;
            let [_, slope, _, shear] = field.at(length);
            let force = field.waves.stiffness * shear - slope * span.driven.beam.tension_n;
            let end = 0.5 * force.norm_sqr() * span.driven.beam.end_mobility_m_per_n_s;
            let leaving = damper + lost + end;
            assert!(
                ((entering - leaving) / entering).abs() < 1e-6,
                "{} Hz: {entering} W in, {leaving} W out",
                resonance.frequency_hz
            );
            // And past the node: what is lost beyond it.
            let node = steady.places.node_m;
            let mut bounds = vec![node];
            bounds.extend(span.driven.damper_m);
            bounds.push(length);
            let beyond: f64 = bounds
                .windows(2)
                .map(|ends| power_lost_w(&span.driven.beam, field, ends[0], ends[1]))
                .sum();
            let past = power_past_w(&span.driven.beam, field, node);
            assert!(((past - damper - end - beyond) / entering).abs() < 1e-6);
        }
    }
}

/// Natural frequencies of a conductor without damper, Hz.
fn natural_frequencies(beam: &Beam, expected_spacing_hz: f64, top_hz: f64) -> Vec<f64> {
    let function = |s: Complex64| beam.system(s, &[], &[]).0.solve();
    let spacing = TAU * expected_spacing_hz;
    let window = SearchRegion {
        low: Complex64::new(-0.5 * spacing, 0.5 * spacing),
        high: Complex64::new(0.5 * spacing, TAU * top_hz),
    };
    zeros(&function, window, &[], spacing)
        .unwrap()
        .iter()
        .map(|s| s.im / TAU)
        .collect()
}

/// EI → 0: the string, f_n = n/(2 L) sqrt(T/m).
#[test]
fn without_stiffness_a_string() {
    let beam = Beam::new([18e3, 0.98, 1e-7, 0.0, 0.0], 36.0, &[]);
    let first = (18e3_f64 / 0.98).sqrt() / 72.0;
    let found = natural_frequencies(&beam, first, 20.5 * first);
    assert_eq!(found.len(), 20);
    for (n, f) in (1..).zip(found) {
        let string = f64::from(n) * first;
        assert!(
            (f / string - 1.0).abs() < 1e-5,
            "n = {n}: {f} Hz, {string} Hz"
        );
    }
}

/// T → 0: the clamped–clamped beam, beta L = 4.73004, 7.85320, 10.9956,
/// 14.1372 (Blevins, Formulas for Natural Frequency and Mode Shape, table
/// 8-1; from memory).
#[test]
fn without_tension_a_clamped_beam() {
    let (stiffness, mass, length) = (180.0_f64, 0.98_f64, 3.0_f64);
    let beam = Beam::new([0.0, mass, stiffness, 0.0, 0.0], length, &[]);
    let hz = |beta_l: f64| (beta_l / length).powi(2) * (stiffness / mass).sqrt() / TAU;
    let found = natural_frequencies(&beam, 0.6 * hz(4.73), hz(15.5));
    assert_eq!(found.len(), 4);
    for (beta_l, f) in [4.730_04, 7.853_20, 10.995_6, 14.137_2]
        .into_iter()
        .zip(found)
    {
        assert!(
            (f / hz(beta_l) - 1.0).abs() < 5e-6,
            "beta L {beta_l}: {f} Hz"
        );
    }
}

/// The stiff string. Hinged ends: f_n = n f_0 sqrt(1 + B n²) with
/// B = pi² EI/(T L²). Clamped ends raise every f_n by about
/// 1 + 2 sqrt(B)/pi + 4 B/pi² (Fletcher, J. Acoust. Soc. Am. 36 (1964) 203,
/// from memory), here 0.56 %: the free length is shorter by one fading length
/// sqrt(EI/T) at each end.
#[test]
fn the_stiff_string_between_clamps() {
    let (tension, mass, stiffness, length) = (18e3_f64, 0.98_f64, 180.0_f64, 36.0_f64);
    let beam = Beam::new([tension, mass, stiffness, 0.0, 0.0], length, &[]);
    let f0 = (tension / mass).sqrt() / (2.0 * length);
    let b = PI * PI * stiffness / (tension * length * length);
    let found = natural_frequencies(&beam, f0, 30.9 * f0);
    assert!(found.len() >= 28);
    for (n, f) in (1..).zip(found).take(12) {
        let n = f64::from(n);
        let hinged = n * f0 * (1.0 + b * n * n).sqrt();
        let clamped = hinged * (1.0 + 2.0 / PI * b.sqrt() + 4.0 / (PI * PI) * b);
        assert!(
            (f / clamped - 1.0).abs() < 1e-4,
            "n = {n}: {f} Hz, {clamped} Hz"
        );
        assert!(f > hinged);
    }
}

/// A lightly damped resonance is as wide as its pole is far from the
/// imaginary axis: df = −Re(lambda)/pi.
#[test]
fn the_response_is_as_wide_as_the_pole_says() {
    for (span, tolerance) in spans().iter().zip([0.08, 2e-4]) {
        for r in span
            .resonances()
            .iter()
            .filter(|r| r.harmonic > 10 && r.harmonic < 27)
        {
            let width = 1.0 / (PI * r.time_constant_s);
            assert!(
                (r.half_power_bandwidth_hz / width - 1.0).abs() < tolerance,
                "n = {}: {} Hz, {width} Hz",
                r.harmonic,
                r.half_power_bandwidth_hz
            );
        }
    }
}

/// The response is the sum of its poles, with a remainder that does not know
/// the resonances: near each pole, residue/(s − lambda) carries it.
#[test]
fn residues_carry_the_response() {
    for span in spans() {
        // A pole that dies within a cycle is seen at the damper only.
        for pole in span.poles.iter().filter(|p| -p.s.re < 0.1 * p.s.im) {
            let x = 0.37 * span.driven.setup.span.length_m;
            // On both sides of the pole, so that the remainder's value drops out.
            let exact: Complex64 = [1e-3, -1e-3]
                .map(|offset| span.driven.field(pole.s + offset).at(x)[0] * offset)
                .iter()
                .sum::<Complex64>()
                * 0.5;
            let residue = pole.residue.at(x)[0];
            let error = (exact - residue).norm() / residue.norm();
            assert!(error < 1e-4, "{}: {error:e}", pole.s);
        }
    }
}

/// Antinode velocity in phase with the force is also where the antinode's
/// response is largest; a damper whose own impedance changes across the peak
/// may move the maximum a little, but not its height.
#[test]
fn in_phase_is_largest_response() {
    for (span, tolerance) in spans().iter().zip([0.02, 1e-6]) {
        for r in span.resonances().iter().filter(|r| r.harmonic < 27) {
            let size = |f: f64| {
                let steady = span.driven.steady(f).unwrap();
                let [y, ..] = steady.field.at(steady.places.antinode_m);
                (y * f / steady.cell).norm()
            };
            let largest = (-20..=20)
                .map(|k| size(r.frequency_hz + 0.025 * f64::from(k) * r.half_power_bandwidth_hz))
                .fold(0.0, f64::max);
            let short = 1.0 - size(r.frequency_hz) / largest;
            assert!(short < tolerance, "n = {}: {short}", r.harmonic);
        }
    }
}
