//! The level that a criterion is judged at.
//!
//! In: a criterion, a point. Out: whether the point was taken at the criterion's
//! level, and if not, why it is not judged. Pure.

use super::decide::Outcome;
use crate::evaluation::bare::same_harmonic;
use crate::reduction::SettledPoint;
use crate::setup::{Amplitude, Criterion, Setup};

/// The criterion's level in words.
pub(super) fn statement(setup: &Setup, criterion: &Criterion) -> String {
    criterion
        .level(setup.amplitude)
        .map_or_else(|| "any".to_owned(), Amplitude::statement)
}

/// Why the point was taken at no level that the criterion is judged at.
///
/// What a damper dissipates at one level says nothing of another: a Stockbridge
/// damper is not linear, and wind power and strain go with the amplitude.
pub(super) fn obstacle(
    setup: &Setup,
    criterion: &Criterion,
    point: &SettledPoint,
) -> Option<String> {
    let level = criterion.level(setup.amplitude)?;
    let deviation_pct = point
        .frequency_hz
        .zip(point.antinode_velocity_mm_s)
        .and_then(|(frequency, velocity)| {
            level.deviation_pct(
                frequency.value,
                1e-3 * velocity.value,
                point.largest_strain_pp_um_m(),
            )
        });
    match deviation_pct {
        None => Some(format!(
            "at which level it was taken is not known; the criterion is for {}",
            level.statement()
        )),
        Some(pct) if pct.abs() > level.tolerance_pct => Some(format!(
            "taken at another level: {pct:+.1} % off {}",
            level.statement()
        )),
        Some(_) => None,
    }
}

/// Whether another point at the same harmonic was judged: then nothing is missing
/// where this one may not be.
pub(super) fn judged_by_another(point: &SettledPoint, judged: &[(&SettledPoint, Outcome)]) -> bool {
    judged
        .iter()
        .any(|(other, outcome)| *outcome != Outcome::Inconclusive && same_harmonic(point, other))
}
