//! Tone frames → windows that count.

use super::error::MatchFaults;
use crate::maths;
use crate::setup::{Quantity, Role, Setup};
use crate::tone::mains::mains_lines_hz;
use crate::tone::{ToneFrame, ToneMessage, TonePlan};
use num_complex::Complex64;
use std::f64::consts::TAU;

/// The tone of one channel in one window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct WaveTone {
    /// Peak phasor as displacement, m.
    pub displacement: Complex64,
    /// Standard uncertainty of its real and of its imaginary part from noise, over its modulus.
    pub relative_u: f64,
    /// Signal to noise, dB; minus infinity where there is no signal.
    pub snr_db: f64,
    /// Harmonics' rms over the fundamental's, in the channel's own quantity.
    pub distortion: f64,
    /// Derivatives of displacement in time that the channel measures.
    pub derivative: i32,
}

/// One window in which there was a tone.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct WaveWindow {
    pub frequency_hz: f64,
    /// One entry a `wave` channel.
    pub shown: Vec<WaveTone>,
}

#[derive(Debug, Clone, PartialEq)]
struct WaveChannel {
    setup_index: usize,
    /// Derivatives of displacement in time that it measures.
    derivative: i32,
    /// Hops with values at or beyond full scale in it.
    clipped: usize,
}

/// The windows of a recording in which there was a tone, none of them overlapping.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchedWindows {
    names: Vec<String>,
    channels: Vec<WaveChannel>,
    pub(super) windows: Vec<WaveWindow>,
    /// Hops without a loss, a gap or a clipped value, up to the last one; and since when no
    /// window was taken.
    whole_hops: usize,
    hops_since_taken: usize,
    /// Hops in which there was a tone.
    hops: usize,
    last_hop: Option<u64>,
    /// Windows left out because they stood by the mains.
    by_mains: usize,
}

impl MatchedWindows {
    /// None yet.
    ///
    /// # Errors
    /// Where the setup has fewer than two `wave` channels.
    pub fn new(setup: &Setup) -> Result<Self, MatchFaults> {
        let channels: Vec<(&str, WaveChannel)> = setup
            .channels
            .iter()
            .enumerate()
            .filter(|(_, channel)| channel.role == Role::Wave)
            .map(|(setup_index, channel)| {
                let derivative = match channel.unit.quantity() {
                    Quantity::Acceleration => 2,
                    Quantity::Velocity => 1,
                    Quantity::Displacement
                    | Quantity::Strain
                    | Quantity::Force
                    | Quantity::Voltage => 0,
                };
                let wave = WaveChannel {
                    setup_index,
                    derivative,
                    clipped: 0,
                };
                (channel.name.as_str(), wave)
            })
            .collect();
        if channels.len() < 2 {
            return Err(MatchFaults(vec![format!(
                "the setup has {} channels of the role wave; two at least, all at one place, are right",
                channels.len()
            )]));
        }
        let (names, channels) = channels
            .into_iter()
            .map(|(name, channel)| (name.to_owned(), channel))
            .unzip();
        Ok(Self {
            names,
            channels,
            windows: Vec::new(),
            whole_hops: 0,
            hops_since_taken: 0,
            hops: 0,
            last_hop: None,
            by_mains: 0,
        })
    }

    /// Names of the `wave` channels, in the order of the setup.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    pub(super) fn setup_index(&self, number: usize) -> Option<usize> {
        Some(self.channels.get(number)?.setup_index)
    }

    /// Hops in which there was a tone.
    pub(super) fn hops(&self) -> usize {
        self.hops
    }

    /// Hops with clipped values, channel by channel.
    pub(super) fn clipped(&self) -> impl Iterator<Item = (&String, usize)> {
        let clipped = self.channels.iter().map(|channel| channel.clipped);
        self.names.iter().zip(clipped)
    }

    /// What was left out.
    pub(super) fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.by_mains > 0 {
            notes.push(format!(
                "{} windows by a mains frequency were left out",
                self.by_mains
            ));
        }
        let clipped = self.clipped().filter(|(_, hops)| *hops > 0);
        notes.extend(clipped.map(|(name, hops)| {
            format!("channel \"{name}\": it was at full scale in {hops} hops, which were left out")
        }));
        notes
    }

    /// Begins a recording that does not join on to the one before.
    pub fn begin(&mut self) {
        self.whole_hops = 0;
        self.last_hop = None;
    }

    /// Takes the next message of the source that carries the `wave` channels; `plan` is that of
    /// its tone stage.
    pub fn take(&mut self, plan: &TonePlan, message: &ToneMessage) {
        match message {
            ToneMessage::Gap(_) => self.begin(),
            ToneMessage::Frame(frame) => self.frame(plan, frame),
        }
    }

    fn frame(&mut self, plan: &TonePlan, frame: &ToneFrame) {
        if self.last_hop.is_some_and(|last| last + 1 != frame.hop) {
            self.whole_hops = 0;
        }
        self.last_hop = Some(frame.hop);
        self.hops_since_taken += 1;
        let mut is_whole = true;
        let mut tones = Vec::with_capacity(self.channels.len());
        for channel in &mut self.channels {
            let planned = plan.channels.iter();
            let mut planned = planned.zip(&frame.channels);
            let found = planned.find(|(planned, _)| planned.setup_index == channel.setup_index);
            let Some((_, tone)) = found else {
                return;
            };
            channel.clipped += usize::from(tone.clipped > 0);
            is_whole &= tone.clipped == 0 && tone.missing == 0;
            tones.push((channel.derivative, tone));
        }
        self.whole_hops = if is_whole { self.whole_hops + 1 } else { 0 };
        let Some(frequency_hz) = frame.frequency_hz else {
            return;
        };
        self.hops += 1;
        // Windows that share samples say nothing of how readings scatter.
        if self.whole_hops < plan.window_hops || self.hops_since_taken < plan.window_hops {
            return;
        }
        if mains_lines_hz(2).any(|hz| (hz - frequency_hz).abs() < 1.0 / plan.window_seconds()) {
            self.by_mains += 1;
            return;
        }
        let turn = Complex64::new(0.0, TAU * frequency_hz);
        let rate_hz = plan.decimated_rate_hz();
        let shown = tones.into_iter().map(|(derivative, tone)| {
            let modulus = maths::modulus(tone.amplitude);
            let snr_db = tone.snr_db(rate_hz);
            WaveTone {
                displacement: (0..derivative).fold(tone.amplitude, |phasor, _| phasor / turn),
                relative_u: tone.amplitude_u / modulus,
                snr_db: if modulus > 0.0 && !snr_db.is_nan() {
                    snr_db
                } else {
                    f64::NEG_INFINITY
                },
                distortion: tone.distortion,
                derivative,
            }
        });
        self.windows.push(WaveWindow {
            frequency_hz,
            shown: shown.collect(),
        });
        self.hops_since_taken = 0;
    }
}
