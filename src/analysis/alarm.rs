//! Limits on strain and amplitude, watched hop by hop.
//!
//! In: tone messages and trace rows. Out: [`Alarm`]s, when a limit is passed
//! and when it is kept again. Pure. This is no safety interlock: it comes a
//! second late, and not at all when the program, the computer or a sensor
//! fails.

use std::collections::VecDeque;

use super::{Event, TraceRow};
use crate::maths;
use crate::setup::{AlarmLimits, Setup};
use crate::tone::{ToneFrame, ToneMessage, TonePlan};

/// Hops over which a strain's peak-to-peak value is taken: about a second, a
/// whole cycle of anything above 1 Hz.
const HOPS: usize = 4;
/// A limit counts as kept again below this share of it …
const KEPT_SHARE: f64 = 0.95;
/// … for so many seconds.
const KEPT_S: f64 = 5.0;

/// A limit was passed, or is kept again.
#[derive(Debug, Clone, PartialEq)]
pub struct Alarm {
    /// When, s since sample 0 of the source.
    pub at_s: f64,
    /// Passed, or kept again.
    pub raised: bool,
    /// One sentence.
    pub message: String,
}

impl From<Alarm> for Event {
    /// As it stands in the log.
    fn from(alarm: Alarm) -> Self {
        Self {
            at_s: alarm.at_s,
            kind: if alarm.raised { "alarm" } else { "alarm-over" }.to_owned(),
            message: alarm.message,
        }
    }
}

/// One quantity and its limit.
#[derive(Debug)]
struct Watched {
    what: String,
    unit: &'static str,
    limit: f64,
    over: bool,
    below_since_s: Option<f64>,
}

impl Watched {
    fn new(what: String, unit: &'static str, limit: f64) -> Self {
        Self {
            what,
            unit,
            limit,
            over: false,
            below_since_s: None,
        }
    }

    fn see(&mut self, at_s: f64, value: f64) -> Option<Alarm> {
        let Self {
            what, unit, limit, ..
        } = self;
        if value > *limit {
            self.below_since_s = None;
            let first = !std::mem::replace(&mut self.over, true);
            return first.then(|| Alarm {
                at_s,
                raised: true,
                message: format!("{what} is {value:.1} {unit}, above the limit of {limit} {unit}."),
            });
        }
        if !self.over || value > KEPT_SHARE * *limit {
            self.below_since_s = None;
            return None;
        }
        let since_s = *self.below_since_s.get_or_insert(at_s);
        if at_s - since_s < KEPT_S {
            return None;
        }
        self.over = false;
        Some(Alarm {
            at_s,
            raised: false,
            message: format!("{what} keeps the limit of {limit} {unit} again."),
        })
    }
}

/// How long a gauge has to show nothing at the drive's frequency, while others do,
/// before its limit is not watched any more, s.
const BLIND_S: f64 = 5.0;
/// Standard uncertainties from which it shows something again.
const SHOWS: f64 = 5.0;

/// One strain gauge: its row in the source's plan, and its extremes of the
/// last hops.
#[derive(Debug)]
struct Gauge {
    source: usize,
    row: usize,
    extremes: VecDeque<(f64, f64)>,
    watched: Watched,
    /// Since when it shows nothing, s, and whether that was said.
    dead_since_s: Option<f64>,
    blind: bool,
}

impl Gauge {
    /// A dead gauge keeps every limit: says that it cannot be watched, once, and
    /// that it can be again.
    fn look(&mut self, frame: &ToneFrame) -> Option<Alarm> {
        let tone = frame.channels.get(self.row);
        let shows = tone.is_some_and(|tone| {
            let amplitude = maths::modulus(tone.amplitude);
            amplitude > 0.0 && amplitude > SHOWS * tone.amplitude_u
        });
        let what = &self.watched.what;
        // At rest there is nothing to show.
        if frame.frequency_hz.is_none() || shows {
            self.dead_since_s = None;
            return (shows && std::mem::take(&mut self.blind)).then(|| Alarm {
                at_s: frame.end_s,
                raised: false,
                message: format!("{what} is watched again."),
            });
        }
        let since_s = *self.dead_since_s.get_or_insert(frame.end_s);
        let is_new = frame.end_s - since_s >= BLIND_S && !std::mem::replace(&mut self.blind, true);
        is_new.then(|| Alarm {
            at_s: frame.end_s,
            raised: true,
            message: format!(
                "{what} cannot be watched: the gauge has shown nothing for {BLIND_S:.0} s while the span moves, and its limit is blind; look at the gauge and its cable."
            ),
        })
    }
}

/// All limits of a setup.
#[derive(Debug)]
pub struct Alarms {
    gauges: Vec<Gauge>,
    amplitude: Option<Watched>,
    velocity: Option<Watched>,
    ever: bool,
}

impl Alarms {
    /// `plans`: one a source, in setup order.
    pub fn new(setup: &Setup, plans: &[TonePlan]) -> Self {
        let limits: AlarmLimits = setup.limits;
        let mut gauges = Vec::new();
        for (source, plan) in plans.iter().enumerate() {
            for (row, planned) in plan.channels.iter().enumerate() {
                if let (Some(limit), Some(channel)) = (
                    limits.strain_pp_um_m,
                    setup.channels.get(planned.setup_index),
                ) && channel.role.is_clamp_strain()
                {
                    gauges.push(Gauge {
                        source,
                        row,
                        extremes: VecDeque::new(),
                        watched: Watched::new(
                            format!("The strain at \"{}\"", channel.name),
                            "um/m peak-to-peak",
                            limit,
                        ),
                        dead_since_s: None,
                        blind: false,
                    });
                }
            }
        }
        Self {
            gauges,
            amplitude: limits.antinode_amplitude_mm_pp.map(|limit| {
                Watched::new("The antinode amplitude".into(), "mm peak-to-peak", limit)
            }),
            velocity: limits
                .antinode_velocity_mm_s
                .map(|limit| Watched::new("The antinode velocity".into(), "mm/s peak", limit)),
            ever: false,
        }
    }

    /// Whether any limit was passed so far.
    pub fn ever_raised(&self) -> bool {
        self.ever
    }

    /// A sentence for each limit that is passed now, and for each that cannot be watched.
    pub fn in_force(&self) -> Vec<String> {
        let gauges = self
            .gauges
            .iter()
            .map(|gauge| (&gauge.watched, gauge.blind));
        let others = self.amplitude.iter().chain(&self.velocity);
        gauges
            .chain(others.map(|watched| (watched, false)))
            .filter_map(|(watched, blind)| {
                let Watched {
                    what,
                    unit,
                    limit,
                    over,
                    ..
                } = watched;
                if *over {
                    return Some(format!(
                        "{what} is above the limit of {limit} {unit}: turn the level down"
                    ));
                }
                blind.then(|| format!("{what} cannot be watched: look at the gauge and its cable"))
            })
            .collect()
    }

    /// Hears a message of a source.
    pub fn hear(&mut self, source: usize, message: &ToneMessage) -> Vec<Alarm> {
        match message {
            ToneMessage::Frame(frame) => self.frame(source, frame),
            ToneMessage::Gap(_) => {
                self.gap(source);
                Vec::new()
            }
        }
    }

    /// Looks at a frame of a source: at the gauges' samples as they are, with
    /// whatever harmonics and knocks are in them.
    fn frame(&mut self, source: usize, frame: &ToneFrame) -> Vec<Alarm> {
        let mut alarms = Vec::new();
        for gauge in self
            .gauges
            .iter_mut()
            .filter(|gauge| gauge.source == source)
        {
            if gauge.row >= frame.samples.nrows() {
                continue;
            }
            let raw = frame.channels.get(gauge.row);
            if raw.is_some_and(|channel| channel.missing > 0) {
                // Extremes across values that are missing would be made up.
                gauge.extremes.clear();
                continue;
            }
            let extremes = frame
                .samples
                .row(gauge.row)
                .iter()
                .fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), x| {
                    (least.min(*x), most.max(*x))
                });
            gauge.extremes.push_back(extremes);
            if gauge.extremes.len() > HOPS {
                gauge.extremes.pop_front();
            }
            let (least, most) = gauge.extremes.iter().fold(
                (f64::INFINITY, f64::NEG_INFINITY),
                |(least, most), (a, b)| (least.min(*a), most.max(*b)),
            );
            alarms.extend(gauge.watched.see(frame.end_s, 1e6 * (most - least)));
            alarms.extend(gauge.look(frame));
        }
        self.note(alarms)
    }

    /// A gap: extremes before it say nothing about what comes.
    fn gap(&mut self, source: usize) {
        for gauge in self
            .gauges
            .iter_mut()
            .filter(|gauge| gauge.source == source)
        {
            gauge.extremes.clear();
        }
    }

    /// Looks at a row of the trace.
    pub fn row(&mut self, row: &TraceRow) -> Vec<Alarm> {
        let mut alarms = Vec::new();
        if let (Some(frequency_hz), Some(velocity_mm_s)) =
            (row.frequency_hz, row.antinode_velocity_mm_s)
        {
            // Y_pp = 2 V / omega.
            let amplitude_mm_pp = 2.0 * velocity_mm_s / (std::f64::consts::TAU * frequency_hz);
            let amplitude = self.amplitude.as_mut();
            alarms.extend(amplitude.and_then(|watched| watched.see(row.time_s, amplitude_mm_pp)));
            let velocity = self.velocity.as_mut();
            alarms.extend(velocity.and_then(|watched| watched.see(row.time_s, velocity_mm_s)));
        }
        self.note(alarms)
    }

    fn note(&mut self, alarms: Vec<Alarm>) -> Vec<Alarm> {
        self.ever |= alarms.iter().any(|alarm| alarm.raised);
        alarms
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(time_s: f64, velocity_mm_s: f64) -> TraceRow {
        TraceRow {
            time_s,
            frequency_hz: Some(10.0),
            antinode_velocity_mm_s: Some(velocity_mm_s),
            ..TraceRow::default()
        }
    }

    #[test]
    fn an_alarm_comes_once_and_goes_only_when_the_limit_is_kept_for_a_while() {
        let limits = AlarmLimits {
            antinode_velocity_mm_s: Some(200.0),
            // 200 mm/s at 10 Hz is 6.37 mm peak-to-peak: never passed below.
            antinode_amplitude_mm_pp: Some(7.0),
            strain_pp_um_m: None,
        };
        let mut alarms = Alarms {
            gauges: Vec::new(),
            amplitude: limits
                .antinode_amplitude_mm_pp
                .map(|limit| Watched::new("amplitude".into(), "mm", limit)),
            velocity: limits
                .antinode_velocity_mm_s
                .map(|limit| Watched::new("velocity".into(), "mm/s", limit)),
            ever: false,
        };
        let mut seen = Vec::new();
        for (time_s, velocity_mm_s) in [
            (1.0, 199.0),
            (2.0, 201.0),
            (3.0, 210.0),
            (4.0, 180.0),
            (6.0, 195.0),
            (7.0, 180.0),
        ] {
            seen.extend(alarms.row(&row(time_s, velocity_mm_s)));
        }
        assert_eq!(seen.len(), 1);
        assert!(
            seen[0].raised && seen[0].message.contains("201.0 mm/s"),
            "{seen:?}"
        );
        assert!(alarms.row(&row(11.9, 180.0)).is_empty());
        let kept = alarms.row(&row(12.0, 180.0));
        assert!(!kept[0].raised);
        // Y_pp = 2 · 230/(2 π · 10) = 7.32 mm, by hand.
        let both = alarms.row(&row(20.0, 230.0));
        assert_eq!(both.len(), 2);
        assert!(both[0].message.contains("7.3 mm"), "{both:?}");
        assert!(alarms.ever_raised());
    }

    #[test]
    fn a_strain_is_watched_peak_to_peak_as_the_samples_are() {
        let mut alarms = Alarms {
            gauges: vec![Gauge {
                source: 1,
                row: 0,
                extremes: VecDeque::new(),
                watched: Watched::new("strain".into(), "um/m", 300.0),
                dead_since_s: None,
                blind: false,
            }],
            amplitude: None,
            velocity: None,
            ever: false,
        };
        let frame = |hop: u64, samples: [f64; 3]| ToneFrame {
            hop,
            end_s: hop as f64,
            frequency_hz: None,
            frequency_u_hz: 0.0,
            channels: Vec::new(),
            samples: std::sync::Arc::new(
                ndarray::Array2::from_shape_vec((1, 3), samples.to_vec()).unwrap(),
            ),
            ..ToneFrame::default()
        };
        // An offset is no strain amplitude; the extremes of two hops together are.
        assert!(
            alarms
                .frame(1, &frame(0, [900e-6, 1000e-6, 1100e-6]))
                .is_empty()
        );
        assert!(alarms.frame(0, &frame(1, [0.0, 1.0, -1.0])).is_empty());
        let passed = alarms.frame(1, &frame(1, [790e-6, 900e-6, 1000e-6]));
        assert!(passed[0].message.contains("310.0 um/m"), "{passed:?}");
    }

    #[test]
    fn a_limit_on_a_dead_gauge_is_blind_and_says_so() {
        let mut gauge = Gauge {
            source: 0,
            row: 0,
            extremes: VecDeque::new(),
            watched: Watched::new("The strain at \"end\"".into(), "um/m", 300.0),
            dead_since_s: None,
            blind: false,
        };
        // Strain in µm/m with the noise of one, a tone elsewhere or none.
        let mut look = |at_s: f64, strain: f64, has_tone: bool| {
            gauge.look(&ToneFrame {
                hop: 0,
                end_s: at_s,
                frequency_hz: has_tone.then_some(20.0),
                frequency_u_hz: 0.0,
                channels: vec![crate::tone::ChannelTone {
                    amplitude: num_complex::Complex64::new(strain, 0.0),
                    amplitude_u: 1.0,
                    ..crate::tone::ChannelTone::default()
                }],
                ..ToneFrame::default()
            })
        };
        assert_eq!(look(0.0, 40.0, true), None);
        for quarter in 0..20 {
            let at_s = 1.0 + 0.25 * f64::from(quarter);
            assert_eq!(look(at_s, 2.0, true), None, "{at_s}");
        }
        let alarm = look(6.0, 2.0, true).unwrap();
        assert!(alarm.raised && alarm.message.contains("blind"), "{alarm:?}");
        assert_eq!(look(7.0, 2.0, true), None);
        assert_eq!(look(8.0, 0.0, false), None);
        assert!(!look(9.0, 40.0, true).unwrap().raised);
        for second in 10..30 {
            assert_eq!(look(f64::from(second), 0.0, false), None);
        }
    }
}
