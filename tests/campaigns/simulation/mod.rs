//! A capture in virtual time: a simulated device, disk and clock, faults of
//! every kind alone and in company, and what has to be so whatever happens.
//!
//! Everything but the waiting of threads is the program's own: the reader of
//! the line, the recorder, the feed, the analysis, the ledger, and going on
//! with a run. Each seed is one run of several sessions, and repeats by itself:
//!
//! `SPANHOLD_SIM_SEED=17 cargo test --release --test campaigns simulat -- --include-ignored --nocapture`
//!
//! The hour: `SPANHOLD_SIM_SECONDS=3600 cargo test --release --test campaigns
//! an_hour_of_simulated_faults -- --ignored --nocapture`.

mod clock;
mod device;
mod disk;
mod faults;
mod invariants;
mod mistakes;
mod soak;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::PathBuf;
use std::time::{Duration, Instant};

use crate::bench::setups::{ANTINODE_AND_NODE, edited, on_line};
use crate::memory::peak_kb;
use crate::share;
use invariants::Summary;
use mistakes::{BlockCount, Mistake, Shift};

/// Seeds that are judged with every other test.
const FEW: u64 = 24;
/// A process that simulates for hours stays below this.
const MOST_KB: u64 = 400_000;
/// A campaign without another word takes so long.
const SECONDS: u64 = 60;

/// Antinode, node, and a channel that says which sample each is.
fn setup() -> String {
    let setup = edited(
        &on_line(ANTINODE_AND_NODE).replace("PORT", "simulated"),
        &[
            ("rate_hz = 1000.0", "rate_hz = 220.0"),
            (
                "[[source]]",
                "[sweep]\nlow_hz = 11.0\nhigh_hz = 27.0\n[[source]]",
            ),
        ],
    );
    setup
        + "[[channel]]\nname = \"count\"\nrole = \"monitor\"\nsource = \"bench\"\nindex = 2\n\
           unit = \"mm/s\"\nfull_scale = 1000.0\n"
}

/// A folder in memory where there is one: the simulated disk is slow by itself.
fn folder() -> tempfile::TempDir {
    let memory = PathBuf::from("/dev/shm");
    if memory.is_dir() {
        tempfile::tempdir_in(memory).unwrap()
    } else {
        tempfile::tempdir().unwrap()
    }
}

/// Lives through a seed and checks what it left. The error says what was not
/// as it has to be, and what had been done to the capture.
fn simulate(seed: u64, mistake: Option<Mistake>) -> Result<(Summary, f64), String> {
    let folder = folder();
    let mut world = world::World::new(seed, folder.path(), &setup(), mistake);
    let faults = world.schedule();
    let lived = catch_unwind(AssertUnwindSafe(|| {
        let outcome = world.live(&faults)?;
        let summary = invariants::check(&outcome)?;
        Ok((summary, outcome.virtual_s))
    }));
    let lived = lived.unwrap_or_else(|panic| {
        let text = panic
            .downcast_ref::<String>()
            .cloned()
            .or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()));
        Err(format!("panic: {}", text.unwrap_or_default()))
    });
    lived.map_err(|what| format!("{what}\nfaults: {faults:#?}"))
}

fn simulate_all(seeds: impl Iterator<Item = u64>, until: Option<Instant>) {
    let mut broken = Vec::new();
    let (mut count, mut virtual_s, mut sum) = (0_u64, 0.0, Summary::default());
    let (mut first, mut last) = (None, 0);
    for seed in seeds {
        if until.is_some_and(|until| Instant::now() > until) {
            break;
        }
        first.get_or_insert(seed);
        last = seed;
        count += 1;
        match simulate(seed, None) {
            Ok((summary, lived_s)) => {
                virtual_s += lived_s;
                sum.samples += summary.samples;
                sum.points += summary.points;
                sum.steady += summary.steady;
            }
            Err(what) => {
                println!("SPANHOLD_SIM_SEED={seed}: {what}");
                broken.push(seed);
            }
        }
    }
    let peak_kb = peak_kb(std::process::id()).unwrap_or(0);
    println!(
        "seeds {first:?} to {last}: {count} runs, {:.1} h of virtual time, {} samples recorded, {} \
         points ({} steady), {peak_kb} kB at most; {} broken: {broken:?}",
        virtual_s / 3600.0,
        sum.samples,
        sum.points,
        sum.steady,
        broken.len()
    );
    assert!(broken.is_empty(), "seeds {broken:?} broke an invariant");
    assert!(sum.points > 0 && sum.steady > 0);
    // Beside other tests of this process their memory would be counted too.
    let is_alone = std::env::var_os("SPANHOLD_SIM_ALONE").is_some();
    assert!(!is_alone || peak_kb < MOST_KB, "{peak_kb} kB");
}

fn number(name: &str) -> Option<u64> {
    let text = std::env::var(name).ok()?;
    Some(text.parse().unwrap_or_else(|_| panic!("{name}={text}")))
}

#[test]
fn simulated_faults_break_nothing() {
    match number("SPANHOLD_SIM_SEED") {
        Some(seed) => println!("{seed}: {:?}", simulate(seed, None).unwrap()),
        None => simulate_all(0..FEW, None),
    }
}

/// Other seeds for every commit, and for as long as it is given.
#[test]
#[ignore = "takes as long as SPANHOLD_SIM_SECONDS says, a minute by default"]
fn an_hour_of_simulated_faults() {
    let seconds = number("SPANHOLD_SIM_SECONDS").unwrap_or(SECONDS);
    let begin = number("SPANHOLD_SIM_SEED").unwrap_or_else(|| 1_000_000 * (1 + share::seed()));
    let until = Instant::now() + Duration::from_secs(seconds);
    simulate_all(begin.., Some(until));
}

/// What a mistake is, how it is made, and how it shows.
type Planted = (&'static str, fn() -> Mistake, &'static str);

/// Each mistake has to be seen by one seed of these, or the simulation proves
/// nothing of the kind.
#[test]
fn mistakes_made_on_purpose_are_found() {
    let mistakes: [Planted; 6] = [
        (
            "points are not synced",
            || Mistake::NeverSyncs("points.jsonl"),
            "was announced as",
        ),
        (
            "the record of the run is not synced",
            || Mistake::NeverSyncs("run.json.new"),
            "",
        ),
        (
            "a block is dropped",
            || Mistake::DropsABlock(BlockCount::to(40)),
            "side by side",
        ),
        (
            "gaps are hidden",
            || Mistake::HidesGaps(Shift::default()),
            "side by side",
        ),
        (
            "a sample is altered",
            || Mistake::AltersASample(BlockCount::to(40)),
            "none of the device's",
        ),
        (
            "the analysis hangs",
            || Mistake::HangsForEver,
            "did not end",
        ),
    ];
    for (what, mistake, says) in mistakes {
        // One that seldom shows is tried first where it did when this was written.
        let seldom = if says == "was announced as" { 50 } else { 0 };
        let found = (seldom..200).chain(0..seldom).find_map(|seed| {
            let said = simulate(seed, Some(mistake())).err()?;
            said.contains(says).then_some((seed, said))
        });
        let (seed, said) = found.unwrap_or_else(|| panic!("nobody notices that {what}"));
        println!("{what}: seed {seed}: {}", said.lines().next().unwrap());
    }
}
