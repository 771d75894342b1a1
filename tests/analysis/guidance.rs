//! What is said to do now, against the exact field of the virtual span: on which side of
//! the peak the drive stands, how far off it is, which way the level is off, how long the
//! span still rings up, and what is said where nothing shows the peak.
//!
//! The outside is the rehearsal: exact steady solution and poles of a tensioned beam, which
//! shares no physics with the analysis. Damper, spans and sensors are invented.

use spanhold::analysis::{Analysis, Exclusion};
use spanhold::guidance::{Advice, CaptureState, Guide};
use spanhold::ingest::{Block, StreamFormat};
use spanhold::pipeline::capture::{CaptureMoment, Coverage, LinkHealth};
use spanhold::plan::{Assumptions, Plan};
use spanhold::reduction::SettledPoint;
use spanhold::rehearsal::{
    DwellTruth, Program, Rehearsal, Resonance, Step, Transition, VirtualSpan, perform,
};
use spanhold::setup::{Role, Setup, Unit, Verdict};
use spanhold::tone::{Estimator, ToneMessage, TonePlan, Windows};

use crate::bench::virtual_span::{self as virtual_bench, Chance};

/// A span, and how it is recorded.
struct Bench {
    setup: Setup,
    span: VirtualSpan,
    resonances: Vec<Resonance>,
    rate_hz: f64,
    seed: u64,
}

impl Bench {
    fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed);
        let setup = virtual_bench::setup(&mut chance, true);
        let model = virtual_bench::model(&setup, &mut chance);
        let span = VirtualSpan::new(&setup, &model).unwrap();
        let resonances = virtual_bench::in_sweep(&setup, &span);
        let rate_hz = (8.0 * setup.sweep.high_hz).ceil();
        Self {
            setup,
            span,
            resonances,
            rate_hz,
            seed,
        }
    }

    /// Some resonances over the range at which the drive does not sit on a node of its own.
    fn some(&self, count: usize) -> Vec<Resonance> {
        let shows = |r: &&Resonance| {
            let sine = self.setup.drive_sine(r.frequency_hz);
            sine.is_none_or(|sine| sine > 2.0 * self.setup.hold.drive_node_sine)
        };
        let shown: Vec<_> = self.resonances.iter().filter(shows).copied().collect();
        let stride = shown.len().div_ceil(count).max(1);
        shown.into_iter().step_by(stride).collect()
    }

    fn record(&self, steps: Vec<Step>) -> Rehearsal {
        self.record_beside(steps, 0.0)
    }

    /// With the node sensor so far from the node, mm.
    fn record_beside(&self, steps: Vec<Step>, beside_mm: f64) -> Rehearsal {
        let program = Program {
            lead_in_s: 3.0,
            steps,
            lead_out_s: 1.0,
        };
        let mut chance = Chance::new(self.seed ^ 0x5ee);
        let mut sensors = virtual_bench::sensors(&self.setup, &mut chance, 50.0);
        for (sensor, channel) in sensors.channels.iter_mut().zip(&self.setup.channels) {
            if channel.role == Role::Node {
                sensor.misplacement_mm = beside_mm;
            }
        }
        perform(&self.span, &program, &sensors, self.rate_hz, self.seed).unwrap()
    }
}

/// The state after each hop, by a setup that may know less of the bench.
pub(crate) fn states_by(setup: &Setup, rehearsal: &Rehearsal) -> Vec<CaptureState> {
    states_with(setup, rehearsal, |_, _| (Vec::new(), None))
}

/// The same with points and an exclusion, by the harmonic that the drive was last at and the
/// time, s.
fn states_with(
    setup: &Setup,
    rehearsal: &Rehearsal,
    noted: impl Fn(u32, f64) -> (Vec<SettledPoint>, Option<Exclusion>),
) -> Vec<CaptureState> {
    let format = StreamFormat {
        rate_hz: rehearsal.rate_hz,
        channels: rehearsal.samples.nrows(),
        clip_level: 1.0,
        start_utc: None,
    };
    let plan = TonePlan::new(setup, 0, &format).unwrap();
    let mut windows = Windows::new(plan.clone());
    let mut estimator = Estimator::new(plan.clone());
    let plans = [plan];
    let mut analysis = Analysis::new(setup, &plans, None);
    let mut guide = Guide::new(setup, "rehearsed", &[]);
    guide.sources(&plans);
    let planned = Plan::of(setup, Assumptions::of(setup)).harmonics_hz();
    let coverage = Coverage::new(&planned);
    let links = [LinkHealth {
        source: "bench".into(),
        silent_s: 0.0,
        counts: None,
    }];
    let mut states = Vec::new();
    let block = Block {
        first_sample: 0,
        samples: rehearsal.samples.clone(),
    };
    windows.block(&block, |window| {
        let message = estimator.estimate(window);
        let is_frame = matches!(message, ToneMessage::Frame(_));
        guide.hear(0, &message);
        analysis.push(0, message);
        if is_frame {
            let last: Option<&CaptureState> = states.last();
            let current = last.and_then(|state| state.harmonics.iter().find(|mark| mark.current));
            let harmonic = current.map_or(0, |mark| mark.harmonic);
            let at_s = last.and_then(|state| state.run.at_s).unwrap_or(0.0);
            let (points, exclusion) = noted(harmonic, at_s);
            guide.exclusions(exclusion.into_iter().collect());
            states.push(guide.state(&CaptureMoment {
                analysis: &analysis,
                points: &points,
                coverage: &coverage,
                alarms: &[],
                links: &links,
                space: None,
                behind_s: 0.0,
                catches_up: false,
                session: 1,
                now_utc: jiff::Timestamp::UNIX_EPOCH,
            }));
        }
    });
    states
}

/// The states whose hop lies within a dwell, with its time since the dwell's begin.
pub(crate) fn within<'a>(
    states: &'a [CaptureState],
    truth: &'a DwellTruth,
) -> impl Iterator<Item = (f64, &'a CaptureState)> {
    states.iter().filter_map(|state| {
        let at_s = state.run.at_s?;
        // A window at either end holds something else.
        let inside = at_s > truth.start_s + 1.25 && at_s < truth.end_s - 0.25;
        inside.then_some((at_s - truth.start_s, state))
    })
}

/// How far a place is from the nearest node of the exact field; nodes follow one another at
/// the loop length.
fn from_a_node_m(bench: &Bench, truth: &DwellTruth, place_m: f64) -> f64 {
    let conductor = bench.setup.strung_conductor();
    let loop_m = conductor.loop_length_m(truth.frequency_hz);
    let apart_m = place_m - truth.node_position_m;
    (apart_m - loop_m * (apart_m / loop_m).round()).abs()
}

fn without(setup: &Setup, roles: &[Role]) -> Setup {
    let mut less = setup.clone();
    less.channels
        .retain(|channel| !roles.contains(&channel.role));
    less
}

/// The same with the parts in the force cell weighed: on the virtual bench there are none.
fn weighed(setup: &Setup) -> Setup {
    let mut weighed = setup.clone();
    for channel in &mut weighed.channels {
        if channel.role == Role::DriveForce {
            channel.moving_mass_kg = Some(0.0);
        }
    }
    weighed
}

/// Up is +1, down −1, with the distance that was said.
fn turned(advice: &Advice) -> Option<(f64, Option<(f64, f64)>)> {
    match advice {
        Advice::TurnUp { by_hz, by_u_hz } => Some((1.0, by_hz.zip(*by_u_hz))),
        Advice::TurnDown { by_hz, by_u_hz } => Some((-1.0, by_hz.zip(*by_u_hz))),
        _ => None,
    }
}

/// The first of some findings: a failure is to be read.
fn few(findings: &[String]) -> &[String] {
    &findings[..findings.len().min(12)]
}

#[derive(Debug, Default)]
struct Tally {
    dwells: usize,
    wrong_side: Vec<String>,
    distances: usize,
    outside: Vec<String>,
    untold: Vec<String>,
}

impl Tally {
    /// Counts the advice of one dwell against where it truly stood. Half way between two
    /// peaks either way is right.
    fn dwell(
        &mut self,
        bench: &Bench,
        states: &[CaptureState],
        truth: &DwellTruth,
        must_tell: bool,
    ) {
        self.dwells += 1;
        let nearest_hz = |sign: f64| {
            let peaks = bench.span.resonances().iter();
            peaks
                .map(|r| sign * (r.frequency_hz - truth.frequency_hz))
                .filter(|hz| *hz > 0.0)
                .fold(f64::INFINITY, f64::min)
        };
        let what = format!(
            "{:+.2} bandwidths of {:.4} Hz from {:.3} Hz",
            truth.detuning_bandwidths, truth.half_power_bandwidth_hz, truth.resonance_hz
        );
        let mut last = None;
        for (since_s, state) in within(states, truth) {
            last = Some(state);
            let Some((sign, by)) = turned(&state.advice) else {
                continue;
            };
            let (there_hz, other_hz) = (nearest_hz(sign), nearest_hz(-sign));
            if there_hz > 1.5 * other_hz {
                let peak = &state.peak;
                self.wrong_side.push(format!(
                    "{what}: at {since_s:.1} s '{}', {peak:?}; {there_hz:.3} Hz there, {other_hz:.3} Hz on the other side",
                    state.now
                ));
            }
            if let Some((hz, u_hz)) = by {
                self.distances += 1;
                if (hz - there_hz).abs() > u_hz {
                    self.outside.push(format!(
                        "{what}: at {since_s:.1} s '{}' ± {u_hz} Hz, {there_hz:.4} Hz is right",
                        state.now
                    ));
                }
            }
        }
        let told = last.is_some_and(|state| turned(&state.advice).is_some());
        if must_tell && !told {
            let seen = last.map(|state| (&state.now, &state.peak, &state.missing));
            self.untold.push(format!("{what}: {seen:?}"));
        }
    }
}

#[test]
fn the_way_to_turn_is_right_on_either_side_of_the_peak() {
    let mut tally = Tally::default();
    for seed in 0..5 {
        let bench = Bench::new(seed);
        for r in bench.some(3) {
            let spacing_hz = bench.setup.strung_conductor().spacing_hz(r.frequency_hz);
            let is_narrow = r.half_power_bandwidth_hz < 0.25 * spacing_hz;
            let off = [-2.5, -1.0, -0.5, -0.3, 0.3, 0.5, 1.0, 2.5];
            let steps = off.iter().map(|bandwidths| {
                let at = virtual_bench::at(&r, *bandwidths);
                Step::new(at, 5.0 * r.time_constant_s + 8.0)
            });
            let rehearsal = bench.record(steps.collect());
            let states = states_by(&weighed(&bench.setup), &rehearsal);
            for truth in &rehearsal.truth {
                let off = truth.detuning_bandwidths.abs();
                tally.dwell(
                    &bench,
                    &states,
                    truth,
                    is_narrow && (0.45..1.2).contains(&off),
                );
            }
        }
    }
    assert!(tally.dwells > 80 && tally.distances > 1000, "{tally:#?}");
    assert!(tally.wrong_side.is_empty(), "{:#?}", few(&tally.wrong_side));
    assert!(tally.untold.is_empty(), "{:#?}", few(&tally.untold));
    // k = 2: of hops that belong together more may be out at once.
    let part = tally.outside.len() as f64 / tally.distances as f64;
    assert!(part < 0.05, "{part}: {:#?}", few(&tally.outside));
}

/// With parts in the force cell that nobody has weighed a velocity that lags the force says
/// nothing of the side: what they weigh would turn the phase as well.
#[test]
fn a_lag_that_a_mass_in_the_force_cell_explains_tells_no_side() {
    let mut tally = Tally::default();
    let mut unsaid = 0;
    for seed in 0..2 {
        let bench = Bench::new(seed);
        for r in bench.some(2) {
            let slow = Transition::Fade {
                seconds: 24.0 * r.time_constant_s,
            };
            let steps = [-0.8, 0.8].map(|bandwidths| {
                let at = virtual_bench::at(&r, bandwidths);
                Step::new(at, 5.0 * r.time_constant_s + 14.0).reached_by(slow)
            });
            let rehearsal = bench.record(steps.to_vec());
            let states = states_by(&bench.setup, &rehearsal);
            let spacing_hz = bench.setup.strung_conductor().spacing_hz(r.frequency_hz);
            let is_narrow = r.half_power_bandwidth_hz < 0.25 * spacing_hz;
            tally.dwell(&bench, &states, &rehearsal.truth[0], is_narrow);
            tally.dwell(&bench, &states, &rehearsal.truth[1], false);
            // More than a cell may well carry is no excuse: then the side is told.
            unsaid += within(&states, &rehearsal.truth[1])
                .filter(|(_, state)| {
                    state
                        .missing
                        .iter()
                        .any(|why| why.contains("moving_mass_kg"))
                })
                .filter(|(_, state)| state.peak.shown_by.as_deref() != Some("drive-force"))
                .count();
        }
    }
    assert!(unsaid > 20, "{unsaid}");
    assert!(
        tally.wrong_side.is_empty() && tally.untold.is_empty(),
        "{tally:#?}"
    );
}

/// On the peak nothing is turned; what is waited for comes down to nothing, the hold is
/// counted up to what it needs, and then the next harmonic is named.
#[test]
fn on_the_peak_it_goes_from_ring_up_over_the_hold_to_the_next_harmonic() {
    for seed in 0..3 {
        let bench = Bench::new(seed);
        let found = bench.some(4);
        let steps = found.iter().map(|r| {
            let at = virtual_bench::at(r, 0.0);
            Step::new(at, 7.0 * r.time_constant_s + 14.0)
        });
        let rehearsal = bench.record(steps.collect());
        let states = states_by(&bench.setup, &rehearsal);
        let silence = states.first().unwrap();
        assert_eq!(silence.advice, Advice::NoTone, "{silence:?}");
        for (truth, r) in rehearsal.truth.iter().zip(&found) {
            let own: Vec<_> = within(&states, truth).collect();
            let mut order: Vec<&str> = Vec::new();
            for (since_s, state) in &own {
                let kind = match &state.advice {
                    Advice::RingUp {
                        left_s: Some(left_s),
                    } => {
                        // The pole's bandwidth is down to 0.79 of what the settled ratio
                        // implies, up to twice it where more than the damper damps: 1.1 x 0.79
                        // of the least.
                        // To be ready for a hold that is steady, seven are waited for, or
                        // four seconds, and two windows until that hold can be looked at.
                        let whole_s = since_s + left_s;
                        let constants = whole_s / r.time_constant_s;
                        let least = bench.setup.hold.ring_up_time_constants;
                        if *since_s > r.time_constant_s {
                            assert!(constants > 0.8 * least, "{whole_s} s of {r:?}");
                            assert!(
                                constants < 14.0 + 6.0 / r.time_constant_s,
                                "{whole_s} s of {r:?}"
                            );
                        }
                        "ring-up"
                    }
                    Advice::RingUp { left_s: None } => "ring-up",
                    Advice::Hold { .. } => "hold",
                    Advice::Done { next_hz } => {
                        let next_hz = next_hz.unwrap();
                        let spacing_hz = bench.setup.strung_conductor().spacing_hz(next_hz);
                        let off = bench
                            .resonances
                            .iter()
                            .map(|other| (other.frequency_hz - next_hz).abs() / spacing_hz)
                            .fold(f64::INFINITY, f64::min);
                        assert!(off <= 0.5, "next about {next_hz} Hz, {off} spacings off");
                        "done"
                    }
                    Advice::LetStand => "let stand",
                    // The span has hardly begun to move.
                    Advice::NoTone if *since_s < r.time_constant_s => "let stand",
                    other => panic!(
                        "at {since_s} s of {r:?}: {other:?}; {:?} {:?} {:?}",
                        state.missing, state.peak, state.dwell
                    ),
                };
                if order.last() != Some(&kind) {
                    order.push(kind);
                }
            }
            let wanted = ["ring-up", "hold", "done"];
            let order: Vec<&str> = order
                .into_iter()
                .filter(|kind| *kind != "let stand")
                .collect();
            assert_eq!(order, wanted, "{r:?}");
            let (_, last) = own.last().unwrap();
            assert!(last.missing.is_empty(), "{:?}", last.missing);
            let reading = &last.reading;
            let read = |value: Option<f64>, u: Option<f64>, truth: f64| {
                let (value, u) = (value.unwrap(), u.unwrap());
                // The sensors of this bench err by more than noise: not by their scale.
                assert!(
                    (value - truth).abs() < u.max(0.02 * truth),
                    "{value} ± {u}, {truth} is right"
                );
            };
            read(
                reading.frequency_hz,
                reading.frequency_u_hz,
                truth.frequency_hz,
            );
            read(
                reading.antinode_velocity_mm_s,
                reading.antinode_velocity_u_mm_s,
                truth.antinode_velocity_mm_s,
            );
            read(reading.iswr, reading.iswr_u, truth.iswr);
            let place = last.place.node_from_drive_end_m.unwrap();
            let u_m = 1e-3 * last.place.from_drive_end_u_mm.unwrap();
            let off_m = from_a_node_m(&bench, truth, place);
            assert!(
                off_m <= u_m,
                "{r:?}: {:?}, {} m is right",
                last.place,
                truth.node_position_m
            );
        }
    }
}

#[test]
fn the_level_is_said_to_be_low_where_it_is_low_and_high_where_it_is_high() {
    let bench = Bench::new(4);
    let r = bench.some(3)[1];
    let levels = [0.8, 1.25, 0.6, 1.0, 0.95, 1.05];
    let steps = levels.iter().map(|level| {
        let at = virtual_bench::at(&r, 0.0);
        let mut step = Step::new(at, 6.0 * r.time_constant_s + 12.0);
        step.level = *level;
        step
    });
    let rehearsal = bench.record(steps.collect());
    let states = states_by(&bench.setup, &rehearsal);
    for (truth, level) in rehearsal.truth.iter().zip(levels) {
        let last = within(&states, truth).last().unwrap().1;
        let target_mm_s = bench.setup.amplitude.unwrap().value;
        let exact_pct = 100.0 * (truth.antinode_velocity_mm_s / target_mm_s - 1.0);
        let said: Vec<f64> = within(&states, truth)
            .filter_map(|(_, state)| match state.advice {
                Advice::Level { deviation_pct } => Some(deviation_pct),
                _ => None,
            })
            .collect();
        if (level - 1.0_f64).abs() > 0.1 {
            assert!(said.len() > 8, "{level}: {said:?} {last:#?}");
            for pct in &said {
                assert!((pct - exact_pct).abs() < 2.0, "{level}: {pct} {exact_pct}");
            }
            let side = if level < 1.0 { "low" } else { "high" };
            let text = format!("level {:.0} % {side}", exact_pct.abs());
            assert_eq!(last.now, text);
        } else {
            assert!(said.is_empty(), "{level}: {said:?}");
        }
    }
}

/// Without force and signal nothing is said of a side but what the free motion tells, and
/// that is right; where it tells nothing, to pass over the peak; and after a passage, done.
#[test]
fn without_force_and_signal_no_side_is_guessed() {
    let mut tally = Tally::default();
    let (mut passes, mut done) = (0, 0);
    for seed in 10..14 {
        let bench = Bench::new(seed);
        let less = without(&bench.setup, &[Role::DriveForce, Role::DriveMotion]);
        for r in bench.some(2) {
            let dwell = |bandwidths: f64, seconds: f64| {
                Step::new(
                    virtual_bench::at(&r, bandwidths),
                    6.0 * r.time_constant_s + seconds,
                )
            };
            // Faded in so slowly that nothing rings: then nothing tells.
            let slow = Transition::Fade {
                seconds: 24.0 * r.time_constant_s,
            };
            let crawl = Transition::Sweep {
                seconds: 6.0 * r.time_constant_s,
            };
            let steps = vec![
                dwell(0.0, 12.0).reached_by(slow),
                dwell(0.8, 12.0).reached_by(slow),
                dwell(-0.8, 12.0).reached_by(Transition::Jump),
                dwell(0.8, 1.0).reached_by(crawl),
                dwell(0.0, 14.0).reached_by(crawl),
            ];
            let rehearsal = bench.record(steps);
            let states = states_by(&less, &rehearsal);
            for truth in &rehearsal.truth {
                tally.dwell(&bench, &states, truth, false);
                for (_, state) in within(&states, truth) {
                    let by = state.peak.shown_by.as_deref();
                    assert!(
                        matches!(by, None | Some("free-motion" | "passage")),
                        "{by:?}"
                    );
                    passes += usize::from(state.advice == Advice::PassOverPeak);
                }
            }
            let last = within(&states, &rehearsal.truth[4]).last().unwrap().1;
            done += usize::from(matches!(last.advice, Advice::Done { .. }));
        }
    }
    assert!(tally.wrong_side.is_empty(), "{:#?}", few(&tally.wrong_side));
    assert!(passes > 40, "{passes}");
    assert!(done >= 6, "{done} of 8");
    let part = tally.outside.len() as f64 / tally.distances.max(1) as f64;
    assert!(part < 0.05, "{part}: {:#?}", few(&tally.outside));
}

/// The generator's signal tells the side once a passage or the free motion has told its
/// phase at the peak. Without a shaker's own dynamics the source's force is that signal.
#[test]
fn the_drive_signal_tells_the_side_once_it_was_learnt() {
    let mut tally = Tally::default();
    let mut by_signal = 0;
    for seed in 20..24 {
        let bench = Bench::new(seed);
        let mut knows = without(&bench.setup, &[Role::DriveMotion]);
        for channel in &mut knows.channels {
            if channel.role == Role::DriveForce {
                (channel.role, channel.unit) = (Role::DriveSignal, Unit::Volt);
            }
        }
        for r in bench.some(2) {
            let dwell = |bandwidths: f64, seconds: f64| {
                Step::new(
                    virtual_bench::at(&r, bandwidths),
                    5.0 * r.time_constant_s + seconds,
                )
            };
            let over = Transition::Sweep {
                seconds: 6.0 * r.time_constant_s,
            };
            let steps = vec![
                dwell(-1.2, 6.0),
                dwell(1.2, 1.0).reached_by(over),
                dwell(0.0, 14.0).reached_by(over),
                dwell(0.6, 10.0),
                dwell(-0.6, 10.0),
                dwell(-1.5, 10.0),
            ];
            let rehearsal = bench.record(steps);
            let states = states_by(&knows, &rehearsal);
            for (number, truth) in rehearsal.truth.iter().enumerate() {
                tally.dwell(&bench, &states, truth, number == 3 || number == 4);
                by_signal += within(&states, truth)
                    .filter(|(_, state)| state.peak.shown_by.as_deref() == Some("drive-signal"))
                    .filter(|(_, state)| turned(&state.advice).is_some())
                    .count();
            }
        }
    }
    assert!(tally.wrong_side.is_empty(), "{:#?}", few(&tally.wrong_side));
    assert!(tally.untold.is_empty(), "{:#?}", few(&tally.untold));
    assert!(by_signal > 200, "{by_signal}");
    let part = tally.outside.len() as f64 / tally.distances.max(1) as f64;
    assert!(part < 0.05, "{part}: {:#?}", few(&tally.outside));
}

/// A node sensor that sees the loop is sent to the node, and the exact field has it there.
#[test]
fn a_node_sensor_that_stands_beside_the_node_is_told_where_it_belongs() {
    let mut told = 0;
    for seed in 0..3 {
        let bench = Bench::new(seed);
        for r in bench.some(2) {
            let at = virtual_bench::at(&r, 0.0);
            let steps = vec![Step::new(at, 7.0 * r.time_constant_s + 12.0)];
            let loop_m = bench.setup.strung_conductor().loop_length_m(r.frequency_hz);
            for beside in [-0.15, 0.15] {
                let rehearsal = bench.record_beside(steps.clone(), 1e3 * beside * loop_m);
                let states = states_by(&weighed(&bench.setup), &rehearsal);
                let truth = &rehearsal.truth[0];
                let (_, last) = within(&states, truth).last().unwrap();
                let offset_mm = last.reading.node_offset_mm.unwrap().abs();
                assert!(
                    (offset_mm / (150.0 * loop_m) - 1.0).abs() < 0.1,
                    "{offset_mm} mm of {} mm",
                    150.0 * loop_m
                );
                if let Advice::MoveNode {
                    node_from_drive_end_m,
                    from_drive_end_u_mm,
                } = last.advice
                {
                    told += 1;
                    let off_mm = 1e3 * from_a_node_m(&bench, truth, node_from_drive_end_m);
                    assert!(
                        off_mm <= from_drive_end_u_mm + 5.0,
                        "{off_mm} mm: {}",
                        last.now
                    );
                } else {
                    // Not where the place is known no better than the sensor stands.
                    let u_mm = last.place.from_drive_end_u_mm.unwrap_or(f64::INFINITY);
                    let seen = last.reading.iswr.unwrap() > 0.4 || u_mm > 0.9 * offset_mm;
                    assert!(seen, "{} {:?} {:?}", last.now, last.place, last.reading);
                }
            }
        }
    }
    assert!(told >= 4, "{told} of 12");
}

/// A harmonic whose only point is excluded is open again, with who excluded it and why; one
/// that another point stands for is not.
#[test]
fn a_point_that_is_excluded_counts_for_no_harmonic() {
    let bench = Bench::new(1);
    let setup = &bench.setup;
    let point = |number: u64, harmonic: u32, verdict: Verdict| SettledPoint {
        point: number,
        harmonic: Some(harmonic),
        verdict,
        reasons: vec!["a beat".into()],
        ..SettledPoint::default()
    };
    let points = [
        point(1, 7, Verdict::Held),
        point(2, 8, Verdict::Held),
        point(3, 8, Verdict::Held),
        point(4, 9, Verdict::Rejected),
        point(5, 9, Verdict::Held),
    ];
    let mut coverage = Coverage::new(&[(7, 14.0), (8, 16.0), (9, 18.0)]);
    points.iter().for_each(|point| coverage.add(point));
    let states = |excluded: &[u64]| {
        let exclusions = excluded.iter().map(|point| Exclusion {
            point: *point,
            by: "A. Name, invented".into(),
            text: "a door was open".into(),
            written_utc: jiff::Timestamp::UNIX_EPOCH,
        });
        let mut guide = Guide::new(setup, "rehearsed", &[]);
        guide.exclusions(exclusions.collect());
        let state = guide.after_the_end(&coverage, &points, 1, "it is over");
        let marks = state
            .harmonics
            .iter()
            .map(|mark| (mark.state.clone(), mark.done));
        let next = state.next.map(|next| next.harmonic);
        (marks.collect::<Vec<_>>(), next, state)
    };
    let as_mark = |state: &str| (state.to_owned(), state == "held");
    assert_eq!(states(&[]).0, ["held"; 3].map(as_mark));
    assert_eq!(states(&[]).1, None);
    // Point 3 stands for harmonic 8 alone; of harmonic 9 the rejected dwell is left.
    let (marks, next, state) = states(&[1, 2, 5]);
    assert_eq!(marks, ["open", "held", "failed"].map(as_mark));
    assert_eq!(next, Some(7));
    assert_eq!(
        state.harmonics[0].reasons,
        ["point 1 excluded by A. Name, invented: a door was open"]
    );
    assert_eq!(state.harmonics[2].reasons, ["a beat"]);
    assert!(
        state.also.contains(&"1 of 3 harmonics done".to_owned()),
        "{:?}",
        state.also
    );
}

/// While the drive still stands where the excluded point was read, it is to leave and come
/// back: a dwell gives one point.
#[test]
fn a_dwell_whose_point_is_excluded_is_to_be_left_and_come_back_to() {
    let bench = Bench::new(1);
    let resonance = bench.some(3)[1];
    let truth = bench.record(vec![
        Step::new(virtual_bench::at(&resonance, 0.0), 60.0).reached_by(Transition::Settled),
    ]);
    // The drive stands on behind the longest hold that is taken as one.
    let mut setup = bench.setup.clone();
    setup.hold.max_seconds = 15.0;
    let states = states_with(&setup, &truth, |harmonic, at_s| {
        let point = SettledPoint {
            point: 1,
            harmonic: Some(harmonic),
            verdict: Verdict::Held,
            ..SettledPoint::default()
        };
        // It is excluded in the middle.
        let exclusion = Exclusion {
            point: 1,
            by: "A. Name, invented".into(),
            text: "a door was open".into(),
            written_utc: jiff::Timestamp::UNIX_EPOCH,
        };
        (vec![point], (at_s > 50.0).then_some(exclusion))
    });
    let with_point = |state: &&CaptureState| state.dwell.has_point == Some(true);
    let (mut before, mut after) = (0, 0);
    for state in states.iter().filter(with_point) {
        let at_s = state.run.at_s.unwrap();
        // It is known from the hop behind it on.
        if at_s > 50.0 && at_s < 50.5 {
            continue;
        }
        let is_before = at_s <= 50.0;
        match (&state.advice, is_before) {
            (Advice::Done { .. }, true) => before += 1,
            (Advice::ComeBack, false) => after += 1,
            (other, _) => assert!(
                !matches!(other, Advice::Done { .. } | Advice::ComeBack),
                "{other:?}"
            ),
        }
    }
    assert!(before > 4 && after > 4, "{before} {after}");
}

/// What does not come from the analysis goes before all that does.
#[test]
fn a_silent_source_a_limit_and_old_news_go_before_all_else() {
    let bench = Bench::new(1);
    let setup = &bench.setup;
    let analysis = Analysis::new(setup, &[], None);
    let mut guide = Guide::new(setup, "rehearsed", &[]);
    let coverage = Coverage::new(&[(7, 14.0)]);
    let limit = ["The strain at \"end gauge\" is above the limit of 300 um/m peak-to-peak: turn the level down".to_owned()];
    let mut now = |silent_s: f64, alarms: &[String], behind_s: f64| {
        let links = [LinkHealth {
            source: "bench".into(),
            silent_s,
            counts: None,
        }];
        let look = CaptureMoment {
            analysis: &analysis,
            points: &[],
            coverage: &coverage,
            alarms,
            links: &links,
            space: None,
            behind_s,
            catches_up: behind_s > 0.0,
            session: 1,
            now_utc: jiff::Timestamp::UNIX_EPOCH,
        };
        guide.state(&look).now
    };
    assert_eq!(
        now(3.2, &limit, 20.0),
        "no samples from \"bench\" for 3 s: is the device on, and the cable in?"
    );
    assert_eq!(now(0.1, &limit, 20.0), limit[0]);
    assert_eq!(
        now(0.1, &[], 20.0),
        "wait: the analysis is 20 s behind the recording"
    );
    assert_eq!(now(0.1, &[], 0.0), "wait for the first samples");
}

/// Every key of the state, by its path, list entries without their number.
fn keys(value: &serde_json::Value, path: &str, found: &mut std::collections::BTreeSet<String>) {
    match value {
        serde_json::Value::Object(fields) => {
            for (key, value) in fields {
                let own = if path.is_empty() {
                    key.clone()
                } else {
                    format!("{path}.{key}")
                };
                found.insert(own.clone());
                if own != "absent" {
                    keys(value, &own, found);
                }
            }
        }
        serde_json::Value::Array(values) => {
            for value in values {
                keys(value, path, found);
            }
        }
        _ => {}
    }
}

#[test]
fn the_guide_has_every_key_of_the_state() {
    let bench = Bench::new(1);
    let r = bench.some(3)[0];
    let steps = [-0.8, 0.0].map(|bandwidths| {
        Step::new(
            virtual_bench::at(&r, bandwidths),
            7.0 * r.time_constant_s + 12.0,
        )
    });
    let rehearsal = bench.record(steps.to_vec());
    let states = states_by(&weighed(&bench.setup), &rehearsal);
    let mut found = std::collections::BTreeSet::new();
    for state in &states {
        let json = serde_json::to_value(state).unwrap();
        keys(&json, "", &mut found);
        let again: CaptureState = serde_json::from_value(json).unwrap();
        assert_eq!(&again, state, "read back, nothing is lost");
    }
    assert!(found.len() > 70, "{found:?}");
    let guide = include_str!("../../src/guide/operation.md");
    let missing: Vec<&String> = found
        .iter()
        .filter(|key| !guide.contains(&format!("`{key}`")))
        .collect();
    assert!(missing.is_empty(), "not in the guide: {missing:#?}");
}
