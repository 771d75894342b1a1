//! Hours of a bench where nothing goes wrong, in virtual time: what the program
//! holds does not grow, and it stays abreast of the bench.

use std::time::{Duration, Instant};

use super::world::World;
use super::{folder, number, setup};

const SEED: u64 = 24;
/// What the process may grow by between its second hour and its last, kB: the
/// points of the run are kept for the summary, some kB each, and a day has
/// thousands.
const GROWS_BY_KB: u64 = 40_000;

fn hours(hours: u64) {
    let folder = folder();
    let began = Instant::now();
    let mut world = World::new(SEED, folder.path(), &setup(), None);
    world.last(Duration::from_hours(hours));
    let outcome = world.live(&[]).unwrap();
    let took_s = began.elapsed().as_secs_f64();
    for reading in &outcome.readings {
        println!(
            "{:6.2} h: {} kB, {} files open, {} messages wait",
            reading.virtual_s / 3600.0,
            reading.resident_kb,
            reading.files,
            reading.waiting
        );
    }
    let [end] = &outcome.sessions[..] else {
        panic!("{} sessions", outcome.sessions.len());
    };
    let captured = end.closed.as_ref().unwrap();
    let source = &captured.record.sources[0];
    println!(
        "{:.2} h in {took_s:.0} s: {} frames, {} missing, {} points",
        outcome.virtual_s / 3600.0,
        source.frames,
        source.missing_frames,
        captured.points.len()
    );
    assert_eq!((source.missing_frames, end.statistics.lost_samples), (0, 0));
    assert_eq!(source.frames, end.statistics.samples);
    // Every dwell of 25 s gives a point.
    let dwells = (outcome.virtual_s / 25.0) as usize;
    assert!(
        captured.points.len() + 2 >= dwells,
        "{} of {dwells}",
        captured.points.len()
    );
    let settled = &outcome.readings[outcome.readings.len() / 12..];
    let (first, last) = (settled[0], settled[settled.len() - 1]);
    assert!(last.resident_kb <= first.resident_kb + GROWS_BY_KB);
    // Fewer at the end, when the recording is closed.
    assert!(settled.iter().all(|reading| reading.files <= first.files));
    assert!(settled.iter().all(|reading| reading.waiting <= 8));
}

#[test]
#[ignore = "takes minutes: a day of bench time, or SPANHOLD_SOAK_HOURS"]
fn a_day_in_virtual_time_holds_no_more_than_its_second_hour() {
    hours(number("SPANHOLD_SOAK_HOURS").unwrap_or(24));
}
