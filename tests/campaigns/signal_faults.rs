//! Faults of the signals that the fundamental does not show: saturation below full
//! scale, and mains hum beneath the drive. The truth is the virtual span's exact
//! solution.

use crate::bench::virtual_span::{Chance, analyse, at, in_dwell, in_sweep, model, sensors, setup};
use spanhold::reduction::SettledPoint;
use spanhold::rehearsal::{
    Disturbance, DriveFrequency, Program, Resonance, Sensors, Step, VirtualSpan, perform,
};
use spanhold::setup::{Setup, Verdict};

struct Bench {
    setup: Setup,
    span: VirtualSpan,
    sensors: Sensors,
    resonances: Vec<Resonance>,
}

fn bench(seed: u64, snr_db: f64) -> Bench {
    let mut chance = Chance::new(seed);
    let setup = setup(&mut chance, true);
    let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
    let sensors = sensors(&setup, &mut chance, snr_db);
    let mut resonances = in_sweep(&setup, &span);
    resonances.retain(|r| r.time_constant_s < 6.0);
    Bench {
        setup,
        span,
        sensors,
        resonances,
    }
}

/// The points of a program's dwells, best verdict first, with the truth of each.
fn points(bench: &Bench, steps: Vec<Step>, rate_hz: f64) -> Vec<(Option<SettledPoint>, f64)> {
    let program = Program {
        lead_in_s: 2.0,
        steps,
        lead_out_s: 2.0,
    };
    let rehearsal = perform(&bench.span, &program, &bench.sensors, rate_hz, 1).unwrap();
    let judged = analyse(&bench.setup, &rehearsal, 4096);
    let best = rehearsal.truth.iter().map(|truth| {
        let best = in_dwell(&judged, truth).first().map(|j| j.point.clone());
        (best, truth.iswr)
    });
    best.collect()
}

#[test]
fn saturation_is_seen_at_any_level_and_costs_no_good_dwell() {
    let mut seen = [0, 0];
    for (seed, rate_hz) in [(1, 500.0), (2, 2000.0), (3, 1000.0)] {
        let bench = bench(seed, 40.0);
        let every = (bench.resonances.len() / 12).max(1);
        let levels = [0.95, 0.9, 0.85, 0.8];
        let chosen = bench.resonances.iter().step_by(every).enumerate();
        let steps = chosen.map(|(i, r)| {
            let step = Step::new(at(r, 0.0), 8.0 * r.time_constant_s + 15.0);
            let fault = Disturbance::Saturation {
                channel: i / 2 % 2,
                fraction: levels[i / 2 % levels.len()],
            };
            if i % 2 == 0 { step } else { step.with(fault) }
        });
        let found = points(&bench, steps.collect(), rate_hz);
        for (i, (point, _)) in found.iter().enumerate() {
            let point = point
                .as_ref()
                .unwrap_or_else(|| panic!("{seed} {i}: no record"));
            let held = point.verdict == Verdict::Held;
            let says = point.reasons.iter().any(|r| r.contains("saturation"));
            assert_eq!(held, i % 2 == 0, "{seed} {i} {:?}", point.reasons);
            assert_eq!(says, i % 2 == 1, "{seed} {i} {:?}", point.reasons);
            seen[i % 2] += 1;
        }
    }
    assert!(seen.iter().all(|count| *count >= 12), "{seen:?}");
}

#[test]
fn hum_beneath_the_drive_is_in_the_uncertainty_or_there_is_no_ratio() {
    let (mut with_ratio, mut without) = (0, 0);
    for seed in 20..32 {
        let mut bench = bench(seed, 50.0);
        if bench.setup.sweep.high_hz < 55.0 {
            continue;
        }
        for sensor in &mut bench.sensors.channels {
            sensor.mains_peak = 0.0;
        }
        // A tenth of the node's motion at 200 mm/s, 50 Hz and a ratio of 0.1.
        bench.sensors.channels[1].mains_peak = 0.6;
        let dwell = |hz: f64| Step::new(DriveFrequency::Frequency(hz), 40.0);
        let near_hz = 50.0 + 0.004 * (seed as f64 - 25.5);
        let found = points(&bench, vec![dwell(41.3), dwell(near_hz)], 1000.0);
        if let Some((Some(point), truth)) = found.get(1)
            && let Some(iswr) = point.iswr
        {
            with_ratio += 1;
            assert!(
                (iswr.value - truth).abs() < 1.5 * iswr.u,
                "{seed}: {iswr:?} for {truth}"
            );
        }
        let first = points(&bench, vec![dwell(near_hz)], 1000.0);
        if let Some((Some(point), _)) = first.first() {
            without += 1;
            assert_eq!(point.iswr, None, "{seed}");
            let says = point.reasons.iter().any(|r| r.contains("mains hum"));
            // A rejected dwell gives its root causes first, three at most.
            assert!(
                says || point.verdict == Verdict::Rejected,
                "{seed}: {:?}",
                point.reasons
            );
        }
    }
    assert!(with_ratio >= 3 && without >= 3, "{with_ratio} {without}");
}
