//! Gaps in the coverage of a frequency range.
//!
//! In: the frequencies of the judged points, the range, the spacing of the
//! harmonics. Out: the stretches without a point. Pure.

use serde::{Deserialize, Serialize};

/// Neighbouring points further apart than this many spacings of the harmonics
/// have a harmonic missing between them. A damper shifts each resonance by
/// less than half a spacing, so neighbours are less than two apart.
const LARGEST_STEP_SPACINGS: f64 = 1.6;

/// The first and last harmonic in a range lie within one spacing of its ends;
/// the damper may shift them a little further.
const LARGEST_END_SPACINGS: f64 = 1.1;

/// A stretch of the range in which no point was judged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CoverageGap {
    /// From, Hz.
    pub from_hz: f64,
    /// To, Hz.
    pub to_hz: f64,
}

/// The gaps that points at `frequencies_hz` leave in a range. `spacing_hz`
/// gives the spacing of the harmonics at a frequency.
pub fn coverage_gaps(
    frequencies_hz: &[f64],
    (low_hz, high_hz): (f64, f64),
    spacing_hz: impl Fn(f64) -> f64,
) -> Vec<CoverageGap> {
    let mut inside: Vec<f64> = frequencies_hz
        .iter()
        .copied()
        .filter(|f| (low_hz..=high_hz).contains(f))
        .collect();
    inside.sort_by(f64::total_cmp);
    let (Some(&first), Some(&last)) = (inside.first(), inside.last()) else {
        return if low_hz < high_hz {
            vec![CoverageGap {
                from_hz: low_hz,
                to_hz: high_hz,
            }]
        } else {
            Vec::new()
        };
    };
    let mut out = Vec::new();
    if first - low_hz > LARGEST_END_SPACINGS * spacing_hz(low_hz) {
        out.push(CoverageGap {
            from_hz: low_hz,
            to_hz: first,
        });
    }
    for pair in inside.windows(2) {
        if let &[from_hz, to_hz] = pair
            && to_hz - from_hz > LARGEST_STEP_SPACINGS * spacing_hz(f64::midpoint(from_hz, to_hz))
        {
            out.push(CoverageGap { from_hz, to_hz });
        }
    }
    if high_hz - last > LARGEST_END_SPACINGS * spacing_hz(high_hz) {
        out.push(CoverageGap {
            from_hz: last,
            to_hz: high_hz,
        });
    }
    out
}
