//! What one row of the recording picks up, and in which scale. Pure.

use num_complex::Complex64;

use super::beam::Field;
use super::driven::{DrivenSpan, Steady};
use crate::setup::{Channel, Quantity, Role};

/// What one row of the recording picks up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pickup {
    what: Quality,
    /// Digital full scale per SI unit of the quantity, gain error included.
    digital: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Quality {
    /// The n-th derivative in time of the displacement at a place.
    Motion { derivative: i32, x: f64 },
    /// Bending strain of the outer fibre at a place.
    Strain { x: f64 },
    /// Force in the force cell.
    CellForce,
    /// Nothing: a monitor.
    Silence,
}

impl Pickup {
    pub(super) fn silent() -> Self {
        Self {
            what: Quality::Silence,
            digital: 0.0,
        }
    }

    pub(super) fn of(
        span: &DrivenSpan,
        channel: &Channel,
        gain_error_pct: f64,
        steady: &Steady,
        misplacement_mm: f64,
    ) -> Self {
        let moved = |x: f64| x - 1e-3 * misplacement_mm;
        let place = match channel.role {
            Role::Antinode => Some(moved(steady.places.antinode_m)),
            Role::Node => Some(moved(steady.places.node_m)),
            Role::DriveMotion => Some(span.drive_m),
            Role::Wave => channel.position_m,
            Role::ClampStrain { location } => Some(span.gauge_m(location)),
            Role::DriveForce | Role::Monitor => None,
        };
        let what = match (channel.role, channel.unit.quantity(), place) {
            (Role::DriveForce, Quantity::Force, _) => Quality::CellForce,
            (Role::ClampStrain { .. }, Quantity::Strain, Some(x)) => Quality::Strain { x },
            (_, quantity, Some(x)) => match quantity {
                Quantity::Acceleration => Quality::Motion { derivative: 2, x },
                Quantity::Velocity => Quality::Motion { derivative: 1, x },
                Quantity::Displacement => Quality::Motion { derivative: 0, x },
                Quantity::Strain | Quantity::Force => Quality::Silence,
            },
            _ => Quality::Silence,
        };
        let digital = (1.0 + 0.01 * gain_error_pct) / (channel.unit.to_si() * channel.full_scale);
        Self { what, digital }
    }

    /// The same pickup in the channel's own unit, without gain error.
    pub(super) fn in_unit(self, channel: &Channel) -> Self {
        Self {
            digital: 1.0 / channel.unit.to_si(),
            ..self
        }
    }

    /// Digital value per newton of the source, from the field per newton (or
    /// its residue, where `direct` is 0).
    pub(super) fn read(&self, span: &DrivenSpan, field: &Field, direct: f64) -> Complex64 {
        let value = match self.what {
            Quality::Motion { derivative, x } => {
                let [y, ..] = field.at(x);
                field.s.powi(derivative) * y
            }
            Quality::Strain { x } => {
                let [_, _, curvature, _] = field.at(x);
                curvature * span.outer_fibre_m
            }
            Quality::CellForce => span.cell_force(field, direct),
            Quality::Silence => Complex64::new(0.0, 0.0),
        };
        value * self.digital
    }
}
