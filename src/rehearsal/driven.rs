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
            outer_fibre_m: 1e-3 * model.outer_fibre_mm.unwrap_or(0.079 * diameter),
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
    /// Bending strain at a gauge.
    ///
    /// The field bends as one body of stiffness EI. At a clamp the wires of a
    /// conductor slip over one another, and each bends by itself: where the setup
    /// gives an outer wire and the least stiffness, the gauge reads what such a wire
    /// does beside a clamp that does not turn, ½ d q_min θ. θ is the slope at which
    /// the wave comes to the clamp on the drive's side, which the near field of the
    /// field itself tells: it takes the slope there from θ to the clamp's, with the
    /// curvature q (slope − θ). At a fixed end that is ½ d sqrt(m/EI_min) times the
    /// antinode's velocity (EPRI, "Wind-Induced Conductor Motion" 2009, eq. 3.2-14, as
    /// quoted in public research code). The damper's clamp turns a little less than
    /// the light one of the field, whose masses do not resist turning; that it does
    /// not turn at all is the most there can be.
    pub(super) fn gauge_strain(
        &self,
        field: &DisplacementField,
        location: StrainLocation,
    ) -> Complex64 {
        let [_, slope, curvature, _] = field.at(self.gauge_m(location));
        let conductor = &self.setup.conductor;
        let wire = conductor
            .outer_wire_diameter_mm
            .zip(conductor.least_bending_stiffness_n_m2);
        let Some((wire_mm, least_n_m2)) = wire.filter(|_| self.model.outer_fibre_mm.is_none())
        else {
            return curvature * self.outer_fibre_m;
        };
        let half_wire_m = 0.5e-3 * wire_mm;
        let arriving = match location {
            // No clamp: the wire bends with the conductor.
            StrainLocation::Damper if self.damper_m.is_none() => return curvature * half_wire_m,
            StrainLocation::Damper => slope - curvature / field.waves.evanescent,
            StrainLocation::End => -curvature / field.waves.evanescent,
        };
        let tension = self.beam.tension_n;
        let inertia = field.s * field.s * self.beam.mass_kg_per_m;
        let root = (tension * tension - inertia * (4.0 * least_n_m2)).sqrt();
        let near_field = ((root + tension) / (2.0 * least_n_m2)).sqrt();
        arriving * near_field * half_wire_m
    }

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
