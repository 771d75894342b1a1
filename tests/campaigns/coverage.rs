//! Do the stated uncertainties tell the truth? Over 1000 rehearsed holds, each
//! with a setup whose tension, mass and stiffness differ from the span's, and
//! with sensors whose gains differ from their certificates, all by errors drawn
//! anew for each hold from the stated uncertainties, the interval of k = 2 has to
//! hold the truth in 95 % of cases: not less, and not much more.

use crate::bench::virtual_span::{Chance, at, in_sweep, model, reduce_settled, sensors, setup};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rand_distr::{Distribution, StandardNormal};
use spanhold::reduction::Measured;
use spanhold::rehearsal::{Program, Step, Transition, VirtualSpan, perform};
use spanhold::setup::Setup;

const HOLDS: usize = 1000;
const HOLDS_A_SPAN: usize = 10;

/// What the analysis believes of a span: the truth, off by errors drawn from the
/// stated uncertainties.
fn believed(real: &Setup, random: &mut ChaCha8Rng) -> Setup {
    let mut setup = real.clone();
    setup.span.tension_kn *= drawn(setup.span.tension_uncertainty_pct, random);
    setup.conductor.mass_kg_per_m *= drawn(setup.conductor.mass_uncertainty_pct, random);
    // A normal error of 50 % (k = 2) stays well above zero in 1000 draws.
    let factor = drawn(setup.conductor.bending_stiffness_uncertainty_pct, random).max(0.1);
    setup.conductor.bending_stiffness_n_m2 = setup
        .conductor
        .bending_stiffness_n_m2
        .map(|stiffness| stiffness * factor);
    setup
}

/// 1 and a normal error of this expanded uncertainty (k = 2), %.
fn drawn(uncertainty_pct: f64, random: &mut ChaCha8Rng) -> f64 {
    let normal: f64 = StandardNormal.sample(random);
    1.0 + normal * uncertainty_pct / 200.0
}

fn contains(found: Option<Measured>, truth: f64) -> bool {
    found.is_some_and(|found| found.has_u() && (found.value - truth).abs() <= found.u)
}

#[test]
fn the_interval_of_k_2_holds_the_truth_in_95_of_100() {
    let mut random = ChaCha8Rng::seed_from_u64(99);
    let mut holds = 0;
    let mut inside = [0; 4];
    let mut seed = 3000;
    while holds < HOLDS {
        seed += 1;
        let mut chance = Chance::new(seed);
        let setup = setup(&mut chance, true);
        let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
        let mut sensors = sensors(&setup, &mut chance, 40.0);
        for sensor in &mut sensors.channels {
            sensor.misplacement_mm = chance.between(-15.0, 15.0);
        }
        let resonances = in_sweep(&setup, &span);
        let steps = (0..HOLDS_A_SPAN)
            .map(|_| {
                let r = resonances[chance.below(resonances.len())];
                Step::new(at(&r, 0.0), 10.0).reached_by(Transition::Settled)
            })
            .collect();
        let program = Program {
            lead_in_s: 0.0,
            steps,
            lead_out_s: 0.0,
        };
        let rate_hz = (8.0 * setup.sweep.high_hz).ceil();
        let rehearsal = perform(&span, &program, &sensors, rate_hz, seed).unwrap();
        for truth in &rehearsal.truth {
            let gains: Vec<f64> = setup
                .channels
                .iter()
                .map(|channel| drawn(channel.uncertainty_pct.unwrap(), &mut random))
                .collect();
            let believed = believed(&setup, &mut random);
            let point = reduce_settled(&believed, &rehearsal, truth, &gains);
            if point.iswr.is_none() {
                continue;
            }
            holds += 1;
            let all = [
                contains(point.iswr, truth.iswr),
                contains(point.antinode_velocity_mm_s, truth.antinode_velocity_mm_s),
                contains(point.node_velocity_mm_s, truth.node_velocity_mm_s),
                contains(point.power_total_stiffness_w, truth.power_past_node_w),
            ];
            for (count, is_inside) in inside.iter_mut().zip(all) {
                *count += usize::from(is_inside);
            }
        }
    }
    let share = inside.map(|count| 100.0 * count as f64 / holds as f64);
    println!(
        "of {holds} holds: ratio {:.1} %, antinode {:.1} %, node {:.1} %, power {:.1} %",
        share[0], share[1], share[2], share[3]
    );
    for share in share {
        assert!(
            (93.0..=97.0).contains(&share),
            "{share} % of the intervals hold the truth"
        );
    }
}
