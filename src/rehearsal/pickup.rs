//! What one row of the recording picks up, and in which scale. Pure.

use num_complex::Complex64;

use super::beam::DisplacementField;
use super::driven::{DrivenSpan, Steady};
use super::sensors::VirtualSensor;
use crate::setup::{Channel, Quantity, Role, SensorPlace, StrainLocation};

/// Part of digital full scale that the generator puts out for a newton of the source, and
/// by how much its phase leads that force; both invented.
const SIGNAL_PER_N: f64 = 0.01;
const SIGNAL_LEAD_DEG: f64 = 37.0;

/// What one row of the recording picks up.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pickup {
    what: Quality,
    /// Digital full scale per SI unit of the quantity, gain error included.
    digital: f64,
    phase_error_rad: f64,
    delay_s: f64,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Quality {
    /// The n-th derivative in time of the displacement at a place.
    Motion { derivative: i32, x: f64 },
    /// Bending strain at a gauge.
    Strain { location: StrainLocation },
    /// Force in the force cell.
    CellForce,
    /// What the generator puts out, which becomes the source's force.
    DriveSignal,
    /// Nothing: a monitor.
    Silence,
}

impl Pickup {
    pub(super) fn silent() -> Self {
        Self {
            what: Quality::Silence,
            digital: 0.0,
            phase_error_rad: 0.0,
            delay_s: 0.0,
        }
    }

    pub(super) fn of(
        span: &DrivenSpan,
        channel: &Channel,
        sensor: &VirtualSensor,
        steady: &Steady,
    ) -> Self {
        let moved = |x: f64| x - 1e-3 * sensor.misplacement_mm;
        let place = channel.role.kind().row().place;
        let x = match place {
            SensorPlace::Antinode => Some(moved(steady.places.antinode_m)),
            SensorPlace::Node => Some(moved(steady.places.node_m)),
            SensorPlace::DrivePoint => Some(span.drive_m),
            SensorPlace::Fixed => channel.position_m,
            SensorPlace::Clamp => channel.role.location().map(|clamp| span.gauge_m(clamp)),
            SensorPlace::Anywhere => None,
        };
        let what = match (channel.unit.quantity(), x) {
            _ if channel.role == Role::DriveSignal => Quality::DriveSignal,
            (Quantity::Force, Some(_)) if place == SensorPlace::DrivePoint => Quality::CellForce,
            (Quantity::Strain, Some(_)) if place == SensorPlace::Clamp => channel
                .role
                .location()
                .map_or(Quality::Silence, |location| Quality::Strain { location }),
            (Quantity::Acceleration, Some(x)) => Quality::Motion { derivative: 2, x },
            (Quantity::Velocity, Some(x)) => Quality::Motion { derivative: 1, x },
            (Quantity::Displacement, Some(x)) => Quality::Motion { derivative: 0, x },
            (Quantity::Force | Quantity::Strain | Quantity::Voltage, Some(_)) | (_, None) => {
                Quality::Silence
            }
        };
        let digital =
            (1.0 + 0.01 * sensor.gain_error_pct) / (channel.unit.to_si() * channel.full_scale);
        let digital = match what {
            Quality::DriveSignal => SIGNAL_PER_N,
            _ => digital,
        };
        Self {
            what,
            digital,
            phase_error_rad: sensor.phase_error_deg.to_radians(),
            delay_s: 1e-6 * sensor.delay_us,
        }
    }

    /// The same pickup in the channel's own unit, without gain error.
    pub(super) fn in_unit(self, channel: &Channel) -> Self {
        let digital = match self.what {
            Quality::DriveSignal => SIGNAL_PER_N * channel.full_scale,
            _ => 1.0 / channel.unit.to_si(),
        };
        Self { digital, ..self }
    }

    /// Digital value per newton of the source, from the field per newton (or
    /// its residue, where `direct` is 0).
    pub(super) fn read(
        &self,
        span: &DrivenSpan,
        field: &DisplacementField,
        direct: f64,
    ) -> Complex64 {
        let value = match self.what {
            Quality::Motion { derivative, x } => {
                let [y, ..] = field.at(x);
                field.s.powi(derivative) * y
            }
            Quality::Strain { location } => span.gauge_strain(field, location),
            Quality::CellForce => span.cell_force(field, direct),
            // Amplifier and shaker turn the phase.
            Quality::DriveSignal => Complex64::from_polar(direct, SIGNAL_LEAD_DEG.to_radians()),
            Quality::Silence => Complex64::new(0.0, 0.0),
        };
        // Free motion decays while it is late: exp(−s t) of its complex frequency.
        let late = (-field.s * self.delay_s).exp();
        value * late * Complex64::from_polar(self.digital, self.phase_error_rad)
    }
}
