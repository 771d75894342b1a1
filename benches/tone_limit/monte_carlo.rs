//! Monte Carlo of the tone stage against the Cramér–Rao bound.
//!
//! In: a cell (signal, window, signal to noise). Out: how the errors of
//! frequency, amplitude and phase scatter, each divided by its own bound. The
//! same draws every time: the generator is seeded by the cell.

use ndarray::{Array2, s};
use num_complex::Complex64;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};
use spanhold::tone::TonePlan;
use spanhold::tone::fit::{PhasorEstimate, ToneGuess, fit};
use spanhold::tone::interval::HoldFit;
use spanhold::tone::plan::PlannedChannel;
use std::f64::consts::{PI, TAU};

use super::bound::{Bound, TrueChannel, Truth};
use super::first_guess::FirstGuess;

/// Sampling rate of the draws, Hz: about what the tone stage decimates to.
const RATE_HZ: f64 = 1000.0;
/// Frequencies of a cell, spread over 8 Hz to 64 Hz.
const FREQUENCIES: usize = 40;
/// Orders in the model where harmonics are looked for, as in the tone stage.
const ORDERS: usize = 5;

/// What signal is drawn, and what the estimate is told of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Signal {
    /// One channel, one tone.
    Plain,
    /// One channel, harmonics of 30, 20, 10 and 5 % and an offset as large as
    /// the tone.
    Harmonics,
    /// The same on antinode, node (a tenth of the motion) and strain gauge;
    /// the gauge carries half its amplitude of mains hum, 1.5 Hz from the
    /// tone, and has no say in the frequency. Amplitude and phase are those of
    /// the gauge.
    Mains,
    /// The same, but a window too short to find the hum by itself: the fit is
    /// told that there is hum at about 50 Hz, and estimates its frequency.
    MainsTold,
}

impl Signal {
    fn orders(self) -> usize {
        if self == Self::Plain { 1 } else { ORDERS }
    }
}

/// How long a window is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Length {
    /// In cycles of the tone.
    Cycles(f64),
    /// In seconds.
    Seconds(f64),
}

impl std::fmt::Display for Length {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Cycles(cycles) => write!(f, "{cycles} cycles"),
            Self::Seconds(seconds) => write!(f, "{seconds} s"),
        }
    }
}

/// One cell of the table.
#[derive(Debug, Clone, Copy)]
pub struct Cell {
    /// The signal.
    pub signal: Signal,
    /// The window.
    pub length: Length,
    /// Power of the fundamental over that of the noise up to 500 Hz, dB.
    pub snr_db: f64,
    /// Draws, at least.
    pub draws: usize,
}

/// Errors over their bounds.
#[derive(Debug, Clone, Copy, Default)]
pub struct Tally {
    /// Draws.
    pub draws: usize,
    sum: f64,
    squares: f64,
    stated: f64,
}

impl Tally {
    fn add(&mut self, error: f64, bound: f64, stated: f64) {
        let z = error / bound.sqrt();
        self.draws += 1;
        self.sum += z;
        self.squares += z * z;
        self.stated += stated / bound;
    }

    /// Variance over the bound.
    pub fn variance_ratio(&self) -> f64 {
        let n = self.draws as f64;
        (self.squares - self.sum * self.sum / n) / (n - 1.0)
    }

    /// Bias over the standard deviation that the bound allows.
    pub fn bias(&self) -> f64 {
        self.sum / self.draws as f64
    }

    /// Mean of the variances that the fit itself states, over the bound.
    pub fn stated_ratio(&self) -> f64 {
        self.stated / self.draws as f64
    }
}

/// What a cell gave.
#[derive(Debug, Clone, Copy, Default)]
pub struct Outcome {
    /// Common frequency.
    pub frequency: Tally,
    /// Modulus of the fundamental's phasor.
    pub amplitude: Tally,
    /// Its phase at the window's centre.
    pub phase: Tally,
    /// Draws in which no tone was found or the fit failed.
    pub failed: usize,
}

/// What an estimate says of one draw.
struct Estimate {
    frequency_hz: f64,
    frequency_u_hz: f64,
    phasor: PhasorEstimate,
}

impl Cell {
    /// Draws and estimates.
    pub fn run(&self) -> Outcome {
        let seed = (self.snr_db as u64) << 32
            | match self.length {
                Length::Cycles(length) => (length * 8.0) as u64,
                Length::Seconds(length) => 1 << 20 | (length * 8.0) as u64,
            } << 2
            | self.signal as u64;
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut outcome = Outcome::default();
        for i in 0..FREQUENCIES {
            let truth = self.truth(i, &mut random);
            let of = truth.channels.len() - 1;
            let bound = truth.bound(of);
            let clean = clean(&truth);
            let mut search = FirstGuess::new(truth.frames, RATE_HZ, [6.6, 73.6]);
            for _ in 0..self.draws.div_ceil(FREQUENCIES) {
                let mut samples = clean.clone();
                for (mut row, channel) in samples.rows_mut().into_iter().zip(&truth.channels) {
                    for x in &mut row {
                        let normal: f64 = StandardNormal.sample(&mut random);
                        *x += channel.noise_rms * normal;
                    }
                }
                match self.estimate(&mut search, &samples) {
                    Some(estimate) => outcome.add(&estimate, &truth, of, bound),
                    None => outcome.failed += 1,
                }
            }
        }
        outcome
    }

    /// Frequency number i of the cell, with phases of its own.
    fn truth(&self, i: usize, random: &mut ChaCha8Rng) -> Truth {
        // The golden section spreads any number of points evenly and puts none
        // on a bin.
        let place = (0.618_033_988_75 * (i as f64 + 0.5)).fract();
        let side = if i.is_multiple_of(2) { 1.5 } else { -1.5 };
        let (frequency_hz, mains_hz) = match self.signal {
            Signal::Mains | Signal::MainsTold => (
                50.0 + side + 0.2 * (place - 0.5),
                50.0 + 0.2 * (place - 0.5),
            ),
            _ => (8.0 + 56.0 * place, 0.0),
        };
        let seconds = match self.length {
            Length::Cycles(cycles) => cycles / frequency_hz,
            Length::Seconds(seconds) => seconds,
        };
        let mut phase = || Complex64::cis(random.random_range(-PI..PI));
        let relative: &[f64] = match self.signal {
            Signal::Plain => &[1.0],
            _ => &[1.0, 0.3, 0.2, 0.1, 0.05],
        };
        let mut channel = |amplitude: f64, mains: f64, has_say: bool| TrueChannel {
            offset: if relative.len() > 1 { amplitude } else { 0.0 },
            phasors: relative.iter().map(|r| r * amplitude * phase()).collect(),
            interfering: (mains > 0.0).then(|| (mains_hz, mains * amplitude * phase())),
            noise_rms: amplitude * (0.5 * 10.0_f64.powf(-0.1 * self.snr_db)).sqrt(),
            has_say,
        };
        let channels = match self.signal {
            Signal::Mains | Signal::MainsTold => vec![
                channel(1.0, 0.0, true),
                channel(0.1, 0.0, true),
                channel(1e-4, 0.5, false),
            ],
            _ => vec![channel(1.0, 0.0, true)],
        };
        Truth {
            frequency_hz,
            rate_hz: RATE_HZ,
            frames: (seconds * RATE_HZ).round() as usize,
            channels,
        }
    }

    /// As the program does it: an FFT peak, then the fit; with mains hum, the
    /// fit of a whole hold, which finds the interfering tone by itself.
    fn estimate(&self, search: &mut FirstGuess, samples: &Array2<f64>) -> Option<Estimate> {
        let say: Vec<bool> = match self.signal {
            Signal::Mains | Signal::MainsTold => vec![true, true, false],
            _ => vec![true],
        };
        let frequency_hz = search.hz(samples.view(), &say)?;
        if self.signal == Signal::Mains {
            let mut hold_fit = HoldFit::new(&hold_plan());
            let interval = hold_fit.fit(samples.view(), frequency_hz).ok()?;
            return Some(Estimate {
                frequency_hz: interval.frequency_hz,
                frequency_u_hz: interval.frequency_u_hz,
                phasor: interval.channels.last()?.phasor,
            });
        }
        let tone = ToneGuess {
            frequency_hz,
            free: true,
            orders: self.signal.orders(),
        };
        let setting = samples.slice(s![..samples.nrows().min(2), ..]);
        let found = fit(setting, RATE_HZ, &[tone], &say).ok()?;
        let frequency = found.frequencies[0];
        let of_channel = if self.signal == Signal::MainsTold {
            let drive = ToneGuess {
                frequency_hz: frequency.frequency_hz,
                free: false,
                ..tone
            };
            let hum = ToneGuess {
                frequency_hz: 50.0,
                free: true,
                orders: 1,
            };
            fit(samples.slice(s![2.., ..]), RATE_HZ, &[drive, hum], &[true]).ok()?
        } else {
            found
        };
        Some(Estimate {
            frequency_hz: frequency.frequency_hz,
            frequency_u_hz: frequency.frequency_u_hz,
            phasor: of_channel.channels[0].phasors[0][0],
        })
    }
}

impl Outcome {
    fn add(&mut self, estimate: &Estimate, truth: &Truth, of: usize, bound: Bound) {
        let error_hz = estimate.frequency_hz - truth.frequency_hz;
        self.frequency
            .add(error_hz, bound.frequency, estimate.frequency_u_hz.powi(2));
        let phasor = estimate.phasor;
        let true_phasor = truth.channels[of].phasors[0];
        let unit = phasor.value / phasor.value.norm();
        let along = |u: Complex64| {
            u.re * u.re * phasor.var_re
                + u.im * u.im * phasor.var_im
                + 2.0 * u.re * u.im * phasor.cov
        };
        self.amplitude.add(
            phasor.value.norm() - true_phasor.norm(),
            bound.amplitude,
            along(unit),
        );
        self.phase.add(
            (phasor.value / true_phasor).arg(),
            bound.phase,
            along(unit * Complex64::I) / phasor.value.norm_sqr(),
        );
    }
}

/// The samples without noise.
fn clean(truth: &Truth) -> Array2<f64> {
    let mut samples = Array2::zeros((truth.channels.len(), truth.frames));
    for (row, channel) in truth.channels.iter().enumerate() {
        for frame in 0..truth.frames {
            let t = truth.time_s(frame);
            let mut x = channel.offset;
            for (phasor, order) in channel.phasors.iter().zip(1_u32..) {
                x += (phasor * Complex64::cis(TAU * f64::from(order) * truth.frequency_hz * t)).re;
            }
            if let Some((hz, phasor)) = channel.interfering {
                x += (phasor * Complex64::cis(TAU * hz * t)).re;
            }
            samples[[row, frame]] = x;
        }
    }
    samples
}

/// A plan for samples that are decimated already.
fn hold_plan() -> TonePlan {
    TonePlan {
        rate_hz: RATE_HZ,
        decimation: 1,
        hop_samples: 250,
        window_hops: 4,
        search_low_hz: 6.6,
        search_high_hz: 73.6,
        clip_level: f64::INFINITY,
        channels: [true, true, false]
            .iter()
            .enumerate()
            .map(|(column, sets_frequency)| PlannedChannel {
                setup_index: column,
                column,
                to_si: 1.0,
                sets_frequency: *sets_frequency,
                is_required: *sets_frequency,
            })
            .collect(),
    }
}
