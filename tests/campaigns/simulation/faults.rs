//! What happens to a simulated capture, and when.

use std::time::Duration;

use rand::RngExt as _;
use rand::seq::IndexedRandom as _;
use rand_chacha::ChaCha8Rng;

use super::device::{LIES, Lie, Noise};

#[derive(Debug, Clone, Copy)]
pub enum Fault {
    /// Ends the session: asked to, killed, or with the power cut.
    Stop,
    Kill,
    PowerCut,
    /// The power goes in the middle of what the disk is doing.
    PowerCutAfter(u32),
    /// Of the line and the device, for so long.
    Noise(Noise, Duration),
    Unplug(Duration),
    Silence(Duration),
    Restart {
        keeps_id: bool,
        dead: Duration,
    },
    Lie(Lie),
    /// A stage that does not get on.
    ReaderHangs(Duration),
    DiskHangs(Duration),
    AnalysisHangs(Duration),
    /// The computer sleeps; the device does not.
    Suspend(Duration),
    /// Somebody sets the wall clock.
    ClockStep(i64),
    DiskFull {
        bytes: u64,
        is_known: bool,
    },
    SyncFails,
    RemoveRecording,
    RemovePoints,
    RemoveFolder,
}

impl Fault {
    /// Whether a capture may end by itself after it.
    pub fn may_end_it(&self) -> bool {
        matches!(
            self,
            Self::DiskFull { .. }
                | Self::SyncFails
                | Self::RemoveRecording
                | Self::RemovePoints
                | Self::RemoveFolder
                | Self::Lie(Lie::OtherFormat)
        )
    }

    /// Whether something was taken away that no program can bring back.
    pub fn destroys(&self) -> bool {
        matches!(
            self,
            Self::RemoveRecording | Self::RemovePoints | Self::RemoveFolder
        )
    }
}

fn seconds(chance: &mut ChaCha8Rng, low: f64, high: f64) -> Duration {
    Duration::from_secs_f64(chance.random_range(low..high))
}

fn noise(chance: &mut ChaCha8Rng) -> Noise {
    let mut noise = Noise::default();
    let kinds: [&mut u32; 6] = [
        &mut noise.lost,
        &mut noise.flipped,
        &mut noise.cut,
        &mut noise.doubled,
        &mut noise.late,
        &mut noise.junk,
    ];
    let alone = chance.random_bool(0.5).then(|| chance.random_range(0..6));
    for (number, kind) in kinds.into_iter().enumerate() {
        if alone.is_none_or(|alone| alone == number) {
            *kind = chance.random_range(3..60);
        }
    }
    noise
}

/// How many kinds [`kind`] knows.
const KINDS: u32 = 19;

fn kind(number: u32, chance: &mut ChaCha8Rng) -> Fault {
    match number {
        0 => Fault::Stop,
        1 => Fault::Kill,
        2 => Fault::PowerCut,
        3 => Fault::Noise(noise(chance), seconds(chance, 0.5, 40.0)),
        4 => Fault::Unplug(seconds(chance, 0.1, 20.0)),
        5 => Fault::Silence(seconds(chance, 0.2, 25.0)),
        6 => Fault::Restart {
            keeps_id: chance.random_bool(0.5),
            dead: seconds(chance, 0.0, 6.0),
        },
        7 => Fault::Lie(*LIES.choose(chance).unwrap()),
        8 => Fault::ReaderHangs(seconds(chance, 0.1, 10.0)),
        9 => Fault::DiskHangs(seconds(chance, 0.1, 60.0)),
        10 => Fault::AnalysisHangs(seconds(chance, 1.0, 60.0)),
        11 => Fault::Suspend(seconds(chance, 0.5, 3000.0)),
        12 => Fault::ClockStep(chance.random_range(-100_000..100_000)),
        13 => Fault::DiskFull {
            bytes: chance.random_range(0..60_000),
            is_known: chance.random_bool(0.3),
        },
        14 => Fault::SyncFails,
        15 => Fault::RemoveRecording,
        16 => Fault::RemovePoints,
        18 => Fault::PowerCutAfter(chance.random_range(0..80)),
        _ => Fault::RemoveFolder,
    }
}

/// When everything has happened that will, s; the last session then ends in
/// peace.
pub const LAST_FAULT_S: f64 = 110.0;

/// The faults of a seed, in order of time. One seed in three has one kind
/// alone; the rest have up to eight of any kind.
pub fn schedule(chance: &mut ChaCha8Rng) -> Vec<(Duration, Fault)> {
    let alone = chance
        .random_bool(0.33)
        .then(|| chance.random_range(0..KINDS));
    let count = chance.random_range(1..=if alone.is_some() { 3 } else { 8 });
    let mut faults: Vec<(Duration, Fault)> = (0..count)
        .map(|_| {
            let at = seconds(chance, 1.0, LAST_FAULT_S);
            // What takes a run apart for good is rarer in company: it ends the seed.
            let number = alone.unwrap_or_else(|| {
                let number = chance.random_range(0..KINDS);
                if (15..18).contains(&number) && chance.random_bool(0.7) {
                    chance.random_range(0..15)
                } else {
                    number
                }
            });
            (at, kind(number, chance))
        })
        .collect();
    faults.sort_by_key(|(at, _)| *at);
    faults
}
