//! A bench without a force cell whose generator's signal is recorded beside the
//! sensors: amplifier and shaker turn its phase by what nobody knows. What that is at
//! the peak is learnt from a passage over it, or from the free motion after a cut; then
//! dwells within 0.1 bandwidths of the peak have to be held though nothing else shows
//! it, none that stands 0.3 off may be, and the detuning has to be within its
//! uncertainty. The peak is the pole's of the exact model.

use std::f64::consts::{PI, TAU};

use super::bench::{Bench, CHANNELS, DRIVE};
use super::judge::{Findings, Record, run_with};
use super::record::Effects;
use crate::bench::virtual_span::Chance;
use crate::share;
use spanhold::setup::{self, Setup};

const SPANS: u64 = 24;
const HOLD_S: f64 = 14.0;

/// What the drive does at a time: force over the dwell's, frequency less the
/// peak's in bandwidths, and whether the generator still puts out its signal.
type Course = Box<dyn Fn(f64) -> (f64, f64, bool)>;

/// Of the two channels of the drive one is empty, the other the generator's signal,
/// for which the setup has neither unit nor scale.
fn setup_with_signal(bench: &Bench) -> Setup {
    let text = bench.setup_text();
    let mut parts: Vec<String> = text.split("[[channel]]").map(str::to_owned).collect();
    for part in &mut parts {
        if part.contains("\"drive-force\"") {
            *part = part.replace("\"drive-force\"", "\"monitor\"");
        }
        if part.contains("\"drive-motion\"") {
            let kept = ["name", "source", "index"];
            let lines = part
                .lines()
                .filter(|line| kept.iter().any(|key| line.starts_with(key)));
            *part = format!(
                "\n{}\nrole = \"drive-signal\"\n",
                lines.collect::<Vec<_>>().join("\n")
            );
        }
    }
    let text = parts.join("[[channel]]");
    setup::parse(&text, "bench.toml").unwrap_or_else(|error| panic!("{}: {error}", bench.line()))
}

fn record(bench: &Bench, course: Course, begins_s: f64, end_s: f64, lead_rad: f64) -> Findings {
    let course = std::rc::Rc::new(course);
    let own = std::rc::Rc::clone(&course);
    let width_hz = bench.bandwidth_hz;
    let (peak_hz, rate_hz, size) = (bench.frequency_hz, bench.rate_hz, bench.peaks[DRIVE]);
    let mut phase = 0.0;
    let mut noise = Chance::new(bench.seed ^ 0x516);
    let effects = Effects {
        drive: Some(Box::new(move |t, drive| {
            let (force, detuning, _) = course(t);
            (drive.force, drive.offset_hz) = (force, detuning * width_hz);
        })),
        frame: Some(Box::new(move |t, frame| {
            let (force, detuning, is_on) = own(t);
            // The generator knows nothing of a switch behind it.
            let level = if is_on { force.max(0.3) } else { 0.0 };
            frame[DRIVE] = size * (level * f64::cos(phase + lead_rad) + noise.between(-1e-3, 1e-3));
            phase += TAU * (peak_hz + detuning * width_hz) / rate_hz;
        })),
        gaps: vec![(0.0, begins_s)],
        ..Effects::default()
    };
    assert_eq!(CHANNELS, 6);
    run_with(&setup_with_signal(bench), bench, effects, end_s)
}

/// Tuned from two bandwidths off over the peak and back to the dwell, by hand: too
/// fast for the span to follow.
///
/// What was found, and from when on the dwell is judged, s.
fn tuned_over_the_peak(bench: &Bench, detuning: f64, side: f64, lead_rad: f64) -> (Findings, f64) {
    let constant_s = bench.constant_s;
    let begins_s = 9.0 * constant_s;
    let (out_s, back_s) = ((4.0 * constant_s).max(4.0), (2.0 * constant_s).max(2.0));
    let turns_s = begins_s + 2.0 + out_s;
    let there_s = turns_s + back_s;
    let course = move |t: f64| {
        let off = if t < begins_s + 2.0 {
            2.0 * side
        } else if t < turns_s {
            side * (2.0 - 3.2 * (t - begins_s - 2.0) / out_s)
        } else if t < there_s {
            -1.2 * side + (detuning + 1.2 * side) * (t - turns_s) / back_s
        } else {
            detuning
        };
        (1.0, off, true)
    };
    let end_s = there_s + 8.0 * constant_s + HOLD_S;
    let found = record(bench, Box::new(course), begins_s, end_s, lead_rad);
    (found, begins_s)
}

/// A dwell that is cut, and another after the drive has come up so slowly that nothing
/// rings. What was found, and from when on the other is judged, s.
fn after_a_cut(bench: &Bench, first: f64, detuning: f64, lead_rad: f64) -> (Findings, f64) {
    let constant_s = bench.constant_s;
    let begins_s = 9.0 * constant_s;
    let hold_s = HOLD_S.max(1.6 * constant_s);
    let cut_s = begins_s + hold_s;
    let again_s = cut_s + 6.0 * constant_s;
    let up_s = again_s + 9.0 * constant_s;
    let switched_behind = bench.seed.is_multiple_of(2);
    let course = move |t: f64| {
        if t < cut_s {
            (1.0, first, true)
        } else if t < again_s {
            (0.0, detuning, switched_behind)
        } else {
            (((t - again_s) / (up_s - again_s)).min(1.0), detuning, true)
        }
    };
    let end_s = up_s + 8.0 * constant_s + hold_s;
    let found = record(bench, Box::new(course), begins_s, end_s, lead_rad);
    (found, again_s)
}

fn last((found, from_s): &(Findings, f64)) -> Option<&Record> {
    found
        .records
        .iter()
        .rev()
        .find(|record| record.verdict() != "rejected" && record.end_s() > *from_s)
}

#[derive(Default)]
struct Tally {
    near: u64,
    held: u64,
    told: u64,
    inside: u64,
    missed: Vec<String>,
    false_holds: Vec<String>,
}

impl Tally {
    fn count(&mut self, bench: &Bench, found: &(Findings, f64), detuning: f64, what: &str) {
        let pole_hz = bench.pole_hz();
        let line = || {
            let records = found.0.records.iter().map(|record| {
                format!(
                    "{} {} {} {}",
                    record.point["verdict"],
                    record.point["start_s"],
                    record.point["detuning_bandwidths"],
                    record.point["reasons"]
                )
            });
            format!(
                "{what}, {detuning:+.2} off: {}\n    {}",
                bench.line(),
                records.collect::<Vec<_>>().join("\n    ")
            )
        };
        let record = last(found);
        let is_held = record.is_some_and(|record| record.verdict() == "held");
        if detuning.abs() > 0.2 {
            if is_held {
                self.false_holds.push(line());
            }
        } else {
            self.near += 1;
            self.held += u64::from(is_held);
            if !is_held {
                self.missed.push(line());
            }
        }
        let told = record.and_then(|record| {
            Some((
                record.number("frequency_hz")?,
                record.number("detuning_bandwidths")?,
                record.number("detuning_u_bandwidths")?,
            ))
        });
        if let Some((hz, says, u)) = told {
            let true_off = (hz - pole_hz) / bench.bandwidth_hz;
            self.told += 1;
            self.inside += u64::from((says - true_off).abs() <= u);
            println!(
                "detuning off by {:+.2} U, U {u:.3}: {what}, {detuning:+.2} off, {}",
                (says - true_off) / u,
                bench.line()
            );
        }
    }

    fn judge(&self) {
        println!(
            "{} of {} good dwells held, {} held off the peak; detuning within its uncertainty in {} of {}\n{}",
            self.held,
            self.near,
            self.false_holds.len(),
            self.inside,
            self.told,
            self.missed.join("\n")
        );
        assert!(
            self.false_holds.is_empty(),
            "{}",
            self.false_holds.join("\n")
        );
        let too_few = |count, of, share| super::no_force_cell::is_too_few(count, of, share);
        assert!(!too_few(self.held, self.near, 0.95), "{} held", self.held);
        assert!(!too_few(self.inside, self.told, 0.93), "{}", self.inside);
    }
}

#[test]
#[ignore = "minutes: 24 spans"]
fn the_drive_signal_shows_the_peak_once_it_was_learnt() {
    let mut tally = Tally::default();
    for seed in share::of(0..SPANS) {
        let bench = Bench::new(80_000 + seed, 500.0, None);
        let mut chance = Chance::new(seed);
        let lead_rad = chance.between(-PI, PI);
        for side in [-1.0, 1.0] {
            let near = chance.between(-0.1, 0.1);
            let far = chance.sign() * chance.between(0.3, 0.7);
            for detuning in [near, far] {
                let found = tuned_over_the_peak(&bench, detuning, side, lead_rad);
                tally.count(&bench, &found, detuning, "tuned over the peak");
                let first = side * chance.between(0.0, 0.5);
                let found = after_a_cut(&bench, first, detuning, lead_rad);
                tally.count(&bench, &found, detuning, "after a cut");
            }
        }
    }
    tally.judge();
}

/// One of each, so that `cargo test` sees it.
#[test]
fn the_drive_signal_shows_the_peak_of_one_span() {
    let bench = Bench::new(80_002, 500.0, None);
    let mut tally = Tally::default();
    for detuning in [0.05, -0.5] {
        let found = tuned_over_the_peak(&bench, detuning, 1.0, 1.0);
        tally.count(&bench, &found, detuning, "tuned over the peak");
        let found = after_a_cut(&bench, 0.3, detuning, 1.0);
        tally.count(&bench, &found, detuning, "after a cut");
    }
    tally.judge();
    assert_eq!((tally.held, tally.told), (2, 4), "{}", bench.line());
}
