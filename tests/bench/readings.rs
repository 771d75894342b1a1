//! Settled points as a bench with calibration errors and noise reads them, from
//! what is true.

use num_complex::Complex64;
use spanhold::reduction::equations::Inputs;
use spanhold::reduction::uncertainty::{Cause, InputPhasor, propagate};
use spanhold::reduction::{Measured, SettledPoint};
use spanhold::rehearsal::DwellTruth;
use spanhold::setup::{Quantity, Setup, Verdict};
use spanhold::span::StrungConductor;

/// What calibration and noise do in one trial: relative errors.
#[derive(Debug, Clone, Copy, Default)]
pub struct Errors {
    pub antinode: f64,
    pub node: f64,
    pub reference: f64,
    pub tension: f64,
    pub mass: f64,
    pub stiffness: f64,
    pub force: f64,
    pub strain: f64,
}

/// Standard uncertainties that the demo's setup states.
pub const STATED: Errors = Errors {
    antinode: 0.005,
    node: 0.005,
    reference: 0.003,
    tension: 0.005,
    mass: 0.01,
    stiffness: 0.25,
    force: 0.0075,
    strain: 0.01,
};

impl Errors {
    /// Errors of one bench, drawn from what is stated.
    pub fn drawn(mut normal: impl FnMut() -> f64) -> Self {
        Self {
            antinode: STATED.antinode * normal(),
            node: STATED.node * normal(),
            reference: STATED.reference * normal(),
            tension: STATED.tension * normal(),
            mass: STATED.mass * normal(),
            // A normal error of 50 % (k = 2) may reach below zero.
            stiffness: (STATED.stiffness * normal()).max(-0.9),
            force: STATED.force * normal(),
            strain: STATED.strain * normal(),
        }
    }
}

/// Standard uncertainty of each phasor from noise, of the antinode's own.
pub const NOISE: f64 = 2e-4;

/// What a bench without any error would read.
#[derive(Debug, Clone, Copy)]
pub struct TrueReading {
    pub frequency_hz: f64,
    /// Loops.
    pub harmonic: u32,
    /// Peak.
    pub antinode_velocity_mm_s: f64,
    /// Peak.
    pub node_velocity_mm_s: f64,
    pub power_drive_w: f64,
    /// Peak-to-peak, of the gauge at the end clamp.
    pub end_strain_pp_um_m: f64,
}

impl From<&DwellTruth> for TrueReading {
    fn from(truth: &DwellTruth) -> Self {
        Self {
            frequency_hz: truth.frequency_hz,
            harmonic: truth.harmonic,
            antinode_velocity_mm_s: truth.antinode_velocity_mm_s,
            node_velocity_mm_s: truth.node_velocity_mm_s,
            power_drive_w: truth.power_drive_w,
            end_strain_pp_um_m: truth.strain_pp_um_m["end"],
        }
    }
}

/// The settled point that a bench with these errors makes of a dwell.
pub fn read(setup: &Setup, truth: TrueReading, errors: Errors, noise: [f64; 2]) -> SettledPoint {
    let v = 1e-3 * truth.antinode_velocity_mm_s;
    let n = 1e-3 * truth.node_velocity_mm_s;
    let gain = |own: f64| (1.0 + own) * (1.0 + errors.reference);
    let exact = setup.strung_conductor();
    let inputs = Inputs {
        frequency_hz: truth.frequency_hz,
        antinode: (
            Complex64::new(v * gain(errors.antinode) + NOISE * v * noise[0], 0.0),
            Quantity::Velocity,
        ),
        node: Some((
            Complex64::new(0.0, n * gain(errors.node) + NOISE * v * noise[1]),
            Quantity::Velocity,
        )),
        force_n: None,
        moving_mass_kg: 0.0,
        drive_position_m: None,
        drive_motion: None,
        strains: Vec::new(),
        conductor: StrungConductor {
            tension_n: exact.tension_n * (1.0 + errors.tension),
            mass_kg_per_m: exact.mass_kg_per_m * (1.0 + errors.mass),
            bending_stiffness_n_m2: exact.bending_stiffness_n_m2 * (1.0 + errors.stiffness),
            ..exact
        },
        sensor_distance_m: None,
        quadrature_sign: 1.0,
        fixed: None,
    };
    let along = |sensor, along| Cause::Noise {
        sensor,
        along,
        standard_u: NOISE * v,
    };
    let own = |sensor, standard| Cause::Gain {
        sensors: vec![sensor],
        standard_u: standard,
    };
    let causes = [
        along(InputPhasor::Antinode, Complex64::new(1.0, 0.0)),
        along(InputPhasor::Node, Complex64::new(0.0, 1.0)),
        own(InputPhasor::Antinode, STATED.antinode),
        own(InputPhasor::Node, STATED.node),
        Cause::Gain {
            sensors: vec![InputPhasor::Antinode, InputPhasor::Node],
            standard_u: STATED.reference,
        },
        Cause::Tension {
            standard_u: STATED.tension,
        },
        Cause::Mass {
            standard_u: STATED.mass,
        },
        Cause::Stiffness {
            standard_u: STATED.stiffness,
        },
    ];
    let found = propagate(&inputs, &causes);
    // The drive's accelerometer was calibrated against the same reference.
    let force_w = truth.power_drive_w * (1.0 + errors.force) * (1.0 + errors.reference);
    let force_u_w = 2.0 * force_w * STATED.force.hypot(STATED.reference);
    let strain = truth.end_strain_pp_um_m * (1.0 + errors.strain);
    SettledPoint {
        verdict: Verdict::Held,
        harmonic: Some(truth.harmonic),
        iswr: found.iswr,
        power_force_w: Some(Measured::new(force_w, force_u_w)),
        strain_pp_um_m: [(
            "end".parse().unwrap(),
            Measured::with_standard_u(strain, STATED.strain * strain),
        )]
        .into(),
        frequency_hz: Some(found.frequency_hz),
        antinode_velocity_mm_s: Some(found.antinode_velocity_m_s.times(1e3)),
        power_total_w: found.power_total_w,
        power_total_stiffness_w: found.power_total_stiffness_w,
        ..SettledPoint::default()
    }
}
