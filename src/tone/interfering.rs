//! Interfering tones of a hold: what stands out of what the fit of the drive's tone leaves
//! over, mains hum above all. Pure.

use num_complex::Complex64;
use std::f64::consts::TAU;

use super::fit::{ChannelFit, ToneGuess};
use super::hold_channel::HoldChannel;
use super::hold_spectrum::{HoldSpectrum, LaneSine};
use super::hold_sums::HoldSpectra;
use super::plan::TonePlan;
use super::spectrum::{LANES, Lanes};

/// Most interfering tones fitted along in one channel.
const INTERFERING_TONES: usize = 4;
/// An interfering tone stands at least this many resolution widths (1/length)
/// from the drive frequency and its harmonics; closer by, it is part of the
/// tone.
const INTERFERING_DISTANCE: f64 = 1.5;

/// The tones on the channels marked, each once.
pub(super) fn distinct(channels: &[Vec<f64>], marked: &[bool]) -> Vec<f64> {
    let mut lines: Vec<f64> = channels
        .iter()
        .zip(marked)
        .filter(|(_, marked)| **marked)
        .flat_map(|(lines, _)| lines.iter().copied())
        .collect();
    lines.sort_by(f64::total_cmp);
    lines.dedup_by(|a, b| (*a - *b).abs() < 0.3);
    lines.truncate(INTERFERING_TONES);
    lines
}

/// Up to where interfering tones are sought, Hz.
pub(super) fn highest_line_hz(plan: &TonePlan) -> f64 {
    (2.0 * plan.search_high_hz)
        .max(130.0)
        .min(0.45 * plan.decimated_rate_hz())
}

/// The search. Keeps nothing of a hold but the plan of its transform and its memory.
pub(super) struct InterferingSearch {
    rate_hz: f64,
    spectrum: HoldSpectrum,
}

/// A channel on the way: the sines of its model, angle a sample and peak phasor, and its constant.
struct Channel {
    sines: Vec<(f64, Complex64)>,
    offset: f64,
    /// With the tones found so far, if there are any.
    fitted: Option<HoldChannel>,
    /// Whether more tones may be found.
    is_open: bool,
}

impl Channel {
    /// The tones found so far, Hz.
    fn lines_hz(&self) -> &[f64] {
        let fitted = self.fitted.as_ref().map(HoldChannel::interfering_hz);
        fitted.unwrap_or_default()
    }

    /// With one tone more.
    fn take(&mut self, fitted: HoldChannel, rate_hz: f64) {
        self.sines = fitted.sines(rate_hz);
        self.offset = fitted.fit.offset;
        self.is_open = fitted.interfering_hz().len() < INTERFERING_TONES;
        self.fitted = Some(fitted);
    }
}

/// The models of a group of channels, sine by sine.
fn side_by_side(channels: &[Channel], means: &Lanes) -> Vec<LaneSine> {
    let mut sines: Vec<LaneSine> = Vec::new();
    for (lane, (channel, mean)) in channels.iter().zip(means).enumerate() {
        let constant = (0.0, Complex64::from(channel.offset - mean));
        for (angle, phasor) in channel.sines.iter().copied().chain([constant]) {
            let cycles = angle / TAU;
            let is_same = |sine: &&mut LaneSine| sine.cycles.to_bits() == cycles.to_bits();
            let own = |other: usize| {
                if other == lane {
                    phasor
                } else {
                    Complex64::ZERO
                }
            };
            match sines.iter_mut().find(is_same) {
                Some(sine) => {
                    if let Some(own) = sine.phasors.get_mut(lane) {
                        *own = phasor;
                    }
                }
                None => sines.push(LaneSine {
                    cycles,
                    phasors: std::array::from_fn(own),
                }),
            }
        }
    }
    sines
}

impl InterferingSearch {
    /// For the decimated samples of a source.
    pub fn new(plan: &TonePlan) -> Self {
        let rate_hz = plan.decimated_rate_hz();
        Self {
            rate_hz,
            spectrum: HoldSpectrum::new(
                0.3 * plan.search_low_hz / rate_hz,
                highest_line_hz(plan) / rate_hz,
            ),
        }
    }

    /// Each channel fitted with the interfering tones beside a drive, if there are any: the lines of what is
    /// left of a hold, the highest one first. `fits` are those of the drive alone, one a channel.
    pub fn tones(
        &mut self,
        spectra: &HoldSpectra,
        drive: ToneGuess,
        fits: &[ChannelFit],
    ) -> Vec<Option<HoldChannel>> {
        let mut found = Vec::with_capacity(fits.len());
        for (group, fits) in fits.chunks(LANES).enumerate() {
            self.spectrum.make(spectra, group);
            let mut channels: Vec<Channel> = fits
                .iter()
                .map(|fit| Channel {
                    sines: fit.sines(&[drive.frequency_hz], self.rate_hz),
                    offset: fit.offset,
                    fitted: None,
                    is_open: true,
                })
                .collect();
            while channels.iter().any(|channel| channel.is_open) {
                self.spectrum
                    .take_off(&side_by_side(&channels, &self.spectrum.means));
                let open = channels.iter_mut().enumerate();
                for (lane, channel) in open.filter(|(_, channel)| channel.is_open) {
                    let known_hz = channel.lines_hz();
                    match self.with_one_more(spectra, group * LANES + lane, drive, known_hz) {
                        Some(fitted) => channel.take(fitted, self.rate_hz),
                        None => channel.is_open = false,
                    }
                }
            }
            found.extend(channels.into_iter().map(|channel| channel.fitted));
        }
        found
    }

    /// A channel fitted with one more tone than those known. `None` where there is none.
    fn with_one_more(
        &mut self,
        spectra: &HoldSpectra,
        channel: usize,
        drive: ToneGuess,
        known_hz: &[f64],
    ) -> Option<HoldChannel> {
        let line_hz = self.rate_hz * self.spectrum.peak(channel % LANES)?;
        let width_hz = INTERFERING_DISTANCE * self.rate_hz * self.spectrum.resolution();
        let order = (line_hz / drive.frequency_hz).round().max(1.0);
        let apart = (line_hz - order * drive.frequency_hz).abs() >= width_hz
            && known_hz
                .iter()
                .all(|other| (other - line_hz).abs() >= width_hz);
        if !apart {
            return None;
        }
        let tones: Vec<f64> = known_hz.iter().copied().chain([line_hz]).collect();
        let fitted = HoldChannel::fit(spectra, channel, self.rate_hz, drive, &tones).ok()?;
        (fitted.interfering_hz().len() == tones.len()).then_some(fitted)
    }
}
