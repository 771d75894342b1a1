//! A span that holds perfectly, read by a sensor that does not: each fault is
//! put on the samples of one channel, by itself and after half a minute of good
//! hold. No number that is given may be wrong, every trouble has a record that
//! names it, and what was good before it is held. The truth is the virtual
//! span's exact solution; the faults are put on here.

use std::f64::consts::TAU;

use spanhold::reduction::Measured;
use spanhold::rehearsal::{
    DwellTruth, Expectation, Program, Rehearsal, Step, VirtualSpan, perform,
};
use spanhold::setup::{Setup, StrainLocation, Verdict};

use crate::bench::virtual_span::{
    Chance, Judged, analyse, at, in_dwell, in_sweep, model, sensors, setup,
};
use crate::share;

const RATE_HZ: f64 = 1000.0;
const SPANS: u64 = 10;
/// Rows of the bench's recording.
const ANTINODE: usize = 0;
const NODE: usize = 1;
const FORCE: usize = 2;
const DAMPER_GAUGE: usize = 4;

#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    None,
    NodeFalls,
    NodeSteps,
    NodeOff,
    NodeDrops,
    NodeMoved,
    AntinodeSteps,
    BeatBegins,
    NoiseBegins,
    ForceFalls,
    GaugeFalls,
    GaugeOff,
}

const FAULTS: [Fault; 12] = [
    Fault::None,
    Fault::NodeFalls,
    Fault::NodeSteps,
    Fault::NodeOff,
    Fault::NodeDrops,
    Fault::NodeMoved,
    Fault::AntinodeSteps,
    Fault::BeatBegins,
    Fault::NoiseBegins,
    Fault::ForceFalls,
    Fault::GaugeFalls,
    Fault::GaugeOff,
];

impl Fault {
    /// What a reason has to say of it, in any of these words; none where the
    /// point counts and only lacks a value.
    fn words(self) -> &'static [&'static str] {
        match self {
            Self::NodeFalls | Self::NodeSteps | Self::NodeOff | Self::NodeDrops => {
                &["node reading", "node sensor"]
            }
            Self::NodeMoved => &["place changed", "node reading"],
            Self::AntinodeSteps => &[
                "antinode reading",
                "against the antinode",
                "antinode amplitude",
                "wandered",
            ],
            Self::BeatBegins => &["beat", "pulses", "wandered"],
            Self::NoiseBegins => &["above the noise", "rattles", "wandered", "node"],
            Self::None | Self::ForceFalls | Self::GaugeFalls | Self::GaugeOff => &[],
        }
    }

    /// Puts the fault on the samples `first..last`.
    fn put_on(
        self,
        rehearsal: &mut Rehearsal,
        truth: &DwellTruth,
        [first, last]: [usize; 2],
        wave_speed_m_s: f64,
    ) {
        let count = (last - first) as f64;
        let seconds = |i: usize| (i - first) as f64 / RATE_HZ;
        let falls = |i: usize| 1.0 - 0.2 * (i - first) as f64 / count;
        let mut scale = |row: usize, gain: &dyn Fn(usize) -> f64| {
            for i in first..last {
                rehearsal.samples[[row, i]] *= gain(i);
            }
        };
        let off = |i: usize| {
            if (4.0..7.0).contains(&seconds(i)) {
                0.0
            } else {
                1.0
            }
        };
        match self {
            Self::None => {}
            Self::NodeFalls => scale(NODE, &falls),
            Self::NodeSteps => scale(NODE, &|_| 0.75),
            Self::NodeOff => scale(NODE, &off),
            Self::NodeDrops => {
                let period_s = count / RATE_HZ / 12.0;
                scale(NODE, &|i| {
                    if seconds(i) % period_s < 0.3 {
                        0.0
                    } else {
                        1.0
                    }
                });
            }
            Self::AntinodeSteps => scale(ANTINODE, &|_| 0.93),
            Self::ForceFalls => scale(FORCE, &falls),
            Self::GaugeFalls => scale(DAMPER_GAUGE, &falls),
            Self::GaugeOff => scale(DAMPER_GAUGE, &off),
            Self::NodeMoved => {
                let angle = TAU * truth.frequency_hz / wave_speed_m_s * 0.05;
                for i in first..last {
                    rehearsal.samples[[NODE, i]] += angle.sin() * rehearsal.samples[[ANTINODE, i]];
                }
            }
            Self::BeatBegins => {
                let turn = TAU * (truth.frequency_hz + 0.4) / RATE_HZ;
                let peak = 1e-3 * truth.antinode_velocity_mm_s * TAU * truth.frequency_hz / 200.0;
                for i in first..last {
                    rehearsal.samples[[ANTINODE, i]] += 0.06 * peak * (turn * i as f64).sin();
                }
            }
            Self::NoiseBegins => {
                let peak = 1e-3 * truth.antinode_velocity_mm_s * TAU * truth.frequency_hz / 200.0;
                let mut chance = Chance::new(first as u64);
                for i in first..last {
                    rehearsal.samples[[ANTINODE, i]] += peak * chance.between(-1.2, 1.2);
                }
            }
        }
    }
}

/// A value that errs by more than 1.5 U.
fn errs(found: Option<Measured>, truth: f64) -> Option<f64> {
    let found = found?;
    ((found.value - truth).abs() > 1.5 * found.u).then(|| 100.0 * (found.value / truth - 1.0))
}

struct Case {
    fault: Fault,
    after_good_hold: bool,
    onset_s: f64,
}

impl Case {
    /// What is wrong with the records of this dwell.
    fn wrong(&self, judged: &[Judged], truth: &DwellTruth) -> Vec<String> {
        let inside = in_dwell(judged, truth);
        let mut wrong = Vec::new();
        for record in &inside {
            let point = &record.point;
            if point.verdict == Verdict::Rejected {
                continue;
            }
            if let Some(pct) = errs(point.iswr, truth.iswr) {
                wrong.push(format!(
                    "{:?} with a ratio off by {pct:+.1} %",
                    point.verdict
                ));
            }
            if let Some(pct) = errs(point.antinode_velocity_mm_s, truth.antinode_velocity_mm_s) {
                wrong.push(format!(
                    "{:?} with a velocity off by {pct:+.1} %",
                    point.verdict
                ));
            }
            let true_force_w = truth.power_drive_w;
            if let Some(pct) = errs(point.power_force_w, true_force_w)
                && self.fault == Fault::ForceFalls
            {
                wrong.push(format!("power by force off by {pct:+.1} %"));
            }
            for (place, strain) in &truth.strain_pp_um_m {
                let found = point.strain_pp_um_m.get(&place.parse().unwrap()).copied();
                if let Some(pct) = errs(found, *strain) {
                    wrong.push(format!("strain at {place} off by {pct:+.1} %"));
                }
            }
        }
        let held = inside
            .iter()
            .filter(|record| record.point.verdict == Verdict::Held)
            .count();
        let words = self.fault.words();
        let named = inside.iter().any(|record| {
            record.point.verdict == Verdict::Rejected
                && record
                    .point
                    .reasons
                    .iter()
                    .any(|reason| words.iter().any(|word| reason.contains(word)))
        });
        // A force that falls is no evidence for any of it.
        let good_one =
            (self.after_good_hold || words.is_empty()) && self.fault != Fault::ForceFalls;
        if good_one && held == 0 {
            wrong.push("no good hold".into());
        }
        // A fault that was over before the hold, or that leaves the ratio right, as
        // a sensor moved during ring-up, needs none.
        let harmless = held > 0
            && !self.after_good_hold
            && matches!(
                self.fault,
                Fault::NodeMoved | Fault::NodeOff | Fault::NodeDrops
            );
        if !words.is_empty() && !named && !harmless {
            wrong.push("no record names the trouble".into());
        }
        if inside.len() > 2 {
            wrong.push(format!("{} records", inside.len()));
        }
        if self.fault == Fault::None && inside.len() != 1 {
            wrong.push("not one record".into());
        }
        if !wrong.is_empty() {
            wrong.extend(inside.iter().map(|record| {
                format!(
                    "[{:.1}…{:.1} s {:?} {:?}]",
                    record.point.start_s,
                    record.point.end_s,
                    record.point.verdict,
                    record.point.reasons
                )
            }));
        }
        wrong
    }
}

fn span_of_cases(seed: u64, after_good_hold: bool) -> (Setup, Rehearsal, Vec<Case>) {
    let mut chance = Chance::new(seed);
    let setup = setup(&mut chance, true);
    let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
    let mut sensors = sensors(&setup, &mut chance, 40.0);
    sensors.channels[NODE].misplacement_mm = chance.between(-15.0, 15.0);
    let mut usable = in_sweep(&setup, &span);
    usable.retain(|r| r.time_constant_s < 8.0);
    let steps: Vec<Step> = (0..FAULTS.len())
        .map(|i| {
            let r = &usable[(7 * i + 3) % usable.len()];
            let hold_s = 8.0_f64.max(100.0 / r.frequency_hz);
            let good_s = if after_good_hold { 30.0 } else { 8.0 };
            Step::new(
                at(r, 0.0),
                7.5 * r.time_constant_s + good_s + 1.5 * hold_s + 10.0,
            )
        })
        .collect();
    let program = Program {
        lead_in_s: 2.0,
        steps,
        lead_out_s: 2.0,
    };
    let mut rehearsal = perform(&span, &program, &sensors, RATE_HZ, seed).unwrap();
    let truths = rehearsal.truth.clone();
    let cases = truths
        .iter()
        .zip(FAULTS)
        .map(|(truth, fault)| {
            // By itself a fault comes during ring-up or later; before the level
            // has stood still for some seconds none can be told from the change.
            let wait_s = truth.time_constant_s
                * if after_good_hold {
                    7.5
                } else {
                    chance.between(3.0, 8.0)
                };
            let onset_s = truth.start_s + wait_s + if after_good_hold { 30.0 } else { 10.0 };
            let range = [onset_s, truth.end_s].map(|s| (s * RATE_HZ) as usize);
            fault.put_on(&mut rehearsal, truth, range, setup.wave_speed_m_s());
            Case {
                fault,
                after_good_hold,
                onset_s,
            }
        })
        .collect();
    (setup, rehearsal, cases)
}

fn judge(after_good_hold: bool) {
    let mut wrong = Vec::new();
    let mut cases_judged = 0;
    for seed in share::of(4000..4000 + SPANS) {
        let (setup, rehearsal, cases) = span_of_cases(seed, after_good_hold);
        assert_eq!(
            setup.channels[DAMPER_GAUGE].role.location(),
            Some(StrainLocation::Damper)
        );
        let judged = analyse(&setup, &rehearsal, 4096);
        for (case, truth) in cases.iter().zip(&rehearsal.truth) {
            if truth.expected != Expectation::Held {
                continue;
            }
            cases_judged += 1;
            let found = case.wrong(&judged, truth);
            if !found.is_empty() {
                wrong.push(format!(
                    "seed {seed} {:?} from {:.1} s on ({:.1}…{:.1} s, {:.2} Hz, S {:.3}, tau {:.1} s): {}",
                    case.fault, case.onset_s, truth.start_s, truth.end_s, truth.frequency_hz, truth.iswr,
                    truth.time_constant_s, found.join("; ")
                ));
            }
        }
    }
    println!("{cases_judged} cases");
    assert!(cases_judged > 0);
    assert!(
        wrong.is_empty(),
        "{} of {cases_judged} wrong:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

#[test]
fn a_fault_of_one_sensor_is_seen() {
    judge(false);
}

#[test]
fn trouble_after_a_good_hold_has_its_own_record() {
    judge(true);
}
