//! The strung conductor with its shaker and damper attached: a setup and a
//! model in, the steady state at any frequency out. Pure; shares no physics
//! with the analysis.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::beam::{Beam, DisplacementField};
use super::error::RehearsalError;
use super::field::{self, NodeAndAntinode};
use super::model::SpanModel;
use crate::setup::{Setup, StrainLocation};

/// A strung conductor between two clamps with a drive and, perhaps, a damper.
#[derive(Debug, Clone)]
pub(super) struct DrivenSpan {
    pub(super) setup: Setup,
    pub(super) model: SpanModel,
    pub(super) beam: Beam,
    pub(super) drive_m: f64,
    pub(super) damper_m: Option<f64>,
    pub(super) outer_fibre_m: f64,
}

/// A steady state at one frequency, per newton of the source's force.
#[derive(Debug, Clone)]
pub(super) struct Steady {
    pub(super) field: DisplacementField,
    pub(super) places: NodeAndAntinode,
    /// Force in the force cell over the source's force.
    pub(super) cell: Complex64,
}

/// What turns the curvature of the field into the strain of a gauge's wire, m.
///
/// The field bends as one body of stiffness EI. At a clamp the wires of a
/// conductor slip: each bends by itself, over a shorter length. The curvature
/// there is k q y_max, and k q = ω sqrt(m/EI) for whatever stiffness bends, so
/// that it is sqrt(EI/EI_min) times the field's, and the fibre half an outer wire
/// from its own axis. (EPRI, "Wind-Induced Conductor Motion" 2009, eq. 3.2-14,
/// from the same limit; as quoted in public research code.)
fn outer_fibre_m(setup: &Setup, model: &SpanModel, stiffness_n_m2: f64) -> f64 {
    let conductor = &setup.conductor;
    let wire = conductor
        .outer_wire_diameter_mm
        .zip(conductor.least_bending_stiffness_n_m2);
    1e-3 * match (model.outer_fibre_mm, wire) {
        (Some(fibre_mm), _) => fibre_mm,
        (None, Some((wire_mm, least_n_m2))) => 0.5 * wire_mm * (stiffness_n_m2 / least_n_m2).sqrt(),
        (None, None) => 0.079 * conductor.diameter_mm,
    }
}

impl DrivenSpan {
    /// Builds the span from what the setup and the model say.
    pub(super) fn new(setup: &Setup, model: &SpanModel) -> Result<Self, RehearsalError> {
        let length = setup.span.length_m;
        let drive_m = setup
            .span
            .drive_position_m
            .or(model.drive_position_m)
            .unwrap_or(length / 28.0);
        let damper_m = setup.span.damper_position_m.map(|d| length - d);
        let inside = |x: f64| x > 0.0 && x < length;
        if !inside(drive_m) || damper_m.is_some_and(|d| !inside(d) || d <= drive_m) {
            return Err(RehearsalError::DrivePosition {
                drive_m,
                length_m: length,
            });
        }
        let attachments: Vec<f64> = std::iter::once(drive_m).chain(damper_m).collect();
        let diameter = setup.conductor.diameter_mm;
        let tension = setup.span.tension_kn * 1e3;
        let mass = setup.conductor.mass_kg_per_m;
        let stiffness = setup
            .conductor
            .bending_stiffness_n_m2
            .or(model.bending_stiffness_n_m2)
            .unwrap_or(180.0 * (diameter / 21.8).powi(4));
        let values = [tension, mass, stiffness, setup.sweep.high_hz];
        if !values.iter().all(|v| v.is_finite() && *v > 0.0) {
            return Err(RehearsalError::Conductor);
        }
        let impedance = (tension * mass).sqrt();
        let viscous = model
            .viscous_n_s_per_m2
            .unwrap_or(2.0 * 0.0003 * impedance / length);
        let lossless = Beam::new([tension, mass, stiffness, 0.0, 0.0], length, &attachments);
        let top = lossless
            .waves(Complex64::new(0.0, TAU * setup.sweep.high_hz))
            .travelling
            .im;
        let self_damping = model
            .self_damping_s
            .unwrap_or(2.0 * 0.002 * impedance / (stiffness * top.powi(4) * length));
        let conductor = [tension, mass, stiffness, self_damping, viscous];
        let mut beam = Beam::new(conductor, length, &attachments);
        beam.end_mobility_m_per_n_s = model.end_loss_ratio / impedance;
        Ok(Self {
            setup: setup.clone(),
            model: model.clone(),
            beam,
            drive_m,
            damper_m,
            outer_fibre_m: outer_fibre_m(setup, model, stiffness),
        })
    }

    /// Frequency of the first mode of the string, Hz: the spacing of modes.
    pub(super) fn spacing_hz(&self) -> f64 {
        (self.beam.tension_n / self.beam.mass_kg_per_m).sqrt() / (2.0 * self.setup.span.length_m)
    }

    /// Highest frequency at which resonances are looked for, Hz.
    pub(super) fn highest_hz(&self) -> f64 {
        self.setup.sweep.high_hz * 1.05 + 2.0 * self.spacing_hz()
    }

    pub(super) fn impedances(&self, s: Complex64, with_shaker: bool) -> [Complex64; 2] {
        let zero = Complex64::new(0.0, 0.0);
        let shaker = match &self.model.shaker {
            Some(shaker) if with_shaker => shaker.impedance(s),
            _ => zero,
        };
        let damper = self
            .damper_m
            .map_or(zero, |_| self.model.damper.impedance(s));
        [shaker, damper]
    }

    /// Displacement field at `s` per newton of the source's force.
    pub(super) fn field(&self, s: Complex64) -> DisplacementField {
        self.beam.field(s, &self.impedances(s, true), &[1.0, 0.0])
    }

    /// Force in the force cell at `s`, where `direct` is the source's force and
    /// `field` what it causes: the shaker takes its share first.
    pub(super) fn cell_force(&self, field: &DisplacementField, direct: f64) -> Complex64 {
        let [shaker, _] = self.impedances(field.s, true);
        let [y, ..] = field.at(self.drive_m);
        direct - shaker * field.s * y
    }

    /// How many nodes the node sensor passes over.
    fn nodes_passed(&self) -> usize {
        let stated = self.setup.span.node_from_damper;
        self.model
            .nodes_passed
            .or(stated.map(|number| number.saturating_sub(1) as usize))
            .unwrap_or(1)
    }

    /// The steady state at a frequency; `None` where there is no antinode with
    /// a node beside it between drive and damper.
    pub(super) fn steady(&self, frequency_hz: f64) -> Option<Steady> {
        let field = self.field(Complex64::new(0.0, TAU * frequency_hz));
        let from = self.damper_m.unwrap_or(self.setup.span.length_m);
        let places = field::places(&field, self.drive_m, from, self.nodes_passed())?;
        let cell = self.cell_force(&field, 1.0);
        Some(Steady {
            field,
            places,
            cell,
        })
    }

    /// Antinode velocity over force in the force cell, m/s per N.
    pub(super) fn response(&self, frequency_hz: f64) -> Option<Complex64> {
        let steady = self.steady(frequency_hz)?;
        let [y, ..] = steady.field.at(steady.places.antinode_m);
        Some(steady.field.s * y / steady.cell)
    }

    /// Place of a gauge: at the damper's clamp (on a bare span, where that
    /// clamp would be), or at the span clamp of the damper end.
    pub(super) fn gauge_m(&self, location: StrainLocation) -> f64 {
        let end = self.setup.span.length_m;
        match location {
            StrainLocation::Damper => self
                .damper_m
                .unwrap_or_else(|| end - self.model.damper_gauge_m.unwrap_or(end / 38.0)),
            StrainLocation::End => end,
        }
    }
}
