//! Rows → what a smooth course over frequency leaves of them.
//!
//! A sensor's gain goes as a + b f² below its own resonance, its phase as a delay: a + b f.
//! What these leave beyond the rows' own uncertainty is not the sensor's: it is that of the
//! place, or of the mount.

use super::rows::Part;
use crate::maths;

/// Root mean square of what is left, beyond noise.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Left {
    /// A part of the gain.
    pub gain: f64,
    pub phase_rad: f64,
}

pub(super) fn left(frequencies_hz: &[f64], parts: &[Part]) -> Left {
    let of = |x: fn(f64) -> f64, y: fn(&Part) -> (f64, f64)| {
        let points: Vec<Point> = frequencies_hz
            .iter()
            .zip(parts)
            .map(|(hz, part)| {
                let (y, u) = y(part);
                Point { x: x(*hz), y, u }
            })
            .collect();
        left_of(&points)
    };
    Left {
        gain: of(maths::square, |part| {
            (part.gain, part.gain * part.gain_standard_u)
        }),
        phase_rad: of(|hz| hz, |part| (part.phase_rad, part.phase_standard_u_rad)),
    }
}

struct Point {
    x: f64,
    y: f64,
    u: f64,
}

/// Fits y = a + b x and says what is left. Beside their own uncertainty all points have that of
/// the typical one: what strays may stray where the tone is strongest.
fn left_of(points: &[Point]) -> f64 {
    let mut us: Vec<f64> = points.iter().map(|point| point.u).collect();
    us.sort_by(f64::total_cmp);
    let typical = us.get(us.len() / 2).copied().unwrap_or(0.0);
    let weight = |point: &Point| {
        1.0 / (maths::square(point.u) + maths::square(typical)).max(f64::MIN_POSITIVE)
    };
    let mean_of = |value: &dyn Fn(&Point) -> f64| {
        let (mut sum, mut weights) = (0.0, 0.0);
        for point in points {
            sum += weight(point) * value(point);
            weights += weight(point);
        }
        sum / weights
    };
    let (x, y) = (mean_of(&|point| point.x), mean_of(&|point| point.y));
    let spread = mean_of(&|point| maths::square(point.x - x));
    let slope = mean_of(&|point| (point.x - x) * (point.y - y)) / spread;
    let residual = mean_of(&|point| maths::square(point.y - y - slope * (point.x - x)));
    let noise = mean_of(&|point| maths::square(point.u));
    let count = points.len() as f64;
    (residual * count / (count - 2.0) - noise).max(0.0).sqrt()
}
