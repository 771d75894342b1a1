//! Energy: the power carried past the node, taken from the exact field of the
//! virtual span (shear times velocity plus moment times rotation rate), against
//! the power that the reduction finds from node and antinode.

use crate::bench::virtual_span::{Chance, at, in_sweep, model, reduce_settled, setup};
use spanhold::rehearsal::{Program, Sensors, Step, Transition, VirtualSpan, perform};

#[test]
fn power_past_the_node_agrees_with_the_field_over_the_whole_range() {
    let (mut count, mut beside_mains, mut wrong) = (0, 0, Vec::new());
    let mut top_excess_pct = 0.0_f64;
    for seed in 0..6 {
        let mut chance = Chance::new(700 + seed);
        let setup = setup(&mut chance, true);
        let span = VirtualSpan::new(&setup, &model(&setup, &mut chance)).unwrap();
        let steps = in_sweep(&setup, &span)
            .iter()
            .map(|r| Step::new(at(r, 0.0), 6.0).reached_by(Transition::Settled))
            .collect();
        let program = Program {
            lead_in_s: 0.0,
            steps,
            lead_out_s: 0.0,
        };
        let rate_hz = (8.0 * setup.sweep.high_hz).ceil();
        let rehearsal = perform(&span, &program, &Sensors::default(), rate_hz, seed).unwrap();
        for truth in &rehearsal.truth {
            let point = reduce_settled(&setup, &rehearsal, truth, &[1.0; 6]);
            let (Some(plain), Some(stiff)) = (point.power_total_w, point.power_total_stiffness_w)
            else {
                // A single dwell at a mains frequency: nothing has shown how much
                // hum there is.
                if point
                    .reasons
                    .iter()
                    .any(|reason| reason.contains("mains hum on the node"))
                {
                    beside_mains += 1;
                    continue;
                }
                wrong.push(format!(
                    "seed {seed}, {:.2} Hz: no power, {:?}",
                    truth.frequency_hz, point.reasons
                ));
                continue;
            };
            count += 1;
            let stiff_error = stiff.value / truth.power_past_node_w - 1.0;
            let excess = 1.0 - plain.value / truth.power_past_node_w;
            top_excess_pct = top_excess_pct.max(100.0 * excess);
            if stiff_error.abs() > 0.01 || excess < -0.001 {
                wrong.push(format!(
                    "seed {seed}, {:.2} Hz, S {:.3}: with stiffness {:+.2} %, without {:+.2} %",
                    truth.frequency_hz,
                    truth.iswr,
                    100.0 * stiff_error,
                    -100.0 * excess
                ));
            }
        }
    }
    println!("{count} points; without stiffness up to {top_excess_pct:.1} % too little");
    assert!(
        count >= 100 && beside_mains <= 5,
        "{count} points, {beside_mains} beside mains"
    );
    assert!(
        wrong.is_empty(),
        "{} of {count}:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
}
