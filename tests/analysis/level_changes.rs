//! One frequency, several levels: each level that is held is a point of its
//! own, a drive that was cut is no dwell, and a dwell without end is judged.

use crate::bench::virtual_span::{Chance, analyse, at, in_dwell, in_sweep, model, sensors, setup};
use spanhold::rehearsal::{
    Disturbance, Program, Rehearsal, Step, Transition, VirtualSpan, perform,
};
use spanhold::setup::Setup;
use spanhold::setup::Verdict;

const RATE_HZ: f64 = 1000.0;

/// Performs what `steps` makes of the ring-up time constant and the harmonic
/// of one resonance after the other.
fn rehearse(
    seed: u64,
    steps: impl Fn(&mut Chance, &spanhold::rehearsal::Resonance) -> Vec<Step>,
) -> (Setup, Rehearsal) {
    let mut chance = Chance::new(seed);
    let setup = setup(&mut chance, true);
    let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
    let sensors = sensors(&setup, &mut chance, 40.0);
    let mut usable = in_sweep(&setup, &span);
    usable.retain(|r| r.time_constant_s < 12.0);
    let steps = (0..6)
        .flat_map(|i| {
            let resonance = usable[(7 * i + 3) % usable.len()];
            steps(&mut chance, &resonance)
        })
        .collect();
    let program = Program {
        lead_in_s: 2.0,
        steps,
        lead_out_s: 2.0,
    };
    let rehearsal = perform(&span, &program, &sensors, RATE_HZ, seed).unwrap();
    (setup, rehearsal)
}

#[test]
fn each_level_at_one_frequency_is_a_point_of_its_own() {
    let mut dwells = 0;
    for seed in [3001, 3002, 3003] {
        let (setup, rehearsal) = rehearse(seed, |chance, r| {
            let long_s = 8.0 * r.time_constant_s + 1.4 * 8.0_f64.max(100.0 / r.frequency_hz) + 4.0;
            let level = chance.between(0.4, 0.7);
            let turned_s = chance.between(0.5, 6.0);
            let mut second =
                Step::new(at(r, 0.0), long_s).reached_by(Transition::Sweep { seconds: turned_s });
            second.level = level;
            let third = Step::new(at(r, 0.0), long_s).reached_by(Transition::Fade { seconds: 3.0 });
            vec![Step::new(at(r, 0.0), long_s), second, third]
        });
        let judged = analyse(&setup, &rehearsal, 4096);
        for truth in &rehearsal.truth {
            dwells += 1;
            let inside = in_dwell(&judged, truth);
            let point = &inside
                .first()
                .unwrap_or_else(|| panic!("seed {seed}: no record of dwell {}", truth.dwell))
                .point;
            assert_eq!(
                point.verdict,
                Verdict::Held,
                "seed {seed} dwell {}: {:?}",
                truth.dwell,
                point.reasons
            );
            let velocity_mm_s = point.antinode_velocity_mm_s.unwrap().value;
            // Noise at 40 dB, and what is left of ring-up after seven time constants.
            assert!(
                (velocity_mm_s / truth.antinode_velocity_mm_s - 1.0).abs() < 0.005,
                "seed {seed} dwell {}: {velocity_mm_s} mm/s, not {}",
                truth.dwell,
                truth.antinode_velocity_mm_s
            );
        }
    }
    assert_eq!(dwells, 54);
}

#[test]
fn what_dies_away_after_the_drive_was_cut_is_no_dwell() {
    let (setup, rehearsal) = rehearse(3101, |_, r| {
        let cut_s = 8.0 * r.time_constant_s + 1.4 * 8.0_f64.max(100.0 / r.frequency_hz) + 4.0;
        vec![
            Step::new(at(r, 0.0), cut_s + 4.0 * r.time_constant_s + 4.0)
                .with(Disturbance::DriveCut { at_s: cut_s }),
        ]
    });
    let judged = analyse(&setup, &rehearsal, 4096);
    let verdicts: Vec<Verdict> = judged.iter().map(|judged| judged.point.verdict).collect();
    assert_eq!(verdicts, [Verdict::Held; 6], "one record a dwell, all held");
}

#[test]
fn a_dwell_without_end_is_judged_every_hour() {
    let mut chance = Chance::new(3201);
    let mut setup = setup(&mut chance, true);
    let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
    let resonance = in_sweep(&setup, &span)[0];
    // A low rate is enough for the lowest resonance alone.
    setup.sweep.high_hz = 1.3 * resonance.frequency_hz;
    let program = Program {
        lead_in_s: 0.0,
        steps: vec![Step::new(at(&resonance, 0.0), 1.2 * 3600.0)],
        lead_out_s: 0.0,
    };
    let sensors = sensors(&setup, &mut chance, 40.0);
    // No signal is as clean as that.
    setup.hold.min_snr_db = 90.0;
    let rate_hz = 8.0 * setup.sweep.high_hz;
    let rehearsal = perform(&span, &program, &sensors, rate_hz.round(), 3201).unwrap();
    let judged = analyse(&setup, &rehearsal, 4096);
    let reasons: Vec<&String> = judged
        .iter()
        .flat_map(|judged| &judged.point.reasons)
        .filter(|reason| reason.contains("not held within 60 minutes"))
        .collect();
    assert_eq!(reasons.len(), 1, "one whole hour");
    assert!(
        judged
            .iter()
            .all(|judged| judged.point.verdict == Verdict::Rejected)
    );
}
