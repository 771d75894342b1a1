//! Channels that fall silent while the span goes on moving: a cable that came
//! off, an amplifier that was switched off. Pure.
//!
//! In: the frames of the source that carries the antinode. Out: one event a
//! silence. A dead antinode leaves no dwell that could say so.
//!
//! The force falls to nothing, too, when the drive is switched off. The span then moves
//! on by itself, and its motion decays; while a cell fell silent it stands.

use std::collections::VecDeque;

use super::findings::Event;
use crate::maths;
use crate::setup::{Role, Setup};
use crate::tone::{ToneFrame, TonePlan};

/// What is left of a channel's motion when it is silent, over what it had.
const SILENT: f64 = 0.01;
/// Hops that it has to last: a second.
const SILENT_HOPS: usize = 4;
/// And hops after which a channel that never showed anything is said.
const NEVER_HOPS: usize = 40;
/// Part of the usual size that a new hop makes.
const NEW: f64 = 0.1;

/// Free motion of a span loses at least this part of itself in a second: a bare span of a
/// ratio of 0.003 loses five times as much (its ring-up takes some 90 s), and what a
/// driven motion wanders by is less.
const FREE_LOSS: f64 = 0.002;
/// Below this part of the motion under force the drive has ended, and above the other one
/// it is on again.
const ENDED: f64 = 0.1;
const DRIVEN_AGAIN: f64 = 0.5;

/// The motion of the antinode over the last hops.
#[derive(Debug, Default)]
struct Motion {
    row: Option<usize>,
    /// Peak, SI, the latest last.
    peaks: VecDeque<f64>,
}

impl Motion {
    fn hear(&mut self, frame: &ToneFrame) {
        let channel = self.row.and_then(|row| frame.channels.get(row));
        let sound = channel.filter(|channel| channel.missing == 0 && channel.clipped == 0);
        let Some(channel) = sound else {
            self.peaks.clear();
            return;
        };
        self.peaks.push_back(maths::modulus(channel.amplitude));
        if self.peaks.len() > SILENT_HOPS + 1 {
            self.peaks.pop_front();
        }
    }

    /// Whether it falls as free motion does; `None` where that cannot be told yet.
    fn falls(&self) -> Option<bool> {
        let (Some(before), Some(now)) = (self.peaks.front(), self.peaks.back()) else {
            return None;
        };
        (self.peaks.len() > SILENT_HOPS).then_some(*now < (1.0 - FREE_LOSS) * before)
    }
}

/// The motion since a force cell last showed a force.
#[derive(Debug, Default)]
struct WithoutForce {
    /// Peak of the antinode when there was a force last, SI.
    driven_peak: f64,
    /// Whether little of that is left.
    has_ended: bool,
    /// Hops, up to the latest, in which it did not fall.
    stood_hops: usize,
}

impl WithoutForce {
    /// Whether the span has moved on as under a force, after another hop; where nothing
    /// tells it, it has.
    fn is_driven(&mut self, motion: &Motion) -> bool {
        let Some(peak) = motion.peaks.back() else {
            return true;
        };
        if *peak < ENDED * self.driven_peak {
            self.has_ended = true;
        } else if *peak > DRIVEN_AGAIN * self.driven_peak {
            self.has_ended = false;
        }
        let stands = motion.falls() == Some(false) && !self.has_ended;
        self.stood_hops = if stands { self.stood_hops + 1 } else { 0 };
        self.stood_hops >= SILENT_HOPS
    }
}

/// What is known of one channel.
#[derive(Debug)]
struct Listened {
    row: usize,
    name: String,
    role: Role,
    /// What it usually has, rms, SI; 0 where it has shown nothing yet.
    usual_rms: f64,
    silent_hops: usize,
    is_said: bool,
    since_s: f64,
    /// Of a force cell: how the span moves without it.
    without_force: Option<WithoutForce>,
}

/// The channels of one source that numbers rest on.
#[derive(Debug)]
pub(super) struct Silence {
    channels: Vec<Listened>,
    motion: Motion,
}

impl Silence {
    pub(super) fn new(setup: &Setup, plan: &TonePlan) -> Self {
        let channels = plan.channels.iter().enumerate();
        let is_antinode = |setup_index: usize| {
            let channel = setup.channels.get(setup_index);
            channel.is_some_and(|channel| channel.role == Role::Antinode)
        };
        let antinode = channels
            .clone()
            .find(|(_, planned)| is_antinode(planned.setup_index));
        Self {
            motion: Motion {
                row: antinode.map(|(row, _)| row),
                peaks: VecDeque::new(),
            },
            channels: channels
                .filter_map(|(row, planned)| {
                    let channel = setup.channels.get(planned.setup_index)?;
                    let is_watched = match channel.role {
                        Role::Antinode
                        | Role::Node
                        | Role::DriveForce
                        | Role::DriveMotion
                        | Role::Wave => true,
                        role => role.is_clamp_strain(),
                    };
                    // What is worked out from others falls silent with them.
                    let is_watched = is_watched && !channel.is_worked_out();
                    is_watched.then(|| Listened {
                        row,
                        name: channel.name.clone(),
                        role: channel.role,
                        usual_rms: 0.0,
                        silent_hops: 0,
                        is_said: false,
                        since_s: 0.0,
                        without_force: (channel.role == Role::DriveForce)
                            .then(WithoutForce::default),
                    })
                })
                .collect(),
        }
    }

    /// Looks at the next frame of the source; `hop_s` is its length.
    pub(super) fn frame(&mut self, frame: &ToneFrame, hop_s: f64) -> Vec<Event> {
        // Where nothing moves, silence is right.
        if frame.frequency_hz.is_none() {
            self.motion.peaks.clear();
            for channel in &mut self.channels {
                channel.silent_hops = 0;
                channel.is_said = false;
            }
            return Vec::new();
        }
        self.motion.hear(frame);
        let mut events = Vec::new();
        for channel in &mut self.channels {
            let Some(tone) = frame.channels.get(channel.row) else {
                continue;
            };
            let rms = tone.deviation;
            if !rms.is_finite() {
                continue;
            }
            if rms > SILENT * channel.usual_rms {
                channel.silent_hops = 0;
                channel.is_said = false;
                if let (Some(without), Some(peak)) =
                    (&mut channel.without_force, self.motion.peaks.back())
                {
                    *without = WithoutForce {
                        driven_peak: *peak,
                        ..WithoutForce::default()
                    };
                }
                channel.usual_rms += NEW * (rms - channel.usual_rms);
                continue;
            }
            if channel.silent_hops == 0 {
                channel.since_s = frame.end_s - hop_s;
            }
            channel.silent_hops += 1;
            let has_moved = channel.usual_rms > 0.0;
            let is_driven = match &mut channel.without_force {
                Some(without) if has_moved => without.is_driven(&self.motion),
                _ => true,
            };
            let least_hops = if has_moved { SILENT_HOPS } else { NEVER_HOPS };
            if channel.silent_hops >= least_hops && is_driven && !channel.is_said {
                channel.is_said = true;
                events.push(channel.event());
            }
        }
        events
    }
}

impl Listened {
    fn event(&self) -> Event {
        let Self {
            name,
            since_s,
            usual_rms,
            ..
        } = self;
        let role = self.role.name();
        let message = if *usual_rms > 0.0 {
            format!(
                "The {role} reading of channel \"{name}\" dropped to nothing at {since_s:.1} s, while others show the drive's tone; look at its sensor, cable and amplifier."
            )
        } else {
            format!(
                "The {role} channel \"{name}\" shows nothing from {since_s:.1} s on, while others show the drive's tone: no reading rests on it; look at its sensor, cable and amplifier."
            )
        };
        Event {
            at_s: *since_s,
            kind: "silent".into(),
            message,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tone::ChannelTone;

    fn silence() -> Silence {
        let watched = |row, role| Listened {
            row,
            name: format!("channel {row}"),
            role,
            usual_rms: 0.0,
            silent_hops: 0,
            is_said: false,
            since_s: 0.0,
            without_force: None,
        };
        Silence {
            motion: Motion::default(),
            channels: vec![watched(0, Role::Antinode), watched(1, Role::Node)],
        }
    }

    /// The events of hops with these sizes of antinode and node, and whether a tone
    /// is seen.
    fn events(hops: impl Iterator<Item = ([f64; 2], bool)>) -> Vec<String> {
        let mut silence = silence();
        let frame = |hop: u64, sizes: [f64; 2], has_tone: bool| ToneFrame {
            hop,
            end_s: 0.25 * (hop + 1) as f64,
            frequency_hz: has_tone.then_some(20.0),
            frequency_u_hz: 0.0,
            channels: sizes
                .map(|deviation| ChannelTone {
                    deviation,
                    ..ChannelTone::default()
                })
                .to_vec(),
            ..ToneFrame::default()
        };
        (0..)
            .zip(hops)
            .flat_map(|(hop, (sizes, has_tone))| silence.frame(&frame(hop, sizes, has_tone), 0.25))
            .map(|event| event.message)
            .collect()
    }

    #[test]
    fn a_channel_that_falls_silent_is_said_once() {
        let off = (0..80).map(|i| ([if (40..60).contains(&i) { 0.0 } else { 1.0 }, 0.1], true));
        let said = events(off);
        assert_eq!(said.len(), 1, "{said:?}");
        assert!(said[0].contains("antinode reading") && said[0].contains("at 10.0 s"));
        let short = (0..80).map(|i| ([if (40..43).contains(&i) { 0.0 } else { 1.0 }, 0.1], true));
        assert_eq!(events(short), Vec::<String>::new());
    }

    #[test]
    fn a_channel_that_was_never_alive_is_said_and_a_span_at_rest_is_not() {
        let dead = events((0..80).map(|_| ([1.0, 0.0], true)));
        assert!(
            dead.len() == 1 && dead[0].contains("node channel"),
            "{dead:?}"
        );
        let rests = (0..80).map(|i| {
            if i < 40 {
                ([1.0, 0.1], true)
            } else {
                ([0.0; 2], false)
            }
        });
        assert_eq!(events(rests), Vec::<String>::new());
    }
}
