//! Trouble of the drive and of the span.

use std::f64::consts::TAU;

use super::effects::{on_drive, on_frame};
use super::*;
use crate::faults::bench::*;

pub fn kinds() -> Vec<Kind> {
    vec![
        kind(
            "beat",
            &[
                "beat",
                "wandered",
                "pulses",
                "another tone",
                "level was changed",
            ],
            |_, s, c| {
                let depth = c.between(0.1, 0.3);
                let offset_hz = c.sign() * spread(c, 0.05, 0.5);
                let from_s = s.from_s;
                on_drive(move |t, drive| {
                    drive.second = (if t >= from_s { depth } else { 0.0 }, offset_hz);
                })
            },
        ),
        kind(
            "drive drifts",
            &[
                "drift",
                "off resonance",
                "peak",
                "amplitude moved",
                "wandered",
            ],
            |b, s, c| {
                let hz = c.sign() * c.between(0.6, 1.5) * b.bandwidth_hz;
                let (from_s, to_s) = (s.event_s, s.to_s);
                on_drive(move |t, drive| {
                    drive.offset_hz = hz * ((t - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
                })
            },
        ),
        kind(
            "drive wanders",
            &[
                "wandered",
                "amplitude moved",
                "pulses",
                "beat",
                "level",
                "force changed",
            ],
            |_, s, c| {
                let (depth, period_s) = (c.between(0.05, 0.15), c.between(6.0, 20.0));
                let from_s = s.from_s;
                on_drive(move |t, drive| {
                    drive.force = if t >= from_s {
                        1.0 + depth * (TAU * (t - from_s) / period_s).sin()
                    } else {
                        1.0
                    };
                })
            },
        ),
        kind("drive level stepped", &[], |_, s, c| {
            let factor = if c.below(2) == 0 { 0.93 } else { 1.07 };
            let event_s = s.event_s + 12.0;
            on_drive(move |t, drive| drive.force = if t >= event_s { factor } else { 1.0 })
        }),
        kind("drive cut", &[], |_, s, _| {
            let event_s = s.event_s + 12.0;
            on_drive(move |t, drive| drive.force = if t >= event_s { 0.0 } else { 1.0 })
        }),
        kind(
            "slow sweep",
            &[
                "drift",
                "swept",
                "sweep",
                "passage",
                "off resonance",
                "peak",
                "too short",
                "not rung up",
            ],
            |_, s, c| {
                let rate = c.sign() * c.between(0.02, 0.1);
                let event_s = s.event_s;
                on_drive(move |t, drive| drive.offset_hz = rate * (t - event_s).max(0.0))
            },
        ),
        kind(
            "passage over the peak",
            &[
                "drift",
                "swept",
                "sweep",
                "passage",
                "off resonance",
                "peak",
                "too short",
                "not rung up",
            ],
            |_, s, c| {
                let sign = c.sign();
                let (from_s, to_s) = (s.from_s, s.to_s);
                on_drive(move |t, drive| {
                    drive.offset_hz = sign * 2.0 * ((t - from_s) / (to_s - from_s) - 0.5);
                })
            },
        )
        .only(When::Alone),
        kind(
            "footsteps",
            &[
                "transient",
                "knock",
                "impuls",
                "impact",
                "drive-force&full scale",
                "drive-force&distor",
                "beat",
                "wandered",
                "amplitude",
                "too short",
                "not rung up",
            ],
            |_, s, c| {
                let strength = c.sign() * c.between(3.0, 10.0);
                let event_s = s.event_s + 6.0;
                on_drive(move |t, drive| {
                    let since_s = (t - event_s) % 4.0;
                    let hit = t >= event_s && t < event_s + 10.0 && since_s < 0.02;
                    drive.knock = if hit { strength } else { 0.0 };
                })
            },
        ),
        kind(
            "a second mode rings on",
            &[
                "beat",
                "wandered",
                "pulses",
                "another tone",
                "reading changed",
                "amplitude",
                "rung up",
            ],
            |b, s, c| {
                let offset_hz = c.sign() * c.between(0.5, 2.0) * b.bandwidth_hz;
                let constant_s = b.constant_s * c.between(3.0, 6.0);
                let part = c.between(0.1, 0.5) * b.peaks[ANTINODE];
                let node = c.between(-0.5, 0.5);
                let (from_s, hz) = (s.from_s, b.frequency_hz + offset_hz);
                on_frame(move |t, frame| {
                    if t >= from_s {
                        let free = part * (-(t - from_s) / constant_s).exp() * (TAU * hz * t).sin();
                        frame[ANTINODE] += free;
                        frame[NODE] += node * free;
                    }
                })
            },
        ),
        kind("drive 0.3 bandwidths off", PEAK, |b, s, c| {
            let hz = c.sign() * 0.3 * b.bandwidth_hz;
            let from_s = s.from_s;
            on_drive(move |t, drive| drive.offset_hz = if t >= from_s { hz } else { 0.0 })
        }),
        kind("drive in steps of 0.1 Hz", PEAK, |_, _, c| {
            let hz = c.between(-0.05, 0.05);
            on_drive(move |_, drive| drive.offset_hz = hz)
        })
        .only(When::Alone),
        kind("drive 0.7 bandwidths off", PEAK, |b, s, c| {
            let hz = c.sign() * 0.7 * b.bandwidth_hz;
            let from_s = s.from_s;
            on_drive(move |t, drive| drive.offset_hz = if t >= from_s { hz } else { 0.0 })
        }),
    ]
}
