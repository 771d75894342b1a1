//! The bare span: its bandwidth is some millihertz, its ring-up takes minutes.
//! Random bare spans with ratios of 0.001 to 0.005 and a bench's usual errors;
//! each dwell begins while the motion before it still rings at full level and
//! ends beside its own. What length of dwell and what drive phase make the ratio
//! trustworthy, and is that what the verdict says? The truth is the virtual
//! span's exact solution, which shares no code with the analysis.
//!
//! The whole set, which prints the tables of the guide (page "Tolerances"):
//! `cargo test --release --test campaigns -- --ignored bare_span --nocapture --test-threads 1`

mod bench;
mod doubts;
mod table;

use crate::share;
use bench::Bare;
use doubts::{
    Row, drifting, drive_drifting, misplaced_node, noisy_node, over_the_peak, stepped,
    without_force,
};
use table::{Cell, LENGTHS, PHASES_DEG, too_few};

/// Judges all cells, prints them and says what is wrong.
fn judge_cells(benches: &[Bare], phases_deg: &[f64]) {
    let (mut wrong, mut within, mut held) = (Vec::new(), 0, 0);
    println!("{}", table::HEAD);
    for constants in LENGTHS {
        for phase_deg in phases_deg {
            let cell = Cell::of(benches, constants, *phase_deg);
            println!("{}", cell.row());
            wrong.extend(cell.wrong());
            let (inside, all) = cell.within_stated();
            within += inside;
            held += all;
        }
    }
    println!("\n{within} of {held} held ratios within their stated uncertainty\n");
    assert!(
        wrong.is_empty(),
        "{} wrong:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
    assert!(held > 0, "nothing was held");
    assert!(
        !too_few(within, held),
        "only {within} of {held} ratios within k = 2"
    );
}

/// Prints the rows and says what is wrong with them.
fn judge_rows(rows: &[Row]) {
    println!("{}", doubts::HEAD);
    for row in rows {
        println!("{}", row.line());
    }
    println!();
    let wrong: Vec<String> = rows.iter().flat_map(Row::wrong).collect();
    assert!(
        wrong.is_empty(),
        "{} wrong:\n{}",
        wrong.len(),
        wrong.join("\n")
    );
    let (within, held) = rows
        .iter()
        .map(Row::within_stated)
        .fold((0, 0), |sum, row| (sum.0 + row.0, sum.1 + row.1));
    assert!(
        !too_few(within, held),
        "only {within} of {held} ratios within k = 2"
    );
}

fn benches(seeds: impl IntoIterator<Item = u64>, snr_db: f64) -> Vec<Bare> {
    seeds
        .into_iter()
        .map(|seed| Bare::new(seed, snr_db))
        .collect()
}

/// Benches whose ratio is near 0.001.
fn faint(first_seed: u64, count: usize) -> Vec<Bare> {
    (first_seed..)
        .map(|seed| Bare::new(seed, 60.0))
        .filter(|bare| bare.iswr < 0.0013)
        .take(count)
        .collect()
}

#[test]
fn a_held_bare_ratio_is_right_and_the_others_name_the_cause() {
    let mut few = benches(0..2, 60.0);
    few.extend(benches(2..3, 40.0));
    judge_cells(&few, &[0.0, 10.0, 45.0]);
}

#[test]
fn what_spoils_a_bare_dwell_is_named() {
    let few = || benches(0..2, 60.0);
    let mut rows = vec![
        drifting(&few(), 0.01, Some(true)),
        drifting(&few(), 0.2, Some(false)),
    ];
    rows.extend(stepped(&few(), 0.01));
    rows.push(without_force(few(), 3.0));
    rows.push(over_the_peak(benches(0..1, 60.0)));
    rows.push(misplaced_node(few(), 60.0, 3.0));
    rows.push(noisy_node(faint(10, 2), 40.0, 60.0, 60.0));
    rows.push(noisy_node(faint(20, 2), 15.0, 60.0, 60.0));
    judge_rows(&rows);
}

#[test]
#[ignore = "takes minutes: a table of the guide"]
fn table_1_dwell_length_and_drive_phase() {
    judge_cells(&benches(share::of(0..20), 60.0), &PHASES_DEG);
}

#[test]
#[ignore = "takes minutes: the same with more noise"]
fn table_1_at_40_db() {
    judge_cells(&benches(share::of(0..8), 40.0), &PHASES_DEG);
}

#[test]
#[ignore = "takes minutes: a table of the guide"]
fn table_2_what_spoils_a_dwell() {
    let seeds = share::of(100..110);
    let some = || benches(seeds.iter().copied(), 60.0);
    let mut rows: Vec<Row> = [
        (0.01, Some(true)),
        (0.03, None),
        (0.1, None),
        (0.2, Some(false)),
        (1.0, Some(false)),
    ]
    .into_iter()
    .map(|(rate, held)| drifting(&some(), rate, held))
    .collect();
    rows.push(drive_drifting(&some(), 0.02, None));
    rows.push(drive_drifting(&some(), 0.3, Some(false)));
    for resolution_hz in [0.01, 0.002, 0.0005] {
        rows.extend(stepped(&some(), resolution_hz));
    }
    for sweep_s in [3.0, 30.0, 300.0] {
        rows.push(without_force(some(), sweep_s));
    }
    rows.push(over_the_peak(some()));
    for (off_mm, phase_deg) in [(2.0, 0.3), (10.0, 0.3), (10.0, 1.0), (60.0, 3.0)] {
        rows.push(misplaced_node(some(), off_mm, phase_deg));
    }
    judge_rows(&rows);
}

#[test]
#[ignore = "takes minutes: a table of the guide"]
fn table_3_noise_at_a_ratio_of_0_001() {
    let mut rows = Vec::new();
    for (n, snr_db) in [60.0, 50.0, 40.0, 30.0, 20.0].into_iter().enumerate() {
        rows.push(noisy_node(
            share::of(faint(200 + 50 * n as u64, 10)),
            snr_db,
            60.0,
            60.0,
        ));
    }
    for (n, snr_db) in [40.0, 30.0].into_iter().enumerate() {
        rows.push(noisy_node(
            share::of(faint(500 + 50 * n as u64, 10)),
            snr_db,
            60.0,
            300.0,
        ));
    }
    judge_rows(&rows);
}
