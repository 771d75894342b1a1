//! The analysis's search for a tone on records of any length, for tests that fit them.

use ndarray::{ArrayView2, s};
use spanhold::tone::hop_search::{HopLines, HopSearch};
use spanhold::tone::spectrum::{HopSpectrum, HopTransform, LANES};

/// Hops that a record is cut into; up to three samples at its end are left out.
const HOPS: usize = 4;

pub struct FirstGuess {
    transform: HopTransform,
    search: HopSearch,
    rate_hz: f64,
}

impl FirstGuess {
    /// For records of so many samples, between two frequencies.
    pub fn new(samples: usize, rate_hz: f64, [low_hz, high_hz]: [f64; 2]) -> Self {
        let transform = HopTransform::new(samples / HOPS, 0.5);
        let search = HopSearch::new(&transform, HOPS, low_hz / rate_hz, high_hz / rate_hz);
        Self {
            transform,
            search,
            rate_hz,
        }
    }

    /// The frequency that stands out most in the channels that count, Hz.
    pub fn hz(&mut self, samples: ArrayView2<f64>, counts: &[bool]) -> Option<f64> {
        let hop = self.transform.hop();
        let hops: Vec<Vec<HopLines>> = (0..HOPS)
            .map(|k| {
                let part = samples.slice(s![.., k * hop..(k + 1) * hop]);
                let groups = 0..counts.len().div_ceil(LANES);
                groups
                    .map(|group| {
                        let mut spectrum = HopSpectrum::default();
                        self.transform.transform(part, group * LANES, &mut spectrum);
                        self.search.lines_of(&spectrum)
                    })
                    .collect()
            })
            .collect();
        Some(self.rate_hz * self.search.peak(&hops, counts)?)
    }
}
