//! Sensors that do not stand where they should: the ratio from the quadrature
//! part stays right, and the offset says how far to move which way.

use crate::bench::virtual_span::{Chance, analyse, at, in_dwell, in_sweep, model, sensors, setup};
use spanhold::reduction::SettledPoint;
use spanhold::rehearsal::{DwellTruth, Program, Rehearsal, Resonance, Step, VirtualSpan, perform};
use spanhold::setup::{Role, Setup, Verdict};

const RATE_HZ: f64 = 1000.0;

/// Four dwells at resonances drawn from some, each `after_s` longer than eight
/// time constants.
fn some_dwells(resonances: &[Resonance], after_s: f64, chance: &mut Chance) -> Program {
    let steps = (0..4)
        .map(|_| resonances[chance.below(resonances.len())])
        .map(|r| Step::new(at(&r, 0.0), 8.0 * r.time_constant_s + after_s))
        .collect();
    Program {
        lead_in_s: 1.0,
        steps,
        lead_out_s: 1.0,
    }
}

/// The best point of each dwell that has one.
fn found<'a>(
    setup: &Setup,
    rehearsal: &'a Rehearsal,
) -> impl Iterator<Item = (&'a DwellTruth, SettledPoint)> {
    let judged = analyse(setup, rehearsal, 5000);
    rehearsal.truth.iter().filter_map(move |truth| {
        let best = in_dwell(&judged, truth).first().map(|j| j.point.clone())?;
        Some((truth, best))
    })
}

#[test]
fn with_the_node_sensor_off_by_50_mm_ratio_and_offset_are_right() {
    let (mut count, mut wrong) = (0, Vec::new());
    for seed in 0..3 {
        let mut chance = Chance::new(500 + seed);
        let setup = setup(&mut chance, true);
        let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
        let mut resonances = in_sweep(&setup, &span);
        resonances.retain(|r| r.time_constant_s < 15.0);
        for misplacement_mm in [-50.0, -20.0, 0.0, 5.0, 50.0] {
            let mut sensors = sensors(&setup, &mut chance, 40.0);
            for (sensor, channel) in sensors.channels.iter_mut().zip(&setup.channels) {
                if channel.role == Role::Node {
                    sensor.misplacement_mm = misplacement_mm;
                }
            }
            let program = some_dwells(&resonances, 12.0, &mut chance);
            let rehearsal = perform(&span, &program, &sensors, RATE_HZ, seed).unwrap();
            for (truth, best) in found(&setup, &rehearsal) {
                if best.verdict != Verdict::Held {
                    continue;
                }
                count += 1;
                let ratio_error = best.iswr.unwrap().value / truth.iswr - 1.0;
                let offset_error_mm =
                    best.node_offset_mm.unwrap().value - truth.node_misplacement_mm;
                // Far off, the reading has to say so, and which way to go.
                let says_so = best.reasons.iter().any(|r| r.contains("off the node"));
                let needs_saying = misplacement_mm.abs() >= 50.0 && truth.iswr < 0.04;
                if ratio_error.abs() > 0.01
                    || offset_error_mm.abs() > 2.0
                    || (needs_saying && !says_so)
                {
                    wrong.push(format!(
                        "seed {seed}, {misplacement_mm} mm, {:.2} Hz, S {:.4}: ratio off {:.2} %, offset off {offset_error_mm:.2} mm, {:?}",
                        truth.frequency_hz, truth.iswr, 100.0 * ratio_error, best.reasons
                    ));
                }
            }
        }
    }
    assert!(count >= 40, "only {count} holds");
    assert!(
        wrong.is_empty(),
        "{} of {count}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}

/// Where the ratio is large, an antinode sensor beside its antinode turns the
/// phase reference, and the node's offset with it: for 40 mm at S = 0.33 by 4 mm.
#[test]
fn the_antinodes_place_is_in_the_uncertainty_of_the_nodes_offset() {
    let (mut errors, mut largest_u_mm) = (Vec::new(), 0.0_f64);
    for seed in 0..3 {
        let mut chance = Chance::new(700 + seed);
        let mut setup = setup(&mut chance, true);
        for channel in &mut setup.channels {
            channel.position_uncertainty_mm = 40.0;
        }
        let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
        let mut resonances = in_sweep(&setup, &span);
        // Wide ones: those with large ratios.
        resonances.retain(|r| r.time_constant_s < 1.5);
        assert!(!resonances.is_empty());
        for antinode_mm in [-40.0, -20.0, 20.0, 40.0] {
            let mut sensors = sensors(&setup, &mut chance, 50.0);
            for (sensor, channel) in sensors.channels.iter_mut().zip(&setup.channels) {
                sensor.misplacement_mm = match channel.role {
                    Role::Antinode => antinode_mm,
                    Role::Node => 25.0 * chance.sign(),
                    _ => 0.0,
                };
            }
            let program = some_dwells(&resonances, 14.0, &mut chance);
            let rehearsal = perform(&span, &program, &sensors, RATE_HZ, seed).unwrap();
            for (truth, best) in found(&setup, &rehearsal) {
                if let (Some(offset), Some(iswr)) = (best.node_offset_mm, best.iswr)
                    && iswr.value > 0.2
                {
                    largest_u_mm = largest_u_mm.max(offset.u);
                    errors.push((offset.value - truth.node_misplacement_mm, offset.u));
                }
            }
        }
    }
    let within = errors.iter().filter(|(error, u)| error.abs() <= *u).count();
    let most = errors
        .iter()
        .map(|(error, _)| error.abs())
        .fold(0.0, f64::max);
    println!(
        "{} readings, {within} within U; errors to {most:.1} mm, U to {largest_u_mm:.1} mm",
        errors.len()
    );
    assert!(errors.len() >= 20, "{}", errors.len());
    assert!(most > 2.0, "nothing was there to be found: {most} mm");
    // A sensor as far off as is stated to be likely: the error is then about U.
    let by_u = |(error, u): &(f64, f64)| error.abs() / u;
    let worst = errors.iter().map(by_u).fold(0.0, f64::max);
    assert!(worst < 1.1, "{errors:?}");
}
