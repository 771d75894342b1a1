//! What a bare run says between its harmonics.
//!
//! In: readings at frequencies. Out: the value at another frequency. Pure.

/// What the bare run has at one of its frequencies.
#[derive(Debug, Clone, Copy)]
pub struct AtFrequency {
    /// Hz.
    pub frequency_hz: f64,
    /// The value there.
    pub value: f64,
    /// Relative standard uncertainty of the value.
    pub relative: f64,
}

/// Straight between neighbours, the nearest one outside: the value and its
/// relative standard uncertainty.
pub fn interpolated(readings: &[AtFrequency], frequency_hz: f64) -> Option<(f64, f64)> {
    let above = readings.iter().find(|r| r.frequency_hz >= frequency_hz);
    let below = readings.iter().rfind(|r| r.frequency_hz <= frequency_hz);
    match (below, above) {
        (Some(below), Some(above)) if above.frequency_hz > below.frequency_hz => {
            let part =
                (frequency_hz - below.frequency_hz) / (above.frequency_hz - below.frequency_hz);
            let value = below.value + part * (above.value - below.value);
            Some((value, below.relative.max(above.relative)))
        }
        (below, above) => below.or(above).map(|r| (r.value, r.relative)),
    }
}
