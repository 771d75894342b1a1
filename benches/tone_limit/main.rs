//! Prints the table of `src/guide/tone-limits.md`: the tone stage against the
//! Cramér–Rao bound. `cargo bench --bench tone_limit`, or with the beginning
//! of a signal's name for some rows: `cargo bench --bench tone_limit -- strain`

#![allow(
    clippy::indexing_slicing,
    reason = "indices run over sizes that the draw itself sets"
)]

mod bound;
#[path = "../../tests/analysis/first_guess.rs"]
mod first_guess;
mod monte_carlo;

use monte_carlo::{Cell, Length, Outcome, Signal};
use std::fmt::Write;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

fn cells() -> Vec<Cell> {
    let lengths = [
        (Signal::Plain, Length::Cycles(10.0), 10_000),
        (Signal::Plain, Length::Cycles(30.0), 10_000),
        (Signal::Plain, Length::Cycles(100.0), 4000),
        (Signal::Harmonics, Length::Cycles(10.0), 10_000),
        (Signal::Harmonics, Length::Cycles(30.0), 4000),
        (Signal::Harmonics, Length::Cycles(100.0), 2000),
        (Signal::MainsTold, Length::Cycles(10.0), 4000),
        (Signal::MainsTold, Length::Cycles(30.0), 4000),
        (Signal::Mains, Length::Seconds(1.25), 4000),
        (Signal::Mains, Length::Seconds(2.0), 4000),
        (Signal::Mains, Length::Seconds(8.0), 2000),
    ];
    let mut cells = Vec::new();
    for (signal, length, draws) in lengths {
        for snr_db in [20.0, 40.0, 60.0, 80.0] {
            cells.push(Cell {
                signal,
                length,
                snr_db,
                draws,
            });
        }
    }
    cells
}

fn name(signal: Signal) -> &'static str {
    match signal {
        Signal::Plain => "plain",
        Signal::Harmonics => "harmonics, offset",
        Signal::Mains => "strain beside mains",
        Signal::MainsTold => "strain beside mains, told of it",
    }
}

fn row(cell: &Cell, outcome: &Outcome) -> String {
    let mut text = format!(
        "| {} | {} | {} | {} | {} |",
        name(cell.signal),
        cell.length,
        cell.snr_db,
        outcome.frequency.draws,
        outcome.failed
    );
    for tally in [outcome.frequency, outcome.amplitude, outcome.phase] {
        let _ = write!(
            text,
            " {:.3} | {:+.3} | {:.3} |",
            tally.variance_ratio(),
            tally.bias(),
            tally.stated_ratio()
        );
    }
    text
}

fn main() {
    let wanted = std::env::args().skip(1).find(|arg| !arg.starts_with('-'));
    let mut cells = cells();
    cells.retain(|cell| {
        wanted
            .as_ref()
            .is_none_or(|wanted| name(cell.signal).starts_with(wanted.as_str()))
    });
    println!(
        "| signal | window | SNR, dB | draws | failed | f: var/CRB | bias/sd | stated/CRB | amplitude: var/CRB | bias/sd | stated/CRB | phase: var/CRB | bias/sd | stated/CRB |"
    );
    println!("|---|---|---|---|---|---|---|---|---|---|---|---|---|---|");
    // A cell draws the same numbers on any thread; the rows come in order.
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let (send, receive) = mpsc::channel();
    std::thread::scope(|scope| {
        for _ in 0..threads {
            let (send, next, cells) = (send.clone(), &next, &cells);
            scope.spawn(move || {
                loop {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    let Some(cell) = cells.get(i) else { break };
                    if send.send((i, row(cell, &cell.run()))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(send);
        let mut rows = vec![None; cells.len()];
        let mut printed = 0;
        for (i, text) in receive {
            rows[i] = Some(text);
            while let Some(Some(text)) = rows.get(printed) {
                println!("{text}");
                printed += 1;
            }
        }
    });
}
