//! Numbers of harmonics over a run: no two resonances share one.
//!
//! In: points in order. Out: the number of each. Pure.
//!
//! A damper moves the resonances of its span by up to half a spacing, so two of
//! them may have one and the same bare harmonic for their nearest. The one that
//! comes later then takes the next number on its own side, if that is free of
//! another resonance; between two that are taken it has none.

use crate::setup::{Setup, Verdict};

use super::point::SettledPoint;

/// Frequencies closer than this, in spacings between harmonics, are one
/// resonance, read again.
pub const ONE_RESONANCE_SPACINGS: f64 = 0.35;

/// The numbers given so far, each with the frequencies that have it.
#[derive(Debug, Clone, Default)]
pub struct HarmonicNumbers(Vec<(u32, f64)>);

impl HarmonicNumbers {
    /// Gives a point of a damped span its number; that of a bare span is its own
    /// harmonic's. What does not count is numbered, and takes no number from what
    /// does.
    pub fn number(&mut self, setup: &Setup, point: &mut SettledPoint) {
        let (Some(_), Some(nearest), Some(frequency)) = (
            setup.span.damper_position_m,
            point.harmonic,
            point.frequency_hz,
        ) else {
            return;
        };
        let hz = frequency.value;
        if let Some(number) = self.known(setup, hz) {
            point.harmonic = Some(number);
            return;
        }
        let number = self.free(nearest, hz);
        if number.is_none() {
            point.reasons.push(format!(
                "no harmonic number: {hz:.2} Hz lies between two resonances whose numbers follow one another"
            ));
        }
        point.harmonic = number;
        if let Some(number) = number.filter(|_| point.verdict != Verdict::Rejected) {
            self.0.push((number, hz));
        }
    }

    /// The number that a point at a frequency would have; `nearest` is the bare span's
    /// nearest.
    pub fn at(&self, setup: &Setup, hz: f64, nearest: u32) -> Option<u32> {
        if setup.span.damper_position_m.is_none() {
            return Some(nearest);
        }
        self.known(setup, hz).or_else(|| self.free(nearest, hz))
    }

    /// The number of the resonance at a frequency, where it has one already.
    fn known(&self, setup: &Setup, hz: f64) -> Option<u32> {
        let conductor = setup.strung_conductor();
        let spacing_hz = conductor.group_speed_m_s(hz) / (2.0 * conductor.length_m);
        let is_apart = |other_hz: f64| (hz - other_hz).abs() > ONE_RESONANCE_SPACINGS * spacing_hz;
        let known = self.0.iter().find(|(_, other_hz)| !is_apart(*other_hz));
        known.map(|(number, _)| *number)
    }

    /// The nearest number that keeps the order of the frequencies and that no
    /// other resonance has.
    fn free(&self, nearest: u32, hz: f64) -> Option<u32> {
        let below = self.0.iter().filter(|(_, other)| *other < hz);
        let above = self.0.iter().filter(|(_, other)| *other > hz);
        let least = below.map(|(number, _)| number + 1).max().unwrap_or(1);
        let most = above
            .map(|(number, _)| number.saturating_sub(1))
            .min()
            .unwrap_or(u32::MAX);
        (least <= most).then(|| nearest.clamp(least, most))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reduction::Measured;

    /// The demo's damped span; its harmonics stand 1.9 Hz apart.
    fn numbered(frequencies_hz: &[f64]) -> Vec<Option<u32>> {
        let text = include_str!("../../config/damped-trial.toml");
        let setup = crate::setup::parse(text, "damped-trial.toml").unwrap();
        let mut numbers = HarmonicNumbers::default();
        let mut number = |hz: &f64| {
            let mut point = SettledPoint {
                verdict: Verdict::Held,
                frequency_hz: Some(Measured::new(*hz, 0.001)),
                harmonic: setup.harmonic_of(*hz),
                ..SettledPoint::default()
            };
            numbers.number(&setup, &mut point);
            point.harmonic
        };
        frequencies_hz.iter().map(&mut number).collect()
    }

    #[test]
    fn two_resonances_nearest_to_one_bare_harmonic_have_two_numbers() {
        let text = include_str!("../../config/damped-trial.toml");
        let setup = crate::setup::parse(text, "damped-trial.toml").unwrap();
        let bare_hz = |n: u32| setup.strung_conductor().harmonic_hz(n);
        let pair = [bare_hz(10) - 0.8, bare_hz(10) + 0.8];
        assert_eq!(pair.map(|hz| setup.harmonic_of(hz)), [Some(10); 2]);
        assert_eq!(numbered(&pair), [Some(10), Some(11)]);
        assert_eq!(numbered(&[pair[1], pair[0]]), [Some(10), Some(9)]);
        // Read again it is the same.
        let again = [pair[0], pair[1], pair[0] + 0.05, pair[1] - 0.05];
        assert_eq!(numbered(&again), [10, 11, 10, 11].map(Some));
        // Those above move along.
        let above = [pair[0], pair[1], bare_hz(11) + 0.8];
        assert_eq!(numbered(&above), [10, 11, 12].map(Some));
        // Between two that follow one another there is none.
        let between = [pair[0], bare_hz(11) + 0.7, bare_hz(10) + 0.8];
        assert_eq!(numbered(&between), [Some(10), Some(11), None]);
    }
}
