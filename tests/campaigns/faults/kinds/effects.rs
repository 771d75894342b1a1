//! What the kinds of trouble are made of: changes of the samples and of the
//! drive.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use std::f64::consts::TAU;

use super::Scene;
use crate::bench::virtual_span::Chance;
use crate::faults::bench::{ANTINODE, Bench, Frame, NODE, spread};
use crate::faults::record::{Drive, Effects};

pub fn on_frame(frame: impl FnMut(f64, &mut Frame) + 'static) -> Effects {
    Effects {
        frame: Some(Box::new(frame)),
        ..Effects::default()
    }
}

pub fn on_drive(drive: impl FnMut(f64, &mut Drive) + 'static) -> Effects {
    Effects {
        drive: Some(Box::new(drive)),
        ..Effects::default()
    }
}

pub fn gain(channel: usize, factor: f64, from_s: f64) -> Effects {
    on_frame(move |t, frame| {
        if t >= from_s {
            frame[channel] *= factor;
        }
    })
}

/// A gain that goes to `factor` from one instant to the other.
pub fn gain_drift(channel: usize, factor: f64, scene: &Scene) -> Effects {
    let (from_s, to_s) = (scene.event_s, scene.to_s);
    on_frame(move |t, frame| {
        let part = ((t - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
        frame[channel] *= 1.0 + (factor - 1.0) * part;
    })
}

/// Silence of a channel, once.
pub fn off(channel: usize, seconds: f64, scene: &Scene) -> Effects {
    let from_s = scene.event_s + 5.0;
    on_frame(move |t, frame| {
        if t >= from_s && t < from_s + seconds {
            frame[channel] = 0.0;
        }
    })
}

/// Twelve silences of 0.3 s.
pub fn intermittent(channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let length_s = scene.to_s - scene.event_s - 0.5;
    let starts: Vec<f64> = (0..12)
        .map(|i| scene.event_s + (f64::from(i) + chance.between(0.0, 0.6)) * length_s / 12.0)
        .collect();
    on_frame(move |t, frame| {
        if starts.iter().any(|start| t >= *start && t < start + 0.3) {
            frame[channel] = 0.0;
        }
    })
}

/// Flattened at a part of the tone's own peak, above, below or both.
pub fn flat(bench: &Bench, channel: usize, at: f64, sides: (bool, bool), scene: &Scene) -> Effects {
    let limit = at * bench.peaks[channel];
    let (above, below) = sides;
    let from_s = scene.from_s;
    on_frame(move |t, frame| {
        if t >= from_s {
            let x = &mut frame[channel];
            if above {
                *x = x.min(limit);
            }
            if below {
                *x = x.max(-limit);
            }
        }
    })
}

/// An amplifier that gives way little by little.
pub fn soft(bench: &Bench, channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let scale = bench.peaks[channel] * chance.between(0.9, 1.6);
    let from_s = scene.from_s;
    on_frame(move |t, frame| {
        if t >= from_s {
            frame[channel] = scale * (frame[channel] / scale).tanh();
        }
    })
}

/// An amplifier that cannot follow the steepest part.
pub fn slew(bench: &Bench, channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let most =
        chance.between(0.6, 0.85) * bench.peaks[channel] * TAU * bench.frequency_hz / bench.rate_hz;
    let from_s = scene.from_s;
    let mut last = 0.0;
    on_frame(move |t, frame| {
        let x = frame[channel];
        last = if t >= from_s {
            last + (x - last).clamp(-most, most)
        } else {
            x
        };
        frame[channel] = last;
    })
}

/// A loose sensor: a short ringing knock once a cycle.
pub fn rattle(bench: &Bench, channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let strength = chance.between(0.3, 1.0) * bench.peaks[ANTINODE];
    let (from_s, cycle_s) = (scene.from_s, 1.0 / bench.frequency_hz);
    let ring_hz = 0.23 * bench.rate_hz;
    on_frame(move |t, frame| {
        if t >= from_s {
            let since_s = t % cycle_s;
            frame[channel] +=
                strength * (-since_s / (0.06 * cycle_s)).exp() * (TAU * ring_hz * since_s).sin();
        }
    })
}

/// A charge amplifier whose zero jumps and creeps back.
pub fn jumps(bench: &Bench, channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let height = chance.sign() * chance.between(0.5, 1.5) * bench.peaks[ANTINODE];
    let event_s = scene.event_s + 3.0;
    on_frame(move |t, frame| {
        if t >= event_s {
            frame[channel] += height * (-((t - event_s) % 8.0) / 2.0).exp();
        }
    })
}

/// A broken shield: noise as large as the signal, for 5 s.
pub fn noisy(bench: &Bench, channel: usize, scene: &Scene, chance: &mut Chance) -> Effects {
    let rms = chance.between(0.3, 1.0) * bench.peaks[ANTINODE];
    let (from_s, to_s) = (scene.event_s + 2.0, scene.event_s + 12.0);
    let mut random = ChaCha8Rng::seed_from_u64(bench.seed ^ 0xbad);
    on_frame(move |t, frame| {
        if t >= from_s && t < to_s {
            let normal: f64 = StandardNormal.sample(&mut random);
            frame[channel] += rms * normal;
        }
    })
}

/// Hum of the mains, next to which the drive stands.
pub fn hum(
    bench: &Bench,
    channels: &'static [usize],
    part: (f64, f64),
    scene: &Scene,
    chance: &mut Chance,
) -> Effects {
    let part = spread(chance, part.0, part.1);
    let phase = chance.between(0.0, TAU);
    let mains_hz = if bench.frequency_hz < 55.0 {
        50.0
    } else {
        60.0
    };
    let from_s = scene.from_s;
    let peaks = bench.peaks;
    on_frame(move |t, frame| {
        if t >= from_s {
            let hum = part * (TAU * mains_hz * t + phase).sin();
            for &channel in channels {
                let of = if channel == NODE { ANTINODE } else { channel };
                frame[channel] += hum * peaks[of];
            }
        }
    })
}

pub fn beside(
    from: usize,
    to: usize,
    bench: &Bench,
    scene: &Scene,
    chance: &mut Chance,
) -> Effects {
    let like = |channel| bench.peaks[if channel == NODE { ANTINODE } else { channel }];
    let part = chance.sign() * chance.between(0.01, 0.05) * like(to) / like(from);
    let from_s = scene.from_s;
    on_frame(move |t, frame| {
        if t >= from_s {
            frame[to] += part * frame[from];
        }
    })
}

/// A tone in quadrature with the antinode's, from its time derivative.
pub fn turned(part: f64, bench: &Bench, from_s: f64) -> Effects {
    let scale = part * bench.rate_hz / (TAU * bench.frequency_hz);
    let mut last = 0.0;
    on_frame(move |t, frame| {
        let rate = scale * (frame[ANTINODE] - last);
        last = frame[ANTINODE];
        if t >= from_s {
            frame[NODE] += rate;
        }
    })
}
